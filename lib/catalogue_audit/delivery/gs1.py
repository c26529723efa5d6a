"""GS1 check digits: the last figure of a GTIN proves the others."""

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
