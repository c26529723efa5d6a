"""What a failed write to the output folder says: one clear line, whatever failed."""

import os
import sqlite3

from catalogue_audit.errors import AuditError, MachineError

_STORE_FAULTS = {  # primary result codes of SQLite, "Result and Error Codes"
    sqlite3.SQLITE_FULL: "no space left on device",
    sqlite3.SQLITE_IOERR: "the disk refused a write, or a limit on file sizes was reached",
    sqlite3.SQLITE_READONLY: "a file of its folder .catalogue-audit may not be written to",
    sqlite3.SQLITE_CANTOPEN: "a file of its folder .catalogue-audit could not be opened",
    sqlite3.SQLITE_BUSY: "another program holds its records open",
    sqlite3.SQLITE_CORRUPT: "its records are damaged; run again, and they are set aside",
}


def _fault(error):
    """Primary result code of an SQLite error (the low byte of the extended one), or None."""
    code = getattr(error, "sqlite_errorcode", None)
    return None if code is None else code & 0xFF


class writable:
    """Context: turn a failed write to the output folder into one clear line."""

    def __init__(self, out):
        self._out = out

    def __enter__(self):
        return self

    def __exit__(self, kind, error, trace):
        if isinstance(error, (OSError, sqlite3.Error)) and not isinstance(error, AuditError):
            number = getattr(error, "errno", None)  # a library's own words may stand in place of the system's
            reason = os.strerror(number) if number else getattr(error, "strerror", None) or _STORE_FAULTS.get(_fault(error), "unknown reason")
            msg = (
                f"Cannot write the report into {self._out.name!r}: {reason.lower()}.\n"
                "Check that the folder may be written to and has space, or pass another with --out."
            )
            raise MachineError(msg) from error
