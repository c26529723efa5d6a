"""How the product stands: turn, camera height, roll, lean, handles, strap."""

import math

import numpy as np
import pandas as pd

from catalogue_audit.findings import brief_terms
from catalogue_audit.findings.causes import explained_by_change
from catalogue_audit.findings.deviations import case_row, judge_column, set_row, tolerances
from catalogue_audit.findings.evidence import FEWEST_OF_A_STYLE
from catalogue_audit.findings.outliers import RATHER_BEYOND, UNCERTAINTIES, judge_values
from catalogue_audit.findings.rows import called, finding, sentence, view_words
from catalogue_audit.measures.applicability import STRAIGHT_ON, shows_a_turn
from catalogue_audit.measures.geometry.roll import LAID_DEG
from catalogue_audit.statistics.geometry.handles import gaps_beyond_perspective, handle_stands, handles_apart
from catalogue_audit.statistics.geometry.lean import handles_off_level, rather_a_lean
from catalogue_audit.statistics.geometry.strap_habits import slips
from catalogue_audit.statistics.geometry.strap_states import supplied_straps, usual_of_styles, usual_state
from catalogue_audit.statistics.geometry.strap_views import as_its_product, as_other_views, shown_once
from catalogue_audit.statistics.styles import style_families

BETWEEN_STYLES_DEG = 0.7  # standard deviation of a shape's bias of pitch; 0.5 on rendered bags with a clear corner
SURELY_OFF_LEVEL = 0.85  # probability; on rendered bags leans that raise a handle stay below 0.82, handles out of level reach 0.89
IMPLAUSIBLE_LEAN_DEG = 15.0  # a bag that leans more falls over: then the measure has failed, not the photographer
IMPLAUSIBLE_TURN_DEG = 30.0  # further off than this it is another view, or a wrong measure
FEWEST_LAID = 2  # pictures of a style
OVER_THE_HANDLES = ("draped", "held_up")  # states of a strap that crosses handles in a turned view as a second one would
STRAP_WORDS = {
    "none": "no strap",
    "front": "the strap in front",
    "behind": "the strap behind",
    "draped": "the strap draped",
    "coiled": "the strap coiled",
    "held_up": "the strap held up",
}


def angle(evidence):
    """Turn of three-quarter and straight-on views against the set's own."""
    frames = evidence.whole_product
    shown = frames["view"].map(shows_a_turn).astype(bool) | frames["view"].isin(STRAIGHT_ON)
    frames = frames[shown & (frames["yaw_dev_deg"].abs() < IMPLAUSIBLE_TURN_DEG)]
    cases, set_cases = judge_column(evidence, "angle", "yaw_dev_deg", frames, "yaw_dev_sd_deg", centre=0.0, pooled=True)
    exchanged = {row["file"] for row in evidence.misfiled.to_dict("records") if row["kind"] == "swapped_views" and row.get("likely_view") in STRAIGHT_ON}
    for case in cases:
        off = case.value - case.expected
        side = "counter-clockwise" if off > 0 else "clockwise"
        note = (
            f"the {called(case.frame)} is turned {abs(off):.1f}° too far {side} seen from above "
            f"(tolerance {case.tolerance:g}°): photograph it again at the set's angle"
        )
        square_either_way = case.frame["view"] in STRAIGHT_ON and case.frame["file"] in exchanged
        yield case_row("angle", note, case, by_any_name=True) if square_either_way else case_row("angle", note, case)
    for case in set_cases:
        yield set_row("angle", case, "the turn", "°", "photograph the others alike")


def camera_height(evidence):
    """Camera looking down more or less than in the set's other frames of the view."""
    cases, set_cases = _height_cases(evidence)
    for case in cases:
        off = case.value - case.expected
        stood = "higher" if off > 0 else "lower"
        note = (
            f"the {called(case.frame)} was photographed from {stood} than the others: the camera looks "
            f"{abs(off):.1f}° {'more' if off > 0 else 'less'} steeply down (tolerance {case.tolerance:g}°): "
            f"photograph it again with the camera at the set's height"
        )
        yield case_row("camera_height", note, case)
    for case in set_cases:
        yield set_row("camera_height", case, "the camera's downward look", "°", "keep the camera at one height")
    yield from _tilts(evidence, "camera_height")


def _height_cases(evidence):
    return judge_column(evidence, "camera_height", "pitch_dev", _pitch_deviations(evidence), "pitch_dev_sd", centre=0.0, pooled=True, margin=RATHER_BEYOND)


def _pitch_deviations(evidence):
    """
    Frames with ``pitch_dev`` and ``pitch_dev_sd``, in degrees, against the brief or the view.

    Against the view it was told together with turn and roll, or by the ground; one picture's own pitch, which its shape biases, is
    compared with what the brief names.
    """
    frames = _without_copies(evidence.as_taken, "camera_pitch_deg", "camera_pitch_sd_deg", "pitch_dev_deg", "pitch_dev_sd_deg")
    frames = frames[frames["pitch_dev_deg"].notna() | frames["camera_pitch_deg"].notna()]
    named = [brief_terms.reference(evidence.brief, "camera_pitch_deg", view) for view in frames["view"]]
    named = pd.Series(named, index=frames.index, dtype=float)
    own_sd = np.hypot(frames["camera_pitch_sd_deg"].fillna(0.0), BETWEEN_STYLES_DEG)
    by_view = named.isna() | frames["camera_pitch_deg"].isna()
    dev = frames["pitch_dev_deg"].where(by_view, frames["camera_pitch_deg"] - named)
    return frames.assign(pitch_dev=dev, pitch_dev_sd=frames["pitch_dev_sd_deg"].where(by_view, own_sd))


def roll(evidence):
    """Pictures that are not upright against the others of their view and style."""
    frames = evidence.whole_product
    named = frames["view"].map(lambda view: brief_terms.reference(evidence.brief, "roll_deg", view) is not None).astype(bool)
    by_view = frames["roll_dev_deg"].notna() & ~named
    laid = _laid(frames) & ~by_view & ~named
    cases, set_cases = judge_column(evidence, "roll", "roll_deg", frames[~by_view & ~laid], "roll_sd_deg", pooled=True)
    for _, style in frames[laid].groupby(["view", "style"], sort=True):
        cases = cases + judge_column(evidence, "roll", "roll_deg", style, "roll_sd_deg")[0]
    turned, turned_sets = judge_column(evidence, "roll", "roll_dev_deg", frames[by_view], "roll_dev_sd_deg", centre=0.0, pooled=True)
    cases, set_cases = cases + turned, set_cases + turned_sets
    for case in cases:
        off = case.value - case.expected
        side = "clockwise" if off > 0 else "counter-clockwise"
        back = "counter-clockwise" if off > 0 else "clockwise"
        note = (
            f"the {called(case.frame)} is tilted {abs(off):.1f}° {side} "
            f"(tolerance {case.tolerance:g}°): rotate it {abs(off):.1f}° {back}"
        )
        yield case_row("roll", note, case)
    for case in set_cases:
        yield set_row("roll", case, "the tilt", "°", "rotate the others to match")
    in_two_ways = {case.view for case in set_cases}
    moved = explained_by_change(evidence, "roll").reindex(frames.index).notna()  # then the middle of all is nobody's
    in_two_ways |= set(frames["view"][moved])
    yield from _whole_set_tilted(evidence, frames[~frames["view"].isin(in_two_ways) & ~laid])


def _laid(frames):
    """Pictures of a view and style of which most, and two at least, are tilted one way by more than any slip: so the product lies, and they are judged by each other."""
    tilted = np.sign(frames["roll_deg"]).where(frames["roll_deg"].abs() > LAID_DEG, 0.0).where(frames["roll_deg"].notna())
    of_style = tilted.groupby([frames["view"], frames["style"]])
    most = of_style.transform("mean").abs() > 0.5
    return most & (of_style.transform(lambda told: told.abs().sum()) >= FEWEST_LAID)


def _whole_set_tilted(evidence, frames):
    """A straight-on view whose own reference is not upright: one finding about the view."""
    for view, group in frames[frames["view"].isin(STRAIGHT_ON)].groupby("view", sort=True):
        tilts = group["roll_deg"].dropna()
        if len(tilts) < FEWEST_OF_A_STYLE or brief_terms.reference(evidence.brief, "roll_deg", view) is not None:
            continue
        centre = float(tilts.median())
        limit = max(
            float(np.median(tolerances(evidence, "roll", group))),
            UNCERTAINTIES * float(group["roll_sd_deg"].median() if group["roll_sd_deg"].notna().any() else 0.0),
        )
        if abs(centre) > limit:
            side = "clockwise" if centre > 0 else "counter-clockwise"
            note = (
                f"the {view_words(view)} pictures as a whole are tilted {abs(centre):.1f}° {side}: "
                f"level the camera, and rotate all {len(tilts)} of them back"
            )
            yield finding("roll", sentence(note), view=view, value=centre, expected=0.0, tolerance=limit)


def lean(evidence):
    """Products leaning to or from the camera."""
    cases, set_cases = _lean_cases(evidence)
    for case in cases:
        off = case.value - case.expected
        to = "towards" if off > 0 else "away from"
        note = (
            f"the {called(case.frame)} leans {abs(off):.1f}° {to} the camera "
            f"(tolerance {case.tolerance:g}°): stand it upright and photograph it again"
        )
        yield case_row("lean", note, case)
    for case in set_cases:
        yield set_row("lean", case, "the lean", "°", "stand the others alike")
    yield from _tilts(evidence, "lean")


def _without_copies(frames, *columns):
    """Some columns of frames, file, view and style with them, without further straight-on pictures of one photograph: delivered twice, it leans once."""
    return frames[["file", "view", "style", *columns]][~(_copies(frames) & frames["view"].isin(STRAIGHT_ON))]


def _copies(frames):
    """Whether each is a further picture of a photograph that is there under the same product and view."""
    numbered = frames[["duplicate_group", "sku", "view"]].assign(position=pd.to_numeric(frames["position"], errors="coerce").fillna(0.0))
    numbered = numbered.sort_values("position", kind="stable")
    return frames["duplicate_group"].notna() & numbered.duplicated(["duplicate_group", "sku", "view"]).reindex(frames.index)


def _lean_cases(evidence):
    frames = _without_copies(evidence.as_taken, "lean_deg", "lean_sd_deg")
    return judge_column(evidence, "lean", "lean_deg", frames[frames["lean_deg"].abs() < IMPLAUSIBLE_LEAN_DEG], "lean_sd_deg", margin=RATHER_BEYOND)


def _tilts(evidence, check):
    """
    Pictures that are certainly tilted, though it cannot be told whether the product leans or the camera stood higher or lower.

    Each is found once, under the check whose cause is likelier.
    """
    frames = _without_copies(evidence.as_taken, "tilt_deg", "tilt_sd_deg", "pitch_dev_deg", "pitch_dev_sd_deg")
    told = {case.frame["file"] for cases in (_lean_cases, _height_cases) for case in cases(evidence)[0]}
    frames = frames[(frames["tilt_deg"].abs() < IMPLAUSIBLE_LEAN_DEG) & ~frames["file"].isin(told)]
    heights = frames.set_index("file")[["pitch_dev_deg", "pitch_dev_sd_deg", "tilt_sd_deg"]]
    for case in judge_column(evidence, check, "tilt_deg", frames, "tilt_sd_deg", centre=0.0, margin=RATHER_BEYOND)[0]:
        height, *sds = heights.loc[case.frame["file"]].astype(float)
        if rather_a_lean(case.value, height, math.hypot(*sds)) == (check == "lean"):
            off, to = abs(case.value), "towards" if case.value > 0 else "away from"
            stood = "higher" if case.value > 0 else "lower"
            leans, other = f"the product leans {to} the camera", f"the camera stood {stood} and looked down {off:.1f}° {'more' if case.value > 0 else 'less'}"
            first, second = (leans, other) if check == "lean" else (other, leans)
            note = (
                f"the {called(case.frame)} is tilted {off:.1f}° {to} the camera beside the other pictures of its shape "
                f"(tolerance {case.tolerance:g}°): either {first}, or, less likely, {second}; set the camera to the set's height, stand the "
                f"product plumb and photograph it again"
            )
            yield case_row(check, note, case)


def handles(evidence):
    """
    Rear handle standing above the front one by more than perspective, and the product's own lean, explain.

    A lean raises the rear handle too. Where it explains the gap nearly as well, the finding names both, under the check whose
    cause is likelier.
    """
    whole = evidence.whole_product
    turned = whole["view"].map(shows_a_turn).astype(bool)
    frames = whole[(whole["handle_gap"].notna() | turned) & ~(turned & whole["strap_state"].isin(OVER_THE_HANDLES))]
    if frames.empty:
        return
    stands = handle_stands(frames, evidence.sketches, evidence.products)
    tilt, tilt_sd = (frames[name].astype(float) for name in ("tilt_deg", "tilt_sd_deg"))
    beyond = gaps_beyond_perspective(frames, stands, tilt.where(tilt.abs() > UNCERTAINTIES * tilt_sd), evidence.products)
    seen = stands["height"].notna()  # otherwise only the picture's own figure is known
    gaps = beyond["gap"].where(seen, frames["handle_gap"].astype(float))
    spreads = beyond["gap_sd"].where(seen, frames["handle_gap_sd"].astype(float)).fillna(0.0)
    height_cm = stands["height_cm"].fillna(frames["sku"].map(lambda sku: _height_cm(evidence, sku)).astype(float))
    tolerance_cm = brief_terms.tolerance(evidence.brief, "handles")
    share = (tolerance_cm / height_cm).fillna(brief_terms.tolerance(evidence.brief, "handles_fraction"))
    outlying = []
    for _, group in frames.groupby("view", sort=True):
        here = group.index
        judged = judge_values(gaps[here], share[here], spreads[here], group["style"].to_numpy(dtype=object), 0.0, margin=RATHER_BEYOND)
        outlying.append((group, np.flatnonzero(judged.outlying)))
    asked = [group.index[i] for group, numbers in outlying for i in numbers]
    if not asked:
        return
    off_levels = handles_off_level(whole, evidence.sketches, handle_stands(whole, evidence.sketches, evidence.products), asked)
    for group, numbers in outlying:
        here, rows = group.index, evidence.records(group)
        for i in numbers:
            known = (float(column[here[i]]) for column in (gaps, share, height_cm))
            off = off_levels[here[i]]
            leans_told = here[i] in evidence.as_taken.index
            if not off < SURELY_OFF_LEVEL:
                yield _handles_row(rows[i], *known)
            elif off > (0.5 if leans_told else 1 - SURELY_OFF_LEVEL):  # where no lean is judged, what shows in the picture is all that can be told
                yield _handles_row(rows[i], *known, "; the product may lean instead: see first that it stands plumb")
            elif leans_told:
                yield from _lean_by_handles(evidence, rows[i], float(gaps[here[i]]), stands.loc[here[i]])


def _lean_by_handles(evidence, frame, gap, stand):
    """A gap between the handles that a lean explains better than handles out of level; nothing for a lean within its tolerance."""
    tilt = float(np.degrees(np.arcsin(np.clip(gap / handles_apart(stand), -1.0, 1.0))))
    tolerance = brief_terms.tolerance(evidence.brief, "lean", soft=bool(evidence.soft[evidence.file_order[frame["file"]]]))
    if tolerance < abs(tilt) < IMPLAUSIBLE_LEAN_DEG:
        note = (
            f"the {called(frame)} shows the rear handle above the front one as if it leant {tilt:.1f}° towards the camera "
            f"(tolerance {tolerance:g}°): stand it plumb, level the handles, set the camera to the set's height and photograph it again"
        )
        yield finding("lean", sentence(note), frame, value=tilt, expected=0.0, tolerance=tolerance)


def _handles_row(frame, gap, share, height_cm, otherwise=""):
    known = height_cm == height_cm
    size = height_cm if known else 100.0
    unit = "cm" if known else "% of product height"
    way = "above" if gap > 0 else "below"
    note = (
        f"in the {called(frame)} the rear handle stands {abs(gap) * size:.1f} {unit} {way} where it belongs beside "
        f"the front one (tolerance {share * size:.1f} {unit}): level the handles and photograph it again{otherwise}"
    )
    return finding(
        "handles",
        sentence(note),
        frame,
        value=gap * size,
        expected=0.0,
        tolerance=share * size,
        unit=unit,
    )


def _height_cm(evidence, sku):
    value = pd.to_numeric(evidence.supplied.get(sku, {}).get("height_cm"), errors="coerce")
    return float(value) if value is not None and value > 0 else np.nan


def strap(evidence):
    """
    Strap in another state than the brief asks for, or than the view's majority.

    Only products with a strap are compared: those that show one in any view, or have one by the products file. A strap outside the body that
    the product's other views show too is not missed by others that show none: it is easily overlooked, and hardly seen where there is none.
    Where the view follows no rule, a product's other views and its colourways say how its strap should lie.
    """
    frames, misfiled = evidence.whole_product, evidence.misfiled["file"]
    alone = shown_once(frames, evidence.sketches, misfiled)
    frames = frames[frames["strap_state"].notna()]
    of_their_own = _under_their_views(frames, evidence.misfiled)
    all_round, alike = as_other_views(of_their_own), as_its_product(of_their_own)
    frames = frames[~frames["file"].isin(misfiled) & ~_copies(frames)]  # of another product or view; delivered twice
    strapped = set(frames.loc[frames["strap_state"] != "none", "sku"].dropna())
    strapped |= {sku for sku, has in supplied_straps(evidence.products).items() if has}
    frames = frames[frames["sku"].isin(strapped)]
    slipped = slips(frames.assign(style=style_families(frames)))
    odd = set(frames.loc[frames["file"].isin(list(slipped)), "sku"])
    for view, group in frames.groupby("view", sort=True):
        asked = brief_terms.strap_state(evidence.brief, view)
        for frame, wanted_state in zip(evidence.records(group), _wanted_states(group, asked), strict=True):
            state, source = frame["strap_state"], "the brief asks for" if asked else "the view's other pictures show"
            if not asked and frame["file"] in slipped:
                wanted_state, source = slipped[frame["file"]], "the set's other products show"
            elif wanted_state is None and frame["sku"] in odd:
                continue  # its other picture is the odd one
            elif wanted_state is None and frame["file"] in alone:
                wanted_state = "none"
            elif wanted_state is None and frame["file"] in alike:
                wanted_state, source = alike[frame["file"]]
            if wanted_state in (None, "any", state) or (wanted_state == "none" and not asked and frame["file"] in all_round):
                continue
            wanted = STRAP_WORDS.get(wanted_state, wanted_state)
            note = (
                f"the {called(frame)} shows {STRAP_WORDS.get(state, state)} where {source} {wanted}: "
                f"photograph it again with {wanted}"
            )
            yield finding("strap", sentence(note), frame)


def _under_their_views(frames, misfiled):
    """Frames but for those of another product or of a view that is not known; swapped ones under the view that they show."""
    told = misfiled.reindex(columns=["file", "kind", "likely_view"])
    swapped = told[(told["kind"] == "swapped_views") & told["likely_view"].notna()]
    shown = frames["file"].map(dict(zip(swapped["file"], swapped["likely_view"], strict=True)))
    frames = frames.assign(view=shown.where(shown.notna(), frames["view"]))
    return frames[shown.notna() | ~frames["file"].isin(misfiled["file"])]


def _wanted_states(group, asked):
    """
    The state wanted in each of a view's frames: what the brief asks, else the style's majority, else the view's.

    The view's holds for a style only where some of its other pictures follow it, and for a lone product of a style where
    most styles of many do: one style's strap cannot be laid as another's.
    """
    if asked:
        return [asked] * len(group)
    of_view, states = usual_state(group["strap_state"]), group["strap_state"].to_numpy()
    styles = style_families(group).to_numpy()
    of_style, alike = {}, {}  # how many pictures of a style there are, and how many show the view's state
    for style, own in pd.Series(states, index=group.index).groupby(styles, sort=False):
        of_style[style], alike[style] = usual_state(own), (len(own), int((own == of_view).sum()))
    of_styles = usual_of_styles(states, styles)
    wanted = []
    for state, style in zip(states, styles, strict=True):
        count, follow = alike[style][0] - 1, alike[style][1] - (state == of_view)
        follows = 2 * follow >= count if count else of_styles == of_view
        wanted.append(of_style[style] or (of_view if follows else None))
    return wanted
