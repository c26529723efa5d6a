"""Which base renders exist: every picture's product, pose and camera, from a seed."""

import zlib
from dataclasses import dataclass, replace

import numpy as np

from .bags import Bag, Pose
from .catalogue import CLEAN, DEMO

VIEWS = ("three_quarter", "front", "detail", "back")
THREE_QUARTER_DEG = 32.0
ELEVATION_DEG = {"three_quarter": 9.0, "front": 6.0, "back": 6.0, "detail": 3.0}
FOCAL_MM = {"three_quarter": 100.0, "front": 100.0, "back": 100.0, "detail": 135.0}

# Natural variation of careful practice: standard deviations.
ANGLE_SD_DEG, ROLL_SD_DEG, CENTRE_SD, SIZE_SD, ELEVATION_SD_DEG = 1.1, 0.22, 0.005, 0.010, 0.3
LEAN_SD_DEG, TILT_SD_DEG, SOFT_SIZE_SD = 0.4, 2.0, 0.035


@dataclass(frozen=True)
class Shot:
    """One base render; ``key`` names it in the cache."""

    key: str
    bag: Bag
    view: str
    pose: Pose
    width_px: int
    height_px: int
    elevation_deg: float
    roll_deg: float
    focal_length_mm: float
    size: float
    shift: tuple
    seed: int
    detail_at: tuple
    detail_width_cm: float


def _clipped(random, sd, limit=2.4):
    """A normal deviate that stays within ``limit`` standard deviations, as a careful hand does."""
    return float(np.clip(random.normal(), -limit, limit) * sd)


def natural_shot(prefix, bag, view, size_px, seed=0):
    """The picture as a careful photographer takes it."""
    key = f"{prefix}_{bag.sku}_{view}"
    random = np.random.default_rng([seed, zlib.crc32(key.encode())])
    soft = SOFT_SIZE_SD if bag.soft else 0.003
    yaw = (THREE_QUARTER_DEG if view == "three_quarter" else 12.0 if view == "detail" else 0.0) + _clipped(random, ANGLE_SD_DEG)
    pose = Pose(yaw_deg=yaw, lean_deg=_clipped(random, LEAN_SD_DEG),
                tilt_front_deg=9 + _clipped(random, TILT_SD_DEG), tilt_rear_deg=9 + _clipped(random, TILT_SD_DEG),
                strap_state="front" if bag.strap and view != "back" else "none",
                stretch=(1 + _clipped(random, soft), 1 + _clipped(random, soft)),
                shape_seed=int(random.integers(1 << 30)) if bag.soft else zlib.crc32(bag.sku.encode()),
                tag_swing=0.1 + _clipped(random, 0.06))
    if view == "detail":
        pose = replace(pose, strap_state="none" if bag.style in ("satchel", "crossbody") else pose.strap_state)
    return Shot(key, bag, view, pose, *size_px, ELEVATION_DEG[view] + _clipped(random, ELEVATION_SD_DEG),
                _clipped(random, ROLL_SD_DEG), FOCAL_MM[view], 1 + _clipped(random, SIZE_SD),
                (_clipped(random, CENTRE_SD), _clipped(random, CENTRE_SD)), int(random.integers(1 << 20)),
                bag.detail_at, max(10.0, 0.42 * bag.width_cm))


def altered(shot, suffix, pose=None, **camera):
    """The same picture with something wrong in pose or camera, under its own key."""
    changed = replace(shot, key=f"{shot.key}_{suffix}", **camera)
    return replace(changed, pose=replace(shot.pose, **pose)) if pose else changed


def set_c(size_px=(640, 800)):
    """Base shots of the clean and the fast deliveries."""
    return {(b.sku, v): natural_shot("c", b, v, size_px if v != "detail" else (448, 560)) for b in CLEAN for v in VIEWS}


DEMO_BASE_PX = (896, 1120)


def demo_naturals(size_px=DEMO_BASE_PX):
    """Base shots of the demo before its pose faults."""
    return {(b.sku, v): natural_shot("d", b, v, size_px if v != "detail" else (768, 960)) for b in DEMO for v in VIEWS}
