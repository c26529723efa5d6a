"""
The command line's frame: one call, its exit status, and a plain sentence for whatever ends it early.
"""

import contextlib
import os
import signal
import sys
import threading
import warnings

from catalogue_audit.commands import command_parser
from catalogue_audit.errors import AuditError
from catalogue_audit.terminal import leave_stdout, say

ENDING_SIGNALS = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)


def main(arguments=None):
    """
    Run the command.

    Parameters
    ----------
    arguments : list of str, optional
        By default those of the process.

    Returns
    -------
    int
        The exit status; see `commands.EXIT_STATUS`.
    """
    if arguments is None:
        _begin_in_utf8()
    options = command_parser().parse_args(arguments)
    if arguments is None and not sys.warnoptions:
        _tell_in_one_line()
    signal.pthread_sigmask(signal.SIG_UNBLOCK, (*ENDING_SIGNALS, signal.SIGCHLD))  # a parent may have left them blocked
    for number in ENDING_SIGNALS:
        if signal.getsignal(number) is not signal.SIG_IGN:  # nohup ignores SIGHUP, and means it
            signal.signal(number, _end_by_signal)
    try:
        return options.run(options)
    except AuditError as error:
        say(str(error))
        return error.exit_status
    except _Ended as ended:
        threading.excepthook = sys.unraisablehook = lambda *_: None  # what breaks while all is being stopped is no news
        say("Stopped. Measured files are kept; the same command goes on from there.")
        return 128 + ended.number
    except BrokenPipeError:
        leave_stdout()
        return 128 + signal.SIGPIPE
    except Exception as error:  # noqa: BLE001 - nobody can act on a traceback
        say(_in_plain_words(error))
        return AuditError.exit_status


class _Ended(KeyboardInterrupt):  # a KeyboardInterrupt, because event loops let those through
    def __init__(self, number):
        super().__init__(number)
        self.number = number


def _begin_in_utf8():
    """
    Begin anew in Python's UTF-8 mode where the locale would read names of files in another encoding.

    With such names as text no library could open an output folder that is called ``Lieferung ä``.
    """
    if sys.getfilesystemencoding() != "utf-8" and sys.executable:
        os.environ["PYTHONUTF8"] = "1"  # for the processes that it starts
        with contextlib.suppress(OSError):
            os.execv(sys.executable, [sys.executable, "-X", "utf8", *sys.orig_argv[1:]])


def _tell_in_one_line():
    """
    What a thread or a finaliser raises is told in one plain line, each place once, and warnings of libraries not at all.

    Such an exception cannot reach `main`, and a traceback names lines nobody at a terminal can act on; but something went wrong.
    """
    told = set()

    def tell_once(raised):
        if raised.exc_value is None or isinstance(raised.exc_value, SystemExit):
            return
        place = _place(raised.exc_value)
        if place not in told:
            told.add(place)
            say(f"A part of the program failed beside the run ({place}). If anything is missing, please report this line to its maintainers.")

    warnings.simplefilter("ignore")
    sys.unraisablehook = threading.excepthook = tell_once


def _end_by_signal(number, frame):
    for other in ENDING_SIGNALS:  # a second signal must not break off the clearing up
        signal.signal(other, signal.SIG_IGN)
    raise _Ended(number)


def _in_plain_words(error):
    """Two lines about what ended the run: what happened, what to do."""
    if isinstance(error, MemoryError):
        return "There is not enough memory to go on. No report was written.\nEnd other programs, or raise the limit (ulimit -v)."
    if isinstance(error, ImportError):
        return (
            f"A part of the program could not be loaded ({error.name or 'unknown'}). No report was written.\n"
            "Either memory is short (ulimit -v), or the installation is not whole: install requirements.txt again."
        )
    if isinstance(error, OSError):
        name = f" ({os.path.basename(os.fsdecode(error.filename))})" if isinstance(error.filename, (str, bytes)) else ""
        reason = (error.strerror or "unknown reason").lower()
        return f"A file could not be read or written: {reason}{name}.\nCheck permissions and space, then run again."
    return (
        f"The audit could not finish: {_place(error)}. No report was written.\n"
        "This is a fault of the program, not of the delivery: please report these two lines to its maintainers."
    )


def _place(error):
    """Kind of an exception, and the file and line that raised it, without a folder."""
    step = error.__traceback__
    if step is None:
        return type(error).__name__
    while step.tb_next is not None:
        step = step.tb_next
    return f"{type(error).__name__} in {os.path.basename(step.tb_frame.f_code.co_filename)}, line {step.tb_lineno}"
