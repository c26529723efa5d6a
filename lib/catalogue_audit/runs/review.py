"""The review of one delivery, from a folder to a dated report folder."""

import datetime
import os
from dataclasses import replace
from pathlib import Path
from typing import NamedTuple

from catalogue_audit.delivery.brief import load_brief
from catalogue_audit.delivery.names import read_names
from catalogue_audit.delivery.products import read_products, sku_forms
from catalogue_audit.delivery.shown import shown_name
from catalogue_audit.delivery.source import open_delivery
from catalogue_audit.errors import UsageError
from catalogue_audit.findings.decisions import read_decisions
from catalogue_audit.findings.sample import read_check_sheet, read_earlier
from catalogue_audit.measures.applicability import applicable, shows_a_turn
from catalogue_audit.measures.roll import roll_for_view
from catalogue_audit.runs import store
from catalogue_audit.runs.history import open_history, reconcile, record_audit, record_report
from catalogue_audit.runs.lock import output_lock
from catalogue_audit.runs.places import WORK_FOLDER, output_folder
from catalogue_audit.runs.passone import measure_delivery, settings_version
from catalogue_audit.runs.passtwo import judge_delivery
from catalogue_audit.runs.plotting import prepare_plotting
from catalogue_audit.runs.writing import writable
from catalogue_audit.statistics.tables import table_from_rows


class Review(NamedTuple):
    """What a review leaves: the report's folder, its summary, the exit status."""

    folder: Path
    summary: dict
    exit_status: int


def review(
    delivery,
    out="reports",
    brief=None,
    products=None,
    originals=None,
    decisions=None,
    previous=None,
    check_sheet=None,
    earlier=(),
    jobs=None,
    tables_only=False,
    progress=None,
):
    """
    Audit one delivered folder into a dated report folder.

    Parameters
    ----------
    delivery : str or Path
        The delivered folder, or an fsspec URL.
    out : str or Path
        Where report folders go; made where it does not exist; never inside the delivery.
    brief, products, originals, decisions, previous : str or Path, optional
        The brief; the products file (by default ``products.csv`` in the
        delivery, where there is one); the folder of camera originals; the
        decisions file; the report folder of the audit before this one.
    check_sheet : str or Path, optional
        The check sheet of this delivery's sample, as filled in.
    earlier : sequence of str or Path
        Report folders of earlier deliveries, whose samples decide between
        normal, tightened and reduced inspection.
    jobs : int, optional
        Worker processes.
    tables_only : bool
        Write tables and summary without running notebooks.
    progress : callable, optional
        Called with (files done, files in all).

    Returns
    -------
    Review

    Raises
    ------
    UsageError
        The folder, brief, products or decisions file is wrong.
    AuditError
        The audit could not finish.
    LockedError
        Another run holds the output folder's lock.
    """
    source = open_delivery(str(delivery))
    out = output_folder(out, source.path)
    options = {
        "originals": originals,
        "decisions": decisions,
        "previous": previous,
        "check_sheet": check_sheet,
        "earlier": earlier,
        "jobs": jobs,
        "tables_only": tables_only,
        "progress": progress,
    }
    listing, the_brief, supplied = source.listing(), load_brief(brief), _supplied_products(source, products)
    _check_files(the_brief, decisions, previous, check_sheet, earlier)
    with writable(out), output_lock(out / WORK_FOLDER):
        return audit_listing(source, listing, the_brief, supplied, out, **options)


def audit_folder(delivery, out, *, brief=None, products=None, **options):
    """
    `review` for a caller that holds the output folder's lock already.

    Parameters
    ----------
    delivery : str or Path
    out : Path
    brief, products : str or Path, optional
    **options
        Of `audit_listing`.

    Returns
    -------
    Review
    """
    source = open_delivery(str(delivery))
    listing, the_brief, supplied = source.listing(), load_brief(brief), _supplied_products(source, products)
    with writable(out):
        return audit_listing(source, listing, the_brief, supplied, out, **options)


def audit_listing(
    source,
    listing,
    brief,
    products,
    out,
    *,
    originals=None,
    decisions=None,
    previous=None,
    check_sheet=None,
    earlier=(),
    jobs=None,
    tables_only=False,
    progress=None,
    fingerprint="",
):
    """
    The part of `review` that runs under the output folder's lock.

    Parameters
    ----------
    source : Delivery
    listing : Listing
    brief : Brief
    products : DataFrame or None
    out : Path
    fingerprint : str
        State of the delivery as a scheduled run saw it, for the history.

    Returns
    -------
    Review
    """
    work = out / WORK_FOLDER
    work.mkdir(parents=True, exist_ok=True)
    prepare_plotting(work)
    from catalogue_audit.report.publish import publish
    from catalogue_audit.report.report import write_report

    location = shown_name(os.fsencode(source.location))
    history, history_notes = open_history(work)
    connection, notes = store.open_store(work)
    sketches = None
    try:
        reconcile(history, out)
        frames, sketches, names = measure_frames(
            source, listing, brief, products, connection, work, jobs=jobs, progress=progress
        )
        audit = judge_delivery(
            delivery_name=source.name,
            frames=frames,
            sketches=sketches,
            names=names,
            brief=brief,
            products=products,
            originals=originals,
            decisions=decisions,
            previous=previous,
            check_sheet=check_sheet,
            earlier=earlier,
            notes=notes + history_notes,
        )
        audit = replace(audit, summary=audit.summary | _not_in_the_tables(listing))

        written = []

        def build(temporary):
            summary = write_report(audit, temporary, notebooks=not tables_only)
            number = record_audit(
                history, location, fingerprint, summary, audit.frames, audit.findings, audit.products
            )
            written[:] = [summary, number]

        folder = publish(build, out, source.name, datetime.date.today())
        summary, number = written
        record_report(history, number, folder.name)
    finally:
        if sketches is not None:
            sketches.close()
        connection.close()
        history.close()
    return Review(folder, summary, summary["exit_status"])


def measure_frames(source, listing, brief, products, connection, work_folder, *, jobs=None, progress=None):
    """
    Pass one over a listing, and the frames table with its frame columns.

    Returns
    -------
    frames : DataFrame
        Columns of the schema; set columns still empty.
    sketches : Sketches
    names : list of NameFacts
    """
    version = settings_version(brief.limits)
    entries = listing.entries
    results = measure_delivery(
        source, entries, connection, version, jobs=jobs, limits=brief.limits, progress=progress
    )
    names = read_names([entry.name for entry in entries], brief, sku_forms(products))
    by_sku = {} if products is None else products.set_index("sku").to_dict("index")
    rows = [
        frame_row(name, facts, by_sku.get(name.sku, {})) for name, facts in zip(names, results, strict=True)
    ]
    contents = {row["file"]: row["sha256"] for row in rows if row.get("phash") or row.get("width_px")}
    sketches = store.Sketches(work_folder / store.STORE_NAME, version, contents)
    return table_from_rows("frames", rows), sketches, names


def frame_row(name, facts, product):
    """One row of the frames table: what the name says, what was measured, what the view lets stand."""
    if facts.get("target"):  # whatever its name says: no product is judged by it
        name = name._replace(view_kind="target")
    facts = _with_roll_of_view(facts, name)
    kept, view_reasons = applicable(facts, name.view, name.view_kind)
    reasons = dict.fromkeys((*facts.get("reasons", ()), *view_reasons))
    return kept | {
        "file": name.file,
        "sku": name.sku,
        "view": name.view,
        "position": name.position,
        "view_kind": name.view_kind,
        "style": product.get("style"),
        "colourway": product.get("colourway"),
        "reason": "; ".join(reasons),
    }


def _with_roll_of_view(facts, name):
    """Facts with the roll from those witnesses that hold in the view: a turned base slopes without any roll."""
    if "witnesses" not in facts or not shows_a_turn(name.view):
        return facts
    others = {key: value for key, value in facts.items() if key not in ("roll_deg", "roll_sd_deg")}
    roll = roll_for_view(facts, name.view_kind, straight_on=False)
    reasons = (*facts.get("reasons", ()), *roll.get("reasons", ()))
    return others | roll | {"reasons": reasons}


def _check_files(brief, decisions, previous, check_sheet, earlier):
    """What would be refused at the end of the audit is refused before it begins."""
    read_earlier(earlier)
    if check_sheet is not None:
        read_check_sheet(check_sheet, brief.sampling.questions)
    if decisions is not None:
        read_decisions(decisions)
    if previous is not None and not (Path(previous) / "tables" / "frames.csv").is_file():
        msg = (
            f"{Path(previous).name!r} holds no report (tables/frames.csv is missing).\n"
            "Pass the dated report folder of the audit before with --previous."
        )
        raise UsageError(msg)


def _not_in_the_tables(listing):
    """What was found besides pictures, so that every file is accounted for: names of other and of hidden files."""
    return {
        "other_files": [entry.name for entry in listing.others],
        "hidden_files": list(listing.ignored),
    }


def _supplied_products(source, products):
    if products is not None:
        return read_products(products)
    default = source.products_file()
    return None if default is None else read_products(default)
