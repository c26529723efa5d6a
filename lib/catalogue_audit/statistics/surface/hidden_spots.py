"""
In which frames a spot of sensor dust was there, also where a frame's own texture hides it.

Dust comes once, stays, and is wiped off once: the frames that carry it are an unbroken run in order of
capture. How dark its place is in each speaks for it or against it, clearly on a
backdrop, hardly on leather's grain; the run is the one for which most speaks. Spots
that come and go together are heard together.
"""

import functools
from typing import NamedTuple

import cv2
import numpy as np

from catalogue_audit.statistics.spread import spread

SHOWN = 12  # frames that show the spot and are asked how dark it is
SURE = 3.0  # standard uncertainties by which a place has to be lighter than the spot, to be free of it
BEYOND = 12  # frames before the first that shows the spot and after the last that are looked at
MOST_SAID = 3.0  # natural logarithm of odds; one frame says no more: an edge may lie there
UNSAID = 0.5  # the same, lost by each frame in the run that does not show the spot
SAME_EVENT = 3  # frames; spots whose runs begin and end within so many of one another came and went together
LIKE = 0.15, 0.002  # of the spot's darkness and of the light: how alike it is from frame to frame, and the preview's rounding
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
    beside : frozenset of int
        Those of them that show it beside the product, where nothing else is as dark and small.
    """

    x: float
    y: float
    size_px: float
    shown_in: tuple
    beside: frozenset


def carrying(frames, sketches, order, places, upright):
    """
    Frames that carry each spot.

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
    list of dict
        For each place the positions in `frames` and the contrast there, code
        values of the preview (negative is dark; NaN where it was not looked at).
    """
    rank = {frame: number for number, frame in enumerate(order)}
    windows = [_window(place, rank, len(order)) for place in places]
    looks = _looks(frames, sketches, order, list(zip(places, windows, strict=True)), upright)
    said, usual = [], []
    for place, (first, last), here in zip(places, windows, looks, strict=True):
        shown = [here[frame][0] for frame in place.shown_in if frame in here]
        usual.append(float(np.median(shown)) if shown else np.nan)
        said.append(np.array([_said(place, frame, here, usual[-1]) for frame in order[first : last + 1]]))
    runs = [_run(odds, first) for odds, (first, _) in zip(said, windows, strict=True)]
    result = []
    for number, (place, here) in enumerate(zip(places, looks, strict=True)):
        joint, window = _joint(number, runs, said, windows), windows[number][0]
        first, last = _run(joint, window)
        members = {}
        for at in range(first, last + 1):
            frame = order[at]
            ratio, uncertainty, level = here.get(frame, (np.nan, 0.0, np.nan))
            doubted = frame in here and _is_free(ratio, uncertainty, usual[number]) and joint[at - window] < 0
            if frame in place.shown_in or (frame in here and not doubted):
                members[frame] = ratio * level
        result.append(members)
    return result


def _window(place, rank, count):
    """First and last number in order of capture that may carry a spot."""
    seen = [rank[frame] for frame in place.shown_in]
    return max(min(seen) - BEYOND, 0), min(max(seen) + BEYOND, count - 1)


def _looks(frames, sketches, order, places, upright):
    """For each place the frames of its window that have to be looked at: position to `darkness`."""
    wanted = {}
    for number, (place, (first, last)) in enumerate(places):
        open_ones = set(order[first : last + 1]) - place.beside
        for frame in open_ones | set(place.shown_in[:: max(len(place.shown_in) // SHOWN, 1)]):
            wanted.setdefault(frame, []).append(number)
    files, widths, turns = frames["file"].to_list(), frames["width_px"].to_list(), frames["orientation"].fillna(1).to_list()
    asked = []
    for frame, numbers in sorted(wanted.items()):
        here = [places[number][0] for number in numbers]
        spots = [(*upright(place.x, place.y, int(turns[frame])), place.size_px) for place in here]
        asked.append((files[frame], widths[frame], spots))
    looks = [{} for _ in places]
    for (frame, numbers), found in zip(sorted(wanted.items()), spread(_darkness_at, asked, sketches), strict=True):
        for number, one in zip(numbers, found or (), strict=found is not None):
            looks[number][frame] = one
    return looks


def _darkness_at(sketches, asked):
    """`darkness` at the spots (x, y as fractions of the picture, size in its pixels) of a file so many pixels wide; None without a preview."""
    file, width, spots = asked
    preview = (sketches.get(file) or {}).get("preview")
    if preview is None or not preview.size:
        return None
    grey = cv2.imdecode(np.ascontiguousarray(preview), cv2.IMREAD_GRAYSCALE)
    across = grey.shape[1] / float(width)
    return [darkness(grey, x * grey.shape[1], y * grey.shape[0], size * across / 2) for x, y, size in spots]


def _said(place, frame, looks, usual):
    """Logarithm of the odds that a frame carries a spot, by how dark its place is there."""
    if frame in place.beside:
        return MOST_SAID
    if frame not in looks or not np.isfinite(usual):
        return -UNSAID
    ratio, uncertainty, _ = looks[frame]
    variance = uncertainty**2 + (LIKE[0] * usual) ** 2 + LIKE[1] ** 2
    return float(np.clip((ratio**2 - (ratio - usual) ** 2) / (2 * variance), -MOST_SAID, MOST_SAID)) - UNSAID


def _run(odds, first):
    """
    The unbroken run for which most speaks: first and last number, the odds' own being counted from `first`.

    Examples
    --------
    >>> _run(np.array([-1.0, 2.0, -1.0, 3.0, -2.0, 1.0]), 10)
    (11, 13)
    """
    total = np.concatenate([[0.0], np.cumsum(odds)])
    gain = total[1:] - np.minimum.accumulate(total[:-1])
    end = int(np.argmax(gain))
    start = int(np.argmin(total[: end + 1]))
    return first + start, first + end


def _joint(number, runs, said, windows):
    """The odds of one spot over its window, with those of all that came and went with it."""
    mine, (first, last) = runs[number], windows[number]
    joint = np.zeros(last - first + 1)
    for run, odds, (start, _) in zip(runs, said, windows, strict=True):
        if max(abs(run[0] - mine[0]), abs(run[1] - mine[1])) <= SAME_EVENT:
            at = np.arange(len(odds)) + start - first
            inside = (at >= 0) & (at < len(joint))
            joint[at[inside]] += odds[inside]
    return joint


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
