"""The quantities watched along capture time: what moves them together, what is visible, on which scale they are judged."""

import math
from collections.abc import Mapping
from typing import NamedTuple

import numpy as np

from catalogue_audit import schema

HALF = 0.5  # of a check's tolerance: a change worth knowing before it gives findings


class Quantity(NamedTuple):
    """
    One quantity watched: ``family`` groups those that one change moves together.

    ``scope`` is 'light', 'camera' (both joined over the views), 'dust' or 'view';
    ``check`` gives the tolerance, half of which is the visible size, or
    ``visible`` says it; 'dust' sets in at one frame; ``scale`` is 'linear', 'log' or 'mired'. ``code`` is what one code value of
    8 bits in one channel of a light grey makes of it: levels are medians of pixels, and change by whole codes.
    """

    name: str
    family: str
    scope: str
    check: str | None
    visible: float | None = None
    scale: str = "linear"
    code: float = 0.0


# In order of preference within a family: of nearly equal changes the first named is reported.
QUANTITIES = (
    Quantity("background_b", "light colour", "light", "white_balance", code=0.5),
    Quantity("background_a", "light colour", "light", "white_balance", code=0.5),
    Quantity("cct_k", "light colour", "light", None, 8.0, "mired", code=1.3),  # about two units of b* on white
    Quantity("exposure_dev_ev", "light level", "light", "exposure"),
    Quantity("background_dev_ev", "light level", "light", "exposure"),
    Quantity("background_L", "light level", "light", "background"),
    Quantity("focal_length_35mm", "lens", "camera", "focal_length", scale="log"),
    Quantity("focal_length_mm", "lens", "camera", "focal_length", scale="log"),
    Quantity("f_number", "aperture", "camera", None, math.log(2) / 8, "log"),  # a quarter of a stop
    Quantity("iso", "sensitivity", "camera", None, math.log(2) / 4, "log"),  # a quarter of a stop
    Quantity("sensor_spots", "dust", "dust", None, 0.5),
    Quantity("fill_height", "size", "view", "scale", scale="log"),
    Quantity("centre_dx", "place across", "view", "centring"),
    Quantity("centre_dy", "place up", "view", "centring"),
    Quantity("baseline", "place up", "view", "centring"),
    Quantity("pitch_dev_deg", "camera height", "view", "camera_height"),
    Quantity("camera_pitch_deg", "camera height", "view", "camera_height"),
    Quantity("yaw_deg", "turn", "view", "angle"),
    Quantity("roll_deg", "roll", "camera", "roll"),  # a knocked tripod tilts all views alike, whatever stands before it
)
# Quantities that products move by their shape, with the deviation from the set's rule that shows a change, and its check.
BORNE_OUT_BY = {
    "fill_height": ("scale_dev", "scale"),
    "baseline": ("centre_dev_y", "centring"),
    "centre_dy": ("centre_dev_y", "centring"),
    "centre_dx": ("centre_dev_x", "centring"),
    "background_L": ("background_dev_ev", "exposure"),
    "camera_pitch_deg": ("pitch_dev_deg", "camera_height"),
}

FORWARD = {"linear": lambda x: x, "log": np.log, "mired": lambda x: 1e6 / x}
BACKWARD = {"linear": lambda x: x, "log": math.exp, "mired": lambda x: 1e6 / x}


def working_values(frames, rows, quantity):
    """Values of the quantity on the scale on which differences are judged."""
    values = frames[quantity.name].astype(float).to_numpy()[rows].copy()
    if quantity.scale != "linear":
        values[~(values > 0)] = np.nan
    return FORWARD[quantity.scale](values)


def visible_size(quantity, brief):
    """Smallest change of interest on the working scale."""
    if quantity.visible is not None:
        return quantity.visible
    size = HALF * tolerance(brief, quantity.check)
    return math.log1p(size) if quantity.scale == "log" else size


def tolerance(brief, check):
    """
    Tolerance of a check by the brief, or the schema's default.

    Examples
    --------
    >>> tolerance(None, "roll")
    0.8
    """
    named = getattr(brief, "tolerance", None)
    value = named.get(check) if isinstance(named, Mapping) else getattr(named, check, None)
    if isinstance(value, (tuple, list)):
        value = value[0] if value else None
    if isinstance(value, (int, float)) and math.isfinite(value) and value > 0:
        return float(value)
    return schema.CHECKS[check].tolerance


def rounding(quantity, values):
    """Smallest credible noise of one value: half of its last digit, and what rounding to codes scatters evenly, on the working scale."""
    digits = next(column.digits for column in schema.FRAME_COLUMNS if column.name == quantity.name)
    middle = BACKWARD[quantity.scale](float(np.median(values)))
    step = 0.5 * 10.0**-digits
    if quantity.scale == "log":
        return step / middle
    return max(1e6 * step / middle**2 if quantity.scale == "mired" else step, quantity.code / math.sqrt(12))
