"""A season study as the tables a report shows: written, read back, and said in words."""

import json
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from catalogue_audit.errors import UsageError
from catalogue_audit.report.audit import write_summary
from catalogue_audit.report.numbers import count_text
from catalogue_audit.report.tables import read_table, write_tables
from catalogue_audit.report.wording import check_title, is_missing, plain_text
from catalogue_audit.schema import SEASON_TABLES
from catalogue_audit.statistics.seasons.season_values import HABITS

NO_SEASON = (
    "There is no season study in {folder!r} (tables/habits.csv is missing).\n"
    "Pass the folder that 'catalogue-audit season' printed."
)
PERCENT = ("fraction", "fraction a delivery")
SIGNS = {"degree": "°", "EV": " EV", "CIELAB b*": " b*", "CIELAB a*": " a*"}
ADVICE = {
    "angle": "Mark the turn on the table and place every product by it.",
    "fill": "Set the distance by the placing outline, not by eye.",
    "tilt": "Level the camera with a spirit level before the first picture.",
    "white_balance": "Set the white balance from a grey card at the start of every set-up.",
    "tint": "Set the white balance from a grey card at the start of every set-up.",
    "focal_length": "Tape the zoom ring, or use one lens.",
    "exposure": "Set lamp power and exposure by a meter or by the grey card, and note them.",
}


@dataclass(frozen=True)
class Season:
    """
    What a season study found.

    Attributes
    ----------
    summary : dict
        The content of ``summary.json``.
    habits, faults, deliveries, house_reference : DataFrame
        The tables of `schema.SEASON_TABLES`.
    """

    summary: dict
    habits: pd.DataFrame
    faults: pd.DataFrame
    deliveries: pd.DataFrame
    house_reference: pd.DataFrame


def write_season_data(season, folder):
    """Write the tables and ``summary.json`` into a report folder."""
    write_tables(Path(folder) / "tables", {name: getattr(season, name) for name in SEASON_TABLES})
    write_summary(season.summary, folder)


def read_season(folder):
    """
    Season study of a written report folder.

    Raises
    ------
    UsageError
        Where there is none in it.
    """
    folder = Path(folder)
    if not (folder / "tables" / "habits.csv").is_file():
        raise UsageError(NO_SEASON.format(folder=str(folder)))
    tables = {name: read_table(folder / "tables" / f"{name}.csv", name) for name in SEASON_TABLES}
    return Season(json.loads((folder / "summary.json").read_text(encoding="utf-8")), **tables)


def amount(value, unit, signed=True):
    """
    A number of a season table for people.

    Examples
    --------
    >>> amount(-0.041, "fraction"), amount(0.6, "degree", signed=False)
    ('−4.1 %', '0.60°')
    """
    if is_missing(value):
        return ""
    number, sign = (value * 100, " %") if unit in PERCENT else (value, SIGNS.get(unit, f" {unit}" if unit else ""))
    digits = 1 if unit in PERCENT else 2
    return f"{number:{'+' if signed else ''}.{digits}f}".replace("-", "\N{MINUS SIGN}") + sign


def interval(low, high, unit, signed=True):
    """Two limits for people; empty where they are unknown."""
    if is_missing(low) or is_missing(high):
        return ""
    return f"{amount(low, unit, signed)} to {amount(high, unit, signed)}"


def who(row):
    """What a habit hangs on, in words."""
    level = plain_text(row["level"], 60)
    return {
        "trend": "from delivery to delivery", "camera": f"camera {level}", "lens": f"lens {level}", "weekday": f"{level}s", "level": "the whole season",
        "between_deliveries": "between deliveries", "between_setups": "between set-ups", "between_pictures": "between pictures",
    }.get(row["kind"], plain_text(row["kind"]))  # fmt: skip


def habit_sentence(row):
    """
    One habit as a sentence with its interval and what to do.

    Parameters
    ----------
    row : mapping
        A row of the habits table.
    """
    habit, unit = HABITS[row["quantity"]], row["unit"]
    limits = interval(row["low"], row["high"], unit)
    where = f" ({limits})" if limits else ""
    direction = habit.plus if row["offset"] > 0 else habit.minus
    if row["kind"] == "trend":
        text = f"{habit.title} drifts by {amount(row['offset'], unit)} a delivery{where}: {direction}."
    elif row["kind"].startswith("between"):
        text = f"{habit.title} is not repeated {who(row)}: standard deviation {amount(row['offset'], unit, signed=False)}."
    elif row["kind"] == "level":
        text = f"{habit.title}: {amount(row['offset'], unit)}{where} over the whole season, {direction}."
    else:
        subject = who(row)
        text = f"{subject[:1].upper()}{subject[1:]}: {habit.title.lower()} {amount(row['offset'], unit)}{where} from {plain_text(row['against'], 60)}, {direction}."
    note = plain_text(row.get("note"))
    return f"{text} {ADVICE[row['quantity']]}" + (f" It {note}." if note else "")


def reported(season):
    """Rows of the habits that are reported, largest in tolerances first."""
    rows = season.habits[season.habits["reported"].fillna(False).astype(bool)].to_dict("records")
    return sorted(rows, key=lambda row: -abs(row["offset"]) * (10 if row["kind"] == "trend" else 1) / row["tolerance"])


def recurring(season):
    """Rows of the recurring faults that are critical or major."""
    faults = season.faults
    chosen = faults["recurring"].fillna(False).astype(bool) & (faults["check"] != "any") & faults["severity"].isin(("critical", "major"))
    return faults[chosen].to_dict("records")


def unlike(season):
    """Rows of the deliveries that do not match the current look."""
    return season.deliveries[season.deliveries["matches"].eq(False).fillna(False)].to_dict("records")


def progress_sentence(season):
    """Whether the photographer is getting better, with the interval."""
    total = season.faults[season.faults["check"] == "any"].to_dict("records")
    if not total or is_missing(total[0]["trend"]):
        return "Too few deliveries to say whether faults become fewer (six are needed)."
    row = total[0]
    limits = interval(row["trend_low"], row["trend_high"], "fraction")
    words = {"fewer": "Pictures that need action become fewer", "more": "Pictures that need action become more"}
    start = words.get(plain_text(row["direction"]), "No certain change in the share of pictures that need action")
    return f"{start}: {amount(row['trend'], 'fraction')} a delivery ({limits})."


def cost_sentence(season):
    """What the faults cost in pictures made again."""
    total = season.faults[season.faults["check"] == "any"].to_dict("records")
    if not total or is_missing(total[0]["again_rate"]):
        return ""
    row = total[0]
    return (
        f"{count_text(int(row['again']), 'picture')} of {int(row['pictures'])} to photograph or supply again: "
        f"{amount(row['again_rate'], 'fraction', signed=False)} ({interval(row['again_low'], row['again_high'], 'fraction', signed=False)})."
    )


def fault_title(check):
    """Title of a row of the faults table."""
    return "All that need action" if check == "any" else check_title(check)
