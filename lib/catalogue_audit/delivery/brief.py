"""
The brief: what a delivery is judged by, one readable TOML file.

The records themselves stand in `brief_model` and `brief_sections`, which are
imported only when a brief is loaded: they bring pydantic with them.
"""

import difflib
import os
import re
import tomllib
from importlib.resources import files

from catalogue_audit.errors import UsageError

STAGES = ("originals", "finals")
MOST_BYTES = 300_000  # a brief is a page of text
MOST_REPORTED = 5  # faults named in one message


def load_brief(path=None, stage=None):
    """
    Load and check a brief.

    Parameters
    ----------
    path : str or os.PathLike, optional
        TOML file; without one the usual brief for bags is given.
    stage : {"originals", "finals"}, optional
        Used where the brief itself leaves the stage to be told from the files.

    Returns
    -------
    Brief

    Raises
    ------
    UsageError
        Naming file, line, key, what was found and what is allowed.
    """
    from catalogue_audit.delivery.brief_model import Brief

    brief = Brief() if path is None else parse_brief(_read(os.fspath(path)), os.fspath(path))
    return brief.model_copy(update={"stage": stage}) if stage and brief.stage == "auto" else brief


def parse_brief(text, name="brief"):
    """
    Check the text of a brief.

    Parameters
    ----------
    text : str
        TOML.
    name : str
        What messages call it.

    Returns
    -------
    Brief

    Raises
    ------
    UsageError
    """
    from pydantic import ValidationError

    from catalogue_audit.delivery.brief_model import Brief

    try:
        data = tomllib.loads(text.replace("\r\n", "\n"))
    except tomllib.TOMLDecodeError as error:
        raise UsageError(_syntax_fault(name, error)) from error
    except ValueError as error:  # a number of thousands of figures
        raise UsageError(f"{name}: a number is far too long.\nStart again from 'catalogue-audit brief'.") from error
    except RecursionError as error:
        raise UsageError(
            f"{name}: brackets are nested too deeply.\nStart again from 'catalogue-audit brief'."
        ) from error
    try:
        return Brief.model_validate(data)
    except ValidationError as error:
        raise UsageError(_faults(name, text, data, error)) from error


def brief_text(stage="originals"):
    """
    The commented brief that ships with the package, to start from.

    Parameters
    ----------
    stage : {"originals", "finals"}

    Returns
    -------
    str
        TOML.
    """
    if stage not in STAGES:
        raise UsageError(f"There is no brief for the stage '{stage}'.\nAllowed: {', '.join(STAGES)}.")
    return (files("catalogue_audit.delivery") / "briefs" / f"{stage}.toml").read_text("utf-8")


def dump_brief(brief, comments=None):
    """
    A brief as commented TOML; `parse_brief` gives the same brief back.

    Parameters
    ----------
    brief : Brief
    comments : mapping of str to str, optional
        Dotted key → what to write above it, besides its meaning; the empty key
        is the heading.

    Returns
    -------
    str
    """
    from catalogue_audit.delivery.brief_writing import brief_as_toml

    return brief_as_toml(brief, comments or {})


def _read(path):
    from catalogue_audit.delivery.plain_file import read_plain_file

    data = read_plain_file(path, MOST_BYTES, "brief")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        msg = f"{path}, line {line}: the text is not UTF-8.\nSave the brief as UTF-8 and run again."
        raise UsageError(msg) from error


def _syntax_fault(name, error):
    what = str(error)
    place = re.search(r" \(at (?:line (\d+), column (\d+)|end of document)\)$", what)
    where = name
    if place:
        what = what[: place.start()]
        where += f", line {place[1]}, column {place[2]}" if place[1] else ", at the end"
    advice = "Texts need quotes, lists square brackets, and each key stands once."
    return f"{where}: this is not valid TOML ({what}).\n{advice}"


def _faults(name, text, data, error):
    found = {}
    for fault in error.errors(include_url=False):
        found.setdefault(_keys_in(data, fault["loc"], fault["type"]), fault)
    lines = [_describe(name, text, data, keys, fault) for keys, fault in list(found.items())[:MOST_REPORTED]]
    more = len(found) - MOST_REPORTED
    return "\n".join(lines + ([f"And {more} more."] if more > 0 else []))


def _keys_in(data, place, kind):
    """The part of pydantic's place that stands in the file; the rest names branches of a type."""
    keys = []
    for part in place:
        try:
            data = data[part]
        except (KeyError, IndexError, TypeError):
            if kind == "missing":
                keys.append(part)
            break
        keys.append(part)
    return tuple(keys)


def _describe(name, text, data, keys, fault):
    from catalogue_audit.delivery.brief_model import EXTRA_TOLERANCES, USUAL_TOLERANCES, UnknownTolerance
    from catalogue_audit.schema import CHECKS

    cause = fault.get("ctx", {}).get("error")
    if isinstance(cause, UnknownTolerance):
        key = str(cause)
        where = _where(name, text, (*keys, key))
        if key in CHECKS:
            return f"{where} the check '{key}' has no tolerance.\nTo leave it out, name it under checks.skip."
        allowed = [*(check for check in USUAL_TOLERANCES if check not in EXTRA_TOLERANCES), *EXTRA_TOLERANCES]
        return f"{where} {_unknown(key, allowed)}"
    where = _where(name, text, keys)
    if fault["type"] == "extra_forbidden":
        return f"{where} {_unknown(keys[-1], _fields_at(keys[:-1]))}"
    if fault["type"] == "missing":
        return f"{where} is missing.\nIt is needed there."
    if fault["type"] == "value_error":
        return f"{where} {_shortened(str(cause))}."
    return f"{where} found {_short(fault['input'])}.\nAllowed: {_allowed(fault)}."


def _unknown(key, allowed):
    near = difflib.get_close_matches(str(key), allowed, n=1, cutoff=0.6)
    hint = f"Did you mean '{near[0]}'? " if near else ""
    return f"this key is not known.\n{hint}Allowed there: {', '.join(allowed)}."


def _fields_at(keys):
    """Field names of the record at a place in the brief."""
    from catalogue_audit.delivery.brief_model import Brief
    from catalogue_audit.delivery.brief_sections import Condition, StyleViews, ViewReference

    inner = {
        ("views", "per_style"): StyleViews,
        ("views", "conditional"): Condition,
        ("reference", "views"): ViewReference,
    }
    if keys[:2] in inner:
        return list(inner[keys[:2]].model_fields)
    record = Brief
    for key in keys:
        record = record.model_fields[key].annotation
    return list(record.model_fields)


def _where(name, text, keys):
    dotted = ".".join(str(key) if not isinstance(key, int) else str(key + 1) for key in keys)
    line = _line_of(text, [key for key in keys if isinstance(key, str)])
    return f"{name}, line {line}, {dotted}:" if line else f"{name}, {dotted}:"


def _line_of(text, keys):
    """Line of a key, as far as it can be told without parsing again; 0 where it cannot."""
    section, best = [], (0, 0)
    for number, line in enumerate(text.splitlines(), 1):
        header = re.match(r"\s*\[+\s*([^\]]+?)\s*\]+", line)
        assigned = re.match(r"\s*([\w.\"'-]+)\s*=", line)
        if header:
            section = [part.strip(" \"'") for part in header[1].split(".")]
            here = section
        elif assigned:
            here = section + [part.strip(" \"'") for part in assigned[1].split(".")]
        else:
            continue
        if here == keys[: len(here)] and len(here) > best[0]:
            best = (len(here), number)
    return best[1]


def _short(value):
    text = repr(value) if not isinstance(value, str) else f'"{value}"'
    text = {"True": "true", "False": "false"}.get(text, text)
    return text if len(text) <= 80 else text[:77] + "..."


def _shortened(text):
    """A message without the middle of a value of thousands of letters; how it begins and what is allowed stay."""
    return text if len(text) <= 400 else f"{text[:120]} ... {text[-240:]}"


_PLAIN = {
    "int_type": "a whole number",
    "int_from_float": "a whole number",
    "float_type": "a number",
    "finite_number": "a number, not inf or nan",
    "string_type": "a text in quotes",
    "bool_type": "true or false",
    "list_type": "a list in square brackets",
    "dict_type": "a table of keys",
    "model_type": "a table of keys",
    "model_attributes_type": "a table of keys",
    "string_pattern_mismatch": "a name of letters, digits, - and _, beginning with a letter",
    "string_too_short": "a name, not an empty text",
    "string_too_long": "a shorter name",
}


def _allowed(fault):
    kind, facts = fault["type"], fault.get("ctx", {})
    if kind == "literal_error":
        return facts["expected"].replace("'", '"')
    bounds = {
        "greater_than": "more than {gt:,.12g}",
        "greater_than_equal": "{ge:,.12g} or more",
        "less_than_equal": "{le:,.12g} or less",
    }
    if kind in bounds:
        return "a number, " + bounds[kind].format(**facts)
    if kind in ("too_short", "too_long"):
        return f"a list of {facts.get('min_length', facts.get('max_length'))} figures"
    return _PLAIN.get(kind, fault["msg"])
