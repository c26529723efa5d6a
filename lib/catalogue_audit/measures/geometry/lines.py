"""Straight lines: through the points of an outline, many at once, and along an edge of the picture itself."""

import cv2
import numpy as np

from catalogue_audit.measures.quantiles import median

PIXEL_SD = 0.15  # working pixels; what the half-coverage edge scatters on noisy pictures
MOST_POINTS = 64  # of an edge that a line is fitted to
ROUNDS = 6  # of reweighting; more change no digit that is kept
STRIP_COLUMNS = 120  # looked at along the base
FEWEST_COLUMNS = 20  # a shorter edge has no direction worth naming
STRIP_REACH = 8  # working pixels above and below the outline's base
LONG_SLOPES = np.linspace(-0.16, 0.16, 33)  # that a nearly level edge may have; 0.6 degree apart, the points say what lies between
LONG_BIN_PX = 2.0  # working pixels; thickness of the bands in which points of one line are counted
LONG_TOLERANCES_PX = (2.5, 1.5, 1.0, 1.0)  # working pixels; how near the line its points lie, from round to round
STRIP_SLOPES = np.linspace(-0.044, 0.044, 23)  # 0.23 degree apart; a parabola finds what lies between


def robust_line(at, value):
    """
    Straight line value = a + b at, by iteratively reweighted least squares (Tukey's biweight).

    Returns
    -------
    intercept, slope, slope_sd, residual_sd, share : float
        ``share`` of the points that the line explains; the uncertainty counts
        neighbouring points as one every few, for outlines wave. None where there is no line.
    """
    at, value, step = thinned(np.asarray(at, float), np.asarray(value, float))
    if len(at) < 5:
        return None
    line = robust_lines(at[None], value[None], np.ones((1, len(at)), bool), step)[0]
    return tuple(line.tolist()) if np.isfinite(line).all() else None


def thinned(at, value):
    """Medians of blocks of neighbouring points, at most `MOST_POINTS`, and how many points each stands for."""
    step = max(1, len(at) // MOST_POINTS)
    if step == 1:
        return at, value, 1
    count = len(at) // step
    pairs = np.stack([at, value])[:, : count * step].reshape(2, count, step)
    return pairs[0, :, step // 2], np.partition(pairs[1], step // 2, axis=1)[:, step // 2], step


def robust_lines(at, value, valid, step=1):
    """
    Many lines at once, as `robust_line` fits one.

    Parameters
    ----------
    at, value : (k, n) float
        One line a row.
    valid : (k, n) bool
        Which points belong to it.
    step : float
        Contour points that one entry stands for.

    Returns
    -------
    (k, 5) float
        As `robust_line`; NaN where fewer than five points lie on a line.

    Notes
    -----
    Holland and Welsch (1977), robust regression using iteratively reweighted least squares; the scale
    is the median absolute residual of the points still counted.
    """
    weights = counts = valid.astype(float)
    each = np.arange(len(at))
    origin, level = at.mean(axis=1), value.mean(axis=1)  # from there sums of squares keep their digits
    at, value = at - origin[:, None], value - level[:, None]
    powers = np.stack([np.ones_like(at), at, at * at, value, at * value], axis=2)
    with np.errstate(invalid="ignore", divide="ignore"):
        for turn in range(ROUNDS):
            total, x, xx, y, xy = (weights[:, None] @ powers)[:, 0].T
            moment = xx - x * x / total
            slope = (xy - x * y / total) / moment
            intercept = (y - slope * x) / total
            residual = np.abs(value - intercept[:, None] - slope[:, None] * at)
            kept = weights > 0.1
            on_line = kept.sum(axis=1)
            ordered = np.sort(np.where(kept, residual, np.inf), axis=1)
            spread = np.maximum(1.4826 * ordered[each, on_line // 2], PIXEL_SD)
            if turn + 1 < ROUNDS:
                weights = counts * np.square(np.maximum(1 - np.square(residual / (4.5 * spread)[:, None]), 0))
        independent = np.maximum(on_line * step / 6, 2.0)
        slope_sd = spread / np.sqrt(independent * moment / total)
        share = on_line / np.maximum(np.count_nonzero(valid, axis=1), 1)
        lines = np.stack([intercept + level - slope * origin, slope, slope_sd, spread, share], axis=1)
    lines[(on_line < 5) | ~(moment > 0) | ~np.isfinite(lines).all(axis=1)] = np.nan
    return lines


def straight_edges(edges):
    """
    Lines through edges and how far their two halves disagree with them.

    Parameters
    ----------
    edges : list of (at, value)
        Arrays of one length each, ordered by ``at``.

    Returns
    -------
    list of (intercept, slope, slope_sd, spread, share, bend, halves)
        ``bend`` is the larger difference of a half's slope from the whole's, ``halves`` the mean
        of both less the whole; None where there is no line.
    """
    rows = []
    for at, value in edges:
        at, value, step = thinned(at, value)
        rows.append((at, value, step))
    longest = max((len(at) for at, _, _ in rows), default=0)
    if longest < 5:
        return [None] * len(edges)
    places = np.zeros((3 * len(rows), longest))
    values = np.zeros_like(places)
    valid = np.zeros(places.shape, bool)
    steps = np.ones(3 * len(rows))
    for k, (at, value, step) in enumerate(rows):
        block = slice(3 * k, 3 * k + 3)
        places[block, : len(at)], values[block, : len(at)], steps[block] = at, value, step
        first = at < 0.5 * (at[0] + at[-1]) if len(at) else np.zeros(0, bool)
        valid[block, : len(at)] = np.stack([np.ones(len(at), bool), first, ~first])
    lines = robust_lines(places, values, valid, steps)
    found = []
    for k in range(len(rows)):
        whole, *halves = lines[3 * k : 3 * k + 3]
        if np.isnan(whole[0]) or whole[4] < 0.5:
            found.append(None)
            continue
        slopes = [half[1] for half in halves if np.isfinite(half[1])]
        bend = max((abs(slope - whole[1]) for slope in slopes), default=0.0) if len(slopes) == 2 else 0.0
        together = abs(sum(slopes) / 2 - whole[1]) if len(slopes) == 2 else 0.0
        found.append((*(float(v) for v in whole), float(bend), float(together)))
    return found


def longest_line(x, y):
    """
    The nearly level line that most points lie on, whatever the others do.

    Points are counted in narrow bands of many slopes (Hough transform), then a line is laid through those near the
    fullest band by least squares.

    Parameters
    ----------
    x, y : (n,) float
        Ordered by x, pixels.

    Returns
    -------
    (middle, level, slope, on, bend) or None
        The line's point in the middle of its points, its slope; (n,) bool, which points lie on it; and by how much the
        slopes of its two halves differ. None for fewer than twenty points.
    """
    middle = x.mean() if len(x) else 0.0
    offsets = y - LONG_SLOPES[:, None] * (x - middle)
    if offsets.shape[1] < FEWEST_COLUMNS:
        return None
    lowest = offsets.min()
    band = ((offsets - lowest) / LONG_BIN_PX).astype(int)
    bands = int(band.max()) + 2
    count = np.bincount((band + np.arange(len(LONG_SLOPES))[:, None] * bands).ravel(), minlength=bands * len(LONG_SLOPES))
    count = count.reshape(len(LONG_SLOPES), bands)
    k, at = np.unravel_index(int(np.argmax(count[:, :-1] + count[:, 1:])), (len(LONG_SLOPES), bands - 1))
    level, slope = lowest + LONG_BIN_PX * (at + 1), LONG_SLOPES[k]
    for tolerance in LONG_TOLERANCES_PX:
        on = np.abs(y - level - slope * (x - middle)) < tolerance
        if on.sum() < FEWEST_COLUMNS:
            return None
        centre, mean, slope = _least_squares(x[on], y[on])
        level = mean + slope * (middle - centre)
    half = x[on] < median(x[on])
    bend = abs(_least_squares(x[on][half], y[on][half])[2] - _least_squares(x[on][~half], y[on][~half])[2])
    return float(centre), float(mean), float(slope), on, float(bend)


def _least_squares(x, y):
    """Centre, mean and slope of the line through points."""
    centre, mean = x.mean(), y.mean()
    along = x - centre
    return centre, mean, along @ (y - mean) / max(along @ along, 1e-9)


def edge_along(working, start, end, intercept, slope):
    """
    Direction of the edge near a line, from the picture's brightness.

    The vertical gradient of log brightness, limited so that no single spot
    decides, is averaged along lines of many slopes and heights near the given
    one (a Radon transform of a narrow strip); the strongest is the edge. Shadow
    that an outline follows in places does not bend it.

    Parameters
    ----------
    working : (h, w, 3) uint8
    start, end : float
        Columns.
    intercept, slope : float
        Line y = intercept + slope x, pixels.

    Returns
    -------
    (slope, clearness, disagreement, shift) or None
        ``clearness`` 0 to 1: share of the limit that the mean gradient along the edge reaches;
        ``disagreement`` of the slopes that its two halves prefer; ``shift`` of the edge below the
        given line in the middle, pixels.
    """
    length = int(end - start)
    count = min(STRIP_COLUMNS, max(length // 2, min(length, FEWEST_COLUMNS)))
    if count < FEWEST_COLUMNS:
        return None
    x = np.linspace(start, end, count, dtype=np.float32)
    rows = np.arange(-STRIP_REACH - 1, STRIP_REACH + 2, dtype=np.float32)[:, None]
    y = np.float32(intercept - 0.5) + np.float32(slope) * x + rows
    strip = cv2.remap(working, np.broadcast_to(x - np.float32(0.5), y.shape).copy(), y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    strip = np.log1p(strip.mean(axis=-1, dtype=np.float32))
    gradient = strip[2:] - strip[:-2]
    limit = 0.7 * float(median(np.abs(gradient).max(axis=0))) + 1e-4
    gradient = np.clip(gradient, -limit, limit) / limit
    offset = np.arange(-STRIP_REACH + 3, STRIP_REACH - 2)
    place = (offset + STRIP_REACH).astype(np.float32)[:, None] + STRIP_SLOPES.astype(np.float32)[:, None, None] * (x - x.mean())
    place = np.clip(place, 0, np.float32(len(gradient) - 1.001), out=place)
    below = np.floor(place)
    share = place - below
    at = below.astype(int) * count + np.arange(count)
    along = np.take(gradient, at) * (1 - share) + np.take(gradient, at + count) * share
    half = count // 2
    parts = along[..., :half].sum(axis=2), along[..., half:].sum(axis=2)
    best, clearness, height = _strongest(np.abs(parts[0] + parts[1]) / count)
    first, second = (_strongest(np.abs(part))[0] for part in parts)
    if abs(best) >= STRIP_SLOPES[-2]:
        return None
    return slope + best, clearness, abs(first - second), float(offset[height])


def _strongest(score):
    """Slope of the largest score, by a parabola through its neighbours; that score; and its row."""
    at, height = np.unravel_index(int(np.argmax(score)), score.shape)
    shift = 0.0
    if 0 < at < len(score) - 1:
        before, here, after = score[at - 1 : at + 2, max(height - 1, 0) : height + 2].max(axis=1)
        curvature = before - 2 * here + after
        shift = 0.5 * (before - after) / curvature if curvature < 0 else 0.0
    step = STRIP_SLOPES[1] - STRIP_SLOPES[0]
    return float(STRIP_SLOPES[at] + np.clip(shift, -0.5, 0.5) * step), float(score[at, height]), int(height)


def runs(line):
    """
    Start and end (exclusive) of the runs of True.

    Examples
    --------
    >>> runs([False, True, True, False, True])
    [(1, 3), (4, 5)]
    """
    padded = np.zeros(len(line) + 2, bool)
    padded[1:-1] = line
    edges = np.flatnonzero(padded[1:] != padded[:-1]).tolist()
    return list(zip(edges[::2], edges[1::2]))
