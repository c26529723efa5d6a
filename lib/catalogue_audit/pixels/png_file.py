"""Whether a PNG is whole (ISO/IEC 15948), and the file as its decoders want it."""

import zlib

from catalogue_audit.errors import UnreadablePicture
from catalogue_audit.metadata.chunks import png_chunks

CUT_SHORT = "the file is cut short, so part of the picture is missing: ask for the file again"
DAMAGED = "the picture data are damaged, so part of the picture is wrong or missing: ask for the file again"
WITHOUT_END = "the PNG lacks its end mark, but every pixel is there"

_END = b"\0\0\0\0IEND\xaeB`\x82"  # the last chunk, always these twelve bytes
_WIDTH, _HEIGHT, _DEPTH, _COLOUR_TYPE, _INTERLACED = 16, 20, 24, 25, 28  # places in the file (11.2.2)
_PALETTE = 3
_CRITICAL = (b"IHDR", b"PLTE", b"tRNS", b"IDAT")
_TEXTS = (b"tEXt", b"zTXt", b"iTXt", b"iCCP", b"eXIf")  # `metadata` has read them already
_PASSES = ((0, 0, 8, 8), (4, 0, 8, 8), (0, 4, 4, 8), (2, 0, 4, 4), (0, 2, 2, 4), (1, 0, 2, 2), (0, 1, 1, 2))  # Adam7, 8.2
_PIECE = 1 << 20  # bytes unpacked in one go


def whole(data):
    """
    The file with its end mark, after proving its critical chunks by their checksums (5.3).

    Parameters
    ----------
    data : bytes

    Returns
    -------
    data : bytes
    notes : tuple of str

    Raises
    ------
    UnreadablePicture
        If a chunk is cut short or does not have the checksum it carries, or a
        picture of palette colours has no palette (11.2.3).
    """
    kinds, last = set(), 0
    for kind, start, end in png_chunks(data):
        if kind not in _CRITICAL:
            continue
        if end + 4 > len(data):
            raise UnreadablePicture(CUT_SHORT)
        if zlib.crc32(data[start - 4 : end]) != int.from_bytes(data[end : end + 4], "big"):
            raise UnreadablePicture(DAMAGED)
        kinds.add(kind)
        last = end + 4
    if data[_COLOUR_TYPE] == _PALETTE and b"PLTE" not in kinds:
        raise UnreadablePicture(DAMAGED)
    return (data, ()) if data.rfind(_END) >= 0 else (data[:last] + _END, (WITHOUT_END,))


def without_texts(data):
    """A PNG without texts and profile: the decoder would unpack them first, and refuse the picture where they are long."""
    spans = [(start - 8, end + 4) for kind, start, end in png_chunks(data) if kind in _TEXTS]
    ends = [0, *(end for _, end in spans)]
    return b"".join(data[end:start] for end, (start, _) in zip(ends, [*spans, (len(data), 0)], strict=True)) if spans else data


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
