"""What a bag is made of and how it stands: the records that the shapes read."""

from dataclasses import dataclass, field, replace

import numpy as np

from . import materials
from .materials import Material


@dataclass(frozen=True)
class Bag:
    """A product: its sizes in cm (without handles) and its materials by part."""

    sku: str
    name: str
    style: str
    colour: str
    width_cm: float
    height_cm: float
    depth_cm: float
    body: Material
    trim: Material
    metal: Material = materials.GOLD
    thread: str = materials.SEAM_DARK
    lining: Material = materials.LINING
    handle_cm: float = 12.0
    softness: float = 0.15
    strap: bool = False
    detail: dict = field(default_factory=dict)
    detail_at: tuple = (0.0, 0.5)     # what the detail picture shows: x / width, z / height

    def material(self, key):
        """The material of a part by its key."""
        if key in ("body", "trim", "metal", "lining"):
            return getattr(self, key)
        if key == "thread":
            return materials.cloth(self.thread)
        if key == "zip":
            return materials.cloth("#26221f")
        return replace(self.trim, colour="#2a1d15")

    @property
    def soft(self):
        return self.style in ("hobo", "bucket")


@dataclass(frozen=True)
class Pose:
    """How the product was set up for one picture; angles in degrees as the contract signs them."""

    yaw_deg: float = 0.0
    lean_deg: float = 0.0
    tilt_front_deg: float = 9.0       # handle nearest the product's front, + leans outward
    tilt_rear_deg: float = 9.0
    strap_state: str = "none"
    stretch: tuple = (1.0, 1.0)
    shape_seed: int = 0
    tag_swing: float = 0.12

    def random(self, stream):
        return np.random.default_rng([self.shape_seed, stream])
