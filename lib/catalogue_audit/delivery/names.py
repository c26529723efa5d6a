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

from catalogue_audit.delivery.name_parts import (
    CAMERA_STEM,
    Vocabulary,
    is_sorting_folder,
    read_tail,
    split_stem,
)
from catalogue_audit.delivery.name_skus import KnownSkus
from catalogue_audit.delivery.name_suggestions import suggest


class NameFacts(NamedTuple):
    """What one file name says; empty where it says nothing."""

    file: str
    sku: str = ""
    view: str = ""
    position: int | None = None  # as written; None where the name carries no number
    problem: str = ""  # why SKU or view stay empty, in plain words
    suggestion: str = ""  # the nearest reading, for a person to confirm
    rendition: str = ""  # size, use or quality of an export: '1200x1200', 'web', '@2x'
    round: str = ""  # round of work: 'v2', 'final2', 'retouched'
    round_order: int = 0  # higher is newer, among files with the same reading
    copy: int = 0  # 1 for 'name (1)' or 'name copy': made by a computer, not by a photographer
    strap: str = ""  # 'with', 'without' where the name says so
    extra: str = ""  # what else the name says of the picture: 'zip', 'left'


class Reader(NamedTuple):
    """All that reading one name needs; made once by `name_reader`."""

    vocabulary: Vocabulary
    known: KnownSkus
    numbered: tuple  # view names of 01, 02, 03 ...
    patterns: tuple  # compiled patterns of the brief


NOTHING = "The name gives neither SKU nor view."
NO_SKU = "The name gives a view but no SKU."
NO_VIEW = "The name gives an SKU but no view."
NUMBER_ONLY = "The name carries a number and no view; say in the brief what the numbers mean (views.numbered)."
NUMBER_BEYOND = "The number in the name is not in the brief's list (views.numbered)."
CAMERA_NAME = "The name is the camera's own and says nothing about SKU or view."


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
    vocabulary = Vocabulary.of(brief.views.spellings())
    patterns = tuple(_compiled(pattern) for pattern in brief.names.patterns)
    return Reader(vocabulary, KnownSkus.of(known_skus), tuple(brief.views.numbered), patterns)


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
        Never raises; ``problem`` says what could not be told.
    """
    path = unicodedata.normalize("NFC", name).replace("\\", "/")
    *folders, base = [part for part in path.split("/") if part.strip()] or [""]
    stem = _without_extension(base)
    facts = _by_pattern(folders, stem, reader) or _by_gs1(stem, reader) or _by_shape(folders, stem, reader)
    facts = facts._replace(file=name)
    return facts if not facts.problem else facts._replace(suggestion=suggest(facts, folders, stem, reader))


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
    sizes and rounds of retouching, and files whose names describe different
    things (``detail_zip``, ``detail_lock``), do not contend.

    Parameters
    ----------
    name_facts : iterable of NameFacts

    Returns
    -------
    dict
        (sku key, view, position) → tuple of file names, only where more than one file claims it.
    """
    places = defaultdict(list)
    for facts in name_facts:
        if facts.sku and facts.view:
            position = 1 if facts.position is None else facts.position
            same_picture = (facts.rendition, facts.round, facts.strap, facts.extra.casefold())
            places[(sku_key(facts.sku), facts.view, position, same_picture)].append(facts.file)
    return {
        (sku, view, position): tuple(sorted(files))
        for (sku, view, position, _), files in sorted(places.items())
        if len(files) > 1
    }


def _without_extension(base):
    base = base.rstrip(" .\t\r\n")
    stem, dot, suffix = base.rpartition(".")
    return stem if dot and stem and suffix.isalnum() and len(suffix) <= 5 else base


# -- patterns of the brief ------------------------------------------------------------------


_FIELDS = {
    "sku": r"(?P<sku>[^/]+?)",
    "view": r"(?P<view>[^/]+?)",
    "position": r"(?P<position>[0-9]{1,4})",
    "any": r"[^/]*?",
}


def _compiled(pattern):
    pieces = re.split(r"\{(sku|view|position|any)\}", pattern)
    text = "".join(_FIELDS[piece] if place % 2 else re.escape(piece) for place, piece in enumerate(pieces))
    return re.compile(text, re.IGNORECASE)


def _by_pattern(folders, stem, reader):
    path = [*folders, stem]
    for pattern in reader.patterns:
        depth = pattern.pattern.count("/") - pattern.pattern.count("[^/]") + 1
        found = pattern.fullmatch("/".join(path[-depth:])[:1000])
        if not found:
            continue
        groups = found.groupdict()
        view = ""
        if groups.get("view") is not None:
            view = reader.vocabulary.view_of(groups["view"])
            if not view:
                continue
        position = int(groups["position"]) if groups.get("position") else None
        if "view" not in groups and position is not None:
            view, position = _numbered_view(position, reader)
            if not view:
                continue
        sku = reader.known.exactly(groups.get("sku") or "") or (groups.get("sku") or "")
        return NameFacts("", sku, view, position)
    return None


# -- GS1 names ------------------------------------------------------------------------------

# GTIN in 14 digits, image type, facing, angle, state, as in the GS1 Product Image
# Specification; the codes were read at second hand (see the tests).
_GS1 = re.compile(r"(\d{14})_([A-E])(\d)([CLRN])([0-9A-Z])", re.IGNORECASE)
_GS1_FACING = {"1": "front", "2": "side", "3": "top", "7": "back", "8": "side", "9": "base"}


def _by_gs1(stem, reader):
    found = _GS1.fullmatch(stem)
    if not found:
        return None
    gtin, _, facing, angle, _ = found.groups()
    view = _GS1_FACING.get(facing, "")
    if view == "front" and angle.upper() in "LR":
        view = "three_quarter"
    sku = reader.known.exactly(gtin) or reader.known.exactly(gtin.lstrip("0")) or gtin
    return NameFacts("", sku, view, problem="" if view else NO_VIEW, extra=stem[15:])


# -- the usual shapes -----------------------------------------------------------------------


def _by_shape(folders, stem, reader):
    folders = [folder for folder in folders if not is_sorting_folder(folder)]
    tail = read_tail(stem, reader.known, reader.vocabulary)
    reading = _read_text(tail.stem, reader)
    camera = CAMERA_STEM.fullmatch(tail.stem) is not None
    folder_sku, folder_view = _read_folders(folders, reader)
    common = {"rendition": tail.rendition, "round": tail.round, "round_order": tail.round_order, "copy": tail.copy}

    sku, view, position, extra, strap = reading
    if folder_view and (not view or not reading.is_sure):
        return _in_view_folder(tail, reading, folder_sku, folder_view, camera, reader, common)
    if view:
        if not sku or not (reading.sku_known or not reader.known.exactly(folder_sku)):
            sku = folder_sku or sku
        sku = "" if CAMERA_STEM.fullmatch(sku) else sku
        problem = "" if sku or reader.vocabulary.needs_no_sku(view) else NO_SKU
        return NameFacts("", sku, view, position, problem, extra=extra, strap=strap, **common)
    return _without_view(tail, reading, folder_sku, camera, reader, common)


def _in_view_folder(tail, reading, folder_sku, view, camera, reader, common):
    """``view/SKU.jpg``, ``view/SKU_2.jpg``, ``SKU/view/01.jpg``."""
    number = _number_of(tail.stem)
    if folder_sku and (number is not None or camera):
        return NameFacts("", folder_sku, view, number, extra="" if number is not None else tail.stem, **common)
    if number is not None or camera or not tail.stem:
        problem = "" if reader.vocabulary.needs_no_sku(view) else NO_SKU
        return NameFacts("", "", view, number, problem, **common)
    if reading.sku_known:
        return NameFacts("", reading.sku, view, reading.position, extra=reading.extra, strap=reading.strap, **common)
    if folder_sku and reader.known.exactly(folder_sku):
        return NameFacts("", folder_sku, view, None, extra=tail.stem, **common)
    sku, position = _sku_and_number(tail.stem)
    return NameFacts("", sku, view, position, **common)


def _without_view(tail, reading, folder_sku, camera, reader, common):
    """``SKU/01.jpg``, ``SKU_2.jpg`` through the brief's list; else nothing, said plainly."""
    known_folder = reader.known.exactly(folder_sku)
    if camera:
        return NameFacts("", known_folder, problem=NO_VIEW if known_folder else CAMERA_NAME, **common)
    if reading.sku_known:
        sku, number = reading.sku, reading.position
        if number is None and reader.numbered and not reading.extra:
            number = 0 if "0" in reader.numbered else None
    elif (number := _number_of(tail.stem)) is not None:
        sku = folder_sku
    else:
        sku, number = _sku_and_number(tail.stem)
        if known_folder:
            sku = known_folder
    if number is None:
        sure = reading.sku if reading.sku_known else known_folder
        return NameFacts("", sure, problem=NO_VIEW if sure else NOTHING, extra=reading.extra if sure else "", **common)
    view, position = _numbered_view(number, reader)
    if view:
        problem = "" if sku else NO_SKU
        return NameFacts("", sku, view, position, problem, **common)
    sure = reading.sku if reading.sku_known else known_folder
    if reader.numbered:
        return NameFacts("", sku, problem=NUMBER_BEYOND, **common)
    return NameFacts("", sure, problem=NUMBER_ONLY, **common)


class _Reading(NamedTuple):
    sku: str = ""
    view: str = ""
    position: int | None = None
    extra: str = ""
    strap: str = ""


class _Text(NamedTuple):
    """A reading of one component, and how far to trust it."""

    sku: str
    view: str
    position: int | None
    extra: str
    strap: str
    is_sure: bool
    sku_known: bool

    def __iter__(self):
        return iter((self.sku, self.view, self.position, self.extra, self.strap))
