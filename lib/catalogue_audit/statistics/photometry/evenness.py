"""
How even a background is, against the same places of the other pictures' backgrounds.

How much of a sweep's fall-off, or of a table below a wall, is seen depends on where the camera stood and on what the product covers, and
changes from top to bottom. What a lamp that failed or a flag left in the way does is seen from side to side as well, where the set's
backgrounds are alike whatever the camera's height and distance.
"""

import numpy as np

from catalogue_audit.statistics.photometry.regions import CLIPPED_L
from catalogue_audit.statistics.photometry.view_effects import members_of

# Regions of the border, clockwise from the top left, that lie in one row right and left of the middle, and the frame's width over their distance.
SIDES = ((4, 0, 1.0), (3, 1, 2.0), (5, 15, 1.0), (6, 14, 1.0), (7, 13, 1.0), (8, 12, 1.0), (9, 11, 2.0))
FEWEST_ROWS = 2
OFTEN, FEWEST_DIFFERING = 0.05, 3  # of the pictures in which a region differs from its view's, and how many: it shows now this part of the set, now that
FEWEST_REGIONS = 6  # that show one and the same part of the set in nearly all pictures


def border_lightness(frames, sketches):
    """CIELAB L* of the 16 border regions of each frame, (n, 16); NaN where covered or unknown."""
    levels = np.full((len(frames), 16), np.nan)
    for place, file in enumerate(frames["file"]):
        lab = (sketches.get(file) or {}).get("backdrop")
        if lab is not None and len(lab) == 16:
            levels[place] = np.asarray(lab, float)[:, 0]
    return levels


def table_untold(frames, sketches):
    """Frames in which no table's edge was told, where most others show one: the table passes for one surface with the wall. (n,) of bool."""
    told = np.array(["table" in (sketches.get(file) or {}) for file in frames["file"]], bool)
    return ~told & (told.sum() > len(told) / 2)


def side_to_side(levels):
    """
    By how much each background is lighter at its right than at its left side, L*: (n,).

    The median over rows of regions; NaN where fewer than `FEWEST_ROWS` are seen that are not burnt out at both sides.

    Parameters
    ----------
    levels : (n, 16) ndarray
        Of `border_lightness`.
    """
    right, left, scale = (np.array(column) for column in zip(*SIDES, strict=True))
    off = (levels[:, right] - levels[:, left]) * scale
    off[(levels[:, right] >= CLIPPED_L) & (levels[:, left] >= CLIPPED_L)] = np.nan
    result = np.full(len(levels), np.nan)
    for place in np.flatnonzero(np.isfinite(off).sum(axis=1) >= FEWEST_ROWS):
        result[place] = np.nanmedian(off[place])
    return result


def unlike_the_view(levels, views, tolerance):
    """
    By how much what each background differs by from its view's varies over the border, L*: (n,).

    Only regions count that show the same part of the set in nearly all pictures; NaN where too few do.

    Parameters
    ----------
    levels : (n, 16) ndarray
    views : (n,) ndarray of str
    tolerance : float
        L*; regions that differ by more in more than `OFTEN` of the pictures show other parts of the set.
    """
    off = np.full(levels.shape, np.nan)
    for places in members_of(views):
        seen = np.isfinite(levels[places]).any(axis=0)
        off[np.ix_(places, seen)] = levels[np.ix_(places, seen)] - np.nanmedian(levels[np.ix_(places, seen)], axis=0)
    differing, known = (np.abs(off) > tolerance).sum(axis=0), np.isfinite(off).sum(axis=0)
    other = (differing > OFTEN * known) & (differing >= FEWEST_DIFFERING)
    off[:, other | np.roll(other, 1) | np.roll(other, -1)] = np.nan  # beside such a region its edge may come into view
    result = np.full(len(levels), np.nan)
    enough = np.isfinite(off).sum(axis=1) >= FEWEST_REGIONS
    result[enough] = np.nanmax(off[enough], axis=1) - np.nanmin(off[enough], axis=1)
    return result
