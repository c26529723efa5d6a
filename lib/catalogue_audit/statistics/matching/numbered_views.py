"""
Which views the numbers of file names stand for, where neither names nor brief say so.

``SKU_1.jpg`` to ``SKU_4.jpg`` name no view, but in nearly every delivery a number stands for one view throughout. What
most pictures of a number show tells it: a crop is a detail, a turned product the three-quarter view, and of those that
face the camera squarely the first is the front and the next of the same outline the back (common practice, no source).
"""

import math
from collections import Counter, defaultdict
from typing import NamedTuple

import numpy as np

from catalogue_audit.measures.records import CONFIDENCE_LIMIT

FEWEST = 3  # pictures that must agree on what a number shows
AGREEING = 2 / 3  # of those that tell anything; the rest are faults and odd products
TELLING = 0.5  # of all pictures of the number, where those that tell do not all say the same
TURNED_DEG, SQUARE_DEG = 12.0, 6.0  # from here turned, up to here facing the camera; between the two it tells nothing
SAME_OUTLINE = 0.06  # ln of width over height, back beside front: what perspective and soft sides change
NARROWER = 0.25  # the same, of a side beside the front


class Shown(NamedTuple):
    """What one picture shows: ``kind`` 'crop', 'turned', 'square' or '' where it is open; ``aspect`` ln of width over height of a whole product."""

    kind: str
    aspect: float


def what_is_shown(facts):
    """
    What a picture shows, by its measures alone.

    Parameters
    ----------
    facts : dict
        Of pass one, before the view rules anything out.

    Returns
    -------
    Shown

    Examples
    --------
    >>> what_is_shown({"outline_confidence": 1.0, "touches": "", "yaw_deg": -31.0, "yaw_sd_deg": 2.0}).kind
    'turned'
    >>> what_is_shown({"outline_confidence": 0.9, "touches": "left right"}).kind
    'crop'
    """
    confidence = facts.get("outline_confidence")
    if confidence is None or facts.get("target"):
        return Shown("", math.nan)
    if confidence < CONFIDENCE_LIMIT or facts.get("touches"):
        return Shown("crop", math.nan)
    width, height = facts.get("fill_width"), facts.get("fill_height")
    frame = (facts.get("width_px") or 1) / (facts.get("height_px") or 1)
    aspect = math.log(width / height * frame) if width and height else math.nan
    turn, sd = facts.get("yaw_deg"), facts.get("yaw_sd_deg") or 0.0
    if turn is None and facts.get("straight_on_turn"):
        turn, sd = facts["straight_on_turn"]
    if turn is None:
        return Shown("", aspect)
    if abs(turn) >= max(TURNED_DEG, 3 * sd):
        return Shown("turned", aspect)
    return Shown("square" if abs(turn) <= SQUARE_DEG else "", aspect)


def views_of_numbers(pictures, named=frozenset()):
    """
    The view of each number.

    Parameters
    ----------
    pictures : iterable of (int, str, Shown)
        Number, SKU and what is shown, of every numbered picture.
    named : set of str
        Views that other names of the set give.

    Returns
    -------
    dict of int to (str, int or None)
        View, and which picture of that view it is where several numbers show it, by number, of those numbers whose
        view is told; empty where none is told to be the front, by its number or by other names.
    """
    by_number = defaultdict(dict)
    for number, sku, shown in pictures:
        by_number[number].setdefault(sku, shown)
    kinds = {number: _agreed(list(by_number[number].values())) for number in sorted(by_number)}
    square = [number for number, kind in kinds.items() if kind == "square"]
    if not square and "front" not in named:
        return {}
    views = {number: "detail" for number, kind in kinds.items() if kind == "crop"}
    views |= {number: "three_quarter" for number in [number for number, kind in kinds.items() if kind == "turned"][:1]}
    for number in square[:1]:
        views[number] = "front"
    for number in square[1:]:
        wider = _wider(by_number[number], by_number[square[0]])
        view = "back" if abs(wider) <= SAME_OUTLINE else "side" if wider < -NARROWER else ""
        if view and view not in views.values():
            views[number] = view
    ordered = [views[number] for number in sorted(views)]
    counts = [_count(ordered, place, view in named) for place, view in enumerate(ordered)]
    return dict(zip(sorted(views), zip(ordered, counts, strict=True), strict=True))


def _count(ordered, place, named):
    """Which picture of its view one of several is; None for the only one. What has the view by name comes first."""
    view = ordered[place]
    return ordered[: place + 1].count(view) + named if named or ordered.count(view) > 1 else None


def _agreed(shown):
    """What most pictures of a number show, or an empty text."""
    told = [picture.kind for picture in shown if picture.kind]
    if len(told) < FEWEST or (len(told) < TELLING * len(shown) and len(set(told)) > 1):
        return ""
    kind, count = Counter(told).most_common(1)[0]
    return kind if count >= max(FEWEST, AGREEING * len(told)) else ""


def _wider(of_number, of_front):
    """By how much, in ln, a number's outlines are wider for their height than the fronts of the same products; inf where unknown."""
    both = [of_number[sku].aspect - of_front[sku].aspect for sku in of_number if sku in of_front]
    known = [difference for difference in both if math.isfinite(difference)]
    return float(np.median(known)) if known else math.inf
