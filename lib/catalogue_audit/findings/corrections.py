"""
What software would have to do to bring a picture back to the set's reference.

In this order, in linear light: ``out = in * 2^exposure_ev * gain``, then
rotation, then crop. A gain that would be a guess is not given: light that is
clipped is gone, and a finished picture's tone curve is unknown.
"""

import math

import cv2
import numpy as np

from catalogue_audit.findings.stage import tell_stage
from catalogue_audit.pixels.colour import LINEAR_TO_XYZ, srgb_decode, srgb_encode
from catalogue_audit.pixels.temperature import cct_duv, mired, uv_of_xy, xy_of_linear
from catalogue_audit.statistics.tables import table_from_rows

LIGHT_CHECKS = ("white_balance", "exposure")
BACKGROUND_CHECKS = ("background",)
POSE_CHECKS = ("roll", "scale", "centring")
CLIPPED_BACKGROUND = 0.02  # fraction of the background; above, its colour after a gain is not that of its light
CLIPPED_PRODUCT = 0.02  # fraction of the product
TURN_LIMIT = 15.0  # degrees; more is no straightening

CLIPPED = "the background is clipped, so no gain brings it back: correct from the raw file"
BURNT = "part of the product is clipped, so a change of exposure cannot bring it back: correct from the raw file"
UNKNOWN_CURVE = "the tone curve of a finished picture is unknown, so gains in linear light would be a guess"
ONLY_BACKGROUND = "only the background moved: correct it alone, behind the product's mask"
NO_WHITE = "the background does not show the colour of the light, so no gain is given"


def corrections(frames, findings, brief):
    """
    One row for each frame with a finding that exposure, gains, rotation or crop can mend.

    Parameters
    ----------
    frames : DataFrame
        With the set columns.
    findings : DataFrame
        The findings table.
    brief : Brief or None

    Returns
    -------
    DataFrame
        The corrections table, in the order of the frames.
    """
    stage = tell_stage(frames, brief)
    wanted = _wanted(findings)
    reference = _background_reference(frames)
    rows = []
    for frame in frames.to_dict("records"):
        checks = wanted.get(frame["file"])
        if not checks:
            continue
        row = {"file": frame["file"]}
        notes = []
        if any(check in checks for check in LIGHT_CHECKS + BACKGROUND_CHECKS):
            notes += _light(row, frame, checks, stage, reference)
        if any(check in checks for check in POSE_CHECKS):
            notes += _pose(row, frame, checks)
        row["note"] = "; ".join(dict.fromkeys(notes))
        if len(row) > 2 or row["note"]:
            rows.append(row)
    return table_from_rows("corrections", rows)


def apply_correction(picture, correction):
    """
    A picture with a row of the corrections table applied.

    Parameters
    ----------
    picture : (h, w, 3) array
        uint8: sRGB code values; float: linear light.
    correction : mapping
        A row of the table; what is missing is not applied.

    Returns
    -------
    (h', w', 3) array of the same kind
        Beyond the frame the border is repeated.
    """
    if picture.dtype == np.uint8:
        linear = srgb_decode(picture / 255.0)
        return np.rint(255 * srgb_encode(apply_correction(linear, correction))).astype(np.uint8)
    gains = np.array([_or(correction.get(f"gain_{channel}"), 1.0) for channel in "rgb"])
    out = picture * (2.0 ** _or(correction.get("exposure_ev"), 0.0) * gains)
    height, width = out.shape[:2]
    turn = _or(correction.get("rotate_deg"), 0.0)
    sides = [_or(correction.get(f"crop_{side}"), side in ("right", "bottom")) for side in ("left", "top", "right", "bottom")]
    left, top, right, bottom = (float(side) for side in sides)
    if turn == 0 and (left, top, right, bottom) == (0, 0, 1, 1):
        return out
    size = max(round((right - left) * width), 1), max(round((bottom - top) * height), 1)
    matrix = cv2.getRotationMatrix2D(((width - 1) / 2, (height - 1) / 2), -turn, 1.0)
    matrix[:, 2] -= (left * width, top * height)
    # OpenCV 5.0.0 leaves the border black for large float64 pictures under INTER_CUBIC; float32 is right.
    warped = cv2.warpAffine(out.astype(np.float32), matrix, size, flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    return warped.astype(picture.dtype)


def _wanted(findings):
    """File to the checks that a correction answers."""
    wanted = {}
    if findings is None or not len(findings):
        return wanted
    for row in findings[["file", "check"]].to_dict("records"):
        if isinstance(row["file"], str) and row["file"] and row["check"] in LIGHT_CHECKS + BACKGROUND_CHECKS + POSE_CHECKS:
            wanted.setdefault(row["file"], set()).add(row["check"])
    return wanted


def _light(row, frame, checks, stage, reference):
    """Fill exposure, gains and background levels; returns notes on what is not given."""
    moved = _number(frame, "exposure_dev_ev")
    behind = _number(frame, "background_dev_ev")
    if reference is not None and _number(frame, "background_green") is not None and "background" in checks:
        row["background_from"] = 255 * float(srgb_encode(_background_light(frame)))
        row["background_to"] = 255 * float(srgb_encode(reference))
    without = no_gain_because(frame, stage)
    if without:
        return [without]
    notes = []
    gains = [_number(frame, "wb_gain_r"), 1.0, _number(frame, "wb_gain_b")]
    if None in gains:
        notes.append(NO_WHITE)
        gains = [1.0, 1.0, 1.0]
    else:
        row |= dict(zip(("gain_r", "gain_g", "gain_b"), gains, strict=True))
        row |= _temperature_shift(frame, gains)
    if moved is None:
        return notes
    if "exposure" not in checks and "white_balance" not in checks and _apart(frame, moved, behind):
        return [*notes, ONLY_BACKGROUND]
    if (_number(frame, "clipped_high") or 0.0) > CLIPPED_PRODUCT and moved > 0:
        return [*notes, BURNT]
    row["exposure_ev"] = -moved - _luminance_ev(frame, gains)
    return notes


def no_gain_because(frame, stage):
    """
    Why no gain in linear light brings a frame back; '' where one does.

    Parameters
    ----------
    frame : mapping
        A row of frames.
    stage : str
        "originals" or "finals".

    Returns
    -------
    str
    """
    if stage == "finals" or frame.get("origin") == "derived":
        return UNKNOWN_CURVE
    clipped = (_number(frame, "background_clipped") or 0.0) > CLIPPED_BACKGROUND or frame.get("white_source") == "shadow"
    return CLIPPED if clipped else ""


def _apart(frame, moved, behind):
    """Whether the background moved and the product did not."""
    sd = _number(frame, "exposure_dev_sd_ev") or 0.0
    return behind is not None and abs(behind - moved) > max(0.05, 2 * sd)


def _luminance_ev(frame, gains):
    """EV by which the gains alone change the luminance of white."""
    red, blue = _number(frame, "white_red"), _number(frame, "white_blue")
    if red is None or blue is None:
        return 0.0
    white = np.array([red, 1.0, blue])
    return float(math.log2(LINEAR_TO_XYZ[1] @ (white * gains) / (LINEAR_TO_XYZ[1] @ white)))


def _temperature_shift(frame, gains):
    """Shift of the white from as it is to as it will be, in mired and Duv."""
    red, blue = _number(frame, "white_red"), _number(frame, "white_blue")
    if red is None or blue is None or frame.get("backdrop") == "coloured":
        return {}
    white = np.array([[red, 1.0, blue], [red * gains[0], 1.0, blue * gains[2]]])
    temperature, duv = cct_duv(uv_of_xy(xy_of_linear(white)))
    if not np.isfinite(temperature).all():
        return {}
    before, after = mired(temperature)
    return {"mired_shift": float(after - before), "duv_shift": float(duv[1] - duv[0])}


def _background_light(frame):
    """Linear luminance of the background."""
    return float(LINEAR_TO_XYZ[1] @ [frame["background_red"], frame["background_green"], frame["background_blue"]])


def _background_reference(frames):
    """Middle of the backgrounds' linear luminance; None where none is known."""
    light = frames[["background_red", "background_green", "background_blue"]].to_numpy(float) @ LINEAR_TO_XYZ[1]
    light = light[np.isfinite(light)]
    return float(np.median(light)) if len(light) else None


def _pose(row, frame, checks):
    """Fill rotation and crop; returns notes."""
    turn = _first_known(frame, "roll_dev_deg", "roll_deg") if "roll" in checks else None  # a turned view knows only its roll against the others
    if turn is not None and abs(turn) <= TURN_LIMIT:
        row["rotate_deg"] = -turn
    box = [_number(frame, side) for side in ("left", "top", "right", "bottom")]
    if not {"scale", "centring"} & checks:
        return []
    if None in box or (isinstance(frame.get("touches"), str) and frame["touches"]):
        return ["the product meets the frame, so its size and place cannot be corrected by a crop"]
    size = 1.0 + (_number(frame, "scale_dev") or 0.0)
    off_x, off_y = _number(frame, "centre_dev_x") or 0.0, _number(frame, "centre_dev_y") or 0.0
    x, y = _turned((box[0] + box[2]) / 2, (box[1] + box[3]) / 2, row.get("rotate_deg", 0.0), frame)
    row["crop_left"] = x - size * (x - off_x)
    row["crop_top"] = y - size * (y - off_y)
    row["crop_right"], row["crop_bottom"] = row["crop_left"] + size, row["crop_top"] + size
    sides = (row["crop_left"], row["crop_top"], 1 - row["crop_right"], 1 - row["crop_bottom"])
    return ["the canvas has to be extended"] if min(sides) < -0.0005 else []


def _turned(x, y, degrees, frame):
    """A place of the frame (fractions) after turning the picture clockwise about its centre."""
    width, height = _number(frame, "width_px") or 1.0, _number(frame, "height_px") or 1.0
    angle = math.radians(degrees)
    dx, dy = (x - 0.5) * width, (y - 0.5) * height
    turned_x = dx * math.cos(angle) - dy * math.sin(angle)
    turned_y = dx * math.sin(angle) + dy * math.cos(angle)
    return 0.5 + turned_x / width, 0.5 + turned_y / height


def _number(frame, name):
    value = frame.get(name)
    if value is None or isinstance(value, str):
        return None
    try:
        value = float(value)
    except TypeError:  # pandas' missing integer
        return None
    return value if math.isfinite(value) else None


def _first_known(frame, *names):
    return next((value for name in names if (value := _number(frame, name)) is not None), None)


def _or(value, default):
    value = _number({"value": value}, "value")
    return float(default) if value is None else value
