"""
What stands out of both sides of a product's front and not of its back.

Seen from behind a product has the outline of its front, mirrored: a rim, a band around the body and rings stand out of both alike. A strap that was
taken off for the back stands out of the front alone, on both sides, below the body's upper corners and equally high.
"""

import numpy as np

from catalogue_audit.measures.geometry.lines import runs
from catalogue_audit.measures.geometry.strap_outline import LEAST_STUB, SIDE_SPAN
from catalogue_audit.measures.quantiles import median

ROWS = 100  # of the body, on which its sides are compared
MIDDLE = slice(40, 90)  # of them, on which its width is: clear of straps and feet
LEAST = LEAST_STUB * 2**0.5  # of the body's width; either outline has an unevenness of its own
LEAST_LENGTH = 0.04  # of the body's height, equally high on both sides
CORNER, LOWEST = 0.03, 0.3  # of the body's height below its top, between which what stands out begins: at the corner itself views differ, and straps hang from above
OVER_CHANCE = 2.2  # times what the back has more than the front in the same way: by chance


def more_in_front(front, back, front_arch, back_arch):
    """
    Whether both sides of the front show the ends of a strap that the back does not.

    Of 421 products of three makes whose front shows no strap none passes, of 23 whose strap hangs behind there 21 do.

    Parameters
    ----------
    front, back : dict
        Sketches; uses ``outline`` and ``mask``.
    front_arch, back_arch : float
        Height of what stands above the body, fraction of the body's height.
    """
    if any(sketch.get(key) is None for sketch in (front, back) for key in ("outline", "mask")):
        return False
    here, there = _sides(front, front_arch), _sides(back, back_arch)
    if not (np.isfinite(here).all() and np.isfinite(there).all()):
        return False
    more, less = _more(here, there), _more(there, here)
    (first, last, _), (other_first, other_last, _) = more
    begin, end = (first, other_first), (last, other_last)
    alike_high = min(end) - max(begin) >= LEAST_LENGTH * ROWS
    placed = min(begin) >= CORNER * ROWS and max(begin) < LOWEST * ROWS
    return alike_high and placed and min(area for *_, area in more) > OVER_CHANCE * min(area for *_, area in less)


def _sides(sketch, arch):
    """(2, ROWS) place of the body's left and right edge, outwards, over the body's height; from the top down, NaN where the outline has none."""
    points = sketch["outline"] * np.array(sketch["mask"].shape[::-1], float)
    base, height = points[:, 1].max(), np.ptp(points[:, 1]) / (1 + arch)
    rows = base - height * (1 - (np.arange(ROWS) + 0.5) / ROWS)
    after = np.roll(points, -1, axis=0)
    below = points[:, 1] <= rows[:, None]
    crossed = below != (after[:, 1] <= rows[:, None])
    slope = (after[:, 0] - points[:, 0]) / np.where(after[:, 1] == points[:, 1], 1.0, after[:, 1] - points[:, 1])
    across = (points[:, 0] + (rows[:, None] - points[:, 1]) * slope) / height
    sides = np.array([np.where(crossed, -across, -np.inf).max(axis=1), np.where(crossed, across, -np.inf).max(axis=1)])
    return np.where(np.isfinite(sides), sides, np.nan)


def _more(one, other):
    """By how much one picture's sides stand out beyond another's, mirrored: of each side's largest part (first, last, area), rows and the body's widths."""
    wide, size = one.sum(axis=0), one.sum(axis=0)[MIDDLE] / other.sum(axis=0)[MIDDLE]
    beyond = (one - float(median(size)) * other[::-1]) / float(median(wide[MIDDLE]))
    span = int(SIDE_SPAN * ROWS) | 1
    found = []
    for side in beyond:
        smooth = median(np.lib.stride_tricks.sliding_window_view(np.pad(side, span // 2, mode="edge"), span))
        out = np.where(side - smooth > LEAST, side - smooth, 0.0)
        first, last = max(runs(out > 0), key=lambda part: out[slice(*part)].sum(), default=(0, 0))
        found.append((first, last, float(out[first:last].sum())))
    return found
