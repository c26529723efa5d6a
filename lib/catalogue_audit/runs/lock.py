"""
One run at a time on one output folder.

The lock is ``flock`` on a file: the kernel lets go of it when its holder dies,
however it dies, so a lock can never be left behind.
"""

import contextlib
import fcntl
import os

from catalogue_audit.errors import LockedError


@contextlib.contextmanager
def output_lock(folder):
    """
    Hold the lock of an output folder for the length of a ``with`` block.

    Parameters
    ----------
    folder : Path
        Made where it does not exist.

    Raises
    ------
    LockedError
        When another run holds it.
    """
    folder.mkdir(parents=True, exist_ok=True)
    descriptor = os.open(folder / "lock", os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
    try:
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            holder = os.pread(descriptor, 32, 0).decode("ascii", "replace").strip() or "unknown"
            msg = (
                f"Another run (process {holder}) is writing to this output folder.\n"
                "Wait for it to end, or pass another folder with --out."
            )
            raise LockedError(msg) from None
        os.ftruncate(descriptor, 0)
        os.pwrite(descriptor, str(os.getpid()).encode(), 0)
        yield
    finally:
        os.close(descriptor)
