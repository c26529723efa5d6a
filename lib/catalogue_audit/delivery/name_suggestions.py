"""The nearest view or SKU to what a name holds, for a person to confirm."""

import difflib
import re
from functools import lru_cache

from catalogue_audit.delivery.view_words import NOT_MISSPELT, PARTS, fold

NEAR = 0.75  # difflib's ratio: one letter wrong in four
MOST_COMPARED = 400  # known SKUs compared with one name

_WORD = re.compile(r"[^\W\d_]{4,20}")
_LAST_WORD = re.compile(r"(?:^|[\W_])([^\W\d_]{3,20})$")


def nearest_view(text, vocabulary):
    """
    The last word of ``text`` that nearly spells a view.

    Returns
    -------
    written, view, before : str
        The word as written, the view it may mean, and what stands before it;
        all empty where no word is near.
    """
    for found in reversed(list(_WORD.finditer(text))[-8:]):
        view = _near_view(fold(found[0]), vocabulary)
        if view:
            return found[0], view, text[: found.start()].rstrip(" _.-")
    return "", "", ""


def named_part(text):
    """
    The part of a bag that the last word of ``text`` names, and what stands before it; both empty where it names none.

    >>> named_part("BG-104_zip"), named_part("BG-104_hero")
    (('zip', 'BG-104'), ('', ''))
    """
    words = list(_LAST_WORD.finditer(text))
    if not words or fold(words[-1][1]) not in PARTS:
        return "", ""
    return words[-1][1], text[: words[-1].start(1)].rstrip(" _.-")


def _near_view(word, vocabulary):
    if word in NOT_MISSPELT:
        return ""
    near = _nearest_spelling(word, vocabulary.single_words)
    return vocabulary.views[(near,)] if near else ""


@lru_cache(maxsize=4096)  # one misspelling usually runs through a whole delivery
def _nearest_spelling(word, spellings):
    alike = [
        other
        for other in spellings
        if abs(len(other) - len(word)) <= 2 and (other[0] == word[0] or other[-1] == word[-1])
    ]
    near = difflib.get_close_matches(word, alike, n=1, cutoff=NEAR)
    return near[0] if near else ""


def nearest_sku(text, known):
    """The known SKU most like ``text``, or an empty text."""
    key = "".join(filter(str.isalnum, text.casefold()))
    if len(key) < 4:
        return ""
    alike = [other for other in known.by_start.get(key[:3], ())[:MOST_COMPARED] if abs(len(other) - len(key)) <= 8]
    near = difflib.get_close_matches(key, alike, n=1, cutoff=NEAR)
    if not near:
        return ""
    found = known.by_key[near[0]]
    return found if isinstance(found, str) else found[0]
