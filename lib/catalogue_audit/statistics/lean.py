"""
Lean to and from the camera, from front and back of one product together.

The two pictures show one shape mirrored, and the camera looks down on both alike. What tilts a
product tilts all of this: seen leaning towards the camera, its sides spread towards the top, its
upper edge, which is farther away than its base, comes higher, and its rear handle comes out above
the front one (leaning away, below it). What the shape does to the first two is the same in both
pictures and drops out of their difference; the handles of one picture alone tell which of the two
leans. Sewn goods repeat each of them only so well, so each has its
uncertainty, any of them may be far off, and the lean is the median over all leans of the two by
their weight.
"""

import itertools
import math

import numpy as np
import pandas as pd

from catalogue_audit.measures.applicability import STRAIGHT_ON
from catalogue_audit.measures.lines import robust_line
from catalogue_audit.statistics.handles import APART, APART_SD, LOOKS_DEG, TILT_SD, handles_apart, view_looks

LEANS_DEG = np.arange(-14.0, 14.01, 0.5)
USUAL_LEAN_DEG = 0.7  # how upright a product is set by eye: common practice, no source
FAULT, FAULT_LEAN_DEG = 0.06, 5.0  # share and size of those that lean
SHARED_SD_DEG = 0.7  # what front and back lean alike, which their difference does not show
UNSURE_LEAN_DEG = 3.0  # a lean known no better says nothing
FAR_OFF = 0.05  # share of measures that something else has moved
TAPER_SD_DEG, TAPER_FAR_DEG = 4.0, 20.0  # of the tilt that the widths show: a millimetre of a bag 40 cm wide is one degree of it
HEIGHT_SD, HEIGHT_FAR = 0.007, 0.08  # of the logarithm of the body's height over its width
BOX_LEVER, ROUND = 0.85, 0.3  # depth from base to upper edge over the depth, of boxes; share of round bodies, whose outline no tilt changes
LEVER_SD = 0.25  # of that lever, relative; on rendered bags of four styles
HANDLE_FAULT, HANDLE_FAR = 0.08, 0.06  # share of handles that are not level, and by how much of the product's height
LOOK_DEG = 9.0  # at which the body's middle is seen from above: common practice, no source
SOFT_TAPER_DEG = 25.0  # bodies whose tapers differ by more are not of one shape: folded, filled otherwise, or hung with a strap
SOFT = 6.0  # how much less sure everything of the outline is then


def leans(frames, sketches, stands):
    """
    Lean of products of which front and back are there.

    Parameters
    ----------
    frames : DataFrame
    sketches : mapping of str to dict
        Uses ``sides``.
    stands : DataFrame
        As `statistics.handles.handle_stands` gives it.

    Returns
    -------
    DataFrame
        Index as `frames`: ``lean_deg`` (+ top towards the camera) and ``lean_sd_deg``, which covers that
        the other of the two may be the one that leans. NaN where they leave it open by more than
        `UNSURE_LEAN_DEG`. In finals, whose verticals may have been straightened, the taper of the
        sides says nothing; height and handles still do.
    """
    found = {}
    for one, other, differences, handles in _compared(frames, sketches, stands):
        middles, sds = weigh_leans(differences, *(_of_any(told) for told in handles))
        for place, middle, sd in zip((one, other), middles, sds, strict=True):
            sd = math.hypot(sd, SHARED_SD_DEG)
            if sd < UNSURE_LEAN_DEG:
                found.setdefault(place, (middle, sd))
    result = pd.DataFrame.from_dict(found, orient="index", columns=["lean_deg", "lean_sd_deg"], dtype=float)
    return result.reindex(frames.index)


def handles_off_level(frames, sketches, stands):
    """
    How likely it is that a pair of handles is out of level, rather than that the product leans.

    Parameters
    ----------
    frames, sketches, stands
        As `leans` takes them.

    Returns
    -------
    Series of float
        Index as `frames`: probability by all that tells of the leans, of front and back where both are there, the
        least of several; NaN where a straight-on picture shows no two handles.
    """
    looks, found = view_looks(frames, stands), {}
    for one, other, differences, handles in _compared(frames, sketches, stands):
        for place, k in ((one, 0), (other, 1)):
            if handles[k] is not None:
                alone = [[_of_any(told)] * 2 for told in handles]
                alone[k] = handles[k]
                level, off = (float(_weights(differences, *either).sum()) for either in zip(*alone, strict=True))
                found[place] = min(off / (level + off), found.get(place, 1.0))
    for place, stand in _rows(frames, stands).items():
        mine = _by_handles(stand, looks.get(stand["view"])) if stand["view"] in STRAIGHT_ON and place not in found else None
        if mine is not None:
            level, off = (float(_usual_leans() @ like) for like in mine)
            found[place] = off / (level + off)
    return pd.Series(found, dtype=float).reindex(frames.index)


def _rows(frames, stands):
    """Place to `handle_stands`' row with what else is asked of the frame."""
    return dict(zip(frames.index, stands.assign(**frames[["file", "view", "origin", "backdrop"]]).to_dict("records"), strict=True))


def _compared(frames, sketches, stands):
    """Places of front and back of one product, their `_differences`, and what the handles of each say."""
    looks, rows = view_looks(frames, stands), _rows(frames, stands)
    for one, other in _pairs(frames, stands):
        a, b = rows[one], rows[other]
        yield one, other, _differences(a, b, sketches), tuple(_by_handles(row, looks.get(row["view"])) for row in (a, b))


def _pairs(frames, stands):
    """Places of a product's front and back, where both show a body that the frame does not cut."""
    whole = ~frames["touches"].fillna("").astype(str).str.contains("bottom|top|left|right")
    known = stands[["base", "shoulders", "width"]].notna().all(axis=1)
    usable = frames[(frames["view_kind"] == "upright") & whole & known & frames["sku"].notna()]
    for _, group in usable[usable["view"].isin(STRAIGHT_ON)].groupby("sku", sort=True):
        views = [group.index[group["view"] == view] for view in STRAIGHT_ON]
        yield from itertools.product(*views)


def _differences(a, b, sketches):
    """
    Differences of one picture from another that a lean makes, beside those that each pair of `LEANS_DEG` would make.

    Parameters
    ----------
    a, b : dict
        Rows of `handle_stands`, with the frame's ``file``, ``origin`` and ``backdrop``.
    sketches : mapping of str to dict

    Returns
    -------
    list of list of (difference, expected, standard uncertainty, size of what is far off, share)
        ``expected`` and the uncertainty are (n, n); entries of one inner list are shapes of which one holds, with its share.
    """
    sines = np.sin(np.radians(LEANS_DEG))
    apart = sines[:, None] - sines[None]
    taper = taper_difference(*((sketches.get(row["file"]) or {}).get("sides") for row in (a, b)), a, b)
    straightened = any(row["origin"] == "derived" or row["backdrop"] == "cut_out" for row in (a, b))
    soft = SOFT if not straightened and (taper is None or abs(taper[0]) > SOFT_TAPER_DEG) else 1.0
    tall = [(x["base"] - x["shoulders"]) / x["width"] for x in (a, b)]
    box = BOX_LEVER * a["depth"] / tall[0] - math.sin(math.radians(LOOK_DEG))
    found = [
        [
            (math.log(tall[0] / tall[1]), lever * apart, np.hypot(soft * HEIGHT_SD, LEVER_SD * lever * apart), soft * HEIGHT_FAR, share)
            for share, lever in ((ROUND, 0.0), (1 - ROUND, box))
        ]
    ]
    if taper is not None and soft == 1.0 and not straightened:
        sd = np.full(apart.shape, math.radians(math.hypot(taper[1], TAPER_SD_DEG)))
        found.append([(math.radians(taper[0]), apart, sd, math.radians(TAPER_FAR_DEG), 1.0)])
    return found


def taper_difference(sides, other_sides, stand, other_stand):
    """
    Tilt of one picture's body less another's, from how their widths change with the height.

    A width's relative change a pixel, times the focal length in pixels, is the sine of the tilt
    (pinhole camera, the tilted thing in the frame's middle).

    Parameters
    ----------
    sides, other_sides : (n, 3) float32 or None
        Of the sketches: y, left, right, fractions of the frame.
    stand, other_stand : mapping
        Rows of `handle_stands`: ``shoulders``, ``base``, ``width`` and ``focal``.

    Returns
    -------
    (degree, standard uncertainty) or None
    """
    profiles = []
    for profile, body in ((sides, stand), (other_sides, other_stand)):
        if profile is None:
            return None
        inside = (profile[:, 0] > body["shoulders"]) & (profile[:, 2] > profile[:, 1])
        if inside.sum() < 16:
            return None
        y, left, right = profile[inside].T.astype(float)
        widths = right - left
        profiles.append(((y - body["base"]) / body["width"], widths / np.median(widths[-len(widths) // 3 :])))
    top, low = max(at[0] for at, _ in profiles), min(at[-1] for at, _ in profiles)
    at = np.linspace(top + 0.08 * (low - top), low - 0.08 * (low - top), 48)
    ratio = np.log(np.interp(at, *profiles[0]) / np.interp(at, *profiles[1]))
    line = robust_line(at * 1000, ratio * 1000)  # as pixels of a body a thousand wide
    if line is None:
        return None
    gain = stand["focal"] / stand["width"]
    return math.degrees(math.asin(np.clip(-line[1] * gain, -0.9, 0.9))), math.degrees(line[2] * gain)


def _by_handles(stand, weights):
    """Likelihood of each of `LEANS_DEG` by one picture's two handles, level and not; None where it shows none."""
    if weights is None or not stand["two_handled"] or not math.isfinite(stand["front"] + stand["rear"] + stand["above_deg"] + stand["width"]):
        return None
    gap = (stand["front"] - stand["rear"]) / stand["height"]
    tilts = np.radians(LOOKS_DEG[None] - stand["above_deg"] + LEANS_DEG[:, None])
    expected = np.abs(float(handles_apart(stand)) * np.sin(tilts))  # below the front one, the rear one shows within its arch
    sd = np.hypot(math.hypot(stand["gap_sd"] / stand["height"], TILT_SD), APART_SD / APART * expected)
    return (1 - HANDLE_FAULT) * _normal(gap - expected, sd) @ weights, HANDLE_FAULT * _normal(gap - expected, HANDLE_FAR) @ weights


def _of_any(told):
    """Likelihood of each of `LEANS_DEG` by handles that may be level or not; flat where there are none."""
    return np.ones(LEANS_DEG.shape) if told is None else told[0] + told[1]


def weigh_leans(differences, alone, other_alone):
    """
    Leans of two pictures, over all leans by their weight.

    Parameters
    ----------
    differences : list of list of tuple
        As `_differences` gives them.
    alone, other_alone : (n,) float
        Likelihood of each of `LEANS_DEG` from either picture alone.

    Returns
    -------
    middles, sds : (float, float)
        Medians and standard uncertainties, degree, of the first and the second picture.
    """
    weight = _weights(differences, alone, other_alone)
    weight /= weight.sum()
    both = weight.sum(axis=1), weight.sum(axis=0)
    middles, sds = zip(*(_middle_and_sd(share) for share in both))
    return middles, sds


def _weights(differences, alone, other_alone):
    """(n, n) weight of each pair of `LEANS_DEG`: what is usual, what either picture says, and what their differences say."""
    weight = (_usual_leans() * alone)[:, None] * (_usual_leans() * other_alone)[None]
    for kinds in differences:
        weight = weight * sum(
            share * ((1 - FAR_OFF) * _normal(seen - expected, sd) + FAR_OFF * _normal(seen - expected, far))
            for seen, expected, sd, far, share in kinds
        )
    return weight


def _usual_leans():
    return (1 - FAULT) * _normal(LEANS_DEG, USUAL_LEAN_DEG) + FAULT * _normal(LEANS_DEG, FAULT_LEAN_DEG)


def _middle_and_sd(weights):
    """Median of `LEANS_DEG` by their weights, and the standard deviation of a normal with the same central nine tenths."""
    step = LEANS_DEG[1] - LEANS_DEG[0]
    low, middle, high = np.interp([0.05, 0.5, 0.95], np.cumsum(weights), LEANS_DEG + step / 2)
    return float(middle), float(high - low) / 3.29


def _normal(value, sd):
    return np.exp(-0.5 * (value / sd) ** 2) / sd
