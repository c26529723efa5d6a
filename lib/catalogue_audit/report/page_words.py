"""The template engine of every page: all escaped, all outside text made plain, words and numbers as people read them."""

import functools
from pathlib import Path

import jinja2
import markupsafe

from catalogue_audit.report import look
from catalogue_audit.report.actions import severity_rank, spoken_subject
from catalogue_audit.report.change_words import how_long, levels, quantity_title
from catalogue_audit.report.numbers import (
    camera_settings,
    column_unit,
    correction_words,
    count_text,
    measured_text,
    number_text,
    value_text,
)
from catalogue_audit.report.picture_names import FOLDER, correction_name, evidence_name, pair_name, thumb_name
from catalogue_audit.report.wording import NOTE_LIMIT, check_title, finding_title, is_missing, plain_text, remedy_title, verdict_words, view_title

TEMPLATES = Path(__file__).parent / "templates"


@functools.cache
def environment():
    """
    The template engine, made once: everything escaped, every outside text made plain first.

    Returns
    -------
    jinja2.Environment
    """
    engine = jinja2.Environment(
        loader=jinja2.FileSystemLoader(TEMPLATES, encoding="utf-8"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        finalize=_made_plain,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    engine.filters.update(
        check_title=check_title,
        finding_title=finding_title,
        view=view_title,
        views=_views_text,
        remedy=remedy_title,
        verdict=verdict_words,
        number=number_text,
        measured=measured_text,
        subject=spoken_subject,
        cell=_cell_text,
        sentence=whole_sentence,
        quantity=quantity_title,
        how_long=how_long,
        levels=levels,
        value=value_text,
        camera_settings=camera_settings,
    )
    engine.globals.update(
        thumb=thumb_name,
        evidence=evidence_name,
        correction=correction_name,
        beside=pair_name,
        count=count_text,
        marks=look.SEVERITY_MARKS,
        pictures=FOLDER,
        look=look,
        unit=column_unit,
        rank=severity_rank,
        correction_words=correction_words,
    )
    return engine


def _made_plain(value):
    return value if hasattr(value, "__html__") else plain_text(value)


def whole_sentence(note):
    """A sentence about a finding, whole: what to do stands at its end."""
    return markupsafe.escape(plain_text(note, NOTE_LIMIT))


def _cell_text(value):
    """A number of a dense table exactly as the CSV file has it, without trailing noughts."""
    return "" if is_missing(value) else f"{value:.6f}".rstrip("0").rstrip(".").replace("-", "\N{MINUS SIGN}")


def _views_text(names):
    """Several view names, parted by blanks in the table, as a list for people."""
    return ", ".join(view_title(name) for name in plain_text(names).split())
