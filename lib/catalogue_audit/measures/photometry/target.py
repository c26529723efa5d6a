"""
A colour target in the picture: 24 patches, or a grey card.

The 24 patches are found as a grid of even squares and believed only when their
colours fit the published ones; a quilted bag has a grid, but not those colours.
"""

import math

import cv2
import numpy as np

from catalogue_audit.pixels.colour import ciede2000, lab_from_linear, linear_from_lab

LONG_SIDE = 400  # px, about, on which patches are looked for
ROWS, COLUMNS = 4, 6
FEWEST_SQUARES = 14  # of 24 that have to be seen; the grid tells the rest
FITTED_DE = 9.0  # mean CIEDE2000 after gains for light and colour of light; wrong grids stay above 15
CARD_L = (38.0, 66.0)  # CIELAB of a grey card; 18 % is 49.5, exposure may be half a stop off
CARD_CODES = (60, 190)  # sRGB; a plain part outside has another L* than a card by far
CARD_AREA = (0.03, 0.85)  # of the frame
LEAST_HUES = 1.9  # red over green differs 60-fold in the patches, blue over green 15-fold; twofold where 0.4 of their chroma is left (FITTED_DE)
DARK = 8  # code values added to both: below, ratios are noise
MOST_BORDERS = 1  # of the frame that a card may run out of; grey paper beside a straight edge of a product meets two or three
CARD_CAST = 30  # code values between the channels of a card; CIELAB chroma 6 is 10 to 20
CARD_SPREAD = 12  # code values around the mean of a card within which most of it lies; L* spreads by less than 3

# CIELAB (D50) of the 24 patches: average of 30 charts, D. Pascale, "The ColorChecker (since 1976!)",
# BabelColor 2012, as carried by colour-science (CCS_COLOURCHECKERS["BabelColor Average"]); row by row
# from dark skin to black.
PUBLISHED_LAB = np.array(
    [
        [38.45, 13.6, 14.53], [65.94, 17.88, 17.86], [50.06, -4.51, -22.28], [43.29, -13.23, 21.93],
        [55.32, 8.83, -24.62], [70.69, -33.03, -0.13], [62.65, 35.35, 57.84], [40.25, 9.76, -44.38],
        [51.6, 47.8, 16.88], [30.5, 21.06, -20.04], [72.46, -23.29, 56.99], [71.95, 19.48, 68.13],
        [28.88, 14.8, -50.15], [55.14, -37.81, 31.63], [42.28, 54.1, 28.67], [82.28, 4.03, 80.01],
        [51.92, 49.8, -13.85], [50.72, -28.1, -27.96], [96.53, -0.47, 2.38], [81.21, -0.66, 0.25],
        [66.48, -0.53, -0.04], [50.83, -0.63, -0.16], [35.85, -0.54, -0.51], [20.83, 0.03, -0.4],
    ]
)  # fmt: skip
PUBLISHED_LINEAR = linear_from_lab(PUBLISHED_LAB)
NEUTRALS = slice(18, 24)


def target_facts(picture):
    """
    Whether the picture shows a colour target, and what its patches measure.

    Parameters
    ----------
    picture : Picture

    Returns
    -------
    dict
        Empty for any other picture. ``target`` ('24 patches' or 'grey card'),
        ``target_de`` (mean CIEDE2000 of the patches as they are; for a card,
        of its colour from neutral at equal lightness); under ``sketch``:
        ``patches``, (24, 3) float32 linear light, dark skin first (a card: one row).
    """
    height, width = picture.working.shape[:2]
    factor = max(1, round(max(height, width) / LONG_SIDE))
    if min(height, width) < 60:
        return {}
    size = width // factor, height // factor
    whole = picture.working[: size[1] * factor, : size[0] * factor]  # whole cells are many times faster
    small = _means(whole, factor)
    even = _even(small)
    grid = None
    if _many_hues(small, even):
        _, _, stats, centres = cv2.connectedComponentsWithStats(even, connectivity=4)
        grid = _grid(stats, centres, even.shape[1])
    if grid is not None:
        patches = _believed(picture.linear, grid * factor)
        if patches is not None:
            error = ciede2000(lab_from_linear(patches), PUBLISHED_LAB)
            return {
                "target": "24 patches",
                "target_de": float(error.mean()),
                "sketch": {"patches": patches.astype(np.float32)},
            }
    card = _card(picture, small, even, factor) if _much_grey(small, even) else None
    return {} if card is None else card


def _means(whole, factor):
    """Means of so many by so many pixels of (h, w, 3) uint8, whose sides are multiples of it: of 3 by 3 the same by a box's means, in a third of the time."""
    size = whole.shape[1] // factor, whole.shape[0] // factor
    if factor == 3:
        return cv2.resize(cv2.blur(whole, (3, 3), anchor=(0, 0)), size, interpolation=cv2.INTER_NEAREST)
    return cv2.resize(whole, size, interpolation=cv2.INTER_AREA)


def patch_errors(patches):
    """
    How far a target's patches are from the published ones, and how far they could be brought.

    Parameters
    ----------
    patches : (24, 3) array
        Linear light, dark skin first.

    Returns
    -------
    dict
        ``de`` (24,) CIEDE2000 as measured; ``de_exposed`` (24,) after exposure
        and white balance on the neutral patches; ``de_matrix`` (24,) after the
        best 3 x 3 matrix; ``matrix`` (3, 3), linear measured to linear
        published; ``gains`` (3,) of the neutral patches.

    Examples
    --------
    >>> round(float(patch_errors(PUBLISHED_LINEAR)["de"].max()), 6)
    0.0
    """
    patches = np.asarray(patches, float)
    gains = _neutral_gains(patches)
    matrix = np.linalg.lstsq(patches, PUBLISHED_LINEAR, rcond=None)[0].T
    return {
        "de": ciede2000(lab_from_linear(patches), PUBLISHED_LAB),
        "de_exposed": ciede2000(lab_from_linear(patches * gains), PUBLISHED_LAB),
        "de_matrix": ciede2000(lab_from_linear(patches @ matrix.T), PUBLISHED_LAB),
        "matrix": matrix,
        "gains": gains,
    }


def _neutral_gains(patches):
    """Gain of each channel that brings the unclipped neutral patches to their published light."""
    measured, published = patches[NEUTRALS], PUBLISHED_LINEAR[NEUTRALS]
    usable = (measured < 0.98).all(axis=1) & (measured > 0.002).all(axis=1)
    if not usable.any():
        usable[:] = True
    return np.exp(np.median(np.log(published[usable] / np.maximum(measured[usable], 1e-4)), axis=0))


def _even(small):
    """Pixels in whose neighbourhood the picture hardly changes, uint8."""
    gray = cv2.GaussianBlur(small, (3, 3), 0)
    spread = cv2.morphologyEx(gray, cv2.MORPH_GRADIENT, np.ones((3, 3), np.uint8))
    red, green, blue = cv2.split(spread)
    return cv2.compare(cv2.max(cv2.max(red, green), blue), 10, cv2.CMP_LE)


def _many_hues(small, even):
    """
    Whether even parts differ as much in red over green, and in blue over green, as any picture of the patches does.

    Exposure and the colour of the light scale all such ratios alike. Each patch that can be seen has some of every fourth pixel.
    """
    red, green, blue = (plane[::2, ::2].astype(np.float32) + DARK for plane in cv2.split(small))
    seen = np.ascontiguousarray(even[::2, ::2])
    ranges = (cv2.minMaxLoc(cv2.divide(plane, green), mask=seen)[:2] for plane in (red, blue))
    return all(high > LEAST_HUES * low for low, high in ranges)


def _much_grey(small, even):
    """Whether as many even pixels as the smallest card has are of the codes of a card."""
    red, green, blue = cv2.split(small)
    cast = cv2.subtract(cv2.max(cv2.max(red, green), blue), cv2.min(cv2.min(red, green), blue))
    grey = cv2.bitwise_and(cv2.inRange(green, CARD_CODES[0] - CARD_SPREAD, CARD_CODES[1] + CARD_SPREAD), cv2.compare(cast, CARD_CAST, cv2.CMP_LE))
    return cv2.countNonZero(cv2.bitwise_and(grey, even)) > 0.5 * CARD_AREA[0] * even.size


def _squares(stats, centres, across):
    """Even parts that are about square, in a picture so many pixels across: (n, 3), x, y, side."""
    width, height, area = stats[:, cv2.CC_STAT_WIDTH], stats[:, cv2.CC_STAT_HEIGHT], stats[:, cv2.CC_STAT_AREA]
    good = (np.minimum(width, height) >= 5) & (np.maximum(width, height) < 1.5 * np.minimum(width, height))
    good &= (area > 0.55 * width * height) & (width < across / 5)
    good[0] = False
    side = np.sqrt(area[good])
    return np.column_stack([centres[good], side])


def _grid(stats, centres, across):
    """Centres of a 4 x 6 (or 6 x 4) grid, (24, 2) small pixels, row by row along its long side; or None."""
    squares = _squares(stats, centres, across)
    if len(squares) < FEWEST_SQUARES:
        return None
    for side in np.unique(squares[:, 2])[::-1]:
        alike = squares[(squares[:, 2] < 1.02 * side) & (squares[:, 2] > 0.65 * side)]
        if len(alike) >= FEWEST_SQUARES:
            grid = _fit_grid(alike[:, :2], side)
            if grid is not None:
                return grid
    return None


def _fit_grid(points, side):
    """
    Affine grid through points that lie on most of its places.

    The two steps of the grid are the commonest vectors between neighbours.
    """
    apart = points[None] - points[:, None]
    distance = np.hypot(apart[..., 0], apart[..., 1])
    pairs = apart[(distance > 0.9 * side) & (distance < 2.2 * side)]
    if len(pairs) < 2 * FEWEST_SQUARES:
        return None
    shortest = np.median(np.sort(np.hypot(*pairs.T))[: FEWEST_SQUARES])
    pairs = pairs[np.hypot(*pairs.T) < 1.25 * shortest]
    along = pairs[(np.abs(pairs[:, 0]) >= np.abs(pairs[:, 1]))]
    down = pairs[(np.abs(pairs[:, 0]) < np.abs(pairs[:, 1]))]
    if len(along) < 6 or len(down) < 6:
        return None
    first = np.median(along * np.sign(along[:, :1]), axis=0)
    second = np.median(down * np.sign(down[:, 1:]), axis=0)
    steps = np.column_stack([first, second])
    if abs(np.linalg.det(steps)) < 0.6 * np.hypot(*first) * np.hypot(*second):
        return None
    origin = points[np.argmin(np.hypot(*(points - np.median(points, axis=0)).T))]
    cell = np.rint(np.linalg.solve(steps, (points - origin).T).T)
    for _ in range(2):
        design = np.column_stack([cell, np.ones(len(cell))])
        fit = np.linalg.lstsq(design, points, rcond=None)[0]
        off = np.hypot(*(points - design @ fit).T)
        cell = np.rint(np.linalg.solve(fit[:2].T, (points - fit[2]).T).T)
    cell, points = cell[off < 0.3 * side], points[off < 0.3 * side]
    return _placed(cell, fit)


def _placed(cell, fit):
    """The 24 places of the 4 x 6 window of cells that holds most points; None with too few."""
    if not len(cell) or not np.abs(cell).max() <= LONG_SIDE:  # steps of next to nothing, as of points on one line
        return None
    cells = np.unique(cell.astype(int), axis=0)
    lowest = cells.min(axis=0) - 1
    taken = np.zeros(cells.max(axis=0)[::-1] - lowest[::-1] + max(ROWS, COLUMNS), np.uint8)
    taken[cells[:, 1] - lowest[1], cells[:, 0] - lowest[0]] = 1
    counts = {shape: _window_sums(taken, *shape) for shape in ((ROWS, COLUMNS), (COLUMNS, ROWS))}
    rows, columns = max(counts, key=lambda shape: counts[shape].max())
    best = counts[rows, columns].max()
    if best < FEWEST_SQUARES or best < 0.6 * len(cells):
        return None
    top, left = np.unravel_index(np.argmax(counts[rows, columns]), counts[rows, columns].shape)
    top, left = top + lowest[1], left + lowest[0]
    row, column = np.meshgrid(np.arange(top, top + rows), np.arange(left, left + columns), indexing="ij")
    grid = np.stack([column, row, np.ones_like(row)], axis=-1) @ fit
    return (grid if rows == ROWS else np.rot90(grid)).reshape(-1, 2)


def _window_sums(plane, high, wide):
    """Sums over windows of one size, by the window's upper left place."""
    sums = cv2.integral(plane)
    return sums[high:, wide:] - sums[:-high, wide:] - sums[high:, :-wide] + sums[:-high, :-wide]


def _believed(linear, grid):
    """Linear light of the 24 patches, in published order, if they fit the published colours; else None."""
    measured = _patch_light(linear, grid)
    if measured is None:
        return None
    best, patches = math.inf, None
    sheet = measured.reshape(ROWS, COLUMNS, 3)
    for turned in (sheet, sheet[::-1, ::-1]):
        candidate = turned.reshape(-1, 3)
        error = float(patch_errors(candidate)["de_exposed"].mean())
        if error < best:
            best, patches = error, candidate
    return patches if best < FITTED_DE else None


def _patch_light(linear, grid):
    """Mean light of the middle of each patch; None where one lies outside the picture."""
    step = float(np.median(np.hypot(*np.diff(grid.reshape(ROWS, COLUMNS, 2), axis=1).reshape(-1, 2).T)))
    reach = max(int(0.22 * step), 1)
    height, width = linear.shape[:2]
    rows, columns = grid[:, 1].astype(int), grid[:, 0].astype(int)
    if min(rows.min(), columns.min()) < reach or rows.max() >= height - reach or columns.max() >= width - reach:
        return None
    return np.array(
        [
            np.median(linear[y - reach : y + reach + 1, x - reach : x + reach + 1].reshape(-1, 3), axis=0)
            for y, x in zip(rows, columns, strict=True)
        ],
        float,
    )


def _card(picture, small, even, factor):
    """A plain, neutral, mid-grey rectangle and nothing else; None where the picture shows anything more."""
    _, labels = cv2.connectedComponents(even, connectivity=4)
    for number, area in _largest(labels):
        if not CARD_AREA[0] < area / labels.size < CARD_AREA[1]:
            continue
        left, top, width, height = cv2.boundingRect((labels == number).view(np.uint8))
        place = slice(top, top + height), slice(left, left + width)
        if _borders_met(left, top, width, height, labels.shape) > MOST_BORDERS:
            continue
        part = (labels[place] == number).view(np.uint8)
        if not CARD_CODES[0] < cv2.mean(small[place], part)[1] < CARD_CODES[1]:
            continue
        found, _ = cv2.findContours(part, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
        outer = max(found, key=cv2.contourArea)
        (_, _), (a, b), _ = cv2.minAreaRect(outer)
        if cv2.contourArea(outer) < 0.95 * max(a, 1) * max(b, 1) or area < 0.985 * cv2.contourArea(outer):
            continue
        inner = cv2.erode(part, np.ones((5, 5), np.uint8)) > 0
        rows, columns = inner.nonzero()
        if len(rows) < 200:
            continue
        y, x = (rows + top) * factor + factor // 2, (columns + left) * factor + factor // 2
        light, lab = picture.colours(y * picture.working.shape[1] + x)
        level = np.median(lab, axis=0)
        spread = np.quantile(lab[:, 0], 0.95) - np.quantile(lab[:, 0], 0.05)
        if CARD_L[0] < level[0] < CARD_L[1] and math.hypot(level[1], level[2]) < 6 and spread < 3:
            neutral = ciede2000(level, (level[0], 0.0, 0.0))
            patch = np.median(light, axis=0)[None].astype(np.float32)
            return {"target": "grey card", "target_de": float(neutral), "sketch": {"patches": patch}}
    return None


def _borders_met(left, top, width, height, shape):
    """How many of the frame's four borders a box reaches, within a pixel."""
    return (left <= 1) + (top <= 1) + (left + width >= shape[1] - 1) + (top + height >= shape[0] - 1)


def _largest(labels, count=3):
    """Number and area of the largest even parts, of those that are no smaller than a card (their statistics would take twice as long)."""
    sampled = np.bincount(labels[::2, ::2].ravel())
    near = np.flatnonzero(sampled[1:] > 0.5 * CARD_AREA[0] * sampled.sum()) + 1
    parts = [(int(number), np.count_nonzero(labels == number)) for number in near]
    return sorted(parts, key=lambda part: -part[1])[:count]
