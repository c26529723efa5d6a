"""
Which of two straight-on pictures shows the face that a three-quarter view shows too.

The turned face is narrower, slopes, and lies at one end of the picture. So the turned picture is stretched back by a few
such movements; then small tiles of each straight-on picture are looked for near their places in it. A tile may lie some
pixels off, as perspective and bulging sides have it, and light that falls otherwise is taken off first. A logo, a
flap or a pocket is found again in the picture of its own face only. A bag without a sharp edge may be a box with soft
corners or a drum, whose face turns around its axis: it is laid both ways.

References
----------
.. [1] J. P. Lewis, "Fast Template Matching", Vision Interface 95 (1995) 120-123 (normalised cross-correlation).
.. [2] V. H. de la Peña, T. L. Lai, Q.-M. Shao, "Self-Normalized Processes", Springer 2009: a sum of symmetric terms over
   the root of the sum of their squares, whatever their scatter.
"""

from collections import OrderedDict
from typing import NamedTuple

import cv2
import numpy as np

from catalogue_audit.statistics.spread import spread

HEIGHT_PX = 96  # of a product as it is compared: a logo of a tenth of its width is ten pixels wide
LIGHT_SHARE = 0.1  # of the height: coarser changes are light, and are taken off
GRAIN_PX = 1.0
TILE_PX, STEP_PX = 16, 12
REACH_ACROSS_PX, REACH_DOWN_PX = 7, 5  # how far off its place a tile may lie
FEWEST_TILES = 6
MOST_CONTRAST = 4.0  # CIELAB: a tile with more counts no more, or one bright fitting would decide
WIDTHS = (0.6, 0.72, 0.85)  # of the turned face over the straight-on one: turned by 53° to 32°
SLOPES = (0.0, 0.1, 0.2, 0.3)  # of its base: tan(turn) times the sine of how far the camera looks down, and more from near by
HEIGHTS = (0.84, 1.0)  # of the face over the turned picture's height, which a sloping base adds to
TURNS_DEG = (20, 28, 36, 44, 52)  # of a drum around its axis
SEEN_DEG = 65  # from the line of sight: farther round, a drum's face is too narrow to be compared
TRIED = 3  # movements that are tried in full; all must agree, as a chequered face lies over another in many ways
LEAST_FIT = 0.55  # mean correlation of the tiles of the better face; bags laid over another product's turned picture reach 0.34, 0.49 the best twentieth
# A tile of one face that is not on the other near its own place (correlation), and is there further along, belongs to a print that
# runs around the bag. Of stripes and checks 0.3 to 0.9 of the tiles do, of all other bags none (measured).
NOT_HERE, ELSEWHERE, ALONG_PX, MOVED_PRINT = 0.6, 0.85, 26, 0.1
LEARNT_FROM = 8  # products that tell which way a set turns its bags
LEFT, RIGHT = 0, 1
AT_HAND = 64  # products; 0.5 MB each
FEWEST_POINTS = 40  # key points that each picture must have
SAME_POINT_BITS = 50  # of 256: farther apart, two key points may not be of one place
NEARER_BITS = 20  # of 256; a key point nearer to one picture by less is in neither only
BORDER = cv2.BORDER_CONSTANT


class Face(NamedTuple):
    """A product in its box, `HEIGHT_PX` high: ``structure`` (h, w, 3) CIELAB without its light, float32; ``inside`` (h, w) 0 to 1."""

    structure: np.ndarray
    inside: np.ndarray


def face_of(sketch):
    """The product of a picture as a `Face`; None where its sketch has no ``preview`` or ``mask``."""
    preview, mask = (sketch or {}).get("preview"), (sketch or {}).get("mask")
    if preview is None or not preview.size or mask is None or not mask.any():
        return None
    picture = cv2.imdecode(np.ascontiguousarray(preview), cv2.IMREAD_REDUCED_COLOR_2)
    if picture is None:
        return None
    mask = cv2.resize(mask.astype(np.uint8), picture.shape[1::-1], interpolation=cv2.INTER_NEAREST)
    left, top, width, height = cv2.boundingRect(mask)
    size = max(round(width * HEIGHT_PX / height), TILE_PX), HEIGHT_PX
    box = slice(top, top + height), slice(left, left + width)
    picture, mask = (cv2.resize(plane[box], size, interpolation=cv2.INTER_AREA) for plane in (picture, mask))
    inside = (mask > 0).astype(np.float32)
    lab = cv2.cvtColor(np.multiply(picture, np.float32(1 / 255)), cv2.COLOR_BGR2LAB)
    wide = (0, 0), LIGHT_SHARE * HEIGHT_PX
    light = cv2.GaussianBlur(lab * inside[..., None], *wide) / (cv2.GaussianBlur(inside, *wide) + 1e-3)[..., None]
    structure = (cv2.GaussianBlur(lab, (0, 0), GRAIN_PX) - light) * inside[..., None]
    return Face(structure, cv2.erode(inside, np.ones((5, 5), np.uint8)))


class Compared:
    """The faces of the products compared last, ready to be compared, by the files of their front, back and turned pictures."""

    def __init__(self, sketches):
        self._sketches, self._at_hand = sketches, OrderedDict()

    def is_round(self, file):
        """Whether a turned product stands on a round base and shows no edge of a plane face."""
        sketch = self._sketches.get(file) or {}
        return "round_base" in sketch and "front_edge" not in sketch

    def __getitem__(self, files):
        """(front, back, turned, places of tiles, the three at half the size); () with too little to compare, None without three faces."""
        if files not in self._at_hand:
            views = [self._sketches.get(file) or {} for file in files]
            faces = tuple(face_of(sketch) for sketch in views)
            self._at_hand[files] = None if None in faces else ready(*faces)
            if len(self._at_hand) > AT_HAND:
                self._at_hand.popitem(last=False)
        self._at_hand.move_to_end(files)
        return self._at_hand[files]


def ready(front, back, turned):
    """Three faces as `Compared` holds them."""
    back = Face(*(cv2.resize(plane, front.inside.shape[::-1], interpolation=cv2.INTER_AREA) for plane in back))
    places = _places(np.minimum(front.inside, back.inside))
    return (front, back, turned, places, [_lightness(face) for face in (front, back, turned)]) if len(places) >= FEWEST_TILES else ()


def face_shares(products, sketches, compared, side):
    """
    How clearly each turned picture shows the face of the first of two straight-on pictures.

    Parameters
    ----------
    products : dict of str to (str, str, str)
        Product → files of front, back and turned picture, of products that show three faces with something in common (`Compared`).
    sketches : mapping of str to dict
    compared : Compared
    side : int
        Of `usual_side`.

    Returns
    -------
    dict of str to float
        Positive for the first face, negative for the second, in standard deviations as the tiles themselves scatter (at
        most the root of their number); 0 where neither fits or the likeliest ways of laying them over disagree.
    """
    return dict(zip(products, spread(_share, [(files, side) for files in products.values()], sketches, compared), strict=True))


def usual_side(products, sketches, compared):
    """
    The end of the turned pictures at which the straight-on faces are found, by most of some products.

    Parameters
    ----------
    products : iterable of (str, str, str)
        Files of front, back and turned picture.
    sketches : mapping of str to dict
    compared : Compared

    Returns
    -------
    int
        `LEFT` or `RIGHT`.
    """
    some = _every(list(products), 3 * LEARNT_FROM)
    boxes = [files for files in some if not compared.is_round(files[2])] or some
    found = [sides for sides in spread(_sides, _every(boxes, LEARNT_FROM), sketches, compared) if sides]
    return int(np.sign(np.diff(found, axis=1)).sum() > 0) if found else LEFT


def _every(products, count):
    """Some of the products from all over the set."""
    return products[:: max(len(products) // count, 1)]


def _sides(compared, files):
    """How well a product's faces lie over its turned picture at either end; None with too little to compare."""
    if not compared[files]:
        return None
    halves = compared[files][-1]
    return [max(_likeness(*halves, movement) for movement in _movements(side)) for side in (LEFT, RIGHT)]


def points_of_one(sketches, files):
    """
    Of a product's turned picture, how many key points are in its front picture only, against those in the back's only.

    Parameters
    ----------
    sketches : mapping of str to dict
        ``descriptors`` are looked at.
    files : (str, str, str)
        Front, back and turned picture.

    Returns
    -------
    float or None
        In standard deviations of a toss of coins (the sign test of J. Arbuthnot, 1710); positive for the front. None
        where a picture shows too few key points.
    """
    front, back, turned = ((sketches.get(file) or {}).get("descriptors") for file in files)
    tables = turned, front, back
    if any(table is None or len(table) < FEWEST_POINTS for table in tables):
        return None
    matcher = cv2.BFMatcher(cv2.NORM_HAMMING)
    wanted, *others = (np.ascontiguousarray(table) for table in tables)
    to_front, to_back = (np.array([match.distance for match in matcher.match(wanted, other)]) for other in others)
    in_front = int(((to_front <= SAME_POINT_BITS) & (to_back - to_front >= NEARER_BITS)).sum())
    in_back = int(((to_back <= SAME_POINT_BITS) & (to_front - to_back >= NEARER_BITS)).sum())
    return (in_front - in_back) / np.sqrt(in_front + in_back + 1)


def laid_likeliest(faces, side, count):
    """The turned picture laid into the straight-on ones' box (`_laid_back`) at the likeliest widths, so many."""
    front, _, turned, _, halves = faces
    likely = {}
    for movement in _movements(side):
        likeness = _likeness(*halves, movement)
        likely[movement[0]] = max(likely.get(movement[0], (likeness, movement)), (likeness, movement))
    return [_laid_back(front, turned, movement) for _, movement in sorted(likely.values(), reverse=True)[:count]]


def _movements(side):
    """(width, slope, height, side) of the ways in which a turned face may lie."""
    return [(width, slope, height, side) for width in WIDTHS for slope in SLOPES for height in HEIGHTS]


def _turns(side):
    """(turn in degrees,) of the ways in which a drum may be turned; positive where its face goes to the right."""
    return [(turn if side == RIGHT else -turn,) for turn in TURNS_DEG]


def _share(compared, asked):
    """
    The first face's tiles against the second's, in their own standard deviations, of a product by its files, and the usual side.

    Of a bag without a sharp edge the mean of it laid as a box and as a drum, for it may be either; 0 where they disagree.
    """
    files, side = asked
    front, back, *_, places, _ = compared[files]
    share = _share_laid(compared[files], _movements(side))
    if compared.is_round(files[2]):
        drum = _share_laid(compared[files], _turns(side))
        share = (share + drum) / 2 if share * drum >= 0 else 0.0
    return 0.0 if share and _is_moved_print(front, back, places) else share


def _share_laid(faces, movements):
    """The first face's tiles against the second's, laid over in some ways; 0 where neither fits or the likeliest ways disagree."""
    front, back, turned, places, halves = faces
    likely = np.argsort([_likeness(*halves, movement) for movement in movements], kind="stable")[::-1][:TRIED]
    shares, fits = [], []
    for number in likely:
        seen = [place for place in places if _is_seen(place[0] + TILE_PX / 2, front, movements[number])]
        if len(seen) < FEWEST_TILES:
            continue
        laid = _laid_back(front, turned, movements[number])
        found = [_found(face.structure, laid, seen, contrasts_of(face.structure, seen)) for face in (front, back)]
        (own, weight), (other, other_weight) = found
        weight = np.minimum(np.maximum(weight, other_weight), MOST_CONTRAST)
        nearer = weight * (own - other)
        shares.append(float(nearer.sum() / np.sqrt(np.square(nearer).sum() + 1e-9)))
        fits.append(max(weight @ own, weight @ other) / weight.sum() if weight.sum() else 0.0)
        if len(set(np.sign(shares))) > 1:  # whatever the others say
            return 0.0
    return shares[int(np.argmax(fits))] if max(fits, default=0.0) >= LEAST_FIT else 0.0


def _is_moved_print(front, back, places):
    """Whether the faces show one print, moved along: which of them lies over the turned face then says how the print runs, not whose it is."""
    moved = _found_along(front.structure, back.structure, places) & _found_along(back.structure, front.structure, places)
    return moved.mean() > MOVED_PRINT


def _found_along(structure, other, places):
    """Which tiles of one face the other does not show near their own place, but further along; (n,) bool."""
    other = cv2.copyMakeBorder(other, *(2 * [REACH_DOWN_PX]), *(2 * [ALONG_PX]), BORDER)
    near = slice(ALONG_PX - REACH_ACROSS_PX, ALONG_PX + REACH_ACROSS_PX + 1)
    found = []
    for across, down in places:
        tile = structure[down : down + TILE_PX, across : across + TILE_PX]
        window = other[down : down + TILE_PX + 2 * REACH_DOWN_PX, across : across + TILE_PX + 2 * ALONG_PX]
        like = cv2.matchTemplate(window, tile, cv2.TM_CCOEFF_NORMED)
        found.append(like[:, near].max() < NOT_HERE and like.max() > ELSEWHERE)
    return np.array(found)


def _likeness(front, back, turned, movement):
    """How well both faces lie over the turned picture, each all at once."""
    laid = _laid_back(front, turned, movement)
    seen = np.flatnonzero([_is_seen(across + 0.5, front, movement) for across in range(front.inside.shape[1])])
    columns = slice(seen[0], seen[-1] + 1)
    laid = laid[:, columns.start : columns.stop + 2 * REACH_ACROSS_PX]
    return sum(float(cv2.matchTemplate(laid, face.structure[:, columns], cv2.TM_CCORR_NORMED).max()) for face in (front, back))


def _is_seen(across, front, movement):
    """Whether a place of a straight-on face, px, is turned no farther than can be compared."""
    return len(movement) > 1 or abs(_angle(across, front.inside.shape[1]) + np.radians(movement[0])) < np.radians(SEEN_DEG)


def _angle(across, wide):
    """Where a place across a drum lies around its axis, radians."""
    return np.arcsin(np.clip(2 * across / wide - 1, -1, 1))


def _laid_back(front, turned, movement):
    """The turned picture's structure as it lies in the straight-on one's box, with a margin of the tiles' reach."""
    (high, wide), (turned_high, turned_wide) = front.inside.shape, turned.inside.shape
    margin = (*(2 * [REACH_DOWN_PX]), *(2 * [REACH_ACROSS_PX]), BORDER)
    if len(movement) == 1:
        angle = _angle(np.arange(wide) + 0.5, wide) + np.radians(movement[0])
        across = np.where(np.abs(angle) < np.pi / 2, (np.sin(angle) + 1) / 2 * turned_wide - 0.5, -TILE_PX)
        maps = np.meshgrid(np.float32(across), np.arange(high, dtype=np.float32) * (turned_high / high))
        return cv2.copyMakeBorder(cv2.remap(turned.structure, *maps, cv2.INTER_LINEAR, borderMode=BORDER), *margin)
    width, slope, tall, side = movement
    width = min(width, turned_wide / wide)
    left, nearest = (0, wide) if side == LEFT else (turned_wide - width * wide, 0)
    slope = slope * width * (1 if side == LEFT else -1)
    matrix = np.array([[width, 0, left], [slope, tall, turned_high - tall * high - slope * nearest]], np.float32)
    laid = cv2.warpAffine(turned.structure, matrix, (wide, high), flags=cv2.WARP_INVERSE_MAP | cv2.INTER_LINEAR)
    return cv2.copyMakeBorder(laid, *margin)


def _found(structure, laid, places, contrasts):
    """((n,) correlations of the tiles where they lie best, (n,) contrasts of both); ``contrasts`` are the tiles' own."""
    correlations, there = [], []
    for across, down in places:
        tile = structure[down : down + TILE_PX, across : across + TILE_PX]
        window = laid[down : down + TILE_PX + 2 * REACH_DOWN_PX, across : across + TILE_PX + 2 * REACH_ACROSS_PX]
        _, best, _, (right, below) = cv2.minMaxLoc(cv2.matchTemplate(window, tile, cv2.TM_CCOEFF_NORMED))
        there.append((across + right, down + below))
        correlations.append(best)
    return np.array(correlations), np.hypot(contrasts, contrasts_of(laid, there))


def contrasts_of(picture, places):
    """Standard deviation of each tile, (n,), all at once."""
    across, down = np.array(places).T
    tiles = np.lib.stride_tricks.sliding_window_view(picture, (TILE_PX, TILE_PX), axis=(0, 1))[down, across]
    return tiles.reshape(len(places), -1).std(axis=1)


def _places(inside):
    """Corners (across, down) of the tiles that lie within a product."""
    high, wide = inside.shape
    means = cv2.boxFilter(inside, -1, (TILE_PX, TILE_PX), anchor=(0, 0), borderType=BORDER)
    grid = [(x, y) for y in range(0, high - TILE_PX + 1, STEP_PX) for x in range(0, wide - TILE_PX + 1, STEP_PX)]
    return [(x, y) for x, y in grid if means[y, x] >= 0.9]


def _lightness(face):
    """The lightness of a face, of all that it shows the quickest to compare, at half the size."""
    size = max(face.inside.shape[1] // 2, 1), HEIGHT_PX // 2
    return Face(*(cv2.resize(plane, size, interpolation=cv2.INTER_AREA) for plane in (face.structure[..., 0], face.inside)))
