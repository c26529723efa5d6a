"""
Specks on the product, and spots anywhere that may be dust on the sensor.

A speck is small, round, alone, and lighter or darker than all that surrounds it.
Stitches stand in rows, studs in patterns, grain and weave are everywhere: what has
others like it around has to stand out further, the more the others and the stronger
the strongest of them, and so has what is less than round.

Candidates are found in the reduced picture, and in half of it for the larger ones, and
looked at in full-resolution pixels.
"""

import cv2
import numpy as np

from catalogue_audit.measures.quantiles import median
from catalogue_audit.measures.records import CONFIDENCE_LIMIT
from catalogue_audit.measures.surface.own_marks import of_print, stand_alone
from catalogue_audit.measures.surface.spots import soft_spots

LEAST_WORKING = 6.0  # code values of a crest in the reduced picture
LEAST_AROUND = 5.0  # code values by which a candidate differs from every direction around it
AROUND = 5  # reduced px; how far around
LEAST_CONTRAST = 10.0  # code values at full resolution; fainter specks are not seen at 100 %
STANDS_OUT = 2.8  # times the strongest of its surroundings, times as much more than the strongest other marks near by: a round speck
CROWD, CROWDED = 3.0, 0.25  # the same grows with the power of 1 + neighbours (at least a third as strong) / 3 ...
RANKED = 0.5  # the same where candidates are ranked: many stitches, however strong, leave room for what is alone
NOT_ROUND = 3.0  # ... and with that of length over width
NEAR, OTHERS = 64, 3  # reduced px; the mark of this rank near by stands for the material: stronger ones may be specks
STRONGEST = 600  # marks of the frame that are asked; a fainter one is no rival of a candidate
RARE = 4.0  # times as much as that one does counts, and no more: lamps in fittings stand out from any material
BY_LITTLE, FEWEST_SHORT = 2.0, 5  # times, an octave; fewer marks that fall short by so little may be specks themselves, more are a grain, whose tail reaches beyond
OF_AN_OCTAVE = 0.6  # of a grain's marks in one octave, at most, are in the next where it is seen close (0.3 to 0.65 in nine details without dust; measured)
MOST_CANDIDATES = 100, 50  # of the reduced picture, and of half of it
HALF = 16  # looked-at px; half of the patch in which a candidate is looked at
BODY = 7.0  # looked-at px; a speck's own reach
RING = (5.0, 9.0)  # looked-at px; its surroundings
WIDER = 1.4  # times as far where the reduced picture is coarser than what is looked at, and specks are larger in it
ROUND, LONGEST = 1.3, 1.8  # length over width; from the first on it may be a stitch or a thread, beyond the second it is
KNOWN_TO = 1.5  # px squared over the least area, added to the second moments: a body of three by four pixels may well be round
MAYBE_THREAD = 1.5  # times as far has to stand out what may be one
LONGEST_IN_ROW = 3.4  # the same of what may be a member of a row
SMALLEST, LARGEST = (3, 12), 56  # looked-at px of area; larger is a part of the product, smaller is noise, or seen better in the whole picture than in half
SIDES_OF_A_CROP = 2  # of the frame that the product meets: what is taken for background may be the product's own material, and counts
FITTING = 0.25  # of the frame's sides: a product smaller than this is a fitting seen close, on its product
CLEAR_IN_A_CROP = 30.0  # code values; the grain of a material seen close has less

CELL, CELLS = 16, 7  # reduced px; neighbours are counted in squares of 7 x 7 cells
STEP, LEVELS = 1.5, 12  # contrast from one class of strength to the next, for that count, and how many there are
_LEVEL = np.clip((np.log(np.maximum(np.arange(256), 1)) / np.log(STEP)).astype(int), 0, LEVELS - 1)  # by contrast
_AT_LEAST = np.tri(LEVELS, dtype=np.float32)  # sums over the classes from one on
_A_THIRD = round(np.log(3) / np.log(STEP))  # classes
_ANGLES = np.arange(16) * np.pi / 8
_AROUND = np.rint(AROUND * np.array([np.sin(_ANGLES), np.cos(_ANGLES)])).astype(int)


def speck_facts(picture, outline):
    """
    Count of specks on the product; places of specks and spots for the sketch.

    Parameters
    ----------
    picture : Picture
    outline : Outline

    Returns
    -------
    dict
        ``specks``; under ``sketch``: ``spots``, (n, 5) float32, as in `measures.sketch`.
    """
    gray = picture.grey
    mask = outline.mask.view(np.uint8)
    inner = _inner(mask)
    scale = picture.grey_reduction
    found = [_looked_at(picture, scale, max(scale // 2, 1), SMALLEST[0], *_candidates(gray, MOST_CANDIDATES[0]))]
    height, width = gray.shape[0] // 2, gray.shape[1] // 2
    if min(height, width) > 4 * AROUND:
        half = cv2.resize(gray[: 2 * height, : 2 * width], (width, height), interpolation=cv2.INTER_AREA)
        found.append(_looked_at(picture, 2 * scale, max(scale, 2), SMALLEST[1], *_candidates(half, MOST_CANDIDATES[1])))
    found = _distinct(np.concatenate(found))
    column = np.clip((found[:, 0] / picture.reduction).astype(int), 0, mask.shape[1] - 1)
    row = np.clip((found[:, 1] / picture.reduction).astype(int), 0, mask.shape[0] - 1)
    sure = found[:, 4] > 1
    alone = stand_alone(gray, found[:, :2] / scale, found[:, 3], sure)
    sure &= alone
    close = _is_close(outline)
    sure[sure] = ~of_print(picture, found[sure, :2], found[sure, 2], np.ones_like(mask) if close else mask)
    looked_over = inner[row, column] > 0
    if close:
        looked_over |= np.abs(found[:, 3]) >= CLEAR_IN_A_CROP
    on_product = mask[row, column] > 0
    kind = np.where(looked_over & sure, np.where(on_product, 1.0, 2.0), np.where(on_product, -1.0, 0.0))
    small = np.column_stack([found[:, :4], kind])[alone]
    soft = soft_spots(gray, mask)
    soft[:, :3] *= scale
    spots = np.concatenate([small, soft[_apart(soft, small)]]) if len(soft) else small
    spots[:, 0] /= picture.encoded.shape[1]
    spots[:, 1] /= picture.encoded.shape[0]
    facts = {"sketch": {"spots": spots[np.lexsort((spots[:, 0], spots[:, 1]))].astype(np.float32)}}
    if outline.box is not None:
        facts["specks"] = _beyond_grain(found[looked_over & (sure | (found[:, 4] <= 1)), 4], close)
    return facts


def _beyond_grain(clear, close=False):
    """
    Number of specks, less those that the material's own grain gives.

    The marks of a grain get fewer the further they stand out, so of those that stand out enough by
    little there are no more than of those that fall short by as little. Seen close, they get fewer by about the same
    factor from one octave to the next, so many more lie beyond (a geometric series).

    Parameters
    ----------
    clear : (n,) float
        How far each mark stands out over how far a speck has to.
    close : bool
        Whether the material is seen close.

    Examples
    --------
    >>> marks = np.array([3.0, 2.0, 1.2, 1.1, 0.9, 0.9, 0.8, 0.8, 0.75])
    >>> _beyond_grain(marks), _beyond_grain(marks, close=True)
    (2, 1)
    """
    short, found = ((clear <= 1) & (clear > 1 / BY_LITTLE)).sum(), (clear > 1).sum()
    if short < FEWEST_SHORT:
        return int(found)
    just = min(((clear > 1) & (clear < BY_LITTLE)).sum(), short)
    beyond = 1 - min(just / short, OF_AN_OCTAVE) if close else 1.0
    return round(max(found - just / beyond, 0))


def _candidates(gray, most):
    """
    Places that differ from all around them and have few like them near by.

    Returns
    -------
    x, y : (n,) int
        Reduced px; the strongest ``most`` of them.
    sign : (n,) int
        1 lighter, -1 darker than what surrounds them.
    like : (n,) float
        Neighbours at least a third as strong.
    beyond : (n,) float
        By how much they differ from all around them, over what marks of the material near by do.
    """
    near, wide = cv2.blur(gray, (3, 3)), cv2.blur(gray, (9, 9))
    size = cv2.absdiff(near, wide)
    crest = cv2.compare(size, cv2.dilate(size, np.ones((3, 3), np.uint8)), cv2.CMP_GE)
    crest &= cv2.compare(size, LEAST_WORKING, cv2.CMP_GE)
    crest[:AROUND] = crest[-AROUND:] = crest[:, :AROUND] = crest[:, -AROUND:] = 0
    place = np.flatnonzero(crest.view(bool))
    near = near.ravel()
    sign = np.where(near[place] > wide.ravel()[place], 1, -1).astype(np.int16)
    around = _all_around(near, place, sign, gray.shape[1])
    closed = around > 0
    place, sign, around = place[closed], sign[closed], around[closed]
    y, x = np.divmod(place, gray.shape[1])
    good = np.flatnonzero(around >= LEAST_AROUND)
    like = _like_it(x, y, around, gray.shape, good)
    order = np.argsort((1 + like / CROWD) ** RANKED / around[good], kind="stable")[:most]
    like, order = like[order], good[order]
    return x[order], y[order], sign[order], like, _beyond_others(x, y, sign, around, order)


def _all_around(smooth, place, sign, across):
    """By how much places differ from the least different direction around them, code values; 0 for edges and lines."""
    steps = _AROUND[0] * across + _AROUND[1]
    left = np.arange(len(place))
    least = np.full(len(place), 255, np.int16)
    for quarter in (steps[::4], steps[2::4], np.concatenate([steps[1::4], steps[3::4]])):  # most fail the first four
        here = place[left]
        apart = (smooth[here].astype(np.int16) - smooth[here + quarter[:, None]]) * sign[left]
        least[left] = np.minimum(least[left], apart.min(axis=0))
        left = left[least[left] > 0]
    return np.maximum(least, 0)


def _like_it(x, y, around, shape, some):
    """Number of others at least a third as strong in the square of `CELLS` cells around some of the places."""
    rows, columns = shape[0] // CELL + 1, shape[1] // CELL + 1
    cell = (y // CELL) * columns + x // CELL
    level = _LEVEL[around]
    count = np.bincount(cell * LEVELS + level, minlength=rows * columns * LEVELS).astype(np.float32)
    as_strong = (count.reshape(-1, LEVELS) @ _AT_LEAST).reshape(rows, columns, LEVELS)
    near = cv2.boxFilter(as_strong, -1, (CELLS, CELLS), normalize=False, borderType=cv2.BORDER_CONSTANT)
    return near.reshape(-1, LEVELS)[cell[some], np.maximum(level[some] - _A_THIRD, 0)] - 1


def _beyond_others(x, y, sign, around, some):
    """
    By how much some marks differ from all around them, over what other marks near by do.

    The largest of many marks of a material follow its own extremes, whatever its grain looks like; of the marks of
    the same sign near by the one of rank `OTHERS` is the material's, unless as many specks lie there.

    Returns
    -------
    (k,) float64
    """
    if not len(some):
        return np.empty(0)
    ranked = np.argsort(-around, kind="stable")[:STRONGEST]
    across, down = (place[ranked] - place[some, None] for place in (x.astype(np.int32), y.astype(np.int32)))
    away = across * across + down * down
    near = (away > 0) & (away <= NEAR**2) & (sign[ranked] == sign[some, None])
    rank = near.cumsum(axis=1, dtype=np.int16)
    known = rank[:, -1] >= OTHERS
    others = np.where(known, around[ranked][np.argmax(rank == OTHERS, axis=1)], 0)
    return np.minimum(around[some] / (others + LEAST_AROUND), RARE)


def _looked_at(picture, reduction, step, smallest, x, y, sign, like, beyond):
    """
    Candidates of a picture reduced so many times, measured in the picture reduced ``step`` times.

    Returns
    -------
    (n, 5) float64
        x, y (full-resolution px), size (px across), contrast (code values, +
        bright), and how far it stands out over how far a speck has to: above 1
        it is one without doubt, and 0 where it is too faint, long or large.
    """
    scale = reduction / step
    height, width = (side // step for side in picture.encoded.shape[:2])
    if min(height, width) <= 2 * HALF + 1 or not len(x):
        return np.empty((0, 5))
    cx = np.clip(((x + 0.5) * scale).astype(int), HALF, width - 1 - HALF)
    cy = np.clip(((y + 0.5) * scale).astype(int), HALF, height - 1 - HALF)
    values, smooth = _patches(picture, cx, cy, step)
    search, in_body, in_ring, largest = _SHAPES[scale > 1]
    place = _MIDDLE + search[np.argmax(smooth[:, _MIDDLE + search] * sign[:, None], axis=1)]
    one = np.arange(len(cx))[:, None]
    beside = smooth[one, place[:, None] + in_ring] * sign[:, None]
    ground = median(beside[:, ::2])
    level = smooth[one[:, 0], place] * sign - ground
    within = values[one, place[:, None] + in_body] * sign[:, None] - ground[:, None]
    body = within > 0.5 * level[:, None]
    area = np.maximum(body.sum(axis=1), 1)
    mean_x, mean_y, length = _shape(body, area, in_body, KNOWN_TO / smallest)
    stands_out = level / np.maximum(beside.max(axis=1) - ground, 1.0)
    likely = (level >= 0.5 * LEAST_CONTRAST) & (stands_out > 1.1) & (length < LONGEST_IN_ROW)
    possible = (level >= LEAST_CONTRAST) & (area >= smallest) & (area <= largest) & (length < LONGEST)
    needed = STANDS_OUT * (1 + like / CROWD) ** CROWDED * length**NOT_ROUND
    clear = possible * stands_out * beyond / (np.where(length < ROUND, 1.0, MAYBE_THREAD) * needed)
    down, right = np.divmod(place, SIDE)
    centre = step * np.column_stack([cx + right - HALF + mean_x + 0.5, cy + down - HALF + mean_y + 0.5])
    return np.column_stack([centre, step * 2 * np.sqrt(area / np.pi), sign * within.max(axis=1), clear])[likely]


SIDE = 2 * HALF + 1
_MIDDLE = HALF * SIDE + HALF


def _within(inner, outer):
    """Steps in a patch to the pixels more than ``inner`` (or 0) and at most ``outer`` away."""
    row, column = np.mgrid[-HALF : HALF + 1, -HALF : HALF + 1]
    away = np.hypot(row, column)
    return (row * SIDE + column)[(away <= outer) & ((away > inner) | (inner == 0))]


_SHAPES = {
    coarser: (
        _within(0, 3.5 if coarser else 2.5),
        _within(0, BODY * far),
        _within(RING[0] * far, RING[1] * far),
        LARGEST * far**2,
    )
    for coarser, far in ((False, 1.0), (True, WIDER))
}


def _patches(picture, cx, cy, step):
    """Luma around each place in a picture reduced so many times, and the same smoothed over 3 x 3; (n, pixels), uint8 and float32."""
    if step == picture.grey_reduction:
        every = np.lib.stride_tricks.sliding_window_view(picture.grey, (SIDE, SIDE))
        gray = every[cy - HALF, cx - HALF].reshape(-1, SIDE)
    else:
        side = SIDE * step
        gray = np.empty((len(cx) * side, side), np.uint8)
        for k, (top, left) in enumerate(zip(((cy - HALF) * step).tolist(), ((cx - HALF) * step).tolist(), strict=True)):
            part = picture.encoded[top : top + side, left : left + side]
            cv2.cvtColor(part, cv2.COLOR_RGB2GRAY, dst=gray[k * side : (k + 1) * side])
        if step > 1:
            gray = cv2.resize(gray, (SIDE, len(cx) * SIDE), interpolation=cv2.INTER_AREA)
    smooth = cv2.blur(gray.astype(np.float32), (3, 3))  # the outermost rows mix neighbours in the stack: never looked at
    return gray.reshape(len(cx), -1), smooth.reshape(len(cx), -1)


def _shape(body, area, steps, known_to):
    """Centre of each speck's pixels, from the middle of `steps`, and their length over width."""
    row, column = np.divmod(steps + _MIDDLE, SIDE) - np.array([[HALF], [HALF]])
    terms = np.column_stack([column, row, column**2, row**2, column * row]).astype(np.float32)
    mean_x, mean_y, xx, yy, xy = (body.astype(np.float32) @ terms / area[:, None]).T
    xx, yy, xy = xx - mean_x**2 + known_to, yy - mean_y**2 + known_to, xy - mean_x * mean_y
    spread = np.hypot(xx - yy, 2 * xy)
    return mean_x, mean_y, np.sqrt((xx + yy + spread) / np.maximum(xx + yy - spread, 1e-3))


def _distinct(found):
    """Without those that a surer or stronger one overlaps; these first."""
    found = found[np.lexsort((-np.abs(found[:, 3]), found[:, 4] <= 1))]
    if len(found) < 2:
        return found
    across, down = (along[:, None] - along for along in found[:, :2].T)
    overlapped = np.tril(across**2 + down**2 < np.maximum(found[:, 2], 5.0) ** 2, -1).any(axis=1)
    return found[~overlapped]


def _is_close(outline):
    """Whether what is taken for background may be the product itself: in crops, around a mere fitting, and where no outline is sure."""
    if outline.box is None or outline.confidence < CONFIDENCE_LIMIT or len(outline.touches) >= SIDES_OF_A_CROP:
        return True
    left, top, right, bottom = outline.box
    return max(right - left, bottom - top) < FITTING


def _inner(mask):
    """The product without its edge, uint8."""
    width = max(3, 2 * round(0.003 * max(mask.shape)) + 1)
    return cv2.erode(mask, np.ones((width, width), np.uint8), borderValue=0)


def _apart(soft, small):
    """True for soft spots that are not one of the small ones found as well."""
    if not len(small):
        return np.ones(len(soft), bool)
    distance = np.hypot(soft[:, :1] - small[:, 0], soft[:, 1:2] - small[:, 1])
    return distance.min(axis=1) > np.maximum(soft[:, 2], 6.0)
