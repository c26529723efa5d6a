"""Patterns of the brief: ``{sku}_{view}_{position}``, ``{view}/{sku}``."""

import re
from typing import NamedTuple

from catalogue_audit.delivery.view_words import fold

FIELDS = ("sku", "view", "position", "any")
LONGEST = 160  # characters of a name a pattern is tried on; matching time grows with its square

_FIELD = re.compile(r"\{(" + "|".join(FIELDS) + r")\}")
_EXTENSION = re.compile(r"\.(jpe?g|png|tiff?|webp|heic|\*)$", re.IGNORECASE)


class Pattern(NamedTuple):
    """A compiled pattern and how many components of the path it speaks of."""

    regex: re.Pattern
    components: int


class Found(NamedTuple):
    """What a pattern read; ``view`` as spelt, None where the pattern has none."""

    sku: str
    view: str | None
    position: int | None


def pattern_fault(pattern):
    """What is wrong with a pattern, in plain words, or an empty text."""
    fields = _FIELD.findall(pattern)
    if "sku" not in fields and "view" not in fields:
        return "a pattern needs {sku} or {view}"
    if len(fields) != len(set(fields)):
        return "each of {sku}, {view}, {position}, {any} may stand once"
    if re.search(r"[{}]", _FIELD.sub("", pattern)):
        return "only {sku}, {view}, {position}, {any} may stand in braces"
    return ""


def compiled_pattern(pattern, spellings):
    """
    Prepare one pattern.

    Parameters
    ----------
    pattern : str
        Path without extension; other text in it is literal, in any case.
    spellings : mapping of str to sequence of str
        View → how it may be written.

    Returns
    -------
    Pattern
    """
    pattern = _EXTENSION.sub("", pattern)
    written = {form for view, words in spellings.items() for word in (view, *words) for form in (word, fold(word))}
    views = "|".join(
        r"[\s_.\-]*".join(map(re.escape, re.split(r"[\s_.\-]+", form.strip())))
        for form in sorted(written, key=lambda form: (-len(form), form))
        if form.strip()
    )
    regex = {
        "sku": r"(?P<sku>[^/]+?)",
        "view": f"(?P<view>{views})",
        "position": r"(?P<position>[0-9]{1,4})",
        "any": r"[^/]*?",
    }
    pieces = _FIELD.split(pattern)
    text = "".join(regex[piece] if place % 2 else re.escape(piece) for place, piece in enumerate(pieces))
    return Pattern(re.compile(text, re.IGNORECASE), pattern.count("/") + 1)


def match_pattern(pattern, folders, stem):
    """`Found`, or None where the name does not fit."""
    path = [*folders, stem][-pattern.components :]
    text = "/".join(path)
    if len(path) < pattern.components or len(text) > LONGEST:
        return None
    fit = pattern.regex.fullmatch(text)
    if fit is None:
        return None
    groups = fit.groupdict()
    position = groups.get("position")
    return Found((groups.get("sku") or "").strip(), groups.get("view"), None if position is None else int(position))
