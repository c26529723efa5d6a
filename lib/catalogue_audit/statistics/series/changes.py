"""
Steps and trends along capture time, each with its size, place and likely cause.

Light is one for all views of whole products: their series are joined, each
view brought to the level of the others first. Framing and pose are judged view
by view. Cameras are judged one by one, in their own order of capture.
"""


import numpy as np
import pandas as pd

from catalogue_audit.statistics.series.change_events import SAME_PLACE, Change, one_a_family, one_for_all_cameras, one_for_all_views
from catalogue_audit.statistics.series.change_quantities import (
    BACKWARD,
    BORNE_OUT_BY,
    HALF,
    QUANTITIES,
    rounding,
    tolerance,
    visible_size,
    working_values,
)
from catalogue_audit.statistics.series.change_rows import change_row
from catalogue_audit.statistics.series.clock import FILE_ORDER, capture_order
from catalogue_audit.statistics.series.drifts import find_drifts
from catalogue_audit.statistics.series.segments import FEWEST_UNITS, difference_noise, find_transitions
from catalogue_audit.statistics.styles import style_families
from catalogue_audit.statistics.tables import table_from_rows

FEWEST_FRAMES = 6
FEWEST_STYLES = 4
NEIGHBOURS_TO_JOIN = 3  # frames of a view with others' before and after, needed to bring it to their level
LIT_BY_TWO = ("exposure_dev_ev", "background_dev_ev")  # deviations of the light itself, whatever product it falls on
FEWEST_LIT = 2  # products in a row that such a light may last for
FEWEST_VISITS = 5  # products on either side of a change of framing or pose, which products vary by themselves
FEWEST_SIDE = 3  # frames on either side with a known deviation
NIGHT_SECONDS = 6 * 3600.0  # a longer pause parts sittings: lamps are cold again
SURE_EV = 0.075  # EV; a detail less sure of its light, half of the tolerance, does not tell when it moved
FULL_FRAME_VIEWS = ("upright", "overhead")


def find_changes(frames, brief=None):
    """
    Steps and trends of light, lens, framing and pose along capture time.

    A change must exceed both the noise of the series (three sigma) and half of
    the brief's tolerance for it. One strange picture, two strange products in a
    row (but for light that both product and background show), and a set-up that alternates between two states are no change. Changes
    of one family at one place (b* and colour temperature, say) give one row.

    Parameters
    ----------
    frames : DataFrame
        In natural file order, with the columns of the schema; set columns that
        are empty are left out.
    brief : Brief, optional
        Tolerances; the schema's defaults without it.

    Returns
    -------
    DataFrame
        Columns of `schema.CHANGE_COLUMNS`, sorted by the frame after the
        change. For a step ``from_file`` is the last frame before it and
        ``to_file`` the first after; for a trend they are its ends.
        ``frames`` counts the frames it holds for: from ``to_file`` (a trend:
        ``from_file``) to the next change of that quantity or the end.
    """
    order = capture_order(frames)
    usable = _usable(frames, order)
    changes = []
    for camera in dict.fromkeys(order["camera"][usable]):
        rows = np.flatnonzero(usable & (order["camera"] == camera).to_numpy())
        rows = rows[np.argsort(order["order"].to_numpy(dtype=np.int64)[rows], kind="stable")]
        if rows.size >= FEWEST_FRAMES:
            seconds = order["seconds"].to_numpy(dtype=float)[rows]
            changes += _camera_changes(frames, rows, seconds, camera, brief)
    changes = one_for_all_cameras(one_for_all_views(one_a_family(changes)), order["order"].to_numpy(dtype=np.int64))
    changes.sort(key=lambda change: (change.to_row, change.quantity.name, change.view))
    return table_from_rows("changes", [change_row(frames, change, changes, order) for change in changes])


def _usable(frames, order):
    """Frames that stand at a known place in their camera's order."""
    measured = (frames["status"].fillna("") != "not_measured").to_numpy(dtype=bool)
    target = (frames["view_kind"].fillna("") == "target").to_numpy(dtype=bool)
    placed = np.isfinite(order["seconds"].to_numpy()) | (order["source"] == FILE_ORDER).to_numpy(dtype=bool)
    return measured & ~target & placed


def _camera_changes(frames, rows, seconds, camera, brief):
    """Changes of every quantity for one camera's frames in capture order."""
    kinds = frames["view_kind"].fillna("upright").to_numpy()[rows]
    views = frames["view"].fillna("").to_numpy()[rows]
    visits = _visits(frames["sku"].fillna("").to_numpy()[rows])
    styles = _visits(style_families(frames).to_numpy()[rows])
    sittings = np.cumsum(np.concatenate([[0.0], np.diff(seconds)]) > NIGHT_SECONDS)
    changes = []
    for quantity in QUANTITIES:
        if quantity.scope == "dust":
            changes += _dust(frames, rows, quantity, camera)
            continue
        values = working_values(frames, rows, quantity)
        known = np.isfinite(values)
        if quantity.scope == "light":
            known &= np.isin(kinds, FULL_FRAME_VIEWS) | _compared(frames, rows, quantity)
        if known.sum() < FEWEST_FRAMES or np.ptp(values[known]) == 0:
            continue
        visible, floor = visible_size(quantity, brief), rounding(quantity, values[known])
        places = np.flatnonzero(known)
        for label, pool, level in _pools(values, views, places, quantity.scope):
            series = values[pool] - level
            noise = max(floor, _style_noise(series, styles[pool])) if quantity.scope == "view" else floor
            fewest = FEWEST_LIT if quantity.name in LIT_BY_TWO else FEWEST_UNITS
            found = find_transitions(series, visits[pool], visible, noise, fewest)
            if quantity.scope == "view":
                found = [transition for transition in found if _rests_on_enough(transition, visits[pool])]
            elif quantity.scope == "light":
                found = _with_drifts(series, sittings[pool], found, visible, noise)
            begins = [0] + [one.first_after for one in found]
            found = [
                one for one, begin in zip(found, begins, strict=False)
                if _borne_out(frames, rows[pool], visits[pool], quantity, one, begin, brief)
            ]  # fmt: skip
            for transition in found:
                changes.append(_change(quantity, label, transition, pool, rows, visible, camera))
            if quantity.scope in ("light", "camera") and np.unique(views[pool]).size > 1:
                for view, transition, own in _of_one_view(values[pool], series, views[pool], visits[pool], found, visible, noise):
                    changes.append(_change(quantity, view, transition, pool[own], rows, visible, camera))
    return changes


def _of_one_view(values, series, views, visits, found, visible, noise):
    """
    Steps of one view alone, against those that are joined with it: (view, transition in its own values, its places in the series).

    Views differ by what they show, more in one shape than in another, so such a step has to reach the tolerance, in the view itself and
    beside the others, and to last for some products.
    """
    if any(transition.kind == "trend" for transition in found):
        return
    edges = [0, *(transition.first_after for transition in found), series.size]
    common = np.concatenate([np.full(stop - start, np.median(series[start:stop])) for start, stop in zip(edges, edges[1:], strict=False)])
    for view in sorted(set(views)):
        own = np.flatnonzero(views == view)
        for one in find_transitions(series[own] - common[own], visits[own], visible / HALF, noise):
            start, stop = max(2 * one.first_after - one.last - 1, 0), one.last + 1
            before, after = np.median(values[own][start : one.first_after]), np.median(values[own][one.first_after : stop])
            if one.kind == "step" and abs(after - before) >= visible / HALF and _rests_on_enough(one, visits[own]):
                yield view, one._replace(before=float(before), after=float(after)), own


def _borne_out(frames, rows, visits, quantity, transition, begin, brief):
    """
    Whether a change shows in the deviation from the set's rule too, where that is known.

    A tall bag after wide ones fills more of the height by the same framing, and a bag that covers another part of
    the sweep leaves a lighter or a darker part of it to be seen. Light that only two products got is a change of
    light where both product and background, which are measured apart, say so.
    """
    if transition.kind != "step":
        sides = _ends(transition, begin)
        return quantity.name not in BORNE_OUT_BY or _moved(frames, rows, sides, *BORNE_OUT_BY[quantity.name], brief) is not False
    first, stop = transition.first_after, transition.last + 1
    sides = slice(max(2 * first - stop, begin), first), slice(first, stop)
    if quantity.name in LIT_BY_TWO and min(np.unique(visits[side]).size for side in (slice(begin, first), sides[1])) < FEWEST_UNITS:
        return all(_moved(frames, rows, sides, column, "exposure", brief) for column in LIT_BY_TWO)
    if quantity.name not in BORNE_OUT_BY:
        return True
    return _moved(frames, rows, sides, *BORNE_OUT_BY[quantity.name], brief) is not False


def _ends(trend, begin):
    """The frames around either end of a trend, as many as a quarter of it: those outside it first."""
    first, last = trend.last_before, trend.first_after
    width = max(FEWEST_SIDE, (last - first) // 4)
    start, stop = max(first + 1 - width, begin), min(last + width, trend.last + 1)
    return slice(start, start + width), slice(stop - width, stop)


def _moved(frames, rows, sides, column, check, brief):
    """Whether a column moved by half of its tolerance from one slice to the other; None where too little of it is known."""
    values = frames[column].to_numpy(dtype=float)[rows]
    sides = [values[side] for side in sides]
    known = [side[np.isfinite(side)] for side in sides]
    if min(side.size for side in known) < FEWEST_SIDE:
        return None
    return bool(abs(np.median(known[1]) - np.median(known[0])) >= HALF * tolerance(brief, check))


def _compared(frames, rows, quantity):
    """Which frames' light was compared with the set's, well enough to follow it: details too, where they tell."""
    columns = [quantity.name] if quantity.name.endswith("_dev_ev") else ["background_dev_ev", "wb_dev"]
    sure = frames["exposure_dev_sd_ev"].fillna(0.0) <= SURE_EV if quantity.name == "exposure_dev_ev" else True
    return (frames[columns].notna().all(axis=1) & sure).to_numpy(bool)[rows]


def _rests_on_enough(transition, visits):
    """Whether a change has enough products on either side."""
    sides = visits[: transition.last_before + 1], visits[transition.first_after : transition.last + 1]
    return min(np.unique(side).size for side in sides) >= FEWEST_VISITS


def _with_drifts(series, sittings, found, visible, noise):
    """
    Transitions, with drifts within one sitting that the joint search of all of them did not see.

    A drift leaves much less unexplained than one step does, and so replaces one; what was
    found to be a trend, or several steps, stays.
    """
    for sitting in np.unique(sittings):
        places = np.flatnonzero(sittings == sitting)
        for drift in find_drifts(series[places], visible, noise):
            first, last, end = (int(places[place]) for place in (drift.last_before, drift.first_after, drift.last))
            inside = [one for one in found if one.first_after >= first and one.last_before < last]
            if len(inside) > 1 or any(one.kind == "trend" for one in inside):
                continue
            drift = drift._replace(last_before=first, first_after=last, last=end)
            found = [_set_back(one, drift, series) for one in found if one not in inside] + [drift]
    return sorted(found, key=lambda one: one.first_after)


def _set_back(step, drift, series):
    """A step found just after a drift's part of a sitting is its end: the drifted light was set back there at once."""
    if not 0 <= step.last_before - drift.first_after or step.first_after - drift.last > SAME_PLACE or step.kind == "trend":
        return step
    first = drift.last + 1
    return step._replace(last_before=drift.last, first_after=first, before=drift.after, after=float(np.median(series[first : step.last + 1])))


def _dust(frames, rows, quantity, camera):
    """Where the sensor's spots set in, from the last clean frame to the first spotted one, and where it was cleaned."""
    counts = pd.to_numeric(frames[quantity.name], errors="coerce").to_numpy(dtype=float)[rows]
    known = np.flatnonzero(np.isfinite(counts))
    spotted = known[counts[known] > 0]
    if spotted.size < FEWEST_FRAMES:
        return []
    before, after = known[known < spotted[0]], known[known > spotted[-1]]
    usual = float(np.median(counts[spotted]))
    found = [(before[-1], spotted[0], 0.0, usual, spotted.size)] if before.size else []
    if after.size >= FEWEST_FRAMES:  # fewer may only hide them
        found.append((spotted[-1], after[0], usual, 0.0, after.size))
    return [
        Change(quantity, "all", "step", int(rows[last]), int(rows[first]), int(last), int(first), low, high, int(count), 1.0, camera)
        for last, first, low, high, count in found
    ]


def _visits(skus):
    """Numbers that change whenever the product before the camera does; a frame of no known product is its own."""
    new = np.ones(skus.size, dtype=bool)
    new[1:] = (skus[1:] != skus[:-1]) | (skus[1:] == "")
    return np.cumsum(new)


def _style_noise(series, styles):
    """
    Scatter of framing from one style to the next, of one value.

    Colourways are photographed one after another, so where styles are framed
    differently each new style would look like a step.
    """
    starts = np.concatenate([[0], np.flatnonzero(np.diff(styles)) + 1])
    if not FEWEST_STYLES <= starts.size <= series.size / 2:
        return 0.0  # too few to tell, or a style is hardly more than a product
    return difference_noise([np.median(part) for part in np.split(series, starts[1:])])


def _pools(values, views, places, scope):
    """
    Series to judge: (label, places, level of each place).

    Views that alternate with one another in time are joined after each was
    brought to the largest one's level; a view taken at another time stands alone.
    """
    names, counts = np.unique(views[places], return_counts=True)
    names = list(names[np.argsort(-counts, kind="stable")])
    if scope == "view":
        for name in names:
            if name:  # what no name calls a view is not framed alike
                yield name, places[views[places] == name], 0.0
        return
    while names:
        main, *others = names
        reference = places[views[places] == main]
        levels, joined = {main: 0.0}, [main]
        for name in others:
            level = _level_against(values, places[views[places] == name], reference)
            if level is not None:
                levels[name] = level
                joined.append(name)
        pool = places[np.isin(views[places], joined)]
        label = "all" if len(joined) > 1 or not main else main
        yield label, pool, np.array([levels[view] for view in views[pool]])
        names = [name for name in others if name not in levels]


def _level_against(values, own, reference):
    """Median difference to the reference view's frames just before and after; None where they do not alternate."""
    after = np.searchsorted(reference, own)
    between = (after > 0) & (after < reference.size)
    if between.sum() < min(NEIGHBOURS_TO_JOIN, own.size) or between.sum() < own.size / 2:
        return None
    own, after = own[between], after[between]
    if np.unique(after).size < min(NEIGHBOURS_TO_JOIN, own.size):
        return None
    around = (values[reference[after - 1]] + values[reference[after]]) / 2
    return float(np.median(values[own] - around))


def _change(quantity, view, transition, pool, rows, visible, camera):
    """A transition of a series as a change of the set."""
    first = transition.first_after if transition.kind == "step" else transition.last_before
    backward = BACKWARD[quantity.scale]
    return Change(
        quantity=quantity,
        view=view,
        kind=transition.kind,
        from_row=int(rows[pool[transition.last_before]]),
        to_row=int(rows[pool[transition.first_after]]),
        from_place=int(pool[transition.last_before]),
        to_place=int(pool[transition.first_after]),
        before=float(backward(transition.before)),
        after=float(backward(transition.after)),
        frames=transition.last - first + 1,
        strength=abs(transition.after - transition.before) / visible,
        camera=camera,
    )
