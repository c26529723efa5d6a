"""
File names → SKU, view, position, and what is left over.

One name is read by itself, with the brief and the known SKUs: an added file
never changes how another is read. Where a name can be read in two ways, the
known SKUs decide, then the separators (``AB-2024-03_front`` keeps its ``03``),
then the usual order: SKU, number, view, number.
"""

import re
import unicodedata
from collections import defaultdict
from typing import NamedTuple

from catalogue_audit.delivery.gs1 import read_gs1_name
from catalogue_audit.delivery.name_folders import has_digit, number_in_folder, read_folders
from catalogue_audit.delivery.name_marks import CAMERA_NAME, DATE
from catalogue_audit.delivery.name_patterns import compiled_pattern, match_pattern
from catalogue_audit.delivery.name_reading import (
    read_component,
    sku_in_view_folder,
    trailing_letter,
    trailing_number,
)
from catalogue_audit.delivery.name_suggestions import named_part, nearest_sku, nearest_view
from catalogue_audit.delivery.name_words import KnownSkus, Vocabulary
from catalogue_audit.delivery.shown import read_as_text
from catalogue_audit.delivery.view_words import ANY_PRODUCT, PART_OF_NAMES


class NameFacts(NamedTuple):
    """What one file name says; empty where it says nothing."""

    file: str
    sku: str = ""
    view: str = ""
    position: int | None = None  # None where the name carries no number
    problem: str = ""  # why SKU or view stay empty, in plain words
    suggestion: str = ""  # the nearest view or SKU, for a person to confirm
    rendition: str = ""  # size, use or quality of an export: '1200x1200', 'web', '@2x'
    round: str = ""  # round of work: 'v2', 'final2', 'retouched'
    round_order: int = 0  # higher is newer
    copy: int = 0  # 1 for 'name (1)' or 'name copy': made by a computer, not by a photographer
    strap: str = ""  # 'with' or 'without' where the name says so
    extra: str = ""  # what else the name says of the picture: 'zip', 'left'
    view_kind: str = "other"  # of the view, by the brief


class Reader(NamedTuple):
    """All that reading one name needs; made once by `name_reader`."""

    vocabulary: Vocabulary
    known: KnownSkus
    numbered: tuple  # view names of 01, 02, 03 ...
    several: frozenset  # views of which a product may have more than one picture
    patterns: tuple


# Characters without a width and marks of writing direction (Unicode general category Cf), which come along where names are copied from pages.
_UNSEEN = dict.fromkeys((0x00AD, 0x061C, *range(0x200B, 0x2010), *range(0x202A, 0x202F), *range(0x2060, 0x2065), *range(0x2066, 0x206A), 0xFEFF))

NOTHING = "The name gives neither SKU nor view."
NO_SKU = "The name gives a view but no SKU."
NO_VIEW = "The name gives an SKU but no view."
NUMBER_ONLY = "The name carries a number and no view; say in the brief what the numbers mean (views.numbered)."
NUMBER_BEYOND = "The number in the name is not in the brief's list (views.numbered)."
MOST_PICTURES = 30  # of one product; a higher number without a view word counts something else
CAMERA = "The name is the camera's own; it says nothing about SKU or view."


_WORDS = re.compile(r"[^\W_]+")
_SPACE = re.compile(r"\s")
_QUARTERS = re.compile("¾|3[⁄∕]4")


def name_reader(brief, known_skus=()):
    """
    Prepare for reading names.

    Parameters
    ----------
    brief : Brief
        Its ``views`` and ``names`` are used.
    known_skus : iterable of str, or mapping of str to str
        SKUs of the products file. A mapping gives, for each written form (a
        GTIN, say), the SKU it stands for.

    Returns
    -------
    Reader
    """
    spellings = brief.views.spellings()
    vocabulary = Vocabulary.of(spellings, {view: brief.kind_of(view) for view in spellings})
    several = frozenset(view for view, (_, most) in brief.views.counts.items() if most > 1)
    patterns = tuple(compiled_pattern(pattern, spellings) for pattern in brief.names.patterns)
    return Reader(vocabulary, KnownSkus.of(known_skus), tuple(brief.views.numbered), several, patterns)


def read_names(entry_names, brief, known_skus=()):
    """
    Read every name; each result depends on its own name alone.

    Parameters
    ----------
    entry_names : iterable of str
        Paths relative to the delivery, ``/`` separators.
    brief, known_skus
        As in `name_reader`.

    Returns
    -------
    list of NameFacts
        In the order given.
    """
    reader = name_reader(brief, known_skus)
    return [read_name(name, reader) for name in entry_names]


def read_name(name, reader):
    """
    Read one file name.

    Parameters
    ----------
    name : str
        Path relative to the delivery.
    reader : Reader

    Returns
    -------
    NameFacts
        Never raises; ``problem`` says what could not be told. A known SKU is
        given as the products file writes it, any other as the name does, but for characters that nobody sees
        and bytes that are not UTF-8 (see `shown.read_as_text`).
    """
    path = _QUARTERS.sub("3-4", unicodedata.normalize("NFC", read_as_text(name).translate(_UNSEEN))).replace("\\", "/")
    *folders, base = [part for part in path.split("/") if part.strip()] or [""]
    stem = _without_extension(base)
    facts = _by_pattern(folders, stem, reader) or _by_gs1(stem, reader) or _by_shape(folders, stem, reader)
    return facts._replace(file=name, view_kind=reader.vocabulary.kinds.get(facts.view, "other"))


def sku_key(sku):
    """
    The form in which SKUs are compared: without case, Unicode NFC.

    >>> sku_key("AB-12") == sku_key("ab-12")
    True
    """
    return unicodedata.normalize("NFC", sku).casefold()


def claims(name_facts):
    """
    Files that claim the same place: SKU, view and position.

    A file without a number claims position 1. Exports of one picture in several
    sizes, rounds of retouching, and files whose names describe different things
    (``detail_zip``, ``detail_lock``) do not contend.

    Parameters
    ----------
    name_facts : iterable of NameFacts

    Returns
    -------
    dict
        (sku key, view, position) → tuple of file names, where more than one file claims it.
    """
    places = defaultdict(list)
    for facts in name_facts:
        if facts.sku and facts.view:
            position = 1 if facts.position is None else facts.position
            described = (facts.rendition, facts.round, facts.strap, facts.extra.casefold())
            places[(sku_key(facts.sku), facts.view, position), described].append(facts.file)
    contended = defaultdict(list)
    for (place, _), files in places.items():
        if len(files) > 1:
            contended[place].extend(files)
    return {place: tuple(sorted(files)) for place, files in sorted(contended.items())}


def _without_extension(base):
    base = base.rstrip(" .\t\r\n")
    stem, dot, suffix = base.rpartition(".")
    return stem if dot and stem and suffix.isalnum() and suffix.isascii() and len(suffix) <= 5 else base


def _by_pattern(folders, stem, reader):
    for pattern in reader.patterns:
        found = match_pattern(pattern, folders, stem)
        if found is None:
            continue
        sku = reader.known.match(found.sku) or found.sku
        if found.view is not None:
            view = reader.vocabulary.view_of(found.view)
            if not view:
                continue
            return NameFacts("", sku, view, found.position, _missing_sku(sku, view, reader))
        if found.position is not None:
            view, position = _numbered_view(found.position, reader)
            problem = _missing_sku(sku, view, reader) if view else _number_problem(reader)
            return NameFacts("", sku, view, position, problem)
        return NameFacts("", sku, problem=NO_VIEW)
    return None


def _by_gs1(stem, reader):
    found = read_gs1_name(stem)
    if found is None:
        return None
    gtin, view, code = found
    forms = (gtin, gtin.lstrip("0"), gtin[1:], gtin[2:])
    sku = next(filter(None, map(reader.known.match, forms)), gtin)
    return NameFacts("", sku, view, problem="" if view else NO_VIEW, extra=code)


def _by_shape(folders, stem, reader):
    reading = read_component(stem, reader.vocabulary, reader.known)
    around = read_folders(folders, reader.vocabulary, reader.known)
    if around.view and _folder_decides(reading, around, reader):
        facts = _in_view_folder(reading, around, reader)
    elif reading.view:
        facts = _with_view(reading, around, reader)
    else:
        facts = _without_view(reading, around, reader)
    if facts.copy and facts.position is None and facts.view in reader.several:
        return facts._replace(position=facts.copy, copy=0)  # 'detail (2)' is the second detail
    return facts


def _folder_decides(reading, around, reader):
    """Whether the folder's view counts more than the file's; 'front/STRAP-BAG-1' is no strap."""
    if reading.trust < 2 or _is_part_of_name(reading):
        return True
    if around.view == reading.view:
        return reading.prefix < 1
    # in a folder 'detail' or 'worn', a file named 'front' shows a detail of the front
    return reading.prefix < 2 or reader.vocabulary.kinds.get(around.view) in ("crop", "worn", "target")


def _is_part_of_name(reading):
    """'TOTE_SIDE_1': the figures that make an SKU come after the word."""
    return reading.view in PART_OF_NAMES and not reading.sku_known and not has_digit(reading.sku)


def _facts(sku, view, tail, problem="", suggestion="", strap="", extra=None):
    return NameFacts(
        "", sku, view, tail.position, problem, suggestion, tail.rendition, tail.round, tail.round_order, tail.copy,
        strap, tail.extra if extra is None else extra,
    )  # fmt: skip


def _with_view(reading, around, reader):
    sku, extra, tail = reading.sku, reading.tail.extra, reading.tail
    number = number_in_folder(sku, around.sku)
    if number is not None:  # 'BG-104/12_front', 'BG-104/bag_12_front'
        sku, tail = "", tail._replace(position=number if tail.position is None else tail.position)
    camera = CAMERA_NAME.fullmatch(sku)
    says_nothing = camera or _is_any_product(sku)
    if not reading.sku_known and around.sku:
        weaker = not has_digit(sku) and has_digit(around.sku)
        if not sku or says_nothing or around.sku_known or weaker:
            differs = sku and not _is_any_product(sku) and sku_key(sku) != sku_key(around.sku)
            extra = " ".join(filter(None, (sku if differs else "", extra)))
            sku, says_nothing = around.sku, False
    sku = "" if says_nothing else sku
    problem = _missing_sku(sku, reading.view, reader)
    return _facts(sku, reading.view, tail, problem, strap=reading.strap, extra=extra)


def _in_view_folder(reading, around, reader):
    """``view/SKU.jpg``, ``view/SKU_2.jpg``, ``SKU/view/01.jpg``."""
    tail, view = reading.tail, around.view
    described = " ".join(filter(None, (reading.view, tail.extra))) if reading.view else tail.extra
    if reading.sku_known:
        return _facts(reading.sku, view, tail, strap=reading.strap, extra=described)
    if reading.view and reading.trust >= 2 and reading.prefix == 2 and not _is_part_of_name(reading):
        sku = around.sku if not reading.sku or around.sku_known else reading.sku
        return _facts(sku, view, tail, _missing_sku(sku, view, reader), strap=reading.strap, extra=described)
    text = reading.rest
    if reading.view:
        tail = tail._replace(position=None, round="", round_order=0, extra="")  # was read as if 'SIDE' were the view
    rest, number = trailing_number(text, reader.vocabulary)
    camera = CAMERA_NAME.fullmatch(text) is not None
    short = number is not None and not rest and (around.sku or len(text) <= 2)  # '01', but an SKU '007'
    if camera or short or not text:
        position = number if short else tail.position
        problem = _missing_sku(around.sku, view, reader)
        return _facts(around.sku, view, tail._replace(position=position), problem, extra=text if camera else tail.extra)
    if around.sku and (around.sku_known or (has_digit(around.sku) and not has_digit(text))):
        return _facts(around.sku, view, tail, extra=text)
    sku, number = sku_in_view_folder(text, reader.vocabulary)
    return _facts(sku, view, tail if number is None else tail._replace(position=number))


def _without_view(reading, around, reader):
    """``SKU/01.jpg``, ``SKU_2.jpg``, ``SKU_B.jpg`` through the brief's list; without it the product alone."""
    tail = reading.tail
    sure = reading.sku if reading.sku_known else around.sku if around.sku_known else ""
    if CAMERA_NAME.fullmatch(reading.rest):
        sku = sure or _code(around.sku)
        return _facts(sku, "", tail, NO_VIEW if sku else CAMERA)
    sku, number = reading.sku, tail.position
    if not reading.sku_known:
        rest, number = _counted(reading.rest, tail, reader)
        sku = around.sku if around.sku_known or not rest or _is_any_product(rest) else rest
    elif number is None and reader.numbered and not tail.extra:
        number = tail.copy or 1  # 'SKU.jpg' beside 'SKU_2.jpg'
    if number is None:
        return _unread(reading, around, sure, reader)
    view, position = _numbered_view(number, reader)
    if view:
        return _facts(sku, view, tail._replace(position=position), _missing_sku(sku, view, reader))
    sku = sku if reader.numbered else sure or (_code(sku) if number <= MOST_PICTURES else "")
    return _facts(sku, "", tail._replace(position=None), _number_problem(reader))


def _counted(text, tail, reader):
    """``SKU_2``, ``SKU (2)`` and, where the brief numbers the views, ``SKU_B``: what stands before, and the number."""
    rest, number = trailing_number(text, reader.vocabulary)
    if number is None and reader.numbered:
        rest, number = trailing_letter(text, reader.vocabulary)
    counts = tail.copy and (reader.numbered or not _SPACE.search(rest))  # 'Emilia 24 (2)' is a copy of a title
    return (rest, tail.copy) if number is None and counts else (rest, number)


def _code(text):
    """``text`` where it looks like an SKU by itself: with a figure in it, and neither a date nor a camera's name."""
    sure = has_digit(text) and not CAMERA_NAME.fullmatch(text) and not DATE.search(text)
    return text if sure else ""


def _unread(reading, around, sure, reader):
    """No view and no number: a part of the bag is its detail; else the nearest view word, if one is near."""
    part, before = named_part(reading.tail.extra if reading.sku_known else reading.rest)
    sku = sure or _code(before) or ("" if before else around.sku)
    if part and sku and "detail" in reader.vocabulary.kinds:
        return _facts(sku, "detail", reading.tail, extra=part)
    written, view, before = nearest_view(reading.tail.extra if reading.sku_known else reading.rest, reader.vocabulary)
    if view:
        sku = sure or (before if has_digit(before) else around.sku if not before else "")
        return _facts(sku, "", reading.tail, f"No view is called '{written}'.", view, extra="")
    if sure:
        return _facts(sure, "", reading.tail, NO_VIEW)
    return _facts("", "", reading.tail, NOTHING, nearest_sku(reading.rest, reader.known), extra="")


def _number_problem(reader):
    return NUMBER_BEYOND if reader.numbered else NUMBER_ONLY


def _missing_sku(sku, view, reader):
    return "" if sku or reader.vocabulary.needs_no_sku(view) else NO_SKU


def _numbered_view(number, reader):
    """The view of the brief's list, and which picture of that view it is."""
    if not 1 <= number <= len(reader.numbered):
        return "", None
    view = reader.numbered[number - 1]
    return view, reader.numbered[:number].count(view)


def _is_any_product(text):
    words = [word.lower() for word in _WORDS.findall(text)]
    return all(word in ANY_PRODUCT for word in words)
