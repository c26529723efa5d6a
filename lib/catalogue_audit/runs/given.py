"""What the user may give with a delivery, besides brief and products file."""

from pathlib import Path
from typing import NamedTuple

from catalogue_audit.errors import UsageError


class Given(NamedTuple):
    """
    Files of earlier audits and answers, all optional, as in `runs.review.review`.

    Attributes
    ----------
    decisions : str or Path
        The decisions file.
    previous : str or Path
        The report folder of the audit before this one.
    check_sheet : str or Path
        The check sheet of this delivery's sample, as filled in.
    earlier : sequence of str or Path
        Report folders of earlier deliveries, whose samples were judged.
    """

    decisions: str | Path | None = None
    previous: str | Path | None = None
    check_sheet: str | Path | None = None
    earlier: tuple = ()


def check_given(given, brief):
    """Refuse before the audit begins what would be refused at its end; raises `AuditError`."""
    if given.earlier:
        from catalogue_audit.findings.sample import read_earlier

        read_earlier(given.earlier)
    if given.check_sheet is not None:
        from catalogue_audit.findings.sample import read_check_sheet

        read_check_sheet(given.check_sheet, brief.sampling.questions)
    if given.decisions is not None:
        from catalogue_audit.findings.decisions import read_decisions

        read_decisions(given.decisions)
    if given.previous is not None and not (Path(given.previous) / "tables" / "frames.csv").is_file():
        msg = (
            f"{Path(given.previous).name!r} holds no report (tables/frames.csv is missing).\n"
            "Pass the dated report folder of the audit before with --previous."
        )
        raise UsageError(msg)
