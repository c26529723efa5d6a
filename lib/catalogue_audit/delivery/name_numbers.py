"""Names that carry a number instead of a view, where the brief has no list of what numbers mean."""

from catalogue_audit.delivery.names import MOST_PICTURES, NUMBER_ONLY, name_reader, read_name

BY_PICTURES = "The name carries a number; its view is told by what most pictures of that number show."


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


def with_view_by_pictures(facts, view, position, brief):
    """A numbered name's facts with the view that most pictures of its number show, and which picture of the view it is."""
    return facts._replace(view=view, position=position, view_kind=brief.kind_of(view), problem=BY_PICTURES)
