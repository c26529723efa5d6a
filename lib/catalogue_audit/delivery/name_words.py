"""The words of a file name, the vocabulary of views, and the known SKUs."""

import re
import unicodedata
from typing import NamedTuple

from catalogue_audit.delivery.gs1 import GTIN_LENGTHS
from catalogue_audit.delivery.view_words import NOISE, RANK, STRAP_WITH, STRAP_WITHOUT, fold

MOST_WORDS = 32  # of one name; a longer one is no name a person gave
MOST_SKU_WORDS = 10  # of a known SKU that is looked for inside a longer name

_WORD = re.compile(r"[^\s_.\-+,;~()\[\]]+")
_FOLDED_WORD = re.compile(r"[^\W_]+")
_NUMBERED_WORD = re.compile(r"([^\W\d_]{3,})([0-9]{1,3})")
_LETTERED_WORD = re.compile(r"([^\W\d_]{2,}[a-z])([A-H])")
_SEPARATOR_STRENGTH = {"": 0, ".": 1, "-": 2, " ": 3, "_": 4}


class Word(NamedTuple):
    """One word of a name: folded for comparison, where it stands, how strongly it is set apart."""

    folded: str
    start: int
    end: int
    strength: int  # of the separator before it: . < - < space < _ < several


class Vocabulary(NamedTuple):
    """Spellings of the views, split into words."""

    views: dict  # tuple of folded words → view
    strap: dict  # tuple of folded words → 'with' or 'without'
    longest: int  # words in the longest spelling
    glued: re.Pattern  # a view word at the end of a longer one: 'AB12front', 'BagFront'
    kinds: dict  # view → kind
    single_words: tuple  # spellings of one word and four letters or more, for the nearest one

    @classmethod
    def of(cls, spellings, kinds):
        """From a mapping of view → spellings; later views do not take earlier ones' spellings."""
        views = {}
        for view, words in spellings.items():
            for spelling in (view, *words):
                split = tuple(_FOLDED_WORD.findall(fold(spelling.replace("_", " "))))
                if split:
                    views.setdefault(split, view)
                    views.setdefault(("".join(split),), view)
        strap = {}
        for state, phrases in (("with", STRAP_WITH), ("without", STRAP_WITHOUT)):
            for phrase in phrases:
                strap[tuple(phrase.split())] = state
                strap[(phrase.replace(" ", ""),)] = state
        endings = sorted({"".join(key) for key in views if len("".join(key)) >= 4 and "".join(key).isalpha()})
        glued = re.compile("(?:" + "|".join(map(re.escape, sorted(endings, key=len, reverse=True))) + ")$")
        return cls(views, strap, max(map(len, [*views, *strap])), glued, dict(kinds), tuple(endings))

    def view_of(self, text):
        """View that the whole text spells, or an empty text."""
        words = tuple(_FOLDED_WORD.findall(fold(text.replace("_", " "))))
        meaning = tuple(word for word in words if word not in NOISE)
        for spelling in (words, meaning, _unnumbered(meaning)):
            if spelling in self.views:
                return self.views[spelling]
        if words and words[-1].endswith("s"):  # folders are often in the plural
            return self.views.get((*words[:-1], words[-1][:-1]), "")
        return ""

    def needs_no_sku(self, view):
        """True for pictures of a target, which belong to no product."""
        return self.kinds.get(view) == "target"

    def rank(self, view):
        """Which of several view words side by side is the view; lower wins."""
        return RANK.index(view) if view in RANK else -1


def _unnumbered(words):
    """'01_front' and 'front_2' without their number; figures alone stay as they are."""
    if not any(word.isalpha() for word in words):
        return words
    words = words[words[0].isdigit() :]
    return words[:-1] if words[-1].isdigit() else words


def words_of(text, vocabulary):
    """
    Split a name into words; ``front2`` and ``AB12front`` become two.

    Parameters
    ----------
    text : str
        One component of a path without its extension.
    vocabulary : Vocabulary

    Returns
    -------
    list of Word
    """
    words, end = [], 0
    for found in _WORD.finditer(text):
        strength = _strength(text[end : found.start()])
        end = found.end()
        words.extend(_unglued(found[0], found.start(), strength, vocabulary))
        if len(words) >= MOST_WORDS:
            break
    return words


def _strength(separator):
    if len(separator) > 1:
        return 5
    return _SEPARATOR_STRENGTH.get(separator, 3)


def _unglued(text, start, strength, vocabulary):
    folded = fold(text)
    whole = Word(folded, start, start + len(text), strength)
    if (folded,) in vocabulary.views or len(folded) != len(text):
        return [whole]
    number = _NUMBERED_WORD.fullmatch(folded)
    if number and ((number[1],) in vocabulary.views or number[1] in NOISE):
        cut = start + number.end(1)
        return [Word(number[1], start, cut, strength), Word(number[2], cut, whole.end, 0)]
    letter = _LETTERED_WORD.fullmatch(text)
    if letter and (fold(letter[1]),) in vocabulary.views:  # 'detailA'
        cut = start + letter.end(1)
        return [Word(folded[:-1], start, cut, strength), Word(folded[-1], cut, whole.end, 0)]
    digits = len(folded) - len(folded.rstrip("0123456789"))
    ending = vocabulary.glued.search(folded[: len(folded) - digits]) if digits <= 3 else None
    if ending and ending.start() and _joint(text, ending.start()):
        cut, stop = start + ending.start(), start + ending.end()
        parts = [Word(folded[: ending.start()], start, cut, strength), Word(ending[0], cut, stop, 0)]
        return [*parts, Word(folded[ending.end() :], stop, whole.end, 0)] if digits else parts
    return [whole]


def _joint(text, place):
    """A view word may be glued on behind a digit; with a capital, if the word holds a figure at all."""
    before, after = text[place - 1], text[place]
    return before.isdigit() or (before.islower() and after.isupper() and any(map(str.isdigit, text)))


class KnownSkus(NamedTuple):
    """SKUs of the products file, found in names whatever separators and case they carry there."""

    by_key: dict  # letters and digits alone, case folded → SKU, or a tuple of those that have the same
    by_other: dict  # other written forms, see `_other_form` → SKU
    by_start: dict  # first three characters of a key → list of keys

    @classmethod
    def of(cls, known):
        """From SKUs, or from a mapping of written form (a GTIN, say) → SKU."""
        by_key, by_other = {}, {}
        for written, sku in known.items() if hasattr(known, "items") else ((sku, sku) for sku in known):
            if written != sku:
                by_other[_other_form(written)] = sku
                continue
            sku = unicodedata.normalize("NFC", str(sku).strip())
            if key := _key(sku):
                same = _as_tuple(by_key.get(key, ()))
                if sku not in same:
                    by_key[key] = (*same, sku) if same else sku
        by_start = {}
        for key in by_key:
            by_start.setdefault(key[:3], []).append(key)
        return cls(by_key, by_other, by_start)

    def match(self, text):
        """The SKU that the whole text is, else an empty text: by the same characters, in any case, by any separator; or by another form."""
        key = _key(text)
        same = _as_tuple(self.by_key.get(key, ()))
        for way in (str, str.casefold):
            found = {sku for sku in same if way(sku) == way(text)}
            if found:
                return found.pop() if len(found) == 1 else ""
        if self.by_other and (sku := self.by_other.get(_other_form(text))):
            return sku
        # digits alone run together too easily: '10-42' is not '1042'
        return same[0] if len(same) == 1 and not key.isdigit() else ""

    def find(self, text, words):
        """
        Longest known SKU among the words, the earliest of equal ones.

        Returns
        -------
        first, last : int
            Words ``first`` to ``last`` - 1 are the SKU; both 0 where none is known.
        sku : str
            As the products file writes it.
        """
        if not (self.by_key or self.by_other):
            return 0, 0, ""
        if words and (sku := self.match(text[words[0].start : words[-1].end])):
            return 0, len(words), sku
        for length in range(min(len(words), MOST_SKU_WORDS), 0, -1):
            for first in range(len(words) - length + 1):
                span = text[words[first].start : words[first + length - 1].end]
                too_short = first and len(span) <= 2 and span.isdigit()
                if not too_short and (sku := self.match(span)):
                    return first, first + length, sku
        return 0, 0, ""


def _as_tuple(skus):
    return skus if isinstance(skus, tuple) else (skus,)


def _other_form(text):
    """A GTIN in 14 digits, however many zeros lead it; other figures as they are, other text as letters and digits alone."""
    if text.isascii() and text.isdigit():
        return text.zfill(14) if len(text) in GTIN_LENGTHS else text
    key = _key(text)
    return text if key.isdigit() else key


def _key(text):
    if text.isascii():
        return "".join(filter(str.isalnum, text.lower()))
    return "".join(filter(str.isalnum, text.casefold())) or text.casefold()
