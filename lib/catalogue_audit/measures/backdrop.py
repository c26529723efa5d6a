"""The background behind the product: one smooth surface fitted to the frame's border, then to all that agrees."""

import cv2
import numpy as np

from .records import Backdrop

GRID_PX = 160  # long side of the grid the surface is fitted on; it has at most ten coefficients a channel
BORDER = 0.05  # fraction of the frame that counts as border
FLAT_WHITE = 0.999  # share of the border at exactly 255 from which a picture is a cut-out
WHITE_L = 86.0  # CIELAB L*; a sweep lit to 0.68 of white or more is called white in the trade
NEUTRAL_C = 10.0  # CIELAB chroma above which a backdrop is coloured (a wrong balance stays below)


def _terms(x, y, degree):
    """Polynomial terms up to a total degree, one column each; x, y in [-1, 1]."""
    return np.stack([x**i * y**j for i in range(degree + 1) for j in range(degree + 1 - i)], axis=-1)


def _main_mode(values):
    """Centre of the densest 40 % of a sample: what most of the border agrees on."""
    ordered = np.sort(values)
    count = max(len(ordered) * 2 // 5, 1)
    width = ordered[count - 1 :] - ordered[: len(ordered) - count + 1]
    start = int(np.argmin(width))
    return float(np.median(ordered[start : start + count]))


def _weighted_fit(terms, values, weights):
    """Least-squares coefficients with a trace of ridge, so that few points cannot blow up."""
    gram = terms.T @ (terms * weights[:, None])
    gram[np.diag_indices_from(gram)] += 1e-3 * max(float(weights.sum()), 1.0) / 100
    return np.linalg.solve(gram, terms.T @ (values * weights[:, None]))


def _distance(residual, scatter):
    return np.sqrt(np.sum((residual / scatter) ** 2, axis=1) / 3)


def _scatter(residual, weights):
    """Robust standard deviation per channel of the residuals that count, with a floor of one code value."""
    inside = residual[weights > 0.3]
    if len(inside) < 20:
        inside = residual
    return np.maximum(1.4826 * np.median(np.abs(inside), axis=0), (0.35, 0.35, 0.35))


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
    height, width = picture.lab.shape[:2]
    step = max(1, max(height, width) // GRID_PX)
    grid = picture.lab[step // 2 :: step, step // 2 :: step].reshape(-1, 3).astype(np.float64)
    rows = np.arange(step // 2, height, step)
    columns = np.arange(step // 2, width, step)
    y, x = np.meshgrid((2 * rows + 1) / height - 1, (2 * columns + 1) / width - 1, indexing="ij")
    x, y = x.ravel(), y.ravel()
    rim_x, rim_y = min(1 - 2 * BORDER, np.abs(x).max()), min(1 - 2 * BORDER, np.abs(y).max())
    border = ((np.abs(x) >= rim_x) | (np.abs(y) >= rim_y)).astype(np.float64)

    rim = grid[border > 0]
    centre = np.array([_main_mode(rim[:, k]) for k in range(3)])
    start = np.array([6.0, 4.0, 4.0])  # CIELAB; wide enough for a sweep's gradient, narrow enough to leave a product out
    weights = border * np.exp(-(_distance(grid - centre, start) ** 2))
    coefficients, degree = None, 0
    for degree in (1, 1, 2, 2, 3, 3):
        terms = _terms(x, y, degree)
        support = border if degree == 1 else border + 0.25 * (1 - border)
        coefficients = _weighted_fit(terms, grid, weights)
        residual = grid - terms @ coefficients
        scatter = _scatter(residual[border > 0], weights[border > 0])
        reach = _distance(residual, np.maximum(scatter, 0.6)) / 4.0  # Tukey's constant, in robust deviations
        weights = support * np.clip(1 - reach**2, 0, None) ** 2
    residual_border = residual[border > 0]
    explained = float(np.mean(_distance(residual_border, np.maximum(scatter, 0.8)) < 4.0))

    coarse_y, coarse_x = np.meshgrid(np.linspace(-1, 1, 49), np.linspace(-1, 1, 65), indexing="ij")
    surface = (_terms(coarse_x.ravel(), coarse_y.ravel(), degree) @ coefficients).reshape(49, 65, 3)
    surface[..., 0] = np.clip(surface[..., 0], 0, 100)
    lab = _stretched(surface.astype(np.float32), width, height)

    flat = _flat_white_share(picture.working)
    if flat >= FLAT_WHITE:
        lab[...] = (100.0, 0.0, 0.0)
        return Backdrop(lab, np.full(3, 0.35, np.float32), "cut_out", 1.0)
    level = np.median(surface.reshape(-1, 3), axis=0)
    confidence = float(np.clip((explained - 0.35) / 0.4, 0, 1) * np.clip(1.5 - scatter[0] / 8, 0, 1))
    return Backdrop(lab, scatter.astype(np.float32), _kind(level, confidence), round(confidence, 3))


def _stretched(surface, width, height):
    """Coarse grid from edge to edge, as (height, width, 3): bilinear, corners on the frame's corners."""
    rows, columns = surface.shape[:2]
    transform = np.array(
        [[(columns - 1) / width, 0, 0.5 * (columns - 1) / width], [0, (rows - 1) / height, 0.5 * (rows - 1) / height]]
    )
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    return cv2.warpAffine(surface, transform, (width, height), flags=flags, borderMode=cv2.BORDER_REPLICATE)


def _flat_white_share(working):
    """Share of border pixels at exactly 255 in all channels, or of its best three sides where a product meets one."""
    height, width = working.shape[:2]
    deep = max(2, int(0.01 * min(height, width)))
    sides = (working[:deep], working[-deep:], working[:, :deep], working[:, -deep:])
    shares = sorted(float(np.mean(side.min(axis=2) == 255)) for side in sides)
    return float(np.mean(shares[1:])) if shares[0] > 0.2 else float(np.mean(shares))


def _kind(level, confidence):
    if confidence < 0.3:
        return "unknown"
    if np.hypot(level[1], level[2]) > NEUTRAL_C:
        return "coloured"
    return "white" if level[0] >= WHITE_L else "grey"
