"""
A season's habits: what drifts from delivery to delivery and what hangs on a camera, a lens or a day of the week.

One line is fitted through the set-ups of all deliveries (Huber's M-estimator on the
medians of the set-ups), with the trend, the cameras, the lenses and the days of the
week in it at once: a lens that came in late is not mistaken for a drift, nor a drift
for the lens. Standard errors come from a bootstrap that keeps each delivery whole.
A habit is reported where it would be seen (a quarter of the tolerance) and cannot be
chance (Holm's rule over everything tested in the season).

References
----------
.. [1] P. J. Huber, "Robust Estimation of a Location Parameter", Ann. Math. Statist. 35
   (1964) 73-101.
.. [2] A. C. Cameron, J. B. Gelbach and D. L. Miller, "Bootstrap-Based Improvements for
   Inference with Clustered Errors", Rev. Econ. Statist. 90 (2008) 414-427.
.. [3] M. D. Webb, "Reworking Wild Bootstrap-Based Inference for Clustered Errors",
   Canad. J. Econ. 56 (2023) 839-858 (six-point weights).
"""

import math
from typing import NamedTuple

import numpy as np
import pandas as pd
from scipy import stats

from catalogue_audit.statistics.intervals import holm
from catalogue_audit.statistics.robust import MAD_TO_SIGMA, mad_scale, qn_scale
from catalogue_audit.statistics.seasons.season_values import HABITS

FEWEST_DELIVERIES = 4  # with a value, for anything to be said about a season
FEWEST_OF_LEVEL = 3  # deliveries with a camera, lens or day for it to be compared
VISIBLE = 0.5  # of the tolerance: a smaller offset alone spoils no picture; it is told, not reported
SPREAD_VISIBLE, SPREAD_LEAST = 0.5, 0.25  # of the tolerance: standard deviation between set-ups or deliveries, its lower limit
CERTAIN = 0.05  # chance of one false report in a whole season
FEW_PICTURES = 3  # a set-up of so many pictures has half the weight of a large one
HUBER = 1.345  # sigmas; 95 % efficiency for normal values
STEPS = 50  # reweighting steps at most
STEPS_REPEATED = 8  # in the bootstrap, whose scatter is far above what more steps would change
REPEATS = 400  # bootstrap
SPREAD_REPEATS = 100
SEED = 20260302
INSEPARABLE = 0.04  # share of a column not explained by the others below which it cannot be told apart
WEBB = np.array([-math.sqrt(1.5), -1.0, -math.sqrt(0.5), math.sqrt(0.5), 1.0, math.sqrt(1.5)])
FACTORS = ("camera", "lens", "weekday")
HABIT_COLUMNS = (
    "quantity", "kind", "level", "against", "offset", "low", "high", "unit", "tolerance", "p", "share",
    "deliveries", "pictures", "reported", "note",
)  # fmt: skip


class Fit(NamedTuple):
    """
    A fitted season of one quantity.

    Attributes
    ----------
    cells : DataFrame
        A row a set-up: ``order`` (of its delivery), ``value``, ``pictures``, ``camera``, ``lens``, ``weekday``, ``fitted``, ``residual``.
    columns : list of (str, str)
        (kind, level) of each column of the design but the first.
    coefficients : (p,) ndarray
    repeats : (p, REPEATS) ndarray
        Coefficients of the bootstrap.
    design : (m, p) ndarray
    merged : dict of (str, str) to (str, str)
        What could not be told apart from what.
    freedom : int
        Degrees of freedom: deliveries minus coefficients.
    """

    cells: pd.DataFrame
    columns: list
    coefficients: np.ndarray
    repeats: np.ndarray
    design: np.ndarray
    merged: dict
    freedom: int


def season_habits(values, order):
    """
    Habits found in a season.

    Parameters
    ----------
    values : DataFrame
        As `season_values.season_values` gives.
    order : dict of int to int
        Audit number to place of its delivery in the season, 0, 1, 2, ...

    Returns
    -------
    DataFrame
        A row a quantity and kind, columns `HABIT_COLUMNS`. ``kind`` is 'trend' (a
        delivery), 'camera', 'lens', 'weekday', 'level' (tilt against upright), and the
        spreads 'between_deliveries', 'between_setups', 'between_pictures' (standard
        deviations). ``low`` and ``high`` limit the offset at 95 %; ``p`` is Holm's.
    """
    rows = []
    for quantity in HABITS:
        cells = _cells(values, quantity, order)
        if cells["order"].nunique() < FEWEST_DELIVERIES:
            continue
        fit = fit_season(cells)
        rows += _effects(quantity, fit)
        rows += _spreads(quantity, fit, values, order)
    table = pd.DataFrame(rows, columns=[*HABIT_COLUMNS, "size"])
    table["p"] = holm(table["p"])
    tested = table["p"].notna()
    visible = table["size"] > np.where(tested, VISIBLE, SPREAD_VISIBLE) * table["tolerance"]
    certain = np.where(tested, table["p"] < CERTAIN, table["low"] > SPREAD_LEAST * table["tolerance"])
    table["reported"] = visible & certain & (table["kind"] != "between_pictures")
    return table.drop(columns="size")


def _cells(values, quantity, order):
    """Median of each set-up: one delivery, capture run, day, camera and lens."""
    known = values[np.isfinite(values[quantity])]
    keys = ["audit", "run", "day", "camera", "lens", "weekday"]
    cells = known.groupby(keys, sort=True, dropna=False)[quantity].agg(value="median", pictures="size").reset_index()
    return cells.assign(order=cells["audit"].map(order)).sort_values(["order", *keys], kind="stable").reset_index(drop=True)


def fit_season(cells):
    """
    The robust line through all set-ups, and its bootstrap.

    Parameters
    ----------
    cells : DataFrame
        A row a set-up, with ``order``, ``value``, ``pictures`` and the columns of `FACTORS`.

    Returns
    -------
    Fit
    """
    design, columns, merged = _design(cells)
    y = cells["value"].to_numpy(dtype=float)
    weights = (cells["pictures"] / (cells["pictures"] + FEW_PICTURES)).to_numpy(dtype=float)
    coefficients, robust = _huber(design, y[:, None], weights)
    fitted = design @ coefficients[:, 0]
    residual = y - fitted
    repeats = _bootstrap(design, fitted, residual, weights, robust[:, 0], cells["order"].to_numpy())
    deliveries = cells["order"].nunique()
    cells = cells.assign(fitted=fitted, residual=residual)
    return Fit(cells, columns, coefficients[:, 0], repeats, design, merged, max(1, deliveries - design.shape[1]))


def _design(cells):
    """Design matrix with the trend first, then every level that enough deliveries have and that can be told apart."""
    order = cells["order"].to_numpy(dtype=float)
    kept = [np.ones(len(cells)), order - order.mean()]
    columns, merged = [("trend", "")], {}
    for factor in FACTORS:
        counts = cells.groupby(factor)["order"].nunique().sort_values(ascending=False, kind="stable")
        for level in list(counts.index[1:]):  # the level of most deliveries is what the others are compared with
            column = (cells[factor] == level).to_numpy(dtype=float)
            rest = _unexplained(column, np.stack(kept, axis=1))
            if rest < INSEPARABLE:
                merged[factor, level] = _like(column, kept, columns)
            elif len(kept) < cells["order"].nunique() - 1:
                kept.append(column)
                columns.append((factor, level))
    return np.stack(kept, axis=1), columns, merged


def _unexplained(column, others):
    """Share of a column's variance that the others leave unexplained."""
    total = float(((column - column.mean()) ** 2).sum())
    if not total:
        return 0.0
    solution, *_ = np.linalg.lstsq(others, column, rcond=None)
    return float(((column - others @ solution) ** 2).sum()) / total


def _like(column, kept, columns):
    """Of the columns in the design the one most like this one."""
    likeness = [abs(float(np.corrcoef(column, other)[0, 1])) if np.ptp(other) else 0.0 for other in kept[1:]]
    return columns[int(np.argmax(likeness))]


def _huber(design, values, weights, steps=STEPS):
    """Coefficients (p, r) and robust weights (m, r) of the Huber fit of each column of `values` (m, r)."""
    rows, width = design.shape
    products = (design[:, :, None] * design[:, None, :]).reshape(rows, -1)
    factors = np.ones_like(values)
    coefficients = np.zeros((width, values.shape[1]))
    for _ in range(steps):
        total = weights[:, None] * factors
        normal = (total.T @ products).reshape(-1, width, width)
        normal += 1e-10 * np.trace(normal, axis1=1, axis2=2)[:, None, None] * np.eye(width)
        right = (total * values).T @ design
        before, coefficients = coefficients, np.linalg.solve(normal, right[:, :, None])[:, :, 0].T
        residual = values - design @ coefficients
        scale = np.maximum(MAD_TO_SIGMA * np.median(np.abs(residual), axis=0), 1e-9)
        factors = np.minimum(1.0, HUBER * scale / np.maximum(np.abs(residual), 1e-12))
        if np.abs(coefficients - before).max() < 1e-7:
            break
    return coefficients, factors


def _bootstrap(design, fitted, residual, weights, robust, clusters):
    """Coefficients (p, REPEATS) of fits to the fitted line plus residuals whose sign and size change by whole deliveries."""
    total = weights * robust
    inverse = np.linalg.pinv(design.T @ (total[:, None] * design))
    leverage = np.clip(np.einsum("mp,pq,mq->m", design, inverse, design) * total, 0.0, 0.9)
    generator = np.random.default_rng(SEED)
    names, members = np.unique(clusters, return_inverse=True)
    draws = generator.choice(WEBB, size=(names.size, REPEATS))[members]
    return _huber(design, fitted[:, None] + draws * (residual / (1 - leverage))[:, None], weights, STEPS_REPEATED)[0]


def _effects(quantity, fit):
    """Rows of the trend, of every camera, lens and day, and of the level."""
    habit, rows = HABITS[quantity], []
    deliveries = fit.cells["order"].nunique()
    span = float(np.ptp(fit.cells["order"]))
    slope, slopes = fit.coefficients[1], fit.repeats[1]
    rows.append(_row(quantity, fit, "trend", "", "a delivery", slope, slopes, abs(slope) * span, deliveries, fit.design[:, [1]] @ [slope]))
    for factor in FACTORS:
        rows += _factor_rows(quantity, fit, factor)
    if habit.check == "roll":
        rows.append(_row(quantity, fit, "level", "", "upright", fit.coefficients[0], fit.repeats[0], abs(fit.coefficients[0]), deliveries, np.zeros(len(fit.cells))))
    return rows


def _factor_rows(quantity, fit, factor):
    """Offset of each level: two levels from each other, more from the median of all."""
    cells = fit.cells
    counts = cells.groupby(factor)["order"].nunique().sort_values(ascending=False, kind="stable")
    positions = {level: number + 1 for number, (kind, level) in enumerate(fit.columns) if kind == factor}
    base = counts.index[0]
    levels = [base, *(level for level in counts.index[1:] if level in positions)]
    levels = [level for level in levels if level == base or counts[level] >= FEWEST_OF_LEVEL]
    if len(levels) < 2:
        return []
    single = np.array([0.0 if level == base else fit.coefficients[positions[level]] for level in levels])
    many = np.stack([np.zeros(fit.repeats.shape[1]) if level == base else fit.repeats[positions[level]] for level in levels])
    if len(levels) > 2:
        single, many, against = single - np.median(single), many - np.median(many, axis=0), "the others"
    else:
        against = str(base) or "unknown"
    rows = []
    for level, offset, offsets in zip(levels, single, many, strict=True):
        if (len(levels) == 2 and level == base) or level == "":
            continue
        part = np.where(cells[factor] == level, offset, 0.0)
        rows.append(_row(quantity, fit, factor, level, against, offset, offsets, abs(offset), counts[level], part))
    return rows


def _row(quantity, fit, kind, level, against, offset, offsets, size, deliveries, part):
    """One row of an offset with its interval."""
    habit = HABITS[quantity]
    error = float(np.std(offsets, ddof=1))
    t = abs(offset) / error if error > 0 else 0.0
    half = float(stats.t.ppf(0.975, fit.freedom)) * error
    total = float(np.var(fit.cells["value"]))
    mine = fit.cells[kind] == level if kind in FACTORS else np.ones(len(fit.cells), bool)
    alike = [f"{other} {name or 'unknown'}" for (other, name), like in fit.merged.items() if like == (kind, level)]
    return {
        "quantity": quantity, "kind": kind, "level": level, "against": against, "offset": offset,
        "low": offset - half, "high": offset + half, "unit": habit.unit, "tolerance": habit.tolerance,
        "p": float(2 * stats.t.sf(t, fit.freedom)), "share": min(1.0, float(np.var(part)) / total) if total else 0.0,
        "deliveries": int(deliveries), "pictures": int(fit.cells.loc[mine, "pictures"].sum()), "reported": False,
        "note": f"cannot be told apart from {', '.join(alike)}, which it always came with" if alike else "", "size": size,
    }  # fmt: skip


def _spreads(quantity, fit, values, order):
    """Rows of the standard deviations between deliveries, set-ups and pictures, once trend, cameras, lenses and days are taken out."""
    keys = ["audit", "run", "day", "camera", "lens", "weekday"]
    known = values.loc[np.isfinite(values[quantity]), [*keys, quantity]]
    joined = known.merge(fit.cells[[*keys, "value", "order", "pictures"]], on=keys)
    inside = (joined[quantity] - joined["value"]) * np.sqrt(joined["pictures"] / np.maximum(joined["pictures"] - 1, 1))
    within = float(_scale(inside[joined["pictures"] > 1].to_numpy()))
    generator = np.random.default_rng(SEED)
    deliveries = sorted(fit.cells["order"].unique())
    groups = [fit.cells.loc[fit.cells["order"] == delivery, ["residual", "pictures"]].to_numpy(dtype=float) for delivery in deliveries]
    parts = _parts(groups, within)
    point = _components(parts)
    draws = np.array([_components([parts[number] for number in generator.integers(0, len(parts), len(parts))]) for _ in range(SPREAD_REPEATS)])
    total = sum(value**2 for value in (*point, within) if np.isfinite(value)) + float(np.var(fit.cells["fitted"]))
    rows = []
    for kind, value, many in (
        ("between_deliveries", point[0], draws[:, 0]), ("between_setups", point[1], draws[:, 1]), ("between_pictures", within, None),
    ):  # fmt: skip
        if not np.isfinite(value):
            continue
        low, high = (math.nan, math.nan) if many is None else np.nanquantile(many, (0.025, 0.975))
        habit = HABITS[quantity]
        rows.append({
            "quantity": quantity, "kind": kind, "level": "", "against": "standard deviation", "offset": value, "low": float(low), "high": float(high),
            "unit": habit.unit, "tolerance": habit.tolerance, "p": math.nan, "share": value**2 / total if total else 0.0,
            "deliveries": len(deliveries), "pictures": int(fit.cells["pictures"].sum()), "reported": False, "note": "", "size": value,
        })  # fmt: skip
    return rows


def _parts(groups, within):
    """(mean, inner deviations, sampling variance of one set-up's median) of each delivery."""
    parts = []
    for group in groups:
        residual, pictures = group[:, 0], group[:, 1]
        several = len(group) > 1
        inside = (residual - residual.mean()) * math.sqrt(len(group) / (len(group) - 1)) if several else residual[:0]
        parts.append((residual.mean(), inside, math.pi / 2 * within**2 / pictures.mean(), len(group)))
    return parts


def _components(parts):
    """Standard deviations (between deliveries, between set-ups of a delivery), what the smaller parts explain taken off; NaN where unknown."""
    means, insides, sampling, numbers = zip(*parts, strict=True)
    sampling, setups = np.array(sampling), math.nan
    if sum(number > 1 for number in numbers) >= 3:
        setups = math.sqrt(max(0.0, _scale(np.concatenate(insides)) ** 2 - float(np.median(sampling))))
    explained = float(np.median((sampling + np.nan_to_num(setups) ** 2) / np.array(numbers)))
    return math.sqrt(max(0.0, _scale(np.array(means)) ** 2 - explained)), setups


def _scale(sample):
    """Robust standard deviation about zero or the median, whichever the sample allows; 0 for fewer than two values."""
    if sample.size < 2:
        return 0.0
    return mad_scale(sample) or qn_scale(sample)
