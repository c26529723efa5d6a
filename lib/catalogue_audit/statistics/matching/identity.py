"""
Which files show one photograph, which look alike, and which of that is as it should be.

Sameness is legitimate between the renditions of one picture, raw and JPEG of
one frame, the frames of a burst or bracket, the rounds of a retouch, a lining
photographed once for a style, and colourways made from one photograph. Only
the rest are duplicates.
"""

import functools
import math
import re
from collections import OrderedDict

import numpy as np
import pandas as pd

from catalogue_audit.statistics.matching.laying import picture_of, turn_of
from catalogue_audit.statistics.matching.likeness import EXACT_PEAK, EXACT_RMS, MOST_DISTORTED, SAME_COLOUR, compare
from catalogue_audit.statistics.matching.misfiling import misfiled
from catalogue_audit.statistics.matching.moved import nothing_moved
from catalogue_audit.statistics.matching.neighbours import components_within, parse_hashes
from catalogue_audit.statistics.matching.nominating import nominations
from catalogue_audit.statistics.matching.signatures import signature
from catalogue_audit.statistics.series.clock import parse_time
from catalogue_audit.statistics.series.numbering import connected, number_groups

__all__ = ["group_pictures", "misfiled"]

SIMILAR_BITS = 6  # of 64: look-alikes; colourways of one photograph lie 0 to 4 apart
SAME_INSTANT = 1.0  # s; copies of one frame keep its time, but perhaps not its fraction of a second
SAME_FRACTION = 0.005  # s, where both files have the fraction
BURST_SECONDS = 120.0  # frames of one product and view nearer than this are a burst or bracket
PLAINLY_APART = 3 * SAME_COLOUR  # CIELAB, of thumbnails' products; what is moved over the other must have its colour in the end
SKETCHES_AT_HAND = 256  # 40 MB
SKETCH_KEYS = ("preview", "thumb", "mask", "keypoints", "descriptors")
LEGITIMATE = ("burst", "rendition", "round", "recoloured", "shared_lining")
ROUND = re.compile(r"(?:^|[_\-. /])(?:v|r|rev|round|version|retouch(?:ed)?|final|edit(?:ed)?|proof)[_\-]?(\d*)(?=$|[_\-. /])", re.I)
PAIR_COLUMNS = ("file_a", "file_b", "kind", "bits", "note")


def group_pictures(frames, sketches, shared_views=("interior", "lining")):
    """
    Duplicates and look-alikes.

    Parameters
    ----------
    frames : DataFrame
        In natural file order, default index.
    sketches : mapping of str to dict of ndarray
        Loaded one at a time.
    shared_views : sequence of str
        Views of which one picture may serve all colourways of a style, by the brief.

    Returns
    -------
    groups : DataFrame
        ``duplicate_group``: files that show one photograph and should not;
        ``similar_group``: files connected by steps of at most six bits of their
        perceptual hash. Both Int64, numbered by first file, <NA> where alone.
        Adding files joins groups at most, never parts them. A nearly flat
        picture has no hash, and is a duplicate only of the same bytes.
    pairs : DataFrame
        ``file_a``, ``file_b`` (a before b), ``kind``, ``bits`` (perceptual hashes,
        Int64), ``note``. Kinds of duplicates: same_bytes, same_pixels,
        re_export, resized, re_cropped, mirrored, taken_again (the same, captured at
        another time with nothing moved between); legitimate: burst,
        rendition, round, recoloured, shared_lining. Within a group each file
        is paired at least once, not with every other.
    """
    hashes, present = parse_hashes(frames["phash"])
    similar = np.full(len(frames), -1, dtype=np.int64)
    places = np.flatnonzero(present)
    similar[places] = places[components_within(hashes[places], SIMILAR_BITS)]
    pairs = _pairs(frames, sketches, hashes, present, shared_views)
    real = [pair for pair in pairs if pair[2] not in LEGITIMATE]
    labels = connected(len(frames), [pair[0] for pair in real], [pair[1] for pair in real])
    groups = pd.DataFrame(
        {"duplicate_group": number_groups(labels, frames.index), "similar_group": number_groups(similar, frames.index)}
    )
    return groups, _pair_table(frames, pairs, hashes, present)


def _pairs(frames, sketches, hashes, present, shared_views):
    """(row, row, kind, note) of every verified pair, sorted."""
    facts = frames[
        ["file", "sku", "view", "position", "style", "format", "width_px", "height_px", "sha256", "captured_at"]
    ].to_dict("records")
    for fact in facts:
        fact["seconds"] = _instant(fact["captured_at"])
        fact["fraction"] = isinstance(fact["captured_at"], str) and "." in fact["captured_at"]
        fact["may_share"] = fact["view"] in shared_views
    boxes = frames[["left", "top", "right", "bottom"]].astype(float).to_numpy()
    verified = []
    empty = (frames["bytes"] == 0).fillna(False).astype(bool)  # files without a byte show nothing twice
    same_bytes, representative = _same_bytes(frames["sha256"].where(~empty).to_numpy())
    for a, b in same_bytes:
        shared = _is_shared_lining(facts[a], facts[b])
        verified.append((a, b, "shared_lining" if shared else "same_bytes", ""))
    signatures = {}
    for row in np.flatnonzero(present & (representative == np.arange(len(frames)))):
        made = signature(sketches.get(facts[row]["file"]) or {}, boxes[row])
        if made is not None:
            signatures[int(row)] = made
    verified += _one_photograph(facts, signatures, boxes, sketches, frames["sku"].to_numpy())
    return sorted(verified)


def _one_photograph(facts, signatures, boxes, sketches, skus):
    """
    (row, row, kind, note) of pictures that are one photograph.

    In rounds: where some were found, one of each group is nominated anew with the others, as
    the nearest few of a picture may all have been copies of it.
    """
    loaded = _Recent(sketches)
    linked, seen, verified = {}, set(), []
    while True:
        members = {row: made for row, made in signatures.items() if _root(linked, row) == row}
        before = len(verified)
        for (a, b), ways in nominations(members, skus).items():
            if (a, b) in seen or _root(linked, a) == _root(linked, b):
                continue
            seen.add((a, b))
            found = _verify(a, b, facts, signatures, boxes, loaded, ways)
            if found:
                verified.append((a, b, *found))
                if found[0] not in ("recoloured", "shared_lining"):
                    low, high = sorted((_root(linked, a), _root(linked, b)))
                    linked[high] = low
        if len(verified) == before or not linked:
            return verified


class _Recent:
    """The sketches used last, as `likeness.compare` adds to them, so that a run of pairs with one file decodes it once."""

    def __init__(self, sketches):
        self._sketches = sketches
        self._kept = OrderedDict()

    def __getitem__(self, file):
        if file not in self._kept:
            sketch = self._sketches.get(file) or {}
            self._kept[file] = {key: sketch[key] for key in SKETCH_KEYS if key in sketch}
            if len(self._kept) > SKETCHES_AT_HAND:
                self._kept.popitem(last=False)
        self._kept.move_to_end(file)
        return self._kept[file]


def _root(parent, item):
    while parent.get(item, item) != item:
        item = parent[item]
    return item


def _same_bytes(digests):
    """Pairs of the first file with each later one of the same bytes; and each file's first."""
    first, pairs = {}, []
    representative = np.arange(len(digests))
    for row, digest in enumerate(digests):
        if not isinstance(digest, str) or not digest:
            continue
        known = first.setdefault(digest, row)
        if known != row:
            pairs.append((known, row))
            representative[row] = known
    return pairs, representative


def _verify(a, b, facts, signatures, boxes, loaded, ways):
    """(kind, note) of a pair of files, or None where they are two photographs."""
    one, other = facts[a], facts[b]
    gap = abs(one["seconds"] - other["seconds"])  # NaN where either is unknown
    apart = _apart(gap, one, other)
    sizes = (one["width_px"], one["height_px"]), (other["width_px"], other["height_px"])
    same_size = sizes[0] == sizes[1]
    if signatures[a].pixels == signatures[b].pixels and same_size:
        kind, likeness, steady = "same_pixels", None, None
    else:
        pair = loaded[one["file"]], loaded[other["file"]]
        known = "detail" not in ways and all("mask" in sketch for sketch in pair)
        one_colour = not known or math.dist(signatures[a].colour, signatures[b].colour) <= PLAINLY_APART
        likeness = compare(*pair, boxes[a], boxes[b], ways, one_colour)
        kind = likeness.kind
        steady = functools.cache(lambda: _steady(likeness, *pair))
    if not kind:
        return None
    turned = kind in ("re_cropped", "mirrored") and turn_of(likeness.matrix) > MOST_DISTORTED
    if turned and not (apart and _named_apart(one, other)):
        return None  # a flat product that was put down again lies turned, and so looks like itself alone
    if (turned or (apart and kind in ("re_cropped", "mirrored"))) and not steady():
        return None
    if kind == "re_export" and not same_size:
        kind = "resized"
    return _judged(kind, likeness, steady, one, other, gap, same_size)


def _steady(likeness, first, second):
    """Whether two pictures differ in nothing, or in light, focus and noise alone, so that even at two times they are one photograph."""
    if likeness.rms <= EXACT_RMS and likeness.peak <= EXACT_PEAK:
        return True
    shapes = [picture_of(sketch).shape[:2] for sketch in (first, second)]
    return nothing_moved(first, second, likeness.matrix, shapes, likeness.flipped)


def _judged(kind, likeness, steady, one, other, gap, same_size):
    """What one photograph in two files means, by what the files claim; ``steady`` says whether nothing moved between them."""
    apart = _apart(gap, one, other)
    same_product = _equal(one["sku"], other["sku"])
    unnamed = not isinstance(one["sku"], str) and not isinstance(other["sku"], str)
    same_view = _equal(one["view"], other["view"]) or unnamed
    if kind == "recoloured" and apart and not same_product and likeness.one_colour and steady():
        kind = "re_export"  # in other light: a picture that was recoloured keeps its time
    if kind == "recoloured":
        if same_product and same_view:
            return "round", "the same photograph, with the colour worked on"
        if same_product or apart:
            return None
        return kind, "one photograph in another colour"
    if _is_shared_lining(one, other):
        return "shared_lining", "one lining picture for the style"
    if (same_product or unnamed) and same_view:
        legitimate = _same_claim(one, other, gap, apart, same_size, unnamed, kind)
        if legitimate:
            return legitimate
    elif apart and likeness is not None and not steady():
        return None  # two exposures: only if nothing moved is one filed wrongly
    return "taken_again" if apart and likeness is not None else kind, _difference_note(kind, likeness)


def _apart(gap, one, other):
    """Whether two files were captured at two times, the frames of a fast burst too."""
    return gap > SAME_INSTANT or (one["fraction"] and other["fraction"] and gap > SAME_FRACTION)


def _same_claim(one, other, gap, apart, same_size, unnamed, kind):
    """(kind, note) where two files of one product and view may well show one photograph; None where not."""
    stems = [fact["file"].rpartition("/")[2].rpartition(".")[0].lower() for fact in (one, other)]
    if stems[0] == stems[1] and one["format"] != other["format"]:
        return "rendition", "one frame in two formats"
    rounds = [ROUND.search(stem) for stem in stems]
    if any(rounds) and (rounds[0] and rounds[0][0]) != (rounds[1] and rounds[1][0]):
        newer = one if _round_number(rounds[0]) > _round_number(rounds[1]) else other
        return "round", f"the newer round is {newer['file']}"
    if apart:
        return ("burst", f"{gap:.{0 if gap >= 1 else 2}f} s apart") if gap <= BURST_SECONDS else None
    if unnamed or _different_positions(one, other):
        return None
    if kind == "mirrored":
        return None
    if not same_size:
        return "rendition", "two sizes of one picture"
    if stems[0] == stems[1]:
        return "rendition", "one picture in two folders"
    return ("round", "two rounds of one picture") if kind != "same_pixels" else None


def _round_number(match):
    """A named round counts above an unnamed one, a final above the rest."""
    if match is None:
        return -1
    if "final" in match[0].lower():
        return 10**6 + int(match[1] or 0)
    return int(match[1] or 0)


def _different_positions(one, other):
    """Whether the names number them as two pictures; an unnumbered one is the first."""
    positions = [1 if pd.isna(fact["position"]) else int(fact["position"]) for fact in (one, other)]
    return positions[0] != positions[1]


def _is_shared_lining(one, other):
    """Whether two files may share one picture: a lining, of two products of one style."""
    if not (one["may_share"] and other["may_share"]) or _equal(one["sku"], other["sku"]):
        return False
    if isinstance(one["style"], str) and isinstance(other["style"], str):
        return one["style"] == other["style"]
    stems = [re.split(r"[_\-. ]", fact["sku"])[:-1] if isinstance(fact["sku"], str) else [] for fact in (one, other)]
    return bool(stems[0]) and stems[0] == stems[1]


def _difference_note(kind, likeness):
    if likeness is None:
        return "equal pixels"
    return f"lightness differs by {likeness.rms:.1f} of 255 (rms) once laid over one another"


def _equal(one, other):
    return isinstance(one, str) and isinstance(other, str) and one == other


def _named_apart(one, other):
    """Whether two files are named as two products."""
    return isinstance(one["sku"], str) and isinstance(other["sku"], str) and one["sku"] != other["sku"]


def _instant(text):
    seconds, offset = parse_time(text)
    return seconds - (offset if math.isfinite(offset) else 0.0)


def _pair_table(frames, pairs, hashes, present):
    """The pairs as a table."""
    files = frames["file"].to_numpy()
    rows = []
    for a, b, kind, note in pairs:
        bits = int(np.bitwise_count(hashes[a] ^ hashes[b])) if present[a] and present[b] else pd.NA
        rows.append((files[a], files[b], kind, bits, note))
    table = pd.DataFrame(rows, columns=PAIR_COLUMNS)
    return table.astype({"file_a": "str", "file_b": "str", "kind": "str", "bits": "Int64", "note": "str"})
