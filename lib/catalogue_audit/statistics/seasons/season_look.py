"""What the house reference should be, and which deliveries do not match the site's current look."""

import math

import numpy as np
import pandas as pd

from catalogue_audit.statistics.intervals import hodges_lehmann
from catalogue_audit.statistics.robust import mad_scale
from catalogue_audit.statistics.seasons.season_values import HABITS, WHOLE
from catalogue_audit.statistics.series.control import individuals_chart

CURRENT = 6  # newest deliveries whose middle is the site's current look
FEWEST_PICTURES = 3  # of a delivery, for its middle to be judged
FEWEST_REFERENCE = 5  # pictures of a view, for a reference
REFERENCE_COLUMNS = (
    ("yaw_deg", "degree"), ("roll_deg", "degree"), ("camera_pitch_deg", "degree"), ("fill_height", "fraction of frame"), ("fill_width", "fraction of frame"),
    ("centre_dx", "fraction of width"), ("centre_dy", "fraction of height"), ("baseline", "fraction of frame"), ("focal_length_35mm", "mm"),
    ("cct_k", "K"), ("duv", "CIE 1960 uv"), ("background_L", "CIELAB"), ("background_a", "CIELAB"), ("background_b", "CIELAB"),
)  # fmt: skip
HOUSE_COLUMNS = ("view", "style", "quantity", "centre", "low", "high", "scatter", "unit", "deliveries", "pictures", "current")
LOOK_COLUMNS = tuple(f"{name}_dev" for name in HABITS)


def house_reference(frames, order, current=CURRENT):
    """
    Robust centre of every quantity by view, and by style where the style has its own.

    Every delivery counts once, by its median, so that one large delivery does not set the look.

    Parameters
    ----------
    frames : DataFrame
        Of all deliveries, with the column ``audit``.
    order : dict of int to int
        Audit number to place in the season.
    current : int
        Newest deliveries whose median is the column ``current``.

    Returns
    -------
    DataFrame
        Columns `HOUSE_COLUMNS`: ``centre`` is the Hodges-Lehmann centre of the deliveries' medians, ``low`` and
        ``high`` its 95 % interval (empty below six deliveries), ``scatter`` the robust standard deviation of pictures.
    """
    whole = frames[frames["view"].notna() & (frames["view"] != "")]
    rows = []
    for view, part in whole.groupby("view", sort=True):
        rows += _reference_rows(view, "", part, order, current)
        for style, mine in part.groupby(part["style"].fillna(""), sort=True):
            if style and len(mine) >= 4 * FEWEST_REFERENCE and mine["audit"].nunique() >= 3:
                rows += _reference_rows(view, style, mine, order, current)
    return pd.DataFrame(rows, columns=list(HOUSE_COLUMNS))


def _reference_rows(view, style, part, order, current):
    rows = []
    for quantity, unit in REFERENCE_COLUMNS:
        whole = part["view_kind"].isin(WHOLE) | (quantity == "focal_length_35mm")  # a crop has no pose, frame or background of its own
        values = pd.to_numeric(part[quantity], errors="coerce").astype(float).where(whole)
        known = values[np.isfinite(values)]
        if len(known) < FEWEST_REFERENCE:
            continue
        medians = known.groupby(part.loc[known.index, "audit"]).median()
        medians = medians.loc[sorted(medians.index, key=order.get)]
        centre, low, high = hodges_lehmann(medians)
        newest = float(medians.iloc[-current:].median())
        rows.append((view, style, quantity, centre, low, high, mad_scale(known), unit, len(medians), len(known), newest))
    return rows


def delivery_looks(values, order, current=CURRENT):
    """
    Each delivery against the site's current look.

    The current look is the median of the newest deliveries' medians. A delivery does not match where its
    median is further away than the tolerance, and further than three sigmas of what separates neighbouring deliveries
    (individuals chart, sigma from the median moving range), or where fewer than three deliveries have a
    value, the tolerance alone.

    Parameters
    ----------
    values : DataFrame
        As `season_values.season_values` gives.
    order : dict of int to int
        Audit number to place in the season.

    Returns
    -------
    looks : DataFrame
        Index: audit number, in the season's order. `LOOK_COLUMNS`, ``farthest`` (quantity), ``distance`` (tolerances), ``matches``, ``unlike`` (quantities, parted by blanks).
    limits : DataFrame
        Index: quantity. ``centre`` 0, ``tolerance``, ``sigma`` (of a delivery), ``current`` deliveries counted.
    """
    audits = sorted(order, key=order.get)
    table, limits = pd.DataFrame(index=pd.Index(audits, name="audit")), []
    beyond = {}
    for name, habit in HABITS.items():
        known = values[np.isfinite(values[name])]
        groups = known.groupby("audit")[name]
        medians = groups.median()[groups.size() >= FEWEST_PICTURES].reindex(audits)
        newest = medians.dropna().iloc[-current:]
        deviation = medians - (newest.median() if len(newest) else math.nan)
        sigma = individuals_chart(deviation.to_numpy(dtype=float), robust=True).sigma if deviation.notna().sum() > 2 else 0.0
        table[f"{name}_dev"] = deviation
        beyond[name] = deviation.abs() > max(habit.tolerance, 3 * sigma)
        limits.append((name, 0.0, habit.tolerance, sigma, len(newest)))
    distances = pd.DataFrame({name: table[f"{name}_dev"].abs() / habit.tolerance for name, habit in HABITS.items()})
    found = distances.notna().any(axis=1)
    table["farthest"] = [distances.loc[audit].idxmax() if found[audit] else "" for audit in audits]
    table["distance"] = distances.max(axis=1)
    table["unlike"] = [" ".join(name for name in HABITS if beyond[name][audit]) for audit in audits]
    table["matches"] = [unlike == "" if found[audit] else None for audit, unlike in zip(audits, table["unlike"], strict=True)]
    return table, pd.DataFrame(limits, columns=["quantity", "centre", "tolerance", "sigma", "current"]).set_index("quantity")
