"""
The season: one study over many audited deliveries, from the history of an output folder.

Deliveries named on the command line are audited first where they have changed since
their last audit, and are studied with the stored ones. Of each delivery the newest audit counts.
"""

import contextlib
import datetime
import fnmatch
import os
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pandas as pd

from catalogue_audit import __version__
from catalogue_audit.delivery.brief import load_brief
from catalogue_audit.delivery.shown import shown_name
from catalogue_audit.delivery.source import open_delivery
from catalogue_audit.errors import UsageError
from catalogue_audit.findings.decisions import is_accepted
from catalogue_audit.report.season_tables import Season, recurring, reported, unlike
from catalogue_audit.runs import history
from catalogue_audit.runs.lock import output_lock
from catalogue_audit.runs.passone import Measuring
from catalogue_audit.runs.places import WORK_FOLDER, local_time, output_folder
from catalogue_audit.runs.plotting import prepare_plotting
from catalogue_audit.runs.review import audit_folder
from catalogue_audit.runs.scheduled import delivery_state, refresh_index
from catalogue_audit.runs.writing import writable
from catalogue_audit.statistics.seasons.season import season_habits
from catalogue_audit.statistics.seasons.season_faults import delivery_faults, season_faults
from catalogue_audit.statistics.seasons.season_look import delivery_looks, house_reference
from catalogue_audit.statistics.seasons.season_values import season_values
from catalogue_audit.statistics.tables import conform

NAME = "season"
SUPPLIER_COLUMN = "supplier"


class Filters(NamedTuple):
    """What is studied: dates (ISO, inclusive), camera serial number, style pattern, supplier pattern; None takes all."""

    since: str | None = None
    until: str | None = None
    camera: str | None = None
    style: str | None = None
    supplier: str | None = None


class SeasonRun(NamedTuple):
    """What a season run leaves: the report's folder, its summary, the exit status, and a line for each delivery that could not be audited."""

    folder: Path
    summary: dict
    exit_status: int
    left_out: tuple = ()


def season(
    deliveries=(),
    out="reports",
    since=None,
    until=None,
    camera=None,
    style=None,
    supplier=None,
    brief=None,
    jobs=None,
    cluster=None,
    verify=False,
    tables_only=False,
    progress=None,
):
    """
    Study the deliveries of a season.

    Parameters
    ----------
    deliveries : sequence of str or Path
        Deliveries to audit first, where they have changed since their last audit.
    out : str or Path
        Output folder whose history is studied and where the study goes.
    since, until : str, optional
        First and last day of capture, ISO 8601; where a picture has no capture
        time, the day of its audit counts.
    camera : str, optional
        Serial number of the camera.
    style : str, optional
        Style of the products file; ``*`` and ``?`` stand for any characters, case does not count.
    supplier : str, optional
        The column ``supplier`` of the products file where a delivery has one, else the delivery's
        folder name; patterns as for style.
    brief, jobs, cluster, verify, tables_only, progress
        As in `runs.review.review`.

    Returns
    -------
    SeasonRun

    Raises
    ------
    UsageError
        A date or the brief is wrong, there is no such delivery, none of several can be audited, or nothing is left to study.
    LockedError
        Another run holds the output folder's lock.
    """
    measuring = Measuring(jobs, cluster, verify)
    filters = Filters(_date(since, "--since"), _date(until, "--until"), camera, style, supplier)
    sources, left_out = _opened(deliveries)
    load_brief(brief)  # a wrong brief is one error of the command, not one of each delivery
    for source in sources or (None,):
        out = output_folder(out, None if source is None else source.path)
    if not sources and not (out / WORK_FOLDER / history.HISTORY_NAME).is_file():
        msg = f"No audit is stored in {out.name!r}.\nName deliveries to audit, or pass the folder of earlier reports with --out."
        raise UsageError(msg)
    with writable(out), output_lock(out / WORK_FOLDER):
        prepare_plotting(out / WORK_FOLDER)
        from catalogue_audit.report.publish import publish
        from catalogue_audit.report.season_page import write_season

        for source in sources:
            try:
                _audit_where_changed(source, out, brief, measuring, tables_only, progress)
            except UsageError as error:  # a folder without pictures among `deliveries/*` costs no other its study
                if len(left_out) + 1 == len(deliveries):
                    raise
                left_out.append(_in_one_line(error))
        connection, _ = history.open_history(out / WORK_FOLDER)
        with contextlib.closing(connection):
            history.reconcile(connection, out)
            found = study(connection, filters)
            written = []
            folder = publish(
                lambda place: written.append(write_season(found, place, notebooks=not tables_only)), out, NAME, datetime.date.today()
            )
            refresh_index(out, connection)
    return SeasonRun(folder, written[0], written[0]["exit_status"], tuple(left_out))


def _opened(deliveries):
    """Deliveries as opened, and a line each for files among them, as ``deliveries/*`` names them; nothing but files is an error."""
    sources, left_out = [], []
    for delivery in deliveries:
        try:
            sources.append(open_delivery(str(delivery)))
        except UsageError as error:
            if len(deliveries) == 1 or not os.path.isfile(delivery):
                raise
            left_out.append(_in_one_line(error))
    if left_out and not sources:
        raise UsageError("None of the deliveries is a folder.\nPass folders that hold the photographs.")
    return sources, left_out


def _in_one_line(error):
    return str(error).split("\n")[0]


def study(connection, filters=Filters()):
    """
    The tables of a season from the history.

    Parameters
    ----------
    connection : sqlite3.Connection
    filters : Filters

    Returns
    -------
    report.season_tables.Season

    Raises
    ------
    UsageError
        Where nothing is left to study.
    """
    newest = {audit["location"]: audit for audit in history.list_audits(connection)}
    audits = {audit["number"]: audit for audit in newest.values()}
    frames, findings, products = history.load_audits(connection, audits)
    frames, findings = _filtered(frames, findings, products, audits, filters)
    if not len(frames):
        names = ", ".join(sorted({audit["delivery"] for audit in audits.values()})[:12]) or "none"
        raise UsageError(f"No stored picture is left to study.\nStored deliveries: {names}. Widen --since, --until, --camera, --style or --supplier.")
    return study_tables(frames, findings, audits, filters)


def study_tables(frames, findings, audits, filters=Filters()):
    """
    The tables of a season from frames and findings with the column ``audit``.

    Parameters
    ----------
    frames, findings : DataFrame
    audits : dict of int to dict
        Audit number → its summary, with ``report``.
    filters : Filters

    Returns
    -------
    report.season_tables.Season
    """
    findings = findings[~is_accepted(findings)] if len(findings) else findings
    measured = frames[frames["status"] != "not_measured"].reset_index(drop=True)
    order = _order(frames, audits)
    values = season_values(measured)
    looks, _ = delivery_looks(values, order)
    tables = {
        "habits": season_habits(values, order),
        "faults": season_faults(frames, findings, order),
        "deliveries": _deliveries(frames, findings, audits, looks),
        "house_reference": house_reference(measured, order),
    }
    tables = {name: conform(name, table) for name, table in tables.items()}
    found = Season({}, **tables)
    return Season(_summary(found, frames, filters), **tables)


def _audit_where_changed(source, out, brief, measuring, tables_only, progress):
    """Audit a delivery unless its last audit saw it in this very state."""
    state = ""
    if source.path is not None:
        state, _, _ = delivery_state(source.path, brief)
        connection, _ = history.open_history(out / WORK_FOLDER)
        with contextlib.closing(connection):
            history.reconcile(connection, out)
            last = history.last_audit(connection, shown_name(os.fsencode(source.location)))
        if last and last[0] == state:
            return
    audit_folder(source.location, out, brief=brief, measuring=measuring, tables_only=tables_only, progress=progress, fingerprint=state)


def _filtered(frames, findings, products, audits, filters):
    """Rows of the pictures that the filters leave; findings without a picture stay with their delivery."""
    day = frames["captured_at"].fillna("").str[:10]
    audited = frames["audit"].map({number: audit["audited_at"][:10] for number, audit in audits.items()})
    day = day.where(day != "", audited)
    keep = pd.Series(True, index=frames.index)
    if filters.since:
        keep &= day >= filters.since
    if filters.until:
        keep &= day <= filters.until
    if filters.camera:
        keep &= frames["camera_serial"].fillna("") == filters.camera
    if filters.style:
        keep &= _like(frames["style"], filters.style)
    if filters.supplier:
        keep &= _like(_suppliers(frames, products), filters.supplier)
    frames = frames[keep].reset_index(drop=True)
    kept = set(zip(frames["audit"], frames["file"], strict=True))
    loose = findings["file"].isna() | (findings["file"] == "")
    whole = loose & findings["audit"].isin(set(frames["audit"])) & (not (filters.camera or filters.style))
    mine = [pair in kept for pair in zip(findings["audit"], findings["file"], strict=True)]
    return frames, findings[whole | np.array(mine, dtype=bool)].reset_index(drop=True)


def _suppliers(frames, products):
    """Supplier of each picture: by its product, else the delivery's name."""
    names = frames["delivery"].fillna("")
    if SUPPLIER_COLUMN not in products.columns or not len(products):
        return names
    table = products.drop_duplicates(["audit", "sku"]).set_index(["audit", "sku"])[SUPPLIER_COLUMN]
    known = pd.Series([table.get(key) for key in zip(frames["audit"], frames["sku"], strict=True)], index=frames.index, dtype="object")
    return known.where(known.notna() & (known != ""), names)


def _like(series, pattern):
    """Whether each text is like the pattern: the whole text, case apart."""
    return series.fillna("").map(lambda text: fnmatch.fnmatchcase(str(text).casefold(), pattern.casefold())).astype(bool)


def _order(frames, audits):
    """Place of each delivery: by its first capture time, else by when it was audited, then by number."""
    first = frames.assign(at=frames["captured_at"].fillna("")).query("at != ''").groupby("audit")["at"].min()
    numbers = sorted(set(frames["audit"]))
    keys = {number: (str(first.get(number, audits[number]["audited_at"]))[:19], number) for number in numbers}
    return {int(number): place for place, number in enumerate(sorted(numbers, key=keys.get))}


def _deliveries(frames, findings, audits, looks):
    """A row a delivery, in the season's order."""
    faults = delivery_faults(frames, findings)
    rows = []
    for audit, look in zip(looks.index, looks.to_dict("records"), strict=True):
        mine = frames[frames["audit"] == audit]
        times = mine["captured_at"].dropna()
        summary = audits[audit]
        rows.append(
            {name: summary.get(name) for name in ("delivery", "report", "audited_at", "verdict")}
            | {
                "captured_from": min(times, default=None),
                "captured_to": max(times, default=None),
                "cameras": _listed(mine["camera_serial"].fillna(mine["camera_model"])),
                "lenses": _listed(mine["lens_model"]),
            }
            | faults.loc[audit].to_dict()
            | look
        )
    return pd.DataFrame(rows)


def _listed(texts):
    return ", ".join(sorted({str(text) for text in texts.dropna() if text}))


def _summary(found, frames, filters):
    habits, faults, strange = reported(found), recurring(found), unlike(found)
    action = bool(habits or faults or strange)
    counts = {"habits": len(habits), "recurring_faults": len(faults), "unlike_deliveries": len(strange)}
    words = f"{counts['habits']} habits, {counts['recurring_faults']} recurring faults, {counts['unlike_deliveries']} deliveries unlike the current look."
    return {
        "delivery": NAME,
        "kind": NAME,
        "stage": "season",
        "audited_at": local_time(),
        "tool_version": __version__,
        "filters": {name: value for name, value in filters._asdict().items() if value is not None},
        "deliveries": len(found.deliveries),
        "files": len(frames),
        **counts,
        "verdict_sentence": words,
        "exit_status": 1 if action else 0,
    }


def _date(text, option):
    if text is None:
        return None
    try:
        return datetime.date.fromisoformat(str(text)).isoformat()
    except ValueError:
        msg = f"{option} is no date: found {text!r}.\nWrite it as year-month-day, for example 2026-03-31."
        raise UsageError(msg) from None
