"""
What kind of file the bytes are, and what its header declares; no pixel is decoded here.

Told by the bytes, never by the name. JPEG, PNG, TIFF, WebP and HEIC are read;
everything else is refused with what it is and what to ask for. Nothing here
can start another program.
"""

import struct
import zlib

from catalogue_audit.errors import UnreadablePicture
from catalogue_audit.metadata import icc, jpeg, tiff
from catalogue_audit.metadata.quality import ijg_quality


MAX_PIXELS = 160_000_000  # width x height as declared; the largest medium-format backs have 151 million
MAX_DECODED_BYTES = 960_000_000  # at the peak of decoding, by the declared size; one file may cost 1 GiB in all
MAX_SCANS = 100  # of a progressive JPEG; encoders write about 10, and each costs a pass over the picture

COLUMNS = ("format", "width_px", "height_px", "colour_profile", "bit_depth", "chroma_subsampling", "jpeg_quality")

_KNOWN_OTHERS = (
    (b"%PDF", "a PDF document"),
    (b"GIF8", "a GIF"),
    (b"BM", "a BMP picture"),
    (b"8BPS", "a Photoshop document (PSD)"),
    (b"%!PS", "a PostScript (EPS) document"),
    (b"\xc5\xd0\xd3\xc6", "a PostScript (EPS) document"),
    (b"PK\x03\x04", "a ZIP archive or an office document"),
    (b"Rar!", "a RAR archive"),
    (b"7z\xbc\xaf", "a 7-Zip archive"),
    (b"\x1f\x8b", "a gzip archive"),
    (b"\x00\x00\x00\x0cjP", "a JPEG 2000 picture"),
    (b"\xff\x4f\xff\x51", "a JPEG 2000 picture"),
    (b"\x00\x00\x00\x0cJXL", "a JPEG XL picture"),
    (b"\xff\x0a", "a JPEG XL picture"),
    (b"FUJIFILMCCD-RAW", "a camera raw file"),
    (b"IIRO", "a camera raw file"),
    (b"IIRS", "a camera raw file"),
    (b"IIU\x00", "a camera raw file"),
    (b"FOVb", "a camera raw file"),
    (b"\x00\x05\x16\x07", "a macOS side file (its name begins with '._') that holds no picture"),
    (b"\x00\x00\x01\x00", "an icon (ICO)"),
    (b"\x7fELF", "a program"),
    (b"MZ", "a program"),
)  # fmt: skip

_HEIC_BRANDS = {b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"mif1", b"msf1"}


def read_container(data, max_pixels=MAX_PIXELS):
    """
    Facts of the container.

    Parameters
    ----------
    data : bytes
        The whole file.
    max_pixels : int
        Limit of width times height.

    Returns
    -------
    dict
        Contract columns (`COLUMNS`; ``width_px`` and ``height_px`` as stored,
        before any Exif orientation; ``colour_profile`` the profile's
        description, or 'none'; those that do not apply are None), and

        ``icc``
            profile bytes, or None.
        ``components``
            channels stored, alpha included.
        ``has_alpha``, ``progressive``
            bool.
        ``scans``
            int, 1 outside JPEG.
        ``frames``
            pictures of equal standing in the file.
        ``quantisation``
            dict of table number to 64 entries in natural order; empty outside JPEG.
        ``colour_transform``
            the Adobe marker's transform byte, or None without that marker.
        ``coded_block``
            height and width in px of the units (MCU) of a JPEG whose blocks are
            coded one after another through the whole picture; None of any other.
        ``junk``
            True where a JPEG's header holds bytes between its segments.
        ``complete``
            False where a JPEG lacks its end marker.
        ``reasons``
            tuple of sentences.

    Raises
    ------
    UnreadablePicture
        If it is not one of the five formats, its header is broken, or the
        declared size or number of scans is beyond the limits.
    """
    reader = _reader(data)
    try:
        facts = _BLANK | reader(data)
    except UnreadablePicture:
        raise
    except Exception as error:  # noqa: BLE001 - headers are hostile input: whatever breaks, the row says so
        raise UnreadablePicture("the file's header is damaged: ask for the file again") from error
    _check_limits(facts, max_pixels)
    facts["colour_profile"], note = _profile_name(facts["icc"], facts["colour_profile"])
    if note:
        facts["reasons"] += (note,)
    return facts


_BLANK = {
    "format": None, "width_px": None, "height_px": None, "colour_profile": None, "bit_depth": 8, "chroma_subsampling": None,
    "jpeg_quality": None, "icc": None, "components": 3, "has_alpha": False, "progressive": False, "scans": 1, "frames": 1,
    "quantisation": {}, "colour_transform": None, "complete": True, "junk": False, "coded_block": None, "reasons": (),
}  # fmt: skip


def _reader(data):
    if not data:
        raise UnreadablePicture("the file is empty (0 bytes): ask for it again")
    if data[:3] == b"\xff\xd8\xff":
        return _read_jpeg
    if data[:8] == b"\x89PNG\r\n\x1a\n":
        return _read_png
    if data[:4] in (b"II*\x00", b"MM\x00*"):
        return _read_tiff
    if data[:4] == b"RIFF" and data[8:12] == b"WEBP":
        return _read_webp
    if data[4:8] == b"ftyp" and data[8:12] in _HEIC_BRANDS and not _is_avif(data):
        return _read_heic
    raise UnreadablePicture(f"this is {_what_else(data)}, whatever its name says: ask for a JPEG export")


def _is_avif(data):
    size = min(int.from_bytes(data[:4], "big"), 512)
    return b"avif" in data[8:size] or b"avis" in data[8:size]


def _what_else(data):
    for magic, name in _KNOWN_OTHERS:
        if data.startswith(magic):
            return name
    if data[4:8] == b"ftyp":
        if _is_avif(data):
            return "an AVIF picture"
        return "a camera raw file" if data[8:11] == b"crx" else "a video"
    if data[:2] in (b"II", b"MM") and data[2:4] in (b"+\x00", b"\x00+"):
        return "a BigTIFF picture"
    if data[:4] == b"RIFF":
        return "a sound or video file"
    if not data.strip(b"\x00"):
        return "a file of zero bytes only, as an interrupted copy leaves"
    return _text_kind(data[:2048])


def _text_kind(head):
    start = head.lstrip(b"\xef\xbb\xbf \t\r\n").lower()
    if start.startswith((b"<!doctype html", b"<html")):
        return "a web page (HTML)"
    if b"<svg" in start:
        return "a vector drawing (SVG)"
    if not any(code < 9 or 13 < code < 32 for code in head):
        return "a text file"
    return "no picture format that is known here"


def _check_limits(facts, max_pixels):
    width, height = facts["width_px"], facts["height_px"]
    if width < 1 or height < 1:
        raise UnreadablePicture("the header declares a picture without pixels: ask for the file again")
    jpeg_colour = facts["format"] == "JPEG" and facts["components"] < 4
    bytes_a_pixel = 6 if jpeg_colour else 12 if facts["bit_depth"] <= 8 else 16  # decoder's copy, ours, and one turned
    size = width * height * bytes_a_pixel
    if width * height > max_pixels or size > MAX_DECODED_BYTES:
        raise UnreadablePicture(
            f"the header declares {width} x {height} pixels, more than the limit of "
            f"{min(max_pixels, MAX_DECODED_BYTES // bytes_a_pixel) / 1e6:.3g} million for such a file: "
            "ask for a smaller export"
        )
    if facts["scans"] > MAX_SCANS:
        raise UnreadablePicture(
            f"the JPEG is cut into {facts['scans']} scans (the limit is {MAX_SCANS}): "
            "ask for a plain JPEG export"
        )


def _profile_name(profile, declared):
    if profile is None:
        return declared or "none", ""
    try:
        opened = icc.open_profile(profile)
    except ValueError:
        return "damaged", "the embedded colour profile is damaged; colours are read as sRGB"
    return icc.description(opened) or "unnamed", ""


# -- JPEG ------------------------------------------------------------------------------------------

_REFUSED_FRAMES = {0xC3: "lossless coding", 0xC9: "arithmetic coding", 0xCA: "arithmetic coding"}
_SAMPLING = {(1, 1): "4:4:4", (2, 1): "4:2:2", (2, 2): "4:2:0", (1, 2): "4:4:0", (4, 1): "4:1:1", (4, 2): "4:1:0"}


def _read_jpeg(data):
    header = jpeg.read_header(data)
    frame = _frame(data, header)
    scans, end = jpeg.read_scans(data, header)
    tables = jpeg.quantisation_tables(data, header)
    notes = []
    if header.junk:
        notes.append("the header holds bytes that belong to no segment; they were skipped")
    if end is None:
        notes.append("the JPEG lacks its end marker")
    frames = jpeg.pictures_of_equal_standing(data, header)
    adobe = [payload for payload in jpeg.payloads(data, header, 0xEE, b"Adobe") if len(payload) >= 7]
    return frame | {
        "format": "JPEG",
        "jpeg_quality": _quality(tables, frame["tables"]),
        "icc": jpeg.icc_profile(data, header),
        "scans": scans,
        "coded_block": frame["coded_block"] if scans == 1 and frame["components"] < 4 else None,
        "frames": frames,
        "quantisation": tables,
        "colour_transform": adobe[0][6] if adobe else None,
        "complete": end is not None,
        "junk": header.junk > 0,
        "reasons": tuple(notes),
    }


def _frame(data, header):
    frames = [segment for segment in header.segments if segment[0] in jpeg.FRAME_MARKERS]
    if len(frames) != 1:
        raise UnreadablePicture("the JPEG does not declare its size once: ask for a plain JPEG export")
    marker, start, end = frames[0]
    payload = data[start:end]
    if marker not in (0xC0, 0xC1, 0xC2):
        coding = _REFUSED_FRAMES.get(marker, "hierarchical coding")
        raise UnreadablePicture(
            f"the JPEG uses {coding}, which browsers and shop systems cannot show: ask for an ordinary JPEG export"
        )
    precision, height, width, count = struct.unpack(">BHHB", payload[:6])
    if precision != 8:
        raise UnreadablePicture(f"the JPEG has {precision} bits a channel: ask for an 8-bit JPEG export")
    if count not in (1, 3, 4) or len(payload) < 6 + 3 * count:
        raise UnreadablePicture(f"the JPEG has {count} colour channels: ask for an RGB export")
    parts = [payload[6 + 3 * index : 9 + 3 * index] for index in range(count)]
    return {
        "width_px": width,
        "height_px": height,
        "components": count,
        "progressive": marker == 0xC2,
        "chroma_subsampling": _sampling(parts) if count > 1 else None,
        "tables": [part[2] for part in parts],
        "coded_block": _coded_block(parts) if marker != 0xC2 and not _restarts(data, header) else None,
    }


def _coded_block(parts):
    if len(parts) == 1:
        return 8, 8
    return 8 * max(part[1] & 15 for part in parts), 8 * max(part[1] >> 4 for part in parts)


def _restarts(data, header):
    return any(int.from_bytes(interval[:2], "big") for interval in jpeg.payloads(data, header, 0xDD))


def _sampling(parts):
    across = [max(part[1] >> 4, 1) for part in parts]
    down = [max(part[1] & 15, 1) for part in parts]
    ratio = (max(across) / across[1], max(down) / down[1])
    return _SAMPLING.get(ratio, "other")


def _quality(tables, used):
    if used[0] not in tables:
        return None
    chroma = tables.get(used[1]) if len(used) > 1 and used[1] != used[0] else None
    return ijg_quality(tables[used[0]], chroma)


# -- PNG -------------------------------------------------------------------------------------------


def png_chunks(data, limit=10_000):
    """(type, payload start, payload end) of a PNG's chunks before and after the pixels, in order."""
    position = 8
    for _ in range(limit):
        if position + 8 > len(data):
            return
        size = int.from_bytes(data[position : position + 4], "big")
        kind = data[position + 4 : position + 8]
        yield kind, position + 8, min(position + 8 + size, len(data))
        position += size + 12


def _read_png(data):
    chunks = {}
    for kind, start, end in png_chunks(data):
        chunks.setdefault(kind, (start, end))
    start, _ = chunks[b"IHDR"]
    width, height, depth, colour = struct.unpack(">IIBB", data[start : start + 10])
    components = {0: 1, 2: 3, 3: 3, 4: 2, 6: 4}[colour]
    alpha = colour in (4, 6) or b"tRNS" in chunks
    frames = 1
    if b"acTL" in chunks:
        frames = int.from_bytes(data[chunks[b"acTL"][0] :][:4], "big")
    return {
        "format": "PNG",
        "width_px": width,
        "height_px": height,
        "bit_depth": 8 if colour == 3 else depth,
        "components": components + (alpha and colour in (2, 3, 0)),
        "has_alpha": alpha,
        "progressive": data[start + 12] == 1,
        "icc": _png_profile(data, chunks.get(b"iCCP")),
        "colour_profile": "sRGB" if b"sRGB" in chunks else None,
        "frames": max(frames, 1),
    }


def _png_profile(data, chunk):
    if chunk is None:
        return None
    _, _, packed = data[slice(*chunk)].partition(b"\x00")
    try:
        return zlib.decompressobj().decompress(packed[1:], icc.MAX_PROFILE_BYTES)
    except zlib.error:
        return b""


# -- WebP ------------------------------------------------------------------------------------------


def riff_chunks(data, limit=10_000):
    """(type, payload start, payload end) of a RIFF file's chunks, in order."""
    position = 12
    for _ in range(limit):
        if position + 8 > len(data):
            return
        size = int.from_bytes(data[position + 4 : position + 8], "little")
        yield data[position : position + 4], position + 8, min(position + 8 + size, len(data))
        position += 8 + size + size % 2


def _read_webp(data):
    chunks, frames = {}, 0
    for kind, start, end in riff_chunks(data):
        chunks.setdefault(kind, (start, end))
        frames += kind == b"ANMF"
    width, height, alpha = _webp_size(data, chunks)
    profile = data[slice(*chunks[b"ICCP"])] if b"ICCP" in chunks else None
    return {
        "format": "WebP",
        "width_px": width,
        "height_px": height,
        "components": 4 if alpha else 3,
        "has_alpha": alpha,
        "icc": profile,
        "frames": max(frames, 1),
    }


def _webp_size(data, chunks):
    if b"VP8X" in chunks:
        head = data[chunks[b"VP8X"][0] :][:10]
        return (
            1 + int.from_bytes(head[4:7], "little"),
            1 + int.from_bytes(head[7:10], "little"),
            bool(head[0] & 0x10),
        )
    if b"VP8L" in chunks:
        bits = int.from_bytes(data[chunks[b"VP8L"][0] + 1 :][:4], "little")
        return 1 + (bits & 0x3FFF), 1 + (bits >> 14 & 0x3FFF), bool(bits >> 28 & 1)
    width, height = struct.unpack("<HH", data[chunks[b"VP8 "][0] + 6 :][:4])
    return width & 0x3FFF, height & 0x3FFF, False


# -- TIFF and HEIC ---------------------------------------------------------------------------------


def _read_tiff(data):
    tags, frames = tiff.first_directory(data)
    if data[8:10] == b"CR" or 50706 in tags or (tags.get(254) == (1,) and 330 in tags):
        raise UnreadablePicture("this is a camera raw file: ask for a JPEG export")
    depths = tags.get(258, (1,))
    components = tags.get(277, (len(depths),))[0]
    colours = {0: 1, 1: 1, 2: 3, 3: 3, 5: 4, 6: 3, 8: 3}.get(tags.get(262, (1,))[0], components)
    return {
        "format": "TIFF",
        "width_px": tags[256][0],
        "height_px": tags[257][0],
        "bit_depth": 8 if tags.get(262) == (3,) else max(depths),
        "components": max(components, colours),
        "has_alpha": components > colours and tags.get(338, (0,))[0] in (1, 2),
        "icc": tiff.bytes_of(data, tags, 34675),
        "frames": frames,
    }


def _read_heic(data):
    import pillow_heif  # costs 40 ms and most deliveries hold none

    picture = pillow_heif.open_heif(data, convert_hdr_to_8bit=True)
    width, height = picture.size
    return {
        "format": "HEIC",
        "width_px": width,
        "height_px": height,
        "bit_depth": int(picture.info.get("bit_depth", 8)),
        "components": 4 if picture.has_alpha else 3,
        "has_alpha": bool(picture.has_alpha),
        "icc": picture.info.get("icc_profile") or None,
        "frames": len(picture),
    }
