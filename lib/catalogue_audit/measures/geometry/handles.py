"""
Handles: how far the rear one stands above the front one.

In a straight-on view the rear handle shows behind the front one as a second band along
the crown: apart from it, with background between, or touching it, and then the crown of
the two is thicker than the handle's legs. Where both are level the rear one hides behind
the front one, or nearly so: camera and handles are about equally high. In a turned view
each handle has a side of the crown to itself.

Two level handles, one a distance d behind the other and seen from an elevation e above the
horizontal at their crowns, stand d sin(e) apart in the picture. One picture alone knows neither
well: here what is usual is taken out, and counts as uncertainty; `statistics.geometry.handles` learns it
from the set.
"""

import math

import numpy as np

from catalogue_audit.measures.geometry.lines import runs
from catalogue_audit.measures.geometry.turned_handles import ALIKE, THICKNESS_SD, side_crowns, without_crumbs
from catalogue_audit.measures.quantiles import median
from catalogue_audit.measures.records import CONFIDENCE_LIMIT, DEFAULT_FOCAL_35MM

STAND = (  # places from the top and lengths, widths too, in heights of the frame
    "rear",  # crown of the rear handle, or of the only one seen
    "front",  # crown of the front handle
    "gap_sd",  # standard uncertainty of the distance between the two
    "apart",  # 1 where background shows between them
    "height",  # of the product, handles included
    "shoulders",  # upper edge of the body beside the handles
    "scatter",  # of that edge
    "base",  # what the product stands on
    "width",  # of the body near the base
    "legs",  # most handle legs on one row
    "left_crown",  # highest point of the handles on their left
    "right_crown",  # and on their right
)
APART, APART_SD = 1.05, 0.25  # distance between the handles' crowns over the depth of the body, on made bags of three styles
DEPTH, DEPTH_SD = 0.42, 0.10  # depth over width of bags: common practice, no source
USUAL_LOOK_DEG = {True: 8.0, False: 6.0}  # how far cameras look down in turned and in straight-on views: common practice, no source
USUAL_LOOK_SD_DEG = 2.5
USUAL_TURN_DEG = 30.0  # of a three-quarter view
SIDE_CROWN_SD = 0.004  # of the product's height; how well the crown of either side of the handles is found
CROWN_COLUMNS = 21  # looked at across it
CROWN_SHARE = 0.25  # of the handles' width, about their middle, on which the crown is looked at
LEAST_HEIGHT = 0.08  # of the product's height; lower handles lie down
BAND_LIMIT = 0.28  # of the product's height; a thicker band is no handle, nor two
UNLIKE = 0.35  # of the gap, by which it may change across the crown; two alike handles run parallel, a strap laid over one does not
STRAP_ABOVE = 0.17  # of the product's height; a band this far above the next is a strap, not a handle, unless both stand on the same feet
WIDER = 1.25  # times a handle's width, as far below the crown; twins have the same, the rear one less by perspective
FOOT_ROWS = 3  # fewest rows that show the legs of both near the body
LEG_REACH = 0.3  # of the handles' width, beside them, where legs of the other handle may stand


def handles_facts(picture, outline, focal_length_35mm=None):
    """
    Gap between the tops of two handles beyond what perspective usually explains.

    Parameters
    ----------
    picture : Picture
        Part of the common signature.
    outline : Outline
    focal_length_35mm : float, optional
        36 x 24 mm equivalent; 85 mm is assumed where unknown.

    Returns
    -------
    dict
        ``handle_gap`` and ``handle_gap_sd`` (fraction of the product's height; rear above front, straight-on
        views), or the reason why there is none; ``turned_handle_gap``, for turned views: how far the crown on the
        left stands above the one on the right, what perspective usually puts between rear and front, and the
        standard uncertainty. For the sketch: ``stand``,
        float32, as named by `STAND`, NaN where unknown.
    """
    if outline.box is None or outline.confidence < CONFIDENCE_LIMIT:
        return {"reasons": ("handle gap not measured: no certain outline",)}
    if outline.body.sides is None:
        return {"reasons": ("handle gap not measured: no body found",)}
    height = _product_height(outline.mask)
    region = handle_region(outline)
    values = dict.fromkeys(STAND, np.nan) | {"height": height} | shoulders_and_base(outline, region)
    if region is None:
        return {"stand": _array(values, len(outline.mask)), "reasons": ("handle gap not measured: no handles stand above the body",)}
    values |= {"legs": legs(outline.mask, region)} | side_crowns(outline.mask, region)
    facts = {"reasons": ()}
    if np.isfinite(values["left_crown"] + values["right_crown"]):
        crown = 0.5 * (values["left_crown"] + values["right_crown"])
        explained, unsure = usually_apart(values, crown, outline.mask.shape, focal_length_35mm, turned=True)
        seen = (values["right_crown"] - values["left_crown"]) / height
        facts["turned_handle_gap"] = tuple(round(v, 4) for v in (seen, explained, math.hypot(SIDE_CROWN_SD, unsure)))
    gap = crown_gap(outline.mask, region, height)
    if isinstance(gap, str):
        return facts | {"stand": _array(values, len(outline.mask)), "reasons": (f"handle gap not measured: {gap}",)}
    values |= {"rear": region[0], "front": region[0] + gap[0], "gap_sd": gap[1], "apart": float(gap[2])}
    explained, unsure = usually_apart(values, values["front"], outline.mask.shape, focal_length_35mm, turned=False)
    facts |= {"handle_gap": max(gap[0] / height - abs(explained), 0.0), "handle_gap_sd": math.hypot(gap[1] / height, unsure)}
    return facts | {"stand": _array(values, len(outline.mask))}


def usually_apart(values, crown, shape, focal_length_35mm, turned):
    """
    What perspective usually puts between two level handles.

    Parameters
    ----------
    values : dict
        By the names of `STAND`, working pixels.
    crown : float
        Row of the handles' crown.
    shape : (height, width)
    focal_length_35mm : float or None
    turned : bool
        Whether this is a three-quarter view.

    Returns
    -------
    apart, standard uncertainty : float
        Over the product's height; 0 and a tenth of the width where the body's width is not known.
    """
    if not np.isfinite(values["width"]):
        return 0.0, 0.1
    focal_px = (focal_length_35mm or DEFAULT_FOCAL_35MM) * math.hypot(*shape[:2]) / math.hypot(36, 24)
    elevation = math.radians(USUAL_LOOK_DEG[turned]) - math.atan((0.5 * shape[0] - crown) / focal_px)
    apart = APART * DEPTH * values["width"] / values["height"] * (math.cos(math.radians(USUAL_TURN_DEG)) if turned else 1.0)
    unsure = math.hypot(APART_SD / APART, DEPTH_SD / DEPTH) * math.sin(elevation)
    return apart * math.sin(elevation), apart * math.hypot(math.radians(USUAL_LOOK_SD_DEG), unsure)


def _array(values, tall):
    """Values by the names of `STAND`, those in working pixels as shares of the frame's height."""
    return np.array([values[name] if name in ("apart", "legs") else values[name] / tall for name in STAND], np.float32)


def crown_gap(mask, region, height):
    """
    Rear crown above the front one in a straight-on view.

    Parameters
    ----------
    mask : (h, w) bool
    region : tuple
        As `handle_region` gives it.
    height : float
        Of the product, working pixels.

    Returns
    -------
    (gap, standard uncertainty, apart) in working pixels and as bool, or str
        ``apart`` where background shows between the two; a str says why there is no gap.
    """
    top, body_top, left, right = region
    middle, reach = 0.5 * (left + right), max(2, int(0.5 * CROWN_SHARE * (right - left)))
    columns = np.unique(np.linspace(middle - reach, middle + reach, CROWN_COLUMNS).astype(int))
    gaps, crowns, first = [], [], []
    for column in columns:
        bands = [(a, b) for a, b in runs(mask[top : body_top + 1, np.clip(column, 0, mask.shape[1] - 1)]) if b < body_top - top]
        bands = without_crumbs([(a, b) for a, b in bands if b - a < BAND_LIMIT * height])
        while len(bands) > 1 and bands[1][0] - bands[0][0] > STRAP_ABOVE * height and not _on_the_same_feet(mask, region, bands[:2]):
            bands = bands[1:]
        if bands:
            crowns.append(bands[0][1] - bands[0][0])
        if len(bands) > 1:
            gaps.append(bands[1][0] - bands[0][0])
            first.append(bands[0][0])
    if len(crowns) < max(3, 0.5 * len(columns)):
        return "the handles' crown is hidden or touches the body"
    if len(gaps) > 0.6 * len(crowns):
        gap = float(np.median(gaps))
        if np.ptp(gaps) > UNLIKE * gap + 2.0:  # either edge is known to a pixel
            return "what crosses above the handle does not run along it as a second one would: a strap"
        if _spans_more(mask, top + float(np.median(first)), gap):
            return "what crosses above the handle stands wider than it, as no second one would: a strap"
        return gap, max(1.0, 0.1 * gap), True
    leg = leg_thickness(mask, top, body_top, left, right)
    if leg is None:
        return "the handles' legs cannot be told apart"
    return max(float(np.median(crowns)) - leg, 0.0), float(np.hypot(THICKNESS_SD * leg, 1.0)), False


def _on_the_same_feet(mask, region, bands):
    """
    True where two bands one far above the other are the crowns of twins, of which the lower one is folded down.

    Twins are sewn on behind each other: near the body their legs run together, or close beside each other, and they are alike in
    thickness. A strap held up springs from the bag's sides, farther out than the handle stands.

    Parameters
    ----------
    mask : (h, w) bool
    region : tuple
        As `handle_region` gives it.
    bands : list of two (first, last)
        Rows below the region's top, on one column of the crown.
    """
    top, body_top, left, right = region
    thick = [last - first for first, last in bands]
    if max(thick) > ALIKE * min(thick):
        return False
    wider, crown = [], top + bands[1][1]
    for row in mask[(crown + body_top) // 2 : body_top]:
        middles = [0.5 * (first + last) for first, last in without_crumbs(runs(row))]
        sides = [x for x in middles if x < 0.5 * (left + right)], [x for x in middles if x >= 0.5 * (left + right)]
        if all(sides):
            wider.append((sides[1][-1] - sides[0][0]) / (sides[1][0] - sides[0][-1]))
    return len(wider) >= FOOT_ROWS and max(wider) <= WIDER


def _spans_more(mask, crown, gap):
    """
    True where the upper of two arches is wider than the lower one, as far below its own crown; a twin's legs lie on the other's.

    Asked as far down as one crown lies below the other, and only where the legs of both are seen there beside each other.
    """
    rows = [int(round(crown + times * gap)) for times in (0.95, 1.95)]
    if gap < 4 or rows[1] >= len(mask):
        return False
    upper, both = (runs(mask[row]) for row in rows)
    if len(upper) < 2 or len(both) < 4:
        return False
    return upper[-1][1] - upper[0][0] > WIDER * (both[-2][1] - both[1][0])


def legs(mask, region):
    """Most handle legs met on one row: two of one handle or of two behind each other, more where two are seen apart."""
    top, body_top, left, right = region
    rows = (int(top + share * (body_top - top)) for share in (0.3, 0.4, 0.5, 0.6, 0.7))
    return max(len(without_crumbs([run for run in runs(mask[row]) if left - 2 <= run[0] and run[1] <= right + 2])) for row in rows)


def legs_apart(outline):
    """
    How far the legs of two handles stand beside each other in a straight-on view, over the body's width.

    Seen square, the rear handle hides behind the front one; turned, each shows legs of its own.

    Returns
    -------
    float or None
        None where fewer than two rows show four legs in two like pairs.
    """
    region = handle_region(outline) if outline.body is not None and outline.body.sides is not None else None
    if region is None:
        return None
    top, body_top, left, right = region
    reach, found = LEG_REACH * (right - left), []
    for share in (0.25, 0.35, 0.45, 0.55, 0.65):
        row = outline.mask[int(top + share * (body_top - top))]
        bands = without_crumbs([run for run in runs(row) if left - reach <= run[0] and run[1] <= right + reach])
        middles = [0.5 * (a + b) for a, b in bands]
        if len(bands) == 4:
            pairs = middles[1] - middles[0], middles[3] - middles[2]
            if max(pairs) < 0.5 * (middles[2] - middles[1]):
                found.append(0.5 * sum(pairs))
    return float(np.median(found)) / outline.body.sides["width"] if len(found) >= 2 else None


def shoulders_and_base(outline, region):
    """Upper edge of the body beside the handles, its scatter, base, and the width near it; of `STAND`, as far as they are known."""
    sides = outline.body.sides
    lowest, tall = float(sides["base"][:, 1].max()), sides["height"]
    near = [edge[(edge[:, 1] > lowest - 0.3 * tall) & (edge[:, 1] < lowest - 0.08 * tall), 0] for edge in (sides["left"], sides["right"])]
    if min(map(len, near)) < 5:
        return {}
    start, end = (float(median(edge)) for edge in near)
    columns = np.arange(int(start + 0.06 * (end - start)), int(end - 0.06 * (end - start)))
    if region is not None:
        margin = 0.04 * (end - start)
        columns = columns[(columns < region[2] - margin) | (columns > region[3] + margin)]
    inside = (sides["base"][:, 0] > start + 0.2 * (end - start)) & (sides["base"][:, 0] < end - 0.2 * (end - start))
    if len(columns) < 10 or inside.sum() < 10:
        return {}
    upper = outline.mask[:, columns].argmax(axis=0)
    shoulders = float(median(upper))
    scatter = 1.4826 * float(median(np.abs(upper - shoulders)))
    return {"shoulders": shoulders, "scatter": scatter, "base": float(median(sides["base"][inside, 1])), "width": end - start}


def handle_region(outline):
    """
    Where handles stand above the body.

    Returns
    -------
    (top, body_top, left, right) or None
        Working pixels: first row of the handles, first row of the body, and the
        handles' outer edges halfway up.
    """
    mask = outline.mask
    body, scale = outline.body.mask, outline.body.scale
    rows = np.flatnonzero(body.any(axis=1))
    if not len(rows):
        return None
    columns = np.flatnonzero(body.any(axis=0))
    width = (columns[-1] - columns[0] + 1) * scale
    thick = body.sum(axis=1)
    wide = np.flatnonzero(thick > 0.45 * thick.max())
    body_top = int(wide[0] * scale)
    inner = slice(int((columns[0] + 0.04 * len(columns)) * scale), int((columns[-1] - 0.04 * len(columns)) * scale))
    above = mask[:body_top, inner]
    present = np.flatnonzero(above.any(axis=1))
    if not len(present):
        return None
    top = int(present[0])
    if body_top - top < LEAST_HEIGHT * _product_height(mask):
        return None
    half = mask[(top + body_top) // 2]
    across = np.flatnonzero(half[inner]) + inner.start
    if len(across) < 2 or across[-1] - across[0] < 0.1 * width:
        return None
    return top, body_top, float(across[0]), float(across[-1] + 1)


def leg_thickness(mask, top, body_top, left, right):
    """
    Thickness of the handles' legs, working pixels; None where there are not two.

    Of the thinner leg on each of several rows, the median: where the two handles stand beside each
    other their legs look thicker than one.
    """
    values = []
    for share in (0.4, 0.5, 0.6, 0.7, 0.8):
        row = int(top + share * (body_top - top))
        bands = [b - a for a, b in runs(mask[row]) if a >= left - 0.2 * (right - left) and b <= right + 0.2 * (right - left)]
        bands = without_crumbs([(0, thick) for thick in bands])
        if len(bands) >= 2:
            values.append(min(bands[0][1], bands[-1][1]))
    return float(np.median(values)) if len(values) >= 2 else None


def _product_height(mask):
    rows = np.flatnonzero(mask.any(axis=1))
    return float(rows[-1] - rows[0] + 1)
