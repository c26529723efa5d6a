"""Handles in a turned view, where each has a side of the crown to itself, or one passes above the other's."""

import numpy as np

from catalogue_audit.measures.geometry.lines import runs
from catalogue_audit.measures.quantiles import median

THICKNESS_SD = 0.15  # of a handle's thickness; how evenly thick sewn handles are
CRUMB = 0.3  # of the thickest band; a thinner one is an edge's noise
NESTED_SHARE = 0.25  # of the handles' width, across which a handle shows under the other
NESTED_FALL = 0.1  # of the handles' height, by which its crown stands above its leg
NESTED_FLAT, NESTED_LEVEL = 0.1, 0.02  # of the handles' width and height: so level is a crown, where legs climb on
ALIKE = 1.0 + 4 * THICKNESS_SD  # of two handles' thickness, one over the other; straps are half as thick as handles and less
NESTED_APART = 0.03  # of the handles' width; crowns closer to one above the other do not say which handle is which
SIDE_SHARE = 0.45  # of the handles' width on either side, where a turned view shows each handle's own crown
LEG_ROWS, LEG_PLACES = 8, 5  # fewest rows with the legs of two handles, and among them with such that grow apart
ALIKE_LEGS = 2.2  # times the thinnest; legs of two handles, one seen more from its edge
UNLIKE_LEGS = 0.25  # of the difference in thickness between a handle's two legs, one seen more from its edge: how far off the middle between them is
GROWING = 0.12  # px a row; legs that hardly part on their way down do not say how far up their crown is
FARTHER = np.linspace(0.94, 1.06, 25)  # size of the left handle over the right one's: one of them is farther off
AS_LIKELY = 1.3  # times the least scatter


def side_crowns(mask, region):
    """
    Crowns of the two handles of a turned view, by the names of `handles.STAND`.

    Highest row on their left and on their right; where one handle's crown shows under the other's, of these two. A handle so
    much raised that it passes before or above the other's crown is told by how far apart the legs of each stand.

    Parameters
    ----------
    mask : (h, w) bool
    region : tuple
        As `handles.handle_region` gives it.

    Returns
    -------
    dict
        ``left_crown``, ``right_crown``: rows; NaN where there is none.
    """
    top, body_top, left, right = region
    part = mask[top:body_top]
    span = int(SIDE_SHARE * (right - left))
    crowns = {}
    for name, start in (("left_crown", int(left)), ("right_crown", int(right) - span)):
        rows = np.flatnonzero(part[:, max(start, 0) : start + span].any(axis=1))
        crowns[name] = top + float(rows[0]) if len(rows) else np.nan
    nested = nested_crowns(part[:, max(int(left), 0) : int(right)])
    if nested:
        return crowns | {name: top + row for name, row in nested.items()}
    lower, lower_sd = right_below_left(mask, region)
    seen, doubt = crowns["right_crown"] - crowns["left_crown"], 3 * np.hypot(lower_sd, 1.0)  # what is highest on either side is known to a pixel
    if abs(lower) > abs(seen) + doubt and lower * seen >= 0 and _may_lie_so(part[:, max(int(left), 0) : int(right)], lower, doubt):
        return {"left_crown": top + max(-lower, 0.0), "right_crown": top + max(lower, 0.0)}
    return crowns


def nested_crowns(part):
    """
    Crowns of two handles of which one passes over the other's in the picture, as a raised one does in a turned view.

    Level handles in a turned view cross between their crowns, so that each is the upper one on its own side, and what is below climbs up to the
    crossing. Where the lower band levels out before it, it has its crown there: the other handle passes above.

    Parameters
    ----------
    part : (h, w) bool
        Product mask above the body, between the handles' outer edges.

    Returns
    -------
    dict
        ``left_crown``, ``right_crown``: rows; empty where handles are not seen so, or stand too much behind one another to say which is left.
    """
    begins = np.diff(part.astype(np.int8), axis=0, prepend=0) == 1
    number = np.cumsum(begins, axis=0)
    second, over = begins & (number == 2), np.any(~part & (number == 2), axis=0)  # and background again below it
    columns = max(runs(second.any(axis=0) & over), key=lambda run: run[1] - run[0], default=(0, 0))
    wide = columns[1] - columns[0]
    if wide < NESTED_SHARE * part.shape[1]:
        return {}
    upper = np.where(begins.any(axis=0), begins.argmax(axis=0), len(part))
    lower = second[:, slice(*columns)].argmax(axis=0)
    flat = max(2, int(NESTED_FLAT * part.shape[1]))
    level = [np.ptp(lower[place : place + flat]) <= 1 + NESTED_LEVEL * len(part) for place in range(0, wide - flat + 1)]
    crown = [place for place, even in enumerate(level) if even and lower[place : place + flat].min() <= lower.min() + 1]
    falls = [end >= lower.min() + NESTED_FALL * len(part) for end in (lower[0], lower[-1])]
    if not crown or sum(falls) != 1:  # a handle whose both legs show below stands under a strap
        return {}
    places = [float(np.median(np.flatnonzero(rows <= rows.min() + 1))) for rows in (upper, lower)]
    places[1] += columns[0]
    thick = [np.count_nonzero(part[:, int(place)] & (number[:, int(place)] == band)) for band, place in zip((1, 2), places)]
    apart = places[1] - places[0]
    if abs(apart) < NESTED_APART * part.shape[1] or max(thick) > ALIKE * min(thick):
        return {}
    left, right = (upper, lower) if apart > 0 else (lower, upper)
    return {"left_crown": float(left.min()), "right_crown": float(right.min())}


def _may_lie_so(part, lower, doubt):
    """Whether the upper edge rises to one crown alone, the other being hidden, or to two of which the right one lies so much lower."""
    rows = np.where(part.any(axis=0), part.argmax(axis=0), len(part))
    dips = rows - np.maximum(np.minimum.accumulate(rows), np.minimum.accumulate(rows[::-1])[::-1])
    valley = int(dips.argmax())
    if dips[valley] <= 1 + NESTED_LEVEL * len(part):
        return True
    return abs(float(rows[valley:].min() - rows[:valley].min()) - lower) <= doubt


def right_below_left(mask, region):
    """
    How far the handle on the right lies below the one on the left, by their legs.

    Twins are as wide at one depth below their crowns. So the rows at which both have one width lie as far apart as
    their crowns, also where the one crown passes before the other. How much larger the nearer one looks is what makes
    all widths tell the same.

    Parameters
    ----------
    mask, region
        As `side_crowns` takes them.

    Returns
    -------
    rows, standard uncertainty : float
        NaN where the legs of two handles are not seen beside each other.
    """
    top, body_top, left, right = region
    reach = 0.3 * (right - left)
    rows, middles, thick = _four_legs(mask[top:body_top], left - reach, right + reach)
    alike = thick.max(axis=1, initial=0.0) <= ALIKE_LEGS * thick.min(axis=1, initial=np.inf)
    rows, middles, thick = rows[alike] + top, middles[alike], thick[alike]
    left_width, right_width = middles[:, 2] - middles[:, 0], middles[:, 3] - middles[:, 1]
    unlike = UNLIKE_LEGS * np.hypot(thick[:, 2] - thick[:, 0], thick[:, 3] - thick[:, 1])
    if len(rows) < LEG_ROWS:
        return np.nan, np.nan
    left_width, right_width = (np.maximum.accumulate(width) for width in (left_width, right_width))
    told, grows = [], np.gradient(left_width, rows)
    for size in FARTHER:
        width = left_width / size
        use = (grows > GROWING * size) & (width >= right_width[0]) & (width < right_width[-1])
        if np.count_nonzero(use) >= LEG_PLACES:
            below = np.interp(width[use], right_width, rows) - rows[use]
            unsure = float(median(unlike[use])) / float(median(grows[use])) * size
            told.append((float(below.std()), float(median(below)), unsure))
    if not told:
        return np.nan, np.nan
    least = min(told)[0]
    likely = [below for scatter, below, _ in told if scatter <= AS_LIKELY * least]
    return min(told)[1], float(np.hypot(np.hypot(least, min(told)[2]), 0.5 * (max(likely) - min(likely))))


def _four_legs(part, start, end):
    """
    Rows on which just four bands lie wholly between two columns, crumbs left out.

    Returns
    -------
    rows : (n,) int
    middles, thick : (n, 4) float
        Of the bands, columns.
    """
    steps = np.diff(part.astype(np.int8), axis=1, prepend=0, append=0)
    row, first = np.nonzero(steps > 0)
    last = np.nonzero(steps < 0)[1]
    within = (start <= first) & (last <= end)
    row, first, last = row[within], first[within], last[within]
    thickest = np.zeros(len(part))
    np.maximum.at(thickest, row, last - first)
    bands = last - first > CRUMB * thickest[row]
    row, first, last = row[bands], first[bands], last[bands]
    four = np.bincount(row, minlength=len(part)) == 4
    first, last = (edge[four[row]].reshape(-1, 4) for edge in (first, last))
    return np.flatnonzero(four), 0.5 * (first + last), (last - first).astype(float)


def without_crumbs(bands):
    """Bands without those much thinner than the thickest."""
    thickest = max((b - a for a, b in bands), default=0)
    return [(a, b) for a, b in bands if b - a > CRUMB * thickest]
