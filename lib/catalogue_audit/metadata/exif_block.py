"""Where a file keeps its Exif block, and what may be read of it without risk."""

import struct

from catalogue_audit.metadata import jpeg
from catalogue_audit.metadata.chunks import png_chunks, riff_chunks

MAKER_NOTE = 0x927C
_EXIF = 0x8769  # pointer to the Exif directory
_POINTERS = (0x8825, 0xA005)  # to the GPS and interoperability directories

MAX_DIRECTORIES = 200  # a TIFF of many pages; a camera writes five
MAX_ENTRIES = 4000  # in all directories together; a camera writes about 70
MAX_VALUES = 40_000  # single values of short arrays, read one by one


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
        return _tiff_of(heic_info(data).get("exif") or b"")
    walk, name = {"PNG": (png_chunks, b"eXIf"), "WebP": (riff_chunks, b"EXIF")}[format]
    chunks = (data[start:end] for kind, start, end in walk(data) if kind == name)
    return next((block for block in map(_tiff_of, chunks) if block), None)


def heic_info(data):
    """Blocks of the primary picture of a HEIC file: 'exif', 'xmp', 'icc_profile', where it has them."""
    import pi_heif  # costs 40 ms and most deliveries hold none

    return pi_heif.open_heif(data).info


def _tiff_of(block):
    """Cut off the 'Exif' prefix in any of its spellings; None where no TIFF header follows."""
    for start in range(min(len(block) - 4, 12)):
        if block[start : start + 4] in (b"II*\x00", b"MM\x00*"):
            return block[start:]
    return None


def survey(block):
    """
    Tags present in the first and the Exif directory, after checking that reading all of them is cheap.

    Parameters
    ----------
    block : bytes

    Returns
    -------
    set of int

    Raises
    ------
    ValueError
        If the directories a reader would go through, counted as often as they
        are pointed at, hold more entries or values than any camera writes.
    struct.error
        If there is no first directory.
    """
    order = "<" if block[:2] == b"II" else ">"
    (start,) = struct.unpack_from(order + "I", block, 4)
    chain, work, tags = [], _Work(), set()
    while start and start not in chain and len(chain) < MAX_DIRECTORIES:
        fields, following = _fields(block, order, start)
        work.add(fields)
        if not chain:
            tags.update(field[0] for field in fields)
            inner = [field[3] for field in fields if field[0] == _EXIF][:1]
            for pointer in inner:
                exif_fields, _ = _fields(block, order, pointer)
                tags.update(field[0] for field in exif_fields)
                work.add(exif_fields)
                _add_children(work, block, order, exif_fields)
        _add_children(work, block, order, fields)
        chain.append(start)
        start = following
    return tags


class _Work:
    """Entries and values counted so far."""

    def __init__(self):
        self.entries = self.values = 0

    def add(self, fields):
        self.entries += len(fields)
        self.values += sum(count for _, kind, count, _ in fields if kind != 2 and count < 1000)
        if self.entries > MAX_ENTRIES or self.values > MAX_VALUES:
            raise ValueError("more entries or values than any camera writes")


def _add_children(work, block, order, fields):
    for tag, _, _, pointer in fields:
        if tag in _POINTERS:
            work.add(_fields(block, order, pointer)[0])


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
