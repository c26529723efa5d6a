"""
A report folder appears whole or not at all, and never replaces another.

The report is built in a hidden folder beside its place and renamed when every
byte is on disk. A folder cannot be renamed onto one that holds something (POSIX
``rename``: EEXIST or ENOTEMPTY), so of two runs one gets the name, the other the next.
"""

import contextlib
import os
import re
import shutil
import unicodedata
from pathlib import Path

from catalogue_audit.errors import AuditError

BUILDING = ".building-"
NAME_BYTES = 120  # of the delivery's name kept in the folder name
MOST = 10_000  # reports of one delivery on one day


def safe_name(name):
    """
    A delivery's name as part of a folder name: what is unsafe becomes ``-``.

    Parameters
    ----------
    name : str

    Returns
    -------
    str
        Never empty; no separators, controls, leading dots or dashes; at most `NAME_BYTES` bytes of UTF-8.

    Examples
    --------
    >>> safe_name("drop 2/bags:*"), safe_name("..")
    ('drop 2-bags-', 'delivery')
    """
    text = unicodedata.normalize("NFC", str(name).encode("utf-8", "replace").decode("utf-8"))
    text = "".join("-" if unicodedata.category(c)[0] == "C" or unicodedata.category(c) in ("Zl", "Zp") else c for c in text)
    text = re.sub(r'[<>:"/\\|?*{}]+', "-", text).strip(" .")
    text = text.encode("utf-8")[:NAME_BYTES].decode("utf-8", "ignore").rstrip(" .")
    text = text.lstrip("-.")
    return text if text.strip("- ") else "delivery"


def publish(build, out_dir, name, date):
    """
    Build a report folder and give it its dated name when it is whole.

    Parameters
    ----------
    build : callable
        Called with the Path of an empty folder; writes the report there.
    out_dir : Path
        Where report folders go.
    name : str
        The delivery's name.
    date : datetime.date

    Returns
    -------
    Path
        ``out_dir/YYYY-MM-DD_name``, or the same with ``_2``, ``_3`` ... where that is taken.

    Raises
    ------
    Whatever `build` raises; then nothing is left behind.
    """
    out_dir = Path(out_dir)
    out_dir.mkdir(parents=True, exist_ok=True)
    remove_leftovers(out_dir)
    work = _work_folder(out_dir)
    try:
        build(work)
        _flush(work)
        folder = _take_name(work, out_dir, f"{date:%Y-%m-%d}_{safe_name(name)}")
    except BaseException:
        shutil.rmtree(work, ignore_errors=True)
        raise
    _flush_folder(out_dir)
    return folder


def _work_folder(out_dir):
    """A new hidden folder that says which process builds in it."""
    for number in range(MOST):
        work = out_dir / f"{BUILDING}{os.getpid()}-{number}"
        try:
            work.mkdir()
        except FileExistsError:
            continue
        return work
    raise AuditError(f"There are too many unfinished reports in {out_dir.name!r}. Remove its '{BUILDING}...' folders.")


def _take_name(work, out_dir, wanted):
    for number in range(1, MOST):
        folder = out_dir / (wanted if number == 1 else f"{wanted}_{number}")
        if os.path.lexists(folder):
            continue
        try:
            os.rename(work, folder)
        except OSError:
            if os.path.lexists(folder):  # another run took the name in between
                continue
            raise
        return folder
    raise AuditError(f"There are too many reports named {wanted!r}. Move some of them away.")


def _flush(folder):
    """Every file and folder below on disk, not in the machine's memory only."""
    for place, _, files in os.walk(folder):
        for name in files:
            with open(os.path.join(place, name), "rb") as file, contextlib.suppress(OSError):
                os.fsync(file.fileno())
        _flush_folder(place)


def _flush_folder(folder):
    if os.name == "nt":  # no folder handles there
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        with contextlib.suppress(OSError):  # some network file systems refuse
            os.fsync(handle)
    finally:
        os.close(handle)


def remove_leftovers(out_dir):
    """
    Remove what runs that were killed left behind.

    Only folders of our own naming whose process no longer lives are touched.

    Parameters
    ----------
    out_dir : Path
    """
    for folder in out_dir.glob(f"{BUILDING}*"):
        found = re.fullmatch(re.escape(BUILDING) + r"(\d+)-\d+", folder.name)
        if found and folder.is_dir() and not folder.is_symlink() and not _lives(int(found[1])):
            shutil.rmtree(folder, ignore_errors=True)


def _lives(process):
    if process == os.getpid():
        return True
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except (OSError, OverflowError):  # it lives and is another's, or cannot be told
        return True
    return True
