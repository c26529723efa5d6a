"""What the folders above a file say: the product, the view, or nothing."""

import re
from typing import NamedTuple

from catalogue_audit.delivery.name_reading import product_count, read_component
from catalogue_audit.delivery.view_words import COLOURS, SORTING_FOLDERS, fold

DEEPEST_READ = 6  # folders above a file whose names are looked at

# Dates, days, cards, and the folders a camera makes (JEITA CP-3461: three digits, five characters).
_SORTING = re.compile(
    r"(19|20)\d\d([-_. ]?\d\d){1,2}|\d\d[-_.]\d\d[-_.](19|20)?\d\d|(19|20)\d\d"
    r"|(day|set|shoot|batch|card|roll|drop|delivery|lot|part|week|folder|tag|lieferung)[ _.-]?\d*|\d{3}[a-z_]{5}",
    re.IGNORECASE,
)
_SEASON = re.compile(
    r"(ss|aw|fw|hw|fs|spring|summer|autumn|fall|winter|resort|cruise|season|collection|brand|line|range)[ _.'-]*(\d\d|(19|20)\d\d)?", re.IGNORECASE
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
    neither a view nor one that only sorts (dates, days, formats) is the SKU. Where that
    is a colourway, the folder around it is the style, and both are the SKU: ``BG-104/black``
    is ``BG-104-black``, as ``black`` alone would be many products.

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
    sku, view, sku_known, colourway = "", "", False, ""
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
            if colourway:
                sku = _of_style(folder.strip(), colourway, known)
            colourway = "" if sku else folder.strip()
            sku = sku or folder.strip()
    return Folders(sku, view, sku_known)


def _of_style(style, colourway, known):
    """The SKU of a colourway's folder within a style's; the colourway alone where the folder around it is no style."""
    if sku := known.match(f"{style}-{colourway}"):
        return sku
    is_style = is_colour(colourway) or (has_digit(style) and not has_digit(colourway) and not _SEASON.fullmatch(style))
    return f"{style}-{colourway}" if is_style else colourway


def is_colour(text):
    """
    True where the text is the name of a colour, as folders of colourways carry it.

    >>> is_colour("navy blue"), is_colour("Lola")
    (True, False)
    """
    words = _WORDS.findall(fold(text))
    return bool(words) and all(word in COLOURS for word in words)


def number_in_folder(sku, folder_sku):
    """
    The number of a picture whose folder names the product, where its own name only counts; else None.

    >>> number_in_folder("12", "BG-104"), number_in_folder("bag_3", "BG-104"), number_in_folder("bag_3", "Bag 3")
    (12, 3, None)
    """
    if folder_sku and sku.isdigit() and len(sku) <= 2:
        return int(sku)
    if has_digit(folder_sku) and _letters_and_figures(sku) != _letters_and_figures(folder_sku):  # 'Bag 3/bag_3' names it twice
        return product_count(sku)
    return None


def _letters_and_figures(text):
    return "".join(_WORDS.findall(text)).casefold()


def has_digit(text):
    """True where any character is a digit."""
    return any(map(str.isdigit, text))


def _only_sorts(folder):
    words = [word.lower() for word in _WORDS.findall(folder)]
    by_words = all(word in SORTING_FOLDERS or word.isdigit() for word in words) and not all(map(str.isdigit, words))
    return bool(by_words or _SORTING.fullmatch(folder.strip()))
