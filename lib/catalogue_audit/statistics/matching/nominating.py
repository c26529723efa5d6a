"""
Which pictures are worth laying over one another: each one's nearest few, and no more.

Bags of one style look alike, so that in a large delivery every picture resembles
hundreds. One photograph in two files resembles itself most of all; it is enough to
verify each picture against the few that are nearest, and the work grows with the
number of pictures, not with its square.
"""

import itertools
import math

import numpy as np
from scipy.spatial import cKDTree

from catalogue_audit.statistics.matching.signatures import GRID

NEAREST, ASKED = 4, 16  # pictures verified; more are asked for by eight numbers, and sifted by the whole grid
AT_ONCE = 2000  # pictures whose nearest are held in memory together, 10 kB each
FRAME_MATCH, BOX_MATCH = 0.985, 0.985  # correlation of lightness grids: below, two photographs (re-crops: 0.999)
DETAIL_MATCH = 0.95  # the same for details, whose frame moves over them when they are cropped again
ASPECT_UNIT = 0.03  # of a product box's width over height, between a picture and its re-crop
COLOUR_UNIT = 4.0  # CIELAB, in any coordinate, between a picture and its re-crop
FEW_DETAILS = 12  # of one product: all of one colour are compared with one another


def nominations(signatures, skus):
    """
    Pairs of pictures worth laying over one another, and how.

    Parameters
    ----------
    signatures : dict of int to Signature
        By row.
    skus : (n,) ndarray of object
        By row.

    Returns
    -------
    dict of (int, int) to set of str
        Rows, the smaller first, in order → ways: 'frame' (as they are), 'mirrored_frame', 'box' (their product boxes
        over one another), 'mirrored_box', 'detail' (as they are, or by key points).
    """
    rows = np.array(list(signatures), dtype=np.int64)
    found = {}
    if rows.size < 2:
        return found
    made = [signatures[row] for row in rows]
    for way, a, b in itertools.chain(_same_frames(made), _same_boxes(made), _same_details(made, skus[rows])):
        for pair in zip(rows[np.minimum(a, b)].tolist(), rows[np.maximum(a, b)].tolist(), strict=True):
            found.setdefault(pair, set()).add(way)
    return dict(sorted(found.items()))


def _same_frames(made):
    """By the structure of the whole frame, upright and mirrored."""
    frame = np.stack([one.frame for one in made])
    reach = math.sqrt(2 - 2 * FRAME_MATCH)  # distance of two unit vectors with that correlation
    own = low_frequencies(frame) / reach
    yield "frame", *_nearest(own, own, frame, frame, FRAME_MATCH)
    yield "mirrored_frame", *_nearest(own, low_frequencies(frame, mirrored=True) / reach, frame, mirrored(frame), FRAME_MATCH)


def _same_boxes(made):
    """By the structure, shape and colour of the product in its box, upright and mirrored."""
    places = np.array([place for place, one in enumerate(made) if one.box is not None], dtype=np.int64)
    if places.size < 2:
        return
    box = np.stack([made[place].box for place in places])
    plain = [(math.log(made[p].aspect) / ASPECT_UNIT, *np.divide(made[p].colour, COLOUR_UNIT)) for p in places]
    reach = math.sqrt(2 - 2 * BOX_MATCH)
    own = np.column_stack([plain, low_frequencies(box) / reach])
    flipped = np.column_stack([plain, low_frequencies(box, mirrored=True) / reach])
    for way, others, grids in (("box", own, box), ("mirrored_box", flipped, mirrored(box))):
        a, b = _nearest(own, others, box, grids, BOX_MATCH)
        yield way, places[a], places[b]


def _same_details(made, skus):
    """Pictures without a box: within a product by their colour, across products by their structure too."""
    places = np.array([place for place, one in enumerate(made) if one.box is None], dtype=np.int64)
    if places.size < 2:
        return
    by_product = {}
    for place in places.tolist():
        if isinstance(skus[place], str):
            by_product.setdefault(skus[place], []).append(place)
    pairs = [
        pair
        for members in by_product.values()
        if len(members) <= FEW_DETAILS
        for pair in itertools.combinations(members, 2)
        if np.max(np.abs(np.subtract(made[pair[0]].colour, made[pair[1]].colour))) <= 2 * COLOUR_UNIT
    ]
    a, b = np.array(pairs, dtype=np.int64).reshape(-1, 2).T
    yield "detail", a, b
    frame = np.stack([made[place].frame for place in places])
    colours = np.array([made[place].colour for place in places]) / COLOUR_UNIT
    own = np.column_stack([colours, low_frequencies(frame) / math.sqrt(2 - 2 * DETAIL_MATCH)])
    a, b = _nearest(own, own, frame, frame, DETAIL_MATCH)
    yield "detail", places[a], places[b]


def _nearest(own, others, grids, other_grids, match):
    """
    Pairs of each picture with its nearest few among the others: no more than one unit apart in any coordinate, grids correlated.

    Parameters
    ----------
    own, others : (n, k) ndarray of float
        Coordinates in which one unit is the most that two files of one photograph differ.
    grids, other_grids : (n, m) ndarray of float
        Unit norm.

    Returns
    -------
    a, b : (pairs,) ndarray of int
        ``a != b``; a pair may come both ways round.
    """
    tree = cKDTree(others)
    blocks = [np.arange(start, min(start + AT_ONCE, len(own))) for start in range(0, len(own), AT_ONCE)]
    pairs = [_nearest_of(block, tree, own, others, grids, other_grids, match) for block in blocks]
    return tuple(np.concatenate(column) for column in zip(*pairs, strict=True))


def _nearest_of(rows, tree, own, others, grids, other_grids, match):
    """`_nearest` of some pictures."""
    _, near = tree.query(own[rows], k=min(ASKED, len(others)), p=2)
    near = np.asarray(near).reshape(len(rows), -1)
    first = np.repeat(rows, near.shape[1])
    second = near.ravel()
    close = (np.abs(own[first] - others[second]).max(axis=1) <= 1) & (first != second)
    first, second = first[close], second[close]
    alike = np.einsum("ij,ij->i", grids[first], other_grids[second])
    good = alike >= match
    first, second, alike = first[good], second[good], alike[good]
    order = np.lexsort((second, -alike, first))
    first, second = first[order], second[order]
    begins = np.searchsorted(first, rows)
    rank = np.arange(first.size) - begins[first - rows[0]] if first.size else first
    kept = rank < NEAREST
    return first[kept], second[kept]


def mirrored(grids):
    """Lightness grids of the mirror images."""
    side = math.isqrt(grids.shape[1])
    return grids.reshape(-1, side, side)[:, :, ::-1].reshape(grids.shape)


def low_frequencies(grids, mirrored=False):
    """
    Eight lowest DCT coefficients of lightness grids: two grids differ in none of them by more than in all.

    Parameters
    ----------
    grids : (n, GRID * GRID) ndarray of float
    mirrored : bool
        Of the mirror images instead.

    Returns
    -------
    (n, 8) ndarray of float
    """
    k = np.arange(3)[:, None]
    cosines = np.sqrt(2 / GRID) * np.cos(np.pi * k * (2 * np.arange(GRID) + 1) / (2 * GRID))
    cosines[0] /= np.sqrt(2)
    low = np.einsum("ki,nij,lj->nkl", cosines, grids.reshape(-1, GRID, GRID), cosines)
    if mirrored:
        low = low * np.array([1, -1, 1])
    return low.reshape(-1, 9)[:, 1:]
