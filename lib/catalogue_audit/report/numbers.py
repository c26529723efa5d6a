"""
Numbers for people: with their unit, beside what is allowed, corrections in short phrases.

A figure shown is always the table's figure rounded, never another one.
"""

import math

from catalogue_audit.report.wording import is_missing, plain_text
from catalogue_audit.schema import TABLES

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
ABOVE_CHECKS = frozenset(  # value - expected <= tolerance; less is never wrong
    ("handles", "white_balance", "product_colour", "uneven_background", "cutout_edge", "clipping", "product_specks")
)
AT_LEAST_CHECKS = frozenset(("jpeg_quality", "upscaled"))  # value >= tolerance
SIGNED_CHECKS = frozenset(
    ("angle", "roll", "lean", "scale", "centring", "exposure", "background", "camera_height", "focal_length")
)

SLOW_S = 0.3  # exposure times from here are written in seconds, shorter ones as a fraction


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


def range_text(findings):
    """
    What was measured in several findings of one check, from the least to the most, and what is allowed.

    Parameters
    ----------
    findings : list of mapping
        Rows of the findings table, the one that stands for all first.

    Returns
    -------
    str
        As `measured_text` of the first where the others measured the same or something else.

    Examples
    --------
    >>> rows = [{"check": "exposure", "value": v, "expected": 0.0, "tolerance": 0.15, "unit": "EV"} for v in (-0.31, -0.18)]
    >>> range_text(rows)
    '−0.31 EV to −0.18 EV, tolerance ± 0.15 EV'
    """
    lead = findings[0]
    alike = [row for row in findings if all(row.get(name) == lead.get(name) for name in ("check", "unit")) and limit_text(row) == limit_text(lead)]
    numbered = sorted((row for row in alike if value_text(row)), key=lambda row: row["value"])
    if len(alike) < len(findings) or not measured_text(lead) or value_text(numbered[0]) == value_text(numbered[-1]):
        return measured_text(lead)
    span = f"{value_text(numbered[0])} to {value_text(numbered[-1])}"
    return ", ".join(part for part in (span, limit_text(lead)) if part)


def count_text(count, one, many=None):
    """
    A count with its noun.

    >>> count_text(1, "picture"), count_text(3, "picture"), count_text(0, "view is", "views are")
    ('1 picture', '3 pictures', '0 views are')
    """
    return f"{count:,}".replace(",", "\N{NARROW NO-BREAK SPACE}") + " " + (one if count == 1 else many or one + "s")


def camera_settings(row):
    """
    Exposure time, f-number, sensitivity and focal length as a photographer reads them; what is unknown is left out.

    Parameters
    ----------
    row : mapping
        ``exposure_time_s``, ``f_number``, ``iso``, ``focal_length_mm``.

    Returns
    -------
    str

    Examples
    --------
    >>> camera_settings({"exposure_time_s": 0.008, "f_number": 11.0, "iso": 100.0, "focal_length_mm": 85.0})
    '1/125 s, f/11, ISO 100, 85 mm'
    """
    time, stop, iso, focal = (row.get(name) for name in ("exposure_time_s", "f_number", "iso", "focal_length_mm"))
    parts = []
    if not is_missing(time) and time > 0:
        parts.append(f"1/{1 / time:.0f} s" if time < SLOW_S else f"{time:.3g} s")
    parts += [f"{words}{value:.3g}{unit}" for words, value, unit in (("f/", stop, ""), ("ISO ", iso, ""), ("", focal, " mm")) if not is_missing(value)]
    return ", ".join(parts)


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
    value = value_text(finding)
    return ", ".join((value, *filter(None, [limit_text(finding)]))) if value else ""


def limit_text(finding):
    """
    What is allowed, in words; empty where the finding names no tolerance.

    Examples
    --------
    >>> limit_text({"check": "uneven_background", "expected": 6.9, "tolerance": 3.0, "unit": "CIELAB L*"})
    'at most 9.9 L*'
    >>> limit_text({"check": "focal_length", "expected": 100.0, "tolerance": 5.0, "unit": "mm"})
    'expected 100 mm, tolerance ± 5 mm'
    >>> limit_text({"check": "product_specks", "expected": 1.5, "tolerance": 5.0, "unit": "specks"})
    'at most 6 specks'
    """
    check, unit, tolerance = finding.get("check"), finding.get("unit", ""), finding.get("tolerance")
    unit = "fraction" if unit in SHARE_UNITS else unit  # of what is said once
    if check in ABOVE_CHECKS and not is_missing(tolerance):
        usual = finding.get("expected")
        most = tolerance + (0.0 if is_missing(usual) else usual)
        return f"at most {number_text(math.floor(most) if check == 'product_specks' else most, unit)}"  # specks are counted
    limit = number_text(tolerance, unit)
    if check in AT_MOST_CHECKS or check in AT_LEAST_CHECKS:
        return limit and f"{'at most' if check in AT_MOST_CHECKS else 'at least'} {limit}"
    expected = number_text(finding.get("expected"), unit) if _tells(finding) else ""
    return ", ".join(part for part in (expected and f"expected {expected}", limit and f"tolerance ± {limit}") if part)


def _tells(finding):
    """True where the expected value says more than 'the middle' does."""
    expected, tolerance = finding.get("expected"), finding.get("tolerance")
    if is_missing(expected) or finding.get("unit") == "ratio":
        return False
    return abs(expected) > (0 if is_missing(tolerance) else abs(tolerance) / 5)


def value_text(finding):
    """The measured value of a finding with its unit; as a signed difference where the value expected goes without saying."""
    value, expected, unit = (finding.get(name) for name in ("value", "expected", "unit"))
    if unit == "score":  # how sure a likeness is: for sorting, no measure of the picture
        return ""
    if unit == "ratio":
        return f"{text} the set's" if (text := number_text(value, unit)) else ""
    if finding.get("check") not in SIGNED_CHECKS or _tells(finding):
        return number_text(value, unit)
    return number_text(value if is_missing(expected) or is_missing(value) else value - expected, unit, signed=True)


LEAST_GAIN = 0.007  # a white-balance gain nearer to 1 is within the error of its measure: 95 of 100 lie within (the accuracy table of the guide)
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
    >>> correction_words({"exposure_ev": 0.293, "gain_r": 0.9987, "gain_b": 0.9992, "mired_shift": 0.3})
    ['exposure +0.29 EV']
    """
    parts = []
    for name, unit, digits, words in CORRECTION_PARTS:
        gain, value = name in ("gain_r", "gain_b"), correction.get(name)
        text = number_text(value, unit, not gain, digits)
        least = LEAST_GAIN if gain else 0.5 * 10.0**-digits
        if text and not (name == "mired_shift" and balances_nothing(correction)) and abs(float(value) - gain) > least:
            parts.append(f"{words} {text}")
    levels = [correction.get(name) for name in ("background_from", "background_to")]
    if not any(is_missing(level) for level in levels):
        parts.append(f"background {number_text(levels[0])} to {number_text(levels[1])}")
    sides = [correction.get(f"crop_{side}") for side in ("left", "top", "right", "bottom")]
    if not any(is_missing(side) for side in sides) and list(sides) != [0, 0, 1, 1]:
        left, top, right, bottom = (number_text(side, digits=3) for side in sides)
        parts.append(f"crop {left} to {right} across, {top} to {bottom} down")
    return parts


def balances_nothing(correction):
    """
    Whether a correction's gains change no colour by more than they are known.

    Examples
    --------
    >>> balances_nothing({"gain_r": 1.003, "gain_b": 0.998}), balances_nothing({"gain_r": 1.003, "gain_b": 0.97}), balances_nothing({"gain_r": None})
    (True, False, False)
    """
    gains = [correction.get(name) for name in ("gain_r", "gain_b")]
    return not any(map(is_missing, gains)) and max(abs(gain - 1) for gain in gains) <= LEAST_GAIN


def correction_line(row):
    """The correction's values in one line; says so where there are none."""
    return ", ".join(correction_words(row)) or "by hand: no computed correction"


def column_unit(table, name):
    """Unit of a column as the schema gives it; empty for an unknown one."""
    return next((column.unit for column in TABLES.get(table, ()) if column.name == name), "")
