"""
The Exif block as contract columns; the only importer of exifread.

The block is cut out of the container here and handed over as a plain TIFF
stream, after a look at its directories: whatever it holds, reading it stays
cheap, and damage becomes a note. Position (GPS) is never read out.

Agreement with exiftool 12.57 (Exif group) on 84 photographs, 66 of them with Exif: make,
model, lens, program, f-number, exposure time, exposure bias and 35 mm focal
length equal in all 84; focal length in 83, capture time in 83, orientation in
82, ISO in 80. The differences are meant: a focal length and four ISO values of
0 are unknown; a date of blanks is no date; an orientation of 0 is none, and one
that only the embedded thumbnail carries is not the picture's.
"""

import io
import logging
import math
import re
from datetime import datetime

import exifread

from catalogue_audit.metadata import exif_block, jpeg
from catalogue_audit.schema import FRAME_COLUMNS

MAX_TEXT = 100  # characters of a camera, lens or program name; longer is no name

_DIGITS = {column.name: column.digits for column in FRAME_COLUMNS}
_DATE = re.compile(r"^(\d{4})[:\-/](\d{2})[:\-/](\d{2})[ T](\d{2}):(\d{2}):(\d{2})(?:\.(\d{1,6}))?", re.ASCII)
_OFFSET = re.compile(r"^([+-])(\d{2}):(\d{2})$", re.ASCII)

# Programs that rewrite pictures, as they name themselves in the Software field (seen in files; not complete).
_EDITORS = re.compile(
    r"adobe|photoshop|lightroom|camera raw|gimp|affinity|darktable|rawtherapee|imagemagick|graphicsmagick|paint|"
    r"acdsee|irfanview|picasa|snapseed|noise ninja|photoscape|photoimpact|corel|dxo|luminar|pixelmator|photofiltre|"
    r"photos \d|windows photo|quicktime",
    re.IGNORECASE,
)

_ABOVE_ZERO = ("focal_length_mm", "focal_length_35mm", "f_number", "exposure_time_s", "iso")

logging.getLogger("exifread").addHandler(logging.NullHandler())


def read_exif(data, format, size=None):  # noqa: A002 - the column's name
    """
    Facts of the Exif block.

    Parameters
    ----------
    data : bytes
        The whole file.
    format : str
        As `read_container` says.
    size : (int, int), optional
        Width and height as stored; with it, an Exif size of another picture
        counts as evidence that the file was derived.

    Returns
    -------
    dict
        Contract columns that are known, rounded; ``origin`` always; and
        ``reasons``, a tuple of sentences. Never raises: a block that cannot
        be read is a reason.

    Notes
    -----
    A ratio with denominator 0 is unknown, and so are an ISO, f-number,
    exposure time or focal length of 0, an orientation outside 1 to 8, and an
    impossible date. ``focal_length_35mm`` is the camera's own figure: the
    focal-plane resolution is not used to derive it, because programs that
    resize a picture leave that field as it was. Of several ISO values the last
    that is not 0 counts. The time of capture is DateTimeOriginal, else
    DateTimeDigitized where the file also tells exposure time or f-number, as a scan does not; the time the file was changed
    (DateTime) is none.

    References
    ----------
    CIPA DC-008 (Exif 2.32), 4.6.
    """
    block, reasons = _cut_out(data, format)
    tags = {}
    if block is not None:
        tags, problem = _read_tags(block)
        reasons += problem
    if format == "JPEG" and _adobe_rgb_by_name(tags) and jpeg.icc_profile(data, jpeg.read_header(data)) is None:
        reasons += (
            "the camera names Adobe RGB but embedded no profile, so colours are read as sRGB: "
            "ask for files with their profile",
        )
    facts = _camera(tags) | _exposure(tags) | _capture_time(tags)
    facts["orientation"] = 1 if format == "HEIC" else _orientation(tags)  # HEIC is upright once decoded
    facts["origin"] = _origin(tags, facts, format, size, block)
    known = {name: value for name, value in facts.items() if value not in (None, "")}
    return known | {"reasons": tuple(reasons)}


def ev100(f_number, exposure_time_s, iso):
    """
    Exposure value at ISO 100: log2(N^2 / t) - log2(ISO / 100).

    Parameters
    ----------
    f_number, exposure_time_s, iso : float or None
        Above 0; exposure time in seconds.

    Returns
    -------
    float or None
        None where any of the three is unknown.

    References
    ----------
    APEX (ASA PH2.5-1960), as in Exif; sign: doubling the ISO lowers it by 1.

    Examples
    --------
    >>> ev100(1.0, 1.0, 100)
    0.0
    """
    if not (f_number and exposure_time_s and iso):
        return None
    return math.log2(f_number**2 / exposure_time_s) - math.log2(iso / 100)


# -- reading ---------------------------------------------------------------------------------------


def _cut_out(data, format):  # noqa: A002
    try:
        return exif_block.find(data, format), ()
    except Exception:  # noqa: BLE001 - hostile input
        return None, ("the Exif block is damaged and was not read",)


def _read_tags(block):
    """Tags by exifread's names, plus ``maker_note``: whether there is one."""
    try:
        present = exif_block.survey(block)
    except Exception:  # noqa: BLE001 - hostile input: loops, counts, offsets
        return {}, ("the Exif block is damaged and was not read",)
    try:
        tags = exifread.process_file(io.BytesIO(block), details=False, extract_thumbnail=False)
    except Exception:  # noqa: BLE001 - exifread lets IndexError, EOFError and others escape
        return {}, ("the Exif block is damaged and was not read",)
    values = {name: tag.values for name, tag in tags.items() if hasattr(tag, "values")}
    return values | {"maker_note": exif_block.MAKER_NOTE in present}, ()


def _field(tags, name):
    """A field of the Exif directory; some programs put it into the first directory instead."""
    return tags.get(f"EXIF {name}", tags.get(f"Image {name}"))


def _text(tags, name):
    value = _field(tags, name)
    if isinstance(value, (list, tuple)):
        value = bytes(part for part in value if isinstance(part, int) and 0 <= part < 256)
    if isinstance(value, bytes):
        value = value.split(b"\x00")[0].decode("latin-1")
    if not isinstance(value, str):
        return None
    value = "".join(letter if letter.isprintable() else " " for letter in value.split("\x00")[0])
    return " ".join(value.split())[:MAX_TEXT] or None


def _numbers(tags, name):
    value = _field(tags, name)
    if value is None or isinstance(value, (str, bytes)):
        return []
    return [_number(part) for part in value]


def _number(part):
    while isinstance(part, tuple) and part:
        part = part[0]
    try:
        numerator, denominator = part.numerator, part.denominator
        number = float(part) if not hasattr(part, "num") else part.num / part.den
    except AttributeError:
        number = float(part)
    except (ZeroDivisionError, ValueError, OverflowError):
        return None
    else:
        if denominator == 0 or numerator is None:
            return None
    return number if math.isfinite(number) else None


def _positive(tags, name, limit):
    numbers = _numbers(tags, name)
    return numbers[0] if numbers and numbers[0] is not None and 0 < numbers[0] <= limit else None


def _rounded(name, value):
    return None if value is None else round(value, _DIGITS[name])


# -- columns ---------------------------------------------------------------------------------------


def _camera(tags):
    return {
        "camera_make": _text(tags, "Make"),
        "camera_model": _text(tags, "Model"),
        "camera_serial": _text(tags, "BodySerialNumber"),
        "lens_model": _text(tags, "LensModel"),
        "software": _text(tags, "Software"),
    }


def _exposure(tags):
    f_number = _positive(tags, "FNumber", 1000)
    time = _positive(tags, "ExposureTime", 1e6)
    iso = _iso(tags)
    bias = next(iter(_numbers(tags, "ExposureBiasValue")), None)
    values = {
        "focal_length_mm": _positive(tags, "FocalLength", 1e5),
        "focal_length_35mm": _positive(tags, "FocalLengthIn35mmFilm", 65534),
        "f_number": f_number,
        "exposure_time_s": time,
        "iso": iso,
        "exposure_bias_ev": bias if bias is not None and abs(bias) < 100 else None,
        "ev100": ev100(f_number, time, iso),
    }
    rounded = {name: _rounded(name, value) for name, value in values.items()}
    return rounded | {name: rounded[name] or None for name in _ABOVE_ZERO}  # what rounds to 0 no camera has


def _iso(tags):
    values = [value for value in _numbers(tags, "ISOSpeedRatings") if value and value > 0]
    if values and values[-1] < 65535:
        return values[-1]
    # 65535 stands for 'larger': the 32-bit fields of Exif 2.3 hold the figure.
    for name in ("RecommendedExposureIndex", "StandardOutputSensitivity", "Tag 0x8831", "ISOSpeed"):
        larger = _positive(tags, name, 1e9)
        if larger:
            return larger
    return None


def _orientation(tags):
    values = _numbers(tags, "Orientation")
    return int(values[0]) if values and values[0] in range(1, 9) else None


def _adobe_rgb_by_name(tags):
    """DCF option file: interoperability index R03 (JEITA CP-3461, from memory), or the non-standard ColorSpace 2."""
    index = tags.get("Interoperability InteroperabilityIndex")
    return index == "R03" or _numbers(tags, "ColorSpace")[:1] == [2]


def _capture_time(tags):
    for name, part in (("DateTimeOriginal", "Original"), ("DateTimeDigitized", "Digitized")):
        if part == "Digitized" and not (_numbers(tags, "ExposureTime") or _numbers(tags, "FNumber")):
            continue  # no camera's: the time of a scan
        moment, fraction = parse_date(_text(tags, name))
        if moment is None:
            continue
        fraction = fraction or _fraction(_text(tags, f"SubSecTime{part}"))
        offset = parse_offset(_text(tags, f"OffsetTime{part}"))
        return {"captured_at": moment + fraction + offset, "captured_at_source": f"Exif {name}"}
    return {}


def parse_date(text):
    """
    An Exif date as ISO 8601.

    Parameters
    ----------
    text : str or None
        'YYYY:MM:DD HH:MM:SS'; dashes, slashes and a 'T' are read too.

    Returns
    -------
    moment : str or None
        None where it is no possible date.
    fraction : str
        '.ddd' where the text itself has decimals.

    Examples
    --------
    >>> parse_date("2024:05:17 14:03:09")
    ('2024-05-17T14:03:09', '')
    >>> parse_date("0000:00:00 00:00:00")
    (None, '')
    """
    match = _DATE.match(text or "")
    if not match:
        return None, ""
    *parts, decimals = match.groups()
    try:
        moment = datetime(*map(int, parts))
    except ValueError:
        return None, ""
    return moment.isoformat(), f".{decimals}" if decimals else ""


def _fraction(text):
    digits = (text or "").strip()
    return f".{digits[:6]}" if digits.isascii() and digits.isdigit() else ""


def parse_offset(text):
    """
    An Exif time offset as '+HH:MM', or '' where it is none.

    Examples
    --------
    >>> parse_offset("+02:00"), parse_offset("   :  ")
    ('+02:00', '')
    """
    if text == "Z":
        return "+00:00"
    match = _OFFSET.match(text or "")
    if not match or int(match[2]) > 14 or int(match[3]) > 59:
        return ""
    return match[0]


# -- evidence of where the file comes from ---------------------------------------------------------


def _origin(tags, facts, format, size, block):  # noqa: A002
    """
    'original', 'derived' or 'unknown', by what the file itself shows.

    Derived: an editor named in Software, changed more than a minute after
    capture, or an Exif size that is not the picture's. Original: a JPEG, HEIC
    or TIFF with make, model, capture time, exposure and maker note, and
    nothing against it. Anything else proves neither.
    """
    if block is None or not tags:
        return "unknown"
    if _EDITORS.search(facts.get("software") or "") or _changed_later(tags) or _other_size(tags, size):
        return "derived"
    whole = all(facts.get(name) for name in ("camera_make", "camera_model", "captured_at", "exposure_time_s"))
    return "original" if whole and tags.get("maker_note") and format != "PNG" else "unknown"


def _changed_later(tags):
    changed, _ = parse_date(_text(tags, "DateTime"))
    taken, _ = parse_date(_text(tags, "DateTimeOriginal"))
    if changed is None or taken is None:
        return False
    return (datetime.fromisoformat(changed) - datetime.fromisoformat(taken)).total_seconds() > 60


def _other_size(tags, size):
    width = _positive(tags, "ExifImageWidth", 1e6)
    height = _positive(tags, "ExifImageLength", 1e6)
    return bool(size and width and height) and sorted((width, height)) != sorted(size)
