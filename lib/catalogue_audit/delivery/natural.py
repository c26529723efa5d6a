"""Natural order: picture 9 before picture 10, the same on every machine."""

import re
import unicodedata

_DIGITS = re.compile(r"([0-9]+)")


def natural_key(name):
    """
    Sort key that puts ``img_9`` before ``img_10``, folder by folder.

    Letters compare without case, runs of digits by their value. Names that
    differ only by case, leading zeros or Unicode form are told apart by the
    name itself, so the order never depends on where the list came from.

    Parameters
    ----------
    name : str
        Path with ``/`` separators.

    Returns
    -------
    tuple
        Compare only with other keys of this function.

    Examples
    --------
    >>> sorted(["b/img_10.jpg", "b/IMG_9.jpg", "a/2.jpg"], key=natural_key)
    ['a/2.jpg', 'b/IMG_9.jpg', 'b/img_10.jpg']
    """
    folded = unicodedata.normalize("NFC", name).casefold()
    return tuple(_component_key(part) for part in folded.split("/")), name


def _component_key(part):
    # a number is compared by length, then by digits: int() refuses very long ones
    pieces = _DIGITS.split(part)
    return tuple(
        (0, len(piece.lstrip("0")), piece.lstrip("0")) if place % 2 else (1, 0, piece)
        for place, piece in enumerate(pieces)
        if place % 2 or piece
    )
