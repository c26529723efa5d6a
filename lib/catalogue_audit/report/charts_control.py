"""The control charts of a shoot: how far each quantity scatters by itself, and what stands out of that."""

import textwrap
from typing import NamedTuple

import numpy as np

from catalogue_audit.report import figures, look
from catalogue_audit.report.audit import tolerance
from catalogue_audit.report.charts import DRIFTS, MANY, drift_values, shown_in
from catalogue_audit.report.numbers import SHARE_UNITS, count_text, number_text
from catalogue_audit.report.timeline import timeline
from catalogue_audit.report.wording import plain_text
from catalogue_audit.statistics.series.natural_limits import natural_limits

FINEST = 1 / 30  # of the tolerance: natural limits are never told narrower than a tenth of it
PANEL, GAP, BELOW = 0.85, 0.62, 0.62  # in, height of a panel; room above it for its words; below all
WIDTH, LEFT, RIGHT = 8.6, 0.85, 0.25  # in
WORDS = 118  # characters of a panel's words, a line
LINE = 0.2  # in, a line of the title
ROOM = 1.25  # of the widest limit, the range a panel shows; what lies further stands at its edge


class Panel(NamedTuple):
    """One quantity: its words, unit, tolerance, the pictures' files, places and values in order, and its `NaturalLimits`."""

    check_title: str
    title: str
    unit: str
    allowed: float
    files: np.ndarray
    x: np.ndarray
    values: np.ndarray
    limits: object


def has_control(audit):
    """True where at least one quantity has values enough for limits."""
    return bool(_panels(audit))


def control_chart(audit):
    """
    Natural limits of each quantity, its running average, and the pictures beyond.

    Parameters
    ----------
    audit : Audit

    Returns
    -------
    figure : matplotlib.figure.Figure
    alt_text : str
    """
    panels, line = _panels(audit), timeline(audit.frames)
    title = _title(panels)
    lines = textwrap.wrap(title, int((WIDTH - LEFT) * figures.TITLE_CHARACTERS))
    above = LINE * (len(lines) + 0.5) + GAP
    height = above + BELOW + PANEL * len(panels) + GAP * (len(panels) - 1)
    figure = figures.new_figure(WIDTH, height)
    rows = figure.subplots(len(panels), 1, sharex=True, squeeze=False)[:, 0]
    for axes, panel in zip(rows, panels, strict=True):
        _draw(axes, panel)
        figures.style_axes(axes, "")
        words = textwrap.fill(_words(panel), WORDS)
        figures.label(axes, 0, 1.06, words, xycoords="axes fraction", fontsize=8, va="bottom")
    rows[-1].set_xlabel(line.label, fontsize=8.5, color=look.QUIET, fontfamily=look.CHART_FONT)
    if line.ticks:
        rows[-1].set_xticks([x for x, _ in line.ticks], [text for _, text in line.ticks])
    head = {"fontsize": 10.5, "fontweight": "bold", "color": look.INK, "fontfamily": look.CHART_FONT}
    figure.text(LEFT / WIDTH, 1 - 0.1 / height, "\n".join(lines), ha="left", va="top", parse_math=False, **head)
    figure.subplots_adjust(left=LEFT / WIDTH, right=1 - RIGHT / WIDTH, bottom=BELOW / height, top=1 - above / height, hspace=GAP / PANEL)
    return figure, " ".join([f"{title}.", f"Control charts against {line.label}.", *(f"{_words(panel)}." for panel in panels)])


def _panels(audit):
    line, found = timeline(audit.frames), []
    for drift in DRIFTS.values():
        allowed = tolerance(audit, drift.check)
        if not allowed:
            continue
        shown = shown_in(audit.frames, drift) & np.isfinite(line.x)
        for column, label in drift.columns:
            values = drift_values(audit.frames, column)
            rows = np.flatnonzero(shown & np.isfinite(values))
            rows = rows[np.argsort(line.x[rows], kind="stable")]
            limits = natural_limits(values[rows], abs(allowed) * FINEST)
            if limits is not None:
                title = f"{drift.title}, {label}" if label else drift.title
                found.append(Panel(drift.title, title, drift.unit, abs(allowed), audit.frames["file"].to_numpy()[rows], line.x[rows], values[rows], limits))
    return found


def _title(panels):
    wide = [panel.check_title for panel in panels if 3 * panel.limits.sigma > panel.allowed]
    shifted = [panel.check_title for panel in panels if panel.limits.shifts]
    scatter = f"By themselves these scatter by more than the brief allows: {_listed(wide)}" if wide else "Nothing scatters by itself by more than the brief allows"
    return f"{scatter}; " + (f"lasting shifts of {_listed(shifted)}" if shifted else "no lasting shift")


def _listed(titles):
    """Each once, as inside a sentence."""
    names = [title[0].lower() + title[1:] for title in dict.fromkeys(titles)]
    return " and ".join([", ".join(names[:-1]), names[-1]]) if len(names) > 1 else names[0]


def _words(panel):
    """One panel in a sentence: natural limits, their share of what is allowed, pictures beyond, shifts."""
    limits, unit = panel.limits, panel.unit
    share = f"{100 * 3 * limits.sigma / panel.allowed:.0f} % of what the brief allows"
    words = [f"{panel.title}: scatters by ± {number_text(3 * limits.sigma, unit)} by itself, {share}"]
    count = int(limits.beyond.sum())
    words.append(f"{count_text(count, 'picture')} beyond" if count else "no picture beyond")
    if limits.shifts:
        shift = max(limits.shifts, key=lambda shift: abs(shift.size))
        words.append(f"shifted by {number_text(shift.size, unit, True)} from {plain_text(panel.files[shift.first], 30)} to {plain_text(panel.files[shift.last], 30)}")
    return "; ".join(words)


def _draw(axes, panel):
    limits = panel.limits
    reach = ROOM * max(panel.allowed, 3 * limits.sigma, float(np.abs(limits.average - limits.centre).max()))
    y = np.clip(panel.values, limits.centre - reach, limits.centre + reach)
    axes.axhspan(limits.centre - 3 * limits.sigma, limits.centre + 3 * limits.sigma, color=look.SHADE, linewidth=0, zorder=0)
    for side in (-1, 1):
        axes.axhline(side * panel.allowed, color=look.BLUE, linewidth=0.9, linestyle=(0, (5, 3)), zorder=1)
    inside = ~limits.beyond
    few = len(y) <= MANY
    axes.scatter(panel.x[inside], y[inside], s=6 if few else 1, c=look.QUIET, alpha=0.55, linewidths=0, zorder=2, rasterized=len(y) > 800)
    axes.scatter(panel.x[~inside], y[~inside], s=20, c=look.VERMILION, marker="D", edgecolors=look.PAPER, linewidths=0.4, zorder=4, clip_on=False, rasterized=len(y) > 800)
    axes.plot(panel.x, limits.average, color=look.INK, linewidth=1.3, zorder=3)
    for edge in (limits.lower, limits.upper):
        axes.plot(panel.x, edge, color=look.INK, linewidth=0.7, linestyle=(0, (1, 2)), zorder=2.5)
    for shift in limits.shifts:
        axes.axvspan(panel.x[shift.first], panel.x[shift.last], ymax=0.06, color=look.VERMILION, linewidth=0, zorder=1)
    axes.set_ylim(limits.centre - 1.05 * reach, limits.centre + 1.05 * reach)
    axes.yaxis.set_major_formatter(lambda value, _: _tick(value, panel.unit))
    axes.locator_params(axis="y", nbins=4)


def _tick(value, unit):
    """A value at the axis: a share in percent, a unit where it is short."""
    return number_text(value, "fraction" if unit in SHARE_UNITS else unit, True)
