"""
Strap: what the outline shows of it, above the body, beside it and apart from it.

A strap is a thin ribbon, longer than the product is wide. Held up it stands as a thin arch over the body's whole width;
laid over the product it rises steeply at one end and slants down to the other, as no handle does; put away it lies on the
ground. A hobo's handle is as wide and as thin, but the body's upper edge hangs between its ends.
"""

import cv2
import numpy as np

from catalogue_audit.measures.geometry.lines import runs
from catalogue_audit.measures.quantiles import median

SIDE_SPAN = 0.4  # of the body's height, over which a side is smooth
LEAST_STUB = 0.006  # of the body's width; less is the outline's own unevenness
WIDE = 0.03  # of the body's width; what stands out less is a bulge of the body
LEAST_HANGING = 0.04  # of the body's height; a shorter bulge of the lower half is a corner
LEAST_ARCH = 0.05  # of the body's height; what rises less is the body's own upper edge
CLEAR_OF_FEET = 0.25  # of an arch's height; lower down, ends and the body's edge spoil its shape
ACROSS = 0.7  # of an arch's width, in its middle, where its band is measured
LEAST_APART, LEAST_BELOW = 0.003, 0.03  # of the body's area: of a part lying beside it, and in front of it
FALL_ROWS = 50  # rows of the body that are looked at
LEG, LEAST_GAP, BODY_BESIDE = 0.12, 0.01, 0.4  # of the body's width: of a strap at most, of the backdrop between, and of the body beside it at least
FALLS_TO, LEAST_LEG, OPEN_FOOT = 0.6, 0.1, 0.5  # of the body's height, down to where a leg comes at least, and how much of it passes; and of its widest, the gap at its foot
NO_ARCH = {"arch_height": 0.0, "arch_span": 0.0, "arch_bands": 0.0, "arch_thickness": 0.0, "arch_slant": 0.0, "arch_valley": 0.0, "arch_slimness": 0.0}


def first_row(body, left, right):
    """First wide row of the body. A broad handle may be taken for body: where the backdrop shows below its crown, the body begins below."""
    across = body.sum(axis=1)
    top = int(np.flatnonzero(across > 0.45 * across.max())[0])
    middle = body[:, left + int(0.45 * (right - left)) : left + int(0.55 * (right - left)) + 1].mean(axis=1) > 0.5
    upper = middle[top : top + (len(body) - top) // 2]
    below = top + np.flatnonzero(~upper & np.logical_or.accumulate(upper))
    return int(below[-1]) + 1 if len(below) else top


def beside(mask, body, box):
    """Thin parts left and right of the body that reach down to its lower half, fraction of the body's area."""
    left, top, right, bottom = box
    lower = (mask & ~body)[top + (bottom - top) // 2 : bottom]
    area = float(body.sum())
    return {
        "beside_left": float(lower[:, : max(left - 1, 0)].sum()) / area,
        "beside_right": float(lower[:, right + 1 :].sum()) / area,
    }


def beside_begins(mask, box):
    """Where the larger of the parts beside the body begins, fraction of its height below its top; 0 without any."""
    left, top, right, bottom = box
    parts = mask[top:, : max(left - 1, 0)], mask[top:, right + 1 :]
    rows = np.flatnonzero(max(parts, key=np.count_nonzero).any(axis=1))
    return float(rows[0]) / (bottom - top) if len(rows) else 0.0


def falling(mask, box):
    """
    Thin legs beside the body, with backdrop between, that come down to its lower part: a strap that falls from its rings to the ground.

    Such a leg stands as far from the body at its foot as anywhere; the loop of a hanging strap, and what is sewn on below, come back to it.

    Parameters
    ----------
    mask : (h, w) bool
    box : left, top, right, bottom
        Of the body, in pixels of the mask.

    Returns
    -------
    dict
        ``falls_left``, ``falls_right``: how much of the body's height they pass, 0 without.
    """
    left, top, right, bottom = box
    rows = top + np.arange(FALL_ROWS) * (bottom - 1 - top) // (FALL_ROWS - 1)
    width = mask.shape[1] + 1
    padded = np.zeros((FALL_ROWS, width + 1), bool)
    padded[:, 1:-1] = mask[rows]
    place = np.flatnonzero(padded[:, 1:] != padded[:, :-1])
    first = np.searchsorted(place, width * np.arange(FALL_ROWS + 1))
    some = np.flatnonzero(np.diff(first) >= 4)  # where two parts and more are met
    values = {"falls_left": 0.0, "falls_right": 0.0}
    if len(some) < LEAST_LEG * FALL_ROWS:
        return values
    for side, inwards in (("left", place[first[some, None] + np.arange(4)]), ("right", -place[first[some + 1, None] - 1 - np.arange(4)])):
        leg, gap, body = np.diff(inwards, axis=1).T / (right - left)
        wide = np.zeros(FALL_ROWS)
        wide[some] = np.where((leg < LEG) & (gap >= LEAST_GAP) & (body > BODY_BESIDE), gap, 0.0)
        np.maximum(wide[1:-1], np.minimum(wide[:-2], wide[2:]), out=wide[1:-1])  # a speck breaks no leg
        down = [b - a for a, b in runs(wide > 0) if b > FALLS_TO * FALL_ROWS and wide[max(b - 3, a) : b].max() >= OPEN_FOOT * wide[a:b].max()]
        values[f"falls_{side}"] = max(down, default=0) / FALL_ROWS
    return values


def standing_out(mask, top, bottom):
    """
    What stands out of the body's sides: its length along the side, and its area in the lower half.

    The side itself is the running median of the outermost pixels over `SIDE_SPAN` of the
    height; a ring and what hangs on it is shorter than half of that.

    Parameters
    ----------
    mask : (h, w) bool
    top, bottom : int
        First row of the body and the one after its last.

    Returns
    -------
    dict
        ``stub_left``, ``stub_right``: fraction of the body's height; ``low_left``, ``low_right``: fraction of its box's area.
    """
    part = mask[top:bottom]
    height, width = part.shape
    filled = part.any(axis=1)
    outermost = {"left": -part.argmax(axis=1), "right": width - 1 - part[:, ::-1].argmax(axis=1)}
    across = float(median((outermost["right"] + outermost["left"])[filled])) if filled.any() else 1.0
    span = max(3, int(SIDE_SPAN * height)) | 1
    values = {}
    for name, edge in outermost.items():
        beyond = (edge - _running_median(edge.astype(np.int16), span)).astype(float)
        beyond[~filled | (beyond < max(1.5, LEAST_STUB * across))] = 0
        first, last = max(runs(beyond > 0), key=lambda part: beyond[slice(*part)].sum(), default=(0, 0))
        values[f"stub_{name}"] = (last - first) / height
        low = beyond[height // 2 :]
        tall = [low[a:b].sum() for a, b in runs(low > 0) if b - a > LEAST_HANGING * height and low[a:b].max() > WIDE * across]
        values[f"low_{name}"] = float(sum(tall)) / (height * max(across, 1.0))
    return values


def _running_median(values, span):
    """Median of an odd number of neighbours, the ends repeated."""
    padded = np.pad(values, span // 2, mode="edge")
    return median(np.lib.stride_tricks.sliding_window_view(padded, span))


def arch(mask, box):
    """
    What stands above the body.

    Parameters
    ----------
    mask : (h, w) bool
        Product.
    box : left, top, right, bottom
        Of the body, in pixels of the mask.

    Returns
    -------
    dict
        ``arch_height``: fraction of the body's height; ``arch_span``: its width just above the body, fraction of the body's
        width; ``arch_bands``: bands met going down through the body's middle; ``arch_thickness``: of its uppermost band,
        fraction of the body's width; ``arch_slant``: mean difference of the heights of its left and right half, laid over one
        another mirrored, and ``arch_valley``: how far it dips between two crowns, fractions of its own height; ``arch_slimness``:
        its height over its band's thickness.
    """
    left, top, right, bottom = box
    height, width = bottom - top, right - left
    above = mask[:top, left:right]
    present = np.flatnonzero(above.any(axis=1))
    if not len(present) or top - present[0] < LEAST_ARCH * height:
        return dict(NO_ARCH)
    tall = top - int(present[0])
    foot = above[max(top - max(2, tall // 4), 0) : top - 1]
    spans = (width - foot.argmax(axis=1) - foot[:, ::-1].argmax(axis=1))[foot.any(axis=1)]
    middle = above[:, int(0.45 * width) : int(0.55 * width) + 1]
    bands = middle[0] + np.count_nonzero(middle[1:] & ~middle[:-1], axis=0)
    return {
        "arch_height": tall / height,
        "arch_span": float(median(spans)) / width if len(spans) else 0.0,
        "arch_bands": float(median(bands)),
        **_upper_band(above[present[0] :], width),
    }


def _upper_band(above, width):
    """Thickness, slant and valley of the uppermost band of what stands above the body; see `arch`."""
    tall, filled = len(above), above.any(axis=0)
    rises = tall - np.where(filled, above.argmax(axis=0), tall)
    columns = np.flatnonzero(rises > CLEAR_OF_FEET * tall)
    first, last = int(columns[0]), int(columns[-1]) + 1
    rises = rises[first:last].astype(float)
    margin = int(0.5 * (1 - ACROSS) * len(rises))
    slopes = np.gradient(cv2.blur(rises[None], (5, 1), borderType=cv2.BORDER_REPLICATE)[0]) if len(rises) > 1 else np.zeros(1)
    thick = []
    for place in range(margin, len(rises) - margin):
        column = above[tall - int(rises[place]) :, first + place]
        thick.append((len(column) if column.all() else int(column.argmin())) / np.hypot(1.0, slopes[place]))
    crown = int(rises.argmax())
    falls = rises - np.minimum(np.maximum.accumulate(rises), np.maximum.accumulate(rises[::-1])[::-1])
    thickness = float(median(np.array(thick))) if thick else 0.0
    return {
        "arch_thickness": thickness / width,
        "arch_slimness": tall / thickness if thickness else 0.0,
        "arch_slant": float(np.abs(rises - rises[::-1]).mean()) / tall,
        "arch_valley": float(-falls.min()) / float(rises[crown]),
    }


def hollow(body, box):
    """
    How far the body's upper edge lies below its corners in the middle, fraction of the body's height; negative where it bulges.

    A hobo's edge hangs between the ends of its handle; where a strap is fastened the edge is straight, or bulges. It is looked for from the
    body's middle upwards: a broad arch above it may be taken for body.
    """
    left, top, right, bottom = box
    middle = (top + bottom) // 2
    above = ~body[:middle, left:right][::-1]
    upper = middle - np.where(above.any(axis=0), above.argmax(axis=0), middle).astype(float)
    width = len(upper)
    corner, inner = int(0.03 * width), int(0.12 * width) + 1
    corners = max(float(median(upper[corner:inner])), float(median(upper[width - inner : width - corner])))
    return (float(median(upper[int(0.42 * width) : int(0.58 * width) + 1])) - corners) / (bottom - top)


def apart(mask, body, box):
    """Parts that touch the body nowhere and lie low: a strap laid down beside it. Small ones below the base are pieces of what hangs in front."""
    left, top, right, bottom = box
    count, labels = cv2.connectedComponents(mask.astype(np.uint8), connectivity=8)
    if count <= 2:  # the background and the product
        return {"apart": 0.0, "apart_height": 0.0}
    _, labels, stats, centres = cv2.connectedComponentsWithStats(mask.astype(np.uint8), connectivity=8)
    area = float(body.sum())
    found, tallest = 0.0, 0.0
    touching = np.bincount(labels[body], minlength=count)
    for label in np.flatnonzero(touching[1:] == 0) + 1:
        _, y, _, h, pixels = stats[label]
        least = LEAST_APART if not left < centres[label][0] < right else LEAST_BELOW
        if y > top + 0.5 * (bottom - top) and pixels > least * area:
            found += pixels / area
            tallest = max(tallest, h / (bottom - top))
    return {"apart": found, "apart_height": tallest}
