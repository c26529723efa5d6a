"""
Turn, roll and camera pitch of three-quarter views, told together and against the set.

Of a picture these depend on them: the slopes of the front's lower edge (of a round base: its tilt),
of the side's lower edge and of the body's upper edge, the lean of its sides and, where the front view can be laid over (`foreshortening`), by how much narrower
the front is seen, and how its level and upright lines lie; also by how much closer together the legs of handles stand than in the front view
(`handle_spans`). An edge on the ground, or
level above it, meets the horizon where its direction does (Hartley and Zisserman, Multiple View
Geometry, 2nd ed., ch. 8): the lower a level edge lies, the more a turn slopes it, and the upper
edge, near the horizon, hardly knows of the turn. A roll tilts all alike and narrows nothing; a camera that looks
down more steeply slopes the two lower edges oppositely. So each explanation leaves its own trace.

What shape and perspective add is alike in pictures of one style, and nearly so in those of one
view: each trace is compared with the middle one of the set, the front's turn with the one that most agree on. Natural scatter is small and faults
are rare, and any edge may have been misread: all combinations of these are weighed (a mixture of
normal distributions, each solved by linear least squares).
"""

import itertools
import math

import numpy as np
import pandas as pd

from catalogue_audit.measures.applicability import shows_a_turn
from catalogue_audit.measures.geometry.turn import USUAL_PITCH_DEG
from catalogue_audit.statistics.geometry.camera_aim import aimed_otherwise
from catalogue_audit.statistics.geometry.stance_traces import CLOSER, FRONT, LEVEL, NARROWED, OF_FRONT, SIDE, SIDES, TOP, TRACES, UPRIGHT, gathered
from catalogue_audit.statistics.robust import MEDIAN_EFFICIENCY, mad_scale
from catalogue_audit.statistics.styles import styles_of, sure_stems

TURN, PITCH, ROLL = range(3)
TURNS_DEG = np.arange(15.0, 60.01, 0.25)  # of which one is the set's
OF_SHAPES_DEG, BASE_OFF, FAR_OFF_DEG = 1.8, 0.3, 10.0  # what shapes add to either; share of bases that tell another turn; how far off those and wrongly laid fronts are
TURNED = 0.1  # share of pictures turned otherwise than the set
LIKE_MOST_DEG, LEAST_VOTE, UNTOLD_VOTE = 1.0, 0.1, 0.5  # of the front's slope, about the middle one; weight of those far off and without one
USUAL_TURN_DEG, USUAL_TURN_SD_DEG = 32.0, 10.0  # of a three-quarter view, where the set does not say: common practice, no source
# What careful hands do from picture to picture, how often something is wrong, and by how much then: turn, pitch, roll.
# Common practice, no source.
STEADY_SD_DEG = np.array([1.2, 0.35, 0.25])
FAULTY = np.array([0.25, 0.08, 0.1])
FAULT_SD_DEG = np.array([7.0, 3.5, 2.5])
AIMED_FAULTY = 0.4  # of the pitch, where the camera aims otherwise (`camera_aim`)
CALM = 0.05  # weight of nothing being wrong: a measured value is not drawn to what is usual
EDGES = [FRONT, SIDE, TOP, LEVEL]
OF_TURN = [NARROWED, CLOSER]  # traces that tell a turn, not by how much it differs
ROUND_SHARE = 0.5  # of the slope of a straight front edge, which an oval base shows in its middle
# Share of misread traces (of legs and of fronts, laid over wrongly as one, each picture says it), and by how much they are off. Measured on the same bags.
MISREADINGS = (FRONT, SIDE, TOP, SIDES, LEVEL, CLOSER, OF_FRONT)
MISREAD = np.array([0.06, 0.08, 0.10, 0.10, 0.08])
MISREAD_SD_DEG = np.array([2.5, 8.0, 5.0, 5.0, 9.0, 2.0, 4.0, 8.0])  # of each trace
MOST_MISREAD = 3  # of a picture at once
SURELY_LAID = 0.4  # share of wrongly laid fronts up to which they say where the middle is
FEWEST = 3  # pictures from which there is a middle one
MOST_BIAS = 3.0  # standard deviations of what styles add; what is further off is a misread trace
MOST_TILT_DEG = 6.0  # of a round base, from the middle: what is tilted more is no roll but another edge
MOST_MOVED_DEG = 15.0  # from the middle, that the slopes are followed
SHOWN_PITCH_DEG = 2.5  # standard uncertainty of a pitch that is wrong, from which what is usual tells more of it than the traces do (3.5 without any)
ROUNDS = 2  # of learning what styles add
NATURAL_FRONT_SD_DEG = 0.6  # scatter of the front's slope that all of the above make
BLOCK = 100  # pictures that are solved together, 0.2 MB each
COMBINATIONS = np.array([way for way in itertools.product((False, True), repeat=3 + len(MISREADINGS)) if sum(way[3:]) <= MOST_MISREAD])
OFF = np.zeros((len(COMBINATIONS), len(TRACES)), bool)  # the traces misread in each
for _k, _trace in enumerate(MISREADINGS):
    OFF[:, _trace] |= COMBINATIONS[:, [3 + _k]] if isinstance(_trace, list) else COMBINATIONS[:, 3 + _k]


def stances(frames, sketches):
    """
    Turn, pitch and roll of three-quarter views against their view.

    Parameters
    ----------
    frames : DataFrame
        With ``file``, ``sku``, ``view``, ``view_kind``, ``style``, size, focal length, ``roll_deg``, ``yaw_deg`` with its uncertainty and ``camera_pitch_deg``.
    sketches : mapping of str to dict
        Uses ``front_edge``, ``round_base``, ``corner``, ``upper_edge``, ``axis``; ``preview``, ``mask`` and ``sides``.

    Returns
    -------
    DataFrame
        Index as `frames`: ``turn``, ``turn_sd``, ``pitch``, ``pitch_sd``, ``roll``, ``roll_sd``, degrees from the
        view's own middle; NaN where nothing tells.
    """
    names = ("turn", "pitch", "roll")
    fronts, aimed = _fronts(frames), aimed_otherwise(frames)
    result = pd.DataFrame(math.nan, index=frames.index, columns=[name + end for name in names for end in ("", "_sd")])
    upright = (frames["view_kind"].fillna("") == "upright").to_numpy()
    views = frames["view"].fillna("").to_numpy()
    frames = frames.assign(style=styles_of(frames))
    styles = frames["style"].fillna("").to_numpy()
    for view in sorted({view for view in views if shows_a_turn(view)}):
        rows = np.flatnonzero((views == view) & upright)
        traces = gathered(frames.iloc[rows], sketches, fronts)
        told = np.isfinite(traces.seen[:, [FRONT, NARROWED, CLOSER]]).any(axis=1)
        if told.sum() < FEWEST:
            continue
        turn, pitch, turn_sd = usual_view(frames.iloc[rows], traces)
        traces.sds[:, OF_TURN] = np.hypot(traces.sds[:, OF_TURN], turn_sd)
        faulty = np.where(aimed[rows, None] & (np.arange(3) == PITCH), AIMED_FAULTY, FAULTY)
        by_handles = np.isfinite(traces.seen[:, CLOSER]) & (np.arange(2) == TURN)[:, None]
        means, sds = weighed(traces, turn, pitch, styles[rows], faulty)
        for k, name in enumerate(names):
            shown = told & (~traces.rounded | by_handles[k]) if k < ROLL else told  # a round base looks alike from all sides
            result.iloc[rows[shown], [2 * k, 2 * k + 1]] = np.stack([means[shown, k], sds[shown, k]], axis=1)
    return result


def _fronts(frames):
    """SKU to what `stance_traces.gathered` asks of its front view: the first that shows the product upright, else one of its shape."""
    shown = frames[(frames["view"] == "front") & (frames["view_kind"] == "upright") & frames["sku"].notna()].drop_duplicates("sku")
    shown = shown.assign(**shown[["focal_length_35mm", "roll_deg"]].apply(pd.to_numeric, errors="coerce").fillna({"roll_deg": 0.0}))
    own = dict(zip(shown["sku"], shown[["file", "focal_length_35mm", "roll_deg"]].itertuples(index=False), strict=True))
    of_shape = dict(zip(reversed(sure_stems(shown["sku"]).tolist()), reversed(list(own.values())), strict=True))
    skus = frames["sku"].dropna().drop_duplicates()
    found = {sku: own.get(sku, of_shape.get(shape)) for sku, shape in zip(skus, sure_stems(skus), strict=True)}
    return {sku: front for sku, front in found.items() if front is not None}


def usual_view(frames, traces):
    """
    Turn and pitch about which the set's pictures are compared, and the turn's standard uncertainty, degrees.

    The turn is the one that most styles agree on, by their bases, the fronts laid over and the legs of their handles, each of which may be off, as any
    picture may be turned otherwise; the pitch the middle one.
    """
    pitch = pd.to_numeric(frames["camera_pitch_deg"], errors="coerce").median()
    pitch = float(pitch) if pitch == pitch else USUAL_PITCH_DEG
    yaw, sd = (pd.to_numeric(frames[name], errors="coerce").to_numpy(dtype=float) for name in ("yaw_deg", "yaw_sd_deg"))
    like = np.ones((len(frames), len(TURNS_DEG)))
    by_front, by_legs = ((traces.seen[:, k], traces.sds[:, k], off) for k, off in zip(OF_TURN, (traces.wrong, traces.unlike), strict=True))
    for value, spread, off in ((np.abs(yaw), sd, np.full(len(yaw), BASE_OFF)), by_front, by_legs):
        value, spread, off = (np.nan_to_num(column, nan=fallback)[:, None] for column, fallback in ((value, USUAL_TURN_DEG), (spread, 1e3), (off, 1.0)))
        apart, spread = value - TURNS_DEG, np.hypot(spread, OF_SHAPES_DEG)
        like *= (1 - off) * _normal(apart, spread) + off * _normal(apart, np.hypot(spread, FAR_OFF_DEG))
    told = np.isfinite(yaw) | np.isfinite(traces.seen[:, OF_TURN]).any(axis=1)
    if not told.any():
        return USUAL_TURN_DEG, pitch, math.inf
    like = np.log((1 - TURNED) * like / like.max(axis=1, keepdims=True) + TURNED) * _square_to_most(traces, pitch)[:, None]
    styles = styles_of(frames).fillna(frames["file"]).astype(str).to_numpy()
    of_styles = [like[told & (styles == style)].sum(axis=0) / math.sqrt((told & (styles == style)).sum()) for style in sorted(set(styles[told]))]
    like = np.sum(of_styles, axis=0) - 0.5 * ((TURNS_DEG - USUAL_TURN_DEG) / USUAL_TURN_SD_DEG) ** 2
    share = np.cumsum(np.exp(like - like.max()))
    low, high = np.interp([0.159, 0.841], share / share[-1], TURNS_DEG)
    return float(TURNS_DEG[like.argmax()]), pitch, float(high - low) / 2


def _square_to_most(traces, pitch):
    """How likely each picture is turned as most are, (n,), by how far the slope of its front's lower edge lies from the middle one."""
    apart = np.where(traces.rounded, math.nan, traces.seen[:, FRONT] - expected(traces.places, USUAL_TURN_DEG, pitch)[:, FRONT])
    known = np.isfinite(apart)
    middle, usual = (float(np.median(apart[known])), max(LIKE_MOST_DEG, mad_scale(apart[known]))) if known.any() else (0.0, LIKE_MOST_DEG)
    return np.where(known, np.maximum(np.exp(-0.5 * ((apart - middle) / usual) ** 2), LEAST_VOTE), UNTOLD_VOTE)


def _normal(value, sd):
    return np.exp(-0.5 * (value / sd) ** 2) / sd


def expected(places, turn_deg, pitch_deg):
    """
    What each trace shows of a level camera: slopes of edges by their place, the turn itself, and plumb sides.

    Parameters
    ----------
    places : (n, 8, 2) float
        As in `stance_traces.Traces`.
    turn_deg, pitch_deg : float or (n,) float

    Returns
    -------
    (n, 8) float
        Degrees, + clockwise.
    """
    turn, pitch = (np.radians(np.broadcast_to(angle, len(places)))[:, None] for angle in (turn_deg, pitch_deg))
    meets = 1.0 / (np.tan(turn + np.radians([0.0, 90.0, 0.0, 0.0])) * np.cos(pitch))
    x, y = places[:, EDGES, 0], places[:, EDGES, 1]
    shown = np.zeros((len(places), len(TRACES)))
    shown[:, EDGES] = np.degrees(np.arctan((-np.tan(pitch) - y) / (meets - x)))
    shown[:, OF_TURN] = np.degrees(turn)
    return shown


def _traced(traces, turn_deg, pitch_deg):
    """What `expected` says of the pictures, round bases allowed for, and its rise (n, 8, 3) a degree of turn, pitch and roll."""
    level, turned, lifted = (
        expected(traces.places, turn_deg + step[0], pitch_deg + step[1]) for step in ((0.0, 0.0), (1.0, 0.0), (0.0, 1.0))
    )
    share = np.where(traces.rounded, ROUND_SHARE, 1.0)
    for slopes in (level, turned, lifted):
        slopes[:, 0] *= share
    rolled = np.ones(level.shape)
    rolled[:, OF_TURN] = 0.0
    return level, np.stack([turned - level, lifted - level, rolled], axis=2)


def weighed(traces, turn_deg, pitch_deg, styles, faulty=FAULTY):
    """
    Turn, pitch and roll of each picture from the set's middle.

    Parameters
    ----------
    traces : Traces
    turn_deg, pitch_deg : float
        As `usual_view` gives them.
    styles : (n,) array of str
        '' where unknown.
    faulty : (3,) or (n, 3) float
        How often turn, pitch and roll are wrong.

    Returns
    -------
    means, sds : (n, 3) float
        Degrees; signs as the contract has them. NaN for a pitch that the traces leave open.
    """
    level, rise = _traced(traces, turn_deg, pitch_deg)
    apart, unsure = from_the_middle(traces.seen - level, traces.rounded, traces.wrong < SURELY_LAID)
    apart[traces.rounded & (np.abs(apart[:, FRONT]) > MOST_TILT_DEG), FRONT] = math.nan
    middle = traces.seen - level - apart
    front = apart[~traces.rounded, 0]
    restless = max(1.0, mad_scale(front[np.isfinite(front)]) / NATURAL_FRONT_SD_DEG) if np.isfinite(front).any() else 1.0
    within, between = traces.within, traces.between * unsure
    means, sds = mixture(apart, np.hypot(traces.sds, between), rise, restless, np.stack([traces.unlike, traces.wrong], axis=1), faulty)
    for _ in range(ROUNDS):
        moved = np.clip(means[:, :ROLL], -MOST_MOVED_DEG, MOST_MOVED_DEG)
        level, rise = _traced(traces, turn_deg + moved[:, TURN], pitch_deg + moved[:, PITCH])  # slopes are not straight in them
        apart = traces.seen - middle - level + np.einsum("nki,ni->nk", rise[:, :, :ROLL], moved)
        left = apart - np.einsum("nki,ni->nk", rise, means)
        bias, spread = of_their_style(left, np.hypot(traces.sds, np.sqrt(np.einsum("nki,ni->nk", rise**2, sds**2))), within, between, styles)
        means, sds = mixture(apart - bias, np.hypot(traces.sds, spread), rise, restless, np.stack([traces.unlike, traces.wrong], axis=1), faulty)
    means[~_shows_pitch(apart, np.hypot(traces.sds, spread), rise), PITCH] = math.nan
    return means * np.stack([traces.sign, np.ones(len(means)), traces.sign], axis=1), np.where(np.isnan(means), math.nan, sds)


def _shows_pitch(apart, sds, rise):
    """Whether the traces would have shown a wrong pitch: (n,) bool. Otherwise what is usual is no measure of it."""
    weight = np.where(np.isfinite(apart), sds, math.inf) ** -2.0
    precision = np.einsum("nk,nki,nkj->nij", weight, rise, rise) + np.diag(FAULT_SD_DEG**-2.0)
    return np.linalg.inv(precision)[:, PITCH, PITCH] < SHOWN_PITCH_DEG**2


def from_the_middle(residual, rounded, surely_laid=None):
    """
    Residuals less the middle one of each trace, of round bases apart from others, of fronts laid over of the sure ones.

    Returns
    -------
    apart : (n, 8) float
        A trace without enough others is compared with what perspective alone makes, but for the front laid over and the sides of round bodies, of which nothing is known then.
    unsure : (n, 8) float
        By how much the scatter about the middle grows because the middle itself is of few.
    """
    apart, unsure = residual.copy(), np.ones(residual.shape)
    for part in (~rounded, rounded):
        for k in range(residual.shape[1]):
            known = part & np.isfinite(residual[:, k])
            telling = known & surely_laid if k in (LEVEL, UPRIGHT) and surely_laid is not None else known
            if k in OF_TURN:
                continue
            if telling.sum() >= FEWEST:
                apart[known, k] -= np.median(residual[telling, k])
                unsure[known, k] = math.sqrt(1 + MEDIAN_EFFICIENCY**2 / telling.sum())
            elif k in (LEVEL, UPRIGHT) or (k == SIDES and part is rounded):
                apart[known, k] = math.nan
    return apart, unsure


def of_their_style(left, sds, within, between, styles):
    """
    What its style adds to each trace of a picture, by the other pictures of the style.

    Parameters
    ----------
    left, sds : (n, 8) float
        What the pictures' own stances leave of their traces, and its standard uncertainty; NaN where unknown.
    within, between : (n, 8) float
        What pieces of one style, and styles, scatter.
    styles : (n,) array of str

    Returns
    -------
    bias, spread : (n, 8) float
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


def mixture(apart, sds, rise, restless=1.0, wrong=None, faulty=FAULTY):
    """
    Means and standard deviations of turn, pitch and roll over all combinations of faults and misread traces.

    Parameters
    ----------
    apart, sds : (n, 8) float
        Traces from the middle and their standard uncertainties, degrees; NaN where unknown.
    rise : (n, 8, 3) float
        Degrees of a trace a degree of turn, pitch and roll.
    restless : float
        How much less steady than usual the set is.
    wrong : (n, 2) float, optional
        Share of legs and of fronts told wrongly, as in `stance_traces.Traces`.
    faulty : (3,) or (n, 3) float
        How often turn, pitch and roll are wrong.

    Returns
    -------
    means, sds : (n, 3) float
    """
    wrong = np.tile([0.0, 1.0], (len(apart), 1)) if wrong is None else wrong
    faulty = np.broadcast_to(faulty, (len(apart), 3))
    blocks = [slice(k, k + BLOCK) for k in range(0, max(len(apart), 1), BLOCK)]
    parts = [_mixture(apart[block], sds[block], rise[block], restless, wrong[block], faulty[block]) for block in blocks]
    return tuple(np.concatenate(column) for column in zip(*parts, strict=True))


def _mixture(apart, sds, rise, restless, wrong, often):
    """`mixture` of as many pictures as fit into memory together."""
    known = np.isfinite(apart)
    faulty, misread = COMBINATIONS[:, :3], COMBINATIONS[:, 3:]
    usual = np.where(faulty, FAULT_SD_DEG, STEADY_SD_DEG * restless)  # (m, 3)
    scatter = np.hypot(np.where(known, sds, 1.0)[:, None], OFF * MISREAD_SD_DEG)  # (n, m, 7)
    weight = np.where(known[:, None], scatter**-2.0, 0.0)
    seen = np.where(known, apart, 0.0)
    added = np.concatenate([(rise[..., None] * rise[..., None, :]).reshape(*rise.shape[:2], -1), rise * seen[..., None], seen[..., None] ** 2], axis=2)
    total = weight @ added  # over the traces: information, what they pull to, and their squares
    precision, pull, square = total[..., :9].reshape(*total.shape[:2], 3, 3), total[..., 9:12], total[..., 12]
    precision[..., range(3), range(3)] += usual**-2.0
    covariance = np.linalg.inv(precision)
    solved = np.einsum("nmij,nmj->nmi", covariance, pull)
    fit = square - np.einsum("nmi,nmi->nm", pull, solved)
    calm = np.where(faulty.any(axis=1), 1.0, CALM)
    odds = calm * np.where(faulty, often[:, None], 1 - often[:, None]).prod(axis=2) * np.where(misread[:, :-2], MISREAD, 1 - MISREAD).prod(axis=1)
    laid = np.log(np.clip(np.where(misread[:, -2:], wrong[:, None], 1 - wrong[:, None]), 1e-6, 1.0)).sum(axis=2)
    size = np.log(odds / usual.prod(axis=1)) + laid - np.where(known[:, None], np.log(scatter), 0.0).sum(axis=2)
    size += 0.5 * np.linalg.slogdet(covariance)[1] - 0.5 * fit
    share = np.exp(size - size.max(axis=1, keepdims=True))
    share /= share.sum(axis=1, keepdims=True)
    means = np.einsum("nm,nmi->ni", share, solved)
    square = np.einsum("nm,nmi->ni", share, solved**2 + covariance[..., range(3), range(3)])
    return means, np.sqrt(np.maximum(square - means**2, 0.0))
