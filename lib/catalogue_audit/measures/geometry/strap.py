"""
Strap: evidence in one picture for a long thin part about the body.

Only what can be seen is noted here; the state is told in pass two, where the
view and the same product's other pictures are known. The numbers of the
``strap`` array, in order, are named in `EVIDENCE`.
"""

import cv2
import numpy as np

from catalogue_audit.measures.geometry.lines import runs
from catalogue_audit.measures.quantiles import median
from catalogue_audit.measures.records import CONFIDENCE_LIMIT

EVIDENCE = (
    "curve",  # contrast along the best hanging curve across the body, over that of the same curves upside down
    "contrast",  # of that curve, 1 where every part of it is as clear as a seam or hardware
    "stub_left",  # length along the side of what stands out of it, fraction of the body's height: a ring, or a ring and strap
    "stub_right",
    "beside_left",  # thin parts beside the body's lower half, fraction of its area
    "beside_right",
    "arch_height",  # of what stands above the body, fraction of its height
    "arch_span",  # its width just above the body, fraction of the body's width
    "arch_bands",  # bands met going down through the crown
    "apart",  # area of parts lying apart near the base, fraction of the body's area
    "apart_height",  # their height, fraction of the body's height
)
SIDE_SPAN = 0.4  # of the body's height, over which a side is smooth
LEAST_STUB = 0.006  # of the body's width; less is the outline's own unevenness
WIDE = 0.03  # of the body's width; what stands out less is a bulge of the body
LEAST_HANGING = 0.04  # of the body's height; a shorter bulge of the lower half is a corner
CURVE_PX = 320  # long side of the picture in which hanging curves are looked for


def strap_facts(picture, outline):
    """
    Evidence for a strap.

    Parameters
    ----------
    picture : Picture
    outline : Outline

    Returns
    -------
    dict
        ``strap``: float32 array for the sketch, as named by `EVIDENCE`; ``reasons``.
    """
    if outline.box is None or outline.confidence < CONFIDENCE_LIMIT:
        return {"reasons": ("strap not looked for: no certain outline",)}
    body, scale = outline.body.mask, outline.body.scale
    rows, columns = np.flatnonzero(body.any(axis=1)), np.flatnonzero(body.any(axis=0))
    if len(rows) < 8 or len(columns) < 8:
        return {"reasons": ("strap not looked for: no body found",)}
    bottom, left, right = int(rows[-1]) + 1, int(columns[0]), int(columns[-1]) + 1
    top = _first_row(body[:bottom], left, right)
    small = outline.body.product
    stubs = _standing_out(outline.mask, int(top * scale), int(bottom * scale))
    curve, contrast = hanging_curve(picture, np.array([left, top, right, bottom]) * scale)
    values = {
        "curve": curve,
        "contrast": contrast,
        **_beside(small, body, (left, top, right, bottom)),
        **_arch(small, (left, top, right, bottom)),
        **_apart(small, body, (left, top, right, bottom)),
        **stubs,
    }
    for side in ("left", "right"):
        values[f"beside_{side}"] = max(values[f"beside_{side}"], stubs[f"low_{side}"])
    return {"strap": np.array([values[name] for name in EVIDENCE], np.float32), "reasons": ()}


def _first_row(body, left, right):
    """First wide row of the body. A broad handle may be taken for body: where the backdrop shows below its crown, the body begins below."""
    across = body.sum(axis=1)
    top = int(np.flatnonzero(across > 0.45 * across.max())[0])
    middle = body[:, left + int(0.45 * (right - left)) : left + int(0.55 * (right - left)) + 1].mean(axis=1) > 0.5
    upper = middle[top : top + (len(body) - top) // 2]
    below = top + np.flatnonzero(~upper & np.logical_or.accumulate(upper))
    return int(below[-1]) + 1 if len(below) else top


def _beside(mask, body, box):
    """Thin parts left and right of the body that reach down to its lower half, fraction of the body's area."""
    left, top, right, bottom = box
    lower = (mask & ~body)[top + (bottom - top) // 2 : bottom]
    area = float(body.sum())
    return {
        "beside_left": float(lower[:, : max(left - 1, 0)].sum()) / area,
        "beside_right": float(lower[:, right + 1 :].sum()) / area,
    }


def _standing_out(mask, top, bottom):
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


def _arch(mask, box):
    """What stands above the body: height, width at its foot, bands at its crown."""
    left, top, right, bottom = box
    height, width = bottom - top, right - left
    above = mask[:top, left:right]
    present = np.flatnonzero(above.any(axis=1))
    if not len(present) or top - present[0] < 0.05 * height:
        return {"arch_height": 0.0, "arch_span": 0.0, "arch_bands": 0.0}
    tall = top - int(present[0])
    foot = above[max(top - max(2, tall // 4), 0) : top - 1]
    spans = (width - foot.argmax(axis=1) - foot[:, ::-1].argmax(axis=1))[foot.any(axis=1)]
    middle = above[:, int(0.45 * width) : int(0.55 * width) + 1]
    bands = middle[0] + np.count_nonzero(middle[1:] & ~middle[:-1], axis=0)
    return {
        "arch_height": tall / height,
        "arch_span": float(median(spans)) / width if len(spans) else 0.0,
        "arch_bands": float(median(bands)),
    }


def _apart(mask, body, box):
    """Parts that touch the body nowhere and lie low: a strap laid down beside it."""
    left, top, right, bottom = box
    count, labels = cv2.connectedComponents(mask.astype(np.uint8), connectivity=8)
    if count <= 2:  # the background and the product
        return {"apart": 0.0, "apart_height": 0.0}
    _, labels, stats, _ = cv2.connectedComponentsWithStats(mask.astype(np.uint8), connectivity=8)
    area = float(body.sum())
    found, tallest = 0.0, 0.0
    touching = np.bincount(labels[body], minlength=count)
    for label in np.flatnonzero(touching[1:] == 0) + 1:
        _, y, _, h, pixels = stats[label]
        if y > top + 0.5 * (bottom - top) and pixels > 0.003 * area:
            found += pixels / area
            tallest = max(tallest, h / (bottom - top))
    return {"apart": found, "apart_height": tallest}


def hanging_curve(picture, box):
    """
    How clearly a curve hangs across the body from its sides.

    Contrast square to the curve, in the weaker half of its length, for a family of
    hanging curves: a flap's or a pocket's edge follows one for a part of its way only.
    The same curves turned upside down say what the body's own pattern gives by chance.

    Returns
    -------
    ratio, contrast : float
        Best of the hanging curves over the best of those upside down, 1 where nothing hangs; the former, 0 to 1.
    """
    height, width = picture.working.shape[:2]
    factor = max(1, round(max(height, width) / CURVE_PX))
    left, top, right, bottom = (int(v) // factor for v in box)
    if right - left < 16 or bottom - top < 16:
        return 1.0, 0.0
    body = picture.codes_at((slice(top * factor, bottom * factor, factor), slice(left * factor, right * factor, factor)))
    grey = cv2.GaussianBlur(cv2.cvtColor(body, cv2.COLOR_RGB2GRAY), (3, 3), 0)
    grey = LOG[grey]
    slopes = cv2.Sobel(grey, cv2.CV_32F, 1, 0), cv2.Sobel(grey, cv2.CV_32F, 0, 1)
    gradient = cv2.merge(slopes)
    limit = 3 * (float(median(sum(np.abs(slope[::2, ::2]) for slope in slopes).ravel())) / 1.2 + 0.02)  # seams and hardware must not decide by their strength
    down, up = _contrast_along(gradient, 0.5 * grey.shape[1] * (1 + ALONG), grey.shape[0], limit).max(axis=1).tolist()
    return down / max(up, LEAST_CONTRAST), down


def _hanging_family():
    """Heights of all curves, fraction of the body from its top: (curves, places along)."""
    falls = []
    for anchor in (0.08, 0.18, 0.28, 0.38):
        for low in (0.5, 0.58, 0.66, 0.74, 0.82, 0.9):
            if low - anchor < 0.25:
                continue
            for power in (2.0, 2.8):
                for tilt in TILTS:
                    falls.append(low - (low - anchor) * np.abs(ALONG) ** power + tilt * ALONG)
    return np.array(falls, np.float32)


LOG = np.log1p(np.arange(256, dtype=np.float32))
ALONG = np.linspace(-0.88, 0.88, 44, dtype=np.float32)  # places across the body, -1 left to 1 right; four quarters of 11
LEAST_CONTRAST = 0.03  # of curves upside down; what noise gives
TILTS = (-0.09, 0.0, 0.09)  # of the body's height, half of what one end hangs lower: a turned body tilts its strap
FALLS = _hanging_family()
CURVES = np.concatenate([FALLS, 1 - FALLS])  # and the same upside down
SLOPES = np.gradient(CURVES, axis=1)


def _contrast_along(gradient, x, height, limit):
    """
    How far the gradient stands square to each of `CURVES` and is strong, in two pixels' reach; mean of the two weakest quarters.

    (2, k): curves that hang, and those upside down.
    """
    y, dx, dy = height * CURVES, np.float32(x[1] - x[0]), height * SLOPES
    length = np.hypot(dx, dy)
    nx, ny = -dy / length, dx / length
    best = np.zeros(y.shape, np.float32)
    for offset in (-1.5, 0.0, 1.5):
        seen = cv2.remap(gradient, (x + offset * nx).astype(np.float32), (y + offset * ny).astype(np.float32), cv2.INTER_LINEAR)
        across = np.abs(seen[..., 0] * nx + seen[..., 1] * ny)
        along = np.abs(seen[..., 1] * nx - seen[..., 0] * ny)
        np.maximum(best, across - along, out=best)
    quarters = np.minimum(best, limit).reshape(len(y), 4, -1).mean(axis=2) / limit
    return np.sort(quarters, axis=1)[:, :2].mean(axis=1).reshape(2, -1)
