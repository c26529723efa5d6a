"""
A table's edge or a horizon behind the product: two backdrops that meet in one straight line across the frame.

The line is told at both ends, where no product hides it. Between a table and a wall it is a sharp step of tone at
the same height on both sides, and the largest one at one side at least: at the other a shadow's edge may be steeper.
A sweep's gradient has no step, and a product's edge that meets both sides of the frame is seldom one straight line,
neutral below and above.
"""

import cv2
import numpy as np

from catalogue_audit.measures.quantiles import median

BAND, COLUMNS = 0.05, 8  # of the frame's width at either end, and columns looked at in it
ENDS = slice(COLUMNS), slice(COLUMNS, None)
CLEAR_ROWS = 0.08  # of the height; nearer to the upper or lower side there is too little of one backdrop to fit
GAP_PX, WINDOW_PX = 2, 3  # beside the line, and the rows of which the tone is taken on either side
SAME_ROWS = 2 * GAP_PX + 1  # around a sharp line, measure the same step; the line is in their middle, which noise would not choose
STEP = 3.0  # CIELAB; fainter lines are within what one smooth surface is allowed to leave
LEAST_END = 2 / 3  # of that, at either end: the product's shadow may lie on the table there
SHARP = 0.5  # share of the step between rows four times as far apart that lies at the line itself, which may be out of focus: of a slope a fourth
TILT = 0.08  # rise over run; a camera held level within four and a half degrees
LEVEL, ONE_GREY = 0.01, 3.0  # the same, of a line that is the largest step at one end alone: a camera levelled with care; and CIELAB a*, b* across it
BAND_OF_ITS_OWN = 1.5  # the same, of a zip or a strap across the frame, beyond which it is as before; a picture's sharpening adds less
STRAIGHT_PX, ON_LINE = 3.0, 0.75  # from the line through both ends: `ERASED_PX` still covers it; and share of the columns that are
ERASED_PX = 10  # working pixels on either side that a lens, sharpening or a JPEG's chroma blur the step over
ALIKE = 4.0  # CIELAB; what differs from the backdrop by the same above and below the line is no edge of a product


def find_horizon(picture):
    """
    Height of a straight step across a frame.

    Parameters
    ----------
    picture : Picture

    Returns
    -------
    line : (2,) tuple of float or None
        At the frame's left and right side, fractions of the height from the top.
    step : (2,) tuple of float
        CIELAB difference across it, at either side: a lamp lights wall and table from its own side.
    """
    height, width = picture.working.shape[:2]
    margin = max(round(CLEAR_ROWS * height), 3 * (GAP_PX + WINDOW_PX))
    wide = max(round(BAND * width), COLUMNS)
    if height < 4 * margin or width < 4 * wide:
        return None, (0.0, 0.0)
    ends = np.linspace(0, wide - 1, COLUMNS).round().astype(int)
    x = np.concatenate([ends, width - 1 - ends])
    _, profile = picture.colours(np.arange(height)[:, None] * width + x)
    step = _steps(profile, GAP_PX)
    inside = slice(margin, height - margin)
    crest = cv2.blur(step, (1, SAME_ROWS))[inside]
    each = np.arange(len(x))
    if np.count_nonzero(step[margin + crest.argmax(axis=0), each] >= STEP) < ON_LINE * COLUMNS:  # fewer than half of those that have to be on the line
        return None, (0.0, 0.0)
    line = _on_one_line(crest, x)
    if line is None:
        return None, (0.0, 0.0)
    row, on_line = margin + line[0], line[1]
    if not (line[2] or _alike(profile, row, on_line)):
        return None, (0.0, 0.0)
    far = _steps(profile, 3 * (GAP_PX + WINDOW_PX) - WINDOW_PX)
    here, wider = ([float(median(steps[row, each][part][on_line[part]])) for part in ENDS] for steps in (step, far))
    if sum(here) < 2 * STEP or min(here) < LEAST_END * STEP or not SHARP < sum(here) / max(sum(wider), 1e-6) < BAND_OF_ITS_OWN:
        return None, (0.0, 0.0)
    y, at = (np.array([places[part][on_line[part]].mean() for part in ENDS]) for places in (row, x))
    slope = (y[1] - y[0]) / (at[1] - at[0])
    left = y[0] + slope * (0.0 - at[0] - 0.5)
    return (float(left / height), float((left + slope * width) / height)), tuple(wider)


def _on_one_line(crest, x):
    """
    Rows of one line across the frame, one for each column (n,) of crests (h, n) at both ends, which columns have it (n,), and whether
    it is the largest step at both ends; None where there is none.

    Either the largest step of most columns lies on it; or that of one end does, and the other end has a lesser one just as high.
    A shadow's edge, or a mirror image's, may be steeper there than the line, but lies on one side of the product alone.
    """
    middle = np.array([x[part].mean() for part in ENDS])
    sums = [crest[:, part].sum(axis=1) for part in ENDS]
    largest, first = crest.argmax(axis=0), np.array([each.argmax() for each in sums])

    def told(row, y):
        slope = (y[1] - y[0]) / (middle[1] - middle[0])
        on_line = np.abs(row - (y[0] + slope * (x - middle[0]))) <= STRAIGHT_PX
        return on_line if abs(slope) <= TILT and on_line.reshape(2, COLUMNS).mean(axis=1).min() >= ON_LINE else None

    if (on_line := told(largest, first)) is not None:
        return largest, on_line, True
    for lead in (0, 1):
        reach = int(LEVEL * (middle[1] - middle[0]))
        start = max(first[lead] - reach, 0)
        row, y = largest.copy(), first.copy()
        y[1 - lead] = start + sums[1 - lead][start : first[lead] + reach + 1].argmax()
        start = max(y[1 - lead] - 2 * GAP_PX, 0)
        row[ENDS[1 - lead]] = start + crest[start : y[1 - lead] + 2 * GAP_PX + 1, ENDS[1 - lead]].argmax(axis=0)
        if (on_line := told(row, y)) is not None:
            return row, on_line, False
    return None


def _alike(profile, row, on_line):
    """Whether both ends differ across a line in the same way, and by their light alone: wall and table of one grey."""
    reach = GAP_PX + WINDOW_PX // 2
    mean = cv2.blur(profile, (1, WINDOW_PX), borderType=cv2.BORDER_REPLICATE)
    each = np.arange(len(row))
    apart = mean[row - 1 - reach, each] - mean[row + reach, each]
    left, right = (median(apart[part][on_line[part]].T) for part in ENDS)
    return left[0] * right[0] > 0 and max(np.hypot(*left[1:]), np.hypot(*right[1:])) < ONE_GREY


def _steps(profile, gap):
    """CIELAB difference between the rows above and below each boundary ``row`` (between row - 1 and row), (h, n)."""
    mean = cv2.blur(profile, (1, WINDOW_PX), borderType=cv2.BORDER_REPLICATE)
    reach = gap + WINDOW_PX // 2
    rows = np.arange(len(profile))
    above, below = (mean[np.clip(at, 0, len(profile) - 1)] for at in (rows - 1 - reach, rows + reach))
    light, a, b = np.square(above - below).transpose(2, 0, 1)  # summed apart: many times faster than three at a time
    return np.sqrt(light + a + b)


def below_line(horizon, shape):
    """Share of each pixel that lies below the line, (h, w) float32."""
    height, width = shape
    y = np.arange(height, dtype=np.float32)[:, None] + 0.5
    return np.clip(y - line_px(horizon, shape) + 0.5, 0, 1)


def line_px(horizon, shape):
    """Height of the line in each column, px, (w,) float32."""
    height, width = shape
    x = (np.arange(width, dtype=np.float32) + 0.5) / width
    return (horizon[0] + (horizon[1] - horizon[0]) * x) * height


def erased(planes, ground, horizon, reach):
    """
    Planes of a picture without the blur of the line itself, where the same thing is seen above and below it.

    Parameters
    ----------
    planes, ground : sequence of (h, w) float32
        CIELAB of a picture and its backdrop, the whole frame.
    horizon : (2,) tuple of float
        As `find_horizon` gives it.
    reach : int
        Pixels on either side.

    Returns
    -------
    list of (h, w) float32
    """
    height, width = planes[0].shape
    line = line_px(horizon, (height, width))
    first = np.clip(np.floor(line).astype(int) - reach - 1, 0, height - 1)
    last = np.clip(np.ceil(line).astype(int) + reach, 0, height - 1)
    each = np.arange(width)
    ends = [[plane[row, each] - under[row, each] for row in (first, last)] for plane, under in zip(planes, ground, strict=True)]
    alike = np.max([np.abs(above - below) for above, below in ends], axis=0) < ALIKE
    span = np.maximum(last - first, 1)
    result = [plane.copy() for plane in planes]
    columns = each[alike]
    for offset in range(1, int(span.max())):
        rows = np.minimum(first + offset, last)[alike]
        share = (rows - first[alike]) / span[alike]
        for plane, under, (above, below) in zip(result, ground, ends, strict=True):
            plane[rows, columns] = under[rows, columns] + (1 - share) * above[alike] + share * below[alike]
    return result
