"""Where a run writes and where it never may, and when it is."""

import datetime
from pathlib import Path

from catalogue_audit.errors import UsageError

WORK_FOLDER = ".catalogue-audit"  # inside the output folder: store, history and lock


def output_folder(out, delivery, called="delivery"):
    """
    The output folder, absolute.

    Parameters
    ----------
    out : str or Path
    delivery : Path or None
        Real path of the delivery, inbox or originals; None where it is no local folder.
    called : str
        What to call it in a message.

    Raises
    ------
    UsageError
        When it has no name, or it, or a record of it behind a link, lies inside that folder.
    """
    if not str(out):  # an empty variable of a script would fill the folder that it happens to run in
        raise UsageError("The output folder has no name: --out is empty.\nPass a folder with --out.")
    try:
        out = Path(out).resolve()
    except RuntimeError as error:
        raise UsageError(f"The output folder {str(out)!r} is a link that leads back to itself.\nPass another folder with --out.") from error
    if delivery is not None and any(path.is_relative_to(delivery) for path in (out, *_led_to(out / WORK_FOLDER))):
        msg = (
            f"The output folder {str(out)!r} lies inside the {called}.\n"
            "Nothing is ever written there: pass another folder with --out."
        )
        raise UsageError(msg)
    return out


def _led_to(folder):
    """Where the folder of records and what lies in it are, links followed: a link must lead no record into a delivery."""
    try:
        return [path.resolve() for path in (folder, *(folder.iterdir() if folder.is_dir() else ()))]
    except (OSError, RuntimeError):  # closed, or a link round in a circle: writing into it says so
        return []


def local_time():
    """
    Now, to the second, ISO 8601 with the offset of the machine's zone; UTC where its TZ names an impossible one.

    Returns
    -------
    str
    """
    try:
        now = datetime.datetime.now().astimezone()
    except ValueError:  # an offset of a day or more
        now = datetime.datetime.now(datetime.UTC)
    return now.isoformat(timespec="seconds")
