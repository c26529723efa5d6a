"""The brief to start from: the shipped one of a stage, or one derived from an approved delivery."""

import os
from pathlib import Path

from catalogue_audit.delivery.brief import brief_text
from catalogue_audit.errors import AuditError, UsageError


def write_brief(stage="originals", from_report=None, to=None):
    """
    Text of a commented brief, written to a new file where one is named.

    Parameters
    ----------
    stage : str
        'originals' or 'finals'.
    from_report : str or Path, optional
        Report folder of a delivery that was accepted.
    to : str or Path, optional
        File to write; never replaced.

    Returns
    -------
    str or None
        The text, where no file was named.

    Raises
    ------
    UsageError
        The report is none, or the file exists.
    """
    if from_report is None:
        text = brief_text(stage)
    else:
        from catalogue_audit.findings.derive_brief import derive_brief
        from catalogue_audit.report.audit import UNREADABLE, read_audit

        accepted = read_audit(Path(from_report))
        if not len(accepted.frames):
            raise UsageError(UNREADABLE.format(folder=str(from_report), what="tables/frames.csv"))
        try:
            text = derive_brief(accepted.frames, {**accepted.summary, "framing_rule": accepted.framing_rule})
        except ValueError as error:  # a brief or figures in it that are none
            raise UsageError(UNREADABLE.format(folder=str(from_report), what="summary.json")) from error
    if to is None:
        return text
    _write_new(Path(to), text)
    return None


def _write_new(path, text):
    try:
        descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o666)
    except FileExistsError:
        msg = f"{path.name!r} exists already.\nName another file: a brief is never replaced."
        raise UsageError(msg) from None
    except OSError as error:
        msg = f"Cannot write {path.name!r}: {(error.strerror or 'unknown reason').lower()}."
        raise AuditError(msg) from error
    with open(descriptor, "w", encoding="utf-8") as file:
        file.write(text)
