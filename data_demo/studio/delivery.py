"""A delivery before it is written: pictures, their file facts, and the faults put into them."""

import datetime
import zlib
from dataclasses import dataclass, field, replace

import numpy as np

from .finish import Finish

VIEW_WORD = {"three_quarter": "three-quarter", "front": "front", "back": "back", "detail": "detail"}
MAKE, MODEL, LENS, SERIAL = "Halden Optik", "Halden S45", "Halden Zoom 70-200 mm f/4", "HS45-0027118"


@dataclass(frozen=True)
class Fault:
    """One thing put wrong: the contract's check, how much, in which unit."""

    check: str
    magnitude: float | str = ""
    unit: str = ""
    note: str = ""


@dataclass(frozen=True)
class Picture:
    """One file to be; ``base`` is the key of the render it is made from."""

    file: str
    sku: str
    view: str
    base: str
    time: datetime.datetime
    finish: Finish
    size: tuple
    quality: int = 92
    profile: str = "sRGB"
    exif: str = "camera"            # "camera", "export" (rewritten by software), "" (stripped)
    focal_length_mm: float = 100.0
    shutter: int = 125              # 1/125 s
    iso: int = 100
    truncate: float = 1.0           # share of the bytes kept
    copy_of: str = ""               # same bytes as another file
    crop: tuple = ()                # left, top, right, bottom in pixels, after finishing
    faults: tuple = field(default=())


def clipped(random, sd):
    return float(np.clip(random.normal(), -2.3, 2.3) * sd)


def natural_finish(key, seed=0):
    """Light and grain as they vary in a well-run studio."""
    random = np.random.default_rng([seed, zlib.crc32(key.encode()), 2])
    exposure = clipped(random, 0.03)
    return Finish(gain_r=1 + clipped(random, 0.003), gain_b=1 + clipped(random, 0.004), exposure_ev=exposure,
                  background_ev=exposure + clipped(random, 0.015), noise=0.75 + clipped(random, 0.05), seed=zlib.crc32(key.encode()))


def capture_times(bags_by_day, views, first_day, seed=0):
    """Time of each (sku, view): products some minutes apart, views about one, a break at noon."""
    random = np.random.default_rng([seed, 77])
    times = {}
    for day, bags in enumerate(bags_by_day):
        now = datetime.datetime.combine(first_day + datetime.timedelta(days=day), datetime.time(9, 12)) + datetime.timedelta(
            seconds=int(random.integers(0, 1500)))
        for number, bag in enumerate(bags):
            if number == (len(bags) + 1) // 2:
                now += datetime.timedelta(seconds=int(random.normal(3300, 300)))
            for view in views:
                times[bag.sku, view] = now
                now += datetime.timedelta(seconds=float(random.gamma(9, 8 if view != "detail" else 14)))
            now += datetime.timedelta(seconds=float(random.gamma(8, 55)))
    return times


def plain(shots, times, size):
    """Every picture right; ``shots`` maps (sku, view) to its Shot."""
    pictures = {}
    for (sku, view), shot in shots.items():
        pictures[sku, view] = Picture(f"{sku}_{VIEW_WORD[view]}.jpg", sku, view, shot.key, times[sku, view],
                                      natural_finish(shot.key), size, focal_length_mm=shot.focal_length_mm)
    return pictures


FINISH_FIELDS = set(Finish.__dataclass_fields__)


def damage(pictures, at, check, magnitude="", unit="", note="", **changes):
    """
    Put one fault into the picture at key ``at``; changes name fields of Finish or Picture.

    ``exposure_ev``, ``background_ev`` add to, and gains multiply, the natural values.
    """
    picture = pictures[at]
    finish = changes.pop("finish", picture.finish)
    for name, value in changes.items():
        if name in ("exposure_ev", "background_ev"):
            finish = replace(finish, **{name: getattr(finish, name) + value})
        elif name in ("gain_r", "gain_b"):
            finish = replace(finish, **{name: getattr(finish, name) * value})
        elif name in FINISH_FIELDS:
            finish = replace(finish, **{name: value})
    other = {k: v for k, v in changes.items() if k not in FINISH_FIELDS}
    faults = picture.faults + ((Fault(check, magnitude, unit, note),) if check else ())
    pictures[at] = replace(picture, finish=finish, faults=faults, **other)


IN_THE_PHOTOGRAPH = ("sensor_spots", "exposure", "white_balance", "focal_length")     # faults that every file of it shows


def add_copy(pictures, at, key, file, check, note="", fresh_finish=None, **changes):
    """A further file made from the picture at ``at``; both carry the fault, the copy those of the photograph as well."""
    source = pictures[at]
    shown = tuple(f for f in source.faults if f.check in IN_THE_PHOTOGRAPH)
    values = {"file": file, "faults": shown + (Fault(check, "", "", note),), "copy_of": source.file if fresh_finish is None else ""} | changes
    if fresh_finish is not None:
        values["finish"] = fresh_finish
    pictures[key] = replace(source, **values)
    if check in ("exact_duplicate", "near_duplicate"):
        pictures[at] = replace(source, faults=source.faults + (Fault(check, "", "", f"with {file}"),))


def same_photograph(pictures, first, second):
    """Two files of one photograph under two names: each is a near duplicate of the other."""
    for key, other in ((first, second), (second, first)):
        damage(pictures, key, "near_duplicate", "", "", f"same photograph as {pictures[other].file}")


def camera_facts(picture):
    """What the Exif of a picture says."""
    if picture.exif == "camera":
        t = picture.time
        return {"make": MAKE, "model": MODEL, "lens": LENS, "serial": SERIAL, "software": "S45 firmware 2.10", "time": t.strftime("%Y:%m:%d %H:%M:%S"),
                "file_time": t.strftime("%Y:%m:%d %H:%M:%S"), "subsecond": f"{t.microsecond // 10000:02d}", "offset": "+01:00",
                "focal_length_mm": picture.focal_length_mm, "f_number": 11.0, "shutter": picture.shutter, "iso": picture.iso, "size": picture.size}
    if picture.exif == "export":
        t = picture.time + datetime.timedelta(days=6, hours=3)
        return {"software": "Plinth Retouch 4.2", "file_time": t.strftime("%Y:%m:%d %H:%M:%S")}
    return None


def neutral_delta_e(gain_r, gain_b, level=0.85):
    """CIEDE2000 between a neutral of linear ``level`` and the same under the gains."""
    from .colour import ciede2000, linear_rgb_to_lab
    grey = np.full(3, level)
    cast = grey * (gain_r, 1.0, gain_b)
    a, b = linear_rgb_to_lab(grey), linear_rgb_to_lab(cast)
    return float(ciede2000(np.array([a[0], 0, 0]), np.array([a[0], b[1], b[2]])))
