"""A brief or products file that the user named: read whole, or refused in two lines."""

import os
import stat

from catalogue_audit.errors import UsageError


def read_plain_file(path, limit_bytes, called):
    """
    Bytes of a brief or a products file that the user named.

    Parameters
    ----------
    path : str or os.PathLike
    limit_bytes : int
    called : str
        What the file is to the user: ``brief``, ``products file``.

    Raises
    ------
    UsageError
        If it is missing, no plain file, closed, or too large.
    """
    shown = os.fspath(path)
    try:
        descriptor = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_NOCTTY | os.O_CLOEXEC)
    except (FileNotFoundError, NotADirectoryError, ValueError) as error:
        raise UsageError(f"There is no {called} '{shown}'.\nPass the path of an existing file.") from error
    except PermissionError as error:
        raise UsageError(f"The {called} '{shown}' may not be opened (no permission).\nMake it readable.") from error
    except OSError as error:
        raise UsageError(f"The {called} '{shown}' cannot be opened.\nPass the path of an existing file.") from error
    try:
        status = os.fstat(descriptor)
        if not stat.S_ISREG(status.st_mode):
            raise UsageError(f"The {called} '{shown}' is not a file.\nPass the path of an existing file.")
        if status.st_size > limit_bytes:
            size = f"{status.st_size / 1e6:,.1f} MB, at most {limit_bytes / 1e6:g} MB"
            raise UsageError(f"The {called} '{shown}' is too large ({size}).\nPass the right file.")
        with os.fdopen(os.dup(descriptor), "rb") as opened:
            return opened.read(limit_bytes + 1)
    except OSError as error:
        raise UsageError(f"The {called} '{shown}' could not be read.\nCopy it again.") from error
    finally:
        os.close(descriptor)
