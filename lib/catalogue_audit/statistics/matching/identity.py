"""
Which files show one photograph, which look alike, and which of that is as it should be.

Sameness is legitimate between the renditions of one picture, raw and JPEG of
one frame, the frames of a burst or bracket, the rounds of a retouch, a lining
photographed once for a style, and colourways made from one photograph. Only
the rest are duplicates.
"""

import math

import numpy as np
import pandas as pd

from catalogue_audit.statistics.matching.misfiling import misfiled
from catalogue_audit.statistics.matching.neighbours import components_within, parse_hashes
from catalogue_audit.statistics.matching.nominating import nominations
from catalogue_audit.statistics.matching.signatures import signed
from catalogue_audit.statistics.matching.verifying import CROPPED_ROUND, PHOTOGRAPHED_AGAIN, TWO_FACES, Pair, Recent, is_shared_lining, verified
from catalogue_audit.statistics.series.clock import parse_time
from catalogue_audit.statistics.series.numbering import connected, number_groups
from catalogue_audit.statistics.spread import blocks, spread

__all__ = ["group_pictures", "misfiled"]

SIMILAR_BITS = 6  # of 64: look-alikes; colourways of one photograph lie 0 to 4 apart
LEGITIMATE = ("burst", "rendition", "round", CROPPED_ROUND, "recoloured", "shared_lining", PHOTOGRAPHED_AGAIN, TWO_FACES)
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
        re_export, resized, re_cropped, mirrored, taken_again (the same, under
        another capture time, with nothing moved between), perhaps_again (of two products, a copy or a second photograph); legitimate: burst,
        rendition, round, cropped_round (perhaps), recoloured, shared_lining, photographed_again (what two products' files show
        is alike, but parts of it lie otherwise), two_faces (of one plain product, or one of them twice: nothing tells). Within a group each file
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
        fact["position"] = None if pd.isna(fact["position"]) else int(fact["position"])
    boxes = frames[["left", "top", "right", "bottom"]].astype(float).to_numpy()
    found = []
    empty = (frames["bytes"] == 0).fillna(False).astype(bool)  # files without a byte show nothing twice
    same_bytes, representative = _same_bytes(frames["sha256"].where(~empty).to_numpy())
    for a, b in same_bytes:
        shared = is_shared_lining(facts[a], facts[b])
        found.append((a, b, "shared_lining" if shared else "same_bytes", ""))
    rows = np.flatnonzero(present & (representative == np.arange(len(frames)))).tolist()
    made = spread(signed, [(facts[row]["file"], boxes[row]) for row in rows], sketches)
    signatures = {row: one for row, one in zip(rows, made, strict=True) if one is not None}
    found += _one_photograph(facts, signatures, boxes, sketches, frames["sku"].to_numpy())
    return sorted(found)


def _one_photograph(facts, signatures, boxes, sketches, skus):
    """
    (row, row, kind, note) of pictures that are one photograph.

    In rounds: where some were found, one of each group is nominated anew with the others, as
    the nearest few of a picture may all have been copies of it.
    """
    loaded = Recent(sketches)
    linked, seen, one = {}, set(), []
    is_open = lambda a, b: (a, b) not in seen and _root(linked, a) != _root(linked, b)
    while True:
        members = {row: made for row, made in signatures.items() if _root(linked, row) == row}
        before = len(one)
        for block in blocks(nominations(members, skus).items(), sketches):
            wanted = [(pair, ways) for pair, ways in block if is_open(*pair)]
            pairs = [_pair(facts, signatures, boxes, *pair, ways) for pair, ways in wanted]
            for ((a, b), _), found in zip(wanted, spread(verified, pairs, sketches, loaded), strict=True):
                if not is_open(a, b):  # by another pair of the block
                    continue
                seen.add((a, b))
                if found:
                    one.append((a, b, *found))
                    if found[0] not in ("recoloured", "shared_lining", PHOTOGRAPHED_AGAIN, TWO_FACES):
                        low, high = sorted((_root(linked, a), _root(linked, b)))
                        linked[high] = low
        if len(one) == before or not linked:
            return one


def _pair(facts, signatures, boxes, a, b, ways):
    told = signatures[a], signatures[b]
    return Pair((facts[a], facts[b]), tuple(one.pixels for one in told), tuple(one.colour for one in told), (boxes[a], boxes[b]), ways)


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
