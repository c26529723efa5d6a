"""
Whether two files show one photograph, and what that means by what the files claim to be.

No more than numbers, names and sketches are asked for, so that any process can be asked.
"""

import functools
import math
import re
from collections import OrderedDict
from typing import NamedTuple

from catalogue_audit.measures.applicability import STRAIGHT_ON
from catalogue_audit.statistics.matching.laying import picture_of, turn_of
from catalogue_audit.statistics.matching.likeness import EXACT_PEAK, EXACT_RMS, MOST_DISTORTED, SAME_COLOUR, compare
from catalogue_audit.statistics.matching.moved import nothing_moved, same_grain, seen_in_another_perspective
from catalogue_audit.statistics.sku_parts import may_be_colourways, sure_stem

SAME_INSTANT = 1.0  # s; copies of one frame keep its time, but perhaps not its fraction of a second
SAME_FRACTION = 0.005  # s, where both files have the fraction
BURST_SECONDS = 120.0  # frames of one product and view nearer than this are a burst or bracket
PLAINLY_APART = 3 * SAME_COLOUR  # CIELAB, of thumbnails' products; what is moved over the other must have its colour in the end
SKETCHES_AT_HAND = 64  # 0.45 MB each, decoded: 29 MB
SKETCH_KEYS = ("preview", "thumb", "mask", "keypoints", "descriptors")
PHOTOGRAPHED_AGAIN = "photographed_again"  # one bag, under two products, seen alike: no copy, but one of the two is filed wrongly
PERHAPS_AGAIN = "perhaps_again"  # the same under two products, but a second photograph with as good as nothing moved is not ruled out
TWO_FACES = "two_faces"  # of one plain product, or one photograph under both names: nothing tells
CROPPED_ROUND = "cropped_round"  # two rounds of one view, of which one may have been framed anew on purpose
ROUND = re.compile(r"(?:^|[_\-. /])(?:v|r|rev|round|version|retouch(?:ed)?|final|edit(?:ed)?|proof)[_\-]?(\d*)(?=$|[_\-. /])", re.I)


class Pair(NamedTuple):
    """
    Two files that may show one photograph.

    ``facts`` of both (``file``, ``sku``, ``view``, ``position``, ``style``, ``format``, ``width_px``, ``height_px``, ``seconds``,
    ``fraction``, ``may_share``), ``pixels`` and ``colours`` of their signatures, their products' ``boxes``, the ``ways`` in which
    they may lie over one another (`nominating.nominations`).
    """

    facts: tuple
    pixels: tuple
    colours: tuple
    boxes: tuple
    ways: set


class Recent:
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


def verified(loaded, pair):
    """
    (kind, note) of a pair of files, or None where they are two photographs.

    Parameters
    ----------
    loaded : Recent
    pair : Pair
    """
    one, other = pair.facts
    gap = abs(one["seconds"] - other["seconds"])  # NaN where either is unknown
    apart = _apart(gap, one, other)
    sizes = (one["width_px"], one["height_px"]), (other["width_px"], other["height_px"])
    same_size = sizes[0] == sizes[1]
    if pair.pixels[0] == pair.pixels[1] and same_size:
        kind, likeness, unmoved = "same_pixels", None, None
    else:
        sketches = loaded[one["file"]], loaded[other["file"]]
        known = "detail" not in pair.ways and all("mask" in sketch for sketch in sketches)
        one_colour = not known or math.dist(*pair.colours) <= PLAINLY_APART
        likeness = compare(*sketches, *pair.boxes, pair.ways, one_colour)
        kind = likeness.kind
        unmoved = functools.cache(lambda: _unmoved(likeness, *sketches))
    if not kind:
        return None
    if kind == "recoloured" and not apart and _another_exposure(likeness, one, other, unmoved):
        kind = "re_export"
    differ_in_nothing = likeness is not None and likeness.rms <= EXACT_RMS and likeness.peak <= EXACT_PEAK
    steady = lambda: unmoved() or (unmoved() is None and differ_in_nothing)
    turned = kind in ("re_cropped", "mirrored") and turn_of(likeness.matrix) > MOST_DISTORTED
    named_apart = _named_apart(one, other)
    if turned and not (apart and named_apart):
        return None  # a flat product that was put down again lies turned, and so looks like itself alone
    if named_apart and kind in ("re_export", "re_cropped", "mirrored") and unmoved() is False:
        again = kind != "mirrored" and (differ_in_nothing or not apart)  # the same in lightness, but not in the place of its parts
        return (PHOTOGRAPHED_AGAIN, "as good as the same, but parts of it lie otherwise") if again else None
    copied = gap <= SAME_INSTANT and not apart  # a copy keeps its time
    if named_apart and kind in ("re_export", "re_cropped") and not (copied or is_shared_lining(one, other)) and (not apart or steady()):
        otherwise = _in_another_perspective(likeness, *sketches)
        if otherwise:
            return PHOTOGRAPHED_AGAIN, "as good as the same, but seen in another perspective"
        untimed = math.isnan(one["seconds"]) and math.isnan(other["seconds"])
        if otherwise is None and (apart or (untimed and kind == "re_cropped")):  # a file that is copied keeps its framing
            return PERHAPS_AGAIN, _difference_note(kind, likeness)
    if (turned or (apart and kind in ("re_cropped", "mirrored"))) and not steady():
        return None
    if kind not in ("same_pixels", "recoloured") and _two_faces(one, other, kind):
        of_one_cut = _of_one_cut(likeness, *sketches) if steady() else False
        if of_one_cut is False:
            return None  # a plain bag's front and back are alike, but for the lie of seams and folds, or the grain alone
        if of_one_cut is None and not (kind == "re_export" and differ_in_nothing):  # two photographs do not lie in one place to a hundredth of a pixel
            return TWO_FACES, "as good as the same: the two faces of a plain bag, or one of them twice"
    if kind == "re_export" and not same_size:
        kind = "resized"
    return _judged(kind, likeness, steady, one, other, gap, same_size)


def _another_exposure(likeness, one, other, unmoved):
    """
    Whether what seems recoloured is one photograph made brighter or darker, or balanced otherwise.

    Of two colourways the rest of the frame has to show it, else the one may have been made of the other's photograph. No view is made of
    another's, and no product of another style's: there it is enough that light may explain the colour.
    """
    if _equal(one["sku"], other["sku"]):
        alone = not _equal(one["view"], other["view"])
        possible = alone
    else:
        alone, possible = _of_two_styles(one, other), _named_apart(one, other)
    return possible and (likeness.one_light or (alone and likeness.one_colour)) and unmoved() is True


def _unmoved(likeness, first, second):
    """Whether two pictures differ in light, focus and noise alone, so that even at two times they are one photograph; None where that is not seen."""
    shapes = [picture_of(sketch).shape[:2] for sketch in (first, second)]
    return nothing_moved(first, second, likeness.matrix, shapes, likeness.flipped)


def _in_another_perspective(likeness, first, second):
    """Whether the camera, or the product, was turned between two pictures, which no new export does; None where that is not sure."""
    shapes = [picture_of(sketch).shape[:2] for sketch in (first, second)]
    return seen_in_another_perspective(first, second, likeness.matrix, shapes)


def _of_one_cut(likeness, first, second):
    """Whether two products that lie over one another show one cut of material in one place; None where that is not sure."""
    shapes = [picture_of(sketch).shape[:2] for sketch in (first, second)]
    return same_grain(first, second, likeness.matrix, shapes, likeness.flipped)


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
    if is_shared_lining(one, other):
        return "shared_lining", "one lining picture for the style"
    if (same_product or unnamed) and same_view:
        legitimate = _same_claim(one, other, gap, apart, same_size, unnamed, kind)
        if legitimate:
            return legitimate
    elif apart and likeness is not None and not steady():
        return None  # two exposures: only if nothing moved is one filed wrongly
    again = apart and likeness is not None and kind != "mirrored"  # no camera mirrors what it takes again
    return "taken_again" if again else kind, _difference_note(kind, likeness)


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
    if kind == "re_cropped":
        return CROPPED_ROUND, "one picture in two framings, and no name says which is the newer"
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
    positions = [1 if fact["position"] is None else int(fact["position"]) for fact in (one, other)]
    return positions[0] != positions[1]


def is_shared_lining(one, other):
    """Whether two files may share one picture: a lining, of two products of one style."""
    if not (one["may_share"] and other["may_share"]) or _equal(one["sku"], other["sku"]):
        return False
    if isinstance(one["style"], str) and isinstance(other["style"], str):
        return one["style"] == other["style"]
    return may_be_colourways(one["sku"], other["sku"])


def _difference_note(kind, likeness):
    if likeness is None:
        return "equal pixels"
    return f"lightness differs by {likeness.rms:.1f} of 255 (rms) once laid over one another"


def _equal(one, other):
    return isinstance(one, str) and isinstance(other, str) and one == other


def _two_faces(one, other, kind):
    """Whether two files are named as faces of one product that look alike where it is plain: front and back, or its two sides, of which one mirrors the other."""
    views = {one["view"], other["view"]}
    sides = views == {"side"} and (kind == "mirrored" or _different_positions(one, other))
    return _equal(one["sku"], other["sku"]) and (views == set(STRAIGHT_ON) or sides)


def _of_two_styles(one, other):
    """Whether two files are named as products of two styles: by the products file, else by SKUs that end in a colour and begin otherwise."""
    if not _named_apart(one, other):
        return False
    if isinstance(one["style"], str) and isinstance(other["style"], str):
        return one["style"] != other["style"]
    stems = [sure_stem(fact["sku"]) for fact in (one, other)]
    return stems[0] != stems[1] and all(stem != fact["sku"] for stem, fact in zip(stems, (one, other), strict=True))


def _named_apart(one, other):
    """Whether two files are named as two products."""
    return isinstance(one["sku"], str) and isinstance(other["sku"], str) and one["sku"] != other["sku"]
