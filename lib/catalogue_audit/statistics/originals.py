"""
Which camera original each retouched final was made from, and how it was turned and cropped.

Candidates come from an index of words (parts of key-point descriptors), which a new
background, a crop, a turn or another colour leaves standing, from the outline's shape, and from names. A candidate
counts only once it was laid over the final: key points agree on one movement (rotation, one
scale, shift), and the fine structure of the product's lightness then correlates as two versions
of one photograph do, and two photographs of one thing do not.

References
----------
.. [1] E. Rublee et al., "ORB: An efficient alternative to SIFT or SURF", ICCV 2011.
.. [2] B. D. Lucas and T. Kanade, "An Iterative Image Registration Technique with an
   Application to Stereo Vision", IJCAI 1981.
"""

import math
from typing import NamedTuple

import cv2
import numpy as np
import pandas as pd
from scipy.spatial import cKDTree

WORD_BYTES = 3  # of a descriptor, read as one word of WORD_BITS; longer words are rarer, but survive less
WORD_BITS = 20
WORDS = 8  # a descriptor, from disjoint bytes
COMMON = 64  # a word in more originals than this tells nothing, and is not looked at
NOMINATED = 6  # originals with most of the final's words that are laid over it ...
SHAPED = 3  # ... those of the nearest outlines ...
NAMED = 2  # ... and at most so many of the same name
HARMONICS = 8  # of the outline's distance from its centre, whose sizes no turn changes
FAR_FEWER = 0.2  # of the most key points in one movement: not looked at again
LAID_OVER = 4  # of these, with most key points in one movement, compared in full
LONG_SIDE = 400  # px of the final, at which two pictures are laid over one another
MOST_PX = 640  # of the original
MOST_TURN_DEG, MOST_SCALE = 15.0, 4.0  # of a straightened picture; more is another thing seen by chance
MOST_BITS = 64  # of 256, between descriptors of one point
NEAR_PX = 4.0  # at LONG_SIDE: key points that agree with a movement
FEWEST_POINTS = 8
DETAIL_PX = 5.0  # Gaussian sigma: tone curves and light are broader, seams and grain are finer
EDGE_PX = 7  # width of the square that the product is eroded by: retouching, and the frame, end at its edge
FEWEST_PX = 400  # of product
SAME_PHOTOGRAPH = 0.88  # correlation of fine structure; on rendered bags 0.92 and more, two photographs of two bags up to 0.86
SHARED = 0.95  # of the smaller of two products laid over one another; another product has another outline
PROMISING = 0.4  # of that correlation in the first round; true pairs reach more
AS_GOOD = 0.01  # of that correlation; two originals nearer than this cannot be told apart
FLOOR_PX = 0.05  # at LONG_SIDE; what resampling leaves of any alignment
ROUNDS = 2  # of alignment: the first one's movement says what of the product both pictures show
STEPS, ENOUGH_PX = 25, 0.002  # of the alignment, at LONG_SIDE
SAME_ERROR_PX = 25.0  # pixels that err together: grain, JPEG blocks and resampling are no white noise
KEYS = ("keypoints", "descriptors", "preview", "mask", "outline")
COLUMNS = (
    "original_file", "original_note", "original_rotation_deg", "original_rotation_sd_deg", "original_scale", "original_scale_sd",
    "original_left", "original_top", "original_right", "original_bottom", "original_crop_sd",
)  # fmt: skip


class Placed(NamedTuple):
    """
    A final in its original.

    ``correlation`` of fine structure; ``rotation_deg`` applied to the original, + clockwise; ``scale``,
    final pixels an original pixel; ``crop`` (left, top, right, bottom): the final's frame, turned
    back about its own middle, in fractions of the original; each with its standard uncertainty (that
    of the crop in fractions of the original's width).
    """

    correlation: float
    rotation_deg: float
    rotation_sd_deg: float
    scale: float
    scale_sd: float
    crop: tuple
    crop_sd: float


def pair_originals(frames, sketches, originals, original_sketches):
    """
    The original that each final was made from.

    Parameters
    ----------
    frames, originals : DataFrame
        Frame columns of the finals and of the originals, in natural file order, default index.
    sketches, original_sketches : mapping of str to dict of ndarray
        Loaded one at a time; ``keypoints``, ``descriptors``, ``preview``, ``mask`` and ``outline`` are read.

    Returns
    -------
    DataFrame
        Index as `frames`; `COLUMNS`. Empty where no original fits, or where several fit as well and
        neither name nor content tells them apart: then ``original_note`` says so.
        One original may serve several finals.
    """
    rows = []
    find = _finder(originals, original_sketches)
    names = _by_name(originals)
    for place in frames.index:
        final = frames.loc[place]
        sketch = _trusted(final, sketches)
        if "preview" not in sketch or pd.isna(final["width_px"]):
            rows.append({})
            continue
        namesakes = {row for name in _names(final) for row in names.get(name, ())}
        nominated = sorted({*find(final, sketch), *sorted(namesakes)[:NAMED]})
        rows.append(_best(_laid_over(final, sketch, originals, original_sketches, nominated), originals, namesakes))
    return pd.DataFrame(rows, index=frames.index, columns=list(COLUMNS))


def _best(placed, originals, namesakes):
    """Columns of the original that fits best; of a note where none can be told from the others."""
    fits = {row: one for row, one in placed.items() if one.correlation >= SAME_PHOTOGRAPH}
    if not fits:
        return {}
    most = max(one.correlation for one in fits.values())
    equal = sorted(row for row, one in fits.items() if one.correlation > most - AS_GOOD)
    chosen, note = equal, None
    if len({originals["sha256"][row] for row in equal}) > 1:
        chosen = [row for row in equal if row in namesakes]
        told = len({originals["sha256"][row] for row in chosen}) == 1
        listed = ", ".join(originals["file"][row] for row in equal)
        note = f"originals that fit equally well: {listed}" + ("; told apart by name only" if told else "")
        if not told:
            return {"original_note": note}
    row = min(chosen, key=lambda row: (row not in namesakes, row))
    one = fits[row]
    values = originals["file"][row], note, *one[1:5], *one.crop, one.crop_sd
    return dict(zip(COLUMNS, values, strict=True))


# -- candidates ------------------------------------------------------------------------------


def descriptor_words(descriptors):
    """
    Words of a picture's key points.

    Parameters
    ----------
    descriptors : (n, 32) ndarray of uint8 or None

    Returns
    -------
    (at most n * WORDS,) ndarray of uint32
        Unique, sorted; the word's place in the descriptor is part of it.

    Examples
    --------
    >>> len(descriptor_words(np.zeros((5, 32), np.uint8)))
    8
    """
    if descriptors is None or not len(descriptors):
        return np.zeros(0, np.uint32)
    parts = np.ascontiguousarray(descriptors[:, : WORDS * WORD_BYTES]).reshape(len(descriptors), WORDS, WORD_BYTES)
    values = (parts.astype(np.uint32) << np.array([0, 8, 16], np.uint32)).sum(axis=2, dtype=np.uint32)
    values &= np.uint32((1 << WORD_BITS) - 1)
    return np.unique(values | (np.arange(WORDS, dtype=np.uint32) << np.uint32(WORD_BITS)))


def outline_shape(outline, size):
    """
    What no turn, shift or scale changes of an outline: sizes of the harmonics of its distance from its centre.

    Parameters
    ----------
    outline : (n, 2) ndarray of float or None
        Fractions of the frame.
    size : (width, height)

    Returns
    -------
    (HARMONICS,) ndarray of float or None
    """
    if outline is None or len(outline) < 16:
        return None
    points = np.asarray(outline, float) * size
    points = points - points.mean(axis=0)
    angle, distance = np.arctan2(points[:, 1], points[:, 0]), np.hypot(*points.T)
    order = np.argsort(angle, kind="stable")
    even = np.interp(np.linspace(-np.pi, np.pi, 128, endpoint=False), angle[order], distance[order], period=2 * np.pi)
    return np.abs(np.fft.rfft(even / even.mean()))[1 : HARMONICS + 1] / 128


def _finder(originals, sketches):
    """A function (final, sketch) -> rows of the originals nominated, from an index over all of them."""
    words, owners, shapes, shaped = [], [], [], []
    for row in originals.index:
        sketch = _trusted(originals.loc[row], sketches)
        words.append(descriptor_words(sketch.get("descriptors")))
        owners.append(np.full(len(words[-1]), row, np.int32))
        shape = _shape(originals.loc[row], sketch)
        if shape is not None:
            shapes.append(shape)
            shaped.append(row)
    words, owners = np.concatenate([np.zeros(0, np.uint32), *words]), np.concatenate([np.zeros(0, np.int32), *owners])
    order = np.argsort(words, kind="stable")
    words, owners = words[order], owners[order]
    tree = cKDTree(np.array(shapes)) if shapes else None

    def find(final, sketch):
        own = descriptor_words(sketch.get("descriptors"))
        begin, end = np.searchsorted(words, own), np.searchsorted(words, own, side="right")
        telling = (end > begin) & (end - begin <= COMMON)
        seen = [owners[a:b] for a, b in zip(begin[telling], end[telling], strict=True)]
        votes = np.bincount(np.concatenate([np.zeros(0, np.int32), *seen]), minlength=len(originals))
        found = [int(row) for row in np.argsort(-votes, kind="stable")[:NOMINATED] if votes[row]]
        shape = None if tree is None else _shape(final, sketch)
        if shape is not None:
            found += [shaped[k] for k in np.atleast_1d(tree.query(shape, min(SHAPED, len(shaped)))[1])]
        return found

    return find


def _trusted(frame, sketches):
    """A picture's sketch, without mask and outline where they are not of a whole product, as in a crop."""
    sketch = sketches.get(frame["file"]) or {}
    kept = KEYS if pd.notna(frame["left"]) else KEYS[:3]
    return {key: sketch[key] for key in kept if key in sketch}


def _shape(frame, sketch):
    if pd.isna(frame["width_px"]):
        return None
    return outline_shape(sketch.get("outline"), _size(frame))


def _size(frame):
    return float(frame["width_px"]), float(frame["height_px"])


def _names(frame):
    """What a file is called: its own name without folder and format, and product with view and number."""
    yield frame["file"].rpartition("/")[2].rpartition(".")[0].lower()
    if isinstance(frame["sku"], str) and isinstance(frame["view"], str):
        yield frame["sku"], frame["view"], 1 if pd.isna(frame["position"]) else int(frame["position"])


def _by_name(originals):
    names = {}
    for row in originals.index:
        for name in _names(originals.loc[row]):
            names.setdefault(name, []).append(row)
    return names


# -- one picture over another ------------------------------------------------------------------


def _laid_over(final, sketch, originals, original_sketches, rows):
    """Row -> Placed of the nominated originals that go over the final."""
    moved = []
    for row in rows:
        other = _trusted(originals.loc[row], original_sketches)
        if "preview" not in other:
            continue
        movement, points = common_movement(sketch, other, _size(final), _size(originals.loc[row]))
        if movement is not None:
            moved.append((-points, row, movement, other))
    placed = {}
    moved.sort(key=lambda one: one[:2])
    for points, row, movement, other in moved[:LAID_OVER]:
        if -points < FAR_FEWER * -moved[0][0]:
            break
        one = place(sketch, other, _size(final), _size(originals.loc[row]), movement)
        if one is not None:
            placed[row] = one
    return placed


def common_movement(sketch, other, size, other_size):
    """
    Movement from a final's pixels to an original's on which key points agree, or else their outlines.

    Returns
    -------
    movement : (3, 3) ndarray of float or None
        Rotation, one scale and shift; None where there is none within `MOST_TURN_DEG` and `MOST_SCALE`.
    points : int
        Key points that agree; 0 for one by the outlines.
    """
    points, others = sketch.get("keypoints"), other.get("keypoints")
    if points is not None and others is not None:
        matches = cv2.BFMatcher(cv2.NORM_HAMMING, crossCheck=True).match(sketch["descriptors"], other["descriptors"])
        matches = [match for match in matches if match.distance <= MOST_BITS]
        if len(matches) >= FEWEST_POINTS:
            a = points[[match.queryIdx for match in matches], :2] * np.float32(size)
            b = others[[match.trainIdx for match in matches], :2] * np.float32(other_size)
            near = NEAR_PX * max(other_size) / LONG_SIDE
            movement, agree = cv2.estimateAffinePartial2D(a, b, method=cv2.RANSAC, ransacReprojThreshold=near, maxIters=1000)
            if movement is not None and agree.sum() >= FEWEST_POINTS and _is_plausible(movement, size, other_size):
                return np.vstack([movement, [0, 0, 1]]), int(agree.sum())
    if sketch.get("outline") is None or other.get("outline") is None:
        return None, 0
    (centre, area), (other_centre, other_area) = (
        _centre_and_area(one["outline"] * np.float32(whole)) for one, whole in ((sketch, size), (other, other_size))
    )
    if not area or not other_area:
        return None, 0
    scale = math.sqrt(other_area / area)
    shift = other_centre[0] - scale * centre[0], other_centre[1] - scale * centre[1]
    movement = np.array([[scale, 0, shift[0]], [0, scale, shift[1]], [0, 0, 1]])
    return (movement, 0) if _is_plausible(movement, size, other_size) else (None, 0)


def _is_plausible(movement, size, other_size):
    zoom = math.hypot(movement[0, 0], movement[1, 0]) * max(size) / max(other_size)
    turn = math.degrees(math.atan2(movement[1, 0], movement[0, 0]))
    return abs(turn) <= MOST_TURN_DEG and 1 / MOST_SCALE <= zoom <= MOST_SCALE


def _centre_and_area(polygon):
    moments = cv2.moments(polygon.astype(np.float32))
    if not moments["m00"]:
        return (0.0, 0.0), 0.0
    return (moments["m10"] / moments["m00"], moments["m01"] / moments["m00"]), abs(moments["m00"])


def place(sketch, other, size, other_size, movement):
    """
    Lay an original over a final, as exactly as their previews allow.

    Parameters
    ----------
    sketch, other : dict of ndarray
        Of the final and of the original.
    size, other_size : (float, float)
        Width and height, px.
    movement : (3, 3) ndarray of float
        First guess, from the final's pixels to the original's.

    Returns
    -------
    Placed or None
        None where they do not go over one another.
    """
    zoom = math.hypot(movement[0, 0], movement[1, 0]) * max(size) / max(other_size)
    grey, other_grey = _grey(sketch, LONG_SIDE), _grey(other, min(MOST_PX, round(LONG_SIDE / min(zoom, 1.0))))
    down, up = _resizing(size, grey.shape[::-1]), _resizing(other_size, other_grey.shape[::-1])
    movement = up @ movement @ np.linalg.inv(down)
    for _ in range(ROUNDS):
        own, laid = _product(sketch, grey.shape), _laid(_product(other, other_grey.shape), movement, grey.shape)
        product = own * laid
        mask = cv2.erode(product, np.ones((EDGE_PX, EDGE_PX), np.uint8), borderType=cv2.BORDER_CONSTANT, borderValue=0) > 0.5
        if mask.sum() < FEWEST_PX:
            return None
        other_detail = _detail(other_grey, _laid(product, np.linalg.inv(movement), other_grey.shape))
        movement, sds, correlation = _aligned(_detail(grey, product), other_detail, mask, movement)
        if not correlation >= PROMISING or not np.isfinite(movement).all() or abs(np.linalg.det(movement)) < 1e-6:
            return None
    movement = np.linalg.inv(up) @ movement @ down
    if product.sum() < SHARED * min(own.sum(), laid.sum()) or not _is_plausible(movement, size, other_size):
        return None
    pitch = math.hypot(movement[0, 0], movement[1, 0])
    middle = movement[:2, :2] @ ((np.array(size) - 1) / 2) + movement[:2, 2] + 0.5
    half = pitch * np.array(size) / 2
    crop = (*((middle - half) / other_size), *((middle + half) / other_size))
    turn_sd, pitch_sd, shift_sd = sds
    return Placed(
        correlation=correlation,
        rotation_deg=-math.degrees(math.atan2(movement[1, 0], movement[0, 0])),
        rotation_sd_deg=math.degrees(turn_sd),
        scale=1 / pitch,
        scale_sd=pitch_sd / pitch,
        crop=tuple(float(value) for value in crop),
        crop_sd=math.hypot(shift_sd * down[0, 0] ** -1 * pitch, pitch_sd * half[0]) / other_size[0],
    )


def _aligned(detail, other, mask, movement):
    """
    Movement with the least squares of what is left of the final's detail, by Gauss-Newton [2]_.

    Returns
    -------
    movement : (3, 3) ndarray of float
        From the final's pixels to the original's: rotation, one scale, shift.
    sds : (float, float, float)
        Standard uncertainties of rotation (radian), scale (relative) and shift (px of the final).
    correlation : float
        NaN where the detail is flat.
    """
    down, across = np.nonzero(mask)
    wanted, about = detail[down, across], np.array([across.mean(), down.mean()])
    x, y = across - about[0], down - about[1]
    slopes = cv2.Sobel(other, cv2.CV_32F, 1, 0, scale=1 / 8), cv2.Sobel(other, cv2.CV_32F, 0, 1, scale=1 / 8)
    movement = np.array(movement, float)
    for _ in range(STEPS):
        seen, along_x, along_y = (_laid(layer, movement, detail.shape)[down, across] for layer in (other, *slopes))
        jacobian = np.column_stack([along_x * x + along_y * y, along_y * x - along_x * y, along_x, along_y, wanted])
        normal = (jacobian.T @ jacobian).astype(float)
        step = np.linalg.lstsq(normal, (jacobian.T @ seen).astype(float), rcond=None)[0]
        change = np.array([[step[0], -step[1]], [step[1], step[0]]])
        movement[:2, :2] -= change
        movement[:2, 2] -= step[2:4] - change @ about
        if np.abs(step[:2]).max() * math.hypot(x.std(), y.std()) + np.abs(step[2:4]).max() < ENOUGH_PX:
            break
    correlation = float(np.corrcoef(seen, wanted)[0, 1]) if seen.std() > 0 and wanted.std() > 0 else math.nan
    pitch = math.hypot(movement[0, 0], movement[1, 0])
    left = seen - float(seen @ wanted) / max(float(wanted @ wanted), 1e-9) * wanted
    spread = np.sqrt(np.maximum(np.diag(np.linalg.pinv(normal)), 0) * float(left.var()) * SAME_ERROR_PX) / pitch
    extent = math.sqrt(mask.sum())
    sds = (math.hypot(spread[1], FLOOR_PX / extent), math.hypot(spread[0], FLOOR_PX / extent), math.hypot(spread[2:4].max(), FLOOR_PX))
    return movement, sds, correlation


def _laid(layer, movement, shape):
    return cv2.warpAffine(layer, movement[:2], shape[::-1], flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP)


def _resizing(size, small):
    """Matrix from pixels of a picture to those of the same at another size (centres of pixels at whole numbers)."""
    across, down = small[0] / size[0], small[1] / size[1]
    return np.array([[across, 0, (across - 1) / 2], [0, down, (down - 1) / 2], [0, 0, 1.0]])


def _grey(sketch, long_side):
    """Lightness of a picture at that size, float32."""
    grey = cv2.imdecode(np.ascontiguousarray(sketch["preview"]), cv2.IMREAD_GRAYSCALE)
    factor = long_side / max(grey.shape)
    size = max(round(grey.shape[1] * factor), 8), max(round(grey.shape[0] * factor), 8)
    return cv2.resize(grey, size, interpolation=cv2.INTER_AREA if factor < 1 else cv2.INTER_LINEAR).astype(np.float32)


def _product(sketch, shape):
    """Where the product is, 1 or 0, float32; 1 everywhere where that is not known."""
    known = sketch.get("mask")
    if known is None or not known.any():
        return np.ones(shape, np.float32)
    return (cv2.resize(known.astype(np.float32), shape[::-1], interpolation=cv2.INTER_LINEAR) > 0.5).astype(np.float32)


def _detail(grey, product):
    """Fine structure of the product's lightness, without what lies around it."""
    share = np.maximum(cv2.GaussianBlur(product, (0, 0), DETAIL_PX), 1e-3)
    return (grey - cv2.GaussianBlur(grey * product, (0, 0), DETAIL_PX) / share) * product
