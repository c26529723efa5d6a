"""
A local folder, read as if its sender were hostile.

Every step goes through file descriptors that were opened without following
links, so nothing outside the folder can be reached, also when the folder is
changed while it is read. Pipes, sockets and devices are never opened. Nothing
is ever written.
"""

import os
import stat
from collections import deque

from catalogue_audit.delivery.shown import raw_name
from catalogue_audit.errors import UnreadablePicture

DEEPEST = 256  # levels of folders; deeper ones are reported, not entered
MOST_LINKS = 40  # links followed one after another, as Linux itself allows (path_resolution(7))

_FOLDER = os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC
_FILE = os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_NOCTTY | os.O_CLOEXEC

OUTSIDE = "This is a link that leads outside the delivery; it was not followed. Ask for the picture itself."
DANGLING = "This is a link to a file that is not there. Ask for the picture itself."
LOOP = "This is a link that leads back to itself. Ask for the picture itself."
LINKED_FOLDER = "This is a link to a folder of this delivery; its pictures are listed where they lie."
SPECIAL = "This is not a file but a connection of the operating system (pipe, socket or device). Ask for the picture."
NAMED_LIKE_A_PICTURE = "This is a folder, although its name ends like a picture's. What lies in it was looked at."
CLOSED_FOLDER = "This folder could not be opened (no permission); pictures in it are not in this report."
TOO_DEEP = f"Folders lie more than {DEEPEST} deep here; what lies deeper was not looked at."
VANISHED = (
    "The file disappeared while the delivery was being read. Wait until the delivery is complete, then audit again."
)
CHANGED = "The file changed while the delivery was being read. Wait until copying has ended, then audit again."
NO_PERMISSION = "The file could not be opened (no permission). Make it readable, or ask for it again."
FAULTY = "The disk or network gave an error while this file was being read. Copy it again, or ask for it again."


class LeadsAway(Exception):
    """A link that cannot be followed; the message is the plain reason."""


def open_chain(root, parts):
    """
    Descriptor of a folder below ``root``, opened level by level without following links.

    Parameters
    ----------
    root : str or bytes
        The delivery's folder; this one may be a link, the user named it.
    parts : sequence of bytes
        Names of the folders on the way down.

    Returns
    -------
    int
        An open descriptor; the caller closes it.

    Raises
    ------
    OSError
        If a level is missing, closed, or a link.
    """
    folder = os.open(root, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    for part in parts:
        try:
            below = os.open(part, _FOLDER, dir_fd=folder)
        finally:
            os.close(folder)
        folder = below
    return folder


def resolve(root, parts):
    """
    Follow links from ``parts`` as long as they stay inside ``root``.

    Looks at nothing outside: a link that leads out ends the search.

    Returns
    -------
    tuple of bytes
        The names down to the file meant, none of them a link.

    Raises
    ------
    LeadsAway
        If a link leads outside, nowhere, or round in a circle.
    """
    inside = os.fsencode(os.path.realpath(root)).rstrip(b"/") + b"/"
    done, todo, links = [], deque(parts), 0
    while todo:
        part = todo.popleft()
        if part in (b"", b"."):
            continue
        if part == b"..":
            if not done:
                raise LeadsAway(OUTSIDE)
            done.pop()
            continue
        target = _link_target(root, done, part)
        if target is None:
            done.append(part)
            continue
        links += 1
        if links > MOST_LINKS:
            raise LeadsAway(LOOP)
        if target.startswith(b"/"):
            if not (target.rstrip(b"/") + b"/").startswith(inside):
                raise LeadsAway(OUTSIDE)
            target, done = target[len(inside) :], []
        todo.extendleft(reversed(target.split(b"/")))
    return tuple(done)


def _link_target(root, parts, name):
    """The text of a link, or None where ``name`` is no link."""
    try:
        folder = open_chain(root, parts)
    except OSError as error:
        raise LeadsAway(DANGLING) from error
    try:
        if not stat.S_ISLNK(os.stat(name, dir_fd=folder, follow_symlinks=False).st_mode):
            return None
        return os.readlink(name, dir_fd=folder)
    except OSError as error:
        raise LeadsAway(DANGLING) from error
    finally:
        os.close(folder)


def walk(root, skip):
    """
    Every file, link and troublesome folder below ``root``.

    Parameters
    ----------
    root : str or bytes
        The delivery's folder.
    skip : function
        Given one component (bytes), True where neither it nor anything in it counts.

    Yields
    ------
    parts : tuple of bytes
        Path below ``root``.
    what : str
        ``file``, ``folder``, ``skipped``, ``special``, ``link`` (to be followed by name only), ``away``.
    status : os.stat_result or None
        Of the file itself, or of what a link inside the delivery leads to.
    problem : str
        Plain words, empty for an ordinary file or folder.
    """
    waiting = [()]
    while waiting:
        parents = waiting.pop()
        try:
            folder = open_chain(root, parents)
        except OSError:
            yield parents, "closed", None, CLOSED_FOLDER
            continue
        try:
            with os.scandir(folder) as found:
                for entry in found:
                    name = os.fsencode(entry.name)
                    parts = (*parents, name)
                    if skip(name):
                        yield parts, "skipped", None, ""
                        continue
                    what, status, problem = _look(root, parts, entry)
                    if what == "folder":
                        if len(parts) > DEEPEST:
                            what, problem = "closed", TOO_DEEP
                        else:
                            waiting.append(parts)
                    yield parts, what, status, problem
        except OSError:
            yield parents, "closed", None, CLOSED_FOLDER
        finally:
            os.close(folder)


def _look(root, parts, entry):
    try:
        status = entry.stat(follow_symlinks=False)
    except OSError:
        return "file", None, VANISHED
    if stat.S_ISDIR(status.st_mode):
        return "folder", status, ""
    if stat.S_ISREG(status.st_mode):
        return "file", status, ""
    if not stat.S_ISLNK(status.st_mode):
        return "special", None, SPECIAL
    try:
        status = _status_of(root, resolve(root, parts))
    except LeadsAway as why:
        return "away", None, str(why)
    if stat.S_ISDIR(status.st_mode):
        return "link", None, LINKED_FOLDER
    return ("file", status, "") if stat.S_ISREG(status.st_mode) else ("special", None, SPECIAL)


def _status_of(root, parts):
    if not parts:
        return os.stat(root)
    try:
        folder = open_chain(root, parts[:-1])
    except OSError as error:
        raise LeadsAway(DANGLING) from error
    try:
        return os.stat(parts[-1], dir_fd=folder, follow_symlinks=False)
    except OSError as error:
        raise LeadsAway(DANGLING) from error
    finally:
        os.close(folder)


def read_file(root, name, limit_bytes, expected=None):
    """
    Bytes of one file of the folder.

    Parameters
    ----------
    root : str or bytes
        The delivery's folder.
    name : str
        Shown name of the file, ``/`` separators.
    limit_bytes : int or None
        Largest size that is read.
    expected : tuple of int, optional
        (size, mtime_ns, inode) when the folder was listed; a file that no
        longer agrees has changed in between.

    Raises
    ------
    UnreadablePicture
        With the reason in plain words.
    """
    try:
        descriptor = _open_file(root, raw_name(name).split(b"/"))
    except LeadsAway as why:
        raise UnreadablePicture(str(why)) from why
    except FileNotFoundError as error:
        raise UnreadablePicture(VANISHED) from error
    except PermissionError as error:
        raise UnreadablePicture(NO_PERMISSION) from error
    except (OSError, ValueError) as error:
        raise UnreadablePicture(FAULTY) from error
    try:
        return _read_descriptor(descriptor, limit_bytes, expected)
    except OSError as error:
        raise UnreadablePicture(FAULTY) from error
    finally:
        os.close(descriptor)


def _open_file(root, parts):
    if any(part in (b"", b".", b"..") for part in parts):
        raise LeadsAway(OUTSIDE)  # no listed name holds these
    try:
        folder = open_chain(root, parts[:-1])
        try:
            return os.open(parts[-1], _FILE, dir_fd=folder)
        finally:
            os.close(folder)
    except FileNotFoundError:
        raise
    except OSError:
        parts = resolve(root, parts)  # a link somewhere on the way: only where it stays inside
    if not parts:
        raise LeadsAway(LINKED_FOLDER)
    folder = open_chain(root, parts[:-1])
    try:
        return os.open(parts[-1], _FILE, dir_fd=folder)
    finally:
        os.close(folder)


def _read_descriptor(descriptor, limit_bytes, expected):
    before = os.fstat(descriptor)
    if not stat.S_ISREG(before.st_mode):
        raise UnreadablePicture(SPECIAL)
    if limit_bytes is not None and before.st_size > limit_bytes:
        raise UnreadablePicture(too_large(before.st_size, limit_bytes))
    if expected is not None and expected != (before.st_size, before.st_mtime_ns, before.st_ino):
        raise UnreadablePicture(CHANGED)
    pieces, left = [], before.st_size + 1  # one more than promised shows a file that grows
    while left > 0:
        piece = os.read(descriptor, left)
        if not piece:
            break
        pieces.append(piece)
        left -= len(piece)
    after = os.fstat(descriptor)
    same = (before.st_size, before.st_mtime_ns) == (after.st_size, after.st_mtime_ns)
    if not same or left != 1:
        raise UnreadablePicture(CHANGED)
    return pieces[0] if len(pieces) == 1 else b"".join(pieces)


def too_large(size, limit_bytes):
    """The reason for a file that is larger than the limit."""
    return (
        f"The file has {size / 1e6:,.0f} MB; more than {limit_bytes / 1e6:,.0f} MB are not read."
        " Ask for a smaller export, or raise limits.max_bytes in the brief."
    )
