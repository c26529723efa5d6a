"""
Where a detail crop fits into pictures of the whole product, by laying it over them.

The details of one set are taken at much the same scale. That scale is learnt
from some of the set first; a crop that fits best at quite another one has met an edge
or a plain area, and says nothing. The structure says where a crop was taken, the
colour there from which product: colourways of one style share their structure.

References
----------
.. [1] J. P. Lewis, "Fast Template Matching", Vision Interface 95 (1995) 120-123
   (normalised cross-correlation).
"""

import math
from collections import OrderedDict
from typing import NamedTuple

import cv2
import numpy as np

WHOLE_PX = 320  # long side of the whole picture in which a crop is looked for
ZOOMS = np.geomspace(1.8, 8.0, 16)  # crop's scale over the whole picture's
WIDE_ZOOMS = np.geomspace(1.2, 8.0, 20)  # of a crop that may show more than the product, over the whole frame
NEAR_ZOOM = 1.25  # factor around the set's usual zoom
STEPS = 11
LEAST_TEMPLATE_PX = 12
COARSE = 0.5  # of the scale: at it all zooms and places are tried, in full only about the best ones
FULL_TRIES = 2  # zooms tried in full, and their neighbours
REACH_PX = 3  # of the full scale, about a place found at the coarse one
FOUND = 0.6  # correlation from which a crop's zoom is worth learning from
ONE_SCALE = 0.2  # robust scatter of ln(zoom) up to which a set's crops have one scale
LAYERS_AT_HAND = 32  # 1 MB each
LIGHTNESS_WEIGHT = 0.3  # of L* in a colour difference: a detail has a light of its own


class Fit(NamedTuple):
    """
    The best place of a crop in a whole picture.

    ``correlation`` (-1 to 1, over L*, a*, b*; NaN where it cannot be looked
    for), ``zoom`` at which it was found (NaN at either end of those tried,
    where nothing was at its best), ``colour`` difference of the crop from what it lies over
    (CIELAB units, lightness counting `LIGHTNESS_WEIGHT`).
    """

    correlation: float
    zoom: float
    colour: float


NOT_FOUND = Fit(math.nan, math.nan, math.nan)


class Layers(NamedTuple):
    """
    A picture ready to be laid over another, by `whole_layers` or `crop_layers`.

    ``full`` CIELAB float32, ``coarse`` L* alone at `COARSE` scale, ``scaled`` what was made of them at other
    sizes: a crop is laid over each picture of its product at the same zooms.
    """

    full: np.ndarray
    coarse: np.ndarray
    scaled: dict


def whole_layers(sketch):
    """Layers of a whole picture, cut to the box of its ``mask``; None where the sketch has no ``preview``."""
    picture = _rgb(sketch, WHOLE_PX)
    return None if picture is None else _layers(_within_box(picture, sketch.get("mask")))


def crop_layers(sketch):
    """Layers of a crop, as large as its smallest zoom needs; None where the sketch has no ``preview``."""
    picture = _rgb(sketch, round(WHOLE_PX / ZOOMS[0]))
    return None if picture is None else _layers(picture)


def frame_layers(sketch):
    """Layers of a whole picture with all that surrounds the product, for crops that show some of it."""
    picture = _rgb(sketch, WHOLE_PX)
    return None if picture is None else _layers(picture)


def wide_crop_layers(sketch):
    """Layers of a crop as large as the smallest of `WIDE_ZOOMS` needs."""
    picture = _rgb(sketch, round(WHOLE_PX / WIDE_ZOOMS[0]))
    return None if picture is None else _layers(picture)


def best_fit(crop, whole, zooms=ZOOMS):
    """
    Best place of a crop in a whole picture.

    Parameters
    ----------
    crop, whole : Layers or None
    zooms : (n,) array_like of float
        Increasing. All are tried at the coarse scale, the best few in full.

    Returns
    -------
    Fit
    """
    if crop is None or whole is None:
        return NOT_FOUND
    rough = [_sought(crop, whole.coarse, zoom) for zoom in zooms]
    promising = {near for place in np.argsort([at[0] for at in rough])[-FULL_TRIES:] for near in (place - 1, place, place + 1)}
    promising = {place for place in promising if 0 <= place < len(zooms)}
    tried = {place: _laid_over(crop, whole.full, zooms[place], rough[place][1]) for place in sorted(promising)}
    place = max(sorted(tried), key=lambda place: tried[place][0])
    correlation, small, at = tried[place]
    if correlation <= -1:
        return NOT_FOUND
    inside = 0 < place < len(zooms) - 1
    return Fit(min(correlation, 1.0), float(zooms[place]) if inside else math.nan, _colour_difference(small, whole.full, at))


class LayersAtHand:
    """The layers of the pictures used last, by their files."""

    def __init__(self, sketches):
        self._sketches, self._layers = sketches, OrderedDict()

    def of(self, file, make):
        """Layers of a file, by `whole_layers` or `crop_layers`."""
        if (file, make) not in self._layers:
            self._layers[file, make] = make(self._sketches.get(file) or {})
            if len(self._layers) > LAYERS_AT_HAND:
                self._layers.popitem(last=False)
        self._layers.move_to_end((file, make))
        return self._layers[file, make]


def fitted(layers, asked):
    """`best_fit` of a crop's file into a whole picture's, at some zooms; ``layers`` are `LayersAtHand`."""
    crop, whole, zooms = asked
    return best_fit(layers.of(crop, crop_layers), layers.of(whole, whole_layers), zooms)


def fitted_in_frame(layers, asked):
    """`best_fit` of a crop's file into the whole frame of another."""
    crop, whole = asked
    return best_fit(layers.of(crop, wide_crop_layers), layers.of(whole, frame_layers), WIDE_ZOOMS)


def _sought(crop, picture, zoom):
    """(best correlation of lightness at the coarse scale, where the crop's corner lies); -1 where it does not go in."""
    small = _at_size(crop, "coarse", WHOLE_PX * COARSE / zoom)
    if not _goes_in(small, picture, LEAST_TEMPLATE_PX * COARSE):
        return -1.0, (0, 0)
    return _best_place(picture, small)


def _laid_over(crop, picture, zoom, about):
    """(best correlation near a place found at the coarse scale, the crop at that zoom, where its corner lies); -1 where it does not go in."""
    small = _at_size(crop, "full", WHOLE_PX / zoom)
    if not _goes_in(small, picture, LEAST_TEMPLATE_PX):
        return -1.0, small, (0, 0)
    first = [int(np.clip(round(at / COARSE) - REACH_PX, 0, most - size)) for at, most, size in zip(about, picture.shape, small.shape)]
    window = picture[first[0] : first[0] + small.shape[0] + 2 * REACH_PX, first[1] : first[1] + small.shape[1] + 2 * REACH_PX]
    correlation, (down, across) = _best_place(window, small)
    return correlation, small, (first[0] + down, first[1] + across)


def _at_size(crop, layer, long_side):
    if (layer, long_side) not in crop.scaled:
        crop.scaled[layer, long_side] = _scaled(getattr(crop, layer), long_side)
    return crop.scaled[layer, long_side]


def _goes_in(small, picture, least):
    return small.shape[0] < picture.shape[0] and small.shape[1] < picture.shape[1] and min(small.shape[:2]) >= least


def _best_place(picture, small):
    match = cv2.matchTemplate(picture, small, cv2.TM_CCOEFF_NORMED)
    _, best, _, (across, down) = cv2.minMaxLoc(match)
    return best, (down, across)


def _colour_difference(small, picture, at):
    """Median distance in a* and b* over the place, and that of the median lightness at its weight."""
    down, across = at
    patch = picture[down : down + small.shape[0], across : across + small.shape[1]]
    difference = small - patch
    chroma = float(np.median(np.hypot(difference[..., 1], difference[..., 2])))
    return math.hypot(chroma, LIGHTNESS_WEIGHT * float(np.median(difference[..., 0])))


def usual_zooms(fits):
    """
    Zooms at which a set's crops are to be looked for.

    Parameters
    ----------
    fits : iterable of Fit

    Returns
    -------
    (n,) ndarray of float
        Empty where the set's crops have no one scale.
    """
    zooms = np.log([fit.zoom for fit in fits if fit.correlation >= FOUND and math.isfinite(fit.zoom)])
    if zooms.size < 4:
        return np.empty(0)
    middle = float(np.median(zooms))
    if 1.4826 * float(np.median(np.abs(zooms - middle))) > ONE_SCALE:
        return np.empty(0)
    return np.geomspace(math.exp(middle) / NEAR_ZOOM, math.exp(middle) * NEAR_ZOOM, STEPS)


def _rgb(sketch, long_side):
    """The sketch's picture, BGR uint8, at most so large."""
    preview = sketch.get("preview")
    if preview is None or not preview.size:
        return None
    preview = np.ascontiguousarray(preview)
    image = cv2.imdecode(preview, cv2.IMREAD_REDUCED_COLOR_2)  # half the size costs half the time and is all that is needed
    if image is not None and max(image.shape[:2]) < long_side:
        image = cv2.imdecode(preview, cv2.IMREAD_COLOR)
    return None if image is None else _scaled(image, long_side)


def _layers(picture):
    lab = cv2.cvtColor(np.multiply(picture, np.float32(1 / 255)), cv2.COLOR_BGR2LAB)
    return Layers(lab, _scaled(lab[..., 0], max(lab.shape[:2]) * COARSE), {})


def _scaled(picture, long_side):
    factor = long_side / max(picture.shape[:2])
    size = (max(round(picture.shape[1] * factor), 1), max(round(picture.shape[0] * factor), 1))
    return picture if size == picture.shape[1::-1] else cv2.resize(picture, size, interpolation=cv2.INTER_AREA)


def _within_box(picture, mask):
    if mask is None or not mask.any():
        return picture
    down, across = np.flatnonzero(mask.any(axis=1)), np.flatnonzero(mask.any(axis=0))
    y, x = picture.shape[0] / mask.shape[0], picture.shape[1] / mask.shape[1]
    box = picture[int(down[0] * y) : int((down[-1] + 1) * y), int(across[0] * x) : int((across[-1] + 1) * x)]
    return box if box.size else picture
