"""
The order in which pictures were taken, whatever the cameras' clocks say.

Capture times come from clocks that nobody set on purpose: two cameras differ
by minutes or by an hour, a flat battery sends one back to its first day, one
program writes a time zone and another does not. What is mended here is mended
for ordering only; ``captured_at`` stays as the file has it.
"""

import math
import re
from datetime import date

import numpy as np
import pandas as pd

from catalogue_audit.statistics.robust import mad_scale

DAY = 86400.0
EPOCH_GAP = 180 * DAY  # a season lies between; nearer times are one clock's
RESET_DAYS = 3  # a clock that lost its battery starts on 1 January and is noticed within days
EASTERNMOST = 14 * 3600.0  # s; no zone is farther ahead of UTC
EARLIEST_YEAR = 1995  # no camera wrote such files before
SHARED_PRODUCTS = 3  # products that both cameras photographed, needed to compare their clocks
SMALLEST_OFFSET = 120.0  # s; cameras nearer than this are in step for the order of products
FILE_ORDER = "file order"
TIME = re.compile(
    r"(\d{4})-(\d\d)-(\d\d)[T ](\d\d):(\d\d)(?::(\d\d)(\.\d+)?)?\s*(Z|[+-]\d\d:?\d\d)?$",
)


def parse_time(text):
    """
    Seconds of an ISO 8601 time as written, and its offset from UTC.

    Parameters
    ----------
    text : str or missing

    Returns
    -------
    seconds : float
        Since 1970-01-01T00:00:00 of the clock's own zone; NaN where the text is no time.
    offset : float
        Seconds east of UTC; NaN where the text gives none.

    Examples
    --------
    >>> parse_time("1970-01-02T00:00:01.5+01:00")
    (86401.5, 3600.0)
    """
    match = TIME.match(text.strip()) if isinstance(text, str) else None
    if match is None:
        return math.nan, math.nan
    year, month, day, hour, minute = (int(part) for part in match.groups()[:5])
    try:
        days = date(year, month, day).toordinal() - date(1970, 1, 1).toordinal()
    except ValueError:  # 0000-00-00, as unset clocks write
        return math.nan, math.nan
    seconds = days * DAY + 3600 * hour + 60 * minute + int(match[6] or 0) + float(match[7] or 0)
    zone = match[8]
    if zone is None:
        return seconds, math.nan
    if zone == "Z":
        return seconds, 0.0
    digits = zone[1:].replace(":", "")
    return seconds, (-1 if zone[0] == "-" else 1) * (3600.0 * int(digits[:2]) + 60.0 * int(digits[2:]))


def camera_keys(frames):
    """
    One text a frame that tells cameras apart: make, model and serial number; '' where none is known.

    A frame without a serial number is its model's only numbered camera's, where there is exactly one.
    """
    makes, models, numbers = (frames[name].fillna("").astype(str).to_list() for name in ("camera_make", "camera_model", "camera_serial"))
    kinds = list(zip(makes, models, strict=True))
    serials = {}
    for kind, serial in zip(kinds, numbers, strict=True):
        if serial:
            serials.setdefault(kind, set()).add(serial)
    keys = []
    for kind, serial in zip(kinds, numbers, strict=True):
        known = serials.get(kind, set())
        if not serial and any(kind) and len(known) == 1:
            (serial,) = known
        keys.append(" ".join(part for part in (*kind, serial) if part))
    return pd.Series(keys, index=frames.index, dtype="str")


def capture_order(frames):
    """
    Order of capture, with the clocks' faults mended where the set shows them.

    Parameters
    ----------
    frames : DataFrame
        In natural file order; needs ``captured_at``, the camera columns and ``sku``.

    Returns
    -------
    DataFrame
        Same index. ``order``: 0, 1, 2, ... without gaps; ``seconds``: float, UTC
        where the offset is known, the clock's own time otherwise, NaN without a
        capture time; ``camera``: text; ``source``: 'capture time', 'corrected
        clock', 'placed by name' (no time, though others have one) or 'file
        order' (no time in the whole set); ``note``: what was mended, or empty.
    """
    times = [parse_time(text) for text in frames["captured_at"]]
    local = np.array([seconds for seconds, _ in times], dtype=float)
    offsets = np.array([offset for _, offset in times], dtype=float)
    cameras = camera_keys(frames)
    notes = np.full(len(frames), "", dtype=object)
    seconds = _to_one_zone(local, offsets, cameras.to_numpy(), notes)
    seconds = _mend_resets(seconds, cameras.to_numpy(), frames["sku"].to_numpy(), notes)
    seconds = _mend_offsets(seconds, cameras.to_numpy(), frames["sku"].to_numpy(), notes)
    timed = np.isfinite(seconds)
    source = np.where(timed, np.where(notes == "", "capture time", "corrected clock"), "placed by name")
    if not timed.any():
        source[:] = FILE_ORDER
    notes[(source == "placed by name")] = "no capture time: placed after its neighbour by file name"
    rank = np.empty(len(frames), dtype=np.int64)
    rank[_sorted_places(seconds, frames["sku"].to_numpy())] = np.arange(len(frames))
    return pd.DataFrame(
        {
            "order": pd.array(rank, dtype="Int64"),
            "seconds": seconds,
            "camera": cameras,
            "source": pd.array(source.astype(object), dtype="str"),
            "note": pd.array(notes, dtype="str"),
        },
        index=frames.index,
    )


def _to_one_zone(local, offsets, cameras, notes):
    """UTC where any file of the set gives an offset; a file without one has that of the camera's nearest file by the clock: a zone changes once, on a trip or with the season."""
    known = np.isfinite(offsets) & np.isfinite(local)
    if not known.any():
        return local.copy()
    filled = offsets.copy()
    for camera in dict.fromkeys(cameras):
        here = cameras == camera
        missing = np.flatnonzero(here & np.isfinite(local) & ~known)
        if missing.size:
            told = np.flatnonzero(here & known) if (here & known).any() else np.flatnonzero(known)
            filled[missing] = _of_the_nearest(local[missing], local[told], offsets[told])
            notes[missing] = "no time zone in the file: that of the nearest picture by the clock is taken"
    return local - filled


def _of_the_nearest(places, known_places, values):
    """The value that stands nearest to each place; of two as near, the earlier one's."""
    order = np.argsort(known_places, kind="stable")
    known_places, values = known_places[order], values[order]
    after = np.searchsorted(known_places, places).clip(0, known_places.size - 1)
    before = (after - 1).clip(0)
    return np.where(np.abs(known_places[after] - places) < np.abs(places - known_places[before]), values[after], values[before])


def _mend_resets(seconds, cameras, skus, notes):
    """Move a camera's frames dated by a clock that lost its setting to where their products belong."""
    mended = seconds.copy()
    timed = np.isfinite(seconds)
    for camera in dict.fromkeys(cameras):
        places = np.flatnonzero((cameras == camera) & timed)
        places = places[np.argsort(seconds[places], kind="stable")]
        epochs = np.split(places, np.flatnonzero(np.diff(seconds[places]) > EPOCH_GAP) + 1)
        main = max(epochs, key=len)
        for epoch in epochs:
            if epoch is main or not main.size or not _looks_reset(seconds[epoch[0]]):
                continue
            shift = _shift_to_main(seconds, epoch, main, skus)
            mended[epoch] = seconds[epoch] + shift
            notes[epoch] = "the camera's clock had lost its setting: placed by product and file name"
    return mended


def _looks_reset(second):
    """Whether a run of times begins where a clock without battery does; in UTC its first hour may be of the year before."""
    days = int((second + EASTERNMOST) // DAY)
    year = date.fromordinal(min(date(1970, 1, 1).toordinal() + days, date.max.toordinal())).year  # a clock may stand in the last hours of 9999
    first_of_year = date(year, 1, 1).toordinal() - date(1970, 1, 1).toordinal()
    return year < EARLIEST_YEAR or days - first_of_year < RESET_DAYS


def _shift_to_main(seconds, epoch, main, skus):
    """
    Seconds to add to the times of ``epoch``.

    A product photographed before and after the reset joins the two; without
    one, the frames follow their predecessor by file name.
    """
    usual_gap = float(np.median(np.diff(seconds[main]))) if main.size > 1 else 0.0
    first = skus[epoch[0]]
    same = main[[sku == first for sku in skus[main]]] if isinstance(first, str) else main[:0]
    if not same.size:
        last = skus[epoch[-1]]
        following = main[[sku == last for sku in skus[main]]] if isinstance(last, str) else main[:0]
        if following.size:
            return float(seconds[following].min()) - usual_gap - float(seconds[epoch[-1]])
        before = main[main < epoch.min()]
        same = before[-1:] if before.size else main[:0]
    if not same.size:
        return float(seconds[main].min()) - usual_gap - float(seconds[epoch[-1]])
    return float(seconds[same].max()) + max(usual_gap, 1e-3) - float(seconds[epoch[0]])


def _mend_offsets(seconds, cameras, skus, notes):
    """Bring cameras that photographed the same products in step with the one that took most."""
    mended = seconds.copy()
    timed = np.isfinite(seconds)
    names, counts = np.unique(cameras[timed], return_counts=True)
    if names.size < 2:
        return mended
    reference = names[np.argmax(counts)]
    middle = {name: _middle_by_product(seconds, (cameras == name) & timed, skus) for name in names}
    for name in names:
        shared = [sku for sku in middle[name] if sku in middle[reference]] if name != reference else []
        if len(shared) < SHARED_PRODUCTS:
            continue
        differences = np.array([middle[name][sku] - middle[reference][sku] for sku in shared])
        offset = float(np.median(differences))
        pace = np.median(np.abs(np.diff(sorted(middle[reference][sku] for sku in shared))))
        if abs(offset) > max(SMALLEST_OFFSET, 2 * pace) and mad_scale(differences) <= max(pace / 2, 30.0):
            here = (cameras == name) & timed
            mended[here] -= offset
            notes[here] = f"this camera's clock differs by {offset:+.0f} s from the other's: taken into account"
    return mended


def _middle_by_product(seconds, here, skus):
    """Median capture time of each product's frames."""
    by_product = {}
    for place in np.flatnonzero(here):
        if isinstance(skus[place], str):
            by_product.setdefault(skus[place], []).append(seconds[place])
    return {sku: float(np.median(values)) for sku, values in by_product.items()}


def _sorted_places(seconds, skus):
    """Places in order of capture; equal times in file order; frames without time after their neighbour by name."""
    timed = np.flatnonzero(np.isfinite(seconds))
    keys = np.full(seconds.size, -math.inf)
    keys[timed] = seconds[timed]
    latest = {}
    for place in timed:
        if isinstance(skus[place], str):
            latest[skus[place]] = max(latest.get(skus[place], -math.inf), seconds[place])
    before = -math.inf
    for place in range(seconds.size):
        if math.isfinite(seconds[place]):
            before = seconds[place]
        else:
            keys[place] = latest.get(skus[place], before) if isinstance(skus[place], str) else before
    return np.lexsort((np.arange(seconds.size), ~np.isfinite(seconds), keys))
