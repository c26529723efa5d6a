"""
The background behind the product: one smooth surface fitted to the frame's border, then to all that agrees.

Where a table's edge runs across the frame behind the product (`horizon`), one surface above and one below it. Where its front
edge does so below the product, the backdrop ends there.
"""

from functools import lru_cache

import cv2
import numpy as np

from catalogue_audit.measures.quantiles import median
from catalogue_audit.measures.records import Backdrop
from catalogue_audit.measures.segmentation.horizon import ERASED_PX, find_edges, find_horizon

GRID_PX = 72  # long side of the grid the surface is fitted on; it has at most ten coefficients a channel
DEGREE = 3
TUKEY = 4.0  # robust deviations beyond which a residual counts nothing
SMALLEST_SCATTER = 0.35  # CIELAB; about one code value
BORDER = 0.05  # fraction of the frame that counts as border
FLAT_WHITE = 0.999  # share of the border at exactly 255 from which a picture is a cut-out
WHITE_L = 86.0  # CIELAB L*; a sweep lit to 0.68 of white or more is called white in the trade
EVEN_SCATTER, LIGHT_L = 2.0, 35.0  # CIELAB L*; a table and a wall are smooth, and seldom darker
LEAST_STEP, MOST_STEP, LEAST_SIDE = 0.6, 1.6, 0.5  # of the step at the line: the difference between the two surfaces there; and at the lesser side
EXPLAINED = 0.6  # of the border of each of two backdrops
GRAIN, COLOUR_C = 4.0, 35.0  # the scatter and CIELAB chroma of a table of wood, where a product stands before its edge
HIDDEN, COLUMNS = (0.18, 0.8), 64  # share of the table's edge that such a product hides: straps and zips across a close view hide less; and columns looked at
SHADED = 3.0  # times as far from the surface counts what is darker on a table: shadows lie on it, and nothing lightens it
OTHER_TINT = 5.0  # CIELAB chroma that parts such a table from the wall, whatever light falls on either
SAME = 6.0  # CIELAB, beyond three times the scatter: what lies above or below the edge is the backdrop there
STRIP = 0.08  # of the frame's height above a table's front edge: at the frame's sides it is the table
NEUTRAL_C = 10.0  # CIELAB chroma above which a backdrop is coloured (a wrong balance stays below)


def _terms(x, y):
    """Polynomial terms up to `DEGREE` in all, (10, n), by rising degree; x, y in [-1, 1]."""
    x_powers, y_powers = (np.stack([np.ones_like(v), v, v * v, v * v * v]) for v in (x, y))
    return np.stack([x_powers[total - j] * y_powers[j] for total in range(DEGREE + 1) for j in range(total + 1)])


def _main_mode(values):
    """Centre of the densest 40 % of a sample: what most of the border agrees on."""
    ordered = np.sort(values)
    count = max(len(ordered) * 2 // 5, 1)
    width = ordered[count - 1 :] - ordered[: len(ordered) - count + 1]
    start = int(np.argmin(width))
    return float(median(ordered[start : start + count]))


def _weighted_fit(terms, values, weights):
    """Least-squares coefficients with a trace of ridge, so that few points cannot blow up."""
    weighted = terms * weights
    gram = weighted @ terms.T
    gram.flat[:: len(gram) + 1] += 1e-3 * max(float(weights.sum()), 1.0) / 100
    return cv2.solve(gram, weighted @ values.T, flags=cv2.DECOMP_CHOLESKY)[1]


def _square_distance(residual, scatter):
    """Mean square over the channels of (3, n) residuals in units of their scatter, (n,)."""
    return np.square(residual).T @ (1 / (3 * scatter**2))


def _scatter(residual, weights):
    """Robust standard deviation per channel of the residuals that count, with a floor of one code value."""
    inside = residual[:, weights > 0.3]
    if inside.shape[1] < 20:
        inside = residual
    return np.maximum(1.4826 * median(np.abs(inside)), SMALLEST_SCATTER)


def fit_backdrop(picture):
    """
    Smooth model of the background: robust polynomial surfaces in CIELAB.

    The border's most common tone starts the fit; Tukey's biweight lets the
    product, its shadow and anything else that meets the border drop out. The
    degree grows from plane to cubic while inside pixels that agree join in, so
    that a vignette or the gradient of a sweep is followed under the product.

    Parameters
    ----------
    picture : Picture

    Returns
    -------
    Backdrop
        ``kind`` is 'unknown' and ``confidence`` near 0 where no smooth surface
        explains the border: a crop full of product, a place instead of a studio.
    """
    height = len(picture.working)
    if _flat_white_share(picture.working) >= FLAT_WHITE:
        white = np.zeros((3, 1, 1), np.float32)
        white[0] = 100
        return Backdrop(white, np.full(3, SMALLEST_SCATTER, np.float32), "cut_out", 1.0)
    x, y, layout, grid = _samples(picture)
    horizon, step, front = find_edges(picture)
    first = horizon or front
    if first and _flat_white_share(picture.working[: max(int(min(first) * height) - ERASED_PX, 1)]) >= FLAT_WHITE:
        horizon = front = None  # a cut-out keeps no table: what begins below pure white is product
    if front:
        found = _before_front(picture, x, y, grid, horizon, step, front)
        if found:
            return found
        horizon, step = find_horizon(picture)
    two = _two_backdrops(picture, x, y, grid, horizon, step) if horizon else None
    if two:
        return two
    return _one_backdrop(layout, grid)


def _one_backdrop(layout, grid):
    coefficients, scatter, explained = _fit(layout, grid)
    surface = _surface(coefficients)
    level = median(surface.reshape(3, -1))
    confidence = _confidence(explained, scatter)
    return Backdrop(surface, scatter.astype(np.float32), _kind(level, confidence), round(confidence, 3))


def _before_front(picture, x, y, grid, horizon, step, front):
    """The backdrop down to a table's front edge, or None where what lies just above that line is none of it: the line is the product's own."""
    apart = y - np.interp(x, (-1, 1), 2 * np.array(front) - 1)
    kept = apart < -2 * ERASED_PX / len(picture.working)
    strip = kept & (apart > -2 * (STRIP + ERASED_PX / len(picture.working)))
    lower = grid[0, apart > 0]
    lit = strip.any() and len(lower) and median(grid[0, strip]) > median(lower)  # from above, as a table is
    beside = (strip & (np.abs(x) >= 1 - 2 * BORDER))[kept]
    x, y, grid = x[kept], y[kept], grid[:, kept]
    backdrop = _two_backdrops(picture, x, y, grid, horizon, step, min(front)) if horizon else None
    if horizon and not backdrop:
        return None
    if not horizon:
        backdrop = _one_backdrop(_layout(x, y), grid)
        level = median(backdrop.surface.reshape(3, -1)[:, : int(min(front) * backdrop.surface.shape[1]) * backdrop.surface.shape[2]])
        if not lit or backdrop.scatter[0] > EVEN_SCATTER or level[0] < LIGHT_L or np.hypot(*level[1:]) > NEUTRAL_C:
            return None  # the line may be the lower edge of a product that fills the frame
    table = backdrop.surface if backdrop.below is None else backdrop.below
    last = int(min(front) * table.shape[1]) - 1
    table[:, last + 1 :] = table[:, last : last + 1]  # below, no sample holds the polynomials
    row, column = (((value[beside] + 1) / 2 * table.shape[1]).astype(int) for value in (y, x))
    alike = np.abs(grid[:, beside] - table[:, row, column]) < SAME + 3 * backdrop.scatter[:, None]
    return backdrop._replace(front=front) if beside.any() and np.mean(alike.all(axis=0)) > EXPLAINED else None


def _layout(x, y):
    """The order of samples in which those of the border come first, how many those are, and the polynomial terms in that order."""
    rim_x, rim_y = min(1 - 2 * BORDER, np.abs(x).max()), min(1 - 2 * BORDER, np.abs(y).max())
    border = (np.abs(x) >= rim_x) | (np.abs(y) >= rim_y)
    order = np.concatenate([np.flatnonzero(border), np.flatnonzero(~border)])
    return order, np.count_nonzero(border), _terms(x[order], y[order])


def _fit(layout, grid, shaded=1.0):
    """
    Coefficients of the surface through samples, its scatter (3,), and the share of the border that it explains.

    What is darker than the surface counts as that many times as far from it: a shadow darkens a table, and nothing lightens it.
    """
    order, rim, terms = layout
    grid = grid[:, order]
    importance = np.where(np.arange(len(order)) < rim, 1.0, 0.25)
    centre = np.array([_main_mode(plane[:rim]) for plane in grid])
    start = np.array([6.0, 4.0, 4.0])  # CIELAB; wide enough for a sweep's gradient, narrow enough to leave a product out
    weights = np.exp(-_square_distance(grid[:, :rim] - centre[:, None], start))
    whole = len(order)
    for degree, asked in ((1, rim), (1, rim), (2, whole), (2, whole), (3, whole), (3, whole)):
        used, known = terms[: (degree + 1) * (degree + 2) // 2], len(weights)
        coefficients = _weighted_fit(used[:, :known], grid[:, :known], weights)
        residual = grid[:, :asked] - coefficients.T @ used[:, :asked]
        scatter = _scatter(residual[:, :rim], weights[:rim])
        if shaded > 1:
            residual[0] *= np.where(residual[0] < 0, shaded, 1.0)
        reach = _square_distance(residual, np.maximum(scatter, 0.6)) / TUKEY**2
        weights = importance[:asked] * np.square(np.maximum(1 - reach, 0))
    if shaded > 1:  # what lies in shadow is explained as well
        residual[0] *= np.where(residual[0] < 0, shaded**-2, 1.0)
    explained = float(np.mean(_square_distance(residual[:, :rim], np.maximum(scatter, 0.8)) < TUKEY**2))
    return coefficients, scatter, explained


def _confidence(explained, scatter):
    return float(np.clip((explained - 0.35) / 0.4, 0, 1) * np.clip(1.5 - scatter[0] / 8, 0, 1))


def _two_backdrops(picture, x, y, grid, horizon, step, bottom=1.0):
    """A backdrop above a line across the frame and one below it, or None where either is no smooth, neutral surface, nor one before which a product stands."""
    left, right = (2 * end - 1 for end in horizon)
    line = 0.5 * (left + right) + 0.5 * (right - left) * x
    away = 2.0 / GRID_PX  # a sample at the line belongs to neither
    layouts = [(_layout(x[part], y[part]), grid[:, part]) for part in (y < line - away, y > line + away)]
    parts = [_fit(*layout) for layout in layouts]
    surfaces = [_surface(coefficients) for coefficients, _, _ in parts]
    height = (2 * np.arange(surfaces[0].shape[1]) + 1) / surfaces[0].shape[1] - 1
    below = height[:, None] > 0.5 * (left + right) + 0.5 * (right - left) * height
    seen = below & (height[:, None] < 2 * bottom - 1)  # down to the table's front edge
    levels = [median(surface[:, where]) for surface, where in zip(surfaces, (~below, seen), strict=True)]
    if np.hypot(*levels[1][1:]) <= NEUTRAL_C:  # one tone, that shadows darken; wood is lighter and darker by its grain
        parts[1] = _fit(*layouts[1], SHADED)
        surfaces[1] = _surface(parts[1][0])
        levels[1] = median(surfaces[1][:, seen])
    plain = True
    for (_, scatter, explained), level in zip(parts, levels, strict=True):
        chroma = np.hypot(level[1], level[2])
        if explained < EXPLAINED or scatter[0] > GRAIN or level[0] < LIGHT_L or chroma > COLOUR_C:
            return None
        plain &= scatter[0] <= EVEN_SCATTER and chroma <= NEUTRAL_C
    if bottom < 1 or not plain:
        hidden = _hidden(picture, horizon, surfaces, [part[1] for part in parts])
        if hidden < HIDDEN[0] or not (plain or (_tint(levels) > OTHER_TINT and hidden < HIDDEN[1])):
            return None
    at = int(np.clip(0.5 * (horizon[0] + horizon[1]), 0, 0.99) * below.shape[0])
    share = np.linalg.norm((surfaces[1] - surfaces[0])[:, at, [0, -1]], axis=0) / step
    if share.min() < LEAST_SIDE or not ((share > LEAST_STEP) & (share < MOST_STEP)).any():  # one side may lie in the product's shadow
        return None  # something else crosses the frame: a strap, a zip
    scatter = np.max([part[1] for part in parts], axis=0)
    confidence = min(_confidence(explained, scatter) for _, scatter, explained in parts)
    return Backdrop(surfaces[0], scatter.astype(np.float32), _kind(levels[0], confidence), round(confidence, 3), horizon, surfaces[1])


def _tint(levels):
    """CIELAB chroma by which one tone differs from another in more or less light: a shadow across a coloured paper does not."""
    (upper, *above), (lower, *below) = levels
    return float(np.linalg.norm(np.array(below) - np.array(above) * (lower + 16) / (upper + 16)))


def _hidden(picture, horizon, surfaces, scatters):
    """Share of the line beside which the frame shows another tone than the two backdrops: something stands before it."""
    height, width = picture.working.shape[:2]
    x = ((np.arange(COLUMNS) + 0.5) / COLUMNS * width).astype(int)
    line = (horizon[0] + (horizon[1] - horizon[0]) * (x + 0.5) / width) * height
    cells = surfaces[0].shape[1]
    alike = np.ones(COLUMNS, bool)
    for surface, scatter, side in zip(surfaces, scatters, (-1, 1), strict=True):
        y = np.clip((line + side * ERASED_PX).astype(int), 0, height - 1)
        _, seen = picture.colours(y * width + x)
        expected = surface[:, y * cells // height, x * cells // width].T
        alike &= (np.abs(seen.reshape(-1, 3) - expected) < SAME + 3 * scatter).all(axis=1)
    return 1 - float(np.mean(alike))


def _samples(picture):
    """Places (-1 to 1), their `_layout`, and CIELAB of a grid of pixels: x (n,), y (n,), layout, values (3, n), float64."""
    height, width = picture.working.shape[:2]
    step = max(1, max(height, width) // GRID_PX)
    top, left = min(step // 2, height // 2), min(step // 2, width // 2)  # a strip may be narrower than half a step
    x, y, layout = _places(height, width, step, top, left)
    _, lab = picture.colours((slice(top, None, step), slice(left, None, step)))
    return x, y, layout, lab.reshape(-1, 3).T.astype(np.float64, order="C")


@lru_cache(maxsize=4)
def _places(height, width, step, top, left):
    """x and y, -1 to 1, of the pixels of a grid, row by row, and their `_layout`: the same for all pictures of one size."""
    rows, columns = np.arange(top, height, step), np.arange(left, width, step)
    y, x = np.meshgrid((2 * rows + 1) / height - 1, (2 * columns + 1) / width - 1, indexing="ij")
    return x.ravel(), y.ravel(), _layout(x.ravel(), y.ravel())


def _surface(coefficients, cells=64):
    """The fitted surface at the middle of each of 64 x 64 cells of the frame, (3, 64, 64) float32."""
    surface = (coefficients.T @ _cell_terms(cells)).reshape(3, cells, cells)
    surface[0] = np.clip(surface[0], 0, 100)
    return surface.astype(np.float32)


@lru_cache(maxsize=2)
def _cell_terms(cells):
    """`_terms` at the middle of each of so many by so many cells."""
    middle = (2 * np.arange(cells) + 1) / cells - 1
    y, x = np.meshgrid(middle, middle, indexing="ij")
    return _terms(x.ravel(), y.ravel())


def _flat_white_share(working):
    """Share of border pixels at exactly 255 in all channels, or of its best three sides where a product meets one."""
    height, width = working.shape[:2]
    deep = max(2, int(0.01 * min(height, width)))
    sides = (working[:deep], working[-deep:], working[:, :deep], working[:, -deep:])
    shares = sorted(cv2.countNonZero(cv2.inRange(side, *[(255, 255, 255)] * 2)) / side[..., 0].size for side in sides)
    return sum(shares[1:]) / 3 if shares[0] > 0.2 else sum(shares) / 4


def _kind(level, confidence):
    if confidence < 0.3:
        return "unknown"
    if np.hypot(level[1], level[2]) > NEUTRAL_C:
        return "coloured"
    return "white" if level[0] >= WHITE_L else "grey"
