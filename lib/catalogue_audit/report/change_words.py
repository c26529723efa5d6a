"""A step or trend along capture time in words: which quantity, from what to what, for how many pictures."""

import math

from catalogue_audit.report.numbers import count_text, number_text
from catalogue_audit.report.wording import is_missing, plain_text

QUANTITY_TITLES = {
    "background_b": "background colour b* (+ yellower)",
    "background_a": "background colour a* (+ redder)",
    "cct_k": "colour temperature",
    "exposure_dev_ev": "exposure",
    "background_dev_ev": "light on the background",
    "background_L": "background lightness",
    "focal_length_35mm": "focal length, 35 mm equivalent",
    "focal_length_mm": "focal length",
    "f_number": "f-number",
    "iso": "ISO",
    "sensor_spots": "sensor dust",
    "fill_height": "height of the product in the frame",
    "centre_dx": "place across the frame",
    "centre_dy": "height in the frame",
    "baseline": "where the product stands in the frame",
    "pitch_dev_deg": "camera height",
    "camera_pitch_deg": "camera height",
    "yaw_deg": "turn",
    "roll_deg": "tilt",
}


def quantity_title(quantity):
    """A followed quantity as people say it; an unknown one as the table has it."""
    return QUANTITY_TITLES.get(quantity, plain_text(quantity).replace("_", " "))


def levels(change):
    """Both levels of a change in words, to the same digit: a tenth of the difference, or finer; '' where one is unknown."""
    before, after, unit = change["before"], change["after"], plain_text(change["unit"]).removesuffix("CIELAB").strip()
    if is_missing(before) or is_missing(after) or before == after:
        return number_text(before), number_text(after, unit)
    digits = max(0, math.ceil(-math.log10(abs(after - before))) + 1)
    before, after = (round(float(level), digits) for level in (before, after))
    return number_text(before), number_text(after, unit)


def how_long(change):
    """
    For how many pictures a change holds; '' where that is not known.

    Examples
    --------
    >>> how_long({"kind": "step", "frames": 43}), how_long({"kind": "trend", "frames": 7})
    ('Holds for 43 pictures from there on.', 'Builds up over 7 pictures.')
    """
    if is_missing(change["frames"]):
        return ""
    pictures = count_text(int(change["frames"]), "picture")
    return f"Builds up over {pictures}." if change["kind"] == "trend" else f"Holds for {pictures} from there on."
