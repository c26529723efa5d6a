"""
The headers of the five formats that are read; no pixel is decoded here.

Each function takes the bytes of a file of its format and returns the facts
that `container.read_container` documents, as far as they differ from its
blanks. Headers are hostile input: anything may be raised, and
`read_container` turns it into a refusal.
"""

import struct
import zlib

from catalogue_audit.errors import UnreadablePicture
from catalogue_audit.metadata import icc, jpeg, tiff
from catalogue_audit.metadata.chunks import png_chunks, riff_chunks
from catalogue_audit.metadata.quality import ijg_quality

# -- JPEG ------------------------------------------------------------------------------------------

_REFUSED_FRAMES = {0xC3: "lossless coding", 0xC9: "arithmetic coding", 0xCA: "arithmetic coding"}
_SAMPLING = {(1, 1): "4:4:4", (2, 1): "4:2:2", (2, 2): "4:2:0", (1, 2): "4:4:0", (4, 1): "4:1:1", (4, 2): "4:1:0"}


def read_jpeg(data):
    """Facts of a JPEG file (ITU-T T.81, JFIF, Exif)."""
    header = jpeg.read_header(data)
    frame = _frame(data, header)
    used, ids = frame.pop("tables"), frame.pop("ids")
    scans, end = jpeg.read_scans(data, header)
    tables = jpeg.quantisation_tables(data, header)
    notes = []
    if header.junk:
        notes.append("the header holds bytes that belong to no segment; they were skipped")
    lacking = jpeg.lacking_bits(data, header, ids) if frame["progressive"] or end is None else 0
    if 0 < lacking < jpeg.ALL_BITS and end is not None:
        notes.append("the JPEG ends before its last scans, so the picture is coarser than it was made: ask for the file again if it looks so")
    frames = jpeg.pictures_of_equal_standing(data, header)
    adobe = [payload for payload in jpeg.payloads(data, header, jpeg.APP14, b"Adobe") if len(payload) >= 7]
    return frame | {
        "format": "JPEG",
        "jpeg_quality": _quality(tables, used),
        "icc": jpeg.icc_profile(data, header),
        "scans": scans,
        "coded_block": frame["coded_block"] if scans == 1 and frame["components"] < 4 else None,
        "frames": frames,
        "quantisation": tables,
        "colour_transform": adobe[-1][6] if adobe else None,
        "complete": end is not None,
        "cut_between_scans": lacking == jpeg.ALL_BITS or (end is None and lacking > 0),
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
        "ids": [part[0] for part in parts],
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


def read_png(data):
    """Facts of a PNG file (ISO/IEC 15948)."""
    chunks = {}
    for kind, start, end in png_chunks(data):
        chunks.setdefault(kind, (start, end))
    start, _ = chunks[b"IHDR"]
    width, height, depth, colour = struct.unpack(">IIBB", data[start : start + 10])
    components = {0: 1, 2: 3, 3: 3, 4: 2, 6: 4}[colour]
    alpha = colour in (4, 6) or b"tRNS" in chunks
    frames = 1
    if b"acTL" in chunks:
        frames = int.from_bytes(data[slice(*chunks[b"acTL"])][:4].rjust(4, b"\0"), "big")
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
        "reasons": () if chunks.keys() & {b"iCCP", b"sRGB"} or _is_srgb(data, chunks) else (_OTHER_COLOURS,),
    }


_OTHER_COLOURS = "the PNG names its colours by figures (cICP, gAMA or cHRM) that are not those of sRGB; colours are read as sRGB"
_SRGB = (31270, 32900, 64000, 33000, 30000, 60000, 15000, 6000)  # of white, red, green, blue x and y, in 100,000ths (11.3.2.1)
_SRGB_GAMMA = 45455  # 11.3.2.5
_SAME_PLACE, _SAME_GAMMA = 1000, 0.05  # what the format's reference library takes for the same


def _is_srgb(data, chunks):
    """Whether what a PNG without a profile says about its colours is sRGB's, as far as it says anything."""
    figures = {kind: data[slice(*chunks[kind])] for kind in (b"cICP", b"gAMA", b"cHRM") if kind in chunks}
    if len(coding := figures.get(b"cICP", b"")) == 4:
        return coding[:2] == bytes((1, 13))  # primaries and transfer of ITU-T H.273
    gamma, places = figures.get(b"gAMA", b""), figures.get(b"cHRM", b"")
    if len(gamma) == 4 and (value := int.from_bytes(gamma, "big")) and abs(value / _SRGB_GAMMA - 1) > _SAME_GAMMA:
        return False
    return len(places) != 32 or not any(places) or max(abs(a - b) for a, b in zip(struct.unpack(">8I", places), _SRGB, strict=True)) <= _SAME_PLACE


def _png_profile(data, chunk):
    if chunk is None:
        return None
    _, _, packed = data[slice(*chunk)].partition(b"\x00")
    try:
        return zlib.decompressobj().decompress(packed[1:], icc.MAX_PROFILE_BYTES)
    except zlib.error:
        return b""


HOLE = bytes(2048)  # half a page of memory; what is coded to fill its bits holds no such run
_AS_COPIES_LEAVE = "as an interrupted copy leaves it"

# -- WebP ------------------------------------------------------------------------------------------


def read_webp(data):
    """Facts of a WebP file."""
    chunks, frames = {}, 0
    for kind, start, end in riff_chunks(data):
        chunks.setdefault(kind, (start, end))
        frames += kind == b"ANMF"
    if any(HOLE in data[slice(*chunks[kind])] for kind in (b"VP8 ", b"VP8L") if kind in chunks):
        raise UnreadablePicture(f"in the middle of its picture the file holds nothing but zero bytes, {_AS_COPIES_LEAVE}: ask for the file again")
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

MAX_CHANNELS = 6  # RGB and three more, which are left alone
_COLOUR_SPACES = {0: "", 1: "", 2: "", 5: "CMYK", 6: "YCbCr", 8: "CIELAB", 9: "CIELAB", 10: "CIELAB"}  # TIFF 6.0; empty: grey or RGB


def read_tiff(data):
    """Facts of a classic TIFF file (TIFF 6.0); raw files of its kind are refused."""
    tags, frames = tiff.first_directory(data)
    if data[8:10] == b"CR" or 50706 in tags or (tags.get(254) == (1,) and 330 in tags):
        raise UnreadablePicture("this is a camera raw file: ask for a JPEG export")
    depths = tags.get(258, (1,))
    components = tags.get(277, (len(depths),))[0]
    colours = {0: 1, 1: 1, 2: 3, 3: 3, 5: 4, 6: 3, 8: 3}.get(tags.get(262, (1,))[0], components)
    depth = 8 if tags.get(262) == (3,) else max(depths)
    return {
        "format": "TIFF",
        "width_px": tags[256][0],
        "height_px": tags[257][0],
        "bit_depth": depth,
        "components": max(components, colours),
        "has_alpha": components > colours and tags.get(338, (0,))[0] in (1, 2),
        "premultiplied": components > colours and tags.get(338, (0,))[0] == 1,
        "icc": tiff.bytes_of(data, tags, 34675),
        "frames": frames,
        "white_is_zero": depth > 8 and tags.get(262) == (0,),
        "not_read": _not_read(tags, depths, components),
    }


def _not_read(tags, depths, channels):
    """What it is about the pixels of a TIFF that the decoders refuse or, worse, misread; empty for ordinary ones."""
    if channels > MAX_CHANNELS:
        return f"{channels} channels"
    samples, depth = set(tags.get(339, (1,))), max(depths)
    if samples & {3, 6}:
        return "floating point or complex numbers"
    if samples - {1, 4}:
        return "numbers with a sign"
    if len(set(depths)) > 1:
        return "channels of different depth"
    space = _COLOUR_SPACES.get(tags.get(262, (1,))[0], "another colour space")
    if depth > 16 or space == "CIELAB":
        return space if depth <= 16 else f"{depth} bits a channel"
    if depth > 8 and (space or channels > 4):
        return f"{depth} bits a channel in {space}" if space else f"{channels} channels of {depth} bits"
    return f"{depth} bits a channel in separate planes" if depth > 8 and channels > 1 and tags.get(284) == (2,) else ""


def read_heic(data):
    """Facts of a HEIC file; its size is that after its own turning."""
    import pi_heif  # costs 40 ms and most deliveries hold none

    picture = pi_heif.open_heif(data, convert_hdr_to_8bit=True)
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
        "reasons": (_HEIC_HOLE,) if _has_hole(data, picture.info) else (),
    }


_HEIC_HOLE = f"the file holds a long run of zero bytes, {_AS_COPIES_LEAVE}: look at the picture, and ask for the file again if part of it is missing"


def _has_hole(data, info):
    """Whether the coded data of a HEIC file hold a run of zeros; its texts may, as room that a camera left in them."""
    at = 0
    while at + 8 <= len(data):  # boxes of the file (ISO/IEC 14496-12, 4.2)
        size = int.from_bytes(data[at : at + 4], "big")
        size = int.from_bytes(data[at + 8 : at + 16], "big") if size == 1 else size or len(data)
        if data[at + 4 : at + 8] == b"mdat" and HOLE in data[at : at + size]:
            held = data[at : at + size]
            for text in filter(None, map(info.get, ("exif", "xmp", "icc_profile"))):
                held = held.replace(text, b"")
            return HOLE in held
        at += max(size, 8)
    return False
