"""
What the parts of a SKU tell of styles and colourways, where no products file does; text alone, so that any process can be asked.

The colourways of a style are mostly numbered alike and end differently (common practice, no source). Which tables ask what is in `styles`.
"""

import re

COLOUR = re.compile(r"(?<=\d)[-_. ][A-Za-z]+$")
LAST_PART = re.compile(r"(?<=[^-_. ])[-_. ]+[^-_. ]*$")


def sure_stem(sku):
    """
    A SKU without a last part of letters behind a number, which names a colour.

    Parameters
    ----------
    sku : str

    Examples
    --------
    >>> [sure_stem(sku) for sku in ("AL-1101-BLK", "610-77-A", "610-77-12", "AL-BLK", "TR5501")]
    ['AL-1101', '610-77', '610-77-12', 'AL-BLK', 'TR5501']
    """
    return COLOUR.sub("", sku)


def likely_stem(sku):
    """
    A SKU without its last part, whatever that is but the only number, as in 'BAG-04': that tells products apart, and no colours.

    Parameters
    ----------
    sku : str

    Examples
    --------
    >>> [likely_stem(sku) for sku in ("AL-1101-BLK", "AL-1101_12", "AL-BLK", "BAG-04", "TR5501")]
    ['AL-1101', 'AL-1101', 'AL', 'BAG-04', 'TR5501']
    """
    stem = possible_stem(sku)
    numbered = _has_digit(sku[len(stem) :]) and not _has_digit(stem)
    return sku if numbered else stem


def _has_digit(text):
    return any(map(str.isdigit, text))


def possible_stem(sku):
    """
    A SKU without its last part, whatever that is; a SKU of one part is its own stem.

    Parameters
    ----------
    sku : str

    Examples
    --------
    >>> [possible_stem(sku) for sku in ("AL-1101-BLK", "AL-1101_12", "AL-BLK", "BAG-04", "TR5501")]
    ['AL-1101', 'AL-1101', 'AL', 'BAG', 'TR5501']
    """
    return LAST_PART.sub("", sku)


def may_be_colourways(one, other):
    """
    Whether two SKUs differ in their last part alone: what is allowed to the colourways of a style is allowed to these.

    Parameters
    ----------
    one, other : str or missing

    Examples
    --------
    >>> may_be_colourways("AL-1101-BLK", "AL-1101-TAN"), may_be_colourways("T5504", "T5512"), may_be_colourways("BAG", "BAG-04")
    (True, False, False)
    """
    if not (isinstance(one, str) and isinstance(other, str)):
        return False
    stem = possible_stem(one)
    return stem == possible_stem(other) and stem not in (one, other)
