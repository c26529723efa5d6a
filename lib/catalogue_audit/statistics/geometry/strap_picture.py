"""State of the strap as one picture's evidence tells it."""

from typing import NamedTuple

from catalogue_audit.measures.applicability import shows_a_turn

LAID_APART, MOST_APART = 0.008, 0.3  # of the body's area; a coil beside the bag covers 0.03 and more, a fallen thread far less, and what is larger is a thing of its own
BESIDE = 0.0015  # of the body's area, thin and low beside it: a strap that hangs down
ONE_SIDED = 0.3  # of the larger; a coil lies on one side of the product
FROM_TOP, FROM_ABOVE, FROM_BASE = 0.02, 0.5, 0.85  # of the body's height, where what is beside it begins: along its whole side, which is the outline's doubt; hanging; lying on the ground; at the foot, where a base may stand out
ARCH = 0.1  # of the body's height, from which something stands above it
THIN, OVER_SPAN = 0.4, 0.6  # of `BESIDE`, enough of a thin strap that passes above the handle, from farther out than handles stand (of the body's width)
HELD_HEIGHT = 0.4  # of the body's height; a strap at full length rises farther, a belt lies lower
HELD_SPAN = {False: 0.72, True: 0.67}  # of the body's width, square and turned: a strap is fastened at its sides, handles stand 0.3 to 0.6 apart
NO_CROWN, CUT_SPAN = 0.9, 0.8  # of its height, over the middle of which nothing stands, and of the body's width: of a strap whose crown lies beyond the frame
FARTHER = 0.3  # of the body's width, by which legs without a crown stand farther apart than the product's handle; of 246 handles on turned bodies one stands farther than 0.25 beyond its straight-on width
SWING_HANDLE = 0.55  # of the body's height, up to which what stands above it in all of a product's pictures, however wide, is a bucket's handle: a strap at full length rises farther
HANDLE_SPAN = 0.62  # of the body's width; where a product's straight-on pictures show no wider arch, it has handles
AS_TALL = 0.7  # of its height, from which what stands above the body in all of a product's pictures may be its handle
EVERYWHERE, AS_WIDE = 0.8, 0.1  # of its height, and of the body's width in straight-on ones, to which it is the same in all: of ten buckets from 0.85, and within 0.08
BAND = 0.075  # of the body's width: thickness of what stands so tall in some pictures alone, and is no handle
RIBBON, SLIM = 0.048, 13.0  # of the body's width, and times its thickness, how high it rises; handles that take the weight are thicker, or closer together
LEVEL, SLANTING = 0.12, 0.17  # of its height: how unlike the halves of an arch are; two handles seen from the side reach 0.2, but are thicker
LAID_SPAN, LAID_RIBBON = 0.55, 0.022  # of the body's width: of a strap laid over the product
TWO_CROWNS = 0.06  # of its height; so deep is no dip in one arch
FALLEN = 0.12  # of the body's height, that legs beside it pass on both sides: only straps fallen to the ground pass more than 0.06
HOLLOW = 0.05  # of the body's height, by which a hobo's upper edge hangs between the ends of its handle
CURVE = 1.65  # contrast of a hanging curve against the same upside down; made bags without a strap in front reach 1.5
LEAST_CLEAR = {False: 0.45, True: 0.28}  # contrast of that curve, square and turned, where the product has a strap; of 138 straps in front two lie below, one of them a ribbon: there the ratio is of two edges that are hardly seen
LIKELY_CURVE = 1.0  # enough in a turned view where the product has a strap: there it is farther from the family of curves
OPEN_CURVE, OPEN_CONTRAST = 1.4, 0.38  # below both of which such a turned view tells nothing: of ten straps in front whose curve is below 1.3 the least contrast is 0.40, of three behind or none the most 0.36
CLEAR_CONTRAST = 0.45, 0.6, 0.82  # of that curve, where nothing else says that the product has a strap: between rings, on a back without, on a face without; flaps reach 0.8
RIBBON_ACROSS, LEAST_CHANCE = 0.35, 0.12  # of a ribbon along that curve, and least of what a body gives by chance: straps in front reach 0.3 to 0.9, made bags without 0.3
OVER_CHANCE = {True: 1.4, False: 2.0}  # times what the body gives by chance, between rings and without
PATTERN_CURVE, PATTERN_RIBBON = 3.0, 1.2  # times what the body gives by chance; where quilting curves both ways, neither tells a strap without rings
RING = 0.05  # of the body's height; what a strap is fastened to stands out of both sides by as much
ATTACHED = 0.115  # the same with a strap on it; rings alone reach 0.08 on most bags and 0.11 on small ones
MORE_THAN_RINGS = 1.4  # times what stands out where the same product shows its rings alone


class Shape(NamedTuple):
    """
    Of a product with two pictures and more; None where not known.

    ``height``: least of what stands above the body in all of them, fraction of its height: its handles; ``span``, ``slant``: least and most of it in
    the straight-on ones, as `EVIDENCE` has them; ``hollow`` of the body's upper edge there; ``held``: whether they show a strap held up;
    ``front_without``: whether the front alone shows none across it; ``fallen``: whether they show a strap that falls to the ground on both sides; ``coiled``: whether they show one apart from the
    body, which then is what stands out beside it in other views, half hidden by the body.
    """

    height: float | None = None
    span: float | None = None
    slant: float | None = None
    hollow: float | None = None
    held: bool = False
    front_without: bool = False
    fallen: bool = False
    coiled: bool = False


def strap_state(evidence, has_strap=None, view="front", rings=0.0, sure=True, shape=Shape()):
    """
    State told from one picture's evidence.

    Parameters
    ----------
    evidence : dict
        As named by `measures.geometry.strap.EVIDENCE`.
    has_strap : bool, optional
        What the products file or the product's other pictures say.
    view : str
    rings : float
        How far along the sides the product's rings alone stand out, fraction of its height; 0 where not known.
    sure : bool
        Whether the outline is certain.
    shape : Shape
        What the product's pictures say of its handles and its upper edge.

    Returns
    -------
    str or None
        None where an uncertain outline shows something thin beside the body, which may be backdrop.

    Examples
    --------
    >>> from catalogue_audit.measures.geometry.strap import EVIDENCE
    >>> arch = {"arch_height": 0.9, "arch_span": 0.88, "arch_bands": 1, "arch_thickness": 0.02}
    >>> strap_state(dict.fromkeys(EVIDENCE, 0.0) | arch)
    'held_up'
    """
    if has_strap is False:
        return "none"
    if lies_apart(evidence):
        return "coiled"
    turned = shows_a_turn(view)
    hobo = (evidence["hollow"] if shape.hollow is None else shape.hollow) > HOLLOW
    if not hobo and held_up(evidence, turned, shape, sure):
        return "held_up"
    beside = max(evidence["beside_left"], evidence["beside_right"])
    begins = evidence["beside_begins"]
    if BESIDE < beside <= LAID_APART and not sure:
        return None
    if (not turned and fallen(evidence)) or (turned and shape.fallen and beside > BESIDE):  # one leg of a turned body's may be sewn on
        return "draped"
    if not hobo and _laid_over(evidence, beside if FROM_TOP < begins < FROM_BASE and not shape.coiled else 0.0, shape):
        return "draped"
    on_one_side = min(evidence["beside_left"], evidence["beside_right"]) < ONE_SIDED * beside
    if beside > BESIDE and on_one_side and (shape.coiled or (evidence["arch_height"] <= ARCH and begins > FROM_ABOVE)):
        return "coiled"
    if hangs_across(evidence, has_strap, view, shape.front_without):
        by_ribbon = ribbon_across(evidence) or ribbon_across_the_face(evidence)
        return None if turned and not by_ribbon and evidence["curve"] < OPEN_CURVE and evidence["contrast"] < OPEN_CONTRAST else "front"
    hangs = attached(evidence, turned, rings, sure)
    if hangs and shape.fallen:
        return None  # where the ground between strap and body is lost in shade
    return "behind" if has_strap and hangs and view != "back" else "none"  # a strap behind the product would be seen across its back


def lies_apart(evidence):
    """Whether a part as large as a coiled strap lies beside the body."""
    return LAID_APART < evidence["apart"] < MOST_APART


def fallen(evidence):
    """Whether a strap falls to the ground on both sides of a body."""
    return min(evidence["falls_left"], evidence["falls_right"]) > FALLEN


def held_up(evidence, turned, shape=Shape(), sure=True):
    """Whether a thin level arch stands over the body's whole width, that is no handle of the product's; in a turned view a broad ribbon shows its face. ``sure``: the outline is."""
    tall, span = evidence["arch_height"], evidence["arch_span"]
    no_crown = evidence["arch_valley"] > NO_CROWN  # beyond the frame: how tall it is, and whether as tall as the handle, is not seen
    farther = turned and no_crown and shape.span is not None and span > shape.span + FARTHER
    if tall <= HELD_HEIGHT or span <= HELD_SPAN[turned] or (_is_the_handle(tall, shape.span, HANDLE_SPAN, shape) and not farther):
        return False
    if turned and shape.held:
        return True
    everywhere = shape.height is not None and shape.height > EVERYWHERE * tall and (turned or (shape.span is not None and span < shape.span + AS_WIDE))
    if everywhere and tall < SWING_HANDLE and not farther:
        return False
    cut = no_crown and span > CUT_SPAN  # of two legs that stand at the body's sides
    here_alone = sure and shape.height is not None and shape.height <= AS_TALL * tall
    slim = evidence["arch_thickness"] < (BAND if here_alone else RIBBON) or evidence["arch_slimness"] > SLIM  # a strap may be broad beside a small body
    return slim and evidence["arch_slant"] < LEVEL and (cut or evidence["arch_valley"] < TWO_CROWNS)


def _is_the_handle(tall, least, limit, shape):
    """Whether what stands so tall above the body does so in all of the product's pictures, and is as handles are in a straight-on one."""
    return least is not None and least < limit and shape.height is not None and shape.height > AS_TALL * tall


def _laid_over(evidence, beside, shape):
    """Whether a strap passes over the product: thin and slanting, or hanging down beside it under something that stands above the body."""
    tall = evidence["arch_height"]
    if tall <= ARCH:
        return False
    thin = 0 < evidence["arch_thickness"] < LAID_RIBBON
    slants = thin and evidence["arch_slant"] > SLANTING and evidence["arch_span"] > LAID_SPAN
    over = evidence["arch_bands"] >= 2 and evidence["arch_span"] > OVER_SPAN
    laid = slants and not _is_the_handle(tall, shape.slant, LEVEL, shape)
    return laid or beside > BESIDE or (over and beside > THIN * BESIDE)


def standing_out(evidence, turned, sure):
    """
    Length along the sides of what stands out of them; of the nearer side where the product is turned.

    A strap stands out of both sides; what an unsure outline shows on one alone may be backdrop.
    """
    both = evidence["stub_left"], evidence["stub_right"]
    if turned:
        return max(both)
    return sum(both) / 2 if sure else min(both)


def attached(evidence, turned, rings, sure):
    """Whether more than the rings alone stands out of the sides."""
    return standing_out(evidence, turned, sure) > max(ATTACHED if rings == 0 else 0.8 * ATTACHED, MORE_THAN_RINGS * rings)


def hangs_across(evidence, has_strap, view, front_without=False):
    """Whether a curve hangs across the body as clearly as this view and product call for; ``front_without``: the product's front shows none."""
    fastened = min(evidence["stub_left"], evidence["stub_right"]) > RING
    if ribbon_across(evidence, fastened) or (shows_a_turn(view) and ribbon_across_the_face(evidence)):
        return True
    if has_strap:
        turned = shows_a_turn(view)
        return evidence["curve"] > (LIKELY_CURVE if turned else CURVE) and evidence["contrast"] > LEAST_CLEAR[turned]
    between_rings, back, face = CLEAR_CONTRAST
    clear = between_rings if fastened and not front_without else back if view == "back" or fastened else face
    patterned = not fastened and evidence["curve"] < PATTERN_CURVE and evidence["ribbon"] < PATTERN_RIBBON * evidence["ribbon_by_chance"]
    return evidence["curve"] > CURVE and evidence["contrast"] > clear and not patterned


def ribbon_across(evidence, fastened=False):
    """Whether a ribbon of one width hangs across the body, more of it than the body gives by chance; less is enough where it is ``fastened`` to rings and its edges are seen."""
    by_chance = max(evidence["ribbon_by_chance"], LEAST_CHANCE)
    return evidence["ribbon"] > max(RIBBON_ACROSS, OVER_CHANCE[fastened and evidence["contrast"] > LEAST_CLEAR[True]] * by_chance)


def ribbon_across_the_face(evidence):
    """The same across the face of a turned body."""
    return evidence["turned_ribbon"] > max(RIBBON_ACROSS, OVER_CHANCE[False] * max(evidence["turned_by_chance"], LEAST_CHANCE))
