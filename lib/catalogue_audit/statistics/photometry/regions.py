"""The background's level against the set's, region by region of the border."""

import numpy as np

from catalogue_audit.pixels.colour import ciede2000

CLIPPED_L = 99.3  # CIELAB, sRGB 253: noise of two code values takes 0.005 EV off a mean there, and much more above
CLIPPED_LEVEL = ((CLIPPED_L + 16) / 116) ** 3  # linear light
FEWEST_REGIONS = 3
SIDES = 4  # of a frame; the regions of one side differ from the set's alike, as a sweep's fall-off moves through all of them
TWO_PARTS, FEWEST_MIXED = 0.3, 3  # EV between regions of one frame, in so many frames: its border shows two parts of the set
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
    levels, clipped = _levels(frames, sketches)
    count = len(levels)
    cut_out = frames["backdrop"].eq("cut_out").fillna(False).to_numpy(bool)
    levels[cut_out | ~backdrop] = np.nan
    clipped[cut_out | ~backdrop] = False
    known = (np.isfinite(levels).sum(axis=1) >= FEWEST_REGIONS)[whole if whole.any() else slice(None)]
    mostly_known = given is not None or (known.size > 0 and known.mean() >= MOSTLY)
    kinds = _backdrops(frames, whole)
    ev, sd = np.full(count, np.nan), np.full(count, np.nan)
    for kind in np.unique(kinds[kinds != ""]):
        group = kinds == kind
        members = group & whole if (group & whole).any() else group
        if picture is not None and group[picture]:
            members = np.arange(count) == picture
        reference = np.full(levels.shape[1], float(given)) if given is not None else _usual(levels[members], clipped[members])
        off = levels[group] - reference
        off[:, _of_another_part(off)] = np.nan
        enough = np.isfinite(off).sum(axis=1) >= FEWEST_REGIONS
        enough &= mostly_known
        middle = np.where(enough, median_known(off.T), np.nan)
        spread = median_known(np.abs(off - middle[:, None]).T)
        ev[group] = middle
        sd[group] = 1.25 * 1.4826 * spread / np.sqrt(np.clip(np.isfinite(off).sum(axis=1), 1, SIDES))
    return ev, np.maximum(sd, 0.005)


def colour_off_by_regions(frames, sketches):
    """
    CIEDE2000 of each frame's background from the set's, as the median of its border regions sees it, (n,); NaN where unknown.

    A background of two colours, a table before a wall, has another mean colour where more of the table is seen; the wall is as ever.
    Regions that show another part of the set in several frames do not count.

    Parameters
    ----------
    frames : DataFrame
        Of whole products before one backdrop.
    sketches : mapping of str to dict
    """
    lab = np.full((len(frames), 16, 3), np.nan)
    for place, file in enumerate(frames["file"]):
        found = _sketch(sketches, file).get("backdrop")
        if found is not None and len(found) == 16:
            lab[place] = found
    levels, _ = _levels(frames, sketches)
    lab[~np.isfinite(levels)] = np.nan
    if not len(frames):
        return np.empty(0)
    lab[:, _of_another_part(levels - median_known(levels))] = np.nan
    usual = median_known(lab.reshape(len(lab), -1)).reshape(16, 3)
    chroma = median_known(np.moveaxis(lab - usual, 1, 0))[:, 1:]
    middle = median_known(usual)
    return ciede2000(np.column_stack([np.full(len(lab), middle[0]), middle[1:] + chroma]), middle[None])


def _of_another_part(off):
    """
    Regions that show another part of the set in several frames, as a table that comes into view below a wall: (16,) of bool.

    In such frames some regions are as ever and some are far off, where a lamp moves all; with too few others left, all count.

    Parameters
    ----------
    off : (n, 16) ndarray
        EV against the reference; NaN where unknown.
    """
    known = np.isfinite(off)
    high, low = _ends(off)
    mixed = off[high - low > TWO_PARTS]
    differ = (np.abs(mixed) > TWO_PARTS / 2).sum(axis=0)
    other = (differ >= FEWEST_MIXED) & (differ > np.isfinite(mixed).sum(axis=0) / 2)
    return other if (~other & known.any(axis=0)).sum() >= FEWEST_REGIONS else np.zeros(off.shape[1], bool)


def _ends(off):
    """Largest and smallest of each row, NaN left out; 0 and 0 of an empty one: (n,) each."""
    known = np.isfinite(off)
    empty = ~known.any(axis=1)
    high, low = np.where(known, off, -np.inf).max(axis=1, initial=-np.inf), np.where(known, off, np.inf).min(axis=1, initial=np.inf)
    return np.where(empty, 0.0, high), np.where(empty, 0.0, low)


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


def _usual(levels, clipped):
    """Median of each region, (16,); NaN where it is at the top of the scale: the few that are not are the darker ones, and no reference."""
    usual = median_known(np.where(clipped, 0.0, levels))  # log2 of the top of the scale
    return np.where(usual < np.log2(CLIPPED_LEVEL), usual, np.nan)


def _levels(frames, sketches):
    """log2 luminance of the 16 border regions, (n, 16), NaN where covered or clipped; and where they are clipped."""
    levels, clipped = np.full((len(frames), 16), np.nan), np.zeros((len(frames), 16), bool)
    for place, file in enumerate(frames["file"]):
        lab = _sketch(sketches, file).get("backdrop")
        if lab is None or len(lab) != 16:
            continue
        lightness = np.asarray(lab, float)[:, 0]
        clipped[place] = lightness >= CLIPPED_L
        lightness = np.where(clipped[place], np.nan, lightness)
        levels[place] = np.log2(np.maximum((lightness + 16) / 116, 0.15) ** 3)
    return levels, clipped


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
