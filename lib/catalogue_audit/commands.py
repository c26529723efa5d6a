"""
The commands: for each its arguments, and the one call it makes.

Nothing heavy is imported until a command needs it, so that ``--help`` is
immediate.
"""

import argparse
import math
import sys

from catalogue_audit import __version__
from catalogue_audit.terminal import harmless, print_path, progress, say, tell

EXIT_STATUS = """\
exit status:
  0  nothing worse than minor
  1  findings that need action (at least one critical or major)
  2  the command or the brief is wrong
  3  the audit itself could not finish
  4  another run holds the lock
  128 + n  ended by signal n
"""
MOST_MINUTES = 525_600  # a year: whatever has been quiet for longer has arrived


def command_parser():
    """The parser of the command line; a parsed command holds in ``run`` what carries it out and returns the exit status."""
    parser = argparse.ArgumentParser(
        prog="catalogue-audit",
        description="Measure every picture of a delivery and report what is missing, wrong or inconsistent.",
        epilog=EXIT_STATUS,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=__version__)
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")
    _add_review(commands)
    _add_brief(commands)
    _add_season(commands)
    _add_scheduled(commands)
    _add_placing_outline(commands)
    _add_check_records(commands)
    _add_print(commands)
    return parser


def _add_review(commands):
    review = commands.add_parser(
        "review",
        help="audit one delivered folder into a dated report",
        description="Audit one delivered folder (or fsspec URL) into a dated report folder, and print its path last.",
        epilog="examples:\n"
        "  catalogue-audit review autumn_delivery\n"
        "  catalogue-audit review autumn_delivery --brief house.toml --out reports\n\n" + EXIT_STATUS,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    review.add_argument("delivery", metavar="DELIVERY", help="folder of pictures, or an fsspec URL")
    review.add_argument("--out", default="reports", metavar="DIR", help="where report folders go (default: reports)")
    review.add_argument("--brief", metavar="FILE", help="what was ordered, as TOML (default: bags)")
    review.add_argument("--products", metavar="FILE", help="CSV of products (default: products.csv in the delivery)")
    review.add_argument("--originals", metavar="DIR", help="camera originals that finals were made from: paired by content, metadata and turn inherited")
    review.add_argument("--decisions", metavar="FILE", help="findings that somebody has accepted, as CSV: file or sku, view, check, why, by, until")
    review.add_argument("--previous", metavar="REPORT", help="report folder of the audit before this one")
    review.add_argument("--check-sheet", metavar="FILE", help="the report's check_sheet.csv, filled in: what only eyes can judge")
    review.add_argument(
        "--earlier",
        nargs="+",
        action="extend",
        default=[],
        metavar="REPORT",
        help="reports of earlier deliveries, by whose samples this one's is normal, tightened or reduced",
    )
    _add_measuring(review)
    review.add_argument("--tables-only", action="store_true", help="write tables and summary, run no notebooks")
    review.add_argument("--pdf", action="store_true", help="print the page to report.pdf too (needs the browser Chromium)")
    review.set_defaults(run=_run_review)


def _add_measuring(command):
    """Options about how files are measured; none of them changes a table."""
    command.add_argument("--jobs", type=_positive, metavar="N", help="worker processes (default: one per processor)")
    command.add_argument("--cluster", metavar="ADDRESS", help="measure on this Dask cluster, for example tcp://10.0.0.5:8786")
    command.add_argument("--verify", action="store_true", help="go by every file's content, not by its size, times and inode")


def _run_review(options):
    from catalogue_audit.runs.workers import server_of_workers

    server_of_workers()  # it imports what workers need while this process imports what itself needs
    from catalogue_audit.runs.review import review

    result = review(
        options.delivery,
        out=options.out,
        brief=options.brief,
        products=options.products,
        originals=options.originals,
        decisions=options.decisions,
        previous=options.previous,
        check_sheet=options.check_sheet,
        earlier=options.earlier,
        jobs=options.jobs,
        cluster=options.cluster,
        verify=options.verify,
        tables_only=options.tables_only,
        pdf=options.pdf,
        progress=progress(),
    )
    say(result.summary["verdict_sentence"])
    print_path(result.folder, "report")
    return result.exit_status


def _add_brief(commands):
    brief = commands.add_parser(
        "brief",
        help="write a brief to start from, or derive one from an approved delivery",
        description="Write a commented brief to standard output, or to a file with --to.",
        epilog="examples:\n"
        "  catalogue-audit brief > house.toml\n"
        "  catalogue-audit brief --stage finals --to house.toml\n"
        "  catalogue-audit brief --from-report reports/2026-03-02_spring --to house.toml\n",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    brief.add_argument("--stage", choices=("originals", "finals"), default="originals")
    brief.add_argument("--from-report", metavar="REPORT", help="derive it from the report of a delivery you accepted")
    brief.add_argument("--to", metavar="FILE", help="write there instead of to standard output; never replaces a file")
    brief.set_defaults(run=_run_brief)


def _run_brief(options):
    from catalogue_audit.runs.brief import write_brief

    text = write_brief(options.stage, options.from_report, options.to)
    if text is not None:
        tell(text.encode(), "The brief")
    return 0


def _add_season(commands):
    command = commands.add_parser(
        "season",
        help="study habits, faults and looks over many deliveries",
        description="Study every delivery whose audit is stored in the output folder; deliveries named here are audited "
        "first where they have changed. Writes a dated season report, and prints its path last.",
        epilog="examples:\n"
        "  catalogue-audit season --out reports --since 2026-01-01\n"
        "  catalogue-audit season deliveries/* --out reports\n"
        "  catalogue-audit season --out reports --supplier 'north*' --camera 0412345\n\n"
        "Status 1 here: a habit, a recurring critical or major fault, or a delivery unlike the current look.\n\n" + EXIT_STATUS,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    command.add_argument("deliveries", nargs="*", metavar="DELIVERY", help="audit these first (default: only what is stored)")
    command.add_argument("--out", default="reports", metavar="DIR", help="folder of earlier and new reports (default: reports)")
    command.add_argument("--since", metavar="DATE", help="first day of capture, for example 2026-01-31")
    command.add_argument("--until", metavar="DATE", help="last day of capture")
    command.add_argument("--camera", metavar="SERIAL", help="only pictures of the camera with this serial number")
    command.add_argument("--style", metavar="STYLE", help="only this style of the products file; * and ? are placeholders")
    command.add_argument(
        "--supplier",
        metavar="NAME",
        help="only this supplier: the products file's column 'supplier' where there is one, else the delivery's name; * and ? are placeholders",
    )
    command.add_argument("--brief", metavar="FILE", help="brief for the deliveries named here (default: bags)")
    _add_measuring(command)
    command.add_argument("--tables-only", action="store_true", help="write tables and summary, run no notebooks")
    command.set_defaults(run=_run_season)


def _run_season(options):
    from catalogue_audit.runs.season import season

    result = season(
        options.deliveries,
        out=options.out,
        since=options.since,
        until=options.until,
        camera=options.camera,
        style=options.style,
        supplier=options.supplier,
        brief=options.brief,
        jobs=options.jobs,
        cluster=options.cluster,
        verify=options.verify,
        tables_only=options.tables_only,
        progress=progress(),
    )
    for line in result.left_out:
        say(f"Left out: {line}")
    say(result.summary["verdict_sentence"])
    print_path(result.folder, "report")
    return result.exit_status


def _add_scheduled(commands):
    command = commands.add_parser(
        "scheduled",
        help="audit what is new or changed in an inbox of deliveries",
        description="Audit every finished delivery of an inbox that is new or has changed; meant to be started by a timer.",
        epilog="examples:\n"
        "  catalogue-audit scheduled inbox --out reports\n"
        "  catalogue-audit scheduled inbox --out reports --on-report /usr/local/bin/tell-the-team\n\n" + EXIT_STATUS,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    command.add_argument("inbox", metavar="INBOX", help="folder whose folders are deliveries")
    command.add_argument("--out", default="reports", metavar="DIR", help="where report folders go (default: reports)")
    command.add_argument("--brief", metavar="FILE", help="one brief for all deliveries (default: bags)")
    command.add_argument(
        "--quiet-minutes",
        type=_minutes,
        default=10.0,
        metavar="M",
        help="a delivery has arrived when nothing in it changed for M minutes (default: 10)",
    )
    command.add_argument("--marker", type=_file_name, default="complete", metavar="NAME", help="file that says a delivery is complete (default: complete)")
    command.add_argument("--attempts", type=_positive, default=3, metavar="N", help="tries of a failing delivery (default: 3)")
    command.add_argument("--keep", type=_positive, metavar="N", help="remove all but the newest N reports of a delivery (default: keep all)")
    command.add_argument("--on-report", metavar="COMMAND", help="call this with the path of each new summary.json")
    _add_measuring(command)
    command.add_argument("--tables-only", action="store_true", help="write tables and summary, run no notebooks")
    command.set_defaults(run=_run_scheduled)


def _run_scheduled(options):
    import logging

    from catalogue_audit.runs.scheduled import scheduled

    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(logging.Formatter("%(asctime)s %(levelname)s %(message)s", "%Y-%m-%dT%H:%M:%S%z"))
    logger = logging.getLogger("catalogue_audit.scheduled")
    logger.handlers[:] = [handler]
    logger.setLevel(logging.INFO)
    outcomes = scheduled(
        options.inbox,
        out=options.out,
        brief=options.brief,
        quiet_minutes=options.quiet_minutes,
        marker=options.marker,
        attempts=options.attempts,
        keep=options.keep,
        on_report=options.on_report,
        jobs=options.jobs,
        cluster=options.cluster,
        verify=options.verify,
        tables_only=options.tables_only,
    )
    return max((outcome.exit_status for outcome in outcomes), default=0)


def _add_placing_outline(commands):
    command = commands.add_parser(
        "placing-outline",
        help="write the set's reference outlines for shooting the next product alike",
        description="Write, for every view of a report, the set's reference outline as a transparent PNG of the camera's "
        "size, and a sheet for the table with the measured angle (PDF). Prints the path of each file.",
        epilog="examples:\n"
        "  catalogue-audit placing-outline reports/2026-03-02_spring --to placing\n"
        "  catalogue-audit placing-outline reports/2026-03-02_spring --view three_quarter\n\n" + EXIT_STATUS,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    command.add_argument("report", metavar="REPORT", help="a report folder, where 'review' wrote it")
    command.add_argument("--view", metavar="VIEW", help="only this view (default: every view of whole products)")
    command.add_argument("--to", default="placing", metavar="DIR", help="folder to write to; no file is replaced (default: placing)")
    command.set_defaults(run=_run_placing_outline)


def _run_placing_outline(options):
    from catalogue_audit.runs.placing import placing_outline

    for path in placing_outline(options.report, options.view, options.to):
        print_path(path)
    return 0


def _add_check_records(commands):
    command = commands.add_parser(
        "check-records",
        help="verify the history, the kept measures and every report of an output folder",
        description="Verify the history, the store of measures and every report of an output folder, and say what cannot be "
        "proven. Changes nothing.",
        epilog="example:\n  catalogue-audit check-records --out reports\n\n"
        "exit status:\n  0  everything is as it was written\n  1  something is damaged, altered or missing\n"
        "  2  there is no such folder\n  3  the check could not finish\n  4  a run is writing to the folder\n",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    command.add_argument("--out", default="reports", metavar="DIR", help="folder of reports (default: reports)")
    command.set_defaults(run=_run_check_records)


def _run_check_records(options):
    from catalogue_audit.runs.checking import check_records

    checked = check_records(options.out)
    lines = (*checked.seen, *(f"WRONG: {fault}" for fault in checked.faults), *checked.notes)
    tell("".join(f"{harmless(line)}\n" for line in lines).encode("utf-8", "replace"), "What was found")
    return checked.exit_status


def _add_print(commands):
    command = commands.add_parser(
        "print",
        help="print the page of a report to a PDF",
        description="Print report.html of a report folder to a PDF, with a Chromium of this machine. Prints the file's path.",
        epilog="examples:\n"
        "  catalogue-audit print reports/2026-03-02_spring\n"
        "  catalogue-audit print reports/2026-03-02_spring --paper Letter --to spring.pdf\n\n" + EXIT_STATUS,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    command.add_argument("report", metavar="REPORT", help="a report folder, where 'review' or 'season' wrote it")
    command.add_argument("--paper", choices=("A4", "Letter"), default="A4", help="default: A4")
    command.add_argument("--to", metavar="FILE", help="write there; no file is replaced (default: report.pdf in the report folder)")
    command.set_defaults(run=_run_print)


def _run_print(options):
    from catalogue_audit.report.page_pdf import write_page_pdf

    print_path(write_page_pdf(options.report, options.to, paper=options.paper))
    return 0


def _positive(text):
    number = int(text) if text.strip().isdecimal() else 0
    if number < 1:
        msg = f"must be a whole number, 1 or more, found {text!r}"
        raise argparse.ArgumentTypeError(msg)
    return number


def _minutes(text):
    try:
        number = float(text)
    except ValueError:
        number = math.nan
    if not 0 <= number <= MOST_MINUTES:
        msg = f"must be 0 to {MOST_MINUTES}, found {text!r}"
        raise argparse.ArgumentTypeError(msg)
    return number


def _file_name(text):
    if not text or "/" in text or text in (".", ".."):
        msg = f"must be the name of a file, without a folder, found {text!r}"
        raise argparse.ArgumentTypeError(msg)
    return text
