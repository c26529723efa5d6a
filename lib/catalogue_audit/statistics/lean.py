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

from catalogue_audit.statistics.handles import APART, APART_SD, LOOKS_DEG, TILT_SD, handles_apart, looks_by_others
from catalogue_audit.statistics.lean_traces import Traces, difference, from_others, handle_weights, records

LEANS_DEG = np.arange(-14.0, 14.01, 0.5)
USUAL_LEAN_DEG = 0.7  # how upright a product is set by eye: common practice, no source
FAULT, FAULT_LEAN_DEG = 0.05, 5.0  # share and size of those that lean; of falling over, common practice, no source
HEIGHT_FAULT, FAULT_HEIGHT_DEG = 0.05, 3.0  # the same of cameras that look down otherwise than for the others
SHARED_SD_DEG = 0.7  # what front and back lean alike, which their difference does not show
SHARED_BY_ALL_SD_DEG = 0.5  # the same of three pictures and more
CAMERA_SD_DEG = 0.35  # how alike the camera looks down from picture to picture
UNSURE_LEAN_DEG = 3.0  # a lean known no better says nothing
SHOWN_DEG, SHOWN = 6.0, 0.3  # a tilt that is plain to see, and how likely it may still be beside the likeliest one where it would have shown
UNCERTAINTIES = 3.0  # of a tilt that is certain
HANDLE_FAULT, HANDLE_FAR = 0.08, 0.06  # share of handles that are not level, and by how much of the product's height


def leans(frames, sketches, stands):
    """
    Tilt and lean of products of which other pictures are there.

    Parameters
    ----------
    frames : DataFrame
    sketches : mapping of str to dict
        Uses ``outline`` and ``mask``.
    stands : DataFrame
        As `statistics.handles.handle_stands` gives it.

    Returns
    -------
    DataFrame
        Index as `frames`: ``tilt_deg`` (+ top towards the camera, or the camera higher), ``tilt_sd_deg``, which covers
        that the other of two may be the one that is tilted; ``lean_deg`` and ``lean_sd_deg``, what of it is lean by `lean_share`.
        NaN where they leave it open by more than `UNSURE_LEAN_DEG`, and where nothing would have shown a lean (`_tells`): what is
        usual is no measure. In finals, whose verticals may have been straightened, the taper of the
        sides says nothing; height and handles still do.
    """
    found = {}
    for place, level, off_level, shared in _weighed(frames, sketches, stands):
        tilt, sd = _middle_and_sd(level + off_level)
        sd = math.hypot(sd, shared)
        told = abs(tilt) > UNCERTAINTIES * sd or _tells(level + off_level)
        if told and sd < UNSURE_LEAN_DEG and sd < found.get(place, (0.0, math.inf))[1]:
            found[place] = tilt, sd
    result = pd.DataFrame.from_dict(found, orient="index", columns=["tilt_deg", "tilt_sd_deg"], dtype=float).reindex(frames.index)
    share = lean_share(result["tilt_deg"])
    lean_sd = np.sqrt((share * result["tilt_sd_deg"]) ** 2 + share * (1 - share) * result["tilt_deg"] ** 2)
    known = lean_sd < UNSURE_LEAN_DEG
    return result.assign(lean_deg=(share * result["tilt_deg"]).where(known), lean_sd_deg=lean_sd.where(known))


def _tells(weights):
    """Whether what was seen, without what is usual, speaks against `SHOWN_DEG` of tilt to either side."""
    seen = weights / _usual_tilts()
    return float(np.interp([-SHOWN_DEG, SHOWN_DEG], LEANS_DEG, seen).max()) < SHOWN * float(seen.max())


def lean_share(tilt_deg):
    """
    Probability that a tilt is the product's lean rather than the camera's height.

    Parameters
    ----------
    tilt_deg : float or array

    Returns
    -------
    float or array

    """
    usual, leaning, high = _kinds(tilt_deg)
    return (usual + leaning) / (usual + leaning + high)


def rather_a_lean(tilt_deg):
    """
    Whether a tilt that is a fault is rather the product's than the camera's.

    Examples
    --------
    >>> rather_a_lean(3.0), rather_a_lean(-5.0)
    (False, True)
    """
    _, leaning, high = _kinds(tilt_deg)
    return bool(leaning > high)


def _kinds(tilt_deg):
    """Weight of a tilt that is none, of a lean and of a camera that looks down otherwise."""
    usual = (1 - FAULT - HEIGHT_FAULT) * _normal(tilt_deg, math.hypot(USUAL_LEAN_DEG, CAMERA_SD_DEG))
    return usual, FAULT * _normal(tilt_deg, FAULT_LEAN_DEG), HEIGHT_FAULT * _normal(tilt_deg, FAULT_HEIGHT_DEG)


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
        Index as `frames`: probability by all that tells of the tilts, of other pictures of the shape where there are
        any, the least of several; NaN where a straight-on picture shows no two handles.
    """
    found = {}
    for place, level, off_level, _ in _weighed(frames, sketches, stands):
        if off_level.any():
            found[place] = min(float(off_level.sum() / (level + off_level).sum()), found.get(place, 1.0))
    looks = looks_by_others(frames, stands)
    for place, stand in _rows(frames, stands).items():
        mine = _by_handles(stand, looks.get(place)) if place not in found else None
        if mine is not None:
            level, off = (float(_usual_tilts() @ like) for like in mine)
            found[place] = off / (level + off)
    return pd.Series(found, dtype=float).reindex(frames.index)


def _rows(frames, stands):
    """Place to `handle_stands`' row with what else is asked of the frame."""
    return dict(zip(frames.index, stands.assign(view=frames["view"]).to_dict("records"), strict=True))


def _weighed(frames, sketches, stands):
    """Place, (n,) weight of each of `LEANS_DEG` with handles level and with handles off level, and what all compared share, degrees."""
    looks, rows = looks_by_others(frames, stands), _rows(frames, stands)
    handles = {place: _by_handles(row, looks.get(place)) for place, row in rows.items()}
    usual, sines = _usual_tilts(), np.sin(np.radians(LEANS_DEG))
    traces = Traces.of(frames, sketches, stands)
    for place, seen in from_others(traces):
        level, off = handle_weights(seen, sines[:, None], np.zeros((1, 1)), _levels(handles[place]), _levels(None, 1))
        yield place, usual * level[:, 0], usual * off[:, 0], SHARED_BY_ALL_SD_DEG
    traced = records(traces)
    for one, other in traces.pairs():
        for a, b in itertools.permutations((one, other)):
            level, off = handle_weights(difference(traces, traced[a], traced[b]), sines[:, None], sines[None], *(_levels(handles[place]) for place in (a, b)))
            yield a, usual * (level @ usual), usual * (off @ usual), SHARED_SD_DEG


def _levels(told, count=len(LEANS_DEG)):
    """Likelihood of each tilt with handles level and off level; flat and none where there are no two."""
    return (np.ones(count), np.zeros(count)) if told is None else told


def _by_handles(stand, weights):
    """Likelihood of each of `LEANS_DEG` by one picture's two handles, level and not; None where it shows none."""
    if weights is None or not stand["two_handled"] or not math.isfinite(stand["front"] + stand["rear"] + stand["above_deg"] + stand["width"]):
        return None
    gap = (stand["front"] - stand["rear"]) / stand["height"]
    tilts = np.radians(LOOKS_DEG[None] - stand["above_deg"] + LEANS_DEG[:, None])
    expected = np.abs(float(handles_apart(stand)) * np.sin(tilts))  # below the front one, the rear one shows within its arch
    sd = np.hypot(math.hypot(stand["gap_sd"] / stand["height"], TILT_SD), APART_SD / APART * expected)
    return (1 - HANDLE_FAULT) * _normal(gap - expected, sd) @ weights, HANDLE_FAULT * _normal(gap - expected, HANDLE_FAR) @ weights


def _usual_tilts():
    """Weight of each of `LEANS_DEG` before anything is seen."""
    return sum(_kinds(LEANS_DEG))


def _middle_and_sd(weights):
    """Median of `LEANS_DEG` by their weights, and the standard deviation of a normal with the same central nine tenths."""
    step = LEANS_DEG[1] - LEANS_DEG[0]
    low, middle, high = np.interp([0.05, 0.5, 0.95], np.cumsum(weights) / weights.sum(), LEANS_DEG + step / 2)
    return float(middle), float(high - low) / 3.29


def _normal(value, sd):
    return np.exp(-0.5 * (value / sd) ** 2) / sd
