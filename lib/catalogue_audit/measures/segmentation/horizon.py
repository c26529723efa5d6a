"""
A table's edge or a horizon behind the product: two backdrops that meet in one straight line across the frame.

The line is told at both ends, where no product hides it. Between a table and a wall it is a sharp step of tone at
the same height on both sides, and the largest one at one side at least: at the other a shadow's edge may be steeper.
A sweep's gradient has no step, and a product's edge that meets both sides of the frame is seldom one straight line,
neutral below and above.

Where the table ends inside the frame as well, a second line lies below: the table's front edge. The product stands on the
table, so that this line is seen unbroken from side to side below it, and all that lies under it is ground, whatever it is.
"""

import cv2
import numpy as np

from catalogue_audit.measures.quantiles import median

BAND, COLUMNS = 0.05, 8  # of the frame's width at either end, and columns looked at in it
NO_LINE, SHORTEST_PX = (None, (0.0, 0.0)), 28  # and rows among which one is looked for at least
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
FRONT_BELOW, FRONT_TILT, FRONT_COLUMNS = 2 / 3, 0.025, 64  # of the height: a table's front edge lies lower; its rise over run; and columns it is looked for in
UNBROKEN, SHADED_STEP = 0.95, 0.35  # share of those that show it; and of the step between its ends: the product's shadow may reach it
UNLIKE, LEAST_ABOVE, MOST_UNDER = 15.0, 0.05, 0.3  # CIELAB, from both sides of the same row; share of the frame that is so above; of that as much may be below
FADING = 0.03  # of the height; what is carried on below the front edge fades over as much
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
    margin, sides = _sides(picture)
    return _line(sides, margin, len(picture.working) - margin) if sides else NO_LINE


def find_edges(picture):
    """
    A table's edge behind the product, and its front edge where the frame holds that too.

    Parameters
    ----------
    picture : Picture

    Returns
    -------
    line, step :
        As `find_horizon` gives them; where there is a front edge, of the largest step above it.
    front : (2,) tuple of float or None
        Like ``line``, of the front edge.
    """
    margin, sides = _sides(picture)
    if not sides:
        return *NO_LINE, None
    height = len(picture.working)
    front, lowest = None, height - 3 * (GAP_PX + WINDOW_PX)  # nothing is fitted below a front edge
    line, step = _line(sides, margin, lowest)
    while line and _is_front(picture, line):
        front = line
        line, step = _line(sides, margin, int(min(line) * height) - margin // 2)
    if not front and (line is None or max(line) * height > height - margin):
        line, step = _line(sides, margin, height - margin)
    if not front and line:
        front, _ = _line(sides, max(int(max(line) * height) + margin // 2, int(FRONT_BELOW * height)), lowest)
        front = front if front and _is_front(picture, front) else None
    return line, step, front


def _sides(picture):
    """Rows left out at the upper and lower side; and of both ends of a frame its width, places of columns, their CIELAB and steps, or None: it is too small."""
    height, width = picture.working.shape[:2]
    margin = max(round(CLEAR_ROWS * height), 3 * (GAP_PX + WINDOW_PX))
    wide = max(round(BAND * width), COLUMNS)
    if height < 4 * margin or width < 4 * wide:
        return margin, None
    ends = np.linspace(0, wide - 1, COLUMNS).round().astype(int)
    x = np.concatenate([ends, width - 1 - ends])
    _, profile = picture.colours(np.arange(height)[:, None] * width + x)
    return margin, (width, x, profile, _steps(profile, GAP_PX))


def _line(sides, first, last):
    """`find_horizon` between two rows."""
    if last - first < SHORTEST_PX:
        return NO_LINE
    width, x, profile, step = sides
    height = len(profile)
    crest = cv2.blur(step, (1, SAME_ROWS))[first:last]
    each = np.arange(len(x))
    if np.count_nonzero(step[first + crest.argmax(axis=0), each] >= STEP) < ON_LINE * COLUMNS:  # fewer than half of those that have to be on the line
        return NO_LINE
    line = _on_one_line(crest, x)
    if line is None:
        return NO_LINE
    row, on_line = first + line[0], line[1]
    if not (line[2] or _alike(profile, row, on_line)):
        return NO_LINE
    far = _steps(profile, 3 * (GAP_PX + WINDOW_PX) - WINDOW_PX)
    here, wider = ([float(median(steps[row, each][part][on_line[part]])) for part in ENDS] for steps in (step, far))
    if sum(here) < 2 * STEP or min(here) < LEAST_END * STEP or not SHARP < sum(here) / max(sum(wider), 1e-6) < BAND_OF_ITS_OWN:
        return NO_LINE
    y, at = (np.array([places[part][on_line[part]].mean() for part in ENDS]) for places in (row, x))
    slope = (y[1] - y[0]) / (at[1] - at[0])
    left = y[0] + slope * (0.0 - at[0] - 0.5)
    return (float(left / height), float((left + slope * width) / height)), tuple(wider)


def _is_front(picture, line):
    """Whether a line lies low in the frame and level, is seen from side to side, and what differs from the ground beside it is above the line."""
    height, width = picture.working.shape[:2]
    if min(line) < FRONT_BELOW or abs(line[1] - line[0]) * height > FRONT_TILT * width:
        return False
    x = ((np.arange(FRONT_COLUMNS) + 0.5) / FRONT_COLUMNS * width).astype(int)
    at = (line_px(line, (height, width))[x] + 0.5).astype(int)
    reach = GAP_PX + np.arange(WINDOW_PX)
    upper, lower = (picture.colours(np.clip(rows, 0, height - 1) * width + x)[1].mean(axis=0) for rows in (at - 1 - reach[:, None], at + reach[:, None]))
    apart = upper - lower
    usual = median(apart.T)
    if np.mean(apart @ usual > SHADED_STEP * (usual @ usual)) < UNBROKEN:
        return False
    rows = np.linspace(0, height - 1, FRONT_COLUMNS).astype(int)
    _, seen = picture.colours(rows[:, None] * width + x)
    share = (np.arange(FRONT_COLUMNS) / (FRONT_COLUMNS - 1))[None, :, None]
    unlike = np.linalg.norm(seen - (1 - share) * seen[:, :1] - share * seen[:, -1:], axis=2) > UNLIKE
    above = np.count_nonzero(unlike[rows < min(line) * height])
    return above > LEAST_ABOVE * unlike.size and np.count_nonzero(unlike[rows > max(line) * height]) < MOST_UNDER * above


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


def above_front(planes, ground, front, reach):
    """
    Planes of a picture in which what lies below a table's front edge is the table, gone on with.

    Parameters
    ----------
    planes, ground : sequence of (h, w) float32
        CIELAB of a picture and its backdrop, the whole frame.
    front : (2,) tuple of float
        As `find_edges` gives it.
    reach : int
        Pixels above the edge that its blur may reach.

    Returns
    -------
    list of (h, w) float32
    """
    height, width = planes[0].shape
    last = np.clip(np.floor(line_px(front, (height, width))).astype(int) - reach - 1, 0, height - 1)
    top, each = int(last.min()), np.arange(width)
    depth = np.arange(top, height)[:, None] - last
    fading = np.exp(-np.maximum(depth, 0) / (FADING * height)).astype(np.float32)
    result = []
    for plane, under in zip(planes, ground, strict=True):
        left = np.clip(plane[last, each] - under[last, each], -ALIKE, ALIKE)  # a shadow that reaches the edge does not end there
        one = plane.copy()
        one[top:] = np.where(depth > 0, under[top:] + cv2.blur(left[None], (2 * reach + 1, 1)) * fading, plane[top:])
        result.append(one)
    return result
