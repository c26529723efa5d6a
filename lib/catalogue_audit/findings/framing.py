"""How the product fills the frame: size, place, and whether all of it is there."""

import numpy as np

from catalogue_audit.findings.deviations import case_row, judge_column, set_row, tolerances
from catalogue_audit.findings.evidence import usual
from catalogue_audit.findings.outliers import UNCERTAINTIES
from catalogue_audit.findings.rows import called, finding, listed, sentence
from catalogue_audit.measures.applicability import STRAIGHT_ON
from catalogue_audit.measures.records import PLACED_LIMIT
from catalogue_audit.statistics.geometry.camera_distance import front_over_back
from catalogue_audit.statistics.geometry.framing_rules import FIXED_DISTANCE, FRONT_DISTANCE, places
from catalogue_audit.statistics.geometry.strap_states import SURE_OUTLINE
from catalogue_audit.statistics.geometry.style_places import OWN_PLACE_SD
from catalogue_audit.statistics.styles import shapes_of

UNENLARGEABLE = 0.25  # smaller than this share below the set, enlarging costs more detail than a shop's zoom forgives
OTHER_SHAPE = 0.02  # of the aspect ratio; less changes no fill by anything that shows
BY_SHAPE = 3 * OWN_PLACE_SD  # of the frame: farther than this no product's own shape puts it
CUT_MAJORITY = 0.5  # of a view's pictures touching the frame: then it is how this view is framed


def scale(evidence):
    """Products larger or smaller than the set's framing rule has them."""
    frames = _of_the_usual_shape(_surely_seen(evidence.whole_product))
    cases, set_cases = judge_column(evidence, "scale", "scale_dev", frames, "scale_dev_sd", centre=0.0)
    for case in cases:
        off = case.value - case.expected
        size = "larger" if off > 0 else "smaller"
        reshoot = off < -UNENLARGEABLE
        mend = "photograph it again closer" if reshoot else f"scale it by {1 / (1 + off):.3f}"
        note = (
            f"the product in the {called(case.frame)} is {abs(off) * 100:.0f} % {size} than the set's framing "
            f"has it (tolerance {case.tolerance * 100:g} %): {mend}"
        )
        yield case_row("scale", note, case, remedy="reshoot" if reshoot else None)
    for case in set_cases:
        yield set_row("scale", case, "the product's size against the set's framing", "", "scale the others to match")
    told = {case.frame["file"] for case in cases}
    if evidence.framing_rule in (FIXED_DISTANCE, FRONT_DISTANCE):
        yield from _one_of_front_and_back(evidence, frames[frames["touches"].isna() & frames["view_kind"].eq("upright")], told)


def _one_of_front_and_back(evidence, frames, told):
    """Products whose front and back are of two sizes from one distance: one finding each, on the picture that lies further from the set."""
    told = told | set(evidence.misfiled["file"])
    straight = frames[frames["view"].isin(STRAIGHT_ON)]
    of_product = straight.groupby("sku").indices
    for sku, pair in front_over_back(frames).iterrows():
        here = straight.iloc[of_product[sku]]
        value, tolerance = float(np.expm1(pair["apart"])), float(np.median(tolerances(evidence, "scale", here)))
        if abs(value) > max(tolerance, UNCERTAINTIES * pair["apart_sd"]) and not told & set(here["file"]):
            further = here.assign(off=here["scale_dev"].abs().fillna(0.0)).sort_values("off", kind="stable").iloc[-1].to_dict()
            note = (
                f"the front of {sku} is {abs(value) * 100:.0f} % {'larger' if value > 0 else 'smaller'} than its back ({listed(here['file'])}) though "
                f"the set has both from one distance (tolerance {tolerance * 100:g} %): see which of the two is off, and scale it to the other"
            )
            value = value if further["view"] == STRAIGHT_ON[0] else float(np.expm1(-pair["apart"]))
            yield finding("scale", sentence(note), further, remedy="check", value=value, expected=0.0, tolerance=tolerance)


def _of_the_usual_shape(frames):
    """Without frames of another aspect than their view's: a share of another shape is not comparable, and that is said."""
    aspect = frames["width_px"].astype(float) / frames["height_px"].astype(float)
    usual_aspect = aspect.groupby(frames["view"]).transform("median")
    return frames[(aspect / usual_aspect - 1).abs() <= OTHER_SHAPE]


def _surely_seen(frames):
    """
    Without frames whose outline tells neither size nor place nor end: a part of it may be ground, or it meets the frame and is unsure, and what
    meets it there is as likely backdrop.
    """
    confidence = frames["outline_confidence"].astype(float)
    return frames[~(confidence < np.where(frames["touches"].isna(), PLACED_LIMIT, SURE_OUTLINE))]


def centring(evidence):
    """Products off the place the set gives them."""
    frames = _surely_seen(evidence.whole_product)
    worst = {}
    set_rows = []
    for column, directions in (("centre_dev_x", ("left", "right")), ("centre_dev_y", ("high", "low"))):
        cases, set_cases = judge_column(evidence, "centring", column, frames, f"{column}_sd", centre=0.0)
        for case in cases:
            off = case.value - case.expected
            known = worst.get(case.frame["file"])
            if known is None or abs(off) > abs(known[0].value - known[0].expected):
                worst[case.frame["file"]] = case, directions[int(off > 0)]
        quantity = "the product's place across the frame" if column.endswith("x") else "the product's height in the frame"
        set_rows.extend(set_row("centring", case, quantity, "", "move the others to match") for case in set_cases)
    for case, direction in worst.values():
        off = round(case.value - case.expected, 4)  # as the table has it, so that both say the same rounded once more
        where = f"too far {direction}" if direction in ("left", "right") else f"too {direction}"
        note = (
            f"the product in the {called(case.frame)} sits {abs(off) * 100:.1f} % of the frame {where} "
            f"(tolerance {case.tolerance * 100:g} %): crop it to the set's position"
        )
        yield case_row("centring", note, case)
    yield from set_rows
    yield from _styles_elsewhere(evidence)


def _styles_elsewhere(evidence):
    """Styles whose pictures all lie farther from the set's place than a shape explains: one finding each, as no picture of it is wrong alone."""
    frames, off = evidence.whole_product, places(evidence.frames, evidence.sketches, evidence.products)
    shifts = {name: column[2][frames.index] for name, column in off.items()}
    surely = [np.abs(shift) > np.maximum(BY_SHAPE, UNCERTAINTIES * off[name][1][frames.index]) for name, shift in shifts.items()]
    farthest = np.maximum(*(np.where(sure, np.abs(shift), 0.0) for sure, shift in zip(surely, shifts.values(), strict=True)))
    far = frames.assign(farthest=farthest)[farthest > 0]
    for _, group in far.groupby(shapes_of(far, evidence.products), sort=True):
        skus, value = list(dict.fromkeys(group["sku"])), float(group["farthest"].max())
        note = (
            f"the pictures of {listed(skus)} sit up to {value * 100:.0f} % of the frame off the set's place, all {len(group)} alike "
            f"(for example {listed(group['file'], 2)}): see whether that is meant, and place them as the others"
        )
        tolerance = float(np.median(tolerances(evidence, "centring", group)))
        sku = skus[0] if len(skus) == 1 else None
        yield finding("centring", sentence(note), sku=sku, severity="minor", remedy="check", value=value, expected=0.0, tolerance=tolerance)


def cut_off(evidence):
    """Products that meet the frame where the view's majority does not, but for those that are larger than the set's framing leaves room for."""
    frames = _surely_seen(evidence.whole_product)
    frames = frames[frames["outline_confidence"].notna()]
    touching = frames["touches"].notna()
    often = usual(frames[["view", "style"]], touching.astype(float), "mean") > CUT_MAJORITY
    for frame in evidence.records(frames.loc[touching & ~often & ~_too_large_for_the_rule(evidence, frames), ["touches"]]):
        sides = " and ".join(frame["touches"].split())
        note = (
            f"the product in the {called(frame)} is cut off at the {sides} of the frame: "
            f"photograph it again whole, or crop wider if the original holds it"
        )
        yield finding("cut_off", sentence(note), frame)


def _too_large_for_the_rule(evidence, frames):
    """
    Pictures whose product is of the size and in the place that the set gives it and runs out at a side in another view as well: a long handle does.

    A camera aimed wrongly or too close puts the rest of the product off its place or size, and hardly twice at one side.
    """
    limits = {"scale_dev": tolerances(evidence, "scale", frames), "centre_dev_x": tolerances(evidence, "centring", frames)}
    limits["centre_dev_y"] = limits["centre_dev_x"]
    placed = np.logical_and.reduce([frames[column].astype(float).abs().to_numpy() < limit for column, limit in limits.items()])
    here = frames.loc[placed & frames["touches"].notna().to_numpy(), ["sku", "view", "touches"]]
    views = here.groupby(["sku", "touches"])["view"].transform("nunique")
    return (views >= 2).reindex(frames.index, fill_value=False)
