"""Focus, motion, noise, and dust on product and sensor."""

import numpy as np
import pandas as pd

from catalogue_audit import schema
from catalogue_audit.findings import brief_terms
from catalogue_audit.findings.evidence import FEWEST_OF_A_STYLE, groups
from catalogue_audit.findings.outliers import UNCERTAINTIES
from catalogue_audit.findings.rows import called, counted, finding, number, sentence

SHARP_QUANTILE = 0.4  # blur of the set's sharp frames; a few soft ones above do not move it
SHARP_EDGE_PX = 0.7  # Gaussian sigma of a sharp edge in a picture at full size; a shorter smear does not show
LENGTH_TO_SIGMA = np.sqrt(12)  # standard deviation of a uniform smear is its length / sqrt(12)
LEAST_NOISE = 0.3  # 8-bit sRGB: below, rounding decides and a ratio means nothing


def focus(evidence):
    """Pictures less sharp than the set's sharp ones: out of focus."""
    for frame, ratio, sharp, _ in _blurred(evidence):
        if not _moved(frame, sharp):
            yield _blur_row("focus", frame, ratio, sharp, evidence, "is out of focus", "with the focus checked at 100 %")


def motion_blur(evidence):
    """Pictures smeared in one direction: camera or product moved."""
    for frame, ratio, sharp, _ in _blurred(evidence):
        if _moved(frame, sharp):
            direction = number(frame.get("motion_direction_deg"))
            along = f" along {direction:.0f}° from horizontal" if direction is not None else ""
            what = f"is smeared over {frame['motion_px']:.1f} px{along}"
            yield _blur_row("motion_blur", frame, ratio, sharp, evidence, what, "from a steady stand")


def _blurred(evidence):
    """Frames blurred beyond the tolerance: (frame, ratio to the sharp ones, sharp blur, limit)."""
    limit = brief_terms.tolerance(evidence.brief, "focus")
    frames = evidence.measured
    frames = frames[frames["blur_px"].notna() & frames["view"].notna()]
    for _, _, group in groups(frames):
        if len(group) < 3:
            continue
        sharp = float(group["blur_px"].quantile(SHARP_QUANTILE))
        motion = group["motion_px"].fillna(0.0) / LENGTH_TO_SIGMA
        blur = np.maximum(group["blur_px"], np.hypot(sharp, motion))
        step = np.maximum(brief_terms.tolerance(evidence.brief, "focus_px"), UNCERTAINTIES * group["blur_sd_px"].fillna(0.0))
        outside = (blur > limit * sharp) & (blur - sharp > step)
        for frame, value in zip(evidence.records(group[outside]), blur[outside], strict=True):
            yield frame, value / sharp, sharp, limit


def _moved(frame, sharp):
    """Whether a direction explains the blur: the smear is longer than the sharp edges are wide."""
    length = number(frame.get("motion_px")) or 0.0
    return length / LENGTH_TO_SIGMA > max(sharp, SHARP_EDGE_PX) / 2


def _blur_row(check, frame, ratio, sharp, evidence, what, how):
    tolerance = brief_terms.tolerance(evidence.brief, check)
    rule = schema.CHECKS[check]
    critical = ratio > tolerance * rule.critical_beyond
    note = (
        f"the {called(frame)} {what}: its sharpest edges are {ratio * sharp:.1f} px wide where the set's are "
        f"{sharp:.1f} px (tolerance {tolerance:g} times): photograph it again {how}"
    )
    return finding(
        check,
        sentence(note),
        frame,
        value=ratio,
        expected=1.0,
        tolerance=tolerance,
        severity="critical" if critical else None,
    )


def noise(evidence):
    """Pictures with more noise than the set's."""
    limit = brief_terms.tolerance(evidence.brief, "noise")
    frames = evidence.measured
    frames = frames[frames["noise"].notna()]
    if len(frames) < FEWEST_OF_A_STYLE:
        return
    usual = max(float(frames["noise"].median()), LEAST_NOISE)
    for frame in evidence.records(frames[frames["noise"] > limit * usual]):
        iso = number(frame.get("iso"))
        at = f" at ISO {iso:.0f}" if iso is not None else ""
        note = (
            f"the {called(frame)} is {frame['noise'] / usual:.1f} times as noisy as the set{at} "
            f"(tolerance {limit:g} times): check it at full size and its ISO setting"
        )
        yield finding(
            "noise", sentence(note), frame, value=frame["noise"] / usual, expected=1.0, tolerance=limit
        )


def product_specks(evidence):
    """Products with more specks than is normal for their material."""
    limit = brief_terms.tolerance(evidence.brief, "product_specks")
    frames = evidence.measured
    frames = frames[frames["specks"].notna() & frames["view"].notna()]
    for _, _, group in groups(frames):
        counts = group["specks"].astype(float)
        usual = _of_material(frames, group).fillna(float(counts.median()))
        for frame, normal in zip(
            evidence.records(group[counts - usual > limit]), usual[counts - usual > limit], strict=True
        ):
            note = (
                f"{counted(int(frame['specks']), 'speck')} on the product in the {called(frame)} where "
                f"{normal:.0f} is normal (tolerance {limit:g} more): remove them, and clean the sample before "
                f"it is photographed again"
            )
            yield finding(
                "product_specks",
                sentence(note),
                frame,
                value=float(frame["specks"]),
                expected=normal,
                tolerance=limit,
            )


def _of_material(frames, group):
    """Usual count of specks of a frame's own material: style and colourway, where there are enough."""
    keys = ["view", "style", "colourway"]
    counts = frames.groupby(keys)["specks"].agg(["median", "count"])
    enough = counts.loc[counts["count"] >= FEWEST_OF_A_STYLE, "median"].astype(float)
    index = pd.MultiIndex.from_frame(group[keys])
    return pd.Series(enough.reindex(index).to_numpy(), index=group.index, dtype=float)


def sensor_spots(evidence):
    """Frames that carry spots of a dirty sensor, recurring in other frames of the camera."""
    frames = evidence.measured
    spotted = frames[frames["sensor_spots"].fillna(0).astype(int) > 0]
    for frame in evidence.records(spotted):
        count = int(frame["sensor_spots"])
        camera = " ".join(
            str(frame[name]) for name in ("camera_model", "camera_serial") if isinstance(frame[name], str)
        )
        note = (
            f"{counted(count, 'spot')} of a dirty sensor in the {called(frame)}, at the same place in other frames "
            f"of the camera: heal {'it' if count == 1 else 'them'} in the background and on the product, and clean the sensor"
        )
        yield finding(
            "sensor_spots",
            sentence(note),
            frame,
            value=float(count),
            expected=0.0,
            unit="spots",
            cause=f"sensor dirt of {camera or 'the camera'}",
        )
