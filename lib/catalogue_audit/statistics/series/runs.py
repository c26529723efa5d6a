"""Capture runs: frames of one camera without a long pause."""

import numpy as np
import pandas as pd

from catalogue_audit.statistics.series.clock import capture_order
from catalogue_audit.statistics.series.numbering import number_groups

PAUSE_MINUTES = 20.0  # longer than changing a product and its straps takes, shorter than lunch
PAUSES_OF_PACE = 6.0  # a slow shoot's usual gap, times this, is still no pause
LONGEST_PAUSE_MINUTES = 240.0  # half a day apart is never one run


def capture_runs(frames, brief=None):
    """
    Number the capture runs.

    Parameters
    ----------
    frames : DataFrame
        In natural file order.
    brief : Brief, optional
        ``brief.capture.pause_minutes`` is the pause that ends a run. Without
        it: 20 minutes, or six times the camera's usual gap between frames where
        that is longer, at most four hours.

    Returns
    -------
    Series of Int64
        Numbered by first file; <NA> where the frame is alone or has no capture time.
    """
    order = capture_order(frames)
    labels = np.full(len(frames), -1, dtype=np.int64)
    seconds = order["seconds"].to_numpy()
    cameras = order["camera"].to_numpy()
    label = 0
    for camera in dict.fromkeys(cameras):
        places = np.flatnonzero((cameras == camera) & np.isfinite(seconds))
        places = places[np.argsort(order["order"].to_numpy(dtype=np.int64)[places], kind="stable")]
        if not places.size:
            continue
        gaps = np.diff(seconds[places])
        run = np.concatenate([[0], np.cumsum(gaps > pause_seconds(gaps, brief))])
        labels[places] = label + run
        label += int(run[-1]) + 1
    return number_groups(labels, frames.index)


def pause_seconds(gaps, brief=None):
    """
    The pause that ends a run, in seconds.

    Parameters
    ----------
    gaps : (n,) ndarray of float
        Seconds between consecutive frames of one camera.
    brief : Brief, optional

    Examples
    --------
    >>> pause_seconds(np.array([30.0, 40.0, 5000.0]))
    1200.0
    """
    named = getattr(getattr(brief, "capture", None), "pause_minutes", None)
    if named is not None and not pd.isna(named):
        return 60.0 * float(named)
    usual = float(np.quantile(gaps, 0.25)) if len(gaps) else 0.0  # the lower quartile: pauses are not the pace
    return 60.0 * min(max(PAUSE_MINUTES, PAUSES_OF_PACE * usual / 60.0), LONGEST_PAUSE_MINUTES)
