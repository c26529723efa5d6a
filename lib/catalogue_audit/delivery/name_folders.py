"""What the folders above a file say: the product, the view, or nothing."""

import re
from typing import NamedTuple

from catalogue_audit.delivery.name_reading import read_component
from catalogue_audit.delivery.view_words import SORTING_FOLDERS

DEEPEST_READ = 6  # folders above a file whose names are looked at

# Dates, days, cards, and the folders a camera makes (JEITA CP-3461: three digits, five characters).
_SORTING = re.compile(
    r"(19|20)\d\d([-_. ]?\d\d){1,2}|\d\d[-_.]\d\d[-_.](19|20)?\d\d|(19|20)\d\d"
    r"|(day|set|shoot|batch|card|roll|drop|delivery|lot|part|week|folder|tag|lieferung)[ _.-]?\d*|\d{3}[a-z_]{5}",
    re.IGNORECASE,
)
_WORDS = re.compile(r"[^\W_]+")


class Folders(NamedTuple):
    """SKU and view by the folders; empty where they say nothing."""

    sku: str = ""
    view: str = ""
    sku_known: bool = False


def read_folders(folders, vocabulary, known):
    """
    Read the folders from the nearest outwards.

    A known SKU counts wherever it stands; otherwise the nearest folder that is
    neither a view nor one that only sorts (dates, days, formats) is the SKU.

    Parameters
    ----------
    folders : list of str
        Outermost first.
    vocabulary : Vocabulary
    known : KnownSkus

    Returns
    -------
    Folders
    """
    sku, view, sku_known = "", "", False
    for folder in reversed(folders[-DEEPEST_READ:]):
        known_here = known.match(folder.strip())
        view_here = "" if known_here else vocabulary.view_of(folder)
        if known_here and not sku_known:
            sku, sku_known = known_here, True
        elif view_here:
            view = view or view_here
        elif not known_here and not sku_known and not _only_sorts(folder):
            reading = read_component(folder, vocabulary, known)
            if reading.sku_known:
                sku, sku_known = reading.sku, True
            if reading.trust == 3 and has_digit(reading.sku):  # 'BG-104_detail'
                sku, view = sku or reading.sku, view or reading.view
            sku = sku or folder.strip()
    return Folders(sku, view, sku_known)


def has_digit(text):
    """True where any character is a digit."""
    return any(map(str.isdigit, text))


def _only_sorts(folder):
    words = [word.lower() for word in _WORDS.findall(folder)]
    by_words = all(word in SORTING_FOLDERS or word.isdigit() for word in words) and not all(map(str.isdigit, words))
    return bool(by_words or _SORTING.fullmatch(folder.strip()))
