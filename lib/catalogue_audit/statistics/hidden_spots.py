"""
Sensor dust where a frame's own texture hides it.

Dust does not leave a place and come back to it. A frame taken between two that
show a spot carries it too, unless the picture is clearly as light there as all
around: leather's grain may hide a spot, a smooth part cannot.
"""

from typing import NamedTuple

import cv2
import numpy as np

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
    looks = {}
    for frame, numbers in sorted(wanted.items()):
        preview = sketches[frames["file"].iloc[frame]].get("preview") if frames["file"].iloc[frame] in sketches else None
        if preview is None or not preview.size:
            continue
        grey = cv2.imdecode(np.ascontiguousarray(preview), cv2.IMREAD_GRAYSCALE)
        row = frames.iloc[frame]
        across = grey.shape[1] / float(row["width_px"])
        for number in numbers:
            place = places[number]
            x, y = upright(place.x, place.y, int(row["orientation"]) if row["orientation"] == row["orientation"] else 1)
            looks[number, frame] = darkness(grey, x * grey.shape[1], y * grey.shape[0], place.size_px * across / 2)
    found = []
    for number, place in enumerate(places):
        shown = [looks[number, frame][0] for frame in place.shown_in if (number, frame) in looks]
        for (of_place, frame), (ratio, uncertainty, level) in looks.items():
            if of_place == number and frame not in place.shown_in and not _is_free(ratio, uncertainty, np.median(shown)):
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
    apart = 3 * radius + 2
    middles = np.column_stack([np.cos(_AROUND), np.sin(_AROUND)]) * apart
    ratios = [_ratio(grey, x + dx, y + dy, radius) for dx, dy in np.vstack([[0, 0], middles])]
    others = np.array([ratio for ratio, _ in ratios[1:]])
    return ratios[0][0], float(np.sqrt(np.mean((others - np.median(others)) ** 2))), ratios[0][1]


def _ratio(grey, x, y, radius):
    """Mean of a disc over the median of its ring, less 1; and that median."""
    half = int(np.ceil(3 * radius + 1))
    patch = cv2.getRectSubPix(grey, (2 * half + 1, 2 * half + 1), (x - 0.5, y - 0.5)).astype(np.float32)
    offset = np.arange(-half, half + 1)
    away = np.hypot(offset[:, None], offset[None, :])
    ring = float(np.median(patch[(away > 1.7 * radius + 1) & (away <= 3 * radius + 1)]))
    return float(patch[away <= radius].mean()) / max(ring, 1.0) - 1, ring


def _is_free(ratio, uncertainty, expected):
    """Whether a place is clearly lighter than the spot would make it."""
    return ratio > expected / 2 and ratio - expected > SURE * max(uncertainty, 0.15 * abs(expected))
