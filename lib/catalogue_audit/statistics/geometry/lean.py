"""
Lean to and from the camera, by the other pictures of one shape: front and back of a product, and its colourways.

They show one shape, mirrored in the back view, and the camera looks down on all alike. What tilts a product tilts
all of this: seen leaning towards the camera, its sides spread towards the top, its upper edge and its rear handle,
which are farther away than its base, come higher (leaning away, lower). What the shape does to them is the same in
all and drops out of their differences. Of two pictures the handles of each alone tell which one leans; of three and
more the odd one does. A camera that stands higher turns the picture just as a lean does: what is seen is the sum of the two, the
tilt, and only its size says which of them is likelier.
"""

import itertools
import math

import numpy as np
import pandas as pd

from catalogue_audit.statistics.geometry.handles import (
    APART,
    APART_SD,
    LOOKS_DEG,
    TILT_SD,
    handles_apart,
    looks_by_others,
)
from catalogue_audit.statistics.geometry.heights import FAULT as HIGH
from catalogue_audit.statistics.geometry.heights import FAULT_DEG as HIGH_DEG
from catalogue_audit.statistics.geometry.heights import HEIGHTS_DEG, UNKNOWN, USUAL, height_weights
from catalogue_audit.statistics.geometry.lean_contacts import DEPTH, contact_likelihood, feet_scatter
from catalogue_audit.statistics.geometry.lean_levels import told_by_others
from catalogue_audit.statistics.geometry.lean_traces import (
    CROWNS_APART,
    CROWNS_UPRIGHT,
    FEWEST_OTHERS,
    USUAL_LEAN_DEG,
    Traces,
    difference,
    from_others,
    handle_weights,
    records,
)

LEANS_DEG = np.arange(-14.0, 14.01, 0.5)
FLAT = np.ones(len(LEANS_DEG))
APART_ROW = np.add.outer(np.arange(len(LEANS_DEG)), np.arange(len(HEIGHTS_DEG))[::-1])  # of each tilt less each height among `APART_DEG`
APART_DEG = LEANS_DEG[0] - HEIGHTS_DEG[-1] + 0.5 * np.arange(APART_ROW.max() + 1)
FAULT, FAULT_LEAN_DEG = 0.05, 5.0  # share and size of those that lean; of falling over, common practice, no source
SHARED_SD_DEG = 0.7  # what front and back lean alike, which their difference does not show
SHARED_BY_ALL_SD_DEG = 0.5  # the same of three pictures and more
UNSURE_LEAN_DEG = 3.0  # a lean known no better says nothing
SHOWN_DEG, SHOWN = 6.0, 0.3  # a tilt that is plain to see, and how likely it may still be beside the likeliest one where it would have shown
FALLEN_DEG = 13.0  # what leans so far has fallen over: then a measure has failed, and how far off it is cannot be told
UNCERTAINTIES = 3.0  # of a tilt that is certain
HANDLE_FAULT, HANDLE_FAR = 0.08, 0.06  # share of handles that are not level, and by how much of the product's height


def leans(frames, sketches, stands, corners=None):
    """
    Tilt, lean and camera height of straight-on pictures beside others.

    Parameters
    ----------
    frames : DataFrame
    sketches : mapping of str to dict
        Uses ``outline``, ``mask`` and ``preview``.
    stands : DataFrame
        As `statistics.geometry.handles.handle_stands` gives it.
    corners : DataFrame, optional
        As `statistics.geometry.heights.height_weights` takes it.

    Returns
    -------
    DataFrame
        Index as `frames`: ``tilt_deg`` (+ top towards the camera, or the camera higher), ``tilt_sd_deg``, which covers
        that the other of two may be the one that is tilted; ``lean_deg`` and ``lean_sd_deg``, what of it is lean;
        ``height_deg`` and ``height_sd_deg``, by how much more than usual the camera looks down, where a ground shows it.
        NaN where they leave it open by more than `UNSURE_LEAN_DEG`, and where nothing would have shown a lean (`_tells`): what is
        usual is no measure. In finals, whose verticals may have been straightened, the taper of the
        sides says nothing; height and handles still do.
    """
    grounds = height_weights(frames, sketches, stands, corners)
    found = {}
    for place, level, off_level, shared in _weighed(frames, sketches, stands, grounds):
        weights = level + off_level
        tilt, sd = _middle_and_sd(LEANS_DEG, weights.sum(axis=1))
        sd = math.hypot(sd, shared)
        told = abs(tilt) < FALLEN_DEG and (abs(tilt) > UNCERTAINTIES * sd or _tells(weights, grounds.get(place, UNKNOWN), tilt))
        if told and sd < UNSURE_LEAN_DEG and sd < found.get(place, (0.0, math.inf))[1]:
            lean, lean_sd = _middle_and_sd(APART_DEG, np.bincount(APART_ROW.ravel(), weights.ravel()))
            found[place] = tilt, sd, lean, math.hypot(lean_sd, shared), *_middle_and_sd(HEIGHTS_DEG, weights.sum(axis=0))
    cornered = set() if corners is None else set(corners.index[corners.notna().all(axis=1)])
    heights = {place: _height(ground.weights(), place in cornered) for place, ground in grounds.items()}
    names = [f"{name}{end}_deg" for name in ("tilt", "lean", "height") for end in ("", "_sd")]
    result = pd.DataFrame.from_dict(found, orient="index", columns=names, dtype=float).reindex(frames.index)
    alone = pd.DataFrame.from_dict(heights, orient="index", columns=names[4:], dtype=float).reindex(frames.index)
    shown, sure = alone["height_deg"].notna(), result["height_deg"].abs() > UNCERTAINTIES * result["height_sd_deg"]
    sure &= result.index.isin(list(grounds))
    surer = shown & ~(result["height_sd_deg"] < alone["height_sd_deg"])  # what a tilt shows of the height helps where the ground leaves it open, and blurs what it tells
    result[names[4:]] = result[names[4:]].where(shown | sure).mask(surer, alone)
    unsure = [(name, result[f"{name}_sd_deg"] > UNSURE_LEAN_DEG) for name in ("lean", "height")]
    return result.assign(**{f"{name}{end}_deg": result[f"{name}{end}_deg"].mask(far) for name, far in unsure for end in ("", "_sd")})


def _tells(weights, ground, tilt):
    """Whether what was seen tells a tilt, as `_speaks_for` has it."""
    return _speaks_for(tilt, LEANS_DEG, weights.sum(axis=1) / _usual(ground).sum(axis=1))


def _height(weights, with_corner):
    """
    Height of the camera by the weight of each, and its standard uncertainty; NaN where it is not sure, and what was seen does not tell it.

    A corner is a measure of it, so that what both leave open is an unsure height and none that the corner alone may tell.
    """
    height, sd = _middle_and_sd(HEIGHTS_DEG, weights)
    return (height, sd) if with_corner or abs(height) > UNCERTAINTIES * sd or _speaks_for(height, HEIGHTS_DEG, weights / USUAL) else (math.nan, math.nan)


def _speaks_for(told, values, seen):
    """
    Whether what was seen, without what is usual, speaks for the value told, and against those `SHOWN_DEG` to either side of it.

    What lies between what is usual and what was seen is neither.
    """
    lower, here, higher = np.interp([told - SHOWN_DEG, told, told + SHOWN_DEG], values, seen)
    return max(lower, higher) < SHOWN * here and here > SHOWN * float(seen.max())


def rather_a_lean(tilt_deg, height_deg=math.nan, apart_sd_deg=0.0):
    """
    Whether a tilt that is a fault is rather the product's than the camera's, by its size and, where a ground tells it, by the camera's height.

    Parameters
    ----------
    tilt_deg : float
    height_deg : float, optional
        By how much more than usual the camera looks down; NaN where nothing tells it.
    apart_sd_deg : float
        Standard uncertainty of the difference of both.

    Examples
    --------
    >>> rather_a_lean(3.0), rather_a_lean(-5.0)
    (False, True)

    A camera at its usual height did not tilt the picture, and one as much off as the tilt did:

    >>> rather_a_lean(3.7, 0.1, 1.2), rather_a_lean(-5.0, -4.6, 1.0)
    (True, False)
    """
    leaning, high = (share * _normal(tilt_deg, size) for share, size in ((FAULT, FAULT_LEAN_DEG), (HIGH, HIGH_DEG)))
    if math.isfinite(height_deg):
        leaning, high = leaning * _normal(height_deg, apart_sd_deg), high * _normal(tilt_deg - height_deg, apart_sd_deg)
    return bool(leaning > high)


def _usual(ground, but=None, upright_sd_deg=USUAL_LEAN_DEG):
    """Weight of each of `LEANS_DEG` and `HEIGHTS_DEG` together, (n, m), by what is usual and what the ground tells, but for one partner's part."""
    lean = LEANS_DEG[:, None] - HEIGHTS_DEG
    leaning = (1 - FAULT) * _normal(lean, upright_sd_deg) + FAULT * _normal(lean, FAULT_LEAN_DEG)
    return leaning * ground.weights(but)


def handles_off_level(frames, sketches, stands, places=None):
    """
    How likely it is that a pair of handles is out of level, rather than that the product leans.

    Parameters
    ----------
    frames, sketches, stands
        As `leans` takes them.
    places : collection, optional
        Of which frames alone it is asked, beside all the others.

    Returns
    -------
    Series of float
        Index as `frames`: probability by all that tells of the tilts, of other pictures of the shape where there are
        any, the least of several; NaN where a straight-on picture shows no two handles.
    """
    found = {}
    grounds = height_weights(frames, sketches, stands)
    asked = set(frames.index if places is None else places)
    for place, level, off_level, _ in _weighed(frames, sketches, stands, grounds, asked):
        if off_level.any():
            found[place] = min(float(off_level.sum() / (level + off_level).sum()), found.get(place, 1.0))
    looks = looks_by_others(frames, stands)
    for place, stand in _rows(frames, stands).items():
        alone = place in asked and place not in found  # then what a lean explains at best
        mine = _by_handles(stand, looks.get(place), CROWNS_UPRIGHT) if alone else None
        if mine is not None:
            level, off = (float(_usual(grounds.get(place, UNKNOWN)).sum(axis=1) @ like) for like in mine)
            found[place] = off / (level + off)
    return pd.Series(found, dtype=float).reindex(frames.index)


def _rows(frames, stands):
    """Place to `handle_stands`' row with what else is asked of the frame."""
    return dict(zip(frames.index, stands.assign(view=frames["view"]).to_dict("records"), strict=True))


def _weighed(frames, sketches, stands, grounds, asked=None):
    """Place, (n, m) weight of each of `LEANS_DEG` of tilt and `HEIGHTS_DEG`, handles level and off level, and what all share, degrees; of places asked for."""
    looks, rows = looks_by_others(frames, stands), _rows(frames, stands)
    handles = {place: _by_handles(row, looks.get(place)) for place, row in rows.items()}
    sines = np.sin(np.radians(LEANS_DEG))
    traces = Traces.of(frames, sketches, stands)
    contacts = _contacts(traces, grounds)
    asked = set(frames.index) if asked is None else asked
    by_others = _by_others(traces, grounds, handles, contacts, asked)
    for place, seen in from_others(traces):
        if place not in asked:
            continue
        level, off = handle_weights(seen, sines[:, None], np.zeros((1, 1)), _levels(handles[place]), _levels(None, 1))
        usual = _usual(grounds.get(place, UNKNOWN), None, traces.upright_sd_deg) * by_others.get(place, FLAT)[:, None]
        yield place, usual * level, usual * off, SHARED_BY_ALL_SD_DEG
    traced = records(traces)
    for one, other in traces.pairs():
        for a, b in ((a, b) for a, b in itertools.permutations((one, other)) if a in asked):
            told = handle_weights(difference(traces, traced[a], traced[b]), sines[:, None], sines[None], *(_levels(handles[place]) for place in (a, b)))
            beside = _contact(contacts, (a, b))
            told = tuple(part * beside for part in told)
            mine, its = (_usual(grounds.get(place, UNKNOWN), other, traces.upright_sd_deg) for place, other in ((a, b), (b, a)))
            its = its @ grounds.get(b, UNKNOWN).beside(a)
            yield a, mine * (told[0] @ its), mine * (told[1] @ its), SHARED_SD_DEG


def _contacts(traces, grounds):
    """Two pictures of a shape to how much lower the ground lies at the feet of one, how well that repeats in the delivery, and the depth: what `_contact` takes."""
    lower = {
        (place, other): off
        for place in traces.table.index
        for other, off in grounds.get(place, UNKNOWN).lower.items()
        if other in traces.table.index and traces.table["shape"][place] == traces.table["shape"][other]
    }
    sd = feet_scatter([off for (one, other), off in lower.items() if one < other])
    depths = traces.sizes["depth"].fillna(DEPTH).to_dict()
    return {two: (off, sd, depths[two[0]]) for two, off in lower.items()}


def _contact(contacts, two):
    """Likelihood of each pair of `LEANS_DEG` by the ground at the feet of two pictures, 26 kB, made where it is asked for; 1 where they were not compared."""
    if two not in contacts:
        return 1.0
    lower, sd, depth = contacts[two]
    return contact_likelihood(lower, sd, LEANS_DEG, LEANS_DEG, depth)


def _by_others(traces, grounds, handles, contacts, asked):
    """Place to the likelihood of each of `LEANS_DEG` by keystones and feet of three and more pictures of its shape beside each other."""
    found, rows, partners = {}, traces.table[["sku", "view"]].apply(tuple, axis=1), {}
    for one, other in itertools.chain(traces.keystones, contacts):
        partners.setdefault(one, set()).add(other)
    for _, group in traces.table.groupby("shape", sort=True):
        if asked.isdisjoint(group.index) or len(rows[group.index].unique()) <= FEWEST_OTHERS:
            continue
        told = [place for place in group.index if not partners.get(place, set()).isdisjoint(group.index)]
        first = [place for place, further in zip(told, rows[told].duplicated(), strict=True) if not further]
        for places in [first, *([*(other for other in first if rows[other] != rows[copy]), copy] for copy in told if copy not in first)]:
            if len(places) > 1:
                pairs, compared = (
                    {two: at for two in itertools.combinations(range(len(places)), 2) if (at := (places[two[0]], places[two[1]])) in known}
                    for known in (traces.keystones, contacts)
                )
                pairs, feet = {two: traces.keystones[at] for two, at in pairs.items()}, {two: _contact(contacts, at) for two, at in compared.items()}
                own = [_usual(grounds.get(place, UNKNOWN), None, traces.upright_sd_deg).sum(axis=1) * sum(_levels(handles[place])) for place in places]
                by_others = told_by_others(LEANS_DEG, pairs, feet, own, [rows[place][0] for place in places], traces.upright_sd_deg)
                found = dict(zip(places, by_others, strict=True)) | found
    return found


def _levels(told, count=len(LEANS_DEG)):
    """Likelihood of each tilt with handles level and off level; flat and none where there are no two."""
    return (np.ones(count), np.zeros(count)) if told is None else told


def _by_handles(stand, weights, crowns=CROWNS_APART):
    """Likelihood of each of `LEANS_DEG` by one picture's two handles, level and not; None where it shows none."""
    if weights is None or not stand["two_handled"] or not math.isfinite(stand["front"] + stand["rear"] + stand["above_deg"] + stand["width"]):
        return None
    gap = (stand["front"] - stand["rear"]) / stand["height"]
    sines = np.abs(np.sin(np.radians(LOOKS_DEG[None] - stand["above_deg"] + LEANS_DEG[:, None])))  # below the front one, the rear one shows within its arch
    own_sd, apart_sd = math.hypot(stand["gap_sd"] / stand["height"], TILT_SD), math.hypot(APART_SD / APART, stand["depth_sd"] / stand["depth"])
    level = off_level = 0.0
    for apart, share in crowns:
        expected = apart / APART * float(handles_apart(stand)) * sines
        level = level + share * _normal(gap - expected, np.hypot(own_sd, apart_sd * expected)) @ weights
        off_level = off_level + share * _normal(gap - expected, HANDLE_FAR) @ weights
    return (1 - HANDLE_FAULT) * level, HANDLE_FAULT * off_level


def _middle_and_sd(values, weights):
    """Median of evenly spaced values by their weights, and the standard deviation of a normal with the same central nine tenths."""
    step = values[1] - values[0]
    low, middle, high = np.interp([0.05, 0.5, 0.95], np.cumsum(weights) / weights.sum(), values + step / 2)
    return float(middle), float(high - low) / 3.29


def _normal(value, sd):
    return np.exp(-0.5 * (value / sd) ** 2) / sd
