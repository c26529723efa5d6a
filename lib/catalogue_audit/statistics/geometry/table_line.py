"""
Roll by a straight line behind the product: the far edge of a table, the foot of a wall, a shelf.

A line of the room lies alike in all pictures of a set-up, whatever stands before it; a camera that is rolled, or a picture that was rotated, turns it
by just so much. It is searched for in the free background on both sides of the product, along all slopes (Radon's transform of the
vertical gradient), and fitted through its places in the columns (weights after Cauchy). A shadow's edge and the bend of a sweep are neither so
straight nor so sharp, and tell nothing.
"""

import math

import cv2
import numpy as np
import pandas as pd

from catalogue_audit.statistics.robust import MEDIAN_EFFICIENCY, mad_scale
from catalogue_audit.statistics.spread import spread

SMOOTH_PX, AROUND_PX = 1.5, 4  # Gaussian sigma; about the product that is left out: of half the preview
SLOPES_DEG = np.arange(-8.0, 8.01, 1.0)  # that are looked along
PHOTOGRAPHED = ("grey", "coloured", "unknown")  # backdrops; a floor on pure white may have been put there
BORDER = 0.04  # of the frame's height at its upper and lower end, where the line may be the picture's own border
FREE, EACH_SIDE = 0.2, 0.05  # least share of columns that show it; of the width, on either side of the middle third
COLUMN_PX = 6  # of so many each, steps are averaged before they are looked along: a line climbs less than one pixel in it
AROUND_LINE_PX = 5
TRIED, APART_ROWS = 3, 5  # lines that are fitted, for a shadow's soft edge may be the longest; and half pixels between them
LEAST_STEP, CRISP_PX, ON_LINE = 1.5, 0.3, 0.6  # code values a px; scatter about the line; share of its columns within three of these
BENT = 0.03  # px a px, of either side beside the whole: two edges that only seem to continue each other
LEAST_COUNTED = 0.3  # code values a px, of a column's step
CAUCHY, LEAST_SCATTER_PX, STEPS = 1.5, 0.08, 8
ALIKE_COLUMNS = 9.0  # neighbours that are off alike: so many fewer say something new
ONE_TONE = 1.0  # standard deviation, code values, of a border; light falls off on floors and walls
LINE_SD_DEG = 0.12  # how alike a line lies from picture to picture: rooms of two makes, 0.01 and 0.12
FEWEST = 4  # pictures from which a line of the room has a middle slope
ONE_LINE = 0.2  # of the frame's height, about the middle of the set's lines; what lies elsewhere is something else: 137 lines of seven deliveries lie within 0.175, an edge of a product at 0.29
MOST_RESTLESS_DEG = 0.4  # scatter of slopes from which there is no one line


def line_rolls(frames, sketches):
    """
    Roll of pictures against the set by the lines behind their products.

    Parameters
    ----------
    frames : DataFrame
        With ``file``, ``view_kind`` and ``backdrop``.
    sketches : mapping of str to dict
        Uses ``preview`` and ``mask``.

    Returns
    -------
    DataFrame
        Index as `frames`: ``roll``, + clockwise, and ``sd``, degrees; NaN where no line is seen, or few, or they lie anyhow.
    """
    kept = getattr(sketches, "made", {})  # the same for pictures as taken and as delivered
    files = frames.loc[(frames["view_kind"] == "upright") & frames["backdrop"].isin(PHOTOGRAPHED), "file"]
    new = [file for file in files if ("table line", file) not in kept]
    kept.update(zip([("table line", file) for file in new], spread(line_behind, new, sketches), strict=True))
    told = {index: kept["table line", file] for index, file in files.items()}
    seen = pd.DataFrame.from_dict({index: line for index, line in told.items() if line is not None}, orient="index", columns=["roll", "sd", "row"], dtype=float)
    result = seen[(seen["row"] - seen["row"].median()).abs() < ONE_LINE][["roll", "sd"]]
    count, scatter = len(result), mad_scale(result["roll"].to_numpy()) if len(result) else math.inf
    if count < FEWEST or scatter > MOST_RESTLESS_DEG:
        return pd.DataFrame(math.nan, index=frames.index, columns=["roll", "sd"])
    usual = max(LINE_SD_DEG, scatter)
    result = result.assign(roll=result["roll"] - result["roll"].median(), sd=np.hypot(result["sd"], usual * math.sqrt(1 + MEDIAN_EFFICIENCY**2 / count)))
    return result.reindex(frames.index)


def line_behind(sketches, file):
    """
    Slope of the straight line behind one product.

    Parameters
    ----------
    sketches : mapping of str to dict
    file : str

    Returns
    -------
    (slope_deg, sd_deg, row) or None
        + clockwise; where it crosses the frame's middle, fraction of its height.
    """
    sketch = sketches.get(file) or {}
    if sketch.get("preview") is None or sketch.get("mask") is None or not np.any(sketch["mask"]):
        return None
    grey = cv2.imdecode(np.ascontiguousarray(sketch["preview"]), cv2.IMREAD_REDUCED_GRAYSCALE_2)
    if grey is None or min(grey.shape) < 4 * AROUND_LINE_PX:
        return None
    mask = cv2.resize(np.asarray(sketch["mask"]).astype(np.uint8), grey.shape[::-1], interpolation=cv2.INTER_NEAREST)
    free = 1 - cv2.dilate(mask, np.ones((2 * AROUND_PX + 1,) * 2, np.uint8))
    smooth = cv2.GaussianBlur(grey.astype(np.float32), (0, 0), SMOOTH_PX)
    step = np.zeros_like(smooth)
    step[1:-1] = (smooth[2:] - smooth[:-2]) / 2
    border = max(3, round(BORDER * len(grey)))
    free[:border] = free[-border:] = 0
    line = next((line for likely in _likeliest(step * free, free) if (line := _fitted(step, free, *likely)) is not None), None)
    return None if line is None or _is_a_border(grey, mask, line) else line


def _is_a_border(grey, mask, line):
    """Whether nothing but one tone lies between a line and the picture's upper or lower end: then it was added to the picture."""
    row = round(line[2] * len(grey))
    ends = slice(0, max(row - AROUND_LINE_PX, 1)), slice(row + AROUND_LINE_PX, len(grey))
    return any(not mask[end].any() and float(np.std(grey[end])) < ONE_TONE for end in ends)


def _likeliest(step, free):
    """Slope (px a px), row at the frame's middle and sign of the step of lines along which steps agree most, the likeliest first, free on both sides."""
    limit = 4 * float(np.median(np.abs(step[free > 0]))) + 1.0 if free.any() else 1.0
    planes = cv2.merge([np.clip(step / limit, -1, 1), free.astype(np.float32)])
    planes = cv2.resize(planes, (max(round(step.shape[1] / COLUMN_PX), 3), max(round(step.shape[0] / 2), 1)), interpolation=cv2.INTER_AREA)
    tall, wide = planes.shape[:2]
    slopes, squeezed = np.tan(np.radians(SLOPES_DEG)), step.shape[1] / wide / 2
    shears = [np.array([(1.0, 0.0, 0.0), (slope, 1.0, -slope * (wide - 1) / 2)]) for slope in slopes * squeezed]
    along = [cv2.warpAffine(planes, shear, (wide, tall), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP) for shear in shears]
    third, sums = wide // 3, np.zeros((wide, 2, 4), np.float32)
    sums[:, 0, 0] = sums[:, 1, 1] = sums[:third, 1, 2] = sums[-third:, 1, 3] = 1  # of steps; of what is free: all, and on either side
    total, columns, left, right = np.moveaxis(np.stack(along).reshape(len(slopes) * tall, -1) @ sums.reshape(-1, 4), 1, 0)
    both = (columns > FREE * wide) & (np.minimum(left, right) > EACH_SIDE * wide)
    score = np.where(both, np.abs(total) / np.maximum(columns, 1.0), 0.0)
    for _ in range(TRIED):
        best = int(score.argmax())
        if not score[best] > 0:
            return
        yield float(slopes[best // tall]), 2.0 * (best % tall) + 0.5, float(np.sign(total[best]))
        score.reshape(len(slopes), tall)[:, max(best % tall - APART_ROWS, 0) : best % tall + APART_ROWS + 1] = 0.0


def _fitted(step, free, slope, middle, sign):
    """Slope, its standard uncertainty, degrees, and row at the frame's middle, fraction, of the straight line through the largest steps near a likely one; None where there is none."""
    tall, wide = step.shape
    columns = np.arange(wide)
    rows = np.rint(middle + slope * (columns - wide / 2)).astype(int)
    inside = (rows > AROUND_LINE_PX) & (rows < tall - AROUND_LINE_PX - 1)
    columns, rows = columns[inside], rows[inside]
    span = np.arange(-AROUND_LINE_PX, AROUND_LINE_PX + 1)
    near = sign * step[rows[:, None] + span, columns[:, None]]
    most = near.argmax(axis=1)
    here = np.arange(len(columns))
    clear = (free[rows[:, None] + span, columns[:, None]] > 0).all(axis=1) & (most > 0) & (most < 2 * AROUND_LINE_PX) & (near[here, most] > LEAST_COUNTED)
    columns, rows, near, most = columns[clear] - wide / 2, rows[clear], near[clear], most[clear]
    if len(columns) < FREE * wide * 0.8:
        return None
    here = np.arange(len(columns))
    before, top, after = near[here, most - 1], near[here, most], near[here, most + 1]
    bend = np.minimum(before - 2 * top + after, -1e-6)
    places = rows + most - AROUND_LINE_PX + np.clip(0.5 * (before - after) / bend, -0.5, 0.5)
    terms, weights = np.column_stack([columns, np.ones(len(columns))]), np.ones(len(columns))
    for _ in range(STEPS):
        normal = terms.T @ (terms * weights[:, None])
        line = np.linalg.solve(normal, terms.T @ (weights * places))
        far = np.abs(places - terms @ line)
        scatter = max(1.4826 * float(np.median(far)), LEAST_SCATTER_PX)
        weights = 1 / (1 + (far / (CAUCHY * scatter)) ** 2)
    on = far < 3 * scatter
    parts = [on & (end * columns > wide / 6) for end in (-1, 1)]
    if any(part.sum() < EACH_SIDE * wide or abs(np.polyfit(columns[part], places[part], 1)[0] - line[0]) > BENT for part in parts) or scatter > CRISP_PX or on.mean() < ON_LINE or np.median(top[on]) < LEAST_STEP:
        return None
    sd = scatter * math.sqrt(ALIKE_COLUMNS * np.linalg.inv(normal)[0, 0])
    return math.degrees(math.atan(line[0])), math.degrees(sd), float(line[1] / tall)
