"""The season's page and folder: tables, charts, the executed notebook, ``report.html``."""

from dataclasses import replace
from pathlib import Path

from markupsafe import Markup

from catalogue_audit.report import season_charts
from catalogue_audit.report.audit import write_summary
from catalogue_audit.report.figures import svg_of
from catalogue_audit.report.notebooks import NotebookFailed, run_notebooks
from catalogue_audit.report.numbers import count_text
from catalogue_audit.report.page_words import TEMPLATES, environment
from catalogue_audit.report.picture_names import FOLDER
from catalogue_audit.report.season_tables import (
    Season,
    amount,
    cost_sentence,
    fault_title,
    habit_sentence,
    interval,
    progress_sentence,
    recurring,
    reported,
    unlike,
    who,
    write_season_data,
)
from catalogue_audit.report.wording import is_missing, plain_text
from catalogue_audit.statistics.seasons.season_values import HABITS

NOTEBOOK = "04_season_study.ipynb"
COULD_NOT_FINISH = 3
MOST_ROWS = 400


def write_season(season, folder, notebooks=True):
    """
    Write everything a season report holds into an empty folder.

    Parameters
    ----------
    season : Season
    folder : Path
    notebooks : bool
        False writes tables and summary only.

    Returns
    -------
    dict
        The summary as written; where the notebook failed it says so under ``incomplete``, with exit status 3.
    """
    folder = Path(folder)
    write_season_data(season, folder)
    if not notebooks:
        return season.summary
    drawn = _write_charts(season, folder / FOLDER)
    incomplete = ""
    try:
        run_notebooks(folder, (NOTEBOOK,))
    except NotebookFailed as error:
        incomplete = str(error)
        season = replace(season, summary=season.summary | {"incomplete": incomplete, "exit_status": COULD_NOT_FINISH})
        write_summary(season.summary, folder)
    (folder / "report.html").write_text(_render(season, drawn, incomplete), encoding="utf-8", newline="\n")
    return season.summary


def _write_charts(season, target):
    """Draw every chart; a list of (title, file name, alternative text) for habits, and a dict of the others."""
    target.mkdir(parents=True, exist_ok=True)
    drawn = {}
    for name, draw in season_charts.CHARTS.items():
        drawn[name] = _write_chart(target, f"season-{name}.svg", *draw(season))
    drawn["habits"] = [
        _write_chart(target, f"season-{quantity.replace('_', '-')}.svg", *season_charts.habit_chart(season, quantity))
        for quantity in HABITS
        if season_charts.has_habit(season, quantity)
    ]
    return drawn


def _write_chart(target, name, figure, words):
    data, words = svg_of(figure, words)
    (target / name).write_bytes(data)
    return name, words


def _render(season, drawn, incomplete):
    return environment().get_template("season.html").render(
        style=Markup((TEMPLATES / "page.css").read_text(encoding="utf-8")),
        summary=season.summary,
        incomplete=incomplete,
        head=season_headline(season),
        drawn=drawn,
        has_offsets=season_charts.has_offsets(season),
        sentences=[habit_sentence(row) for row in reported(season)],
        tables=[
            ("habits", "All habits", *habit_table(season)),
            ("faults", "All faults", *fault_table(season)),
            ("deliveries", "Deliveries against the current look", *delivery_table(season)),
            ("reference", "House reference", *reference_table(season)),
        ],
        progress=progress_sentence(season),
        cost=cost_sentence(season),
        most=MOST_ROWS,
    )  # fmt: skip


def season_headline(season):
    """
    What the first screen says.

    Returns
    -------
    dict
        ``title``, ``lead``, ``facts`` (word, text).
    """
    habits, faults, strange = reported(season), recurring(season), unlike(season)
    parts = []
    if habits:
        parts.append(count_text(len(habits), "habit") + " to change")
    if faults:
        parts.append(count_text(len(faults), "fault that recurs", "faults that recur"))
    if strange:
        parts.append(count_text(len(strange), "delivery unlike", "deliveries unlike") + " the current look")
    table = season.deliveries
    first, last = (sorted(plain_text(day)[:10] for day in table[name].dropna()) for name in ("captured_from", "captured_to"))
    facts = [
        ("Deliveries", str(len(table))),
        ("Pictures", str(int(table["pictures"].fillna(0).sum()))),
        *([("Captured", f"{first[0]} to {last[-1]}")] if first and last else []),
        *((name.capitalize(), plain_text(value)) for name, value in sorted((season.summary.get("filters") or {}).items())),
    ]
    return {"title": "A season in one look" if parts else "A steady season", "lead": (", ".join(parts) or "No habit, no recurring fault and no delivery stands out") + ".", "facts": facts}


def habit_table(season):
    """(names, rows) of the habits, reported ones first."""
    names = ("Reported", "Habit", "Hangs on", "Offset", "95 % limits", "Share of variance", "Deliveries", "In words")
    table = season.habits.assign(later=~season.habits["reported"].fillna(False).astype(bool)).sort_values("later", kind="stable")
    rows = [
        [
            "yes" if row["reported"] else "", HABITS[row["quantity"]].title, who(row), amount(row["offset"], row["unit"], signed=not row["kind"].startswith("between")),
            interval(row["low"], row["high"], row["unit"], signed=not row["kind"].startswith("between")), amount(row["share"], "fraction", signed=False), row["deliveries"],
            habit_sentence(row) if row["reported"] else plain_text(row["note"]),
        ]
        for row in table.to_dict("records")
    ]  # fmt: skip
    return names, rows


def fault_table(season):
    """(names, rows) of the faults."""
    names = ("Fault", "Recurs", "Deliveries", "Pictures", "Share", "95 % limits", "To make again", "Change a delivery", "95 % limits", "Becomes")
    rows = [
        [
            fault_title(row["check"]), "yes" if row["recurring"] else "", f"{row['deliveries_affected']} of {row['deliveries']}", row["affected"],
            amount(row["rate"], "fraction", signed=False), interval(row["rate_low"], row["rate_high"], "fraction", signed=False), row["again"],
            amount(row["trend"], "fraction"), interval(row["trend_low"], row["trend_high"], "fraction"), plain_text(row["direction"]),
        ]
        for row in season.faults.to_dict("records")
    ]  # fmt: skip
    return names, rows


def delivery_table(season):
    """(names, rows) of the deliveries, the furthest from the current look first."""
    shown = [quantity for quantity in HABITS if season_charts.has_habit(season, quantity)]
    names = ("Delivery", "Captured", "Matches", "Furthest", "Tolerances", *(HABITS[quantity].title for quantity in shown), "Need action")
    table = season.deliveries.sort_values("distance", ascending=False, kind="stable", na_position="last")
    rows = []
    for row in table.to_dict("records"):
        matches = "" if is_missing(row["matches"]) else "yes" if row["matches"] else "no"
        furthest = HABITS[row["farthest"]].title if row["farthest"] in HABITS else ""
        values = [amount(row[f"{quantity}_dev"], HABITS[quantity].unit) for quantity in shown]
        distance = "" if is_missing(row["distance"]) else f"{row['distance']:.2f}"
        rows.append([plain_text(row["delivery"]), plain_text(row["captured_from"])[:10], matches, furthest, distance, *values, amount(row["faulty_rate"], "fraction", signed=False)])
    return names, rows


def reference_table(season):
    """(names, rows) of the house reference."""
    names = ("View", "Style", "Quantity", "Centre", "95 % limits", "Scatter", "Newest deliveries", "Unit", "Deliveries", "Pictures")
    rows = [
        [
            plain_text(row["view"]).replace("_", " "), plain_text(row["style"]) or "all", plain_text(row["quantity"]).replace("_", " "), _plain_number(row["centre"]),
            "" if is_missing(row["low"]) else f"{_plain_number(row['low'])} to {_plain_number(row['high'])}", _plain_number(row["scatter"]), _plain_number(row["current"]), row["unit"],
            row["deliveries"], row["pictures"],
        ]
        for row in season.house_reference.to_dict("records")
    ]  # fmt: skip
    return names, rows


def _plain_number(value):
    return "" if is_missing(value) else f"{value:.4g}".replace("-", "\N{MINUS SIGN}")


__all__ = ["Season", "delivery_table", "fault_table", "habit_table", "reference_table", "season_headline", "write_season"]
