"""
Charts: tables in, a matplotlib figure and its alternative text out.

Each chart answers one question and its title says the answer. No pyplot, no
global state. Above `MANY` points the middle and the spread are drawn, and only
what lies outside the limits as points.
"""

from typing import NamedTuple

import numpy as np
import pandas as pd
from matplotlib.ticker import PercentFormatter

from catalogue_audit.report import figures, look
from catalogue_audit.report.audit import tolerance, view_order
from catalogue_audit.report.change_words import levels
from catalogue_audit.report.numbers import SHARE_UNITS, count_text, number_text
from catalogue_audit.report.timeline import timeline
from catalogue_audit.report.wording import plain_text, view_title

MANY = 5000  # points a chart draws one by one
WHISKERS = 300  # points of a line up to which each carries its standard uncertainty
WHOLE = ("upright", "overhead")  # kinds of view that show the product whole
UNCERTAINTY = {"yaw_dev_deg": "yaw_dev_sd_deg", "roll_deg": "roll_sd_deg", "exposure_dev_ev": "exposure_dev_sd_ev"}
BINS = 120  # places along a chart of more points
NAMED = 3  # outliers that carry their file name
NAME_WIDTH, NAME_HEIGHT = 0.3, 0.08  # of the axes, room of a name


class Drift(NamedTuple):
    """
    What a drift chart shows.

    Attributes
    ----------
    title : str
        The quantity, as people say it.
    y_label : str
        With its unit and what its sign means.
    check : str
        The check whose tolerance is the limit.
    unit : str
    columns : tuple of (column, label)
        One line a column; a single one is split by view.
    related : tuple of str
        Quantities of the changes table that belong here.
    whole : bool
        Only pictures that show the product whole: light is judged on no others.
    """

    title: str
    y_label: str
    check: str
    unit: str
    columns: tuple
    related: tuple
    whole: bool = False


DRIFTS = {
    "white_balance": Drift(
        "White balance", "ΔE00 from the set's reference\n+ warmer, − cooler", "white_balance", "CIEDE2000",
        (("signed_wb_dev", ""),), ("wb_dev", "wb_gain_r", "wb_gain_b", "cct_k", "duv", "background_a", "background_b"), True,
    ),
    "exposure": Drift(
        "Exposure", "EV from the set's reference\n+ brighter", "exposure", "EV",
        (("exposure_dev_ev", "product"), ("background_dev_ev", "background")),
        ("exposure_dev_ev", "background_dev_ev", "ev100", "background_L", "product_ev"), True,
    ),
    "focal_length": Drift(
        "Focal length", "difference from the usual one\nof the same view, + longer", "focal_length", "fraction",
        (("focal_length", ""),), ("focal_length_mm", "focal_length_35mm"),
    ),
    "scale": Drift(
        "Size in the frame", "difference from the set's rule\n+ larger", "scale", "fraction",
        (("scale_dev", ""),), ("scale_dev", "fill_height", "fill_width", "fill_area"),
    ),
    "centring": Drift(
        "Position in the frame", "share of the frame\n+ right, + down", "centring", "fraction of frame",
        (("centre_dev_x", "across"), ("centre_dev_y", "down")), ("centre_dev_x", "centre_dev_y", "centre_dx", "centre_dy", "baseline"),
    ),
    "angle": Drift(
        "Angle", "degrees from the set's reference\n+ front towards the right", "angle", "degree",
        (("yaw_dev_deg", ""),), ("yaw_dev_deg", "yaw_deg"),
    ),
    "roll": Drift("Tilt", "degrees\n+ clockwise", "roll", "degree", (("roll_deg", ""),), ("roll_deg",)),
}  # fmt: skip


def drift_chart(audit, name):
    """
    How one quantity runs over the shoot, with limits, changes and capture runs.

    Parameters
    ----------
    audit : Audit
    name : str
        Key of `DRIFTS`.

    Returns
    -------
    figure : matplotlib.figure.Figure
    alt_text : str
        The same answer in words.
    """
    drift = DRIFTS[name]
    line = timeline(audit.frames)
    parts = _parts(audit, drift, line)
    limit = tolerance(audit, drift.check)
    reach = None if limit is None else abs(limit)
    changes = _changes_here(audit, drift, line)
    title = _drift_title(drift, parts, reach, limit, changes)
    figure = figures.new_figure()
    axes = figure.add_subplot()
    axes.margins(y=0.14)
    _draw_runs(axes, line)
    if reach is not None and parts:
        _draw_limits(axes, reach)
    for part, (colour, marker) in zip(parts, look.SERIES, strict=False):
        _draw_part(axes, part, colour, marker, reach)
    _draw_changes(axes, changes)
    _name_outliers(axes, parts, reach)
    figures.style_axes(axes, title, line.label, drift.y_label)
    if line.ticks:
        axes.set_xticks([x for x, _ in line.ticks], [text for _, text in line.ticks])
    if drift.unit in SHARE_UNITS:
        axes.yaxis.set_major_formatter(PercentFormatter(1.0, symbol=" %"))
    if len(parts) > 1:
        figures.legend(axes)
    figures.place_axes(axes)
    return figure, _drift_words(title, parts, line, limit, drift, changes)


def has_drift(audit, name):
    """True where the frames hold at least one value for that chart."""
    drift = DRIFTS[name]
    shown = shown_in(audit.frames, drift) & np.isfinite(timeline(audit.frames).x)
    return any(bool(np.isfinite(drift_values(audit.frames, column)[shown]).any()) for column, _ in drift.columns)


def shown_in(frames, drift):
    """(n,) ndarray of bool: the pictures that a drift chart shows."""
    return frames["view_kind"].isin(WHOLE).to_numpy() if drift.whole else np.ones(len(frames), bool)


def _parts(audit, drift, line):
    """What is drawn apart: a list of tables with x, y, sd, file and a label; without empty ones."""
    frames, parts = audit.frames, []
    shown = shown_in(frames, drift)
    for column, label in drift.columns:
        sd = _numbers(frames, UNCERTAINTY[column]) if column in UNCERTAINTY else np.zeros(len(frames))
        table = pd.DataFrame({"x": line.x, "y": drift_values(frames, column), "sd": np.nan_to_num(sd), "file": frames["file"].to_numpy(), "view": frames["view"].fillna("").to_numpy()})
        table = table[np.isfinite(table["x"]) & np.isfinite(table["y"]) & shown]
        if len(drift.columns) > 1:
            parts.append(table.assign(label=label))
            continue
        views = [view for view in view_order(audit) if (table["view"] == view).any()]
        kept = views[: len(look.SERIES) - 1]
        parts += [table[table["view"] == view].assign(label=view_title(view)) for view in kept]
        parts.append(table[~table["view"].isin(kept)].assign(label="other"))
    return [part for part in parts if len(part)]


def drift_values(frames, column):
    """(n,) ndarray of float: a column of `DRIFTS`, signed as its axis says; NaN where unknown."""
    if column == "signed_wb_dev":  # needs more blue to come back: it is warm
        return _numbers(frames, "wb_dev") * np.where(_numbers(frames, "wb_gain_b") < 1, -1.0, 1.0)
    if column == "focal_length":
        equivalent = _numbers(frames, "focal_length_35mm")
        length = pd.Series(equivalent if np.isfinite(equivalent).any() else _numbers(frames, "focal_length_mm"))
        return (length / length.groupby(frames["view"].fillna("").to_numpy()).transform("median") - 1).to_numpy()
    return _numbers(frames, column)


def _numbers(frames, column):
    return frames[column].to_numpy(dtype=float, na_value=np.nan).copy()


def _outside(parts, reach):
    """Rows beyond the limit and beyond three times their own uncertainty, as findings are judged; worst first."""
    if reach is None or not parts:
        return pd.DataFrame(columns=["x", "y", "file"])
    table = pd.concat(parts)
    table = table.assign(off=table["y"].abs())
    beyond = table["off"] > np.maximum(reach, 3 * table["sd"]) + 1e-9
    return table[beyond].sort_values(["off", "file"], ascending=[False, True])


def _changes_here(audit, drift, line):
    """(x, words) of each change of this quantity that the axis can show."""
    places = dict(zip(audit.frames["file"], line.x, strict=True))
    found = []
    for change in audit.changes.to_dict("records"):
        x = places.get(change["to_file"], np.nan)
        if change["quantity"] in drift.related and np.isfinite(x):
            found.append((x, change))
    return found


def _drift_title(drift, parts, reach, limit, changes):
    if not parts:
        return f"{drift.title}: nothing could be measured"
    count = sum(part["file"].nunique() for part in parts) if len(drift.columns) == 1 else max(part["file"].nunique() for part in parts)
    outside = _outside(parts, reach)["file"].nunique()
    allowed = "" if limit is None else f" ±\u00a0{number_text(limit, drift.unit)}".replace(" ", "\u00a0")
    state = f"all {count} within{allowed}" if not outside else f"{outside} of {count} outside{allowed}"
    if changes:
        first = changes[0][1]
        kind = "steps" if first["kind"] == "step" else "drifts"
        more = f" and {len(changes) - 1} more" if len(changes) > 1 else ""
        before, after = levels(first)
        by = f" from {before} to {after}" if before and after else ""
        axis = {"background_a": "a*", "background_b": "b*"}.get(first["quantity"])  # in CIELAB, where the chart's own axis is a difference
        what = f": {axis} of the background" if axis else ""
        where = "at" if first["kind"] == "step" else "up to"
        return f"{drift.title}{what} {kind}{by} {where} {plain_text(first['to_file'], 40)}{more}; {state}"
    return f"{drift.title}: {state}" if limit is not None else f"{drift.title}: {count_text(count, 'picture')}"


def _drift_words(title, parts, line, limit, drift, changes):
    shown = ", ".join(f"{part['label'].iloc[0]} {len(part)}" for part in parts)
    words = [f"{title}.", f"Scatter chart against {line.label}."]
    if parts:
        everything = np.concatenate([part["y"] for part in parts])
        words.append(f"Values from {number_text(everything.min(), drift.unit, True)} to {number_text(everything.max(), drift.unit, True)}. Points: {shown}.")
    words += [plain_text(change["note"]) for _, change in changes]
    return " ".join(words)


def _draw_runs(axes, line):
    for number, (start, end, text) in enumerate(line.runs):
        if number % 2 == 0:
            axes.axvspan(start - 0.5, end + 0.5, color=look.SHADE, zorder=0, linewidth=0)
        if len(line.runs) <= 8:
            figures.label(axes, start, 1.01, text, xycoords=("data", "axes fraction"), color=look.QUIET, fontsize=7, va="bottom")


def _draw_limits(axes, reach):
    axes.axhspan(-reach, reach, color="#DDEBF4", zorder=0.5, linewidth=0, alpha=0.7)
    axes.axhline(0.0, color=look.QUIET, linewidth=0.8, zorder=1)
    for side in (-1, 1):
        axes.axhline(side * reach, color=look.BLUE, linewidth=0.9, linestyle=(0, (5, 3)), zorder=1)
    figures.label(axes, 1.0, reach, "limit", xycoords=("axes fraction", "data"), color=look.BLUE, fontsize=7, ha="right", va="bottom")


def _draw_part(axes, part, colour, marker, reach):
    label = part["label"].iloc[0]
    if len(part) <= MANY:
        axes.scatter(part["x"], part["y"], s=20, c=colour, marker=marker, label=label, alpha=0.85, linewidths=0.4, edgecolors=look.PAPER, zorder=3, rasterized=len(part) > 800)
        if len(part) <= WHISKERS and part["sd"].any():
            axes.errorbar(part["x"], part["y"], yerr=part["sd"], fmt="none", ecolor=colour, elinewidth=0.8, alpha=0.6, zorder=2.5)
        return
    groups = part.groupby(pd.cut(part["x"], BINS), observed=True)["y"]
    x = part.groupby(pd.cut(part["x"], BINS), observed=True)["x"].median()
    low, centre, high = (groups.quantile(share).to_numpy() for share in (0.05, 0.5, 0.95))
    axes.fill_between(x, low, high, color=colour, alpha=0.25, linewidth=0, zorder=2)
    axes.plot(x, centre, color=colour, linewidth=1.6, label=f"{label}: median, 5–95 %", zorder=3)
    if reach is not None:
        outside = _outside([part], reach).head(200)
        axes.scatter(outside["x"], outside["y"], s=12, c=colour, marker=marker, zorder=3, rasterized=True)


def _draw_changes(axes, changes):
    for x, change in changes[:6]:
        axes.axvline(x - 0.25, color=look.INK, linewidth=1.1, linestyle=(0, (2, 2)), zorder=2)
        figures.label(axes, x, 0.02, f" {change['kind']}", xycoords=("data", "axes fraction"), fontsize=7.5, fontweight="bold", va="bottom")


def _name_outliers(axes, parts, reach):
    named, width, height = [], np.ptp(axes.get_xlim()), np.ptp(axes.get_ylim())
    for row in _outside(parts, reach).itertuples():
        if any(abs(row.x - x) < NAME_WIDTH * width and abs(row.y - y) < NAME_HEIGHT * height for x, y in named):
            continue  # its name would lie on another's
        named.append((row.x, row.y))
        if len(named) > NAMED:
            break
        right = row.x > np.mean(axes.get_xlim())
        figures.label(axes, row.x, row.y, plain_text(row.file, 34), textcoords="offset points", xytext=(-6 if right else 6, 4), ha="right" if right else "left", zorder=4)
