"""
Where the camera, or the mark on the table, stood otherwise for a while: what all products of a run share in the frame.

A style may have a place of its own in the frame (`style_places`), and so may a stretch of capture time. Only the order of capture
parts the two: a knocked tripod moves styles that have nothing in common but to follow one another, in all their views alike.
"""

import math

import numpy as np

from catalogue_audit import schema
from catalogue_audit.statistics.series.change_quantities import HALF
from catalogue_audit.statistics.series.clock import FILE_ORDER, capture_order
from catalogue_audit.statistics.series.segments import find_transitions

ORDERED_BY = ("captured_at", "camera_make", "camera_model", "camera_serial", "sku")
ZOOMED = HALF * schema.CHECKS["scale"].tolerance  # of ln(size)
VISIBLE = HALF * schema.CHECKS["centring"].tolerance  # of the frame; as a step of framing must be to be told


def moved_with_time(frames, deviations, kinds, scatter, visible=VISIBLE, order=None):
    """
    What stretches of capture time move their pictures by, as steps between styles that follow one another.

    Parameters
    ----------
    frames : DataFrame
        With the columns of `ORDERED_BY`; without them, or without capture times, nothing is told.
    deviations : (n,) float
        Place of each picture beside its view's, fractions of the frame; NaN where unknown.
    kinds : (n,) array or Series of str
        Whose pictures show one shape: a step needs three shapes in a row on either side.
    scatter : float
        How steadily products are placed, fractions of the frame.
    visible : float
        The least step, in the deviations' own unit.
    order : DataFrame, optional
        `capture_order` of the frames, where it is known already.

    Returns
    -------
    (n,) float
        Fractions of the frame; 0 everywhere where no step is found.
    """
    moved = np.zeros(len(frames))
    if not set(ORDERED_BY) <= set(frames):
        return moved
    order = capture_order(frames) if order is None else order
    timed = np.isfinite(order["seconds"].to_numpy(dtype=float)) & (order["source"] != FILE_ORDER).to_numpy(dtype=bool)
    kinds, cameras, ranks = np.asarray(kinds, dtype=object), order["camera"].to_numpy(dtype=object), order["order"].to_numpy(dtype=np.int64)
    for camera in dict.fromkeys(cameras[timed]):
        rows = np.flatnonzero(timed & (cameras == camera) & np.isfinite(deviations))
        if rows.size:
            rows = rows[np.argsort(ranks[rows], kind="stable")]
            units = np.cumsum(np.concatenate([[True], kinds[rows][1:] != kinds[rows][:-1]]))
            moved[rows] = _levels(deviations[rows], find_transitions(deviations[rows], units, visible, scatter))
    return moved


def gains_by_zoom(frames, views, deviations, kinds, scatter, likelihood):
    """
    How much better each rule of framing explains a view if stretches of capture time may be larger or smaller, as after a zoom that stayed.

    Place and size of a step cost as much evidence as two free parameters do.

    Parameters
    ----------
    frames : DataFrame
    views : list of (n,) ndarray of int
        Positions of each view's pictures.
    deviations : list of (m, n) float
        Of ln(size), under each of m rules.
    kinds : (frames,) array or Series of str
        See `moved_with_time`.
    scatter : float
        How steadily products are sized, of ln(size).
    likelihood : callable
        (n,) deviations → log likelihood.

    Returns
    -------
    (views, m) float
        0 and more, of log likelihood.
    """
    gains = np.zeros((len(views), len(deviations[0]) if deviations else 0))
    order = capture_order(frames) if set(ORDERED_BY) <= set(frames) else None
    for number, (rows, values) in enumerate(zip(views, deviations, strict=True)):
        for rule, apart in enumerate(values):
            off = np.full(len(frames), np.nan)
            off[rows] = apart
            moved = moved_with_time(frames, off, kinds, scatter, ZOOMED, order)[rows]
            steps = len(np.unique(moved)) - 1
            if steps > 0:
                gain = likelihood(apart - moved) - likelihood(apart) - steps * math.log(len(rows))
                gains[number, rule] = max(gain, 0.0)
    return gains


def _levels(values, transitions):
    """Median of each stretch between steps; 0 without any, and where a trend leaves no level."""
    steps = [one.first_after for one in transitions if one.kind == "step"]
    if not steps or len(steps) < len(transitions):
        return np.zeros(values.size)
    edges = [0, *steps, values.size]
    return np.concatenate([np.full(b - a, np.median(values[a:b])) for a, b in zip(edges, edges[1:], strict=False)])
