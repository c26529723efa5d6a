"""
What a season is studied by: each picture's difference from the season's middle, one column a habit.

A picture is compared with its like: the same view, and the same style where enough
pictures over enough deliveries have it. White balance is the colour of the light as
the background shows it, on the two axes people see: warm to cool, magenta to green.
"""

from typing import NamedTuple

import numpy as np
import pandas as pd

from catalogue_audit.pixels.colour import LINEAR_TO_XYZ, lab_from_linear
from catalogue_audit.schema import CHECKS
from catalogue_audit.statistics.geometry.framing_rules import size_and_place

GREY_LEVEL = 0.5  # linear light at which the light's colour is put into CIELAB; white_balance is judged there
CLIPPED = 0.02  # fraction of the background at the top of the scale beyond which its level is unknown
FEWEST_ALIKE = 8  # pictures of one view and style that are compared among themselves
FEWEST_SEASON = 2  # and the deliveries they must come from
WHOLE = ("upright", "overhead")
WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")


class Habit(NamedTuple):
    """One habit: its words, the check whose tolerance measures it, its unit, what + means."""

    title: str
    check: str
    unit: str
    plus: str
    minus: str

    @property
    def tolerance(self):
        """The check's default tolerance, in the habit's unit."""
        return CHECKS[self.check].tolerance


HABITS = {
    "angle": Habit("Angle", "angle", "degree", "turned to the right", "turned to the left"),
    "fill": Habit("Fill", "scale", "fraction", "larger in the frame", "smaller in the frame"),
    "tilt": Habit("Tilt", "roll", "degree", "clockwise", "counter-clockwise"),
    "white_balance": Habit("White balance", "white_balance", "CIELAB b*", "warmer", "cooler"),
    "tint": Habit("Tint", "white_balance", "CIELAB a*", "more magenta", "more green"),
    "focal_length": Habit("Focal length", "focal_length", "fraction", "longer", "shorter"),
    "exposure": Habit("Exposure", "exposure", "EV", "brighter", "darker"),
}


def season_values(frames):
    """
    Habits of every picture.

    Parameters
    ----------
    frames : DataFrame
        Frames of all deliveries, with the column ``audit`` (number of the audit).

    Returns
    -------
    DataFrame
        Index as `frames`. ``audit``, ``file``, ``view``, ``day`` (ISO date or ''), ``weekday``, ``camera``, ``lens``,
        ``run`` (number of the capture run in its audit, 0 where unknown), and the columns of `HABITS` (NaN where unknown).
    """
    frames = frames.reset_index(drop=True)
    whole = frames["view_kind"].isin(WHOLE).to_numpy()
    day = frames["captured_at"].fillna("").str[:10]
    values = pd.DataFrame(
        {
            "audit": frames["audit"].to_numpy(),
            "file": frames["file"],
            "view": frames["view"].fillna(""),
            "day": day,
            "weekday": _weekdays(day),
            "camera": _camera(frames),
            "lens": frames["lens_model"].fillna(""),
            "run": _number(frames, "capture_run"),
        }
    ).assign(run=lambda table: table["run"].fillna(0).astype(int))
    alike = _alike(frames)
    warm, magenta = _light(frames)
    values["angle"] = _from_middle(_number(frames, "yaw_deg"), alike)
    values["fill"] = size_and_place(frames, {}, None, distance_may_be_kept=False)["scale_dev"].to_numpy(dtype=float)
    values["tilt"] = np.where(frames["view_kind"] == "upright", _number(frames, "roll_deg"), np.nan)
    values["white_balance"] = np.where(whole, warm - _median(warm[whole]), np.nan)
    values["tint"] = np.where(whole, magenta - _median(magenta[whole]), np.nan)
    values["focal_length"] = np.expm1(_from_middle(np.log(_focal_length(frames)), frames["view"].fillna("")))
    values["exposure"] = np.where(whole, _from_middle(_background_ev(frames), frames["view"].fillna("")), np.nan)
    return values


def _camera(frames):
    """Serial number, or the model where the file gives none."""
    serial, model = frames["camera_serial"].fillna(""), frames["camera_model"].fillna("")
    return serial.where(serial != "", model)


def _weekdays(day):
    dates = pd.to_datetime(day.where(day != ""), format="%Y-%m-%d", errors="coerce")
    return pd.Series(["" if pd.isna(date) else WEEKDAYS[date.weekday()] for date in dates], index=day.index)


def _alike(frames):
    """What each picture is compared with: its view, with its style where enough pictures of the season share it."""
    view, style = frames["view"].fillna(""), frames["style"].fillna("")
    both = view + "\n" + style
    pictures = both.map(both.value_counts())
    deliveries = both.map(frames["audit"].groupby(both).nunique())
    return both.where((style != "") & (pictures >= FEWEST_ALIKE) & (deliveries >= FEWEST_SEASON), view)


def _light(frames):
    """The light's colour as CIELAB b* (+ warmer) and a* (+ more magenta) of a grey, (n,) each; background where no better is known."""
    red, blue = _number(frames, "white_red"), _number(frames, "white_blue")
    luminance = red * LINEAR_TO_XYZ[1, 0] + LINEAR_TO_XYZ[1, 1] + blue * LINEAR_TO_XYZ[1, 2]
    grey = np.stack([red, np.ones(len(red)), blue], axis=1) * (GREY_LEVEL / luminance)[:, None]
    known = np.isfinite(grey).all(axis=1)
    lab = np.full((len(frames), 3), np.nan)
    if known.any():
        lab[known] = lab_from_linear(grey[known])
    return lab[:, 2], lab[:, 1]


def _background_ev(frames):
    """Level of the background, EV (log2 of linear luminance); NaN where it is at the top of the scale."""
    linear = np.stack([_number(frames, f"background_{name}") for name in ("red", "green", "blue")], axis=1)
    luminance = linear @ LINEAR_TO_XYZ[1]
    clipped = np.nan_to_num(_number(frames, "background_clipped"), nan=0.0) > CLIPPED
    usable = np.isfinite(luminance) & (luminance > 0) & ~clipped
    return np.where(usable, np.log2(np.where(usable, luminance, 1.0)), np.nan)


def _focal_length(frames):
    """36 x 24 mm equivalent where any file gives it, else the lens's own, mm."""
    equivalent, own = _number(frames, "focal_length_35mm"), _number(frames, "focal_length_mm")
    chosen = equivalent if np.isfinite(equivalent).any() and np.isfinite(equivalent).sum() >= np.isfinite(own).sum() / 2 else own
    return np.where(chosen > 0, chosen, np.nan)


def _from_middle(values, groups):
    series = pd.Series(values)
    return (series - series.groupby(groups.to_numpy()).transform("median")).to_numpy()


def _median(values):
    known = values[np.isfinite(values)]
    return float(np.median(known)) if known.size else np.nan


def _number(frames, column):
    return pd.to_numeric(frames[column], errors="coerce").to_numpy(dtype=float, na_value=np.nan).copy()
