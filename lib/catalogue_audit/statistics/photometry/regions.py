"""The background's level against the set's, region by region of the border."""

import numpy as np

CLIPPED_L = 99.3  # CIELAB, sRGB 253: noise of two code values takes 0.005 EV off a mean there, and much more above
FEWEST_REGIONS = 3
SIDES = 4  # of a frame; the regions of one side differ from the set's alike, as a sweep's fall-off moves through all of them
MOSTLY = 0.5  # of the whole products' backgrounds have to be known: the few grey ones of a set on pure white are no reference
FEWEST_OF_A_BACKDROP, SECOND_BACKDROP = 3, 0.25  # whole products, and share of them, from which a set has two sweeps


def region_deviations(frames, sketches, whole, backdrop, picture=None, given=None):
    """
    EV of each frame's background against the set's reference.

    Each border region is compared with the same region of the reference, so
    that neither a gradient nor the place of the product matters; the frame's
    deviation is the median over its regions.

    Parameters
    ----------
    frames : DataFrame
    sketches : mapping of str to dict
        ``backdrop`` is read.
    whole : (n,) ndarray of bool
        Frames that make the reference.
    backdrop : (n,) ndarray of bool
        Frames whose background is the set's.
    picture : int, optional
        Position of the frame that is the reference.
    given : float, optional
        log2 luminance of the reference.

    Returns
    -------
    ev, sd : (n,) ndarray
        NaN where the background is clipped, cut out or unknown, and in a set in which most are: the few that are not
        say nothing of the set's.
    at_least : (n,) ndarray
        EV that a clipped background is brighter at least, by what the reference lacks to the top of the scale; NaN elsewhere.
    """
    levels = _levels(frames, sketches)
    count = len(levels)
    cut_out = frames["backdrop"].eq("cut_out").fillna(False).to_numpy(bool)
    levels[cut_out | ~backdrop] = np.nan
    known = (np.isfinite(levels).sum(axis=1) >= FEWEST_REGIONS)[whole if whole.any() else slice(None)]
    mostly_known = given is not None or (known.size > 0 and known.mean() >= MOSTLY)
    kinds = _backdrops(frames, whole)
    ev, sd = np.full(count, np.nan), np.full(count, np.nan)
    for kind in np.unique(kinds[kinds != ""]):
        group = kinds == kind
        members = group & whole if (group & whole).any() else group
        if picture is not None and group[picture]:
            members = np.arange(count) == picture
        reference = np.full(levels.shape[1], float(given)) if given is not None else median_known(levels[members])
        off = levels[group] - reference
        enough = np.isfinite(off).sum(axis=1) >= FEWEST_REGIONS
        enough &= mostly_known
        middle = np.where(enough, median_known(off.T), np.nan)
        spread = median_known(np.abs(off - middle[:, None]).T)
        ev[group] = middle
        sd[group] = 1.25 * 1.4826 * spread / np.sqrt(np.clip(np.isfinite(off).sum(axis=1), 1, SIDES))
    return ev, np.maximum(sd, 0.005)


def _backdrops(frames, whole):
    """
    Which backdrop each frame was taken before, (n,) of str.

    White and grey are one sweep under more or less light, unless the set has
    a fair number of both.
    """
    kinds = frames["backdrop"].fillna("").to_numpy(str)
    counts = [int((whole & (kinds == kind)).sum()) for kind in ("white", "grey")]
    if min(counts) >= max(FEWEST_OF_A_BACKDROP, SECOND_BACKDROP * sum(counts)):
        return kinds
    return np.where(np.isin(kinds, ("white", "grey")), "neutral", kinds)


def _levels(frames, sketches):
    """log2 luminance of the 16 border regions, (n, 16); NaN where covered or clipped."""
    levels = np.full((len(frames), 16), np.nan)
    for place, file in enumerate(frames["file"]):
        lab = _sketch(sketches, file).get("backdrop")
        if lab is None or len(lab) != 16:
            continue
        lightness = np.asarray(lab, float)[:, 0]
        lightness = np.where(lightness < CLIPPED_L, lightness, np.nan)
        levels[place] = np.log2(np.maximum((lightness + 16) / 116, 0.15) ** 3)
    return levels


def _sketch(sketches, file):
    try:
        return sketches[file]
    except KeyError:
        return {}


def median_known(values):
    """Median along the first axis, NaN left out; NaN where nothing is known."""
    values = np.sort(values, axis=0)  # NaN last
    known = np.isfinite(values).sum(axis=0)
    if not values.shape[0]:
        return np.full(values.shape[1], np.nan)
    low = np.take_along_axis(values, np.maximum((known - 1) // 2, 0)[None], axis=0)[0]
    high = np.take_along_axis(values, np.minimum(known // 2, values.shape[0] - 1)[None], axis=0)[0]
    return np.where(known > 0, (low + high) / 2, np.nan)
