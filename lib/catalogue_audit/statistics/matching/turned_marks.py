"""
Which of two straight-on faces a three-quarter view shows, by what is on one of them only.

A logo, a lock, a tassel or a pocket is on one face of a bag and not on the other. The tiles of each face that differ most
from the other face are looked for in the turned picture, as it lies in the face's box, and all over the other face, a hand's
breadth up and down and anywhere across: where a drum's logo lies, once turned, is not known, and a print that runs
around the bag is found on the other face too. How much of a tile's structure the turned picture explains, less what the other
face explains by chance, speaks for the tile's face. A small logo on a plain bag so counts as much as a worked front.

References
----------
.. [1] J. P. Lewis, "Fast Template Matching", Vision Interface 95 (1995) 120-123 (normalised cross-correlation; its square is
   the share of variance that one picture explains of another).
"""

import cv2
import numpy as np

from catalogue_audit.statistics.matching.turned_faces import REACH_ACROSS_PX, REACH_DOWN_PX, TILE_PX, contrasts_of, laid_likeliest
from catalogue_audit.statistics.spread import spread

MARKS = 8  # tiles of a face that are looked for: those that differ most
LAID = 2  # ways in which the turned picture is laid into their box
MARGIN = (REACH_DOWN_PX, REACH_DOWN_PX, REACH_ACROSS_PX, REACH_ACROSS_PX)


def marks_shown(products, sketches, compared, side):
    """
    `marks_seen` of some products.

    Parameters
    ----------
    products : dict of str to (str, str, str)
        Product → files of front, back and turned picture.
    sketches : mapping of str to dict
    compared : turned_faces.Compared
    side : int
        Of `turned_faces.usual_side`.

    Returns
    -------
    dict of str to float
        NaN where the faces have too little in common to be compared; None where a product shows no three faces.
    """
    return dict(zip(products, spread(_of_product, [(files, side) for files in products.values()], sketches, compared), strict=True))


def _of_product(compared, asked):
    """`marks_seen` of a product by its files, and the usual side."""
    files, side = asked
    faces = compared[files]
    if not faces:
        return None if faces is None else float("nan")
    front, back, _, places, _ = faces
    return marks_seen(front.structure, back.structure, laid_likeliest(faces, side, LAID), places)


def marks_seen(front, back, laid, places):
    """
    How much more of the marks of the first face than of the second's a turned picture shows.

    Parameters
    ----------
    front, back : (h, w, 3) arrays
        Structure of two straight-on faces, in one box.
    laid : sequence of (h + 2 `REACH_DOWN_PX`, w + 2 `REACH_ACROSS_PX`, 3) arrays
        The turned picture, laid into their box in some ways.
    places : sequence of (int, int)
        Corners (across, down) of the tiles within both.

    Returns
    -------
    float
        Positive for the first; in tiles that are wholly explained, at most `MARKS` of either sign.
    """
    return _seen(front, back, laid, places) - _seen(back, front, laid, places)


def _seen(face, other, laid, places):
    """What the turned picture shows of one face's marks, laid in the one way that shows most of them."""
    other = cv2.copyMakeBorder(other, *MARGIN, cv2.BORDER_CONSTANT)
    contrasts = contrasts_of(face, places)
    near = np.array([_near(face, other, place) for place in places])
    chosen = np.argsort(contrasts * (near - 1), kind="stable")[:MARKS]
    pictures = np.hstack([other, *laid])
    found = [_anywhere(face, pictures, places[number], len(laid) + 1) for number in chosen]
    explained = np.square([[max(like, 0.0) for like, _ in ways] for ways in found])
    there = contrasts_of(pictures, [place for ways in found for _, place in ways]).reshape(explained.shape)[:, 1:] + 1e-6
    own = contrasts[chosen][:, None] + 1e-6
    chance = explained[:, :1]
    shown = np.minimum(own / there, there / own) * np.maximum(explained[:, 1:] - chance, 0) * (1 - chance)
    return float(shown.sum(axis=0).max())


def _near(face, other, place):
    """Correlation of a tile with another picture near its place, where it lies best."""
    across, down = place
    window = other[down : down + TILE_PX + 2 * REACH_DOWN_PX, across : across + TILE_PX + 2 * REACH_ACROSS_PX]
    return cv2.matchTemplate(window, face[down : down + TILE_PX, across : across + TILE_PX], cv2.TM_CCOEFF_NORMED).max()


def _anywhere(face, pictures, place, count):
    """(correlation, (across, down)) of a tile in each of some pictures side by side, anywhere across and near its height."""
    across, down = place
    tile = face[down : down + TILE_PX, across : across + TILE_PX]
    band = pictures[down : down + TILE_PX + 2 * REACH_DOWN_PX]
    like = cv2.matchTemplate(band, tile, cv2.TM_CCOEFF_NORMED)
    wide = pictures.shape[1] // count
    found = []
    for left in range(0, count * wide, wide):
        _, best, _, (right, below) = cv2.minMaxLoc(like[:, left : left + wide - TILE_PX + 1])
        found.append((best, (left + right, down + below)))
    return found
