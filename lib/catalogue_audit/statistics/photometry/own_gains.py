"""
Gains of red and blue that one picture of a product has beyond the product's other pictures: a correction of that picture alone.

A gain moves all chromaticities of a product by one step on a logarithmic scale (`detail_white`), whatever its colours and however
many. What a slanting view mirrors more or less of the lamps adds white light to them or takes it off, and a tone curve that is flatter
in its lights scales them all, so that a step counts only beyond what either explains.
"""

import numpy as np

from catalogue_audit.measures.applicability import STRAIGHT_ON
from catalogue_audit.statistics.photometry.detail_white import LIKE, MOST_VIEWS, shifted
from catalogue_audit.statistics.photometry.product_colour import shows_inside

REACH = 14  # cells sought to either side: gains from 0.66 to 1.5
MIRRORED, MIRRORED_SLANTING = 0.03, 0.15  # of the green light, by which views that stand alike and otherwise to the lamps differ at most in what they mirror
FRESNEL, MOST_MIRRORED = 0.04, 0.33  # of the lamps' light, by any smooth surface (Fresnel's equations), so more of a dark product's; of what is seen, at most
AMOUNTS = np.linspace(-1.0, 1.0, 41)  # of the most, tried
AGREE_SHARE, AGREE_LEAST, AGREE = 0.25, 0.05, 0.1  # a step counts where two other pictures tell it within so much of it, and at least and most so much (ln)
SURE = 0.05  # ln; steps beyond what mirroring explains, from which there are gains
BURNT = 0.25  # of the product, burnt out: what is left of its chromaticities is that of its shadows


def own_gains(frames, chromaticities_of, whole, gains):
    """
    Gains of each whole product against its other pictures.

    Parameters
    ----------
    frames : DataFrame
        ``file``, ``sku``, ``view``, ``view_kind``, ``status``, ``clipped_high``.
    chromaticities_of : callable
        Of `detail_white.chromaticities`.
    whole : (n,) ndarray of bool
    gains : (n, 2) ndarray
        White-balance gains of red and blue; 1 where unknown.

    Returns
    -------
    (n, 2) ndarray
        1 where a picture is like the others, NaN where no two others tell the same.
    """
    result = np.full((len(frames), 2), np.nan)
    files, sku = frames["file"].to_numpy(str), frames["sku"].fillna("").to_numpy(str)
    crop = frames["view_kind"].eq("crop").to_numpy(bool) & frames["status"].ne("not_measured").to_numpy(bool)
    straight = frames["view"].isin(STRAIGHT_ON).to_numpy(bool) | crop
    burnt = (frames["clipped_high"].astype(float) > BURNT).to_numpy(bool)
    usable = (whole | crop) & (sku != "") & ~burnt & ~shows_inside(frames)
    light = ((frames["product_L"].astype(float).fillna(100.0).to_numpy() + 16) / 116) ** 3
    members = {}
    for place in np.lexsort((files, crop)):  # whole products first
        if usable[place]:
            members.setdefault(sku[place], []).append(place)
    for places in members.values():
        places = places[:MOST_VIEWS]
        if len(places) < 3:
            continue
        seen = [chromaticities_of(k) for k in places]
        steps = _steps(seen, np.log(gains[places]))
        for rank, place in enumerate(places):
            if whole[place] and seen[rank] is not None:
                turned = straight[places] != straight[place]
                slanting = np.clip(FRESNEL / light[place], MIRRORED_SLANTING, MOST_MIRRORED)
                own = _agreed(steps[rank], seen[rank].middle + np.log(gains[place]), turned, np.where(turned, slanting, MIRRORED))
                result[place] = np.exp(own)
    return result


def _steps(seen, lights):
    """Step of each picture's chromaticities against each other's, (k, k, 2) ln; NaN where they are not alike."""
    steps = np.full((len(seen), len(seen), 2), np.nan)
    for one, first in enumerate(seen):
        for other in range(one + 1, len(seen)):
            if first is None or seen[other] is None:
                continue
            step, overlap = shifted(first, seen[other], REACH)
            if overlap >= LIKE:
                steps[one, other] = step + lights[one] - lights[other]
                steps[other, one] = -steps[one, other]
    return steps


def _agreed(steps, surface, turned, most):
    """
    What a picture has beyond most others, (2,) ln, mirrored light taken off; NaN where no other picture bears out the one that decides.

    The lower median by size: of three pictures that differ, one is blamed alone. ``most`` is the share of the green light, (k,),
    that is mirrored more or less than in each other picture at most.
    """
    ways = _beyond_mirrored(steps, surface, most), _beyond_a_curve(steps, surface, np.where(turned, MIRRORED_SLANTING, MIRRORED))
    sizes = [np.linalg.norm(np.nan_to_num(way, nan=np.inf), axis=1) for way in ways]
    own = np.where((sizes[0] <= sizes[1])[:, None], *ways)
    order = np.argsort(np.linalg.norm(own, axis=1), kind="stable")  # unknown ones last
    known = int(np.isfinite(own[:, 0]).sum())
    if known < 2:
        return np.full(2, np.nan)
    decides = order[(known - 1) // 2]
    near = np.clip(AGREE_SHARE * np.linalg.norm(own[decides]), AGREE_LEAST, AGREE)
    agreeing = np.linalg.norm(steps - steps[decides], axis=1) <= near  # itself among them
    if agreeing.sum() < 2:
        return np.full(2, np.nan)
    alike = agreeing & ~turned
    if np.linalg.norm(own[decides]) < SURE or not alike.any():
        return own[decides]
    return np.median(steps[alike], axis=0)  # there are gains, so what points to neutral is theirs too


def _beyond_mirrored(steps, surface, most):
    """
    What of steps (k, 2) is left by the amount of white light, mirrored more or less, that explains each best.

    Examples
    --------
    >>> seen, plain = np.log([1.9, 0.5]), np.log([2.0, 0.4444444])  # a tenth of the green light is mirrored
    >>> bool(np.abs(_beyond_mirrored((seen - plain)[None], seen, np.array([0.15]))).max() < 0.01)
    True
    """
    white = most[:, None] * AMOUNTS
    ratio = np.maximum(np.exp(surface) - white[..., None], 1e-3) / (1 - white)[..., None]
    off = steps[:, None] - (surface - np.log(ratio))
    best = np.argmin(np.nan_to_num(np.linalg.norm(off, axis=2), nan=np.inf), axis=1)
    return np.take_along_axis(off, best[:, None, None], axis=1)[:, 0]


def _beyond_a_curve(steps, surface, most):
    """What of steps (k, 2) is left if a tone curve scales the way from neutral by a share (k,) at most."""
    size = float(np.linalg.norm(surface))
    toward = surface / size if size > 0 else np.zeros(2)
    return steps - np.clip(steps @ toward, -most * size, most * size)[:, None] * toward
