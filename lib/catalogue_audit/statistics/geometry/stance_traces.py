"""
What three-quarter views show of how they stand, as `stances` weighs it: slopes of edges, the lean of sides, and the front and the handles as the front view shows them.
"""

import math
from typing import NamedTuple

import numpy as np
import pandas as pd

from catalogue_audit.measures.records import DEFAULT_FOCAL_35MM
from catalogue_audit.statistics.geometry.foreshortening import front_laid
from catalogue_audit.statistics.geometry.handle_spans import turn_by_handles
from catalogue_audit.statistics.spread import spread

FRONT, SIDE, TOP, SIDES, NARROWED, LEVEL, UPRIGHT, CLOSER = range(8)
TRACES = ("front", "side", "top", "sides", "narrowed", "level", "upright", "closer")
OF_FRONT = [NARROWED, LEVEL, UPRIGHT]  # told together, by the front view laid over
# Standard uncertainty of the traces beside their own, within a style and between styles. Measured on rendered bags of seven
# styles; of the front laid over on those of three makes, 170 with a straight base; of legs of handles on 430 of four makes.
WITHIN_SD_DEG = np.array([0.1, 0.35, 0.2, 0.3, 1.1, 0.4, 0.6, 0.8])
BETWEEN_SD_DEG = np.array([0.17, 0.5, 0.33, 1.3, 1.8, 0.55, 2.4, 1.6])
ROUND_WITHIN_SD_DEG, ROUND_BETWEEN_SD_DEG = 0.45, 1.5  # the same of the tilt of a round base
UNSURE_SIDE_DEG = 1.5  # standard uncertainty of the side's edge from which rounding has made it
SIDES_SHARE = 0.25  # of the sides' own uncertainty that is not alike in all pieces of a style
UNSURE_SIDES_DEG = 8.0  # the same of sides that are not straight: rounded ones lean alike from style to style, and hold a roll of several degrees unlikely
# Share of fronts laid over wrongly by mean correlation: the same bags.
SCORES, LAID_WRONG, WITH_RIVAL = (0.14, 0.18, 0.24, 0.28, 0.34), (0.6, 0.35, 0.13, 0.06, 0.02), (0.6, 0.5, 0.35, 0.28, 0.2)
RIVALS = 0.6, 0.9  # of the chosen turn's score, from which another turn counts, and counts fully
CUBE = 1.5  # ratio of two lower edges up to which either may be the front's
NOT_LAID = 0.6  # with a larger share a front tells nothing
BASELESS = 0.15  # the same of a picture whose base shows no direction, so that nothing else would tell


class Traces(NamedTuple):
    """
    What n pictures show: slopes and leans, degrees, mirrored so that every product turns its front to the right.

    Attributes
    ----------
    seen, sds : (n, 8) float
        As named by `TRACES`; NaN where a picture does not show it. Of 'narrowed' and 'closer' the turn that they tell, of the others + clockwise.
    places : (n, 8, 2) float
        Where, from the picture's centre, in focal lengths.
    sign : (n,) float
        -1 for mirrored pictures.
    rounded : (n,) bool
        Whether the base is round and 'front' its tilt.
    wrong : (n,) float
        Share of fronts laid over as well as this one that are laid wrongly.
    unlike : (n,) float
        Share of turns told by handles as well as this one that are wrong; 0 where none is told.
    """

    seen: np.ndarray
    sds: np.ndarray
    places: np.ndarray
    sign: np.ndarray
    rounded: np.ndarray
    wrong: np.ndarray
    unlike: np.ndarray

    def scatter(self, straight, rounded):
        """What shapes scatter beside: (n, 8), of straight and of round bases."""
        return np.column_stack([np.where(self.rounded, rounded, straight[0]), np.broadcast_to(straight[1:], (len(self.sign), len(TRACES) - 1))])

    @property
    def within(self):
        return self.scatter(WITHIN_SD_DEG, ROUND_WITHIN_SD_DEG)

    @property
    def between(self):
        return self.scatter(BETWEEN_SD_DEG, ROUND_BETWEEN_SD_DEG)


def gathered(frames, sketches, fronts=None):
    """
    The `Traces` of some pictures.

    Parameters
    ----------
    frames : DataFrame
        Of one three-quarter view.
    sketches : mapping of str to dict
    fronts : dict, optional
        SKU to file, focal length (36 x 24 mm equivalent) and roll of its front view.
    """
    count = len(frames)
    seen, sds = np.full((2, count, len(TRACES)), math.nan)
    places, sign = np.zeros((count, len(TRACES), 2)), np.ones(count)
    size = [pd.to_numeric(frames[name], errors="coerce").to_numpy(dtype=float) for name in ("focal_length_35mm", "width_px", "height_px")]
    focal, width, height = size[0], *size[1:]
    units = _focal_lengths(width, height, focal)
    rounded = np.zeros(count, bool)
    here = [sketches.get(file) or {} for file in frames["file"]]
    usual = 1.0 if sum(float(sketch["front_edge"][4]) for sketch in here if "front_edge" in sketch) >= 0 else -1.0
    for k, sketch in enumerate(here):
        front, corner, top, axis = (sketch.get(name) for name in ("front_edge", "corner", "upper_edge", "axis"))
        if front is None:
            front = sketch.get("round_base")
            rounded[k] = front is not None
        if front is None:
            continue
        if not rounded[k] and front[4] != usual and corner is not None:
            front = _edge_on_the_usual_side(front, corner, usual)
        sign[k] = usual if rounded[k] else front[4]
        found = {0: (*front[:2], math.degrees(math.atan(front[2])), math.degrees(front[3]))}
        if corner is not None:
            side = 0 if front[4] > 0 else 1
            found[1] = (*corner[2:4], math.degrees(math.atan(corner[6 + side])), math.degrees(corner[8 + side]))
        if top is not None:
            found[2] = (*top[:2], math.degrees(math.atan(top[2])), math.degrees(top[3]))
        if axis is not None:
            found[3] = 0.5, 0.5, float(axis[0]), SIDES_SHARE * float(axis[1])
        unit = units[k]
        for at, (x, y, slope, sd) in found.items():
            if not (rounded[k] and at in (1, 2)) and sd < {1: UNSURE_SIDE_DEG, 3: SIDES_SHARE * UNSURE_SIDES_DEG}.get(at, math.inf):
                seen[k, at], sds[k, at] = slope * sign[k], sd
                places[k, at] = (x - 0.5) * width[k] * unit * sign[k], (y - 0.5) * height[k] * unit
    traces = _without_odd_bases(Traces(seen, sds, places, sign, rounded, np.ones(count), np.zeros(count)), frames["style"].fillna("").to_numpy())
    return _with_handles(_with_fronts(traces, frames, sketches, fronts or {}, usual), frames, sketches, fronts or {})


def _edge_on_the_usual_side(front, corner, usual):
    """
    The front's lower edge of a product about as deep as wide, of which pass one took the side, turned nearly as much, for the front.

    Returns
    -------
    Sequence of float
        As the sketch's ``front_edge``; the given one where one edge is clearly the longer: then the product was turned the other way.
    """
    lengths = abs(corner[2] - corner[0]), abs(corner[4] - corner[2])
    if not max(lengths) < CUBE * min(lengths):
        return front
    k, end = (1, corner[4:6]) if usual > 0 else (0, corner[0:2])
    return [*(0.5 * (np.asarray(corner[2:4]) + end)), corner[6 + k], corner[8 + k], usual]


def _with_fronts(traces, frames, sketches, fronts, way):
    """
    Traces with what the front views tell, laid over the pictures of products that stand on a straight edge.

    Where the picture itself shows none the front view has to, and has to be laid surely; a round base was then misread.
    """
    size = frames[["width_px", "height_px", "focal_length_35mm"]].apply(pd.to_numeric, errors="coerce").to_numpy(dtype=float)
    unit = size[:, :2] * _focal_lengths(*size.T)[:, None]
    edged = np.isfinite(traces.seen[:, FRONT]) & ~traces.rounded
    rows = [(k, file, fronts[sku]) for k, (file, sku) in enumerate(zip(frames["file"], frames["sku"], strict=True)) if sku in fronts]
    rows = [(k, file, front) for k, file, front in rows if edged[k] or "front_edge" in (sketches.get(front[0]) or {})]
    seen, sds, places, rounded, wrong = (column.copy() for column in (traces.seen, traces.sds, traces.places, traces.rounded, traces.wrong))
    for (k, _, (_, _, roll)), shown in zip(rows, _laid(rows, size[:, 2], way, sketches), strict=True):
        wrong[k] = 1.0 if shown is None else _laid_wrong(shown)
        if wrong[k] < (NOT_LAID if edged[k] else BASELESS):
            seen[k, OF_FRONT] = shown.turn_deg, (shown.level_deg + roll) * way, (shown.upright_deg + roll) * way
            sds[k, OF_FRONT] = shown.turn_sd_deg, shown.level_sd_deg, shown.upright_sd_deg
            places[k, LEVEL] = (np.array(shown.middle) - 0.5) * unit[k] * (way, 1.0)
            seen[k, FRONT], rounded[k] = (math.nan, False) if rounded[k] else (seen[k, FRONT], False)
    return traces._replace(seen=seen, sds=sds, places=places, rounded=rounded, wrong=wrong)


def _with_handles(traces, frames, sketches, fronts):
    """Traces with the turn that the legs of handles tell, of round bodies too."""
    kept = getattr(sketches, "made", {})
    asked = {k: (fronts[sku][0], file) for k, (file, sku) in enumerate(zip(frames["file"], frames["sku"], strict=True)) if sku in fronts}
    new = [item for item in dict.fromkeys(asked.values()) if ("legs", item) not in kept]
    kept.update(zip([("legs", item) for item in new], spread(turn_by_handles, new, sketches), strict=True))
    told = {k: kept["legs", item] for k, item in asked.items() if kept["legs", item] is not None}
    seen, sds, rows = traces.seen.copy(), traces.sds.copy(), list(told)
    unlike = traces.unlike.copy()
    seen[rows, CLOSER], sds[rows, CLOSER], unlike[rows] = np.array(list(told.values())).reshape(-1, 3).T
    return traces._replace(seen=seen, sds=sds, unlike=unlike)


def _laid_wrong(shown):
    """Share of fronts laid wrongly of those that are laid as well as this one, and have as good a rival."""
    alone, beside = (float(np.interp(shown.score, SCORES, shares)) for shares in (LAID_WRONG, WITH_RIVAL))
    return alone + (beside - alone) * float(np.interp(shown.rival, RIVALS, (0.0, 1.0)))


def _laid(rows, focals, way, sketches):
    """`foreshortening.Laid`, or None, of each (place, file, front)."""
    kept = getattr(sketches, "made", {})  # pictures as taken and as delivered are often the same
    asked = [((front[0], _focal(front[1])), (file, _focal(focals[k])), way) for k, file, front in rows]
    new = [item for item in dict.fromkeys(asked) if ("front laid", item) not in kept]
    kept.update(zip([("front laid", item) for item in new], spread(front_laid, new, sketches), strict=True))
    return [kept["front laid", item] for item in asked]


def _focal(value):
    return float(value) if value > 0 else DEFAULT_FOCAL_35MM


def _focal_lengths(width, height, focal_35mm):
    """Focal lengths a pixel (n,) of pictures; 85 mm is assumed where unknown."""
    return math.hypot(36, 24) / np.where(np.isfinite(focal_35mm), focal_35mm, DEFAULT_FOCAL_35MM) / _diagonals(width, height)


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
