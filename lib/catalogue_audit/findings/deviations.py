"""The way every measured quantity is judged: grouped, compared, explained by changes, and put into rows."""

import math
from typing import NamedTuple

import numpy as np

from catalogue_audit.findings import brief_terms
from catalogue_audit.findings.causes import explained_by_change
from catalogue_audit.findings.outliers import judge_values, least_finding
from catalogue_audit.findings.rows import counted, finding, listed, number, sentence, view_words
from catalogue_audit.statistics.robust import MEDIAN_EFFICIENCY, mad_scale

FEWEST_POOLED = 4  # frames that one change moved, from which they tell of each other


class Case(NamedTuple):
    """One picture outside the tolerance: its row, value, reference, tolerance, and the change that explains it."""

    frame: dict
    value: float
    expected: float
    tolerance: float
    cause: str | None


class SetCase(NamedTuple):
    """
    One group without one steady value.

    ``kind`` is 'modes' (two ways of working, `low` and `high`) or 'restless'
    (`count` pictures outside the tolerance, none standing apart).
    """

    kind: str
    view: str
    files: tuple
    total: int
    low: float
    high: float
    tolerance: float


def judge_column(evidence, check, column, frames, sd=None, centre=None, one_sided=False, together=False, pooled=False, margin=0.0):
    """
    Judge one column of the frames, view by view.

    Parameters
    ----------
    evidence : Evidence
    check : str
        Gives the tolerance, by the frame's style.
    column : str
        A number; missing values are never a finding.
    frames : DataFrame
        The frames to which the check applies.
    sd : str, optional
        Column of standard uncertainties.
    centre : float, optional
        0 for columns that are deviations from the set's reference already.
    one_sided : bool
        Only values above the reference are wrong.
    together : bool
        Compare all views and styles with one another (light), not each with its own.
    pooled : bool
        A change moves all frames alike (the camera, a mark on the table), so that those which it explains tell of each other,
        and the others, not the middle of both, are what they are compared with.
    margin : float
        As `outliers.judge_values` takes it.

    Returns
    -------
    cases : list of Case
    set_cases : list of SetCase
    """
    frames = frames[list(dict.fromkeys(["file", "view", "style", column, *([sd] if sd else [])]))]  # rows of few columns are taken in a fraction of the time
    frames = frames[frames[column].notna()]
    if frames.empty:
        return [], []
    causes = explained_by_change(evidence, check).reindex(frames.index)
    cases, set_cases = [], []
    for view, group in [("all", frames)] if together else frames.groupby("view", sort=True):
        tolerance = tolerances(evidence, check, group)
        spread = group[sd].fillna(0.0).to_numpy() if sd else np.zeros(len(group))
        values = group[column].to_numpy(dtype=float)
        own = causes[group.index].isna().to_numpy()
        middle = centre
        if pooled and own.any() and not own.all():
            middle = None if centre is None else float(np.median(values[own]))
            values, spread = _told_by_their_stretch(values, spread, causes[group.index])
        styles = None if together else group["style"].to_numpy(dtype=object)[own]
        reference = brief_terms.reference(evidence.brief, column, view)
        judged = judge_values(values[own], tolerance[own], spread[own], styles, middle, reference, margin)
        base = _base(judged.centre, values, middle)
        expected = np.full(len(group), base)
        expected[own] = np.where(np.isfinite(judged.centre), judged.centre, base)
        outside = np.zeros(len(group), dtype=bool)
        outside[own] = judged.outlying
        limit = least_finding(tolerance, spread, margin)
        outside[~own] = np.abs(values[~own] - base) > limit[~own]
        if one_sided:
            outside &= values > expected
        if outside.any():
            rows = evidence.records(group)
            for i in np.flatnonzero(outside):
                cause = None if own[i] else causes[group.index[i]]
                cases.append(Case(rows[i], values[i], expected[i], float(tolerance[i]), cause))
        set_cases.extend(_set_cases(judged, view, group["file"].to_numpy()[own], values[own], tolerance[own]))
    return cases, set_cases


def _told_by_their_stretch(values, spread, causes):
    """
    Values and uncertainties of frames that one change moved alike: each by itself and by the middle of all.

    What frames scatter about their stretch's middle beyond their own uncertainties is theirs.
    """
    values, spread = values.copy(), spread.copy()
    left = values - np.median(values[causes.isna().to_numpy()])
    stretches = [np.flatnonzero((causes == cause).to_numpy(dtype=bool)) for cause in sorted(set(causes.dropna()))]
    for here in stretches:
        left[here] = values[here] - np.median(values[here])
    own_scatter = math.sqrt(max(mad_scale(left) ** 2 - float(np.median(spread)) ** 2, 0.0))
    for here in stretches:
        if here.size >= FEWEST_POOLED:
            level, told = np.median(values[here]), np.maximum(spread[here], 1e-9)
            apart = math.hypot(max(own_scatter, 1e-9), MEDIAN_EFFICIENCY * math.hypot(own_scatter, float(np.median(told))) / math.sqrt(here.size))
            weight = apart**2 / (told**2 + apart**2)
            values[here], spread[here] = level + weight * (values[here] - level), np.sqrt(weight) * told
    return values, spread


def _base(centres, values, centre):
    """What frames explained by a change are compared with: the centre of the others."""
    if centre is not None:
        return centre
    known = centres[np.isfinite(centres)]
    return float(np.median(known if known.size else values))


def tolerances(evidence, check, frames):
    """Tolerance of a check for each frame, as an array; the second figure where the style is soft."""
    rigid = brief_terms.tolerance(evidence.brief, check)
    soft = brief_terms.tolerance(evidence.brief, check, soft=True)
    return np.where(evidence.soft[frames.index], soft, rigid).astype(float)


def case_row(check, note, case, **given):
    """
    Finding about one frame.

    Parameters
    ----------
    check : str
    note : str
        One sentence, without its capital and full stop.
    case : Case
    **given
        Other columns of the findings table.

    Returns
    -------
    dict
    """
    return finding(
        check,
        sentence(note),
        case.frame,
        value=case.value,
        expected=case.expected,
        tolerance=case.tolerance,
        cause=case.cause,
        **given,
    )


def set_row(check, case, quantity, unit, correct):
    """
    Finding about a group as a whole.

    Parameters
    ----------
    check : str
    case : SetCase
    quantity : str
        What varies, with its article: 'the turn'.
    unit : str
        As a sentence says it, with a leading space where needed: '°', ' EV'.
    correct : str
        What to do, as an imperative.
    """
    where = "the whole delivery" if case.view == "all" else f"the {view_words(case.view)} pictures"
    if case.kind == "modes":
        note = (
            f"{quantity} in {where} was done in two ways, {_figure(case.low)}{unit} and "
            f"{_figure(case.high)}{unit} ({len(case.files)} of {case.total} the one way, among them "
            f"{listed(case.files, 2)}): choose one, then {correct}"
        )
        return finding(
            check,
            sentence(note),
            view=None if case.view == "all" else case.view,
            value=case.high,
            expected=case.low,
            tolerance=case.tolerance,
        )
    note = (
        f"{quantity} in {where} has no steady value: {counted(len(case.files), 'picture')} of {case.total} "
        f"lie more than {_figure(case.tolerance)}{unit} from the middle, none of them apart from the rest "
        f"(for example {listed(case.files, 2)}): look at them side by side"
    )
    return finding(
        check,
        sentence(note),
        view=None if case.view == "all" else case.view,
        severity="minor",
        remedy="check",
        tolerance=case.tolerance,
    )


def _set_cases(judged, view, files, values, tolerance):
    if judged.modes is not None:
        low, high = judged.modes.low, judged.modes.high
        is_high = values > judged.modes.border
        minority = is_high if judged.modes.high_count <= judged.modes.low_count else ~is_high
        usual = float(np.median(tolerance))
        yield SetCase("modes", view, tuple(files[minority]), len(files), low, high, usual)
    elif judged.restless.any():
        usual = float(np.median(tolerance))
        yield SetCase("restless", view, tuple(files[judged.restless]), len(files), math.nan, math.nan, usual)


def _figure(value):
    """A number with as many digits as a reader needs."""
    value = number(value) or 0.0
    return f"{value:.2f}" if abs(value) < 1 else f"{value:.1f}"
