"""
What the backgrounds of a delivery tell of the light on its products, and how surely.

A background follows the light and two other things: where the camera stood, since a sweep has its own fall-off, and how near
it came. A view taken from higher up looks at another part of the sweep in every product, so what most products of a view have
more is the view's; what a background scatters by beyond that is either light that varied or the sweep's geometry. Light from
flashes and steady lamps repeats to a few hundredths of a stop, and where it did not, the products show it too.
"""

import numpy as np

from catalogue_audit.statistics.photometry.view_effects import members_of, view_effects

LAMPS_SD = 0.018  # EV; natural difference between background and product lamps from frame to frame
USUAL_SD, LEAST_SD = 0.018, 0.01  # EV; by which backgrounds usually scatter, and at least
PRODUCT_SD = 0.04  # EV; the same of what a product's backgrounds have in common, by how near it stands (common practice, no source)
NEARER, NEARER_SD = 0.01, 0.08  # share of the products that stand so much nearer, or farther, that all their backgrounds differ by so much (EV): no light
DETAIL_SD = 0.06  # EV; the same of details (common practice, no source)
REPEATS_SD = 0.02  # EV; by which flashes and steady lamps repeat (common practice, no source)
RUN, IN_A_RUN = 0.05, 0.2  # EV within which a frame has the background of those before or after it; share of such that were lit otherwise
SURELY = 0.99  # how likely a view was lit otherwise than the product's others, for the rest to be in doubt
PLACE_SD = 0.08  # EV; by which the sweep behind one view differs from that behind the others (common practice, no source)
DRIFT_EV = 0.03  # by which the light of a view may differ as well: what is shot view by view, or by few products
VIEW_TOUCHED, TOUCHED_SD = 0.03, 0.3  # share of the views, and frames, that were lit otherwise, by so much (EV)
FEWEST_OF_A_VIEW = 4  # products from which a view has a usual background
FEWEST_FOR_SCATTER = 6  # backgrounds that tell how much they scatter
EM_ROUNDS = 30
NEAR = 0.2  # EV; pairs further apart were lit otherwise
SLOPE_SD = 0.3  # by which the share of light in the scatter of backgrounds is known beforehand


def of_the_place(background, sku, groups, members):
    """
    What each view's background has more by where it stands before the sweep, beyond what light drifts by, (n,) EV; 0 where too few tell.

    Parameters
    ----------
    background : (n,) ndarray
        EV against the set's; NaN where unknown.
    sku, groups : (n,) ndarray of str
        Products and views.
    members : (n,) ndarray of bool
        Frames that make the reference, as whole products do.
    """
    place = np.zeros(len(background))
    for frames in members_of(groups):
        known = frames[np.isfinite(background[frames])]
        if len(np.unique(sku[known])) < FEWEST_OF_A_VIEW or not members[known].any():
            continue
        usual = float(np.median(background[known]))
        usual = np.sign(usual) * max(abs(usual) - DRIFT_EV, 0.0)
        place[frames] = usual * _likely(usual, PLACE_SD, 1 - VIEW_TOUCHED, TOUCHED_SD, VIEW_TOUCHED)
    return place


def of_the_product(background, background_sd, sku, members):
    """
    What the backgrounds of a product have in common, and its standard uncertainty, (n,) EV each; of two, the lesser; 0 where one is alone.

    A product that stands nearer, and a camera that was raised for it, show as much in all of its views.
    """
    common, common_sd = np.where(np.isfinite(background), 0.0, np.nan), np.zeros(len(background))
    for places in members_of(sku):
        known = places[np.isfinite(background[places])]
        whole = known[members[known]]
        if len(whole) > 1:
            values = np.sort(background[whole])
            common[known] = np.median(values) if len(whole) > 2 else np.clip(0.0, values[0], values[1])
            common_sd[known] = np.median(background_sd[whole])
    return common, common_sd


def _likely(value, first_sd, first, second_sd, second):
    """How likely a value comes from the first of two normal distributions about 0, with these shares."""
    second_sd = np.hypot(first_sd, second_sd)
    one = first / first_sd * np.exp(-0.5 * np.square(value / first_sd))
    other = second / second_sd * np.exp(-0.5 * np.square(value / second_sd))
    return one / (one + other)


def scatters(background, level, sku, members, usual=USUAL_SD):
    """
    By how much light varies from frame to frame, and by how much backgrounds vary beyond it: two numbers of EV.

    Parameters
    ----------
    background, level : (n,) ndarray
        EV of the backgrounds and of the products (up to a constant of each), what is usual of their view taken off.
    sku : (n,) ndarray of str
    members : (n,) ndarray of bool
        Frames that count, as those of whole products.
    usual : float
        EV; what backgrounds scatter by where few tell.
    """
    known = members & np.isfinite(background)
    total = _steady_sd(background[known], usual)
    share = _share_of_light(background, level, sku, known, total)
    return float(np.sqrt(share)) * total, max(float(np.sqrt(1 - share)) * total, LEAST_SD)


def scatter_of_details(background, light_sd, sweep_sd, groups, whole):
    """By how much each frame's background varies beyond the light, (n,) EV: details' by their own, which are photographed from nearer."""
    result = np.full(len(background), sweep_sd)
    for frames in members_of(groups):
        own = frames[np.isfinite(background[frames]) & ~whole[frames]]
        if len(own):
            found = _steady_sd(background[own], max(sweep_sd, DETAIL_SD))
            result[own] = max(sweep_sd, np.sqrt(max(found**2 - light_sd**2, 0.0)))
    return result


def _steady_sd(values, usual):
    """
    Scatter about 0 of the values that no touched lamp moved, with what is usual in their place as far as they are few.

    The likeliest of a normal distribution contaminated by a wide one, as in `view_effects`, whose share is told as well: a step of light
    moves a third of a delivery.
    """
    if not len(values):
        return usual
    square, share = np.square(values), 1 - VIEW_TOUCHED
    variance = max(float(np.median(square)) / 0.4549, usual**2)  # the median of chi-square with one degree of freedom
    for _ in range(EM_ROUNDS):
        steady = _likely(values, np.sqrt(variance), share, TOUCHED_SD, 1 - share)
        share = (steady.sum() + FEWEST_FOR_SCATTER) / (len(values) + FEWEST_FOR_SCATTER + 1)
        variance = ((steady * square).sum() + FEWEST_FOR_SCATTER * usual**2) / (steady.sum() + FEWEST_FOR_SCATTER)
    return float(np.sqrt(variance))


def _share_of_light(background, level, sku, known, total):
    """
    Share of light in the variance of backgrounds: how far products follow them.

    Within a product, levels differ by light and backgrounds by light and place, so that the slope of the first on the second
    is the share; what light usually repeats to is the share beforehand.
    """
    usual = min(1.0, (REPEATS_SD / max(total, REPEATS_SD)) ** 2)
    apart, follows = [], []
    for places in members_of(sku):
        k = places[known[places] & np.isfinite(level[places])]
        if len(k) > 1:
            one, other = np.triu_indices(len(k), 1)
            apart.append((background[k][one] - background[k][other]) / len(k))
            follows.append((level[k][one] - level[k][other]) / len(k))
    if not apart:
        return usual
    apart, follows = np.concatenate(apart), np.concatenate(follows)
    near = (np.abs(apart) < NEAR) & (np.abs(follows) < NEAR)
    if not near.any():
        return usual
    noise = max(float(np.median(np.abs(follows[near]))) * 1.4826, 0.005)
    weight = np.square(apart[near]).sum() / noise**2
    slope = (apart[near] * follows[near]).sum() / noise**2
    return float(np.clip((usual / SLOPE_SD**2 + slope) / (1 / SLOPE_SD**2 + weight), 0.0, 1.0))


def light_behind(background, background_sd, light_sd, sweep_sd, touched, nearer=0.0):
    """
    Light of each frame by its background alone, which moved with it: mean and standard deviation, (n,) each.

    Parameters
    ----------
    background, background_sd : (n,) ndarray
        EV beyond what is its view's; NaN where unknown.
    light_sd : float
    sweep_sd : (n,) ndarray
    touched : (n,) ndarray
        How likely the lamps were touched, beforehand.
    nearer : float
        How likely a background is off by `NEARER_SD`, and the light is not.
    """
    own = np.hypot(sweep_sd, background_sd)
    lights = np.array([light_sd, TOUCHED_SD, light_sd])[:, None] ** 2  # steady, touched, and steady before another part of the sweep
    places = np.array([own, own, np.hypot(own, NEARER_SD)]) ** 2
    variances = lights + places
    share = np.array(np.broadcast_arrays((1 - touched) * (1 - nearer), touched, (1 - touched) * nearer))
    share = share * np.exp(-0.5 * background**2 / variances) / np.sqrt(variances)
    share = share / share.sum(axis=0)
    gains = lights / variances
    gain = (share * gains).sum(axis=0)
    variance = (share * (gains * places + np.square((gains - gain) * background))).sum(axis=0)
    return gain * background, np.sqrt(variance), share[1]


def _in_a_run(background, beside):
    """How likely a frame was lit otherwise, (n,): likelier where those before or after have its background, as a run has that was."""
    return np.where(np.fmin(*np.abs(background - beside)) < RUN, IN_A_RUN, VIEW_TOUCHED)


def _lamps_moved_meanwhile(touched, sku, whole):
    """Whether a view of the product surely was lit otherwise than its others, (n,) of bool: where light changed once, it may have before and after."""
    moved = np.zeros(len(sku), bool)
    for places in members_of(sku):
        moved[places] = (touched[places][whole[places]] > SURELY).any()  # NaN is none
    return moved


def light_of_backgrounds(behind, background_sd, level, sku, groups, whole, beside, beside_products):
    """
    What each frame's background tells of the light on its product.

    Parameters
    ----------
    behind, background_sd : (n,) ndarray
        EV of the backgrounds beyond what is their view's (`of_the_place`); NaN where unknown.
    level : (n,) ndarray
        EV of the products, up to a constant of each.
    sku, groups : (n,) ndarray of str
        Products and views.
    whole : (n,) ndarray of bool
        Frames that show a whole product.
    beside, beside_products : (2, n) ndarray
        EV of the backgrounds photographed just before and after each frame, and of those of other products; NaN where unknown.

    Returns
    -------
    light, sd, touched : (n,) ndarray
        EV, its standard deviation, and how likely somebody was at the lamps.
    """
    plain = np.where(np.isfinite(behind), level, np.nan)
    effects = view_effects(plain, sku, groups, np.zeros(len(plain))) if np.isfinite(plain).any() else plain
    shared, shared_sd = of_the_product(behind, background_sd, sku, whole)
    first = np.zeros(len(sku), bool)
    for places in members_of(sku):
        first[places[(whole & np.isfinite(shared))[places]][:1]] = True
    _, between_sd = scatters(shared, np.full(len(shared), np.nan), sku, first, PRODUCT_SD)
    light_sd, sweep_sd = scatters(behind - shared, plain - effects, sku, whole)
    sweep_sd = scatter_of_details(behind - shared, light_sd, sweep_sd, groups, whole)
    own, own_sd, touched = light_behind(behind - shared, background_sd, light_sd, sweep_sd, _in_a_run(behind, beside))
    all_lit_otherwise = np.where(_lamps_moved_meanwhile(touched, sku, whole), IN_A_RUN, _in_a_run(shared, beside_products))
    common, common_sd, all_touched = light_behind(shared, shared_sd, REPEATS_SD, between_sd, all_lit_otherwise, NEARER)
    return common + own, np.sqrt(common_sd**2 + own_sd**2 + LAMPS_SD**2), np.maximum(touched, all_touched)
