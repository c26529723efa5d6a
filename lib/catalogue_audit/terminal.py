"""What commands tell: paths and results on standard output, messages and progress on standard error."""

import contextlib
import os
import sys

from catalogue_audit.errors import AuditError


def progress():
    """What tells how far it is, where somebody looks on."""
    return _Progress() if sys.stderr is not None and sys.stderr.isatty() else None


class _Progress:
    """One line on a terminal, rewritten in place."""

    def __call__(self, done, total):
        end = "; comparing them and writing the report\n" if done >= total else ""  # a minute without a word looks like a hang
        with contextlib.suppress(OSError):  # the terminal may be gone
            sys.stderr.write(f"\r{done} of {total} pictures measured{end}")
            sys.stderr.flush()


def print_path(path, what="file"):
    """A path on a line of its own on standard output, byte for byte, whatever the terminal's encoding."""
    tell(os.fsencode(path) + b"\n", f"The {what} is written: {path}\nIts path")


def tell(data, what):
    """Bytes to standard output."""
    if sys.stdout is None:  # closed from the start
        return
    try:
        sys.stdout.flush()
        sys.stdout.buffer.write(data)
        sys.stdout.buffer.flush()
    except BrokenPipeError:
        raise
    except OSError as error:
        leave_stdout()
        raise AuditError(f"{what} could not be told on standard output: {error.strerror.lower()}.") from error


def harmless(line):
    """A line whose control characters a terminal shows instead of obeying them."""
    return "".join(c if c.isprintable() else f"\\x{ord(c):02x}" for c in line)


def leave_stdout():
    """Standard output leads nowhere from here on, so that Python does not fail on it once more at its end."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def say(text):
    """A message to standard error, with control characters made harmless; nobody is left to be told where that fails."""
    with contextlib.suppress(OSError, AttributeError):
        sys.stderr.write("\n".join(map(harmless, text.split("\n"))) + "\n")
        sys.stderr.flush()
