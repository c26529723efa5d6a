"""The way every measured quantity is judged: grouped, compared, explained by changes, and put into rows."""

import math
from typing import NamedTuple

import numpy as np
import pandas as pd

from catalogue_audit.findings import brief_terms
from catalogue_audit.findings.causes import explained_by_change
from catalogue_audit.findings.evidence import groups
from catalogue_audit.findings.outliers import UNCERTAINTIES, judge_values
from catalogue_audit.findings.rows import counted, finding, listed, number, sentence, view_words


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
    style: str | None
    files: tuple
    total: int
    low: float
    high: float
    tolerance: float


def judge_column(evidence, check, column, frames, sd=None, centre=None, one_sided=False):
    """
    Judge one column of the frames, group by group.

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

    Returns
    -------
    cases : list of Case
    set_cases : list of SetCase
    """
    frames = frames[frames[column].notna()]
    causes = explained_by_change(evidence, check).reindex(frames.index)
    cases, set_cases = [], []
    for view, style, group in groups(frames):
        tolerance = tolerances(evidence, check, group)
        spread = group[sd].fillna(0.0) if sd else pd.Series(0.0, index=group.index)
        own = causes[group.index].isna().to_numpy()
        values = group[column].to_numpy(dtype=float)
        reference = brief_terms.reference(evidence.brief, column, view)
        judged = judge_values(values[own], tolerance[own], spread.to_numpy()[own], reference, centre)
        base = judged.centre if math.isfinite(judged.centre) else centre
        base = float(np.median(values)) if base is None else base
        expected = np.full(len(group), base)
        expected[own] = np.where(np.isfinite(judged.deviation), values[own] - judged.deviation, base)
        outside = np.zeros(len(group), dtype=bool)
        outside[own] = judged.outlying
        limit = np.maximum(tolerance, UNCERTAINTIES * spread.to_numpy())
        outside[~own] = np.abs(values[~own] - base) > limit[~own]
        if one_sided:
            outside &= values > expected
        rows = group.to_dict("records")
        for i in np.flatnonzero(outside):
            cause = None if own[i] else causes[group.index[i]]
            cases.append(Case(rows[i], values[i], expected[i], float(tolerance[i]), cause))
        set_cases.extend(_set_cases(judged, view, style, group, own, values, tolerance))
    return cases, set_cases


def tolerances(evidence, check, frames):
    """Tolerance of a check for each frame, as an array; the second figure where the style is soft."""
    rigid = brief_terms.tolerance(evidence.brief, check)
    soft = brief_terms.tolerance(evidence.brief, check, soft=True)
    return np.where(evidence.soft[frames.index], soft, rigid).astype(float)


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
    where = f"the {view_words(case.view)}s" if not case.view.endswith("s") else view_words(case.view)
    where = where + (f" of style {case.style}" if case.style else "")
    if case.kind == "modes":
        note = (
            f"{quantity} in {where} was done in two ways, {_figure(case.low)}{unit} and "
            f"{_figure(case.high)}{unit} ({len(case.files)} of {case.total} the one way, among them "
            f"{listed(case.files, 2)}): choose one, then {correct}"
        )
        return finding(
            check,
            sentence(note),
            view=case.view,
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
        check, sentence(note), view=case.view, severity="minor", remedy="check", tolerance=case.tolerance
    )


def _set_cases(judged, view, style, group, own, values, tolerance):
    files = group["file"].to_numpy()[own]
    values, tolerance = values[own], tolerance[own]
    if judged.modes is not None:
        fewer_high = judged.modes.high_count <= judged.modes.low_count
        minority = values > judged.modes.border if fewer_high else values <= judged.modes.border
        yield SetCase(
            "modes",
            view,
            style,
            tuple(files[minority]),
            len(files),
            judged.modes.low,
            judged.modes.high,
            float(np.median(tolerance)),
        )
    elif judged.restless:
        beyond = np.abs(judged.deviation) > tolerance
        yield SetCase(
            "restless", view, style, tuple(files[beyond]), len(files), math.nan, math.nan, float(np.median(tolerance))
        )


def _figure(value):
    """A number with as many digits as a reader needs."""
    value = number(value) or 0.0
    return f"{value:.2f}" if abs(value) < 1 else f"{value:.1f}"
