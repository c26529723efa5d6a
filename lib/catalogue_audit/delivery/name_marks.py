"""Marks in a name besides SKU and view: numbers, sizes, rounds of work, copies."""

import re
from typing import NamedTuple

from catalogue_audit.delivery.view_words import COPIES, NEVER_SKU, NOISE, NUMBERED_ROUNDS, RENDITIONS, ROUNDS

# Four characters and four digits, as JEITA CP-3461 (DCF) names a camera's files, with the
# usual beginnings only, since an SKU may have that shape too; and what tethering
# software and phones write. Common practice, no source.
CAMERA_NAME = re.compile(
    r"(_mg[ -]?[0-9]+|_?mg_[0-9]+|_?(dsc[fn]?|img[ep]?|mvi|pict?|sam|cimg|hpim|dcp|dcim|capture|untitled|scan|frame)"
    r"([ _-][0-9]{3,}|[0-9]{4,}))([ _-][0-9]+)*|p[0-9a-c][0-9]{6}|_[a-z0-9]{3}[0-9]{4}|[0-9]{3}[_-][0-9]{4}"
    r"|(19|20)[0-9]{6}[_-][0-9]{6}([_-]?[0-9]+)?",
    re.IGNORECASE,
)

_COPY_NUMBER = re.compile(r"\s*\(([0-9]{1,3})\)\s*$")
_DENSITY = re.compile(r"@([1-4])x$", re.IGNORECASE)
_SIZE = re.compile(r"[0-9]{2,5}x[0-9]{2,5}(px)?|[0-9]{3,5}(px|w|h)|[wh][0-9]{3,5}|[0-9]{2,4}(dpi|ppi)|[1-9][0-9]{3,4}")
DATE = re.compile(r"(19|20)[0-9]{2}[-_. ](0[1-9]|1[0-2])[-_. ][0-3][0-9]")
_DAY = re.compile(r"(19|20)[0-9]{2}(0[1-9]|1[0-2])(0[1-9]|[12][0-9]|3[01])")
_ROUND = re.compile(r"([a-z]+)([0-9]{0,3})")
NUMBER = re.compile(r"[0-9]{1,2}|0[0-9]{2,3}")


class Tail(NamedTuple):
    """What follows SKU and view."""

    position: int | None = None
    rendition: str = ""
    round: str = ""
    round_order: int = 0
    copy: int = 0
    extra: str = ""


def without_marks(text, known):
    """
    Take '(1)' and '@2x' off the end, unless a known SKU ends so.

    Returns
    -------
    text : str
    copy : int
        The number in brackets, 0 where there is none.
    density : str
        '@2x' or an empty text.
    """
    copy, density = 0, ""
    while not known.match(text):
        if not copy and (found := _COPY_NUMBER.search(text)) and found.start():
            copy, text = max(1, int(found[1])), text[: found.start()]
        elif not density and (found := _DENSITY.search(text)) and found.start():
            density, text = found[0].lower(), text[: found.start()]
        else:
            break
    return text, copy, density


def is_mark(word):
    """True for a folded word that is neither SKU nor view: a number, a size, a round, a copy."""
    found = _ROUND.fullmatch(word)
    return bool(
        NUMBER.fullmatch(word)
        or _SIZE.fullmatch(word)
        or word in RENDITIONS
        or word in NOISE
        or (found and (found[1] in ROUNDS or found[1] in COPIES or (found[1] in NUMBERED_ROUNDS and found[2])))
    )


def strip_marks(words):
    """Words of an SKU without the marks behind it that no SKU has."""
    while len(words) > 1 and (
        words[-1].folded.rstrip("0123456789") in NEVER_SKU
        or re.fullmatch(r"[0-9]{2,5}x[0-9]{2,5}(px)?", words[-1].folded)
    ):
        words = words[:-1]
    return words


def without_beginning(text, words):
    """
    Words of an SKU without what a camera, a date or an export put in front of it.

    ``DSC_0012_BG-104`` is the product BG-104, ``IMG_BG-104`` and ``web_BG-104`` too. What
    would leave nothing that looks like an SKU stays: ``IMG_1234``, ``20240315-BLK``.

    Parameters
    ----------
    text : str
        The component they were taken from.
    words : list of Word

    Returns
    -------
    list of Word
        The last ones of ``words``, at least one.
    """
    for count in (3, 2, 1):
        rest = words[count:]
        if _all_figures(rest):
            continue
        before = text[words[0].start : words[count - 1].end]
        if before[:1].isalpha() and CAMERA_NAME.fullmatch(before):
            return rest
        if any(map(_coded, rest)) and (DATE.fullmatch(before) or _DAY.fullmatch(before)):
            return rest
    first, rest = words[0].folded if words else "", words[1:]
    if (first in NOISE or first in NEVER_SKU) and any(map(_coded, rest)) and not _all_figures(rest):
        return without_beginning(text, rest[rest[0].folded == "of" :])
    return words


def _all_figures(words):
    """True also where there is no word."""
    return all(word.folded.isdigit() for word in words)


def _coded(word):
    return any(map(str.isdigit, word.folded))


def read_tail(text, words, tail):
    """
    Sort the words around SKU and view into number, rendition, round, copy, and the rest.

    Parameters
    ----------
    text : str
        The component they were taken from.
    words : list of Word
    tail : Tail
        What is known already; a second number is not a position.

    Returns
    -------
    Tail
    """
    extra, place = [], 0
    while place < len(words):
        word = words[place]
        following = words[place + 1].folded if place + 1 < len(words) else ""
        folded, found = word.folded, _ROUND.fullmatch(word.folded)
        place += 1
        foreign = _foreign_number(text, words[place - 1 :])
        if foreign:
            extra.append(text[word.start : words[place + foreign - 2].end])
            place += foreign - 1
        elif NUMBER.fullmatch(folded) and tail.position is None:
            tail = tail._replace(position=int(folded))
        elif folded in RENDITIONS or _SIZE.fullmatch(folded):
            tail = tail._replace(rendition=" ".join(filter(None, (tail.rendition, folded))))
        elif found and found[1] in COPIES:
            number = found[2] or (following if NUMBER.fullmatch(following) else "")
            place += bool(number and not found[2])
            tail = tail._replace(copy=max(1, int(number or 1)))
        elif found and (
            found[1] in ROUNDS or (found[1] in NUMBERED_ROUNDS and (found[2] or NUMBER.fullmatch(following)))
        ):
            number = found[2]
            if not number and found[1] in NUMBERED_ROUNDS | {"final"} and NUMBER.fullmatch(following):
                number, place = following, place + 1
            order = ROUNDS.get(found[1], 0) + int(number or 0)
            label = " ".join(filter(None, (tail.round, found[1] + number)))
            tail = tail._replace(round=label, round_order=max(order, tail.round_order))
        elif folded not in NOISE:
            extra.append(text[word.start : word.end])
    return tail._replace(extra=" ".join(filter(None, (tail.extra, *extra))))


def _foreign_number(text, words):
    """How many words make a date or a camera's file name, which are no positions: '2026-03-31', 'IMG_1234'."""
    for count, pattern in ((3, DATE), (2, CAMERA_NAME)):
        if len(words) >= count and pattern.fullmatch(text[words[0].start : words[count - 1].end]):
            return count
    return 0
