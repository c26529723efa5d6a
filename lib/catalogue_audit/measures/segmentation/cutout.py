"""
The edge of a cut-out, and the kind of shadow under a product.

A clean cut-out goes from white to the product in one step as wide as the
picture is sharp. A halo is a band of a third tone, lighter than the product,
with an edge of its own towards the white. A light one lengthens the step's
outer tail. A mid-grey one parts it in two, each with a steepest place of its
own; one step has one, whether it was blurred in light or in code values. A
band darker than the product may as well be its piping or its shaded side, so
it is not counted, unless the very band lies around darker parts of the product too:
a pattern changes along the edge, the old backdrop does not. A band with a hue that is no mixture
of the product and a neutral backdrop is left open: most are piping.
"""

import math

import cv2
import numpy as np

from catalogue_audit.measures.quantiles import median
from catalogue_audit.measures.segmentation.shadow import shadow_kind
from catalogue_audit.pixels.colour import LINEAR_TO_XYZ, ciede2000, lab_from_linear, srgb_decode, srgb_encode

POINTS = 200  # of the outer contour that are looked at
OUTSIDE, INSIDE = 12, 22  # full-resolution px of each profile: the outline may keep to either edge of a rim
ONE_VALUE = 0.98  # of the border at one code value: a ground that was painted, white or not
BURNT_OUT = 252  # code value
PURE = 0.97  # of the ground's linear light; a profile that begins darker begins in a shadow or on another part of the product
DARKEST_GROUND = 0.3  # linear light; on a darker one a rim of the old, light backdrop is lighter than its ground
BESIDE = (4.0, 12.0)  # px inside the main step: the product's own tone there
LIGHTEST_PRODUCT = 0.62  # luminance over the ground's; lighter, the main step is too small to look beside it
TAIL = 1.88  # standard deviations of a Gaussian step from half-way to 3 % down
LONGER_TAIL = 0.9  # px beyond that at which the step is not one step
LEAST_TINT = 0.02  # share of the step; a rim as light as this is not seen on a page
MOST_TINT = 0.48  # a band darker than this is the product's own
OWN_EDGE = 2.4  # px between a quarter and three quarters of the rim's outer step; a shadow takes longer
WINDOW = 9  # neighbouring profiles taken together
LEAST_SHARE = 0.3  # of the free contour that has to carry the rim
LEAST_STEEP = 0.05  # code value a px, of 1; a shadow falls off more slowly
LEAST_STEP = 0.08  # code value, of 1, of the inner of two steps
FLAT = 0.7  # slope between two steps over the gentler of them
RISING = -0.03  # code value a px; what grows lighter again behind a dark edge is the sheen of a handle
WIDEST_PX = 6  # between two steps; piping is wider
SAME_PX, SAME_LEVEL = 1.0, 0.07  # how far the widths and the luminances of one rim lie from one another at most ...
SAME_TONE = 0.05  # ... and their lightnesses, of 1: dark luminances that are twice one another are no one tone, but a shaded piping's
OWN_TONE, OWN_PX = 0.06, 4  # code value, of 1, and px: behind a seam the product's own tone comes back so nearly, and for so long; behind a rim it is another
COLOURED, AS_COLOURED = 0.3, 0.9  # 1 less the least over the largest linear channel, of a product; and the share of it that a rim of its own stuff keeps
SAME_HUE = 0.97  # cosine between the colours of two such, less their grey
BLENDED_PX = 1.8  # standard deviation of an edge's blur in colour: a pixel of the lens, and the half resolution that files keep of colour (4:2:0)
LEFT_CAST = 0.1  # of the largest linear channel, least to largest: no white balance that passes leaves as much on a neutral backdrop (common practice, no source)
SEAM_PX = 14  # from the outer step to the darkest of a seam
BESIDE_DARKER = 0.1  # of the profiles that have to show the rim beside a darker part of the product, for it to be looked for beside lighter ones


def cutout_facts(picture, backdrop, outline):
    """
    Rim around a cut-out, and the shadow's kind.

    Parameters
    ----------
    picture : Picture
    backdrop : Backdrop
    outline : Outline

    Returns
    -------
    dict
        ``rim_px`` (full-resolution pixels; 0 for a clean edge) and ``rim_de``
        (CIEDE2000 of the rim against the product beside it), for cut-outs on
        pure white or another painted ground; ``shadow_kind`` wherever the product stands free.
    """
    ground = np.ones(3) if backdrop.kind == "cut_out" else _painted_ground(picture.working)
    facts = _rim_facts(picture, outline, ground) if ground is not None and outline.contours else {}
    kind = shadow_kind(picture, backdrop, outline, facts.get("rim_px", 0.0))
    return facts | ({} if kind is None else {"shadow_kind": kind})


def _painted_ground(working):
    """
    Linear light (3,) of a ground that has one code value along the frame's upper half; None where it was photographed.

    Below, a shadow may reach the frame. What is at the top of the scale may as well be a sweep that burnt out.
    """
    height, deep = len(working), max(2, int(0.01 * min(working.shape[:2])))
    top = working[:deep].reshape(-1, 3).T
    colour = np.partition(top, top.shape[1] // 2)[:, top.shape[1] // 2]  # medians
    if colour.max() >= BURNT_OUT:
        return None
    for side in (working[:deep], working[: height // 2, :deep], working[: height // 2, -deep:]):
        if cv2.countNonZero(cv2.inRange(side, *[tuple(map(int, colour))] * 2)) < ONE_VALUE * side[..., 0].size:
            return None
    light = srgb_decode(colour / 255.0)
    return light if light.min() > DARKEST_GROUND else None


def _rim_facts(picture, outline, ground):
    """Width and tone of the rim around a cut-out on a ground of this linear light (3,)."""
    profiles = _profiles(picture, outline, ground)
    if len(profiles) < 4 * WINDOW:
        return {"reasons": ("too little of the cut-out's edge is free to judge it",)}
    profiles = _smoothed(profiles)
    widths, levels, tones = rim_widths(profiles)
    known = np.isfinite(widths)
    if known.sum() < 2 * WINDOW:
        return {"reasons": ("the product is too light against white to judge the cut-out's edge",)}
    rim = _one_rim(widths, levels)
    also = np.zeros(len(rim), bool)
    if rim.sum() >= max(BESIDE_DARKER * len(rim), WINDOW):
        also = ~rim & _same_band(profiles @ LINEAR_TO_XYZ[1], float(np.median(widths[rim])), float(np.median(levels[rim])))
    if rim.sum() + also.sum() < LEAST_SHARE * (known | also).sum():
        return {"rim_px": 0.0, "rim_de": 0.0}
    luminance = profiles[rim] @ LINEAR_TO_XYZ[1]
    tinted = [_is_tinted(*profile) for profile in zip(profiles[rim], luminance, levels[rim], widths[rim], strict=True)]
    if np.mean(tinted) > 0.5:
        return {"reasons": ("a coloured band along the edge may be the product's piping or the rest of a coloured backdrop, so the cut-out's edge is not judged",)}
    return {"rim_px": float(np.median(widths[rim])), "rim_de": float(np.median(tones[rim]))}


def rim_widths(profiles):
    """
    Width and tone of the rim along a contour.

    A step blurred by a Gaussian has tails in a fixed proportion to its slope.
    Where the outer tail is longer than that, and begins with an edge of its
    own, a rim lies between ground and product; so it does where the step falls
    in two. Rims of less than 2 px pass for softness.

    Parameters
    ----------
    profiles : (n, OUTSIDE + INSIDE + 1, 3) array
        Linear light across the edge, from outside in, along the contour.

    Returns
    -------
    width : (n,) ndarray
        Pixels between half-way from the ground to the rim's tone and half-way
        from that tone to the product; 0 at a clean edge; NaN where ground and
        product are too much alike, the main step is not found, or the ground
        comes back within the profile: what is so thin shows no rim beside itself.
    level : (n,) ndarray
        Luminance of the rim.
    tone : (n,) ndarray
        CIEDE2000 between the rim and the product beside it.
    """
    width, level, tone = np.full((3, len(profiles)), np.nan)
    luminance = profiles @ LINEAR_TO_XYZ[1]
    ground, product = median(luminance[:, :3]), median(luminance[:, OUTSIDE + 4 :])
    main = _crossings(luminance, (ground + product) / 2)
    first, last = (np.nan_to_num(main + px).astype(int) for px in BESIDE)
    known = np.flatnonzero(np.isfinite(main) & (last <= luminance.shape[1]))
    product[known] = median(np.take_along_axis(luminance[known], first[known, None] + np.arange(int(BESIDE[1] - BESIDE[0])), axis=1))
    known = known[product[known] <= LIGHTEST_PRODUCT * ground[known]]
    width[known] = level[known] = tone[known] = 0.0
    begin, half, long = _tails(luminance[known], ground[known], product[known])
    code, outer, again = _second_steps(luminance[known])
    for at in np.flatnonzero(long | (again >= 0)):  # few profiles have either
        k = known[at]
        profile, light, beside = profiles[k], luminance[k], slice(first[k], last[k])
        if long[at]:
            width[k], level[k], tone[k] = _rim(profile, light, ground[k], product[k], beside, (begin[at], half[at]))
        if not width[k] and again[at] >= 0:
            width[k], level[k], tone[k] = _between_steps(profile, light, ground[k], beside, code[at], (outer[at], again[at]))
        if width[k] and (_comes_back(profile, light, level[k], ground[k]) or _is_own_colour(profile, light, level[k], ground[k], beside)):
            width[k] = 0.0
    thin = (width == 0) & (luminance[:, -3:].max(axis=1) > PURE * ground)
    width[thin] = level[thin] = tone[thin] = np.nan
    return width, level, tone


def _tails(light, ground, product):
    """Where each profile (n, k) begins to fall and where it is half-way down, (n,) each; and whether that is too far for one step."""
    step = ground - product
    half, begin = _crossings(light, ground - 0.5 * step), _crossings(light, ground - 0.03 * step)
    fall = light[:, :-1] - light[:, 1:]
    from_half = np.arange(fall.shape[1]) - np.nan_to_num(half).astype(int)[:, None]
    steepest = np.where((from_half >= -2) & (from_half < 4), fall, -np.inf).max(axis=1, initial=1e-6)
    sigma = step / steepest / math.sqrt(2 * math.pi)
    return begin, half, half - begin >= TAIL * sigma + LONGER_TAIL


def _rim(profile, light, ground, product, beside, tail):
    """Width, luminance and tone of the rim in one profile whose tail (begin and half of the step) is long; width 0 for none."""
    step = ground - product
    at = np.arange(len(light))
    place = (tail[0] + tail[1]) / 2
    tint = (ground - float(np.interp(place, at, light))) / step
    outer = [_crossing(light, ground - share * tint * step) for share in (0.25, 0.5, 0.75)]
    if not LEAST_TINT < tint < MOST_TINT or outer[2] - outer[0] > OWN_EDGE:
        return 0.0, 0.0, 0.0
    own = np.array([np.interp(place, at, profile[:, channel]) for channel in range(3)])
    return _crossing(light, ground - (1 + tint) / 2 * step) - outer[1], ground - tint * step, _tone(own, profile[beside])


def _second_steps(light):
    """Codes (n, k) of some profiles, the place of each one's outer step, and where behind it the profile is steep again, -1 for nowhere."""
    code = srgb_encode(light)
    slope = -np.diff(code)
    column = np.arange(slope.shape[1])
    start = np.argmax(slope >= LEAST_STEEP, axis=1)
    falling = np.ones(slope.shape, bool)
    falling[:, :-1] = slope[:, 1:] <= slope[:, :-1]
    outer = np.argmax(falling & (column >= start[:, None]), axis=1)
    after = np.where(column >= outer[:, None], slope, np.inf)
    steep = (after >= LEAST_STEEP) & (FLAT * after >= np.minimum.accumulate(after, axis=1))
    steep &= (column > outer[:, None]) & (column <= outer[:, None] + WIDEST_PX)
    steep &= np.take_along_axis(slope, outer[:, None], axis=1) >= LEAST_STEEP
    return code, outer, np.where(steep.any(axis=1), np.argmax(steep, axis=1), -1)


def _between_steps(profile, light, ground, beside, code, steps):
    """Width, luminance and tone of a rim that parts the fall from ground to product in two steps (outer one, and where it is steep again); width 0 for one step."""
    slope = -np.diff(code)
    outer, again = steps
    inner = _summit(slope, again)
    valley = outer + int(np.argmin(slope[outer:inner]))
    end = _summit(-slope, inner)
    gently = RISING < slope[valley] <= FLAT * slope[outer]
    if not gently or (code[valley] + code[valley + 1]) / 2 - code[end] < LEAST_STEP:
        return 0.0, 0.0, 0.0
    level = float(light[valley : valley + 2].mean())
    own = profile[valley : valley + 2].mean(axis=0)
    return _crossing(light, (level + light[end]) / 2) - _crossing(light, (ground + level) / 2), level, _tone(own, profile[beside])


def _tone(rim, beside):
    """CIEDE2000 between the linear light of a rim (3,) and the middle of the product's beside it (n, 3)."""
    return float(ciede2000(*lab_from_linear(np.stack([rim, median(beside, axis=0)]))))


def _comes_back(profile, light, level, ground):
    """Whether the tone of a rim of this luminance comes back behind the dark that follows it: then the dark is a seam, the rim the product's own."""
    outer = _crossing(light, (ground + level) / 2)
    if not math.isfinite(outer):
        return False
    begin = int(outer) + 1
    dark = begin + int(np.argmin(light[begin : begin + SEAM_PX]))
    rim = begin + int(np.argmin(np.abs(light[begin : dark + 1] - level)))
    code = srgb_encode(np.clip(profile, 0, 1))
    like = (np.abs(code[dark + 1 :] - code[rim]) < OWN_TONE).all(axis=1)
    return len(like) >= OWN_PX and bool((np.convolve(like, np.ones(OWN_PX), "valid") >= OWN_PX).any())


def _is_own_colour(profile, light, level, ground, beside):
    """
    Whether a rim of this luminance is as saturated as a coloured product beside it, and of its hue: its piping, or a lit edge.

    What a rim shows is the old backdrop, white or grey, or that mixed with the product: paler than the product itself.
    """
    rim, product = _colour(profile, light, level, ground), median(profile[beside], axis=0)
    if rim is None:
        return False
    saturation = [1 - colour.min() / max(float(colour.max()), 1e-6) for colour in (rim, product)]
    if saturation[1] < COLOURED or saturation[0] < AS_COLOURED * saturation[1]:
        return False
    one, other = rim - rim.mean(), product - product.mean()
    return bool(one @ other > SAME_HUE * np.linalg.norm(one) * np.linalg.norm(other))


def _is_tinted(profile, light, level, width):
    """
    Whether a rim of this luminance and width (px) has a hue that a neutral backdrop does not give it, with as much of the product as blur mixes into its middle.
    """
    rim = _colour(profile, light, level, float(median(light[:3])))
    if rim is None:
        return False
    behind = int(np.argmin(np.abs(light - level))) + math.ceil(width / 2) + 3
    product = median(profile[min(behind, len(profile) - OWN_PX) :][: 2 * OWN_PX], axis=0)
    one, other = rim - rim.mean(), product - product.mean()
    mixed = min(max(float(one @ other) / max(float(other @ other), 1e-6), 0.0), math.erfc(width / 2 / BLENDED_PX / math.sqrt(2)) / 2)
    return bool(np.ptp(one - mixed * other) > LEFT_CAST * rim.max())


def _colour(profile, light, level, ground):
    """Linear light (3,) of a rim of this luminance, behind the step from the ground; None where there is no such step."""
    outer = _crossing(light, (ground + level) / 2)
    if not math.isfinite(outer):
        return None
    after = int(outer) + 1
    return profile[after + int(np.argmin(np.abs(light[after : after + WIDEST_PX] - level)))]


def _summit(values, start):
    """The place of the first local maximum from `start` on."""
    while start + 1 < len(values) and values[start + 1] > values[start]:
        start += 1
    return start


def _crossing(light, level):
    """Place at which a profile first falls to a level, between samples; NaN where it does not."""
    return float(_crossings(light[None], np.array([level]))[0])


def _crossings(light, level):
    """Places (n,) at which profiles (n, k) first fall to a level each (n,), between samples; NaN where one does not."""
    first = np.argmax(light <= level[:, None], axis=1)
    row = np.arange(len(light))
    place = np.full(len(light), np.nan)
    falls = first > 0
    row, first = row[falls], first[falls]
    place[falls] = first - (level[falls] - light[row, first]) / (light[row, first - 1] - light[row, first])
    return place


def _one_rim(widths, levels):
    """Which profiles show one and the same rim: the largest number alike in width and luminance, (n,) bool."""
    rim = np.flatnonzero(widths > 0)
    apart = [np.abs(values[rim, None] - values[rim]) for values in (widths, levels)]
    alike = (apart[0] < SAME_PX) & (apart[1] < SAME_LEVEL) & (np.abs(_lightness(levels[rim, None]) - _lightness(levels[rim])) < SAME_TONE)
    chosen = np.zeros(len(widths), bool)
    if len(rim):
        chosen[rim[alike[alike.sum(axis=1).argmax()]]] = True
    return chosen


def _lightness(luminance):
    """CIE lightness over 100 of luminances (CIE 15, above its linear part)."""
    return 1.16 * np.cbrt(luminance) - 0.16


def _same_band(luminance, width, level):
    """Which profiles (n, k) show a band of this width and luminance between the ground and a product lighter than it, (n,) bool."""
    result = np.zeros(len(luminance), bool)
    for k, light in enumerate(luminance):
        ground = float(median(light[:3]))
        begin = _crossing(light, (ground + level) / 2)
        if not math.isfinite(begin):
            continue
        band = slice(int(begin), int(begin) + 2 + math.ceil(width))
        low = band.start + int(np.argmin(light[band]))
        beside = float(light[low : low + WIDEST_PX].max())
        end = low + _crossing(-light[low:], -(float(light[low]) + beside) / 2)
        same = abs(light[low] - level) < SAME_LEVEL and abs(_lightness(light[low]) - _lightness(level)) < SAME_TONE
        result[k] = same and beside > level + SAME_LEVEL and abs(end - begin - width) < 1.5 * SAME_PX
    return result


def _smoothed(profiles):
    """Median over `WINDOW` neighbouring profiles, for noise and single threads."""
    wrapped = np.concatenate([profiles[-(WINDOW // 2) :], profiles, profiles[: WINDOW // 2]])
    windows = np.lib.stride_tricks.sliding_window_view(wrapped, WINDOW, axis=0)
    return median(windows)


def _profiles(picture, outline, ground):
    """
    Light along normals of the outer contour that begin at the ground, over the ground's linear light (3,): (n, samples, 3).

    A shadow reaches further than a profile; a rim does not, even where the outline took it for a shadow.
    """
    contour = outline.contours[0].astype(float)
    contour = contour[np.linspace(0, len(contour) - 1, max(2 * POINTS, 2)).astype(int)]
    ahead, behind = np.roll(contour, -3, axis=0), np.roll(contour, 3, axis=0)
    tangent = ahead - behind
    length = np.maximum(np.hypot(tangent[:, 0], tangent[:, 1]), 1e-6)
    normal = np.column_stack([-tangent[:, 1], tangent[:, 0]]) / length[:, None]
    height, width = outline.mask.shape
    inside = _lies_in(outline.mask, contour + 3 * normal)
    normal = np.where(inside[:, None], normal, -normal)
    outward = contour - 4 * normal
    free = _lies_in(outline.mask, contour + 3 * normal) & ~_lies_in(outline.mask, outward)
    margin = (OUTSIDE + 2) / picture.reduction
    free &= (contour[:, 0] > margin) & (contour[:, 0] < width - margin)
    free &= (contour[:, 1] > margin) & (contour[:, 1] < height - margin)
    contour, normal = contour[free][::2], normal[free][::2]
    at = np.arange(-OUTSIDE, INSIDE + 1)
    x = (contour[:, :1] * picture.reduction - 0.5 + normal[:, :1] * at).astype(np.float32)
    y = (contour[:, 1:] * picture.reduction - 0.5 + normal[:, 1:] * at).astype(np.float32)
    if not len(x):
        return np.empty((0, len(at), 3))
    codes = cv2.remap(picture.encoded, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    light = srgb_decode(codes / 255.0) / ground
    return light[(light[:, :3] > PURE).all(axis=(1, 2))]


def _lies_in(mask, points):
    height, width = mask.shape
    column = np.clip(points[:, 0].astype(int), 0, width - 1)
    row = np.clip(points[:, 1].astype(int), 0, height - 1)
    return mask[row, column]
