"""Where a file keeps its Exif block, and what may be read of it without risk."""

import struct

from catalogue_audit.metadata import jpeg
from catalogue_audit.metadata.container import png_chunks, riff_chunks

MAKER_NOTE = 0x927C
_POINTERS = (0x8769, 0x8825, 0xA005)  # Exif, GPS and interoperability directories

MAX_DIRECTORIES = 200  # a TIFF of many pages; a camera writes five
MAX_ENTRIES = 4000  # in all directories together; a camera writes about 70
MAX_VALUES = 40_000  # single values of short arrays, read one by one
_SIZES = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 6: 1, 7: 1, 8: 2, 9: 4, 10: 8, 11: 4, 12: 8, 13: 4}


def find(data, format):  # noqa: A002 - the column's name
    """
    The Exif block as a TIFF stream.

    Parameters
    ----------
    data : bytes
        The whole file.
    format : str

    Returns
    -------
    bytes or None
        Begins with 'II' or 'MM'; None without Exif.
    """
    if format == "TIFF":
        return data
    if format == "JPEG":
        blocks = jpeg.payloads(data, jpeg.read_header(data), 0xE1, b"Exif")
        return next((block for block in map(_tiff_of, blocks) if block), None)
    if format == "HEIC":
        return _tiff_of(_heic_block(data))
    walk, name = {"PNG": (png_chunks, b"eXIf"), "WebP": (riff_chunks, b"EXIF")}[format]
    chunks = (data[start:end] for kind, start, end in walk(data) if kind == name)
    return next((block for block in map(_tiff_of, chunks) if block), None)


def _heic_block(data):
    import pillow_heif  # costs 40 ms and most deliveries hold none

    return pillow_heif.open_heif(data).info.get("exif") or b""


def _tiff_of(block):
    """Cut off the 'Exif' prefix in any of its spellings; None where no TIFF header follows."""
    for start in range(min(len(block) - 4, 12)):
        if block[start : start + 4] in (b"II*\x00", b"MM\x00*"):
            return block[start:]
    return None


def survey(block):
    """
    Tags present in the first and the Exif directory, after checking that all directories are credible.

    Parameters
    ----------
    block : bytes

    Returns
    -------
    set of int

    Raises
    ------
    ValueError
        If a directory is reached twice (a loop, or a tree that grows without
        end), or there are more directories, entries or values than a reader
        could go through in some milliseconds.
    """
    order = "<" if block[:2] == b"II" else ">"
    (first,) = struct.unpack_from(order + "I", block, 4)
    waiting, seen, tags, entries, values = [first], set(), set(), 0, 0
    while waiting:
        start = waiting.pop()
        if start in seen:
            raise ValueError("a directory is reached twice")
        seen.add(start)
        fields, following = _fields(block, order, start)
        entries += len(fields)
        for tag, kind, count, value in fields:
            tags.add(tag)
            values += count if kind != 2 and count < 1000 else 0
            if tag in _POINTERS and value:
                waiting.append(value)
        if following:
            waiting.append(following)
        if len(seen) > MAX_DIRECTORIES or entries > MAX_ENTRIES or values > MAX_VALUES:
            raise ValueError("more directories, entries or values than any camera writes")
    return tags


def _fields(block, order, start):
    if start + 2 > len(block):
        return [], 0
    (count,) = struct.unpack_from(order + "H", block, start)
    fields = []
    for at in range(start + 2, min(start + 2 + 12 * count, len(block) - 11), 12):
        fields.append(struct.unpack_from(order + "HHII", block, at))
    end = start + 2 + 12 * count
    following = struct.unpack_from(order + "I", block, end)[0] if end + 4 <= len(block) else 0
    return fields, following
