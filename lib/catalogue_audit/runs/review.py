"""The review of one delivery, from a folder to a dated report folder."""

import datetime
import os
from dataclasses import replace
from pathlib import Path
from typing import NamedTuple

from catalogue_audit.delivery.brief import load_brief
from catalogue_audit.delivery.beside import beside_notes
from catalogue_audit.delivery.products import misread_columns, read_products, split_products
from catalogue_audit.delivery.shown import shown_name
from catalogue_audit.delivery.source import open_delivery
from catalogue_audit.errors import UsageError
from catalogue_audit.findings.rows import plain
from catalogue_audit.runs import store
from catalogue_audit.runs.frames import measure_frames
from catalogue_audit.runs.given import Given, check_given
from catalogue_audit.runs.history import open_history, reconcile, record_audit, record_report
from catalogue_audit.runs.lock import output_lock
from catalogue_audit.runs.places import WORK_FOLDER, output_folder
from catalogue_audit.runs.passone import Measuring
from catalogue_audit.runs.plotting import prepare_plotting
from catalogue_audit.runs.writing import writable


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
    cluster=None,
    verify=False,
    tables_only=False,
    notebooks=True,
    pdf=False,
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
    cluster : str, optional
        Address of a Dask scheduler whose workers measure, instead of this machine's processes.
    verify : bool
        Read every file and go by its content, also where size, times and inode say that it is unchanged.
    tables_only : bool
        Write tables and summary without running notebooks.
    notebooks : bool
        False writes a page without the executed notebooks.
    pdf : bool
        Print the page to ``report.pdf`` too.
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
    if originals is not None:
        from catalogue_audit.runs.originals import open_originals

        originals = open_originals(originals)
        if source.path is not None and originals[0].path == source.path:
            raise UsageError("The folder of originals is the delivery itself.\nPass with --originals the folder that the camera's files lie in.")
        out = output_folder(out, originals[0].path, "folder of originals")
    given = Given(decisions, previous, check_sheet, earlier)
    options = {
        "originals": originals,
        "given": given,
        "measuring": Measuring(jobs, cluster, verify),
        "tables_only": tables_only,
        "notebooks": notebooks,
        "pdf": pdf,
        "progress": progress,
    }
    listing, the_brief, supplied = source.listing(), load_brief(brief), _supplied_products(source, products)
    check_given(given, the_brief)
    if pdf:
        _check_printing(tables_only)
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
    given=Given(),
    measuring=Measuring(),
    tables_only=False,
    notebooks=True,
    pdf=False,
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
    originals : (Delivery, Listing), optional
        As `runs.originals.open_originals` gives them.
    given : Given
    measuring : Measuring
    fingerprint : str
        State of the delivery as a scheduled run saw it, for the history.

    Returns
    -------
    Review
    """
    work = out / WORK_FOLDER
    work.mkdir(parents=True, exist_ok=True)
    if not tables_only:
        prepare_plotting(work)
    history, history_notes = open_history(work)
    connection, notes = store.open_store(work)
    notes += tuple(map(plain, (*beside_notes(listing), *misread_columns(products))))
    sketches, taken = None, None
    try:
        reconcile(history, out)
        frames, sketches, names = measure_frames(
            source, listing, brief, products, connection, work, measuring=measuring, progress=progress
        )
        products, undelivered = split_products(products, {name.sku for name in names})
        if originals is not None:
            from catalogue_audit.runs.originals import measure_originals

            taken, unread = measure_originals(*originals, brief, connection, work, measuring=measuring, progress=progress)
            notes += unread
        from catalogue_audit.runs.passtwo import judge_delivery  # by now it was imported while workers measured

        audit = judge_delivery(
            delivery_name=source.name,
            frames=frames,
            sketches=sketches,
            names=names,
            brief=brief,
            products=products,
            undelivered=undelivered,
            originals=taken,
            given=given,
            notes=notes + history_notes,
        )
        for used in (sketches, *(() if taken is None else (taken.sketches,))):
            used.dismiss()  # the report looks at few
        audit = replace(audit, summary=audit.summary | _not_in_the_tables(listing))
        folder, summary = _published(audit, source, out, history, fingerprint, {"tables_only": tables_only, "notebooks": notebooks, "pdf": pdf})
    finally:
        if sketches is not None:
            sketches.close()
        if taken is not None:
            taken.sketches.close()
        connection.close()
        history.close()
    return Review(folder, summary, summary["exit_status"])


def _published(audit, source, out, history, fingerprint, options):
    """The folder of the report, once it is whole and the history knows it, and its summary; ``options`` of `report.report.write_report`."""
    from catalogue_audit.report.publish import publish
    from catalogue_audit.report.report import write_report

    location, written = shown_name(os.fsencode(source.location)), []

    def build(temporary):
        summary = write_report(audit, temporary, **options)
        number = record_audit(history, location, fingerprint, summary, audit.frames, audit.findings, audit.products)
        written[:] = [summary, number]

    folder = publish(build, out, source.name, datetime.date.today())
    summary, number = written
    record_report(history, number, folder.name)
    return folder, summary


def _check_printing(tables_only):
    from catalogue_audit.report.page_pdf import need_browser

    if tables_only:
        raise UsageError("A report of tables only has no page to print.\nPass either --pdf or --tables-only.")
    need_browser()


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
