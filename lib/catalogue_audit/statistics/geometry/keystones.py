"""
Keystone of one picture of a shape beside another: how much faster its sides draw together towards the top.

What leans away from the camera is farther off at its top and smaller there (pinhole camera; Hartley and Zisserman, Multiple View
Geometry, 2nd ed., ch. 8): the logarithm of the width falls evenly from base to top, by the sine of the tilt over the distance in
widths of the body. The logarithm of one picture's widths less the other's is a straight line then, whatever the shape. Where it is none,
something else makes the two differ, and its slope is as unsure as it is bent. Where sides slant, a rim that a tilt lifts and
a height that it shortens change widths too; both are told together with the slope, so that a dome says little of it.
"""


import numpy as np

from catalogue_audit.measures.quantiles import median
from catalogue_audit.measures.segmentation.body import body_mask

ROWS = 48  # of a body, at which its width is taken
NEAR_PX = 2.5  # of the body's mask, from its edge to the outline that bounds it
HEIGHTS, LOWEST, HIGHEST = 40, 0.06, 0.88  # where two are compared: above rounded corners, below the rim; of the body's height
LEAST_ROWS, FEWEST_HEIGHTS = 12, 20
SMOOTH = 5  # heights over which the slant of the sides is averaged
ALIKE = 4.0  # neighbouring heights that err together
LIFTED, SHORTENED = 0.04, 0.02  # widths by which a tilt lifts a rim, and share of the height that it takes: sizes that they have at most
SEEN_FROM_ABOVE = 0.13  # sine of how far above the body's middle the camera usually is: common practice, no source
NOISE, FIRST_SPREAD = 0.0005, 0.03  # natural log of width; no outline is finer, and wide at first
TUKEY = 4.685  # Holland and Welsch (1977): 95 % efficiency
ROUNDS, WIDE_ROUNDS = 10, 6
BENT, RESTS, LEFT_OUT = 2.0, 3.0, 0.01  # what a bend, and what is left, may change the slope by, times; what the share left out may
BESIDE = 6  # next pictures of a shape that each is laid beside


def widths_of(sketch):
    """
    Width of a body by its height.

    Parameters
    ----------
    sketch : mapping of str to ndarray
        Uses ``outline`` and ``mask``.

    Returns
    -------
    heights, log_widths : (n,) float, or None
        Above the base, in widths of the body, rising; natural logarithm of the width over that of the lower half. None where no body is seen.
    """
    outline, mask = sketch.get("outline"), sketch.get("mask")
    if outline is None or mask is None or not mask.any():
        return None
    mask = np.ascontiguousarray(mask)
    body, scale = body_mask(mask)
    rows = np.flatnonzero(body.any(axis=1))
    if len(rows) < LEAST_ROWS:
        return None
    top, base = rows[0] * scale, (rows[-1] + 1) * scale
    at = np.linspace(base, top, ROWS + 2)[1:-1]
    points = np.asarray(outline, float) * mask.shape[::-1]
    following = np.roll(points, -1, axis=0)
    widths = np.array([_width(points, following, body, scale, row) for row in at])
    lower = widths[: ROWS // 2]
    if np.count_nonzero(np.isfinite(lower)) < FEWEST_HEIGHTS // 2:
        return None
    unit, seen = median(lower[np.isfinite(lower)]), np.isfinite(widths)
    return (base - at[seen]) / unit, np.log(widths[seen] / unit)


def _width(points, following, body, scale, row):
    """Distance between the outline's points on either edge of the body in a row; NaN where one of them is not near."""
    crosses = (points[:, 1] <= row) != (following[:, 1] <= row)
    columns = np.flatnonzero(body[min(int(row / scale), len(body) - 1)])
    if np.count_nonzero(crosses) < 2 or not len(columns):
        return np.nan
    (x, y), (to_x, to_y) = points[crosses].T, following[crosses].T
    met = x + (row - y) / (to_y - y) * (to_x - x)
    ends = np.array([columns[0], columns[-1] + 1]) * scale
    left, right = met[np.abs(met - ends[:, None]).argmin(axis=1)]
    return right - left if np.abs([left - ends[0], right - ends[1]]).max() < NEAR_PX * scale and right > left else np.nan


def keystone(one, other, distance=0.0):
    """
    How much faster one body's width grows upwards than another's.

    Weighted least squares (Tukey's weights), together with what slanting sides show of a lifted rim and a shortened height.

    Parameters
    ----------
    one, other : (heights, log_widths)
        As `widths_of` gives them.
    distance : float
        Of the camera, in widths of the body: seen from above, what leans towards it is also lower, which makes slanting sides draw together the faster.

    Returns
    -------
    growth, sd : float, or None
        Natural log of width a width upwards, and its standard uncertainty; None where they have too little in common.

    Examples
    --------
    >>> heights = np.linspace(0.02, 1.0, 40)
    >>> growth, sd = keystone((heights, 0.02 * heights), (heights, 0.0 * heights))
    >>> round(growth, 3), sd < 0.002
    (0.02, True)
    """
    heights = np.linspace(LOWEST, HIGHEST, HEIGHTS) * min(one[0][-1], other[0][-1])
    here, there = (np.interp(heights, *each) for each in (one, other))
    off, span = here - there, np.ptp(heights)
    up = heights - heights.mean()
    slant = np.gradient(0.5 * (here + there), heights)
    slant = np.convolve(np.pad(slant, SMOOTH // 2, mode="edge"), np.full(SMOOTH, 1 / SMOOTH), "valid")
    lower = SEEN_FROM_ABOVE * distance - 0.5 * heights[-1] if distance else 0.0  # a unit of growth; its middle comes nearer, and is larger
    terms = np.stack([np.ones(HEIGHTS), up + lower * slant * heights, slant, slant * heights], axis=1)
    loosely = np.diag([1e-6, 1e-4, LIFTED**-2, SHORTENED**-2])
    rest = off - np.polynomial.polynomial.polyval(up, np.polynomial.polynomial.polyfit(up, off, 1))
    for round_ in range(ROUNDS):
        spread = max(1.4826 * float(median(np.abs(rest))), NOISE, FIRST_SPREAD * 0.5**round_ if round_ < WIDE_ROUNDS else 0.0)
        weight = np.clip(1 - (rest / (TUKEY * spread)) ** 2, 0, 1) ** 2
        weighted = (terms * weight[:, None]).T / (ALIKE * spread**2)
        precision = weighted @ terms + loosely
        found = np.linalg.solve(precision, weighted @ off)
        rest = off - terms @ found
    if np.count_nonzero(weight) < FEWEST_HEIGHTS:
        return None
    bend = np.polynomial.polynomial.polyfit(2 * up / span, rest, 2, w=np.sqrt(weight))[2]
    unsure = np.linalg.inv(precision)[1, 1], BENT * bend / span, RESTS * spread / span, LEFT_OUT * (1 - float(weight.mean()))
    return float(found[1]), float(np.sqrt(unsure[0] + sum(each**2 for each in unsure[1:])))


def keystones_of(sketches, pictures):
    """
    `keystone` of the pictures of one shape, each beside the next ones.

    Parameters
    ----------
    sketches : mapping of str to dict
    pictures : sequence of (str, float)
        File, and the camera's distance in widths of the body.

    Returns
    -------
    list of (int, int, float, float)
        Numbers of both among ``pictures``, growth and its standard uncertainty. A mirror image is as wide as its original.
    """
    widths = [widths_of(sketches.get(file) or {}) for file, _ in pictures]
    shown = [number for number, each in enumerate(widths) if each is not None and len(each[0]) >= FEWEST_HEIGHTS and np.isfinite(pictures[number][1])]
    found = []
    for at, one in enumerate(shown):
        following = range(at + 1, min(at + BESIDE + 1, len(shown)))
        around = range(max(following.stop, len(shown) - BESIDE + at), len(shown))  # the first and the last ones are beside each other
        for other in (shown[other_at] for other_at in (*following, *around)):
            told = keystone(widths[one], widths[other], 0.5 * (pictures[one][1] + pictures[other][1]))
            if told is not None:
                found.append((one, other, *told))
    return found
