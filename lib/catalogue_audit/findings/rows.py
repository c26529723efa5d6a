"""Rows of the findings and marks tables, and the words they are written in."""

import math

from catalogue_audit import schema

VIEW_WORDS = {"three_quarter": "three-quarter"}
ANGLED_NAMES = ("three_quarter", "side", "top", "base", "worn")  # adjectives that need "view" after them


def finding(check, note, frame=None, **given):
    """
    One row of the findings table.

    Parameters
    ----------
    check : str
        Key of `schema.CHECKS`; gives severity, remedy and unit where not given.
    note : str
        One plain sentence: what is wrong, by how much, what to do.
    frame : mapping, optional
        Row of the frames table; gives ``file``, ``sku`` and ``view``.
    **given
        Any other column of the findings table.

    Returns
    -------
    dict
    """
    rule = schema.CHECKS[check]
    row = {
        "check": check,
        "severity": rule.severity,
        "remedy": rule.remedy,
        "unit": rule.unit or None,
        "note": note,
    }
    if frame is not None:
        row.update(file=text(frame.get("file")), sku=text(frame.get("sku")), view=text(frame.get("view")))
    row.update({name: value for name, value in given.items() if value is not None})
    return row


def excess(row):
    """
    How far beyond its tolerance a finding lies: |value - expected| / tolerance; 0 where not a number.

    Examples
    --------
    >>> excess({"value": 3.0, "expected": 1.0, "tolerance": 1.0})
    2.0
    """
    value, expected, tolerance = (number(row.get(name)) for name in ("value", "expected", "tolerance"))
    if value is None or not tolerance:
        return 0.0
    return abs(value - (expected or 0.0)) / tolerance


def number(value):
    """A finite float, or None."""
    if value is None:
        return None
    try:
        value = float(value)
    except (TypeError, ValueError):
        return None
    return value if math.isfinite(value) else None


def text(value):
    """A string, or None where unknown."""
    if value is None or value != value or value == "":
        return None
    return str(value)


def called(frame):
    """
    What a sentence calls a picture: view and SKU where its name gives both, else the file.

    Examples
    --------
    >>> called({"file": "a.jpg", "sku": "BAG-1", "view": "three_quarter", "position": None})
    'three-quarter view of BAG-1'
    >>> called({"file": "a.jpg", "sku": "BAG-1", "view": "detail", "position": 2})
    'detail 2 of BAG-1'
    """
    sku, view = text(frame.get("sku")), text(frame.get("view"))
    if sku is None or view is None:
        return f"picture {plain(frame.get('file'))}"
    place = number(frame.get("position"))
    numbered = f" {place:.0f}" if place is not None else ""
    return f"{view_noun(view)}{numbered} of {plain(sku)}"


def view_noun(view):
    """
    A view as a sentence names it.

    Examples
    --------
    >>> view_noun("three_quarter"), view_noun("front")
    ('three-quarter view', 'front')
    """
    return view_words(view) + (" view" if view in ANGLED_NAMES else "")


def view_words(view):
    """
    A view's name as a reader says it.

    Examples
    --------
    >>> view_words("three_quarter"), view_words("front")
    ('three-quarter', 'front')
    """
    return VIEW_WORDS.get(view, plain(view).replace("_", " "))


def check_words(check):
    """A check's name as a reader says it."""
    return plain(check).replace("_", " ")


def plain(value):
    """Text of the delivery on one line, without control characters (it is data, and shown as data)."""
    return "".join(c if c.isprintable() else "?" for c in str(value))


def sentence(words):
    """First letter large, one full stop at the end."""
    words = words.strip()
    return words[:1].upper() + words[1:].rstrip(".") + "."


def listed(names, most=4, of=None):
    """
    Names for a sentence, the first few of them; `of` is how many there are, where `names` holds only the first.

    Examples
    --------
    >>> listed(["a", "b", "c"], most=2)
    'a, b and 1 more'
    """
    names = list(names)
    total = len(names) if of is None else of
    names = [plain(name) for name in names[:most]]
    if total <= most:
        return " and ".join([", ".join(names[:-1]), names[-1]] if len(names) > 1 else names)
    return f"{', '.join(names)} and {total - most} more"


def counted(number_of, noun):
    """
    A number with its noun.

    Examples
    --------
    >>> counted(1, "picture"), counted(3, "picture")
    ('1 picture', '3 pictures')
    """
    return f"{number_of} {noun}" if number_of == 1 else f"{number_of} {noun}s"
