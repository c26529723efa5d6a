"""
Details of two products that show one place of one bag.

Two bags of a set, even in one leather with one lock, do not show the same grain, seams and edges in the same places of
the frame. So where two products' details agree all over in structure and colour, one of them is filed wrongly: the
one whose own product's pictures fit them both worse. A detail that is found well enough in its own bag by chance, as a plain
one is, is told so.
"""

import cv2
import numpy as np

from catalogue_audit.statistics.matching.looks import FEWEST_PRODUCTS, FOREIGN_COLOUR, INSIDE_VIEWS, OWN_COLOUR, colour_distances, usual_most
from catalogue_audit.statistics.matching.neighbours import parse_hashes
from catalogue_audit.statistics.matching.wrong_details import MUCH_CLEARER_FIT, Colours, fisher_z
from catalogue_audit.statistics.spread import spread

NEAREST = 3  # details of a detail's colour, by the bits of their hashes, that it is laid over
MOVED = 6  # of the frame's width and height, one part on each side may be cut off where the camera or the bag was moved
ONE_PLACE = 0.7  # correlation of two pictures of one place: taken anew they mostly reach 0.75 to 0.98, two bags in one colour 0.59 at most
AROUND_PX = 5.0  # at an eighth of a preview
NOISE = 1.0  # CIELAB: less contrast is noise
ONE_COLOUR = 3.0  # CIELAB


def twin_details(frames, sketches, looks, products, crops, fits):
    """
    Details that agree with another product's detail and fit that product better than their own.

    Parameters
    ----------
    frames : DataFrame
    sketches : mapping of str to dict
    looks : dict of int to Look
    products : dict of str to list of int
        Product → rows of its whole pictures.
    crops : set of int
        Rows of details.
    fits : wrong_details.Fits

    Yields
    ------
    row, (likely product, "wrong_detail", score, evidence)
    """
    rows = [row for row in sorted(crops) if frames["sku"][row] in products and frames["view"][row] not in INSIDE_VIEWS]
    if len(products) < FEWEST_PRODUCTS or len(rows) < FEWEST_PRODUCTS:
        return
    pairs = _nominated(frames, looks, rows)
    alike = spread(how_alike, [tuple(frames["file"][row] for row in pair) for pair in pairs], sketches)
    colours = Colours(looks, products, rows)
    limit = usual_most([colours.distance(row, frames["sku"][row]) for row in rows], FOREIGN_COLOUR + 2)
    for pair in _likest(pairs, alike):
        names = [frames["sku"][row] for row in pair]
        fit = [max(fisher_z(np.nan_to_num(fits.in_frames(row, products[name]).correlation)) for row in pair) for name in names]
        apart = [np.mean([colours.distance(row, name) for row in pair]) for name in names]
        evidence = (fit[1] - fit[0]) / MUCH_CLEARER_FIT + (apart[0] - apart[1]) / limit
        if abs(evidence) < 1:
            continue
        wrong = 0 if evidence > 0 else 1
        likely = names[1 - wrong]
        reason = (
            f"it shows the place that {frames['file'][pair[1 - wrong]]} shows, and both fit {likely} better than "
            f"{names[wrong]} (colours {apart[1 - wrong]:.0f} and {apart[wrong]:.0f} CIELAB units apart)"
        )
        yield pair[wrong], (likely, "wrong_detail", float(abs(evidence)), reason)


def _nominated(frames, looks, rows):
    """Pairs of details of two products that have one colour, each with the nearest few by the bits of their hashes."""
    hashes, present = parse_hashes(frames["phash"])
    rows = np.array([row for row in rows if present[row]], dtype=np.int64)
    if not rows.size:
        return []
    _, products = np.unique(frames["sku"].to_numpy()[rows].astype(str), return_inverse=True)
    colours = np.array([looks[row].colour for row in rows])
    means = colours.reshape(len(rows), -1, 3).mean(axis=1, dtype=float)  # lie no farther apart than the colours do, and are asked in a twentieth of the time
    pairs = set()
    for place, row in enumerate(rows):
        fitting = np.flatnonzero((products != products[place]) & (np.abs(means - means[place]).sum(axis=1) <= OWN_COLOUR * (1 + 1e-4)))
        if not fitting.size:
            continue
        fitting = fitting[colour_distances(colours[fitting], colours[place]) <= OWN_COLOUR]
        bits = np.bitwise_count(hashes[rows[fitting]] ^ hashes[row])
        nearest = rows[fitting[np.argsort(bits, kind="stable")[:NEAREST]]]
        pairs |= {(int(min(row, other)), int(max(row, other))) for other in nearest}
    return sorted(pairs)


def _likest(pairs, alike):
    """
    Pairs of one place that are the likest for either of their two details: what a detail was taken from is likest, and each look costs time.

    >>> _likest([(0, 1), (0, 2), (1, 2), (3, 4)], [0.9, 0.8, 0.75, 0.0])
    [(0, 1), (0, 2)]
    """
    most = {}
    for pair, like in zip(pairs, alike, strict=True):
        for row in pair:
            most[row] = max(like, most.get(row, 0.0))
    return [pair for pair, like in zip(pairs, alike, strict=True) if like and like >= min(most[row] for row in pair)]


def how_alike(sketches, files):
    """`agreement` of two pictures that show one place in one colour, moved by no more than a `MOVED`-th of the frame; 0 of others."""
    like, apart = agreement(sketches, files)
    return like if like >= ONE_PLACE and apart <= ONE_COLOUR else 0.0


def agreement(sketches, files):
    """
    How well the middle of one picture agrees with another where it lies best.

    Returns
    -------
    correlation : float
        Of the structure, each place by its own contrast, lest one bright lock on two bags decide; 0 where there is no picture.
    apart : float
        Difference of the mean colours, CIELAB.
    """
    previews = [(sketches.get(file) or {}).get("preview") for file in files]
    if any(preview is None or not preview.size for preview in previews):
        return 0.0, np.inf
    first, second = (cv2.imdecode(np.ascontiguousarray(preview), cv2.IMREAD_REDUCED_COLOR_8) for preview in previews)
    first, second = (cv2.cvtColor(np.float32(picture) / 255, cv2.COLOR_BGR2LAB) for picture in (first, second))
    high, wide = first.shape[0] // MOVED, first.shape[1] // MOVED
    middle = slice(high, first.shape[0] - high), slice(wide, first.shape[1] - wide)
    part = _by_contrast(first)[middle]
    if any(whole < some for whole, some in zip(second.shape, part.shape, strict=True)):
        return 0.0, np.inf
    _, best, _, (left, top) = cv2.minMaxLoc(cv2.matchTemplate(_by_contrast(second), part, cv2.TM_CCORR_NORMED))
    there = second[top : top + part.shape[0], left : left + part.shape[1]]
    return float(best), float(np.linalg.norm(there.mean(axis=(0, 1)) - first[middle].mean(axis=(0, 1))))


def _by_contrast(picture):
    """A picture's structure around each place over its contrast there, (h, w, 3)."""
    wide = (0, 0), AROUND_PX
    structure = picture - cv2.GaussianBlur(picture, *wide)
    contrast = cv2.GaussianBlur(np.square(structure).sum(axis=2), *wide)
    return structure / np.sqrt(contrast + NOISE**2)[..., None]
