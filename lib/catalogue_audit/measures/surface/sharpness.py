"""
Focus, motion and resolved detail of the product, in full-resolution pixels.

The blur of a picture is that of its sharpest edges: the product is deep, and
what lies behind the plane of focus may be soft. Defocus widens every edge
alike, motion only those that it crosses.
"""

import cv2
import numpy as np

from catalogue_audit.measures.records import of_size
from catalogue_audit.measures.segmentation.edges import find_edges, measure_all_widths, measure_edges
from catalogue_audit.measures.surface.crisp import SHARP, TOO_STEEP, in_focus, is_steep_along, may_hold_crisp_edges, spares_crisp_edges, steepest_width
from catalogue_audit.measures.surface.motion import motion_of, smeared_widths, weighted_quantile
from catalogue_audit.measures.surface.resolved import FEWEST_INSIDE, resolved_fraction
from catalogue_audit.measures.surface.smear import ENOUGH, LITTLE, find_smear, spares_edges, takes_structure, without_glints
from catalogue_audit.measures.surface.structure import FINEST_ENLARGED, detail_within, was_replaced

EDGES = 200  # candidates; about half turn out clear
INSIDE = 15  # px of the working picture, across: an edge within by half of it is none of the outline's
FEWEST = 6  # clear edges below which nothing is said
# Below this quantile of their widths are edges cut short by their neighbours, above it soft things: it stands for the lens.
SHARPEST = 0.25
FLAT_BELOW = 0.995  # flatness of a lens out of focus; noise and shading leave Gaussian edges at 0.995 to 1.015 (measured)
FLATTENED = 3.0  # power of the flatness that brings the matched width of a disc to its standard deviation (measured)
# Standard uncertainty: of a smear's length (px), of the width, of the logarithm of the edges' spread, of the width over the root of the edges' number,
# of what a flat top took off, px, and of the width by steepest places. Measured on photographs blurred by known amounts, it covers what their subjects, tone
# curves and sharpening do to the edges. Sharp grain and prints without a clear edge are 0.4 to 1.6 px wide by their steepest places, as no cloth is drawn
# by its lens alone: that scatter (of 14 details of seven makes) is the last one's.
UNSURE = {"length": 0.7, "width": 0.04, "spread": 0.5, "number": 0.3, "flat": 0.5, "px": 0.03, "steep": 0.36}
LONG, VERY_LONG = 6.0, 10.0  # px; from the first on a smear runs the edges that it crosses into one another, from the second
# on it takes fine structure that any picture has
ALIKE = 0.25, 20.0  # of the length, and degrees, within which edges and spectrum tell the same smear
ALONG = 60.0  # degrees from a smear's direction, beyond which edges run along it
USUAL, LEAST = 0.7, 0.4  # px; width of a sharp edge where none along a smear tells, and the least there is
SOFT = 1.2  # px; of a picture so soft the edges in the plane of focus are sought
SEEN_FLAT = (0.8, 2.0)  # px; below, the pixels round the top off; from the second on it is seen whole


def sharpness_facts(picture, outline):
    """
    Blur of the product's sharpest edges, motion, and the detail resolved.

    Parameters
    ----------
    picture : Picture
    outline : Outline

    Returns
    -------
    dict
        ``blur_px``, ``blur_sd_px``, ``motion_px``, ``motion_direction_deg``,
        ``resolved``, ``fine_detail``; ``reasons`` for what is missing.
    """
    cut = outline.box is not None and was_replaced(picture.grey)  # a mask may have cut the outline
    region, inner = _region(outline, picture.grey.shape), _inner(outline)
    detail = detail_within(picture, outline) if cut else None
    candidates = _candidates(picture, region)
    edges = measure_edges(picture.encoded, *candidates)
    inside = _inside(inner, edges, picture.encoded.shape)
    lens_drew = of_size(inner, picture.grey.shape) if cut else region
    drawn, smear = _smear_within(picture, outline, edges, inside, lens_drew) if cut else (edges, find_smear(picture, outline, edges))
    if smear is not None and _spares_some(picture, lens_drew, None if cut else candidates, smear.length, smear.angle):
        smear = None
    few = len(edges.sigma) < FEWEST
    if few and smear is None:
        return {"fine_detail": detail} | _without_clear_edges(picture, candidates)
    (length, angle, sharpest), crossed = _motion(picture, edges, candidates)
    if smear is None and length > 0 and _spares_some(picture, lens_drew, None if cut else candidates, length, angle):
        length, angle = 0.0, np.nan
    if smear is not None and not _agree(length, angle, smear):
        length, angle = smear.length, smear.angle
        sharpest = _sharp_across(drawn, length, angle)
        blur = float(np.sqrt(sharpest**2 + length**2 / 24))  # the mean over all directions
        sd = float(np.hypot(UNSURE["width"] * blur, UNSURE["length"] / np.sqrt(24)))
    elif length > 0 and (length < VERY_LONG or takes_structure(picture, outline, length, angle)):
        blur = float(np.sqrt(sharpest**2 + length**2 / 24))
        # What the smear makes of the edges' widths is no disagreement between them.
        alike = crossed.sigma / smeared_widths(crossed.direction, length, angle, sharpest) * blur
        sd = lens_width(crossed._replace(sigma=alike, flatness=np.ones(len(alike))))[1]
    else:
        length, angle = (0.0, np.nan) if length > 0 else (length, angle)
        blur, sd = _lens_width_below_white(picture, edges)
    resolved = None if few else resolved_fraction(edges, picture.encoded, length > 0, _widths_within(picture, edges, inside, detail, lens_drew))
    if not length > 0 and blur > SOFT and not cut:
        blur, sd = _in_focus_somewhere(picture, region, edges, candidates, resolved, blur, sd)
    return {
        "blur_px": blur,
        "blur_sd_px": sd,
        "motion_px": length,
        "motion_direction_deg": angle,
        "resolved": resolved,
        "fine_detail": detail,
    }


def _without_clear_edges(picture, candidates):
    """Blur of a picture that is soft wherever its light changes; else why there is none: edges of a texture are as crisp, but none is clear."""
    steepest = steepest_width(picture.encoded, *candidates[:2])
    if steepest is None or steepest < SOFT:
        return {"reasons": ("the product shows too few clear edges to measure its sharpness",)}
    reasons = ("the product shows too few clear edges to tell its motion and its resolved detail",)
    return {"blur_px": steepest, "blur_sd_px": UNSURE["steep"] * steepest, "reasons": reasons}


def _in_focus_somewhere(picture, region, edges, candidates, resolved, blur, sd):
    """Blur and uncertainty of a soft picture (pixels), unless some of it is crisp: then of what is."""
    may_be_steep = SHARP / (resolved or 1.0) < TOO_STEEP * blur  # no edge of a lens or of an enlargement is sharper
    steepest = steepest_width(picture.encoded, *candidates[:2]) if may_be_steep else None
    is_steep = steepest is not None and steepest < TOO_STEEP * blur
    if not is_steep and not may_hold_crisp_edges(resolved, edges.sigma, blur):
        return blur, sd
    crisp = in_focus(picture, region, blur)
    if crisp is not None:
        return lens_width(crisp)
    return (max(steepest, LEAST), UNSURE["steep"] * max(steepest, LEAST)) if is_steep else (blur, sd)


def _spares_some(picture, region, candidates, length, angle):
    """Whether a picture has edges or places in a region (its candidates, if they are known) that no smear would have left as they are."""
    x, y, _ = _candidates(picture, region) if candidates is None else candidates
    return is_steep_along(picture.encoded, x, y, length, angle) or spares_crisp_edges(picture, region, length, angle)


def _candidates(picture, region):
    """Places (x, y; full-resolution px) and directions of edges in a region of the reduced picture."""
    x, y, direction = find_edges(picture.grey, region, EDGES)
    scale = picture.grey_reduction
    return (x + 0.5) * scale - 0.5, (y + 0.5) * scale - 0.5, direction


def _smear_within(picture, outline, edges, inside, inner):
    """`find_smear` of a picture with a replaced background, and the edges within the product, which its lens drew."""
    drawn = edges._replace(**{name: values[inside] for name, values in edges._asdict().items()})
    smear = find_smear(picture, outline, drawn)
    if smear is not None:  # most candidates lay on the outline: those within have the last word
        drawn = measure_edges(picture.encoded, *_candidates(picture, inner))
        if spares_edges(drawn, smear.angle, LITTLE) or len(drawn.sigma) < ENOUGH:
            return drawn, None
    return drawn, smear


def _widths_within(picture, edges, inside, detail, inner):
    """Widths of edges well within the product: looked for there where few are, though a mask may have cut an enlarged picture's outline."""
    if detail is None or detail >= FINEST_ENLARGED or inside.sum() >= FEWEST_INSIDE:
        return edges.sigma[inside]
    return measure_edges(picture.encoded, *_candidates(picture, inner)).sigma


def _inner(outline):
    """The product without its outline in the working picture, uint8."""
    return cv2.erode(outline.mask.view(np.uint8), np.ones((INSIDE, INSIDE), np.uint8))


def _motion(picture, edges, candidates):
    """`motion_of` a picture's edges, and the edges that tell it: where it is long, of all widths."""
    motion = motion_of(edges.sigma, edges.direction, edges.weight, edges.flatness)
    if motion_of(edges.sigma, edges.direction, edges.weight)[0] > LONG:  # short profiles cut flat tops off
        wide = measure_all_widths(picture.encoded, *candidates)
        again = motion_of(wide.sigma, wide.direction, wide.weight, wide.flatness)
        if again[0] > LONG:
            return again, wide
    return motion, edges


def _agree(length, angle, smear):
    """Whether the edges tell the same short smear as the spectrum; they know its length better."""
    off = abs((angle - smear.angle + 90) % 180 - 90)
    return 0 < length < LONG and abs(length - smear.length) < ALIKE[0] * smear.length and off < ALIKE[1]


def _sharp_across(edges, length, angle):
    """Width of the sharp edges that run along a smear, without what it adds; pixels."""
    along = np.cos(edges.direction - np.radians(angle)) ** 2
    use = along < np.cos(np.radians(ALONG)) ** 2
    if edges.weight[use].sum() < 1:
        return USUAL
    variance = edges.sigma[use] ** 2 - length**2 / 12 * along[use]
    return float(np.sqrt(max(weighted_quantile(variance, edges.weight[use], SHARPEST), LEAST**2)))


def _lens_width_below_white(picture, edges):
    """
    `lens_width` of a picture's edges, or of those but for burnt-out spots', where these are narrower and enough are left.

    A lens out of focus draws a lamp in metal out over a disc, as it does all else, but the top of the scale leaves the foot of its flank only.
    """
    width, below = lens_width(edges), without_glints(picture.encoded, edges)
    return max(width, lens_width(below)) if FEWEST <= len(below.sigma) < len(edges.sigma) else width


def lens_width(edges):
    """
    Standard deviation of the light's spread in the sharpest edges, pixels, and its standard uncertainty.

    A lens out of focus spreads light over a disc. Matched to a Gaussian it
    looks up to a sixth wider than it is, and its flat top tells. The more
    the sharper half of the edges disagree, the larger the uncertainty.
    """
    low, width, middle = (weighted_quantile(edges.sigma, edges.weight, share) for share in (0.1, SHARPEST, 0.5))
    flatness = min(weighted_quantile(edges.flatness, edges.weight, 0.5) / FLAT_BELOW, 1.0)
    blur = width * flatness ** (FLATTENED * np.interp(width, SEEN_FLAT, (0, 1)))
    number = edges.weight.sum() ** 2 / (edges.weight @ edges.weight)
    parts = {"width": blur, "spread": blur * np.log(middle / low), "number": blur / np.sqrt(number), "flat": width - blur, "px": 1.0}
    return float(blur), float(np.sqrt(sum((UNSURE[name] * value) ** 2 for name, value in parts.items())))


def _inside(inner, edges, shape):
    """Which of the edges of a picture (its shape) lie well within the product, (n,) bool."""
    row, column = (
        np.clip((place * side / full).astype(int), 0, side - 1)
        for place, side, full in zip((edges.y, edges.x), inner.shape, shape, strict=False)
    )
    return inner[row, column] > 0


def _region(outline, shape):
    """The product and a narrow band around it; the whole frame where no product was found; uint8, 0 or 1."""
    if outline.box is None:
        return np.ones(shape, np.uint8)
    return of_size(cv2.dilate(outline.mask.view(np.uint8), np.ones((5, 5), np.uint8)), shape)
