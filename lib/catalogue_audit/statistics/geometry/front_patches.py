"""
Patches of a front view's edges, searched for in a three-quarter view near where they are expected, of several suppositions at once.

Each patch is shown as its supposition shows the front, and correlated with every place near the expected one; rows of a patch are multiplied with rows of
the picture, as matrices, and the products summed along the diagonals.
"""

from typing import NamedTuple

import cv2
import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

PATCH_PX = 7
HALF = PATCH_PX // 2
MARGIN_PX = 12  # of nothing around the picture, more than any patch with its reach
MOST_PX = 512  # that a supposition shows of the front, either way
LEAST_CORRELATION, SURE_CORRELATION = 0.35, 0.75
NOT_SURE = 1e-3  # how sure the least correlation is
FLAT = 1e-3, 0.02  # of correlation a px squared: what is flatter says nothing, and moves no patch
MOST_FINER_PX = 0.7
NOTHING = 1e-6  # product of two patches' sums of squares
NEXT = np.arange(-1, 2)


class Maps(NamedTuple):
    """
    Correlation of n patches by m suppositions with all places near where they are expected.

    Attributes
    ----------
    begins : (m, n, 2) float
        Where a patch's middle lies at the first row and column of its map: x, y px.
    inside : (m, n) bool
        Whether a patch is expected in the picture.
    values : (m, n, h, h) float32
    """

    begins: np.ndarray
    inside: np.ndarray
    values: np.ndarray


def prepared(edges):
    """Edges (h, w, 2) with a margin, and the sum of squared differences from the mean, of a patch about every pixel, both channels together."""
    wide = cv2.copyMakeBorder(edges, *(MARGIN_PX,) * 4, cv2.BORDER_CONSTANT)
    mean, squares = (cv2.boxFilter(one, -1, (PATCH_PX, PATCH_PX)) for one in (wide, wide * wide))
    return wide, PATCH_PX**2 * (squares - mean * mean).sum(axis=2)


def maps_about(pair, picture, warps, expected, reach):
    """
    Correlate patches of the front with the turned view.

    Parameters
    ----------
    pair : with ``front`` and ``turned``, edges (h, w, 2) float32; ``points`` (n, 2) of the front, px
    picture : (array, array)
        `prepared` of the turned view.
    warps : (m, 3, 3) float
        The front as each supposition shows it.
    expected : (m, n, 2) float
    reach : int
        px either way.

    Returns
    -------
    Maps
    """
    height, width = pair.turned.shape[:2]
    about = np.clip(np.rint(expected), -1, (width, height)).astype(int)
    inside = ((about >= 0) & (about < (width, height))).all(axis=2)
    patches, off = (np.concatenate(parts) for parts in zip(*(_shown(pair, warp) for warp in warps), strict=True))
    values = _correlations(patches, picture, (about + MARGIN_PX).reshape(-1, 2), reach)
    return Maps(about - reach + off.reshape(about.shape), inside, values.reshape(*about.shape[:2], *values.shape[1:]))


def _shown(pair, warp):
    """Patches (n, 7, 14) of the front as a projection shows it, channels side by side, and how far their middles lie off whole pixels (n, 2)."""
    middles = cv2.perspectiveTransform(pair.points[None], warp)[0]
    cells = np.rint(middles).astype(int)
    begins = cells.min(axis=0) - HALF
    size = np.minimum(cells.max(axis=0) + HALF + 1 - begins, MOST_PX)
    shown = cv2.warpPerspective(pair.front, np.array([(1, 0, -begins[0]), (0, 1, -begins[1]), (0, 0, 1)]) @ warp, size.tolist())
    x, y = np.clip(cells - HALF - begins, 0, size - PATCH_PX).T
    return sliding_window_view(shown.reshape(len(shown), -1), (PATCH_PX, 2 * PATCH_PX))[y, 2 * x], middles - cells


def _correlations(patches, picture, middles, reach):
    """Correlation (n, h, h) of patches (n, 7, 14) with the places about the middles (n, 2) of a `prepared` picture; 0 where there is nothing."""
    edges, norms = picture
    x, y = middles.T
    span, far = 2 * reach + 1, reach + HALF
    patches = patches - np.tile(patches.reshape(len(patches), -1, 2).mean(axis=1), PATCH_PX)[:, None]
    strength = np.einsum("nij,nij->n", patches, patches)
    windows = sliding_window_view(edges.reshape(len(edges), -1), (2 * far + 1, 2 * (2 * far + 1)))[y - far, 2 * (x - far)]
    rows = np.ascontiguousarray(sliding_window_view(windows, 2 * PATCH_PX, axis=2)[:, :, ::2].transpose(0, 3, 2, 1)).reshape(len(x), 2 * PATCH_PX, -1)
    products = (patches @ rows).reshape(len(x), PATCH_PX, span, -1)
    sums = sum(products[:, k, :, k : k + span] for k in range(PATCH_PX)).transpose(0, 2, 1)
    there = sliding_window_view(norms, (span, span))[y - reach, x - reach]
    return sums / np.sqrt(np.maximum(there * strength[:, None, None], NOTHING))


def found_near(maps, expected, reach):
    """
    Where patches are found near where they are expected.

    Parameters
    ----------
    maps : Maps
    expected : (m, n, 2) float
    reach : int
        px either way; what lies outside the maps is not looked at.

    Returns
    -------
    at : (m, n, 2) float
        px.
    shapes : (m, n, 2, 2) float
        Roots of the correlation's curvature: an edge says nothing of its own direction.
    sure, value : (m, n) float
        0 to 1; correlation. 0 where a patch is not found.
    """
    many, count, size = maps.values.shape[:3]
    span, every = min(2 * reach + 1, size), np.arange(many * count)
    flat = maps.values.reshape(many * count, size, size)
    cell = np.rint(expected - maps.begins).astype(int)
    begins = np.clip(cell - span // 2, 0, size - span)
    near = sliding_window_view(flat, (span, span), axis=(1, 2))[every, begins[..., 1].ravel(), begins[..., 0].ravel()]
    row, column = (place.reshape(many, count) for place in np.divmod(near.reshape(many * count, -1).argmax(axis=1), span))
    place = begins + np.stack([column, row], axis=-1)
    x, y = np.moveaxis(np.clip(place, 1, size - 2), -1, 0)
    nine = flat[every.reshape(many, count, 1, 1), y[..., None, None] + NEXT[:, None], x[..., None, None] + NEXT]
    value = nine[..., 1, 1]
    peak = (np.minimum(row, column) > 0) & (np.maximum(row, column) < span - 1) & (place == np.stack([x, y], axis=-1)).all(axis=-1)
    good = maps.inside & peak & (value > LEAST_CORRELATION)
    finer, shapes = _peaks(nine)
    sure = np.clip((value - LEAST_CORRELATION) / (SURE_CORRELATION - LEAST_CORRELATION), NOT_SURE, 1)
    return place + maps.begins + finer, shapes, np.where(good, sure, 0.0), np.where(good, value, 0.0)


def _peaks(nine):
    """Where peaks (..., 3, 3) lie between whole pixels (..., 2), and roots of their curvature (..., 2, 2)."""
    value = nine[..., 1, 1]
    rise = (nine[..., 1, 2] - nine[..., 1, 0]) / 2, (nine[..., 2, 1] - nine[..., 0, 1]) / 2
    across, along = 2 * value - nine[..., 1, 2] - nine[..., 1, 0], 2 * value - nine[..., 2, 1] - nine[..., 0, 1]
    both = -(nine[..., 2, 2] + nine[..., 0, 0] - nine[..., 0, 2] - nine[..., 2, 0]) / 4
    middle, half, angle = (across + along) / 2, np.hypot((across - along) / 2, both), 0.5 * np.arctan2(2 * both, across - along)
    axes = np.stack([np.cos(angle), np.sin(angle), -np.sin(angle), np.cos(angle)], axis=-1).reshape(*value.shape, 2, 2)
    bends = np.stack([middle + half, middle - half], axis=-1)
    moves = np.einsum("...ij,...j->...i", axes, np.stack(rise, axis=-1)) / np.maximum(bends, FLAT[1])
    finer = np.einsum("...ij,...i->...j", axes, np.clip(moves, -MOST_FINER_PX, MOST_FINER_PX))
    return finer, axes * np.sqrt(np.maximum(bends, FLAT[0]))[..., None]
