"""The first directory of a classic TIFF file (TIFF 6.0), read without decoding a pixel."""

import struct

MAX_ENTRIES = 500
MAX_VALUES = 64  # longer arrays (strip tables) are left alone
MAX_DIRECTORIES = 1000

ORIENTATION = 274

_TYPES = {1: "B", 2: "s", 3: "H", 4: "I", 5: "II", 6: "b", 7: "B", 8: "h", 9: "i", 13: "I"}


def first_directory(data):
    """
    Tags of the first directory, and the number of directories.

    Parameters
    ----------
    data : bytes

    Returns
    -------
    tags : dict of int to tuple
        Short numeric fields by value; byte strings (types 1, 2, 7) and longer
        arrays as ``(type, count, offset)`` of where they lie.
    directories : int
        Stops counting at a loop.

    Raises
    ------
    ValueError, struct.error, IndexError
        If the directory is not there.
    """
    order = "<" if data[:2] == b"II" else ">"
    (start,) = struct.unpack_from(order + "I", data, 4)
    tags, following = _directory(data, order, start)
    seen = {start}
    while 0 < following < len(data) and following not in seen and len(seen) < MAX_DIRECTORIES:
        seen.add(following)
        following = _next_directory(data, order, following)
    return tags, len(seen)


def bytes_of(data, tags, tag):
    """Bytes of a byte-string field, or None without it."""
    if tag not in tags:
        return None
    _, count, offset = tags[tag]
    return data[offset : offset + count]


def as_stored(data):
    """
    The file with Orientation set to 1, for readers that would turn the picture by themselves.

    Returns
    -------
    bytes or bytearray
        ``data`` itself where there is nothing to change.
    """
    order = "<" if data[:2] == b"II" else ">"
    (start,) = struct.unpack_from(order + "I", data, 4)
    (count,) = struct.unpack_from(order + "H", data, start)
    for at in range(start + 2, start + 2 + 12 * min(count, MAX_ENTRIES), 12):
        tag, kind, number = struct.unpack_from(order + "HHI", data, at)
        if (tag, kind, number) == (ORIENTATION, 3, 1) and struct.unpack_from(order + "H", data, at + 8) != (1,):
            changed = bytearray(data)
            struct.pack_into(order + "H", changed, at + 8, 1)
            return changed
    return data


def _directory(data, order, start):
    (count,) = struct.unpack_from(order + "H", data, start)
    if count > MAX_ENTRIES:
        raise ValueError("too many fields")
    tags = {}
    for at in range(start + 2, start + 2 + 12 * count, 12):
        tag, kind, number = struct.unpack_from(order + "HHI", data, at)
        code = _TYPES.get(kind)
        if code is None:
            continue
        size = struct.calcsize("=" + code) * number
        offset = at + 8 if size <= 4 else struct.unpack_from(order + "I", data, at + 8)[0]
        if kind in (1, 2, 7) or number > MAX_VALUES:
            tags[tag] = (kind, size, offset)
        else:
            tags[tag] = struct.unpack_from(order + code * number, data, offset)
    return tags, _next_directory(data, order, start)


def _next_directory(data, order, start):
    try:
        (count,) = struct.unpack_from(order + "H", data, start)
        return struct.unpack_from(order + "I", data, start + 2 + 12 * count)[0]
    except struct.error:
        return 0
