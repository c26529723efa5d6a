"""
Turn, roll and camera pitch of three-quarter views, told together and against the set.

Four things of a picture depend on them: the slopes of the front's lower edge (of a round base: its tilt),
of the side's lower edge and of the body's upper edge, and the lean of its sides. An edge on the ground, or
level above it, meets the horizon where its direction does (Hartley and Zisserman, Multiple View
Geometry, 2nd ed., ch. 8): the lower a level edge lies, the more a turn slopes it, and the upper
edge, near the horizon, hardly knows of the turn. A roll tilts all four alike; a camera that looks
down more steeply slopes the two lower edges oppositely. So each explanation leaves its own trace.

What shape and perspective add is alike in pictures of one style, and nearly so in those of one
view: each trace is compared with the middle one of the set. Natural scatter is small and faults
are rare, and any edge may have been misread: all combinations of these are weighed (a mixture of
normal distributions, each solved by linear least squares).
"""

import itertools
import math
from typing import NamedTuple

import numpy as np
import pandas as pd

from catalogue_audit.measures.applicability import shows_a_turn
from catalogue_audit.measures.geometry.turn import USUAL_PITCH_DEG
from catalogue_audit.measures.records import DEFAULT_FOCAL_35MM
from catalogue_audit.statistics.robust import MEDIAN_EFFICIENCY, mad_scale

TRACES = ("front", "side", "top", "sides")
TURN, PITCH, ROLL = range(3)
USUAL_TURN_DEG = 32.0  # of a three-quarter view, where the set does not say: common practice, no source
# What careful hands do from picture to picture, how often something is wrong, and by how much then: turn, pitch, roll.
# Common practice, no source.
STEADY_SD_DEG = np.array([1.2, 0.35, 0.25])
FAULTY = np.array([0.25, 0.08, 0.2])
FAULT_SD_DEG = np.array([7.0, 3.5, 2.5])
CALM = 0.05  # weight of nothing being wrong: a measured value is not drawn to what is usual
# Standard uncertainty of the traces beside their own, within a style and between styles; share of misread ones, and by how
# much. Measured on rendered bags of seven styles.
WITHIN_SD_DEG = np.array([0.1, 0.35, 0.2, 0.3])
BETWEEN_SD_DEG = np.array([0.17, 0.5, 0.33, 1.3])
ROUND_SHARE = 0.5  # of the slope of a straight front edge, which an oval base shows in its middle
ROUND_WITHIN_SD_DEG, ROUND_BETWEEN_SD_DEG = 0.45, 1.5  # the same of the tilt of a round base
MISREAD = np.array([0.06, 0.08, 0.10, 0.10])
MISREAD_SD_DEG = np.array([2.5, 8.0, 5.0, 5.0])
UNSURE_SIDE_DEG = 1.5  # standard uncertainty of the side's edge from which rounding has made it
SIDES_SHARE = 0.25  # of the sides' own uncertainty that is not alike in all pieces of a style
UNSURE_SIDES_DEG = 3.5  # the same of sides that are not straight
FEWEST = 3  # pictures from which there is a middle one
MOST_BIAS = 3.0  # standard deviations of what styles add; what is further off is a misread trace
MOST_MOVED_DEG = 15.0  # from the middle, that the slopes are followed
ROUNDS = 2  # of learning what styles add
NATURAL_FRONT_SD_DEG = 0.6  # scatter of the front's slope that all of the above make
BLOCK = 500  # pictures that are solved together
COMBINATIONS = np.array(list(itertools.product((False, True), repeat=3 + len(TRACES))))


class Traces(NamedTuple):
    """
    What n pictures show: slopes and leans, degrees, mirrored so that every product turns its front to the right.

    Attributes
    ----------
    seen, sds : (n, 4) float
        As named by `TRACES`; NaN where a picture does not show it. + clockwise.
    places : (n, 4, 2) float
        Where, from the picture's centre, in focal lengths.
    sign : (n,) float
        -1 for mirrored pictures.
    rounded : (n,) bool
        Whether the base is round and 'front' its tilt.
    """

    seen: np.ndarray
    sds: np.ndarray
    places: np.ndarray
    sign: np.ndarray
    rounded: np.ndarray

    def scatter(self, straight, rounded):
        """What shapes scatter beside: (n, 4), of straight and of round bases."""
        return np.column_stack([np.where(self.rounded, rounded, straight[0]), np.broadcast_to(straight[1:], (len(self.sign), len(TRACES) - 1))])

    @property
    def within(self):
        return self.scatter(WITHIN_SD_DEG, ROUND_WITHIN_SD_DEG)

    @property
    def between(self):
        return self.scatter(BETWEEN_SD_DEG, ROUND_BETWEEN_SD_DEG)


def stances(frames, sketches):
    """
    Turn, pitch and roll of three-quarter views against their view.

    Parameters
    ----------
    frames : DataFrame
        With ``file``, ``view``, ``view_kind``, ``style``, size, focal length, ``yaw_deg`` and ``camera_pitch_deg``.
    sketches : mapping of str to dict
        Uses ``front_edge``, ``round_base``, ``corner``, ``upper_edge`` and ``axis``.

    Returns
    -------
    DataFrame
        Index as `frames`: ``turn``, ``turn_sd``, ``pitch``, ``pitch_sd``, ``roll``, ``roll_sd``, degrees from the
        view's own middle; NaN where nothing tells.
    """
    names = ("turn", "pitch", "roll")
    result = pd.DataFrame(math.nan, index=frames.index, columns=[name + end for name in names for end in ("", "_sd")])
    upright = (frames["view_kind"].fillna("") == "upright").to_numpy()
    views = frames["view"].fillna("").to_numpy()
    for view in sorted({view for view in views if shows_a_turn(view)}):
        rows = np.flatnonzero((views == view) & upright)
        styles = frames["style"].fillna("").to_numpy()[rows]
        traces = _without_odd_bases(gathered(frames.iloc[rows], sketches), styles)
        told = np.isfinite(traces.seen[:, 0])
        if told.sum() < FEWEST:
            continue
        means, sds = weighed(traces, *usual_view(frames.iloc[rows], traces), styles)
        for k, name in enumerate(names):
            shown = told & ~traces.rounded if k < ROLL else told  # a round base looks alike from all sides
            result.iloc[rows[shown], [2 * k, 2 * k + 1]] = np.stack([means[shown, k], sds[shown, k]], axis=1)
    return result


def gathered(frames, sketches):
    """The `Traces` of some pictures."""
    count = len(frames)
    seen, sds = np.full((2, count, len(TRACES)), math.nan)
    places, sign = np.zeros((count, len(TRACES), 2)), np.ones(count)
    size = [pd.to_numeric(frames[name], errors="coerce").to_numpy(dtype=float) for name in ("focal_length_35mm", "width_px", "height_px")]
    focal, width, height = size[0], *size[1:]
    diagonal = math.hypot(36, 24) / np.where(np.isfinite(focal), focal, DEFAULT_FOCAL_35MM)
    rounded = np.zeros(count, bool)
    whole = _diagonals(width, height)
    here = [sketches.get(file) or {} for file in frames["file"]]
    usual = 1.0 if sum(float(sketch["front_edge"][4]) for sketch in here if "front_edge" in sketch) >= 0 else -1.0
    for k, sketch in enumerate(here):
        front, corner, top, axis = (sketch.get(name) for name in ("front_edge", "corner", "upper_edge", "axis"))
        if front is None:
            front = sketch.get("round_base")
            rounded[k] = front is not None
        if front is None:
            continue
        sign[k] = usual if rounded[k] else front[4]
        found = {0: (*front[:2], math.degrees(math.atan(front[2])), math.degrees(front[3]))}
        if corner is not None:
            side = 0 if front[4] > 0 else 1
            found[1] = (*corner[2:4], math.degrees(math.atan(corner[6 + side])), math.degrees(corner[8 + side]))
        if top is not None:
            found[2] = (*top[:2], math.degrees(math.atan(top[2])), math.degrees(top[3]))
        if axis is not None:
            found[3] = 0.5, 0.5, float(axis[0]), SIDES_SHARE * float(axis[1])
        unit = diagonal[k] / whole[k]
        for at, (x, y, slope, sd) in found.items():
            if not (rounded[k] and at in (1, 2)) and sd < {1: UNSURE_SIDE_DEG, 3: SIDES_SHARE * UNSURE_SIDES_DEG}.get(at, math.inf):
                seen[k, at], sds[k, at] = slope * sign[k], sd
                places[k, at] = (x - 0.5) * width[k] * unit * sign[k], (y - 0.5) * height[k] * unit
    return Traces(seen, sds, places, sign, rounded)


def _diagonals(width, height):
    """
    Diagonals of the frames that pictures were cut from, pixels: of the others' shape, upright or lying.

    A picture cropped to another shape, to a square for example, keeps the scale of the whole frame.
    """
    aspects = height / width
    known = np.isfinite(aspects)
    usual = float(np.median(aspects[known])) if known.any() else 1.0
    usual = np.where(np.abs(np.log(aspects * usual)) < np.abs(np.log(aspects / usual)), 1 / usual, usual)
    return np.hypot(np.maximum(width, height / usual), np.maximum(height, width * usual))


def _without_odd_bases(traces, styles):
    """Traces without round bases in styles that have straight ones: there a straight edge was not found."""
    straight = {style for style, rounded, seen in zip(styles, traces.rounded, traces.seen[:, 0], strict=True) if not rounded and np.isfinite(seen)}
    odd = traces.rounded & np.array([bool(style) and style in straight for style in styles], bool)
    return traces._replace(seen=np.where(odd[:, None], math.nan, traces.seen), rounded=traces.rounded & ~odd)


def usual_view(frames, traces):
    """Turn and pitch about which the set's pictures are compared, degrees: what most of them are estimated at."""
    turn = pd.to_numeric(frames["yaw_deg"], errors="coerce").abs().median()
    pitch = pd.to_numeric(frames["camera_pitch_deg"], errors="coerce").median()
    turn = float(np.clip(turn, 15.0, 60.0)) if turn == turn else USUAL_TURN_DEG
    return turn, float(pitch) if pitch == pitch else USUAL_PITCH_DEG


def expected(places, turn_deg, pitch_deg):
    """
    Slopes of the front's, the side's and the upper edge, and the lean of the sides, of a level camera.

    Parameters
    ----------
    places : (n, 4, 2) float
        As in `Traces`.
    turn_deg, pitch_deg : float or (n,) float

    Returns
    -------
    (n, 4) float
        Degrees, + clockwise.
    """
    turn, pitch = (np.radians(np.broadcast_to(angle, len(places)))[:, None] for angle in (turn_deg, pitch_deg))
    meets = 1.0 / (np.tan(turn + np.radians([0.0, 90.0, 0.0])) * np.cos(pitch))
    x, y = places[:, :3, 0], places[:, :3, 1]
    slopes = np.degrees(np.arctan((-np.tan(pitch) - y) / (meets - x)))
    return np.column_stack([slopes, np.zeros(len(places))])


def _traced(traces, turn_deg, pitch_deg):
    """What `expected` says of the pictures, round bases allowed for, and its rise (n, 4, 3) a degree of turn, pitch and roll."""
    level, turned, lifted = (
        expected(traces.places, turn_deg + step[0], pitch_deg + step[1]) for step in ((0.0, 0.0), (1.0, 0.0), (0.0, 1.0))
    )
    share = np.where(traces.rounded, ROUND_SHARE, 1.0)
    for slopes in (level, turned, lifted):
        slopes[:, 0] *= share
    return level, np.stack([turned - level, lifted - level, np.ones(level.shape)], axis=2)


def weighed(traces, turn_deg, pitch_deg, styles):
    """
    Turn, pitch and roll of each picture from the set's middle.

    Parameters
    ----------
    traces : Traces
    turn_deg, pitch_deg : float
        As `usual_view` gives them.
    styles : (n,) array of str
        '' where unknown.

    Returns
    -------
    means, sds : (n, 3) float
        Degrees; signs as the contract has them.
    """
    level, rise = _traced(traces, turn_deg, pitch_deg)
    apart, unsure = from_the_middle(traces.seen - level, traces.rounded)
    middle = traces.seen - level - apart
    front = apart[~traces.rounded, 0]
    restless = max(1.0, mad_scale(front[np.isfinite(front)]) / NATURAL_FRONT_SD_DEG) if np.isfinite(front).any() else 1.0
    within, between = traces.within, traces.between * unsure
    means, sds = mixture(apart, np.hypot(traces.sds, between), rise, restless)
    for _ in range(ROUNDS):
        moved = np.clip(means[:, :ROLL], -MOST_MOVED_DEG, MOST_MOVED_DEG)
        level, rise = _traced(traces, turn_deg + moved[:, TURN], pitch_deg + moved[:, PITCH])  # slopes are not straight in them
        apart = traces.seen - middle - level + np.einsum("nki,ni->nk", rise[:, :, :ROLL], moved)
        left = apart - np.einsum("nki,ni->nk", rise, means)
        bias, spread = of_their_style(left, np.hypot(traces.sds, np.sqrt(np.einsum("nki,ni->nk", rise**2, sds**2))), within, between, styles)
        means, sds = mixture(apart - bias, np.hypot(traces.sds, spread), rise, restless)
    return means * np.stack([traces.sign, np.ones(len(means)), traces.sign], axis=1), sds


def from_the_middle(residual, rounded):
    """
    Residuals less the middle one of each trace, of round bases apart from others.

    Returns
    -------
    apart : (n, 4) float
        A trace without enough others is compared with what perspective alone makes, but for the sides of round bodies, of which nothing is known then.
    unsure : (n, 4) float
        By how much the scatter about the middle grows because the middle itself is of few.
    """
    apart, unsure = residual.copy(), np.ones(residual.shape)
    for part in (~rounded, rounded):
        for k in range(residual.shape[1]):
            known = part & np.isfinite(residual[:, k])
            if known.sum() >= FEWEST:
                apart[known, k] -= np.median(residual[known, k])
                unsure[known, k] = math.sqrt(1 + MEDIAN_EFFICIENCY**2 / known.sum())
            elif k == TRACES.index("sides") and part is rounded:
                apart[known, k] = math.nan
    return apart, unsure


def of_their_style(left, sds, within, between, styles):
    """
    What its style adds to each trace of a picture, by the other pictures of the style.

    Parameters
    ----------
    left, sds : (n, 4) float
        What the pictures' own stances leave of their traces, and its standard uncertainty; NaN where unknown.
    within, between : (n, 4) float
        What pieces of one style, and styles, scatter.
    styles : (n,) array of str

    Returns
    -------
    bias, spread : (n, 4) float
        Mean by weight of the others and of none, which is what styles have on average; and its standard uncertainty with
        what pieces of one style scatter.
    """
    bias, spread = np.zeros(left.shape), between.copy()
    far = MOST_BIAS * between
    weight = np.where(np.isfinite(left), 1.0 / (sds**2 + within**2), 0.0)
    pull = weight * np.clip(np.nan_to_num(left), -far, far)
    for style in sorted(set(styles) - {""}):
        here = styles == style
        total = weight[here].sum(axis=0) - weight[here] + 1.0 / (between[here] ** 2 - within[here] ** 2)
        bias[here] = (pull[here].sum(axis=0) - pull[here]) / total
        spread[here] = np.hypot(total**-0.5, within[here])
    return bias, spread


def mixture(apart, sds, rise, restless=1.0):
    """
    Means and standard deviations of turn, pitch and roll over all combinations of faults and misread traces.

    Parameters
    ----------
    apart, sds : (n, 4) float
        Traces from the middle and their standard uncertainties, degrees; NaN where unknown.
    rise : (n, 4, 3) float
        Degrees of a trace a degree of turn, pitch and roll.
    restless : float
        How much less steady than usual the set is.

    Returns
    -------
    means, sds : (n, 3) float
    """
    parts = [_mixture(apart[k : k + BLOCK], sds[k : k + BLOCK], rise[k : k + BLOCK], restless) for k in range(0, max(len(apart), 1), BLOCK)]
    return tuple(np.concatenate(column) for column in zip(*parts, strict=True))


def _mixture(apart, sds, rise, restless):
    """`mixture` of as many pictures as fit into memory together."""
    known = np.isfinite(apart)
    faulty, misread = COMBINATIONS[:, :3], COMBINATIONS[:, 3:]
    usual = np.where(faulty, FAULT_SD_DEG, STEADY_SD_DEG * restless)  # (m, 3)
    scatter = np.hypot(np.where(known, sds, 1.0)[:, None], misread * MISREAD_SD_DEG)  # (n, m, 4)
    weight = np.where(known[:, None], scatter**-2.0, 0.0)
    seen = np.where(known, apart, 0.0)
    precision = np.einsum("nki,nmk,nkj->nmij", rise, weight, rise)
    precision[..., range(3), range(3)] += usual**-2.0
    pull = np.einsum("nki,nmk,nk->nmi", rise, weight, seen)
    covariance = np.linalg.inv(precision)
    solved = np.einsum("nmij,nmj->nmi", covariance, pull)
    fit = np.einsum("nmk,nk->nm", weight, seen**2) - np.einsum("nmi,nmi->nm", pull, solved)
    calm = np.where(faulty.any(axis=1), 1.0, CALM)
    odds = calm * np.where(faulty, FAULTY, 1 - FAULTY).prod(axis=1) * np.where(misread, MISREAD, 1 - MISREAD).prod(axis=1)
    size = np.log(odds / usual.prod(axis=1)) - np.where(known[:, None], np.log(scatter), 0.0).sum(axis=2)
    size += 0.5 * np.linalg.slogdet(covariance)[1] - 0.5 * fit
    share = np.exp(size - size.max(axis=1, keepdims=True))
    share /= share.sum(axis=1, keepdims=True)
    means = np.einsum("nm,nmi->ni", share, solved)
    square = np.einsum("nm,nmi->ni", share, solved**2 + covariance[..., range(3), range(3)])
    return means, np.sqrt(np.maximum(square - means**2, 0.0))
