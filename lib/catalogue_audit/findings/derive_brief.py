"""A brief from an approved delivery: what was accepted becomes the reference for the next one."""

import math

import numpy as np
import pandas as pd

from catalogue_audit import schema
from catalogue_audit.delivery.brief import dump_brief, load_brief
from catalogue_audit.delivery.brief_model import Brief
from catalogue_audit.statistics.robust import mad_scale, robust_centre

FEWEST = 5  # pictures from which a value is worth writing into a brief
STEADY = 3.0  # robust standard deviations that an accepted delivery's own variation needs as tolerance
FEWEST_FOR_SCATTER = 12  # pictures from which a scatter is known to a quarter of itself
WIDEST = 3.0  # times the usual tolerance: beyond, the delivery was not steady, or the measure was not
MAJORITY = 0.9  # of the files that share a specification: then it is one

# View references: column and digits to write.
VIEW_VALUES = {
    "yaw_deg": 1, "roll_deg": 2, "camera_pitch_deg": 1, "fill_height": 3, "fill_width": 3,
    "centre_dx": 4, "centre_dy": 4, "baseline": 3,
}  # fmt: skip
# Checks whose tolerance is looked at, and the column that shows the delivery's own variation.
VARIATION = {
    "angle": "yaw_dev_deg",
    "roll": "roll_deg",
    "camera_height": "camera_pitch_deg",
    "lean": "lean_deg",
    "scale": "scale_dev",
    "white_balance": "wb_dev",
    "exposure": "exposure_dev_ev",
    "background": "background_L",
}


def derive_brief(frames, summary=None):
    """
    Commented brief from the frames of a delivery that was accepted.

    References are medians by view. A tolerance is widened, up to three times,
    where the accepted delivery itself varies by more than a third of it (three
    robust standard deviations), and left as it was otherwise: what was accepted cannot be a
    fault next time, but one steady delivery does not make the eye stricter.

    Parameters
    ----------
    frames : DataFrame
        The frames table of the report.
    summary : dict, optional
        Its ``summary.json``: stage, brief and framing rule.

    Returns
    -------
    str
        TOML, read back by `delivery.brief.parse_brief`.
    """
    summary = summary or {}
    measured = frames[frames["status"] != "not_measured"]
    whole = measured[measured["view_kind"].isin(["upright", "overhead"]) & measured["view"].notna()]
    base = _base_brief(summary)
    values = base.model_dump()
    remarks = {"": _heading(summary, measured)}
    if summary.get("stage") in ("originals", "finals"):
        values["stage"] = summary["stage"]
    _references(values, remarks, whole, measured)
    _tolerances(values, remarks, base, whole, measured)
    _specification(values, remarks, measured)
    _framing(values, remarks, summary)
    return dump_brief(Brief.model_validate(values), remarks)


def _base_brief(summary):
    """The brief that the accepted delivery was judged by, where its summary holds one."""
    given = summary.get("brief")
    return Brief.model_validate(given) if isinstance(given, dict) else load_brief()


def _heading(summary, measured):
    dates = measured["captured_at"].dropna().str[:10]
    when = f", captured {min(dates)} to {max(dates)}" if len(dates) else ""
    return (
        f"Brief derived from the accepted delivery {summary.get('delivery', '')!r}: {len(measured)} pictures{when}.\n"
        "References are medians of its pictures; where a remark gives a scatter, it is the robust standard deviation."
    )


def _references(values, remarks, whole, measured):
    views = {}
    for view, group in whole.groupby("view", sort=True):
        named = {}
        for column, digits in VIEW_VALUES.items():
            centre = robust_centre(group[column])
            if centre.n >= max(FEWEST, len(group) / 2):
                named[column] = round(centre.centre, digits)
        if named:
            views[view] = named
    values["reference"]["views"] = views
    lab = [robust_centre(whole[f"background_{name}"]) for name in "Lab"]
    if min(centre.n for centre in lab) >= FEWEST:
        values["reference"]["background_Lab"] = [round(centre.centre, 1) for centre in lab]
        remarks["reference.background_Lab"] = "Scatter " + ", ".join(f"{centre.scale:.2f}" for centre in lab) + "."
    focal = robust_centre(measured["focal_length_35mm"])
    if focal.n >= FEWEST and focal.scale <= 0.01 * focal.centre:
        values["reference"]["focal_length_35mm"] = round(focal.centre, 1)


def _tolerances(values, remarks, base, whole, measured):
    for check, column in VARIATION.items():
        frames = measured if check == "white_balance" else whole
        scatter = _scatter_within_views(frames, column)
        if scatter is None:
            continue
        firm, soft = base.tolerance_of(check), base.tolerance_of(check, soft=True)
        needed = STEADY * scatter
        if needed > WIDEST * firm:
            remarks[f"tolerance.{check}"] = (
                f"Left as it was: the accepted pictures scatter by {scatter:.2g} {schema.CHECKS[check].unit}, too much "
                f"to be a tolerance. Look at them, or leave the check out (checks.skip)."
            )
        elif needed > firm:
            widened = float(f"{needed:.2g}")
            values["tolerance"][check] = [widened, max(soft, widened)] if soft != firm else widened
            remarks[f"tolerance.{check}"] = (
                f"Widened from {firm:g}: the accepted pictures scatter by {scatter:.2g} {schema.CHECKS[check].unit}."
            )
        else:
            remarks[f"tolerance.{check}"] = (
                f"The accepted pictures scatter by {scatter:.2g} {schema.CHECKS[check].unit}, well within."
            )


def _scatter_within_views(frames, column):
    """Robust standard deviation about each view's own median; None where too few pictures have a value."""
    numbers = frames[column].astype(float)
    deviation = (numbers - numbers.groupby(frames["view"]).transform("median")).dropna()
    return mad_scale(deviation) if len(deviation) >= FEWEST_FOR_SCATTER else None


def _specification(values, remarks, measured):
    spec = values["file_spec"]
    for name in ("width_px", "height_px", "bit_depth"):
        shared = _shared(measured[name])
        spec[name] = None if shared is None else int(shared)
    formats = _shared(measured["format"])
    spec["format"] = None if formats is None else [formats]
    profile = _shared(measured["colour_profile"])
    spec["colour_profile"] = None if profile in (None, "none") else profile
    quality = measured["jpeg_quality"].dropna()
    if len(quality) >= FEWEST:
        least = int(math.floor(float(np.quantile(quality, 0.05)) / 5) * 5)
        spec["jpeg_quality_min"] = max(1, min(100, least))
        remarks["file_spec.jpeg_quality_min"] = f"The accepted files are at {quality.min():.0f} to {quality.max():.0f}."


def _shared(column):
    """The value that nearly all files share; None where they do not."""
    known = column.dropna()
    if len(known) < FEWEST:
        return None
    counts = known.value_counts()
    return counts.index[0] if counts.iloc[0] >= MAJORITY * len(known) else None


def _framing(values, remarks, summary):
    rule = summary.get("framing_rule")
    rule = rule.get("rule") if isinstance(rule, dict) else rule
    allowed = Brief.model_fields["framing"].annotation.model_fields["rule"].annotation.__args__
    if isinstance(rule, str) and rule in allowed and not pd.isna(rule):
        values["framing"]["rule"] = rule
        remarks["framing.rule"] = "The rule that the accepted delivery follows most steadily."
