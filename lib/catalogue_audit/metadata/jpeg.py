"""The marker segments of a JPEG file, read without decoding a pixel (ITU-T T.81 Annex B)."""

from typing import NamedTuple

import numpy as np

from catalogue_audit.errors import UnreadablePicture

MAX_SEGMENTS = 2000  # header segments; photographs carry 5 to 100, a large panorama a few hundred

SOI, EOI, SOS, DQT, APP2, APP14 = 0xD8, 0xD9, 0xDA, 0xDB, 0xE2, 0xEE
ICC = b"ICC_PROFILE\x00"
FRAME_MARKERS = frozenset(range(0xC0, 0xD0)) - {0xC4, 0xC8, 0xCC}  # SOF0 .. SOF15
BARE_MARKERS = frozenset(range(0xD0, 0xD8)) | {0x01}  # RST0 .. RST7 and TEM carry no length

ZIGZAG = (
    0, 1, 8, 16, 9, 2, 3, 10, 17, 24, 32, 25, 18, 11, 4, 5, 12, 19, 26, 33, 40, 48, 41, 34, 27, 20, 13, 6, 7, 14, 21, 28,
    35, 42, 49, 56, 57, 50, 43, 36, 29, 22, 15, 23, 30, 37, 44, 51, 58, 59, 52, 45, 38, 31, 39, 46, 53, 60, 61, 54, 47, 55, 62, 63,
)  # fmt: skip  # natural index of the k-th coefficient, T.81 Figure A.6


class Header(NamedTuple):
    """
    What stands before the first scan.

    Attributes
    ----------
    segments : tuple of (marker, start, end)
        Payload ranges of the marker segments, in file order.
    scan : int
        Offset of the first SOS marker.
    junk : int
        Bytes between segments that belong to none.
    """

    segments: tuple
    scan: int
    junk: int


def read_header(data):
    """
    Marker segments up to the first scan.

    Parameters
    ----------
    data : bytes
        Starts with FF D8.

    Returns
    -------
    Header

    Raises
    ------
    UnreadablePicture
        If no scan follows, or the segments are not credible.
    """
    segments, position, junk = [], 2, 0
    while True:
        found = data.find(b"\xff", position)
        if found < 0:
            raise UnreadablePicture(
                "the JPEG ends inside its header, so it holds no picture: ask for the file again"
            )
        junk += found - position
        position = found
        while data[position : position + 1] == b"\xff":  # fill bytes, T.81 B.1.1.2
            position += 1
        if position >= len(data):
            continue
        marker = data[position]
        position += 1
        if marker in BARE_MARKERS or marker in (0x00, SOI):
            continue
        if marker == SOS:
            return Header(tuple(segments), position - 2, junk)
        if marker == EOI:
            raise UnreadablePicture("the JPEG holds no picture data: ask for the file again")
        length = int.from_bytes(data[position : position + 2], "big")
        if length < 2:
            junk += 2
            continue
        segments.append((marker, position + 2, min(position + length, len(data))))
        position += length
        if len(segments) > MAX_SEGMENTS:
            raise UnreadablePicture(
                f"the JPEG has more than {MAX_SEGMENTS} header segments, as no camera or program writes: "
                "ask for a plain JPEG export"
            )


def without_junk(data, header):
    """The file with only its segments and scans and without its colour profile, as a strict decoder wants it."""
    segments = (
        data[start - 4 : end] for marker, start, end in header.segments if not (marker == APP2 and data.startswith(ICC, start, end))
    )
    return b"".join((b"\xff\xd8", *segments, data[header.scan :]))


TRANSFORMS = {3: (0, 1), 4: (0, 2)}  # of the Adobe marker, by number of channels (ITU-T T.872 6.5.3); the last is that of luma and chroma


def with_known_transform(data, header, channels):
    """The file with luma and chroma named in its Adobe markers, as which every program reads a transform of another number."""
    data = bytearray(data)
    for marker, start, end in header.segments:
        if marker == APP14 and data.startswith(b"Adobe", start, end) and end - start >= 12:
            data[start + 11] = TRANSFORMS[channels][-1]
    return bytes(data)


def payloads(data, header, marker, prefix=b""):
    """Payloads of the segments of one marker that begin with ``prefix``, the prefix cut off."""
    return [
        data[start + len(prefix) : end]
        for kind, start, end in header.segments
        if kind == marker and data.startswith(prefix, start, end)
    ]


def read_scans(data, header):
    """
    Number of scans, and where the picture ends.

    Parameters
    ----------
    data : bytes
    header : Header

    Returns
    -------
    scans : int
        SOS markers before the first EOI.
    end : int or None
        Offset just after that EOI; None where it is missing.
    """
    codes = np.frombuffer(data, np.uint8)
    before = np.flatnonzero(codes[header.scan : -1] == 0xFF) + header.scan
    after = codes[before + 1]
    ends = before[after == EOI]
    end = int(ends[0]) if len(ends) else None
    starts = before[after == SOS]
    scans = int(np.count_nonzero(starts < end)) if end is not None else len(starts)
    return scans, None if end is None else end + 2


ALL_BITS = 16  # of a coefficient that no scan carries


def lacking_bits(data, header, components):
    """
    How many bits the scans lack of a coefficient, at most (T.81 G.1.1.1).

    A progressive file that is cut between two scans decodes without a fault, to a coarser picture.

    Parameters
    ----------
    data : bytes
    header : Header
    components : list of int
        Identifiers of the frame's components.

    Returns
    -------
    int
        0 where every coefficient of every component is carried to its last
        bit, `ALL_BITS` where a component lacks even its means (the first coefficient).
    """
    missing = np.full((256, 64), ALL_BITS)  # bits, by component and coefficient
    place = header.scan
    while place >= 0:
        named = 5 + 2 * data[place + 4] if place + 4 < len(data) else 5
        spectrum = data[place + named : place + named + 3]  # first and last coefficient, bits before and after (B.2.3)
        if len(spectrum) < 3:
            return ALL_BITS
        missing[list(data[place + 5 : place + named : 2]), spectrum[0] : spectrum[1] + 1] = spectrum[2] & 15
        place = data.find(bytes((0xFF, SOS)), place + 2)
    if (missing[components, 0] == ALL_BITS).any():
        return ALL_BITS
    return min(int(missing[components].max()), ALL_BITS - 1)


def quantisation_tables(data, header):
    """
    Quantisation tables defined before the first scan.

    Returns
    -------
    dict of int to (64,) tuple of int
        Table number to entries in natural (row by row) order.
    """
    tables = {}
    for payload in payloads(data, header, DQT):
        position = 0
        while position < len(payload):
            wide, number = divmod(payload[position], 16)
            size = 128 if wide else 64
            entries = payload[position + 1 : position + 1 + size]
            position += 1 + size
            if len(entries) < size:
                break
            values = np.frombuffer(entries, ">u2" if wide else np.uint8)
            natural = np.zeros(64, int)
            natural[list(ZIGZAG)] = values
            tables[number] = tuple(int(value) for value in natural)
    return tables


def icc_profile(data, header):
    """
    The embedded profile, its chunks put together (ICC.1:2010 Annex B.4).

    Returns
    -------
    bytes or None
        None without a profile; ``b""`` where its chunks do not fit together.
    """
    chunks = [chunk for chunk in payloads(data, header, APP2, ICC) if len(chunk) >= 2]
    if not chunks:
        return None
    chunks.sort(key=lambda chunk: chunk[0])
    if [chunk[0] for chunk in chunks] != list(range(1, chunks[0][1] + 1)) or len({chunk[1] for chunk in chunks}) > 1:
        return b""
    return b"".join(chunk[2:] for chunk in chunks)


def pictures_of_equal_standing(data, header):
    """
    Number of pictures in a multi-picture file, previews and gain maps not counted.

    CIPA DC-007 (Multi-Picture Format) 5.2.3.3: the type code of each entry
    tells large previews (0x0100xx) from pictures of a set (0x0200xx).
    """
    for block in payloads(data, header, 0xE2, b"MPF\x00"):
        order = {b"II": "little", b"MM": "big"}.get(bytes(block[:2]))
        entries = _mpf_entries(block, order) if order else b""
        types = [
            int.from_bytes(entries[at : at + 4], order) & 0xFFFFFF for at in range(0, len(entries) - 15, 16)
        ]
        return max(1, sum(0x020000 <= kind < 0x030000 for kind in types))
    return 1


def _mpf_entries(block, order):
    start = int.from_bytes(block[4:8], order)
    for index in range(min(int.from_bytes(block[start : start + 2], order), 32)):
        at = start + 2 + 12 * index
        if int.from_bytes(block[at : at + 2], order) == 0xB002:  # MP Entry
            size = min(int.from_bytes(block[at + 4 : at + 8], order), 16 * 64)
            offset = int.from_bytes(block[at + 8 : at + 12], order)
            return block[offset : offset + size]
    return b""
