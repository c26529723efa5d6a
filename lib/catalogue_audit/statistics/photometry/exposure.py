"""
EV of the light on the product against the set's.

A product's own colour is unknown, but it is the same in all of its views: what
one view has more than the others, beyond what that view has more in all
products, is light. The background tells the same where both moved together, and
more exactly; where only the background moved, it says nothing about the product.
"""

from typing import NamedTuple

import numpy as np

from catalogue_audit.measures.applicability import STRAIGHT_ON
from catalogue_audit.statistics.photometry.background_lamps import by_its_own_lamps
from catalogue_audit.statistics.photometry.backgrounds import light_of_backgrounds, of_the_place
from catalogue_audit.statistics.photometry.kin import kin_effects
from catalogue_audit.statistics.photometry.lit_alike import ODD_SD, ODD_STRAIGHT_SD, explained, odd_share
from catalogue_audit.statistics.photometry.product_colour import shows_inside
from catalogue_audit.statistics.photometry.product_lamps import by_lamps_of_the_product
from catalogue_audit.statistics.photometry.regions import median_known
from catalogue_audit.statistics.photometry.view_effects import (
    group_effects,
    learned_odds,
    learned_scatter,
    members_of,
    view_effects,
    view_scatter,
)
from catalogue_audit.statistics.photometry.view_pairs import Views, compared_views
from catalogue_audit.statistics.spread import spread
from catalogue_audit.statistics.styles import shapes_of

UNSEEN_SD = 0.032  # EV; by which steady light varies from frame to frame, where no background tells
BACKGROUND_ONLY_SD = 0.12  # EV; lamps of their own: the background alone is weak evidence
BURNT = 0.25  # of the product, burnt out beyond its other views: unless it is brighter, its light cannot be told any more
ELSEWHERE = 0.1  # EV of the background, beyond steady light
DIFFER = 0.2  # EV; backgrounds of one product's pictures further apart than this were not all lit alike
NEIGHBOURS, FURTHEST = 4, 24  # frames to either side whose backgrounds are the usual of their time, and among how many those of other products are sought
EFFECT_SD = 0.1  # EV; by which views differ from one another
# EV of a view's effect under lamps from several sides; beyond it one lamp stands aside, a flat front turned from it loses light, a round body
# does not, so that views differ by so much of the rest: the odd slanting one, and any detail, which may show any part.
USUAL_EFFECT, ODD_SHARE, DETAIL_SHARE = 0.15, 1.0, 0.5
GLOSS_SD = 0.4  # EV for all that is mirrored, as slopes of views are by nature: a dark side that turns to a lamp, or from it, mirrors more or less of it
WHITE_L = 98.0  # CIELAB L*; of code value 250 and above, at which a pixel is burnt out (`surfaces`)
FLAT_L = 0.3  # CIELAB L*; a detail's background as even as that was painted, and is no surface of a product
PAINTED_EV, FEWEST_PAINTED = 0.002, 4  # flashes repeat to a hundredth of a stop (common practice, no source); backgrounds that tell that they were set
STEADIER, STEADIER_SHARE, FEWEST_FOR_A_WAY = 0.6, 0.75, 6  # of the scatter, of that share of the slanting views, by which one number has to be the better; views that tell
LEARNED = 10  # times that the scatter of views is learned from what was lit alike
SHAPE_WORTH = 1  # products of a shape that say as much of its views as all products do
ODD_KIN, ODD_STRAIGHT_STYLE = 0.5, 0.01  # share of the odd views that are odd beside the other colourways too; styles whose front or back is (common practice, no source)
MIRRORED = 0.04  # of the light, by any smooth surface of refractive index 1.5 seen straight on (Fresnel's equations)


class Shown(NamedTuple):
    """
    What each frame shows, (n,) arrays.

    Attributes
    ----------
    sku, views : str
        The product, empty where none shows; the view.
    whole, straight, slanting : bool
        A whole product; a straight-on view; a whole product in another one.
    mirrored : float
        Share of its light that is mirrored and not scattered.
    level_sd : float
        EV, what is unsure of its level by itself.
    """

    sku: np.ndarray
    views: np.ndarray
    whole: np.ndarray
    straight: np.ndarray
    slanting: np.ndarray
    mirrored: np.ndarray
    level_sd: np.ndarray


class Nature(NamedTuple):
    """
    What is known of each frame's light once what its view has by nature is taken off, (n,) arrays.

    Attributes
    ----------
    rest : float
        EV that are left, its own light among them.
    kinds, styles : str
        Whose frames scatter alike; the product's style.
    view_sd, own_sd : float
        EV by which views of the kind scatter; by which what was taken off of the frame is unsure.
    odd, odd_sd : float
        Share of the kind's views that look otherwise, and by how much (EV).
    """

    rest: np.ndarray
    kinds: np.ndarray
    styles: np.ndarray
    view_sd: np.ndarray
    own_sd: np.ndarray
    odd: np.ndarray
    odd_sd: np.ndarray


def exposure_deviations(frames, sketches, whole, backdrop, background, background_sd, gains):
    """
    Deviation of the product's light, and its standard uncertainty.

    Parameters
    ----------
    frames : DataFrame
        ``product_ev``, ``sku``, ``view``, ``view_kind``, ``style``.
    sketches : mapping of str to dict
        ``thumb``, ``mask`` and ``tones`` are read.
    whole : (n,) ndarray of bool
        Frames that show a whole product.
    backdrop : (n,) ndarray of bool
        Frames whose background is the set's.
    background, background_sd : (n,) ndarray
        EV of the background against the set's; NaN where unknown.
    gains : (n, 2) ndarray
        White-balance gains of red and blue; 1 where unknown.

    Returns
    -------
    ev, sd : (n,) ndarray
        NaN where nothing is known, and of products burnt out beyond measuring.

    References
    ----------
    .. [1] J. W. Tukey, *Exploratory Data Analysis*, 1977, chapter 11 (median polish).
    .. [2] J. E. Gray, D. W. Allan, "A Method for Estimating the Frequency Stability of an Individual Oscillator",
       Proc. 28th Frequency Control Symposium, 1974 (three-cornered hat: the scatter of each from that of their pairs).
    .. [3] A. P. Dempster, N. M. Laird, D. B. Rubin, "Maximum Likelihood from Incomplete Data via the EM Algorithm",
       J. Royal Statistical Society B 39(1):1-38, 1977 (the scatter of views from what was lit alike).
    """
    painted = _painted(background, whole)
    background = np.full(len(background), np.nan) if painted.any() else background  # of a painted level, the rest tell no light either
    sku = np.where(_shows_a_product(frames, whole), frames["sku"].fillna("").to_numpy(str), "")
    level, level_sd, mirrored = _levels(frames, sketches, whole, backdrop, sku, gains)
    straight = frames["view"].isin(STRAIGHT_ON).to_numpy(bool)
    views, slanting = frames["view"].fillna("").to_numpy(str), whole & ~straight
    level, level_sd = _steadier(level, level_sd, sku, views, slanting)
    shown = Shown(sku, views, whole, straight, slanting, mirrored, level_sd)
    seen = level - view_effects(level, sku, views, mirrored) if np.isfinite(level).any() else level
    alone, alone_sd = by_its_own_lamps(frames, background, seen, level_sd, sku, whole, straight)
    background, background_sd = background - alone, np.hypot(background_sd, alone_sd)
    lamps, lamps_sd = by_lamps_of_the_product(frames, background, seen, level_sd, sku, straight)
    level = level - lamps
    beside = _beside(frames, background)
    behind = background - of_the_place(background, sku, views, whole)
    told = light_of_backgrounds(behind, background_sd, level, sku, views, whole, beside, _beside(frames, np.where(whole, behind, np.nan), sku))
    expected, steady_sd, lamps_moved = _expected(sku, whole, behind, told, beside, _beside(frames, told[0]), painted)
    nature = _by_nature(frames, sketches, shown, level - expected, _under_usual_lamps(level - expected, lamps_moved, views), steady_sd)
    off, sd = _learned_lights(shown, nature, steady_sd, np.where(np.isfinite(background), expected, np.nan), lamps_moved, beside)
    ev = expected + off
    alone = whole & np.isnan(ev) & np.isfinite(background)
    ev[alone], sd[alone] = expected[alone], np.hypot(BACKGROUND_ONLY_SD, steady_sd[alone])
    lost = (_burnt_beyond_others(frames, sku) > BURNT) & (np.nan_to_num(ev) < ELSEWHERE)
    return np.where(lost, np.nan, ev + lamps), np.where(lost, np.nan, np.hypot(sd, lamps_sd))


def _by_nature(frames, sketches, shown, residual, usual, steady_sd):
    """
    `Nature` of each frame's view: what it has more in all products, in those of its shape, and in the other colourways of its style.

    Parameters
    ----------
    frames, sketches
        As `exposure_deviations` has them.
    shown : Shown
    residual, usual : (n,) ndarray
        EV beyond the expected light; the same, NaN where it tells nothing of what is usual.
    steady_sd : (n,) ndarray
        EV by which steady light varies.
    """
    sku, views, straight, slanting, mirrored = shown.sku, shown.views, shown.straight, shown.slanting, shown.mirrored
    effects = view_effects(usual, sku, views, np.where(straight, 0.0, mirrored))  # front and back mirror alike
    by_shape = np.maximum(np.abs(np.nan_to_num(effects)) - USUAL_EFFECT, 0.0)
    bases, styles = _bases(frames, sketches, slanting), shapes_of(frames).to_numpy(str)
    kinds = np.char.add(views, bases)
    effects = effects + group_effects(usual - effects, sku, views, bases, SHAPE_WORTH)
    by_gloss = np.where(slanting, np.hypot(ODD_SD, GLOSS_SD * np.nan_to_num(mirrored)), ODD_SD)
    odd, odd_sd = odd_share(straight), np.where(straight, ODD_STRAIGHT_SD, np.hypot(by_gloss, ODD_SHARE * by_shape))
    only = _of_one_product(usual, sku, views)
    effects[only] = 0.0  # what it has by nature, nobody knows
    view_sd = view_scatter(usual - effects, sku, kinds, shown.level_sd, steady_sd, STRAIGHT_ON)
    odd_styles, turned = np.where(straight, ODD_STRAIGHT_STYLE, odd), np.where(slanting, mirrored, 0.0)
    of_style, of_style_sd, within_sd = kin_effects(usual - effects, sku, views, styles, view_sd, odd_styles, odd_sd, turned, shown.level_sd)
    has_kin = np.isfinite(of_style_sd)
    own_sd = np.hypot(np.where(only, EFFECT_SD, np.where(shown.whole, 0.0, DETAIL_SHARE * by_shape)), np.hypot(shown.level_sd, np.nan_to_num(of_style_sd)))
    return Nature(
        residual - effects - of_style,
        np.where(has_kin, np.char.add(kinds, " kin"), kinds),
        styles,
        np.where(has_kin, within_sd, view_sd),
        own_sd,
        np.where(has_kin & ~straight, ODD_KIN * odd, odd),
        odd_sd,
    )


def _learned_lights(shown, nature, steady_sd, background, lamps_moved, beside):
    """Light of each frame beyond the expected, EV, and its standard uncertainty; how views scatter is learned from those that were lit alike."""
    view_sd, odd, odd_sd = nature.view_sd, nature.odd, nature.odd_sd
    for _ in range(LEARNED):
        off, sd, alike, unlike, square, odd_square = _own_lights(
            nature.rest, np.hypot(view_sd, nature.own_sd), steady_sd, background, lamps_moved, np.nan_to_num(beside), odd, odd_sd, shown.sku
        )
        view_sd = learned_scatter(view_sd, nature.own_sd, alike, square, nature.kinds)
        learned = learned_odds(nature.odd, nature.odd_sd, unlike, odd_square, shown.sku, nature.kinds, nature.styles)
        odd, odd_sd = (np.where(shown.straight, before, now) for before, now in zip((nature.odd, nature.odd_sd), learned, strict=True))
    return off, sd


def _own_lights(residual, spread, steady_sd, background, lamps_moved, beside, odd, odd_sd, sku):
    """`explained` of the frames of each product: (6, n); NaN where nothing can be compared."""
    result = np.full((6, len(residual)), np.nan)
    for places in members_of(sku):
        k = places[np.isfinite(residual[places])]
        if len(k) > 1:
            result[:, k] = explained(residual[k], spread[k], steady_sd[k], background[k], lamps_moved[k], beside[:, k], odd[k], odd_sd[k])
    return result


def _painted(background, whole):
    """
    Backgrounds at the very level of most others', (n,) of bool: they were brought to it in retouching, and tell nothing of the light.

    Lamps do not repeat as exactly.
    """
    known = background[whole & np.isfinite(background)]
    level = np.median(known) if len(known) else np.nan
    most = len(known) >= FEWEST_PAINTED and (np.abs(known - level) < PAINTED_EV).mean() > 0.5
    return most & (np.abs(background - level) < PAINTED_EV)


def _burnt_beyond_others(frames, sku):
    """Share of each product that is at the top of the scale beyond the median of its other pictures: (n,); 0 where unknown."""
    share = frames["clipped_high"].to_numpy(float)
    beyond = np.zeros(len(share))
    for places in members_of(sku):
        known = places[np.isfinite(share[places])]
        if len(known) > 1:
            beyond[known] = [share[place] - np.median(share[known[known != place]]) for place in known]
    return beyond


def _under_usual_lamps(residual, lamps_moved, groups):
    """Residuals by which views are compared, (n,): those of frames whose lamps stood as ever, unless these are few, or none of their view."""
    usual = np.where(lamps_moved, np.nan, residual)
    if np.isfinite(usual).sum() < np.isfinite(residual).sum() / 2:
        return residual
    for places in members_of(groups):
        if not np.isfinite(usual[places]).any():
            usual[places] = residual[places]
    return usual


def _bases(frames, sketches, slanting):
    """Of slanting views whether a straight front edge or a round base was seen, (n,) of str: a round body turns no face from the lamps."""
    bases = np.full(len(frames), "", dtype="<U6")
    for place in np.flatnonzero(slanting):
        bases[place] = "edged" if "front_edge" in _sketch(sketches, frames["file"].iloc[place]) else "round"
    return bases


def _of_one_product(usual, sku, groups):
    """Frames of views that one product has alone: (n,) of bool."""
    result = np.zeros(len(usual), bool)
    for places in members_of(groups):
        result[places] = len(np.unique(sku[places][np.isfinite(usual[places])])) < 2
    return result


def _shows_a_product(frames, whole):
    """Whole products seen from outside whose light was measured, and crops of them."""
    crop = frames["view_kind"].eq("crop").to_numpy(bool) & frames["status"].ne("not_measured").to_numpy(bool)
    return (whole & frames["product_ev"].notna().to_numpy(bool) & ~shows_inside(frames)) | crop


def _levels(frames, sketches, whole, backdrop, sku, gains):
    """
    Luminance of each frame against its product's other frames.

    Returns
    -------
    level : (2, n) ndarray
        EV up to a constant of the product; NaN where nothing is comparable. Of `levels_of_views`, both ways.
    extra_sd : (2, n) ndarray
        What is to be added for frames that share little with the others.
    mirrored : (n,) ndarray
        Share of the product's light that its surface mirrors, about.
    """
    level, extra_sd, mirrored = (np.full(shape, np.nan) for shape in ((2, len(frames)), (2, len(frames)), len(frames)))
    plain = np.where(whole, product_levels(frames, sketches), np.nan)
    flat = frames["background_spread"].astype(float).to_numpy() < FLAT_L
    files, crop = frames["file"].to_numpy(str), frames["view_kind"].eq("crop").to_numpy(bool)
    straight = whole & frames["view"].isin(STRAIGHT_ON).to_numpy(bool)
    slanting = whole & ~straight
    products = [places[np.argsort(files[places], kind="stable")] for places in members_of(sku)]
    fills = ~(backdrop | flat)  # a detail without sweep, or without an outline that parts the two, counts as product whole
    blank = np.zeros(len(frames), bool)  # its other views stand on white, so what is white in a detail may be that
    white = frames["background_L"].astype(float).to_numpy() > WHITE_L
    for k in products:
        blank[k] = white[k][whole[k]].any()
    views = [Views(files[k].tolist(), crop[k], fills[k], blank[k], gains[k], plain[k], slanting[k], straight[k]) for k in products]
    for k, (lightness, *told) in zip(products, spread(compared_views, views, sketches), strict=True):
        mirrored[k] = MIRRORED / (MIRRORED + 2.0**lightness)
        level[:, k], extra_sd[:, k] = told
    return level, extra_sd, mirrored


def _steadier(level, extra_sd, sku, groups, slanting):
    """
    The one of two ways to compare slanting views by which they differ less from product to product: level and extra scatter, (n,) each.

    Under several lamps the surfaces are the steadier ones. Under one hard lamp a box shows a lit and a dark face, and which of these is laid over the
    front, nobody knows: then one number of all the product is.
    """
    apart = [level[way] - view_effects(level[way], sku, groups, np.zeros(len(sku))) if np.isfinite(level[way]).any() else level[way] for way in (0, 1)]
    scatter = []
    for residual in apart:
        residual = residual.copy()
        for places in members_of(sku):
            known = residual[places][~slanting[places] & np.isfinite(residual[places])]
            residual[places] -= np.median(known) if len(known) else np.nan
        known = np.abs(residual[slanting & np.isfinite(residual)])
        scatter.append(np.quantile(known, STEADIER_SHARE) if len(known) >= FEWEST_FOR_A_WAY else np.nan)
    way = int(scatter[1] < STEADIER * scatter[0])
    return level[way], extra_sd[way]


def product_levels(frames, sketches):
    """
    log2 luminance of each product, as steady from view to view as one number can be: (n,).

    The mean over the quantiles from 5 % to 95 % moved by 0.09 EV between views
    of rendered bags under one light, the mid-mean by 0.11 and, where a pattern
    has a light and a dark half, by 0.5; so the latter is the second choice.
    """
    level = frames["product_ev"].to_numpy(float).copy()
    for place in np.isfinite(level).nonzero()[0]:
        tones = _sketch(sketches, frames["file"].iloc[place]).get("tones")
        if tones is not None and len(tones):
            level[place] = float(np.mean(tones, dtype=float))
    return level


def _sketch(sketches, file):
    try:
        return sketches[file]
    except KeyError:
        return {}


def _beside(frames, background, sku=None):
    """
    EV of the backgrounds photographed just before and just after each frame: (2, n), medians of `NEIGHBOURS` each.

    NaN where no times or no backgrounds tell. With ``sku`` of other products only, looked for among `FURTHEST` frames.
    """
    beside = np.full((2, len(frames)), np.nan)
    times, files = frames["captured_at"].fillna("").to_numpy(str), frames["file"].to_numpy(str)
    timed = np.flatnonzero(times != "")
    timed = timed[np.lexsort((files[timed], times[timed]))]
    copy = np.r_[False, times[timed][1:] == times[timed][:-1]][: len(timed)]  # a photograph delivered twice tells its moment once
    known = np.isfinite(background[timed]) & ~copy
    if not known.any():
        return beside
    reach = NEIGHBOURS if sku is None else FURTHEST
    places = np.pad(timed[known], reach, constant_values=-1)
    windows = np.lib.stride_tricks.sliding_window_view(places, reach)
    count = np.cumsum(known)  # of known backgrounds up to and with each
    for side, near in enumerate((windows[count - known][:, ::-1], windows[count + reach])):  # the nearest first
        values = np.where(near < 0, np.nan, background[near])
        if sku is not None:
            values[sku[near] == sku[timed][:, None]] = np.nan
            values[np.cumsum(np.isfinite(values), axis=1) > NEIGHBOURS] = np.nan
        beside[side, timed] = median_known(values.T)
    return beside


def _expected(sku, whole, background, told, beside, light_beside, painted):
    """
    What a frame's background, or those of its product's other frames, tell of the light on the product.

    A background that was ``painted`` tells nothing, and the light of the other frames is not put in its place.

    Returns
    -------
    expected, steady_sd : (n,) ndarray
        EV, and by how much a steady light differs from it.
    lamps_moved : (n,) ndarray of bool
        The background is neither the set's nor that of the frames taken before or after it, clipped where the others' is not,
        or unseen where theirs differ: somebody was at the lamps.
    """
    known = np.isfinite(background)
    light, light_sd, touched = told
    off = np.fmin(np.abs(background), np.fmin(*np.abs(background - beside)))
    expected, moved = np.where(known, np.nan_to_num(light), 0.0), known & (off > ELSEWHERE) & (touched > 0.5)
    for places in members_of(sku):
        seen = places[known[places]]
        apart = len(seen) > 1 and np.ptp(expected[seen]) > DIFFER
        for place in places[~known[places] & ~painted[places]]:
            expected[place] = _shared(expected[seen], light_beside[:, place])
            moved[place] = apart or (whole[place] and len(seen) > 0)
    return expected, np.where(known, np.nan_to_num(light_sd), UNSEEN_SD), moved


def _shared(background, beside):
    """
    Deviation that a product's frame shares with its others, by their known backgrounds; 0 where none is known.

    That of all frames taken just before and after it, where these agree; where the product's differ, the one of the two that is
    nearer to theirs; without times, the least.
    """
    if not len(background):
        return 0.0
    middle = float(np.median(background))
    beside = beside[np.isfinite(beside)]
    if len(beside) == 2 and np.ptp(beside) <= ELSEWHERE:
        return float(beside.mean())
    if np.ptp(background) <= DIFFER:
        return middle
    if not len(beside):
        return float(background[np.argmin(np.abs(background))])
    return float(beside[np.argmin(np.abs(beside - middle))])
