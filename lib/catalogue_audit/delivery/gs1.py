"""GS1 check digits: the last figure of a GTIN proves the others."""

import re

GTIN_LENGTHS = (8, 12, 13, 14)  # GS1 General Specifications: GTIN-8, -12, -13, -14


def gs1_check_digit(body):
    """
    Check digit of a GS1 key, modulo 10 with weights 3 and 1 from the right.

    Parameters
    ----------
    body : str
        The key without its check digit, digits only.

    Returns
    -------
    int

    Raises
    ------
    ValueError
        If ``body`` holds anything but the digits 0 to 9.

    References
    ----------
    .. [1] GS1 General Specifications, "Check digit calculations".

    Examples
    --------
    >>> gs1_check_digit("629104150021")
    3
    """
    if not body.isascii() or not body.isdigit():
        msg = f"body must hold digits only, got {body!r}"
        raise ValueError(msg)
    total = sum(int(digit) * (1 if place % 2 else 3) for place, digit in enumerate(reversed(body)))
    return -total % 10


def gtin_check_digit_ok(text):
    """
    Whether ``text`` is a GTIN of 8, 12, 13 or 14 digits that ends in its right check digit.

    Spaces and hyphens between the digits do not count.

    >>> gtin_check_digit_ok("6291041500213"), gtin_check_digit_ok("6291041500231")
    (True, False)
    """
    digits = "".join(char for char in text if char not in " -")
    if len(digits) not in GTIN_LENGTHS or not digits.isascii() or not digits.isdigit():
        return False
    return gs1_check_digit(digits[:-1]) == int(digits[-1])


# Image file names by the GS1 Product Image Specification: GTIN in 14 digits, then image type,
# facing, angle and state. The code letters were read at second hand.
_NAME = re.compile(r"(\d{14})_([A-E])(\d)([CLRN])([0-9A-Z])", re.IGNORECASE | re.ASCII)
_FACING = {"1": "front", "2": "side", "3": "top", "7": "back", "8": "side", "9": "base"}


def read_gs1_name(stem):
    """
    GTIN, view and code of a file named by the GS1 Product Image Specification.

    Parameters
    ----------
    stem : str
        File name without extension.

    Returns
    -------
    tuple of str or None
        GTIN of 14 digits; view, empty where the code names none; the code.

    Examples
    --------
    >>> read_gs1_name("09520000000011_A7N1")
    ('09520000000011', 'back', 'A7N1')
    """
    found = _NAME.fullmatch(stem)
    if not found:
        return None
    gtin, _, facing, angle, _ = found.groups()
    view = _FACING.get(facing, "")
    if view == "front" and angle.upper() in "LR":
        view = "three_quarter"
    return gtin, view, stem[15:]
