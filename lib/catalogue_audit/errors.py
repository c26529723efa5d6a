"""The few errors that end a command; everything else becomes a row with a reason."""


class AuditError(Exception):
    """
    Base of every error a user can cause or mend.

    The message says what was wrong, what was found, and what to do; the
    command prints it without a traceback.
    """

    exit_status = 3


class UsageError(AuditError):
    """The command, the brief or the products file is wrong (exit status 2)."""

    exit_status = 2


class MachineError(AuditError):
    """What this machine lacks: space, rights to write, memory, processes. It says nothing about the delivery."""


class LockedError(AuditError):
    """Another run holds the lock (exit status 4)."""

    exit_status = 4


class UnreadablePicture(Exception):
    """
    A file that cannot be measured; caught at once and turned into a row.

    The message is the row's ``reason``: plain words a photographer or supplier
    understands, without exception names or machine paths.
    """
