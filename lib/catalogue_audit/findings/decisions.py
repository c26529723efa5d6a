"""
Decisions: findings that somebody has accepted, why, by whom, until when.

TOML::

    [[decision]]
    file = "NB-104_front.jpg"     # or sku, view, check; what is left out matches everything
    check = "angle"
    why = "the strap needs this turn"
    by = "J. Doe"
    until = 2026-12-31            # optional; from the day after, the finding counts again

or CSV with the headings ``file``, ``sku``, ``view``, ``check``, ``why``, ``by``, ``until``, between commas, semicolons or tabs.
"""

import codecs
import contextlib
import csv
import datetime
import itertools
import tomllib
from pathlib import Path
from typing import NamedTuple

from catalogue_audit import schema
from catalogue_audit.delivery.plain_file import read_plain_file
from catalogue_audit.errors import UsageError
from catalogue_audit.findings.rows import plain, text

ACCEPTED = "accepted"  # how the ``cause`` of an accepted finding begins
KEYS = ("file", "sku", "view", "check", "why", "by", "until")
TARGETS = ("file", "sku", "view", "check")
MOST_BYTES = 10_000_000


class Decision(NamedTuple):
    """One accepted finding: whom it concerns (None matches everything), why, by whom, until when (ISO date)."""

    file: str | None
    sku: str | None
    view: str | None
    check: str | None
    why: str
    by: str
    until: str | None


def read_decisions(path):
    """
    Read a decisions file, TOML by its name, else CSV.

    Parameters
    ----------
    path : str or Path

    Returns
    -------
    list of Decision

    Raises
    ------
    UsageError
        The file cannot be read, or one of its entries is wrong: names the
        file, the entry, what was found and what is allowed.
    """
    path = Path(path)
    data = read_plain_file(path, MOST_BYTES, "decisions file")
    words = _decoded(data, path)
    entries = _from_toml(words, path.name) if path.suffix.lower() == ".toml" else _from_csv(words, path.name)
    return [_decision(entry, f"{path.name}, {place}") for place, entry in entries]


def apply_decisions(findings, decisions, as_of=None):
    """
    Findings with the accepted ones marked as such.

    Parameters
    ----------
    findings : DataFrame
    decisions : list of Decision
    as_of : str, optional
        ISO date. Decisions whose last day is before it are not honoured, and
        the finding says so. Without a date every decision is honoured.

    Returns
    -------
    DataFrame
        The same rows; ``cause`` of an accepted finding begins with
        'accepted', and its ``note`` says by whom and why.
    """
    findings = findings.copy()
    by_target = {}
    for place, decision in enumerate(decisions):
        by_target.setdefault(tuple(getattr(decision, name) for name in TARGETS), []).append((place, decision))
    for index, row in findings.to_dict("index").items():
        concerned = _concerning(by_target, row)
        decision = next((d for d in concerned if not _expired(d, as_of)), None)
        if decision is not None:
            cause = f"{ACCEPTED} by {plain(decision.by)}" + (f" until {decision.until}" if decision.until else "")
            findings.loc[index, "cause"] = cause + (f" ({row['cause']})" if text(row["cause"]) else "")
            findings.loc[index, "note"] = f"{row['note']} Accepted by {plain(decision.by)}: {plain(decision.why)}."
            continue
        lapsed = next(iter(concerned), None)
        if lapsed is not None:
            findings.loc[index, "note"] = f"{row['note']} Its acceptance by {plain(lapsed.by)} ended on {lapsed.until}."
    return findings


def without_effect(findings, decisions):
    """
    A sentence where decisions concern no finding at all, as those of another delivery do.

    Parameters
    ----------
    findings : DataFrame
    decisions : list of Decision

    Returns
    -------
    tuple of str
    """
    wanted = {tuple(getattr(decision, name) for name in TARGETS): decision for decision in decisions}
    for row in findings.to_dict("records"):
        for key in itertools.product(*((text(row[name]), None) for name in TARGETS)):
            wanted.pop(key, None)
    if not wanted:
        return ()
    named = _listed(", ".join(filter(None, key)) for key in wanted)
    return (f"{len(wanted)} of {len(decisions)} decisions concern no finding of this delivery: {plain(named)}",)


def is_accepted(findings):
    """Series of bool: findings that a decision has accepted; they are shown and count for nothing."""
    return findings["cause"].fillna("").str.startswith(ACCEPTED + " by ")


def _concerning(by_target, row):
    """Decisions that concern a finding, in the order of the file: those that name its targets, or some of them and no others."""
    keys = set(itertools.product(*((text(row[name]), None) for name in TARGETS)))
    return [decision for _, decision in sorted(pair for key in keys for pair in by_target.get(key, ()))]


def _expired(decision, as_of):
    return bool(decision.until and as_of and decision.until < as_of)


def _decoded(data, path):
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        encoding = "utf-16" if data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)) else "cp1252"  # as spreadsheets on Windows write
        if path.suffix.lower() != ".toml" and (encoding == "utf-16" or 0 not in data):
            with contextlib.suppress(UnicodeDecodeError):
                return data.decode(encoding)
        msg = f"The decisions file {path.name!r} is not UTF-8 text (byte {error.start}). Save it as UTF-8."
        raise UsageError(msg) from error


def _from_toml(words, name):
    try:
        content = tomllib.loads(words)
    except tomllib.TOMLDecodeError as error:
        msg = f"The decisions file {name!r} is not valid TOML: {_short(error)}."
        raise UsageError(msg) from error
    except ValueError as error:  # a number of thousands of figures
        raise UsageError(f"The decisions file {name!r} holds a number that is far too long.") from error
    except RecursionError as error:
        raise UsageError(f"The decisions file {name!r} nests its brackets too deeply. It needs [[decision]] tables only.") from error
    entries = content.pop("decision", [])
    if content or not isinstance(entries, list) or not all(isinstance(entry, dict) for entry in entries):
        found = f"found {_listed(content)}" if content else "found something else under 'decision'"
        msg = f"The decisions file {name!r} may hold [[decision]] tables only; {found}."
        raise UsageError(msg)
    return [(f"decision {place}", entry) for place, entry in enumerate(entries, 1)]


def _from_csv(words, name):
    first, _, rest = words.partition("\n")
    if first.lower().startswith("sep="):  # how a spreadsheet is told the separator
        words, first = rest, rest.partition("\n")[0]
    delimiter = max(",;\t", key=lambda sign: sum(cell.strip().strip('"') in KEYS for cell in first.lower().split(sign)))
    reader = csv.DictReader(words.splitlines(), restkey="", delimiter=delimiter)
    try:
        return _entries(reader, name)
    except csv.Error as error:
        msg = f"{name}, line {reader.line_num}: the quotes do not pair up, or a cell is far too long ({error}). Save it again as CSV."
        raise UsageError(msg) from error


def _entries(reader, name):
    headings = [heading.strip().lower() for heading in reader.fieldnames or []]
    unknown = [heading for heading in headings if heading not in KEYS]
    if not headings or unknown:
        found = f"found {_listed(unknown)}" if unknown else "found none"
        msg = f"The decisions file {name!r} needs headings out of {', '.join(KEYS)}; {found}."
        raise UsageError(msg)
    if len(set(headings)) < len(headings):
        twice = next(heading for heading in headings if headings.count(heading) > 1)
        raise UsageError(f"The decisions file {name!r} has the heading {twice!r} twice. Keep one of them.")
    lacking = [key for key in ("why", "by") if key not in headings]
    if lacking:
        raise UsageError(f"The decisions file {name!r} lacks the heading {_listed(lacking)}. Every decision says why and by whom.")
    reader.fieldnames = headings
    entries = []
    for row in reader:
        if "" in row:
            msg = f"{name}, line {reader.line_num}: more cells than headings. Quote cells that hold a {'comma' if reader.reader.dialect.delimiter == ',' else 'separator'}."
            raise UsageError(msg)
        cells = {key: (value or "").strip().removeprefix("'") for key, value in row.items()}
        if any(cells.values()):
            entries.append((f"line {reader.line_num}", cells))
    return entries


def _decision(entry, place):
    unknown = [key for key in entry if key not in KEYS]
    if unknown:
        msg = f"{place}: unknown key {_short(repr(unknown[0]))}; allowed are {', '.join(KEYS)}."
        raise UsageError(msg)
    values = {key: _value(entry, key, place) for key in KEYS}
    if not any(values[name] for name in TARGETS):
        msg = f"{place}: says neither file, sku, view nor check. Name what is accepted."
        raise UsageError(msg)
    for key, missing in (("why", "why it was accepted"), ("by", "who accepted it")):
        if not values[key]:
            msg = f"{place}: {key!r} is empty. Say {missing}."
            raise UsageError(msg)
    if values["check"] and values["check"] not in schema.CHECKS:
        msg = f"{place}: unknown check {_short(repr(values['check']))}; allowed are {', '.join(schema.CHECKS)}."
        raise UsageError(msg)
    return Decision(**values)


def _value(entry, key, place):
    value = entry.get(key)
    if value is None or value == "":
        return None
    if key == "until":
        return _date(value, place)
    if not isinstance(value, str):
        msg = f"{place}: {key!r} must be text, found {_short(value)}."
        raise UsageError(msg)
    return value


def _short(words):
    words = str(words)
    return words if len(words) <= 80 else words[:77] + "..."


def _listed(names):
    names = [_short(repr(name)) for name in names]
    return ", ".join(names[:5]) + (f" and {len(names) - 5} more" if len(names) > 5 else "")


def _date(value, place):
    if isinstance(value, datetime.date):
        return value.isoformat()[:10]
    try:
        return datetime.date.fromisoformat(str(value)).isoformat()
    except ValueError:
        msg = f"{place}: 'until' must be a date such as 2026-12-31, found {_short(value)}."
        raise UsageError(msg) from None
