"""What the season notebook shows: one call, one displayable page part. Reads a written season report."""

from pathlib import Path

from catalogue_audit.report import season_charts, season_page
from catalogue_audit.report.figures import svg_of
from catalogue_audit.report.season_tables import cost_sentence, habit_sentence, progress_sentence, read_season, reported
from catalogue_audit.report.show import ROWS, _data, _part, _table
from catalogue_audit.report.wording import plain_text


def open_season(folder):
    """
    Open a written season report.

    Parameters
    ----------
    folder : str or Path

    Returns
    -------
    Season
    """
    return read_season(Path(folder))


def summary(season):
    """The season in a few lines."""
    head = season_page.season_headline(season)
    facts = "\n".join(f"{word}: {text}" for word, text in head["facts"])
    return _part("text", text="\n".join(filter(None, (f"{head['title']}. {head['lead']}", progress_sentence(season), cost_sentence(season), facts))))


def to_change(season):
    """What to do differently, largest habit first."""
    rows = [[str(number), habit_sentence(row)] for number, row in enumerate(reported(season), 1)]
    return _table(("", "What to change"), rows, "No habit is both large enough to be seen and certain.", 0)


def chart(season, name):
    """
    One chart with its alternative text.

    Parameters
    ----------
    season : Season
    name : str
        Key of `season_charts.CHARTS`, or of `HABITS`.
    """
    figure, words = season_charts.CHARTS[name](season) if name in season_charts.CHARTS else season_charts.habit_chart(season, name)
    data, words = svg_of(figure, words)
    return _part("chart", source=_data(data, "svg+xml"), words=words)


def habits(season):
    """Every habit looked at, reported or not."""
    return _rows(*season_page.habit_table(season), "There are too few deliveries for habits (four are needed).")


def faults(season):
    """Faults by check with rates, cost and trend."""
    return _rows(*season_page.fault_table(season), "No fault was found.")


def deliveries(season):
    """Deliveries against the current look, the furthest first."""
    return _rows(*season_page.delivery_table(season), "There is no delivery.")


def house_reference(season):
    """The house reference by view."""
    return _rows(*season_page.reference_table(season), "There are too few pictures for a reference.")


def _rows(names, rows, nothing):
    return _table(names, [[plain_text(value) for value in row] for row in rows[:ROWS]], nothing, len(rows) - ROWS)
