"""Names that carry a number, or say that it is the main picture, instead of a view, where the brief does not say what that means."""

from catalogue_audit.delivery.name_words import Vocabulary
from catalogue_audit.delivery.names import MOST_PICTURES, NUMBER_ONLY, name_reader, read_name, sku_key
from catalogue_audit.delivery.view_words import MAIN_PICTURE

BY_PICTURES = "The name carries a number, or 'main'; its view is told by what most pictures so named show."
MAIN = 0  # stands for the number of main pictures
_MAIN_VIEW = "main picture"


def numbers_alone(facts, brief, known_skus=()):
    """
    The numbers of names that carry an SKU and a number but no view, where the brief has no list of what numbers mean.

    Parameters
    ----------
    facts : iterable of NameFacts
        As `read_names` gives them for ``brief`` and ``known_skus``.

    Returns
    -------
    dict of str to int
        By file.
    """
    counting = name_reader(brief, known_skus)._replace(numbered=tuple(map(str, range(1, MOST_PICTURES + 1))))
    read = ((one.file, read_name(one.file, counting).view) for one in facts if one.sku and one.problem == NUMBER_ONLY)
    return {file: int(number) for file, number in read if number.isdigit()}


def main_pictures(facts, brief, known_skus=()):
    """
    The SKUs of names that say 'hero' or 'main' instead of a view, where other names give the same SKU with a view.

    Parameters
    ----------
    facts : iterable of NameFacts
        As `read_names` gives them for ``brief`` and ``known_skus``.

    Returns
    -------
    dict of str to str
        By file.
    """
    facts = list(facts)
    viewed = {sku_key(one.sku) for one in facts if one.sku and one.view}
    spellings = {**brief.views.spellings(), _MAIN_VIEW: MAIN_PICTURE}
    vocabulary = Vocabulary.of(spellings, {view: brief.kind_of(view) for view in spellings})
    reader = name_reader(brief, known_skus)._replace(vocabulary=vocabulary, patterns=())
    read = ((one.file, read_name(one.file, reader)) for one in facts if not one.view and viewed)
    return {file: name.sku for file, name in read if name.view == _MAIN_VIEW and sku_key(name.sku) in viewed}


def with_view_by_pictures(facts, view, position, brief):
    """A numbered name's facts with the view that most pictures of its number show, and which picture of the view it is."""
    return facts._replace(view=view, position=position, view_kind=brief.kind_of(view), problem=BY_PICTURES)
