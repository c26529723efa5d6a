"""Focus, motion, noise, and dust on product and sensor."""

import numpy as np
import pandas as pd

from catalogue_audit import schema
from catalogue_audit.findings import brief_terms
from catalogue_audit.findings.evidence import usual
from catalogue_audit.findings.outliers import FEWEST_FOR_REFERENCE, FEWEST_OF_A_STYLE, UNCERTAINTIES
from catalogue_audit.findings.rows import called, counted, finding, number, sentence
from catalogue_audit.pixels.colour import linear_from_lab
from catalogue_audit.statistics.robust import medians_of_others
from catalogue_audit.statistics.surface.inner_blur import inner_blur

SHARP_QUANTILE = 0.4  # blur of the set's sharp frames; a few soft ones above do not move it
SHARP_EDGE_PX = 0.7  # Gaussian sigma of a sharp edge in a picture at full size; a shorter smear does not show
LENGTH_TO_SIGMA = np.sqrt(12)  # standard deviation of a uniform smear is its length / sqrt(12)
RARE_VIEW = 1.5  # times the limit for views with too few pictures for a reference of their own: other distance and depth of field (common practice, no source)
MEAN_OF_DIRECTIONS = 24.0  # blur_px counts a smear of length L as L^2 / 24 of variance, its mean over all directions
SOFT_ACROSS = 1.8  # times a sharp edge, in the direction that a smear leaves sharp; softer, the focus is at fault ...
MOST_OF_IT = 2 / 3  # ... unless so much of the variance beyond a sharp edge's is the smear's
FEWEST_MEASURED = 8  # pictures whose noise compression left, for their middle to be the set's
SRGB_LINEAR = 0.0031308  # linear light below which the sRGB curve is straight (IEC 61966-2-1)
MIDDLE_GREY_L = 49.5  # CIELAB of 18 % of the light; on no darker tone of a crop is noise measured (`measures.surface.noise`)
# Times the limit where noise was measured on the product, whose finest grain counts with it: of 39 details of six makes without a fault, that show nothing but
# the product, four look 2.2 to 2.7 times as noisy as their set (leather, cloth; measured).
ON_THE_PRODUCT = 1.5
SAME_GROUND_L = 15.0  # CIELAB L*, within which a crop's ground is that of the whole views (common practice, no source)
# Of white's light, where a sensor's own noise is as large as that of the photons: the squared electrons of the one over those that white has of
# the other. A sensor of four electrons of which the gain lets 800 pass as white has so much, and cameras have a tenth of it (common practice, no source).
READ_NOISE = 0.02
# Times the tolerance in a crop: the same dust covers a ninth of it, and glints and pits of a material seen close are as large as dust, which no whole view shows.
# Of 769 details without dust seven count more than the tolerance, one more than twice as much (measured).
SEEN_CLOSE = 2.0
LEAST_NOISE = 0.3  # 8-bit sRGB: below, rounding decides and a ratio means nothing


def focus(evidence):
    """Pictures less sharp than the set's sharp ones: out of focus."""
    for frame, ratio, sharp, inside in _blurred(evidence):
        if not _moved(frame, sharp):
            what = "is out of focus within its cut-out outline" if inside else "is out of focus"
            yield _blur_row("focus", frame, ratio, sharp, evidence, what, "with the focus checked at 100 %")


def motion_blur(evidence):
    """Pictures smeared in one direction: camera or product moved."""
    for frame, ratio, sharp, _ in _blurred(evidence):
        if _moved(frame, sharp):
            direction = number(frame.get("motion_direction_deg"))
            along = f" along {direction:.0f}° from horizontal" if direction is not None else ""
            what = f"is smeared over {frame['motion_px']:.1f} px{along}"
            yield _blur_row("motion_blur", frame, ratio, sharp, evidence, what, "from a steady stand")


def _blurred(evidence):
    """Frames blurred beyond the tolerance: (frame, ratio to the sharp ones, their blur, whether only the inside of a cut-out is)."""
    limit = brief_terms.tolerance(evidence.brief, "focus")
    frames = evidence.measured
    frames = frames.loc[
        frames["blur_px"].notna() & frames["view"].notna(),
        ["sku", "view", "view_kind", "style", "blur_px", "blur_sd_px", "motion_px", "fine_detail", "width_px", "height_px"],
    ]
    enough = frames.groupby("view")["blur_px"].transform("count") >= FEWEST_FOR_REFERENCE
    sharp = _sharp(frames, enough)
    limit = limit * np.where(enough, 1.0, RARE_VIEW)
    motion = frames["motion_px"].fillna(0.0) / LENGTH_TO_SIGMA
    blur = np.maximum(frames["blur_px"], np.hypot(sharp, motion))
    least = brief_terms.tolerance(evidence.brief, "focus_px")
    unsure = UNCERTAINTIES * frames["blur_sd_px"].fillna(0.0) / frames["blur_px"]  # of the logarithm: widths scatter in proportion
    outside = sharp.notna() & (blur > limit * sharp) & (blur - sharp > least) & (np.log(blur / sharp) > unsure)
    within = inner_blur(frames, sharp) if evidence.stage == "finals" else np.full(len(frames), np.nan)  # else a lens drew the outline
    inside = enough & ~outside & (within > limit * sharp) & (within - sharp > least)
    blur, told = blur.mask(inside, within), outside | inside
    for frame, *values in zip(evidence.records(frames[told]), blur[told] / sharp[told], sharp[told], inside[told], strict=True):
        yield frame, *values


def _sharp(frames, enough):
    """
    Blur of the set's sharp frames of each frame's view, px; NaN where too few are known.

    A view with too few pictures is held against all whole products together, in proportion where its pictures have more pixels.
    """
    of_view = usual(frames, frames["blur_px"], _sharp_ones)
    whole = enough & (frames["view_kind"] == "upright")
    if whole.sum() < FEWEST_OF_A_STYLE:
        return of_view.where(enough)
    long_side = frames[["width_px", "height_px"]].max(axis=1).astype(float)
    enlarged = (long_side / long_side[whole].median()).clip(lower=1.0)
    return of_view.where(enough, frames["blur_px"][whole].quantile(SHARP_QUANTILE) * enlarged)


def _sharp_ones(blurs):
    """`SHARP_QUANTILE` of a group's blurs that are known, as `Series.quantile` has it at a third of its cost; NaN of none."""
    known = blurs.to_numpy(dtype=float)
    known = known[~np.isnan(known)]
    return float(np.percentile(known, 100 * SHARP_QUANTILE)) if len(known) else np.nan


def _moved(frame, sharp):
    """Whether a direction explains the blur: a smear longer than the sharp edges are wide, sharp across it or most of the blur."""
    length = number(frame.get("motion_px")) or 0.0
    smear, blur = length**2 / MEAN_OF_DIRECTIONS, frame["blur_px"] ** 2
    sharp = max(sharp, SHARP_EDGE_PX)
    explained = blur - smear < (SOFT_ACROSS * sharp) ** 2 or smear > MOST_OF_IT * (blur - sharp**2)
    return length / LENGTH_TO_SIGMA > sharp / 2 and explained


def _blur_row(check, frame, ratio, sharp, evidence, what, how):
    tolerance = brief_terms.tolerance(evidence.brief, check)
    rule = schema.CHECKS[check]
    critical = ratio > tolerance * rule.critical_beyond
    note = (
        f"the {called(frame)} {what}: its sharpest edges are {ratio * sharp:.1f} px wide where the set's are "
        f"{sharp:.1f} px (tolerance {tolerance:g} times): photograph it again {how}"
    )
    return finding(
        check,
        sentence(note),
        frame,
        value=ratio,
        expected=1.0,
        tolerance=tolerance,
        severity="critical" if critical else None,
    )


def noise(evidence):
    """
    Pictures with more noise than the set's.

    Where compression has left nothing of it, the set has less than would have been left, and no more than
    the pictures where it was left, if there are enough of them. The same exposure has more code values of noise in a dark
    tone, as of a cloth that fills a detail, than on a light backdrop: that much is normal there.
    """
    limit = brief_terms.tolerance(evidence.brief, "noise")
    frames = evidence.measured
    most = frames["noise"].fillna(frames["noise_below"]).dropna()
    if len(most) < FEWEST_OF_A_STYLE:
        return
    normal = most.median()
    if frames["noise"].count() >= FEWEST_MEASURED:
        normal = min(normal, frames["noise"].median())
    normal = max(float(normal), LEAST_NOISE)
    at_least = "at least " if frames["noise"].count() < len(most) / 2 else ""
    times = frames["noise"] / normal / _more_in_the_dark(frames)
    noisy = times > limit * np.where(_flat_is_product(frames), ON_THE_PRODUCT, 1.0)
    for frame, noisier in zip(evidence.records(frames[noisy]), times[noisy], strict=True):
        iso = number(frame.get("iso"))
        at = f" at ISO {iso:.0f}" if iso is not None else ""
        note = (
            f"the {called(frame)} is {at_least}{noisier:.1f} times as noisy as the set{at} "
            f"(tolerance {limit:g} times): check it at full size and its ISO setting"
        )
        yield finding(
            "noise", sentence(note), frame, value=noisier, expected=1.0, tolerance=limit
        )


def _flat_is_product(frames):
    """Whether what is flat in each picture may be the product, (n,) of bool: in crops, unless it is as light as the ground of the whole views."""
    crop, light = (frames["view_kind"] == "crop").to_numpy(), frames["background_L"].astype(float)
    return crop & ~((light - light[~crop].median()).abs() <= SAME_GROUND_L).to_numpy()


def _more_in_the_dark(frames):
    """
    How many times as many code values of noise are normal on each picture's background as on the set's, at least 1 (n,).

    Of the light's variance the photons' goes with the light, and the sensor's own is the same in every tone [1]_. Above its linear part
    the sRGB curve (IEC 61966-2-1) rises with the power 1 / 2.4 of the light; what it makes of a small difference is its slope. Where no
    background is sure, as in details that fill the frame, noise was measured on the product, or on some tone from a middle grey up.

    References
    ----------
    .. [1] EMVA Standard 1288, mathematical model of a linear camera (temporal noise: dark noise, and shot noise whose variance is the number of photons).
    """
    known = frames["background_L"].notna()
    if not known.any():
        return np.ones(len(frames))
    neutral = np.zeros((len(frames), 3))
    neutral[:, 0] = frames["background_L"].fillna(frames["product_L"].clip(lower=MIDDLE_GREY_L)).fillna(MIDDLE_GREY_L)
    light = np.maximum(linear_from_lab(neutral)[:, 1], SRGB_LINEAR)
    usual_light = np.median(light[known])
    grain = np.sqrt((light + READ_NOISE) / (usual_light + READ_NOISE))
    return np.maximum(grain * (light / usual_light) ** (1 / 2.4 - 1), 1.0)


def product_specks(evidence):
    """
    Products with more specks than is normal for their material.

    What a product shows in its other views too, or its style's other products in that view, is its
    grain or glitter: dust lies on one picture, a texture on all. What is normal is a count, so it
    scatters as one, by its root (Poisson).
    """
    limit = brief_terms.tolerance(evidence.brief, "product_specks")
    frames = evidence.measured
    keys = ["view", "style", "colourway"]
    frames = frames.loc[frames["specks"].notna() & frames["view"].notna(), [*keys, "view_kind", "sku", "specks"]]
    counts = frames["specks"].astype(float)
    in_others = _in_other_views(frames["sku"], counts), _on_other_products(frames, counts)
    alone = counts.groupby(frames["view"]).transform("count") == 1  # is its view's usual itself
    of_view = usual(frames, counts, "median", keys).mask(alone, counts.groupby(frames["view_kind"]).transform("median"))
    normal = np.maximum.reduce([of_view, *in_others])
    limits = limit * np.where(frames["view_kind"] == "crop", SEEN_CLOSE, 1.0)
    outside = counts - normal > np.maximum(limits, UNCERTAINTIES * np.sqrt(normal))
    for frame, usual_count, limit in zip(evidence.records(frames[outside]), normal[outside], limits[outside], strict=True):
        note = (
            f"{counted(int(frame['specks']), 'speck')} on the product in the {called(frame)} where "
            f"{usual_count:g} is normal (tolerance {limit:g} more): remove them, and clean the sample before "
            f"it is photographed again"
        )
        yield finding(
            "product_specks",
            sentence(note),
            frame,
            value=float(frame["specks"]),
            expected=usual_count,
            tolerance=limit,
        )


def _in_other_views(skus, counts):
    """Median count of the same product's other pictures, where it has at least two; else 0."""
    result = np.zeros(len(counts))
    values = counts.to_numpy()
    for places in counts.groupby(skus).indices.values():
        if len(places) > 2:
            result[places] = medians_of_others(values[places])
    return result


def _on_other_products(frames, counts):
    """Median count of the style's other products in the same view; 0 where it has none. A copy of a picture has its dust too."""
    result = np.zeros(len(counts))
    values, products = counts.to_numpy(), pd.factorize(frames["sku"])[0]  # -1 where unknown
    for places in counts.groupby([frames["style"], frames["view"]]).indices.values():
        own = products[places]
        if len(np.unique(own)) == len(places) > 1:
            result[places] = medians_of_others(values[places])
            continue
        for product in np.unique(own):
            others = values[places[own != product]]
            result[places[own == product]] = np.median(others) if len(others) else 0.0
    return result


def sensor_spots(evidence):
    """Frames that carry spots of a dirty sensor, recurring in other frames of the camera."""
    frames = evidence.measured
    spotted = frames[frames["sensor_spots"].fillna(0).astype(int) > 0]
    for frame in evidence.records(spotted):
        count = int(frame["sensor_spots"])
        camera = " ".join(
            str(frame[name]) for name in ("camera_model", "camera_serial") if isinstance(frame[name], str)
        )
        note = (
            f"{counted(count, 'spot')} of a dirty sensor in the {called(frame)}, at the same place in other frames "
            f"of the camera: heal {'it' if count == 1 else 'them'} in the background and on the product, and clean the sensor"
        )
        yield finding(
            "sensor_spots",
            sentence(note),
            frame,
            value=float(count),
            expected=0.0,
            unit="spots",
            cause=f"sensor dirt of {camera or 'the camera'}",
        )
