"""One component of a path, read: which words are SKU, which view, which number."""

import re
from typing import NamedTuple

from catalogue_audit.delivery.name_marks import (
    CAMERA_NAME,
    NUMBER,
    Tail,
    is_mark,
    read_tail,
    strip_marks,
    without_beginning,
    without_marks,
)
from catalogue_audit.delivery.name_words import words_of
from catalogue_audit.delivery.view_words import COUNTED_PRODUCTS, NOISE, PART_OF_NAMES, SHORTEST_NAME

BACK_TURNED = ("three_quarter", "back")  # both together name the turned back


class Reading(NamedTuple):
    """A reading of one component."""

    sku: str = ""
    view: str = ""
    tail: Tail = Tail()
    strap: str = ""
    sku_known: bool = False
    trust: int = 0  # 3 SKU then view, 2 view then SKU or view alone, 1 amid other words or digits alone, 0 no view
    rest: str = ""  # the text without marks: what may be the SKU where there is no view
    prefix: int = 0  # how far a view at the start is set apart: 0 less than the rest within itself, 1 as much, 2 more


class _Cluster(NamedTuple):
    """Neighbouring view words that together name one view."""

    first: int
    last: int
    view: str
    strap: str
    extra: tuple
    digits_only: bool


def read_component(text, vocabulary, known):
    """
    Read one file name (without extension) or folder name.

    Parameters
    ----------
    text : str
    vocabulary : Vocabulary
    known : KnownSkus

    Returns
    -------
    Reading
    """
    text, copy, density = without_marks(text, known)
    words = words_of(text, vocabulary)
    sku_first, sku_last, sku = known.find(text, words)
    cluster, trust = _best_cluster(words, range(sku_first, sku_last), vocabulary)
    tail = Tail(rendition=density, copy=copy)
    if cluster is None:
        return _without_view(text, words, sku_first, sku_last, sku, tail)
    before, after = words[: cluster.first], words[cluster.last :]
    if sku:
        before = [word for place, word in enumerate(words[: cluster.first]) if not sku_first <= place < sku_last]
        after = [
            word for place, word in enumerate(words[cluster.last :], cluster.last) if not sku_first <= place < sku_last
        ]
        tail = read_tail(text, [*after, *before], tail)
    elif not before and after and not all(is_mark(word.folded) for word in after):
        kept = strip_marks(after)
        tail = read_tail(text, after[len(kept) :], tail)
        sku = _text_of(text, kept)
    else:
        tail = read_tail(text, after, tail)
        sku, tail = _sku_before(text, before, words[cluster.first].strength, tail)
    tail = tail._replace(extra=" ".join(filter(None, (*cluster.extra, tail.extra))))
    return Reading(
        sku,
        cluster.view,
        tail,
        cluster.strap,
        bool(sku_last),
        trust,
        _text_of(text, without_beginning(text, strip_marks(words))),
        _prefix(cluster, after),
    )


def trailing_number(text, vocabulary):
    """
    ``SKU_2`` → (SKU, 2); ``view2`` and ``03`` → ('', number); no number → (text, None).
    """
    words = words_of(text, vocabulary)
    if not words or not NUMBER.fullmatch(words[-1].folded):
        return text, None
    number = int(words[-1].folded)
    rest = words[:-1]
    if rest and rest[-1].folded in NOISE:
        rest = rest[:-1]
    return _text_of(text, rest), number


def trailing_letter(text, vocabulary):
    """``SKU_B`` → (SKU, 2); a letter that is not set apart, or is all there is beside nothing, → (text, None)."""
    words = words_of(text, vocabulary)
    last = words[-1].folded if words else ""
    if len(last) != 1 or not "a" <= last <= "z":
        return text, None
    return _text_of(text, words[:-1]), ord(last) - ord("a") + 1


def sku_in_view_folder(text, vocabulary):
    """
    SKU and number of a file in a folder named after a view.

    There ``AB-2024-03`` is an SKU; a number counts only where it is set apart
    more strongly than anything in the SKU: ``AB-2024_03``.
    """
    rest, number = trailing_number(text, vocabulary)
    words = words_of(text, vocabulary)
    if number is None or not rest:
        return text, None
    inner = max((word.strength for word in words_of(rest, vocabulary)[1:]), default=0)
    return (rest, number) if words[-1].strength >= 3 and words[-1].strength > inner else (text, None)


def _best_cluster(words, taken, vocabulary):
    clusters = _clusters(words, taken, vocabulary)
    rated = [(_trust(cluster, words, taken), cluster) for cluster in clusters]
    rated = [(trust, cluster) for trust, cluster in rated if trust >= (2 if cluster.digits_only else 1)]
    if any(not cluster.digits_only for _, cluster in rated):
        rated = [(trust, cluster) for trust, cluster in rated if not cluster.digits_only]
    if not rated:
        return None, 0
    # of equal trust: the most strongly set apart, then the last
    trust, best = max(rated, key=lambda pair: (pair[0], _apart(pair[1], words), pair[1].first))
    return best, min(trust, 1) if best.digits_only else trust


def _trust(cluster, words, taken):
    """How surely a cluster names the view, as `Reading.trust`; 0 where it is part of the SKU."""
    before = [place for place in range(cluster.first) if place not in taken]
    after = [place for place in range(cluster.last, len(words)) if place not in taken]
    trailing = all(is_mark(words[place].folded) for place in after)
    if cluster.digits_only and _counts_on(words, cluster, after):
        return 0
    if taken:
        return 3 if trailing and all(is_mark(words[place].folded) for place in before) else 2
    if trailing:
        return 3 if before and not cluster.digits_only else 2 if before or not after or not cluster.digits_only else 1
    if not before and not cluster.digits_only:
        return 2
    # 'tote-side-100': the figures of the SKU come later, so the word is part of it
    continues = any(_has_figures(words[place].folded) for place in after)
    return 0 if continues and not any(_has_figures(words[place].folded) for place in before) else 1


def _counts_on(words, cluster, after):
    """'BG-45-02' is the second picture of BG-45: degrees stand for a view where they are set apart more than the number behind them."""
    degrees = words[cluster.first].folded == "45" and cluster.first and after
    return bool(degrees) and words[after[0]].folded.isdigit() and words[cluster.first].strength <= words[after[0]].strength


def _has_figures(word):
    is_date = len(word) == len("20260331")
    return any(map(str.isdigit, word)) and not (is_mark(word) or is_date or CAMERA_NAME.fullmatch(word))


def _apart(cluster, words):
    left = words[cluster.first].strength if cluster.first else 5
    right = words[cluster.last].strength if cluster.last < len(words) else 5
    return min(left, right)


def _clusters(words, taken, vocabulary):
    spans, place = [], 0
    while place < len(words):
        span = None if place in taken else _span_at(words, place, taken, vocabulary)
        if span is None:
            place += 1
            continue
        spans.append(span)
        place = span[1]
    groups = []
    for span in spans:
        if groups and _belong_together(words, groups[-1][-1], span):
            groups[-1].append(span)
        else:
            groups.append([span])
    joined = [_joined(group, words, vocabulary) for group in groups]
    return [_with_noise(cluster, words, taken) for cluster in joined if cluster.view]


def _text_of(text, words):
    return text[words[0].start : words[-1].end] if words else ""


def _prefix(cluster, after):
    """How likely a view word at the start is not part of the SKU; the full 2 where it does not stand there."""
    if cluster.first or not after:
        return 2
    inner = max((word.strength for word in after[1:]), default=0)
    if after[0].strength < inner:
        return 0
    return 2 if after[0].strength > inner and cluster.view not in PART_OF_NAMES else 1


def _figures_of_another_word(span):
    """'12-34_back' is no three-quarter back: the figures are tied to what stands before them."""
    return len(span) > 1 and span[0].folded in ("34", "45") and 0 < span[0].strength < max(4, span[-1].strength)


def _belong_together(words, earlier, later):
    """Neighbouring view words name one view, unless a separator ties one to the SKU: 'front_STRAP-BAG'."""
    if any(words[between].folded not in NOISE for between in range(earlier[1], later[0])):
        return False
    between, after = words[later[0]].strength, later[1]
    if _figures(words, earlier) and not _figures(words, later):
        inner = max((word.strength for word in words[1 : earlier[0]]), default=0)
        before = words[earlier[0]].strength if earlier[0] else 0
        return before >= max(between, 4) and before > inner  # 'BG-104_34_front', but '12-34_front'
    if after < len(words) and words[after].strength < between and not is_mark(words[after].folded):
        return False
    return not (earlier[0] and words[earlier[0]].strength < between and earlier[2] in PART_OF_NAMES)


def _span_at(words, place, taken, vocabulary):
    for length in range(min(vocabulary.longest, len(words) - place), 0, -1):
        if any(inner in taken for inner in range(place, place + length)):
            continue
        key = tuple(word.folded for word in words[place : place + length])
        if key in vocabulary.views and not _figures_of_another_word(words[place : place + length]):
            return place, place + length, vocabulary.views[key], ""
        if key in vocabulary.strap:
            return place, place + length, "", vocabulary.strap[key]
    return None


def _figures(words, span):
    return all(word.folded.isdigit() for word in words[span[0] : span[1]])


def _joined(group, words, vocabulary):
    """One view for several neighbouring view words: 'front detail' is a detail, 'back no strap' a back."""
    views = [span for span in group if span[2]]
    strap = next((span[3] for span in group if span[3]), "")
    if not views:
        return _Cluster(group[0][0], group[-1][1], "", strap, (), False)
    chosen = min(views, key=lambda span: (vocabulary.rank(span[2]), -span[0]))
    named = {span[2] for span in views}
    if chosen[2] in BACK_TURNED and named >= set(BACK_TURNED) and "back_three_quarter" in vocabulary.kinds:
        views = [span if span[2] not in BACK_TURNED else (*span[:2], "back_three_quarter", "") for span in views]
        chosen = next(span for span in views if span[2] == "back_three_quarter")  # 'trois-quarts dos'
    others = [span for span in views if span is not chosen]
    if not strap and chosen[2] != "strap" and any(span[2] == "strap" for span in others) and _shows_whole(chosen[2]):
        strap = "with"
        others = [span for span in others if span[2] != "strap"]
    extra = _sides(words, chosen)
    for span in others:
        extra += _sides(words, span) or ([span[2]] if span[2] != chosen[2] else [])
    digits_only = all(_figures(words, span) for span in group)
    return _Cluster(group[0][0], group[-1][1], chosen[2], strap, tuple(extra), digits_only)


def _shows_whole(view):
    return view not in ("detail", "interior", "target")


def _sides(words, span):
    return [words[place].folded for place in range(span[0], span[1]) if words[place].folded in ("left", "right")]


def _with_noise(cluster, words, taken):
    """'front_view' and 'view_front' are 'front'."""
    first, last = cluster.first, cluster.last
    while first and words[first - 1].folded in NOISE and first - 1 not in taken:
        first -= 1
    while last < len(words) and words[last].folded in NOISE and last not in taken:
        if last + 1 < len(words) and len(words[last + 1].folded) > 2 and words[last + 1].folded.isdigit():
            break  # 'IMG_1234'
        last += 1
    return cluster._replace(first=first, last=last)


def _sku_before(text, before, strength, tail):
    """SKU in front of the view, and the number between: 'SKU-02-view', but 'AB-2024-03_view' keeps its 03."""
    kept = strip_marks(before)
    tail = read_tail(text, before[len(kept) :], tail)
    if not kept:
        return "", tail
    kept = without_beginning(text, kept)
    before, last = kept, kept[-1]
    alone = len(before) == 1
    counts = re.fullmatch(r"0[1-9]|[0-9]" if alone else r"0[1-9]", last.folded)
    if tail.position is None and counts and (alone or last.strength >= strength) and not _is_counted(before[:-1]):
        tail = tail._replace(position=int(last.folded))
        before = before[:-1]
    return _text_of(text, before), tail


def _is_counted(words):
    """Whether a number behind these words counts products, not pictures: 'tote_01', 'BG-01', but not 'Emilia-01'."""
    letters = "".join(word.folded for word in words)
    return bool(words) and letters.isalpha() and (len(letters) < SHORTEST_NAME or all(word.folded in COUNTED_PRODUCTS for word in words))


def product_count(text):
    """
    The number in a name that counts products without naming one, else None.

    >>> product_count("bag_02"), product_count("BG_02")
    (2, None)
    """
    words = re.findall(r"[^\W\d_]+|\d+", text.casefold())
    counts = len(words) > 1 and words[-1].isdigit() and len(words[-1]) <= 2 and all(word in COUNTED_PRODUCTS for word in words[:-1])
    return int(words[-1]) if counts else None


def _without_view(text, words, sku_first, sku_last, sku, tail):
    if sku:
        others = [word for place, word in enumerate(words) if not sku_first <= place < sku_last]
        return Reading(sku, "", read_tail(text, others, tail), sku_known=True)
    kept = strip_marks(words)
    tail = read_tail(text, words[len(kept) :], tail)
    return Reading("", "", tail, rest=_text_of(text, without_beginning(text, kept)))
