"""
Words for people: titles of checks, remedies and views, numbers with units, text made harmless.

Names, Exif and CSV cells come from outside. `plain_text` makes any of them
visible text of bounded length; escaping for HTML or PDF is the next layer's.
"""

import math
import unicodedata

from catalogue_audit.schema import TABLES

TEXT_LIMIT = 240  # characters shown of one outside text
MARKS_IN_A_ROW = 2  # combining marks kept on one letter; more only climb over the neighbouring lines

CHECK_TITLES = {
    "missing_view": "Picture missing",
    "unexpected_file": "File not asked for",
    "unreadable_file": "File cannot be read",
    "file_spec": "Size, shape or format",
    "colour_profile": "Colour profile",
    "jpeg_quality": "JPEG quality",
    "upscaled": "Enlarged beyond its detail",
    "exact_duplicate": "Same file twice",
    "near_duplicate": "Same picture twice",
    "wrong_product": "Another product",
    "wrong_detail": "Detail of another product",
    "swapped_views": "Views swapped",
    "angle": "Angle",
    "camera_height": "Camera height",
    "roll": "Tilt",
    "lean": "Lean",
    "handles": "Handles",
    "strap": "Strap",
    "scale": "Scale",
    "centring": "Position in the frame",
    "cut_off": "Cut off",
    "white_balance": "White balance",
    "exposure": "Exposure",
    "product_colour": "Product colour",
    "background": "Background level",
    "uneven_background": "Uneven background",
    "cutout_edge": "Cut-out edge",
    "shadow": "Shadow",
    "clipping": "Clipping",
    "focus": "Focus",
    "motion_blur": "Motion blur",
    "noise": "Noise",
    "product_specks": "Specks on the product",
    "sensor_spots": "Sensor dust",
    "focal_length": "Focal length",
    "metadata": "Metadata",
    "styling": "Styling, by eye",
}

REMEDY_TITLES = {
    "reshoot": "Photograph again",
    "supply": "Supply",
    "retouch": "Retouch",
    "re-export": "Export again",
    "rename": "Rename",
    "check": "Look at",
}
REMEDY_ORDER = tuple(REMEDY_TITLES)  # what takes longest to arrange first

VERDICT_TITLES = {
    "accept": "Accept",
    "accept_after_corrections": "Accept after corrections",
    "return": "Send back",
}

VIEW_TITLES = {"three_quarter": "three-quarter"}

UNIT_SIGNS = {
    "degree": "°",
    "fraction": "",
    "fraction of frame": "",
    "CIEDE2000": " ΔE00",
    "EV": " EV",
    "CIELAB L*": " L*",
    "ratio": " ×",
    "IJG quality": "",
}
SHARE_UNITS = {
    "fraction": "%",
    "fraction of frame": "% of frame",
    "fraction of product": "% of product",
    "fraction resolved": "% resolved",
    "fraction of width": "% of width",
    "fraction of height": "% of height",
    "fraction of product height": "% of height",
}
# How value, expected and tolerance belong together; every other check is |value - expected| <= tolerance.
AT_MOST_CHECKS = frozenset(("focus", "motion_blur", "noise", "sensor_spots"))  # value <= tolerance
AT_LEAST_CHECKS = frozenset(("jpeg_quality", "upscaled"))  # value >= tolerance
SIGNED_CHECKS = frozenset(
    ("angle", "roll", "lean", "scale", "centring", "exposure", "background", "camera_height", "focal_length")
)


def plain_text(value, limit=TEXT_LIMIT):
    r"""
    Outside text as visible text: controls and direction marks spelled out, length bounded.

    Parameters
    ----------
    value : object
        Missing values (None, NaN, NA) give an empty text.
    limit : int
        Characters kept; a longer text ends in an ellipsis.

    Returns
    -------
    str

    Examples
    --------
    >>> plain_text("bag\u202egpj.exe")
    'bag\\u202egpj.exe'
    >>> plain_text(float("nan"))
    ''
    """
    if is_missing(value):
        return ""
    text = str(value)
    shortened = text[: limit - 1] + "\N{HORIZONTAL ELLIPSIS}" if len(text) > limit else text
    kept, marks = [], 0
    for character in shortened:
        category = unicodedata.category(character)
        marks = marks + 1 if category in ("Mn", "Me") else 0
        if category in ("Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"):
            kept.append(_spelled_out(character))
        elif marks <= MARKS_IN_A_ROW:
            kept.append(character)
    return "".join(kept)


def _spelled_out(character):
    if character in "\n\r\t":
        return " "
    code = ord(character)
    if 0xDC80 <= code <= 0xDCFF:  # a byte of a name that is not UTF-8
        return f"\\x{code - 0xDC00:02x}"
    return f"\\x{code:02x}" if code < 0x100 else f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}"


def is_missing(value):
    """True for None, NaN, NaT and NA: what the tables leave empty."""
    if value is None:
        return True
    try:
        return bool(value != value)  # NaN and NaT differ from themselves
    except TypeError:  # pandas.NA refuses to say
        return True


def check_title(check):
    """Title of a check as people say it; an unknown one is shown as written."""
    return CHECK_TITLES.get(check, plain_text(check).replace("_", " "))


def remedy_title(remedy):
    """Title of a remedy as an instruction."""
    return REMEDY_TITLES.get(remedy, plain_text(remedy))


def view_title(view):
    """View name as people say it: underscores become blanks."""
    view = plain_text(view)
    return VIEW_TITLES.get(view, view.replace("_", " "))


def number_text(value, unit="", signed=False, digits=None):
    """
    A number as shown to people, with its unit; nothing where there is none.

    Shares are shown in percent. A figure shown is always the table's figure
    rounded, never another one.

    Parameters
    ----------
    value : float or None
    unit : str
        As the tables write it.
    signed : bool
        Show ``+`` too.
    digits : int, optional
        Digits after the point; by default about three figures.

    Returns
    -------
    str

    Examples
    --------
    >>> number_text(0.0812, "fraction", signed=True)
    '+8.1 %'
    >>> number_text(-1.93, "degree")
    '−1.9°'
    >>> number_text(None)
    ''
    """
    if is_missing(value) or not math.isfinite(float(value)):
        return ""
    value, unit = float(value), plain_text(unit)
    if unit in SHARE_UNITS:
        value, sign = 100 * value, " " + SHARE_UNITS[unit]
    else:
        sign = UNIT_SIGNS.get(unit, f" {unit}" if unit else "")
    places = _useful_digits(value) if digits is None else digits
    text = f"{value:+,.{places}f}" if signed else f"{value:,.{places}f}"
    if digits is None and "." in text:
        text = text.rstrip("0").rstrip(".")
    if float(text.replace(",", "")) == 0:
        text = text.lstrip("+-")
    return text.replace(",", "\N{NARROW NO-BREAK SPACE}").replace("-", "\N{MINUS SIGN}") + sign


def _useful_digits(value):
    size = abs(value)
    return 0 if size >= 100 else 1 if size >= 1 or size == 0 else 2 if size >= 0.1 else 3


def count_text(count, one, many=None):
    """
    A count with its noun.

    >>> count_text(1, "picture"), count_text(3, "picture"), count_text(0, "view is", "views are")
    ('1 picture', '3 pictures', '0 views are')
    """
    return f"{count:,}".replace(",", "\N{NARROW NO-BREAK SPACE}") + " " + (one if count == 1 else many or one + "s")


def measured_text(finding):
    """
    What was measured against what is allowed, in one line; empty where a check has no number.

    Parameters
    ----------
    finding : mapping
        A row of the findings table.

    Returns
    -------
    str
    """
    unit = finding.get("unit", "")
    value = value_text(finding)
    if not value or unit == "score":  # how sure a likeness is: for sorting, no measure of the picture
        return ""
    unit = "fraction" if unit in SHARE_UNITS else unit  # of what is said once
    expected = number_text(finding.get("expected"), unit) if _tells(finding) else ""
    tolerance = number_text(finding.get("tolerance"), unit)
    parts = [value]
    if expected:
        parts.append(f"expected {expected}")
    if tolerance:
        parts.append(_limit_text(finding.get("check"), tolerance))
    return ", ".join(parts)


def _tells(finding):
    """True where the expected value says more than 'the middle' does."""
    expected, tolerance = finding.get("expected"), finding.get("tolerance")
    if is_missing(expected) or finding.get("unit") == "ratio":
        return False
    return abs(expected) > (0 if is_missing(tolerance) else abs(tolerance) / 5)


def value_text(finding):
    """The measured value of a finding with its unit, and its sign where the sign says something."""
    signed = finding.get("check") in SIGNED_CHECKS and not _tells(finding)  # a level beside the one expected has none
    return number_text(finding.get("value"), finding.get("unit", ""), signed)


def _limit_text(check, tolerance):
    if check in AT_MOST_CHECKS:
        return f"at most {tolerance}"
    return f"at least {tolerance}" if check in AT_LEAST_CHECKS else f"tolerance ± {tolerance}"


CORRECTION_PARTS = (
    ("exposure_ev", "EV", 2, "exposure"),
    ("gain_r", "", 3, "red gain"),
    ("gain_b", "", 3, "blue gain"),
    ("mired_shift", "mired", 1, "shift"),
    ("rotate_deg", "degree", 2, "rotate"),
)


def correction_words(correction):
    """
    A correction in short phrases, in the order in which it is applied; what changes nothing is left out.

    Parameters
    ----------
    correction : mapping
        A row of the corrections table.

    Returns
    -------
    list of str

    Examples
    --------
    >>> correction_words({"exposure_ev": 0.412, "gain_r": 1.0, "gain_b": None, "rotate_deg": -2.4})
    ['exposure +0.41 EV', 'rotate −2.40°']
    """
    parts = []
    for name, unit, digits, words in CORRECTION_PARTS:
        gain, value = name in ("gain_r", "gain_b"), correction.get(name)
        text = number_text(value, unit, not gain, digits)
        if text and round(float(value), digits) != (1 if gain else 0):
            parts.append(f"{words} {text}")
    levels = [correction.get(name) for name in ("background_from", "background_to")]
    if not any(is_missing(level) for level in levels):
        parts.append(f"background {number_text(levels[0])} to {number_text(levels[1])}")
    sides = [correction.get(f"crop_{side}") for side in ("left", "top", "right", "bottom")]
    if not any(is_missing(side) for side in sides) and list(sides) != [0, 0, 1, 1]:
        parts.append("crop " + ", ".join(number_text(side, digits=3) for side in sides))
    return parts


def column_unit(table, name):
    """Unit of a column as the schema gives it; empty for an unknown one."""
    return next((column.unit for column in TABLES.get(table, ()) if column.name == name), "")
