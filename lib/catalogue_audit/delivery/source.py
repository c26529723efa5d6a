"""
The only opener of delivered files: a local folder, or any place fsspec reaches.

What is found is listed once, in natural order, with a plain reason beside
every entry that cannot be measured. One bad entry never hides another.
"""

import os
import re
from collections import Counter
from pathlib import Path
from typing import NamedTuple

from catalogue_audit.delivery import folder, remote
from catalogue_audit.delivery.filetypes import is_system_name, kind_by_name, problem_by_kind, suffix_of
from catalogue_audit.delivery.natural import natural_key
from catalogue_audit.delivery.shown import shown_name
from catalogue_audit.errors import UnreadablePicture, UsageError

PRODUCTS_FILE = "products.csv"
MOST_PRODUCTS_BYTES = 1_000_000_000

_URL = re.compile(r"[A-Za-z][A-Za-z0-9+.-]+(://|::)")


class Entry(NamedTuple):
    """
    One file of the delivery.

    ``mtime_ns``, ``ctime_ns`` and ``inode`` are 0 where the place keeps none;
    then nothing may be concluded from their being equal.
    """

    name: str  # relative to the delivery, / separators, always valid Unicode
    size: int | None = None  # bytes; None where it is not a file or cannot be seen
    mtime_ns: int = 0
    ctime_ns: int = 0
    inode: int = 0
    kind: str = "image"  # image, raw, other_image, folder, special, link; in `others` also other
    problem: str = ""  # why it cannot be measured, in plain words; empty for an ordinary picture
    etag: str = ""  # strong entity tag (RFC 9110, 8.8.3) that a server gives the content, where it gives one


class Listing(NamedTuple):
    """Everything found: each name is in exactly one of the three."""

    entries: tuple  # Entry, one for each row of the report, natural order
    others: tuple  # Entry, files that are no pictures: text, tables, sidecars
    ignored: tuple  # names of hidden and system files and folders


class Delivery(NamedTuple):
    """A delivery that exists; nothing is held open. Small enough to send to a worker."""

    location: str
    name: str  # what the report calls it
    is_local: bool

    @property
    def path(self):
        """Real path of a local folder, None behind a URL: to keep the output outside of it."""
        return Path(os.path.realpath(self.location)) if self.is_local else None

    def still_there(self):
        """False where a local folder went away, or holds nothing any more: a drive that was taken off leaves an empty place."""
        if not self.is_local:
            return True
        try:
            with os.scandir(self.location) as entries:
                return any(True for _ in entries)
        except FileNotFoundError:
            return False
        except OSError:  # it is there, and closed
            return True

    def products_file(self):
        """
        Bytes of ``products.csv`` in the delivery, None where there is none.

        Any case of the name will do; a link out of the delivery is not followed.

        Raises
        ------
        UsageError
            If there is one and it cannot be read.
        """
        names = [PRODUCTS_FILE] if not self.is_local else _names_like(self.location, PRODUCTS_FILE)
        for name in names:
            try:
                return self.read(name, MOST_PRODUCTS_BYTES)
            except UnreadablePicture as why:
                if str(why) == folder.VANISHED:
                    continue  # no such file
                what = str(why).split(". ")[0].removesuffix(".")
                msg = f"The products file '{name}' of the delivery cannot be read.\n{what}. Put a plain file there, or pass another with --products."
                raise UsageError(msg) from why
        return None

    def listing(self):
        """
        Look through the whole delivery.

        Returns
        -------
        Listing

        Raises
        ------
        UsageError
            If there is no picture in it, or it cannot be opened.
        """
        found = _list_local(self.location) if self.is_local else _list_remote(self.location)
        if not found.entries:
            raise UsageError(_no_picture(self.location, found))
        return found

    def entries(self):
        """The picture files (and what stands in a picture's place), sorted naturally by name."""
        return list(self.listing().entries)

    def read(self, name, limit_bytes=None, entry=None):
        """
        Bytes of one file.

        Parameters
        ----------
        name : str
            As `entries` gives it.
        limit_bytes : int, optional
            Larger files are refused before they are read.
        entry : Entry, optional
            What the listing saw; a file that no longer agrees is refused.

        Raises
        ------
        UnreadablePicture
            With the reason in plain words.
        """
        if self.is_local:
            seen = None if entry is None else (entry.size, entry.mtime_ns, entry.inode)
            return folder.read_file(self.location, name, limit_bytes, seen)
        return remote.read_file(self.location, name, limit_bytes, entry)


def open_delivery(location):
    """
    A delivery by its folder or URL.

    Parameters
    ----------
    location : str or os.PathLike
        Local folder, ``file://`` URL, or a URL that fsspec knows
        (``memory://``, ``s3://`` with the package it needs).

    Returns
    -------
    Delivery

    Raises
    ------
    UsageError
        If there is no such folder, it is a file, or it may not be opened.
    """
    location = os.fspath(location)
    if isinstance(location, bytes):
        location = os.fsdecode(location)
    if location.startswith("file://"):
        location = remote.local_path(location)
    if _URL.match(location) and not os.path.exists(location):
        remote.check(location)
        return Delivery(location, remote.name_of(location), False)
    _check_folder(location)
    absolute = os.path.abspath(location)
    return Delivery(absolute, shown_name(os.fsencode(os.path.basename(absolute))) or "delivery", True)


def _check_folder(location):
    try:
        os.close(os.open(location, os.O_RDONLY | os.O_DIRECTORY | os.O_NONBLOCK | os.O_CLOEXEC))
    except (FileNotFoundError, ValueError) as error:
        msg = f"There is no folder {_quoted(location)}.\nPass the folder that holds the photographs."
        raise UsageError(msg) from error
    except NotADirectoryError as error:
        msg = f"{_quoted(location)} is a file, not a folder.\nPass the folder that holds the photographs."
        raise UsageError(msg) from error
    except PermissionError as error:
        msg = f"The folder {_quoted(location)} may not be opened (no permission).\nMake it readable, then run again."
        raise UsageError(msg) from error
    except OSError as error:
        msg = f"The folder {_quoted(location)} cannot be opened.\nCheck the path and the disk, then run again."
        raise UsageError(msg) from error


def _names_like(root, wanted):
    """Names at the top of a folder that differ from ``wanted`` at most by case, the same one first."""
    shown = (shown_name(os.fsencode(name)) for name in os.listdir(root))
    return sorted((name for name in shown if name.lower() == wanted), key=lambda name: (name != wanted, name))


def _list_local(root):
    pictures, others, ignored = [], [], []
    for parts, what, status, problem in folder.walk(root, lambda part: is_system_name(shown_name(part))):
        name = shown_name(b"/".join(parts))
        kind = kind_by_name(name)
        if what == "skipped":
            ignored.append(name)
        elif what == "file":
            problem = problem or problem_by_kind(name)
            (others if kind == "other" else pictures).append(_local_entry(name, status, kind, problem))
        elif what == "folder":
            if kind != "other":
                pictures.append(Entry(name, kind="folder", problem=folder.NAMED_LIKE_A_PICTURE))
        elif what == "closed":
            pictures.append(Entry(name or ".", kind="folder", problem=problem))
        else:
            # a link without an extension may stand for a folder of pictures: worth a row, unless it stays inside
            worth_a_row = kind != "other" or (what == "away" and not suffix_of(name))
            shown_kind = "special" if what == "special" else "link"
            (pictures if worth_a_row else others).append(Entry(name, kind=shown_kind, problem=problem))
    return _sorted(_one_a_name(pictures), others, ignored)


def _local_entry(name, status, kind, problem):
    if status is None:
        return Entry(name, kind=kind, problem=problem)
    return Entry(name, status.st_size, status.st_mtime_ns, status.st_ctime_ns, status.st_ino, kind, problem)


def _one_a_name(entries):
    """A folder named like a picture that could not be opened is one entry, not two."""
    last = {}
    for entry in entries:
        last[entry.name] = entry
    return list(last.values())


def _list_remote(location):
    pictures, others, ignored = [], [], []
    for name, size, mtime_ns, etag in remote.walk(location):
        kind = kind_by_name(name)
        if any(is_system_name(part) for part in name.split("/")):
            ignored.append(name)
            continue
        entry = Entry(name, size, mtime_ns, 0, 0, kind, problem_by_kind(name), etag)
        (others if kind == "other" else pictures).append(entry)
    return _sorted(pictures, others, ignored)


def _sorted(pictures, others, ignored):
    def by_name(entry):
        return natural_key(entry.name)

    return Listing(
        tuple(sorted(pictures, key=by_name)),
        tuple(sorted(others, key=by_name)),
        tuple(sorted(ignored, key=natural_key)),
    )


def _no_picture(location, found):
    if not found.others and not found.ignored:
        return f"The folder {_quoted(location)} is empty.\nPass the folder that holds the photographs."
    counts = Counter(
        f".{suffix_of(entry.name)}" if suffix_of(entry.name) else "without extension" for entry in found.others
    )
    kinds = [f"{number} {suffix}" for suffix, number in sorted(counts.items(), key=lambda item: (-item[1], item[0]))]
    if found.ignored:
        kinds.append(f"{len(found.ignored)} hidden")
    total = len(found.others) + len(found.ignored)
    listed = ", ".join(kinds[:6]) + (", …" if len(kinds) > 6 else "")
    files = "1 file" if total == 1 else f"{total} files"
    return f"No picture in {_quoted(location)} ({files}: {listed}).\nPass the folder that holds the photographs."


def _quoted(location):
    r"""The place as the user wrote it, on one line: control characters become escapes."""
    text = shown_name(os.fsencode(location))
    return "'" + "".join(char if char.isprintable() else repr(char)[1:-1] for char in text) + "'"
