"""Charts of a season: one question each, the title is the answer."""

import numpy as np
from matplotlib.ticker import PercentFormatter

from catalogue_audit.report import figures, look
from catalogue_audit.report.numbers import count_text
from catalogue_audit.report.season_tables import amount, fault_title, interval, progress_sentence, recurring, reported, who
from catalogue_audit.report.wording import is_missing, plain_text
from catalogue_audit.statistics.seasons.season_values import HABITS

MOST_OFFSETS = 14  # rows of the chart of offsets
MOST_FAULTS = 12
MOST_NAMES = 24  # deliveries whose names fit under the axis
NAMED = 3  # deliveries named beside their point
SEEN = 0.25  # of the tolerance, as in statistics.seasons.season


def habit_chart(season, quantity):
    """
    How one habit ran over the deliveries, against the current look.

    Parameters
    ----------
    season : Season
    quantity : str
        Key of `HABITS`.

    Returns
    -------
    figure : matplotlib.figure.Figure
    alt_text : str
    """
    habit, table = HABITS[quantity], season.deliveries
    percent = habit.unit == "fraction"
    y = table[f"{quantity}_dev"].to_numpy(dtype=float, na_value=np.nan)
    x = np.arange(len(y))
    outside = np.array([quantity in plain_text(names).split() for names in table["unlike"]], dtype=bool)
    figure = figures.new_figure(layout="constrained")
    axes = figure.add_subplot()
    axes.margins(y=0.15)
    axes.axhspan(-habit.tolerance, habit.tolerance, color="#DDEBF4", zorder=0.5, linewidth=0, alpha=0.7)
    axes.axhline(0.0, color=look.QUIET, linewidth=0.8, zorder=1)
    figures.label(axes, 1.0, habit.tolerance, "tolerance about the current look", xycoords=("axes fraction", "data"), color=look.BLUE, fontsize=7, ha="right", va="bottom")
    axes.plot(x, y, color=look.RULE, linewidth=1.0, zorder=2)
    axes.scatter(x[~outside], y[~outside], s=26, c=look.BLUE, marker="o", zorder=3, label="matches")
    axes.scatter(x[outside], y[outside], s=30, c=look.VERMILION, marker="s", zorder=3, label="does not match")
    for place in sorted(np.flatnonzero(outside), key=lambda place: -abs(y[place]))[:NAMED]:
        figures.label(axes, x[place], y[place], " " + plain_text(table["delivery"].iloc[place], 28), textcoords="offset points", xytext=(4, 5), zorder=4)
    if percent:
        axes.yaxis.set_major_formatter(PercentFormatter(1.0, symbol=" %"))
    known = int(np.isfinite(y).sum())
    title = f"{habit.title}: {_habit_answer(season, quantity, known, int(outside.sum()))}"
    unit = "" if percent else f", {habit.unit}"
    figures.style_axes(axes, title, "deliveries, in order of capture", f"from the current look{unit}\n+ {habit.plus}")
    _name_deliveries(axes, table)
    words = f"{title}. Median of each of {known} deliveries against the current look."
    if known:
        words += f" From {amount(np.nanmin(y), habit.unit)} to {amount(np.nanmax(y), habit.unit)}."
    return figure, words


def _habit_answer(season, quantity, known, outside):
    if not known:
        return "could not be measured"
    rows = [row for row in reported(season) if row["quantity"] == quantity]
    drift = next((f"drifts {amount(row['offset'], row['unit'])} a delivery" for row in rows if row["kind"] == "trend"), "")
    others = ", ".join(f"{who(row)} {amount(row['offset'], row['unit'])}" for row in rows if row["kind"] in ("camera", "lens", "weekday"))
    unlike = f"{outside} of {known} deliveries off the current look" if outside else f"all {known} deliveries match the current look"
    return "; ".join(filter(None, (drift, others, unlike)))


def _name_deliveries(axes, table):
    names = [plain_text(name, 16) for name in table["delivery"]]
    step = max(1, -(-len(names) // MOST_NAMES))
    axes.set_xticks(range(0, len(names), step), names[::step], rotation=60, ha="right", fontsize=7, parse_math=False)


def has_habit(season, quantity):
    """True where at least one delivery has a value."""
    return bool(season.deliveries[f"{quantity}_dev"].notna().any())


def offsets_chart(season):
    """
    Offsets of cameras, lenses, days and trends in tolerances, with 95 % limits.

    Returns
    -------
    figure : matplotlib.figure.Figure
    alt_text : str
    """
    rows = _largest_offsets(season)
    figure = figures.new_figure(height_in=1.1 + 0.3 * max(3, len(rows)), layout="constrained")
    axes = figure.add_subplot()
    axes.axvspan(-SEEN, SEEN, color=look.SHADE, zorder=0, linewidth=0)
    axes.axvline(0.0, color=look.QUIET, linewidth=0.8, zorder=1)
    for place, (row, scale) in enumerate(rows):
        colour, marker = (look.VERMILION, "s") if row["reported"] else (look.QUIET, "o")
        axes.plot([row["low"] * scale, row["high"] * scale], [place, place], color=colour, linewidth=1.6, zorder=2)
        axes.scatter([row["offset"] * scale], [place], s=30, c=colour, marker=marker, zorder=3)
    names = [f"{HABITS[row['quantity']].title}: {who(row)}" for row, _ in rows]
    axes.set_yticks(range(len(rows)), names, fontsize=8, parse_math=False)
    axes.set_ylim(len(rows) - 0.4, -0.6)
    count = sum(bool(row["reported"]) for row, _ in rows)
    title = f"{count_text(count, 'habit hangs', 'habits hang')} on a camera, a lens, a day or time" if count else "No habit hangs on a camera, a lens, a day or time"
    figures.style_axes(axes, title, "offset in tolerances, with 95 % limits (a trend: over the whole season); shaded: too small to be seen", "")
    words = [f"{name} {amount(row['offset'], row['unit'])} ({interval(row['low'], row['high'], row['unit'])})" for name, (row, _) in zip(names, rows, strict=True)]
    return figure, f"{title}. " + "; ".join(words)


def has_offsets(season):
    """True where there is an offset to draw."""
    return bool(_largest_offsets(season))


def _largest_offsets(season):
    """(row, factor from its unit to tolerances) of the largest offsets, reported ones first."""
    span = max(1, len(season.deliveries) - 1)
    rows = []
    for row in season.habits[season.habits["kind"].isin(("trend", "camera", "lens", "weekday", "level"))].to_dict("records"):
        scale = (span if row["kind"] == "trend" else 1) / row["tolerance"]
        if not is_missing(row["offset"]) and not is_missing(row["low"]):
            rows.append((row, scale))
    rows.sort(key=lambda item: (not item[0]["reported"], -abs(item[0]["offset"] * item[1]), item[0]["quantity"], item[0]["kind"]))
    return rows[:MOST_OFFSETS]


def faults_chart(season):
    """
    Which faults recur: share of pictures by check with its interval.

    Returns
    -------
    figure : matplotlib.figure.Figure
    alt_text : str
    """
    faults = season.faults[season.faults["check"] != "any"]
    rows = faults.sort_values("recurring", ascending=False, kind="stable").head(MOST_FAULTS).to_dict("records")
    figure = figures.new_figure(height_in=1.1 + 0.3 * max(3, len(rows)), layout="constrained")
    axes = figure.add_subplot()
    for place, row in enumerate(rows):
        colour, marker = (look.VERMILION, "s") if row["recurring"] else (look.QUIET, "o")
        axes.plot([row["rate_low"], row["rate_high"]], [place, place], color=colour, linewidth=1.6, zorder=2)
        axes.scatter([row["rate"]], [place], s=30, c=colour, marker=marker, zorder=3)
    axes.set_yticks(range(len(rows)), [fault_title(row["check"]) for row in rows], fontsize=8)
    axes.set_ylim(len(rows) - 0.4, -0.6)
    axes.set_xlim(left=0.0)
    axes.xaxis.set_major_formatter(PercentFormatter(1.0, symbol=" %"))
    count = len(recurring(season))  # as the page's head has it, also where not all of them are drawn
    title = f"{count_text(count, 'fault recurs', 'faults recur')} from delivery to delivery" if count else "No fault recurs"
    figures.style_axes(axes, title, "share of pictures, with 95 % limits; squares recur", "")
    words = [f"{fault_title(row['check'])} {amount(row['rate'], 'fraction', signed=False)}" for row in rows]
    return figure, f"{title}. " + "; ".join(words)


def progress_chart(season):
    """
    Am I getting better: share of pictures that need action, delivery by delivery.

    Returns
    -------
    figure : matplotlib.figure.Figure
    alt_text : str
    """
    table = season.deliveries
    rate, low, high = (table[name].to_numpy(dtype=float, na_value=np.nan) for name in ("faulty_rate", "faulty_low", "faulty_high"))
    x = np.arange(len(table))
    figure = figures.new_figure(layout="constrained")
    axes = figure.add_subplot()
    axes.vlines(x, low, high, color=look.SKY_BLUE, linewidth=2.0, zorder=2)
    axes.scatter(x, rate, s=26, c=look.BLUE, zorder=3)
    total = season.faults[season.faults["check"] == "any"].to_dict("records")
    if total and not is_missing(total[0]["trend"]):
        slope = total[0]["trend"]
        line = np.nanmedian(rate) + slope * (x - np.median(x))
        axes.plot(x, np.clip(line, 0, 1), color=look.VERMILION if total[0]["direction"] else look.QUIET, linewidth=1.4, linestyle=(0, (6, 3)), zorder=2.5)
    axes.set_ylim(bottom=0.0)
    axes.yaxis.set_major_formatter(PercentFormatter(1.0, symbol=" %"))
    sentence = progress_sentence(season).rstrip(".")
    figures.style_axes(axes, sentence, "deliveries, in order of capture", "pictures that need action\nwith 95 % limits")
    _name_deliveries(axes, table)
    known = rate[np.isfinite(rate)]
    tail = f" From {amount(known[0], 'fraction', signed=False)} to {amount(known[-1], 'fraction', signed=False)}." if known.size else ""
    return figure, f"{sentence}.{tail}"


CHARTS = {"offsets": offsets_chart, "faults": faults_chart, "progress": progress_chart}
