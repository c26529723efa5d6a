"""
Deviation of each picture's light from the set's: white balance, exposure, background, product colour.

The set's reference is the median over all whole-product views of the delivery,
or what the brief names. Background and product have lamps of their own, so both
are followed: the background by its border regions, the product by comparing it
with itself in its other views, where its own colour cancels.
"""

import math

import numpy as np
import pandas as pd

from catalogue_audit.pixels.colour import LINEAR_TO_XYZ, ciede2000, lab_from_linear, linear_from_lab
from catalogue_audit.statistics.photometry.detail_white import chromaticities, white_of_details
from catalogue_audit.statistics.photometry.exposure import exposure_deviations
from catalogue_audit.statistics.photometry.own_gains import own_gains
from catalogue_audit.statistics.photometry.product_colour import product_colour_deviation, shows_inside
from catalogue_audit.statistics.photometry.regions import region_deviations

WHOLE = ("upright", "overhead")  # kinds of view that show the whole product
OWN_SOURCES = ("background", "unclipped part")  # what shows the light's colour without help
SHADOW_BIAS_SD = 0.02  # relative; light bounced off the product tints its shadow by about as much
SHADOWS_FOR_REFERENCE = 5  # pictures known by their shadow, from which these are compared with each other
COLOUR_SD = 0.015  # relative; of a product's colour ratios from view to view under one light
GLOSS = 0.005  # of white, by which views of a product differ in what its surface mirrors: a vivid one is washed out by it
LIKE_L = 3.5  # CIELAB; a white product in a crop is seldom as near to the sweep's level as that
GRAINY, GRAINY_L = 5.0, 1.0  # times the whole products' noise, and CIELAB L* off theirs: a material, not a noisy backdrop
LIKE_C = 10.0  # CIELAB chroma; a backdrop under a badly wrong white balance
OWN_L, OWN_C = 10.0, 6.0  # CIELAB; as near to a crop's border, the product itself may be what is seen there
PURE_WHITE_L, PURE_MAJORITY = 99.3, 0.7  # CIELAB L* of sRGB 253, and share of the whole products on such a page: then it is the set's white
AT_TOP, STEP_SD = -0.02, 0.009  # ln of linear light: sRGB 253 and above, and a step of one code value there
TINT = 0.03  # ln; more than three steps off neutral
COLUMNS = (
    "wb_dev",
    "wb_dev_sd",
    "wb_gain_r",
    "wb_gain_b",
    "exposure_dev_ev",
    "exposure_dev_sd_ev",
    "background_dev_ev",
    "product_colour_dev",
)


def light_deviations(frames, sketches, brief):
    """
    Set columns of light and colour.

    Parameters
    ----------
    frames : DataFrame
        Frame columns of the schema, default integer index.
    sketches : mapping of str to dict
    brief : Brief or None
        ``brief.reference`` may name a picture, or values.

    Returns
    -------
    DataFrame
        Columns `COLUMNS`, index as `frames`; NaN where unknown.
    """
    whole = whole_product(frames)
    picture = _named_picture(frames, brief)
    backdrop = shows_the_backdrop(frames, whole)
    ratios, sd = white_ratios(frames, whole, backdrop)
    chromaticities_of = chromaticities(frames, sketches)
    ratios, sd = white_of_details(frames, chromaticities_of, whole, ratios, sd)
    reference = _white_reference(ratios, whole & (sd < SHADOW_BIAS_SD), picture, brief)
    ratios, sd, reference = _tinted_pages(frames, whole, ratios, sd, reference)
    background, background_sd = region_deviations(
        frames, sketches, whole, backdrop, picture, _given(brief, "background_ev")
    )
    gains = np.exp(reference - ratios)
    known_gains = np.nan_to_num(gains, nan=1.0)
    own = own_gains(frames, chromaticities_of, whole, known_gains)
    plain_gains = known_gains / np.nan_to_num(own, nan=1.0)
    exposure, exposure_sd = exposure_deviations(frames, sketches, whole, backdrop, background, background_sd, plain_gains)
    if picture is not None:
        exposure = exposure - (exposure[picture] if np.isfinite(exposure[picture]) else 0.0)
    distance, distance_sd = _white_distance(frames, ratios, sd, reference)
    columns = {
        "wb_dev": distance,
        "wb_dev_sd": distance_sd,
        "wb_gain_r": gains[:, 0],
        "wb_gain_b": gains[:, 1],
        "exposure_dev_ev": exposure,
        "exposure_dev_sd_ev": exposure_sd,
        "background_dev_ev": background,
        "product_colour_dev": product_colour_deviation(frames, sketches, known_gains, own),
    }
    return pd.DataFrame(columns, index=frames.index)


def whole_product(frames):
    """
    Which frames show a whole product, measured: (n,) ndarray of bool.
    """
    kinds = frames["view_kind"].isin(WHOLE).to_numpy(bool)
    return kinds & frames["status"].ne("not_measured").to_numpy(bool)


def shows_the_backdrop(frames, whole):
    """
    Which frames' background is the set's backdrop, (n,) ndarray of bool.

    All whole products' is. The border of a detail crop, or of a bag's inside, may be the product
    itself, and that of a white product is nearly as light as a sweep; so these
    count only where its background is of the whole products' usual kind, and
    within `LIKE_L` and `LIKE_C` of theirs, not both grainy and of another level, and not
    of its product's own colour. Where no whole product was measured,
    there is nothing to compare with, and every frame counts.
    """
    whole = whole & ~shows_inside(frames)
    lab = frames[["background_L", "background_a", "background_b"]].to_numpy(float)
    kinds = frames["backdrop"].fillna("").to_numpy(str)
    known = whole & np.isfinite(lab).all(axis=1)
    if not known.any():
        return np.ones(len(frames), bool)
    names, counts = np.unique(kinds[known], return_counts=True)
    off = np.abs(lab - np.median(lab[known], axis=0))
    alike = (off[:, 0] <= LIKE_L) & (np.hypot(off[:, 1], off[:, 2]) <= LIKE_C)
    noise = frames["noise"].astype(float)
    alike &= ~((noise > GRAINY * noise[whole].median()).to_numpy(bool) & (off[:, 0] > GRAINY_L))
    return whole | (alike & (kinds == names[np.argmax(counts)]) & ~_of_its_product(frames, whole, lab))


def _of_its_product(frames, whole, lab):
    """Frames whose background may be the product's own surface, by its colour in whole views: (n,) of bool."""
    own = frames[["product_L", "product_a", "product_b"]].astype(float)
    own.loc[~whole] = np.nan
    off = np.abs(lab - own.groupby(frames["sku"].fillna("")).transform("median").to_numpy(float))
    return (off[:, 0] < OWN_L) & (np.hypot(off[:, 1], off[:, 2]) < OWN_C)


def white_ratios(frames, whole, backdrop):
    """
    Log ratios of the light's colour, and their standard uncertainty.

    Where the background does not show it, the shadow does, and the product's
    own colour against its other views; both are combined by their uncertainty.

    Parameters
    ----------
    frames : DataFrame
    whole : (n,) ndarray of bool
        Frames that show a whole product.
    backdrop : (n,) ndarray of bool
        Frames whose background is the set's; the others stay unknown.

    Returns
    -------
    ratios : (n, 2) ndarray
        ln(R/G), ln(B/G); NaN where unknown.
    sd : (n,) ndarray
        Relative standard uncertainty.
    """
    ratios = np.log(np.maximum(frames[["white_red", "white_blue"]].to_numpy(float), 1e-4))
    source = frames["white_source"].fillna("").to_numpy(str)
    cut_out = frames["backdrop"].eq("cut_out").fillna(False).to_numpy(bool) | ~backdrop
    own = np.isin(source, OWN_SOURCES) & ~cut_out
    shadow = (source == "shadow") & ~cut_out
    sd = np.where(own | shadow, np.nan_to_num(frames["white_sd"].to_numpy(float), nan=0.004), np.nan)
    ratios[~(own | shadow)] = np.nan
    if shadow.any():
        ratios, sd = _from_shadow(ratios, sd, own, shadow, whole)
    return _from_other_views(frames, ratios, sd, own, ~cut_out)


def _from_shadow(ratios, sd, own, shadow, whole):
    """Shadows compared with one another where there are enough, else taken as they are."""
    ratios, sd = ratios.copy(), sd.copy()
    usual = ratios[shadow & whole]
    if len(usual) >= SHADOWS_FOR_REFERENCE and (own & whole).sum() >= SHADOWS_FOR_REFERENCE:
        ratios[shadow] += np.median(ratios[own & whole], axis=0) - np.median(usual, axis=0)
    sd[shadow] = np.maximum(sd[shadow], SHADOW_BIAS_SD)  # more beside a vivid product, which tints it
    return ratios, sd


def _from_other_views(frames, ratios, sd, own, usable):
    """Clipped frames from the same product's frames whose light is known; a lining has a colour of its own."""
    lab = frames[["product_L", "product_a", "product_b"]].to_numpy(float)
    colour = np.full((len(frames), 2), np.nan)
    known = np.isfinite(lab).all(axis=1) & ~shows_inside(frames)
    linear = np.maximum(linear_from_lab(lab[known]), 1e-4)
    colour[known] = np.log(linear[:, [0, 2]] / linear[:, 1:2])
    gloss = np.full(len(frames), np.nan)
    gloss[known] = GLOSS * np.abs(1 / linear[:, [0, 2]] - 1 / linear[:, 1:2]).max(axis=1)
    ratios, sd = ratios.copy(), sd.copy()
    wanting = usable & ~own & known & frames["sku"].notna().to_numpy(bool)
    for place in wanting.nonzero()[0]:
        others = own & known & frames["sku"].eq(frames["sku"].iloc[place]).to_numpy(bool)
        if not others.any():
            continue
        guess = colour[place] - np.median(colour[others] - ratios[others], axis=0)
        guess_sd = COLOUR_SD * math.sqrt(1 + 1 / others.sum()) * (1 + 10 * (lab[place, 0] < 20))
        guess_sd = math.hypot(guess_sd, gloss[place])
        if np.isfinite(sd[place]):
            weights = np.array([sd[place] ** -2, guess_sd**-2])
            guess = (weights[0] * ratios[place] + weights[1] * guess) / weights.sum()
            guess_sd = weights.sum() ** -0.5
        ratios[place], sd[place] = guess, guess_sd
    return ratios, sd


def _tinted_pages(frames, whole, ratios, sd, reference):
    """
    Backgrounds of a set on pure white one channel of which falls short of the top of the scale: their light is off at least by as much.

    The others burn out alike in all channels, so their white is neutral as the page is; the tinted one is compared with that.

    Returns
    -------
    ratios, sd, reference
        Those given, with what the tinted backgrounds tell in place of what shadow or product do.
    """
    page = frames["background_L"].to_numpy(float)[whole] >= PURE_WHITE_L
    light = np.log(np.maximum(frames[["background_red", "background_green", "background_blue"]].to_numpy(float), 1e-4))
    tint = light[:, [0, 2]] - light[:, 1:2]
    own = frames["white_source"].isin(OWN_SOURCES).to_numpy(bool)
    tinted = whole & ~own & (light.max(axis=1) > AT_TOP) & (np.abs(tint).max(axis=1) > TINT)
    if not len(page) or page.mean() < PURE_MAJORITY or not tinted.any():
        return ratios, sd, reference
    reference = np.nan_to_num(reference)
    return np.where(tinted[:, None], reference + tint, ratios), np.where(tinted, STEP_SD, sd), reference


def _white_reference(ratios, members, picture, brief):
    """Log ratios of the set's reference, (2,)."""
    given = _given(brief, "background_Lab")
    if given is not None:
        red, green, blue = np.maximum(linear_from_lab(given), 1e-4)
        return np.log([red / green, blue / green])
    if picture is not None and np.isfinite(ratios[picture]).all():
        return ratios[picture]
    members = members & np.isfinite(ratios).all(axis=1)
    if not members.any():
        members = np.isfinite(ratios).all(axis=1)
    return np.median(ratios[members], axis=0) if members.any() else np.full(2, np.nan)


def _white_distance(frames, ratios, sd, reference):
    """CIEDE2000 of each frame's white from the reference at equal lightness, and its uncertainty."""
    lightness = frames["background_L"].median()
    lightness = 90.0 if not np.isfinite(lightness) else min(max(float(lightness), 40.0), 95.0)
    base = _at_lightness(reference[None], lightness)
    distance = ciede2000(_at_lightness(ratios, lightness), base)
    nudged = [ciede2000(_at_lightness(reference[None] + step, lightness), base)[0] for step in ((0.01, 0), (0, 0.01))]
    return distance, sd * 100 * math.hypot(*nudged)


def _at_lightness(ratios, lightness):
    """CIELAB of colours with these log ratios, scaled to one lightness."""
    light = np.exp(np.column_stack([ratios[:, 0], np.zeros(len(ratios)), ratios[:, 1]]))
    luminance = light @ LINEAR_TO_XYZ[1]
    return lab_from_linear(light / luminance[:, None] * ((lightness + 16) / 116) ** 3)


def _named_picture(frames, brief):
    """Position of the reference picture that the brief names; None where it names none, or it is not there."""
    name = _given(brief, "picture")
    if not name:
        return None
    places = frames["file"].eq(name).to_numpy(bool).nonzero()[0]
    return int(places[0]) if len(places) else None


def _given(brief, key):
    return getattr(getattr(brief, "reference", None), key, None)
