"""Where a picture stands on a chart: capture time with the pauses left out, or file order."""

from typing import NamedTuple

import numpy as np
import pandas as pd

PAUSE = 8.0  # minutes; a longer pause between two pictures is drawn this long
ENOUGH = 0.5  # share of pictures with a capture time from which charts use it


class Timeline(NamedTuple):
    """
    Attributes
    ----------
    x : (n,) ndarray of float
        Place of each row of frames; NaN where it has none.
    label : str
        What the axis shows.
    ticks : list of (x, text)
    runs : list of (x from, x to, text)
        Capture runs, in order.
    """

    x: np.ndarray
    label: str
    ticks: list
    runs: list


def timeline(frames):
    """
    Timeline of the frames table.

    Parameters
    ----------
    frames : DataFrame
        With ``captured_at`` and ``capture_run``.

    Returns
    -------
    Timeline
    """
    times = wall_times(frames["captured_at"])
    if not len(frames) or times.notna().mean() < ENOUGH or times.nunique() < 2:
        return Timeline(np.arange(len(frames), dtype=float) + 1, "file order", [], [])
    order = np.argsort(times.to_numpy(), kind="stable")[: int(times.notna().sum())]
    minutes = (times.iloc[order] - times.min()).dt.total_seconds().to_numpy() / 60
    steps = np.minimum(np.diff(minutes, prepend=minutes[0]), PAUSE)
    x = np.full(len(frames), np.nan)
    x[order] = np.cumsum(steps)
    runs = _runs(x, frames["capture_run"])
    return Timeline(x, "capture time, long pauses shortened", _ticks(x[order], times.iloc[order]), runs)


def wall_times(captured_at):
    """
    Capture times as the clock of the camera showed them.

    Parameters
    ----------
    captured_at : Series of str
        ISO 8601; the offset, where there is one, is left out, as people remember the wall clock.

    Returns
    -------
    Series of datetime64
        NaT where there is none.
    """
    text = captured_at.astype("str").str.slice(0, 19)
    return pd.to_datetime(text, format="%Y-%m-%dT%H:%M:%S", errors="coerce").reset_index(drop=True)


def _runs(x, capture_run):
    numbers = capture_run.astype("float64").to_numpy(dtype=float, na_value=np.nan)
    found = []
    for number in np.unique(numbers[np.isfinite(numbers)]):
        inside = x[(numbers == number) & np.isfinite(x)]
        if len(inside):
            found.append((float(inside.min()), float(inside.max()), f"run {number:.0f}"))
    return sorted(found)


def _ticks(x, times, most=7):
    """A clock time at up to seven places evenly along the axis, with the date where it changes."""
    ticks, day = [], None
    for place in np.linspace(x[0], x[-1], most):
        nearest = int(np.argmin(np.abs(x - place)))
        time = times.iloc[nearest]
        if ticks and x[nearest] - ticks[-1][0] < 0.5 * (x[-1] - x[0]) / most:
            continue  # too near the one before: their texts would touch
        ticks.append((float(x[nearest]), f"{time:%H:%M}" if time.date() == day else f"{time:%H:%M}\n{time:%Y-%m-%d}"))
        day = time.date()
    return ticks
