"""Whether a PNG is whole (ISO/IEC 15948), and the file as its decoders want it."""

import zlib

from catalogue_audit.errors import UnreadablePicture
from catalogue_audit.metadata.chunks import png_chunks

CUT_SHORT = "the file is cut short, so part of the picture is missing: ask for the file again"
DAMAGED = "the picture data are damaged, so part of the picture is wrong or missing: ask for the file again"
WITHOUT_END = "the PNG lacks its end mark, but every pixel is there"
DAMAGED_BESIDE = "the file is damaged beside its picture, of which every pixel is there"
DAMAGED_TRANSPARENCY = "what the file says about its transparency is damaged and was left out: look at the picture, and ask for the file again if it shows what should be clear"

_END = b"\0\0\0\0IEND\xaeB`\x82"  # the last chunk, always these twelve bytes
_WIDTH, _HEIGHT, _DEPTH, _COLOUR_TYPE, _INTERLACED = 16, 20, 24, 25, 28  # places in the file (11.2.2)
_GREY, _COLOUR, _PALETTE = 0, 2, 3
_MAY_BE_CLEAR = (_GREY, _COLOUR, _PALETTE)  # colour types that tRNS is for; the others carry transparency of their own
_CRITICAL = (b"IHDR", b"PLTE", b"IDAT")
_PASSES = ((0, 0, 8, 8), (4, 0, 8, 8), (0, 4, 4, 8), (2, 0, 4, 4), (0, 2, 2, 4), (1, 0, 2, 2), (0, 1, 1, 2))  # Adam7, 8.2
_PIECE = 1 << 20  # bytes unpacked in one go


def whole(data):
    """
    The file as its picture alone, after proving its critical chunks by their checksums (5.3).

    A decoder would refuse a picture for what is wrong beside it, and unpack long texts first.

    Parameters
    ----------
    data : bytes

    Returns
    -------
    data : bytes
        Without the chunks that are no part of the picture, with its end mark.
    notes : tuple of str

    Raises
    ------
    UnreadablePicture
        If a chunk is cut short or does not have the checksum it carries, or a
        picture of palette colours has no palette (11.2.3).
    """
    kinds, spans, walked, notes = set(), [(0, 8)], 8, {}
    for kind, start, end in png_chunks(data):
        if kind in _CRITICAL and end + 4 > len(data):
            raise UnreadablePicture(CUT_SHORT)
        right = zlib.crc32(data[start - 4 : end]) == int.from_bytes(data[end : end + 4], "big")
        if kind in _CRITICAL and not right:
            raise UnreadablePicture(DAMAGED)
        walked = end + 4
        if kind == b"tRNS" and data[_COLOUR_TYPE] in _MAY_BE_CLEAR and not (right and _is_in_order(data, kinds, start, end)):
            notes[DAMAGED_TRANSPARENCY] = None
        elif kind in _CRITICAL or (kind == b"tRNS" and data[_COLOUR_TYPE] in _MAY_BE_CLEAR):
            spans.append((start - 8, walked))
        elif not right and kind != b"IEND":
            notes[DAMAGED_BESIDE] = None
        kinds.add(kind)
        if kind == b"IEND":
            break
    if data[_COLOUR_TYPE] == _PALETTE and b"PLTE" not in kinds:
        raise UnreadablePicture(DAMAGED)
    if data.rfind(_END) < 0:
        notes[WITHOUT_END] = None
        walked = len(data)
    rest = b"" if b"IEND" in kinds else data[walked:]  # of a file of more chunks than are walked
    return b"".join((*(data[start:end] for start, end in spans), rest or _END)), tuple(notes)


def _is_in_order(data, kinds, start, end):
    """Whether a tRNS chunk stands where it may and has a size that its colour type allows (11.3.2.1)."""
    if b"tRNS" in kinds or b"IDAT" in kinds:
        return False
    if data[_COLOUR_TYPE] == _PALETTE:
        return b"PLTE" in kinds and 0 < end - start <= palette_size(data)
    return end - start == {_GREY: 2, _COLOUR: 6}[data[_COLOUR_TYPE]]


def palette_size(data):
    """Number of colours in a PNG's palette; 0 without one."""
    return next(((end - start) // 3 for kind, start, end in png_chunks(data) if kind == b"PLTE"), 0)


def clear_grey(data):
    """The one sample value of a grey PNG that is wholly transparent (11.3.2.1), or None."""
    if data[_COLOUR_TYPE] != _GREY:
        return None
    depth = data[_DEPTH]  # of the two bytes only as many bits count
    return next((int.from_bytes(data[start:end], "big") % (1 << depth) for kind, start, end in png_chunks(data) if kind == b"tRNS"), None)


def check_rows(data, last):
    """
    Refuse a picture whose data end before its last row, which the decoder leaves at zero without a word.

    Parameters
    ----------
    data : bytes
        The PNG, 8 bits a channel or fewer.
    last : (2, W) or (2, W, C) array
        The last two rows as decoded; of an interlaced picture one of them
        belongs to the last pass. Only where they are all zero are the data
        unpacked once more and counted.

    Raises
    ------
    UnreadablePicture
    """
    if last.any():
        return
    unpacker, held = zlib.decompressobj(), 0
    for kind, start, end in png_chunks(data):
        piece = data[start:end] if kind == b"IDAT" else b""
        while piece and not unpacker.eof:
            held += len(unpacker.decompress(piece, _PIECE))
            piece = unpacker.unconsumed_tail
    if held < _size_of_rows(data):
        raise UnreadablePicture(DAMAGED)


def _size_of_rows(data):
    """Bytes of all rows unpacked, each with its filter byte (7.2, 8.2)."""
    width, height = (int.from_bytes(data[at : at + 4], "big") for at in (_WIDTH, _HEIGHT))
    bits = data[_DEPTH] * {0: 1, 2: 3, 3: 1, 4: 2, 6: 4}[data[_COLOUR_TYPE]]
    size = 0
    for left, top, across, down in _PASSES if data[_INTERLACED] else ((0, 0, 1, 1),):
        columns, rows = -(-(width - left) // across), -(-(height - top) // down)
        size += rows * (1 + -(-columns * bits // 8)) if columns > 0 and rows > 0 else 0
    return size
