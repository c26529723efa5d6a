"""
Sensor dust where a frame's own texture hides it.

Dust does not leave a place and come back to it. A frame taken between two that
show a spot carries it too, unless the picture is clearly as light there as all
around: leather's grain may hide a spot, a smooth part cannot.
"""

import functools
from typing import NamedTuple

import cv2
import numpy as np
import pandas as pd

SHOWN = 12  # frames that show the spot and are asked how dark it is
SURE = 3.0  # standard uncertainties by which a place has to be lighter than the spot, to be free of it
LEAST_RADIUS = 1.5  # preview px
_AROUND = np.arange(8) * np.pi / 4


class Place(NamedTuple):
    """
    One recurring spot of a camera.

    Attributes
    ----------
    x, y : float
        On the sensor, fractions of the picture as stored.
    size_px : float
        Across, full-resolution pixels.
    shown_in : tuple of int
        Positions of the frames that show it.
    """

    x: float
    y: float
    size_px: float
    shown_in: tuple


def hidden_in(frames, sketches, order, places, upright):
    """
    Frames between those that show a spot, and not known to be free of it.

    Parameters
    ----------
    frames : DataFrame
        ``file``, ``height_px``, ``width_px`` and ``orientation`` are read.
    sketches : mapping of str to dict
        ``preview`` is read.
    order : sequence of int
        Positions of the camera's frames in `frames`, in order of capture.
    places : list of Place
    upright : function
        (x, y, orientation) of a stored picture to (x, y) of the upright one.

    Returns
    -------
    list of (place, frame, contrast)
        Numbers in `places`, positions in `frames`, code values (of the preview, negative is dark).
    """
    rank = {frame: number for number, frame in enumerate(order)}
    wanted = {}
    for number, place in enumerate(places):
        seen = sorted(rank[frame] for frame in place.shown_in)
        between = set(order[seen[0] : seen[-1] + 1]) - set(place.shown_in)
        if between:
            for frame in between | set(place.shown_in[:: max(len(seen) // SHOWN, 1)]):
                wanted.setdefault(frame, []).append(number)
    files, widths, turns = (frames[name].to_list() for name in ("file", "width_px", "orientation"))
    looks = [{} for _ in places]
    for frame, numbers in sorted(wanted.items()):
        preview = sketches[files[frame]].get("preview") if files[frame] in sketches else None
        if preview is None or not preview.size:
            continue
        grey = cv2.imdecode(np.ascontiguousarray(preview), cv2.IMREAD_GRAYSCALE)
        across = grey.shape[1] / float(widths[frame])
        for number in numbers:
            place = places[number]
            x, y = upright(place.x, place.y, 1 if pd.isna(turns[frame]) else int(turns[frame]))
            looks[number][frame] = darkness(grey, x * grey.shape[1], y * grey.shape[0], place.size_px * across / 2)
    found = []
    for number, (place, here) in enumerate(zip(places, looks, strict=True)):
        showing = set(place.shown_in)
        shown = [look[0] for frame, look in here.items() if frame in showing]
        usual = float(np.median(shown)) if shown else np.nan
        for frame, (ratio, uncertainty, level) in here.items():
            if frame not in showing and not _is_free(ratio, uncertainty, usual):
                found.append((number, frame, ratio * level))
    return found


def darkness(grey, x, y, radius):
    """
    How much darker a disc is than the ring around it.

    Returns
    -------
    ratio : float
        Of the ring's level; negative is darker.
    uncertainty : float
        Standard deviation of the same at eight places around.
    level : float
        Of the ring, code values.

    Examples
    --------
    >>> flat = np.full((60, 60), 100, np.uint8)
    >>> darkness(flat, 30.0, 30.0, 3.0)
    (0.0, 0.0, 100.0)
    """
    radius = max(radius, LEAST_RADIUS)
    middles = np.vstack([[0, 0], np.column_stack([np.cos(_AROUND), np.sin(_AROUND)]) * (3 * radius + 2)])
    half, disc, ring = _disc_and_ring(radius)
    size = (2 * half + 1, 2 * half + 1)
    patches = np.stack([cv2.getRectSubPix(grey, size, (x + dx - 0.5, y + dy - 0.5)) for dx, dy in middles]).astype(np.float32)
    levels = np.median(patches[:, ring], axis=1).astype(float)
    ratios = patches[:, disc].mean(axis=1).astype(float) / np.maximum(levels, 1.0) - 1
    others = ratios[1:]
    return float(ratios[0]), float(np.sqrt(np.mean((others - np.median(others)) ** 2))), float(levels[0])


@functools.lru_cache(maxsize=256)
def _disc_and_ring(radius):
    """(half the side of a patch, its pixels in the disc, its pixels in the ring around)."""
    half = int(np.ceil(3 * radius + 1))
    offset = np.arange(-half, half + 1)
    away = np.hypot(offset[:, None], offset[None, :])
    return half, away <= radius, (away > 1.7 * radius + 1) & (away <= 3 * radius + 1)


def _is_free(ratio, uncertainty, expected):
    """Whether a place is clearly lighter than the spot would make it."""
    return ratio > expected / 2 and ratio - expected > SURE * max(uncertainty, 0.15 * abs(expected))
