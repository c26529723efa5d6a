"""What a picture looks like, small enough to compare every picture with many: colour, outline, structure."""

from typing import NamedTuple

import cv2
import numpy as np

from catalogue_audit.statistics.robust import mad_scale

QUANTILES = (0.1, 0.3, 0.5, 0.7, 0.9)
CHANNEL_WEIGHTS = (0.5, 1.0, 1.0)  # L* less than a* and b*: the views are lit from different sides
GRID = 24  # cells a side of outlines and structures
FOREIGN_COLOUR = 8.0  # CIELAB; no less is called another colour, however steady the set
OWN_COLOUR = 4.0  # CIELAB; the scatter between views of one product that is always allowed
CLEARLY_NEARER = 0.5  # the likely product's distance over the claimed one's
SIGMAS = 5.0
FEWEST_PRODUCTS = 4  # a set must show what is usual before anything is called unusual
NOT_BACKDROP = 8.0  # CIELAB; light falls off over a backdrop by less
LEAST_UNLIKE = 0.25  # of a detail's frame; where less differs from the backdrop, the product itself has its colour
LEAST_PRODUCT = 0.12  # of the frame; what covers less is hardware or an edge, not a product
CROP_CONTACT = 0.25  # share of the frame's border that the product covers: a crop, not a whole product
INSIDE_VIEWS = ("interior", "lining")  # another colour inside is no evidence


class Look(NamedTuple):
    """
    What one picture looks like: colour quantiles (15), outline and structure grids, border contact, product's share of the frame.

    All looks of a delivery are kept at once, so the outline is uint8 (255 where it fills a cell), the structure float16: 2 kB each.
    """

    colour: np.ndarray
    outline: np.ndarray
    structure: np.ndarray
    aspect: float
    contact: float
    share: float


def look_of(sketch, backdrop=None):
    """
    What a picture looks like; None where the sketch has no thumbnail, or no product mask though it shows a whole product.

    Parameters
    ----------
    sketch : dict of ndarray
    backdrop : (3,) array_like of float, optional
        CIELAB of the set's backdrop, for a picture of a part of the product: in a frame that the product
        fills, no outline is found, so all of the frame counts, and its colour is that of all that is not backdrop.

    Returns
    -------
    Look
    """
    thumb, mask = sketch.get("thumb"), sketch.get("mask")
    if thumb is None or thumb.size == 0:
        return None
    height, width = thumb.shape[:2]
    if mask is None and backdrop is not None:
        mask = np.ones((height, width), bool)
    if mask is None or not mask.any():
        return None
    small = cv2.resize(mask.astype(np.uint8), (width, height), interpolation=cv2.INTER_AREA)
    inner = cv2.erode(small, np.ones((3, 3), np.uint8)).astype(bool)
    inner = inner if inner.sum() > 50 else small.astype(bool)
    if inner.sum() < 20:
        return None
    lab = _lab(thumb)
    border = np.concatenate([mask[0], mask[-1], mask[:, 0], mask[:, -1]])
    contact, share = float(border.mean()), float(mask.mean())
    if backdrop is not None and (contact > CROP_CONTACT / 5 or share < LEAST_PRODUCT):
        inner = _unlike(lab, backdrop)
    pixels = np.sort(lab[inner], axis=0)
    quantiles = pixels[np.round(np.multiply(QUANTILES, len(pixels) - 1)).astype(int)] * CHANNEL_WEIGHTS
    down, across, outline, aspect = _outline(mask)
    scale = np.array([height / mask.shape[0], width / mask.shape[1]])
    top, bottom = (np.array([down[0], down[-1] + 1]) * scale[0]).round().astype(int)
    left, right = (np.array([across[0], across[-1] + 1]) * scale[1]).round().astype(int)
    lightness = lab[top : max(bottom, top + 1), left : max(right, left + 1), 0]
    structure = cv2.resize(np.ascontiguousarray(lightness), (GRID, GRID), interpolation=cv2.INTER_AREA)
    return Look(
        colour=quantiles.ravel().astype(np.float32),
        outline=_levels(outline),
        structure=_inner_structure(structure, outline).astype(np.float16),
        aspect=aspect,
        contact=contact,
        share=share,
    )


def outline_of(mask):
    """Outline grid (uint8) and width over height of a mask's box, as of `Look`; None of an empty mask."""
    if not mask.any():
        return None
    *_, outline, aspect = _outline(mask)
    return _levels(outline), aspect


def _outline(mask):
    """Rows and columns that a mask reaches, the share of it in each cell of its box, and the box's width over height."""
    down, across = np.flatnonzero(mask.any(axis=1)), np.flatnonzero(mask.any(axis=0))
    box = mask[down[0] : down[-1] + 1, across[0] : across[-1] + 1]
    return down, across, cv2.resize(box.astype(np.float32), (GRID, GRID), interpolation=cv2.INTER_AREA), box.shape[1] / box.shape[0]


def _levels(outline):
    return np.uint8(np.round(255 * outline))


def looked(sketches, asked):
    """`look_of` a picture asked for by its file and the set's backdrop."""
    file, backdrop = asked
    return look_of(sketches.get(file) or {}, backdrop)


def backdrop_of(sketches):
    """
    Median CIELAB of what surrounds the products of a set's whole views; None where nothing does.

    Parameters
    ----------
    sketches : iterable of dict of ndarray
    """
    medians = []
    for sketch in sketches:
        thumb, mask = sketch.get("thumb"), sketch.get("mask")
        if thumb is None or mask is None or thumb.size == 0:
            continue
        around = cv2.resize(mask.astype(np.uint8), thumb.shape[1::-1], interpolation=cv2.INTER_AREA) == 0
        edge = np.concatenate([thumb[:, :1][around[:, :1]], thumb[:, -1:][around[:, -1:]]])  # beside it is enough
        if len(edge):
            medians.append(np.median(_lab(edge[None])[0], axis=0))
    return np.median(medians, axis=0) if medians else None


def _unlike(lab, backdrop):
    """Pixels of another colour than the backdrop; all, where hardly any are: a product of the backdrop's own colour."""
    unlike = np.linalg.norm(lab - np.asarray(backdrop, np.float32), axis=-1) > NOT_BACKDROP
    return unlike if unlike.mean() >= LEAST_UNLIKE else np.ones_like(unlike)


def _lab(thumb):
    return cv2.cvtColor(np.ascontiguousarray(thumb).astype(np.float32) / 255, cv2.COLOR_RGB2LAB)


def _inner_structure(structure, outline):
    """Lightness within the outline, without its shading from side to side and top to bottom, unit norm."""
    inside = outline > 0.9
    if inside.sum() < 30:
        return np.zeros_like(structure)
    y, x = np.mgrid[:GRID, :GRID] / GRID
    plane = np.column_stack([np.ones(inside.sum()), x[inside], y[inside]])
    fit = np.linalg.lstsq(plane, structure[inside], rcond=None)[0]
    rest = np.zeros_like(structure)
    rest[inside] = structure[inside] - plane @ fit
    return (rest / max(float(np.linalg.norm(rest)), 1e-6)).astype(np.float32)


def colour_distance(one, other):
    """Mean distance of the colour quantiles of two looks, in CIELAB units (lightness counts half)."""
    return float(colour_distances(one.colour[None], other.colour)[0])


def colour_distances(colours, colour):
    """`colour_distance` of (n, q) arrays of colour quantiles, as of `Look`, from one such, (q,)."""
    return np.abs(colours - colour).reshape(len(colours), -1, 3).sum(axis=2).mean(axis=1)


def distances_from(looks, row, others):
    """`colour_distance` of one picture from each of some others, (n,) ndarray of float64."""
    return colour_distances(np.stack([looks[other].colour for other in others]), looks[row].colour).astype(float)


def outline_match(one, other, mirrored=False):
    """Overlap of two outlines in their boxes (intersection over union), less what the boxes' shapes differ."""
    shape = other.outline[:, ::-1] if mirrored else other.outline
    union = np.maximum(one.outline, shape).sum()
    overlap = np.minimum(one.outline, shape).sum() / union if union else 0.0
    return float(overlap * min(one.aspect, other.aspect) / max(one.aspect, other.aspect))


def structure_match(one, other):
    """Correlation of the structures of two looks."""
    return float(np.multiply(one.structure, other.structure, dtype=np.float32).sum())


def usual_most(values, least):
    """What a set calls unusual: its median plus five sigma, but no less than ``least``."""
    return max(least, float(np.median(values)) + SIGMAS * mad_scale(values)) if len(values) else np.inf


def usual_least(values, least_below):
    """The same downwards: the median less five sigma, but at least ``least_below`` less."""
    return float(np.median(values)) - max(least_below, SIGMAS * mad_scale(values))


def views_of(frames, rows):
    """Row of each view that occurs once among ``rows``."""
    views = {}
    for row in rows:
        views.setdefault(frames["view"][row], []).append(row)
    return {view: found[0] for view, found in views.items() if len(found) == 1}
