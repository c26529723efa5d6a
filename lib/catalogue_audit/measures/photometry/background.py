"""
The background: its level, evenness, clipping, and the white point it shows.

Means are taken after trimming, not medians: pixels are whole code values, and a
median of them moves in steps of one per cent of the light near white.
"""

import math
from functools import lru_cache

import cv2
import numpy as np

from catalogue_audit.measures.segmentation.horizon import below_line
from catalogue_audit.pixels.temperature import cct_duv, uv_of_xy, xy_of_linear

SAMPLES = 16_000  # working pixels looked at; the mean of as many is good to 0.02 code values
FEWEST = 200  # samples below which the background is not measured
TOP = 254  # code value; JPEG leaves a clipped white at 254 or 255
UNCLIPPED = 250  # working code value below which noise of a few code values does not clip
RING = 0.02  # share of the background that has to be unclipped to speak for the rest
CELLS = 5  # a grid of 5 x 5 has 16 cells on its border
BORDER_DEPTH = 0.12  # of the frame: how deep those regions reach
DARKEST_L = 15.0  # CIELAB; below, the chromaticity is mostly noise
WHITE_SD = {"background": 0.0015, "unclipped part": 0.004, "shadow": 0.02}  # relative, measured on painted pictures
# Of a shadow's colour, relative, a CIELAB unit of the chroma of the product beside it: rendered products of all colours on
# burnt-out white tint their shadows by up to 1.8 % of light for ten units.
TINTED = 0.0015
LIGHT_IN_SHADOW = (0.25, 0.93)  # of white; darker, the product's own colour is thrown into it


def background_facts(picture, backdrop, outline):
    """
    Level, spread, clipping and white point of the background.

    Parameters
    ----------
    picture : Picture
    backdrop : Backdrop
    outline : Outline

    Returns
    -------
    dict
        ``backdrop``, ``background_L``, ``_a``, ``_b``, ``background_spread``,
        ``background_clipped``, ``background_red``, ``_green``, ``_blue``,
        ``white_red``, ``white_blue`` (linear light over green), ``white_sd``
        (relative), ``white_source``, ``cct_k``, ``duv``; ``reasons`` for what
        is missing. Under ``sketch``: ``backdrop``, (16, 3) float32, CIELAB of
        the border regions clockwise from the top left, NaN where the product
        or its shadow covers one; below a table's edge, what a table would be that had the wall's level where they meet;
        and ``table``, where its edge is.
    """
    facts = {"backdrop": backdrop.kind}
    height, width = picture.working.shape[:2]
    step = max(1, int(math.sqrt(height * width / SAMPLES)))
    grid = (slice(step // 2, None, step),) * 2
    linear, lab = picture.colours(grid)
    working = picture.codes_at(grid)
    free = _free(outline, grid)
    if backdrop.front:
        free &= below_line(backdrop.front, free.shape) == 0
    if backdrop.kind != "unknown":
        free &= _near(lab, backdrop.at(lab.shape[:2]))
    if free.sum() < FEWEST or backdrop.kind == "unknown":
        reason = "too little background is seen" if free.sum() < FEWEST else "the background is not one surface"
        return facts | {"reasons": (f"{reason} to measure its light and colour",)}
    everywhere, free = free, _of_one_backdrop(free, backdrop)
    lightness = lab[..., 0]
    kept = free & _within(lightness, free)
    level, light = _mean(lab, kept), _mean(linear, kept)
    facts |= dict(zip(("background_L", "background_a", "background_b"), level, strict=True))
    facts |= dict(zip(("background_red", "background_green", "background_blue"), light, strict=True))
    facts["background_clipped"] = _clipped_share(picture, grid, free)
    one = lab if backdrop.horizon is None else backdrop.as_above(lab)
    regions = border_regions(one, everywhere)
    facts["sketch"] = {"backdrop": regions} | ({} if backdrop.horizon is None else {"table": np.array(backdrop.horizon, np.float32)})
    if np.isfinite(regions[:, 0]).sum() >= CELLS:
        seen = regions if backdrop.horizon is None else border_regions(lab, everywhere)
        facts["background_spread"] = min(np.nanmax(levels[:, 0]) - np.nanmin(levels[:, 0]) for levels in (regions, seen))  # the line may be a shadow's edge
    white, reason = _white(linear, working, free, outline.shadow[grid])
    if white.get("white_source") == "shadow":
        white["white_sd"] = math.hypot(white["white_sd"], TINTED * _chroma(lab[outline.mask[grid]]))
    facts |= white
    if reason:
        return facts | {"reasons": (reason,)}
    temperature, reason = _temperature(facts)
    return facts | temperature | ({"reasons": (reason,)} if reason else {})


def _of_one_backdrop(free, backdrop):
    """
    Samples above a table's edge, where there is one and enough of them; all of them otherwise.

    The same of two backdrops in every picture, or a picture with more of the table would seem to have another light. The upper
    one is seen whole in every view of the whole product, and holds no shadow of it.
    """
    if backdrop.horizon is None:
        return free
    above = free & (below_line(backdrop.horizon, free.shape) < 0.5)
    return above if above.sum() >= FEWEST else free


def border_regions(lab, free):
    """
    CIELAB of the frame's 16 border regions, clockwise from the top left.

    Parameters
    ----------
    lab : (h, w, 3) array
    free : (h, w) bool
        Background.

    Returns
    -------
    (16, 3) float32
        NaN where less than a twentieth of a region is background.
    """
    place, region = _members(free.shape)
    seen = np.take(free, place)
    total, place, region = np.bincount(region, minlength=4 * (CELLS - 1)), place[seen], region[seen]
    count = np.bincount(region, minlength=len(total))
    values = np.take(lab.reshape(-1, 3), place, axis=0)
    centre = _middles(values[:, 0], region, count)
    apart = np.abs(values[:, 0] - centre[region])
    kept = apart <= (2.5 * 1.4826 * _middles(apart, region, count) + 0.4)[region]  # as in `_within`
    values, region = values[kept], region[kept]
    sums = np.stack([np.bincount(region, weights=channel, minlength=len(total)) for channel in values.T], axis=1)
    enough = count >= np.maximum(0.05 * total, 5)
    result = np.full((len(total), 3), np.nan, np.float32)
    result[enough] = sums[enough] / np.bincount(region, minlength=len(total))[enough, None]
    return result


@lru_cache(maxsize=8)
def _members(shape):
    """Flat index of each pixel near the border of a frame, and which border region it is of, region by region."""
    height, width = shape
    cell_row, cell_column = (np.arange(length) * CELLS // length for length in shape)
    y, x = (np.arange(height) + 0.5) / height, (np.arange(width) + 0.5) / width
    border = (np.minimum(y, 1 - y) < BORDER_DEPTH)[:, None] | (np.minimum(x, 1 - x) < BORDER_DEPTH)
    number = np.full((CELLS, CELLS), -1)
    number[tuple(np.transpose(_clockwise()))] = np.arange(4 * (CELLS - 1))
    region = np.where(border, number[cell_row[:, None], cell_column], -1).ravel()
    order = np.argsort(region, kind="stable")
    order = order[region[order] >= 0]
    return order, region[order]


def _middles(values, region, count):
    """Median of some values (float32, 0 to 1000) in each of the regions that they are sorted by; that of an empty region means nothing."""
    keys = np.sort(region * 1000.0 + values)
    starts = np.cumsum(count) - count
    at = np.minimum(starts + count // 2, max(len(keys) - 1, 0))
    return (keys[at] - 1000.0 * np.arange(len(count))).astype(np.float32) if len(keys) else np.zeros(len(count), np.float32)


def _clockwise():
    """Row and column of a grid's border cells, clockwise from the top left."""
    last = CELLS - 1
    top = [(0, k) for k in range(last)]
    right = [(k, last) for k in range(last)]
    bottom = [(last, last - k) for k in range(last)]
    left = [(last - k, 0) for k in range(last)]
    return top + right + bottom + left


def _mean(values, where):
    """Mean of (h, w, 3) float32 over ``where``, (3,) float64."""
    return np.array(cv2.mean(values, where.view(np.uint8))[:3])


def _free(outline, grid):
    """Samples that are neither product nor shadow, nor next to either."""
    taken = (outline.mask | outline.shadow)[grid]
    return cv2.dilate(np.ascontiguousarray(taken).view(np.uint8), np.ones((3, 3), np.uint8)) == 0


def _near(lab, expected):
    """Samples that look like the fitted backdrop: what the outline left out (tags, dirt) does not."""
    light, a, b = (np.abs(lab[..., k] - plane) for k, plane in enumerate(expected))
    return (light < 12) & (a < 8) & (b < 8)


def _within(values, where):
    """True within 2.5 robust deviations of the median of `values[where]`."""
    sample = values[where]
    centre = _middle(sample)
    spread = 1.4826 * _middle(np.abs(sample - centre))
    return np.abs(values - centre) <= 2.5 * spread + 0.4  # 0.4: one code value near white, in L*


def _middle(values):
    """Median of a vector; `np.median` takes three times as long over short ones."""
    return np.partition(values, len(values) // 2)[len(values) // 2]


def _chroma(lab):
    """Chroma of the middle of some pixels' CIELAB (n, 3); 0 of none."""
    return math.hypot(_middle(lab[:, 1]), _middle(lab[:, 2])) if len(lab) else 0.0


def _clipped_share(picture, grid, free):
    """Share of full-resolution background pixels with a channel at the top of the scale."""
    scale = picture.reduction
    start, step = grid[0].start * scale + scale // 2, grid[0].step * scale
    pixels = picture.encoded.view("V3")[start::step, start::step, 0][: free.shape[0], : free.shape[1]]  # whole ones: in half the time
    codes = np.ascontiguousarray(pixels).view(np.uint8).reshape(*pixels.shape, 3)
    below = cv2.inRange(codes, (0, 0, 0), (TOP - 1,) * 3) > 0
    free = free[: codes.shape[0], : codes.shape[1]]
    return 1 - np.count_nonzero(below & free) / np.count_nonzero(free)


def _white(linear, working, free, shadow):
    """What the background says of the light's colour, from where it is not clipped; and the reason if nothing does."""
    unclipped = cv2.inRange(working, (0, 0, 0), (UNCLIPPED,) * 3) > 0
    whole, part = free, free & unclipped
    if part.sum() >= 0.97 * whole.sum():
        source, where = "background", part
    elif part.sum() >= max(RING * whole.sum(), FEWEST):
        source, where = "unclipped part", part
    else:
        green = linear[..., 1]
        source, where = "shadow", shadow & unclipped & (green > LIGHT_IN_SHADOW[0]) & (green < LIGHT_IN_SHADOW[1])
        if where.sum() < FEWEST // 2:
            return {}, "the background is clipped, so it does not show the colour of the light"
    if source != "shadow":
        where = where & _within(linear[..., 1] * 100, where)
    red, green, blue = _mean(linear, where)
    if green <= 0.001:
        return {}, "the background is too dark to show the colour of the light"
    white = {"white_red": red / green, "white_blue": blue / green}
    return white | {"white_sd": WHITE_SD[source], "white_source": source}, ""


def _temperature(facts):
    """Correlated colour temperature and Duv of the background's white; or why there is none."""
    if facts["backdrop"] == "coloured":
        return {}, "the background is coloured, so it has no colour temperature"
    if facts["background_L"] < DARKEST_L:
        return {}, "the background is too dark to have a colour temperature"
    if facts["white_source"] == "shadow":
        return {}, "the background is clipped, so its colour temperature is unknown"
    cct, duv = cct_duv(uv_of_xy(xy_of_linear([facts["white_red"], 1.0, facts["white_blue"]])))
    if not math.isfinite(cct):
        return {}, "the background's colour is too far from any white to have a colour temperature"
    return {"cct_k": float(cct), "duv": float(duv)}, ""
