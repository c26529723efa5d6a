"""
What kind of file the bytes are, and what its header declares; no pixel is decoded here.

Told by the bytes, never by the name. JPEG, PNG, TIFF, WebP and HEIC are read;
everything else is refused with what it is and what to ask for. Nothing here
can start another program.
"""

from catalogue_audit.errors import UnreadablePicture
from catalogue_audit.metadata import headers, icc


MAX_PIXELS = 160_000_000  # width x height as declared; the largest medium-format backs have 151 million
MAX_DECODED_BYTES = 960_000_000  # at the peak of decoding, by the declared size; one file may cost 1 GiB in all
MAX_SCANS = 100  # of a progressive JPEG; encoders write about 10, and each costs a pass over the picture

UNTAGGED_CMYK = "untagged CMYK"  # in place of 'none': inks without a profile are nobody's sRGB

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
        description, 'none', or `UNTAGGED_CMYK`; those that do not apply are None), and

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
        ``cut_between_scans``
            True where a JPEG without its end marker lacks scans, so that it would decode to a coarser picture; or one
            with it lacks all scans of a colour channel.
        ``white_is_zero``
            True for a TIFF of more than 8 bits that holds a negative.
        ``premultiplied``
            True for a TIFF whose colours are multiplied by their transparency already.
        ``not_read``
            what it is about the pixels of a TIFF that is not read here; empty for those that are.
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
    if facts["format"] == "JPEG" and facts["components"] == 4:
        facts["colour_profile"] = UNTAGGED_CMYK
    facts["colour_profile"], note = _profile_name(facts["icc"], facts["colour_profile"])
    if note:
        facts["reasons"] += (note,)
    return facts


_BLANK = {
    "format": None, "width_px": None, "height_px": None, "colour_profile": None, "bit_depth": 8, "chroma_subsampling": None,
    "jpeg_quality": None, "icc": None, "components": 3, "has_alpha": False, "progressive": False, "scans": 1, "frames": 1,
    "quantisation": {}, "colour_transform": None, "complete": True, "junk": False, "coded_block": None, "reasons": (),
    "cut_between_scans": False, "white_is_zero": False, "premultiplied": False, "not_read": "",
}  # fmt: skip


def _reader(data):
    if not data:
        raise UnreadablePicture("the file is empty (0 bytes): ask for it again")
    if data[:3] == b"\xff\xd8\xff":
        return headers.read_jpeg
    if data[:8] == b"\x89PNG\r\n\x1a\n":
        return headers.read_png
    if data[:4] in (b"II*\x00", b"MM\x00*"):
        return headers.read_tiff
    if data[:4] == b"RIFF" and data[8:12] == b"WEBP":
        return headers.read_webp
    if data[4:8] == b"ftyp" and data[8:12] in _HEIC_BRANDS and not _is_avif(data):
        return headers.read_heic
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
