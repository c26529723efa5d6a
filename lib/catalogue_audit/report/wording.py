"""
Words for people: titles of checks, remedies and views, text made harmless.

Names, Exif and CSV cells come from outside. `plain_text` makes any of them
visible text of bounded length; escaping for HTML or PDF is the next layer's.
"""

import unicodedata

TEXT_LIMIT = 240  # characters shown of one outside text
NOTE_LIMIT = 1200  # of a sentence of our own about a finding: it ends with what to do
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


def finding_title(finding):
    """Title of a finding: of its check, but for pictures that may be there under names that do not say so."""
    if finding["check"] == "missing_view" and finding["remedy"] == "rename":
        return "Views not named"
    return check_title(finding["check"])


def remedy_title(remedy):
    """Title of a remedy as an instruction."""
    return REMEDY_TITLES.get(remedy, plain_text(remedy))


def verdict_words(verdict):
    """
    Verdict of a product or delivery within a line, in the same words everywhere.

    >>> verdict_words("return")
    'send back'
    """
    title = VERDICT_TITLES.get(verdict)
    return title.lower() if title else plain_text(verdict)


def view_title(view):
    """View name as people say it: underscores become blanks."""
    view = plain_text(view)
    return VIEW_TITLES.get(view, view.replace("_", " "))
