"""Light and colour: white balance, exposure, the product's colour, the background, shadow, cut-out edge."""

import numpy as np
import pandas as pd

from catalogue_audit.findings import brief_terms
from catalogue_audit.findings.corrections import CLIPPED, no_gain_because
from catalogue_audit.findings.deviations import case_row, judge_column, set_row, tolerances
from catalogue_audit.findings.evidence import FEWEST_OF_A_STYLE
from catalogue_audit.findings.rows import called, finding, number, sentence, view_words
from catalogue_audit.statistics.photometry.evenness import border_lightness, side_to_side, table_untold, unlike_the_view
from catalogue_audit.statistics.photometry.light import OWN_SOURCES
from catalogue_audit.statistics.photometry.regions import colour_off_by_regions

PURE_WHITE_L = 99.3  # CIELAB; sRGB 253 and above looks white beside a white page, 252 begins to show
PURE_MAJORITY = 0.7  # of the pictures, or of a view's, on pure white: then it is the rule
ONE_BACKDROP = 0.7  # of the frames on white or grey: then they are product pictures, whatever their names
BORNE_OUT = 0.75  # of the tolerance: regions and whole of one background are off by the same, to a quarter of it
SHADOW_MAJORITY = 0.7  # of a view's pictures with one kind of shadow: then it is the rule
BURNT = 0.02  # fraction of the product clipped beyond the set's normal: more than software can bring back
RIM_VISIBLE = 2.0  # CIEDE2000 of a rim against the product beside it: what an attentive eye sees
FROM_RAW = "from the raw file, as the background is clipped here"
NOT_BY_THE_PRODUCT = (*OWN_SOURCES, "shadow")  # else the product's colour in its other views tells the light
SHADOW_WORDS = {
    "none": "no shadow",
    "contact": "a contact shadow",
    "cast": "a cast shadow",
    "reflection": "a reflection",
}


def white_balance(evidence):
    """Frames whose background has another colour than the set's."""
    frames = evidence.measured[_shows_the_light(evidence)]
    cases, set_cases = judge_column(
        evidence, "white_balance", "wb_dev", frames, "wb_dev_sd", centre=0.0, one_sided=True, together=True
    )
    whole = evidence.whole_product
    by_regions = dict(zip(whole["file"], colour_off_by_regions(whole, evidence.sketches), strict=True))
    for case in cases:
        if by_regions.get(case.frame["file"], np.inf) <= BORNE_OUT * case.tolerance:
            continue  # the wall is within tolerance, and more of a table is seen
        cast, mend = _cast(case.frame, no_gain_because(case.frame, evidence.stage))
        note = (
            f"the {called(case.frame)} is {cast} than the set by CIEDE2000 {case.value:.1f} "
            f"(tolerance {case.tolerance:g}): {mend}"
        )
        yield case_row("white_balance", note, case, by_the_product=case.frame.get("white_source") not in NOT_BY_THE_PRODUCT)
    for case in set_cases:
        yield set_row("white_balance", case, "the white balance, as CIEDE2000 from the set's middle,", "", "correct the rest")


def _shows_the_light(evidence):
    """
    Which measured frames show the colour of the set's light, as a Series of bool.

    The border of a detail crop may be the product itself; where its colour is known all the same, by the backdrop or
    by the product's own, it was compared with the set's. Where no name says which views show the
    whole product, most frames must have one neutral backdrop: a set of any
    photographs has no white to be compared.
    """
    frames, whole = evidence.measured, evidence.whole_product
    if whole.empty:
        neutral = frames["backdrop"].isin(["white", "grey"])
        return neutral if len(frames) and neutral.mean() >= ONE_BACKDROP else neutral & False
    return frames.index.isin(whole.index) | frames["wb_dev"].notna()


def _cast(frame, no_gain):
    """In which direction a frame's colour is off, and the gains that mend it, or why none does, in words."""
    red, blue = number(frame.get("wb_gain_r")), number(frame.get("wb_gain_b"))
    if red is None or blue is None:
        return "of another colour", "correct its white balance"
    if blue > red * 1.005:
        cast = "warmer"
    elif red > blue * 1.005:
        cast = "cooler"
    else:
        cast = "more magenta" if red < 1 else "greener"
    if no_gain:
        return cast, "correct its white balance" + (f" {FROM_RAW}" if no_gain == CLIPPED else "")
    return cast, f"correct its white balance with linear gains of {red:.3f} red and {blue:.3f} blue"


def exposure(evidence):
    """Frames in which the product got more or less light than in the set, details included."""
    frames = evidence.measured[evidence.measured["exposure_dev_ev"].notna() & evidence.measured["view"].notna()]
    frames = frames[~frames["file"].isin(_of_an_unknown_product(evidence))]
    normal = evidence.whole_product["clipped_high"].median()
    cases, set_cases = judge_column(
        evidence, "exposure", "exposure_dev_ev", frames, "exposure_dev_sd_ev", centre=0.0, together=True
    )
    for case in cases:
        off = case.value - case.expected
        clipped = number(case.frame.get("clipped_high")) or 0.0
        burnt = off > 0 and clipped > (number(normal) or 0.0) + BURNT
        mend = (
            f"{clipped * 100:.0f} % of the product is burnt out, so photograph it again"
            if burnt
            else f"correct its exposure by {-off:+.2f} EV" + (f" {FROM_RAW}" if no_gain_because(case.frame, evidence.stage) == CLIPPED else "")
        )
        note = (
            f"the {called(case.frame)} is {abs(off):.2f} EV {'brighter' if off > 0 else 'darker'} than the set "
            f"(tolerance {case.tolerance:g} EV): {mend}"
        )
        yield case_row("exposure", note, case, remedy="reshoot" if burnt else None)
    for case in set_cases:
        yield set_row("exposure", case, "the exposure", " EV", "correct the rest")


def _of_an_unknown_product(evidence):
    """Files that show another product than their name says, and nobody knows which: their light has nothing to be compared with."""
    wrong = evidence.misfiled
    return wrong.loc[wrong["kind"].isin(["wrong_product", "wrong_detail"]) & (wrong["likely_sku"].fillna("") == ""), "file"]


def background(evidence):
    """Backgrounds lighter or darker than the majority's, or not white where the majority's are."""
    frames = evidence.whole_product
    frames = frames[frames["background_L"].notna() & (frames["backdrop"] != "unknown")]
    level = brief_terms.reference(evidence.brief, "background_L")
    mostly = len(frames) > 0 and is_pure(frames).mean() >= PURE_MAJORITY
    for view, group in frames.groupby("view", sort=True):
        asked = brief_terms.wants_pure_white(evidence.brief)
        rule = mostly or is_pure(group).mean() >= PURE_MAJORITY
        pure = asked or (asked is None and level is None and len(group) >= FEWEST_OF_A_STYLE and rule)
        if pure:
            yield from _not_pure(evidence, group)
        else:
            cases, set_cases = judge_column(evidence, "background", "background_L", group)
            for case in cases:
                if _borne_out(case):
                    yield _background_row(case)
            for case in set_cases:
                yield set_row("background", case, "the background's lightness", " L*", "bring the rest to it")


def is_pure(frames):
    return frames["background_L"] >= PURE_WHITE_L


def _not_pure(evidence, frames):
    for frame in evidence.records(frames[~is_pure(frames)]):
        note = (
            f"the background of the {called(frame)} is L* {frame['background_L']:.1f} where the "
            f"others are pure white: bring it to white"
        )
        yield finding(
            "background",
            sentence(note),
            frame,
            value=frame["background_L"],
            expected=100.0,
            tolerance=round(100 - PURE_WHITE_L, 4),
        )


def _borne_out(case):
    """
    Whether the background is off its level region by region too, where that is known.

    A product that covers the darker part of the sweep leaves a lighter mean of the same light.
    """
    moved = number(case.frame.get("background_dev_ev"))
    if moved is None:
        return True
    lighter = (case.expected + 16) * 2.0 ** (moved / 3) - 16  # CIELAB: L* + 16 is as the cube root of light
    return abs(lighter - case.expected) > case.tolerance


def _background_row(case):
    off = case.value - case.expected
    note = (
        f"the background of the {called(case.frame)} is {abs(off):.1f} L* {'lighter' if off > 0 else 'darker'} "
        f"than the others' {case.expected:.1f} (tolerance {case.tolerance:g}): bring it to their level"
    )
    return case_row("background", note, case)


def uneven_background(evidence):
    """
    Backgrounds less even than the set's normal, and than those of the product's other views; and lighter to one side than the set's.

    A small product is photographed from nearer, before more of the fall-off or of the table's edge, and from nearer in several views.
    """
    frames = _with_evenness(evidence)
    cases, set_cases = judge_column(evidence, "uneven_background", "background_spread", frames, one_sided=True)
    tilted, tilted_sets = judge_column(evidence, "uneven_background", "side_to_side", frames, together=True)
    largest = largest_of_the_others(frames, frames["background_spread"].fillna(0.0)).to_dict()
    others = {file: largest[index] for index, file in frames["file"].items()}
    unlike = frames.set_index("file")["unlike_the_view"].fillna(np.inf)
    told = set()
    for case in cases:
        if min(case.value - others[case.frame["file"]], unlike[case.frame["file"]]) <= case.tolerance:
            continue
        told.add(case.frame["file"])
        note = (
            f"the background of the {called(case.frame)} varies by {case.value:.1f} L* where {case.expected:.1f} "
            f"is the set's normal (tolerance {case.tolerance:g} more): even it out, and look at the lamps"
        )
        yield case_row("uneven_background", note, case)
    for case in tilted:
        if case.frame["file"] in told:
            continue
        off = case.value - case.expected
        note = (
            f"the background of the {called(case.frame)} is {abs(off):.1f} L* lighter towards the {'right' if off > 0 else 'left'} "
            f"than the set's (tolerance {case.tolerance:g}): even it out, and look at the lamps"
        )
        yield case_row("uneven_background", note, case._replace(value=abs(off), expected=0.0))  # either side is as wrong
    known = frames["side_to_side"].notna().any()
    for case in set_cases:
        # How much of a sweep's fall-off shows depends on what the product leaves of it: that varies under steady light.
        if case.kind == "modes" and (not known or any(tilt.kind == "modes" for tilt in tilted_sets)):
            yield set_row("uneven_background", case, "the evenness of the background", " L*", "light the rest alike")


def _with_evenness(evidence):
    """Frames of whole products, with what `evenness` tells of their borders."""
    frames = evidence.whole_product
    levels = border_lightness(frames, evidence.sketches)
    no_ground = frames["backdrop"].isin(["cut_out", "unknown"]) | frames["background_L"].isna()  # a close-up's border is product
    levels[no_ground.to_numpy(bool)] = np.nan
    tolerance = brief_terms.tolerance(evidence.brief, "uneven_background")
    unlike = unlike_the_view(levels, frames["view"].fillna("").to_numpy(str), tolerance)
    spread = frames["background_spread"].mask(table_untold(frames, evidence.sketches))
    return frames.assign(background_spread=spread, side_to_side=side_to_side(levels), unlike_the_view=unlike)


def cutout_edge(evidence):
    """Cut-outs with a rim of another tone around the product."""
    frames = evidence.measured
    frames = frames[(frames["rim_de"].fillna(0.0) >= RIM_VISIBLE) & frames["rim_px"].notna()]
    limit = tolerances(evidence, "cutout_edge", frames)
    for frame in evidence.records(frames[frames["rim_px"] > limit]):
        tolerance = brief_terms.tolerance(evidence.brief, "cutout_edge")
        note = (
            f"the cut-out of the {called(frame)} leaves a rim {frame['rim_px']:.1f} px wide of another tone "
            f"(CIEDE2000 {frame['rim_de']:.1f}, tolerance {tolerance:g} px): cut it out again more tightly"
        )
        yield finding(
            "cutout_edge", sentence(note), frame, value=frame["rim_px"], expected=0.0, tolerance=tolerance
        )


def shadow(evidence):
    """
    Shadows of another kind than the view's majority.

    Contact and cast shadows shade into one another with the shape of the base
    under one and the same light, so they are one kind here: what is told apart is a
    shadow, a reflection, and none.
    """
    frames = evidence.whole_product
    frames = frames[frames["shadow_kind"].notna()]
    kinds = frames["shadow_kind"].replace({"contact": "cast"})
    for view, group in frames.groupby("view", sort=True):
        counts = kinds[group.index].value_counts()
        if len(group) < FEWEST_OF_A_STYLE or counts.iloc[0] < SHADOW_MAJORITY * len(group):
            continue
        usual = counts.index[0]
        wanted = SHADOW_WORDS.get(group["shadow_kind"][kinds[group.index] == usual].mode()[0], usual)
        for frame in evidence.records(group[kinds[group.index] != usual]):
            has = SHADOW_WORDS.get(frame["shadow_kind"], frame["shadow_kind"])
            note = (
                f"the {called(frame)} has {has} where the {view_words(view)} pictures have {wanted}: "
                f"give it {wanted}"
            )
            yield finding("shadow", sentence(note), frame)


def largest_of_the_others(frames, values):
    """For each frame the largest of some values in the same product's other frames; NaN where it is alone."""
    values = values.to_numpy(dtype=float)
    result = np.full(len(frames), np.nan)
    for places in frames.groupby("sku").indices.values():
        if len(places) > 1:
            result[places] = [np.max(np.delete(values[places], i)) for i in range(len(places))]
    return pd.Series(result, index=frames.index)
