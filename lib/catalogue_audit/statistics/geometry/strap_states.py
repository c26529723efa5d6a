"""State of the strap in each picture, told from the evidence in the sketches."""

import re

import numpy as np
import pandas as pd

from catalogue_audit.measures.applicability import STRAIGHT_ON, shows_a_turn
from catalogue_audit.measures.geometry.strap import EVIDENCE

NO_STRAP = ("none", "no", "without", "false", "0")
LAID_APART = 0.008  # of the body's area; a coil beside the bag covers 0.03 and more, a fallen thread far less
BESIDE = 0.0015  # of the body's area, thin and low beside it: a strap that hangs down
ARCH = 0.1  # of the body's height, from which something stands above it
THIN, OVER_SPAN = 0.4, 0.6  # of `BESIDE`, enough of a thin strap that passes above the handle, from farther out than handles stand (of the body's width)
HELD_HEIGHT, HELD_SPAN = 0.6, 0.72  # a strap held up is anchored at the body's sides; handles stand closer
CURVE = 1.65  # contrast of a hanging curve against the same upside down; made bags without a strap in front reach 1.5
LIKELY_CURVE = 1.0  # enough in a turned view where the product has a strap: there it is farther from the family of curves
CLEAR_CONTRAST = 0.6  # of that curve, where nothing else says that the product has a strap: stripes and seams reach 0.5
RING = 0.05  # of the body's height; what a strap is fastened to stands out of both sides by as much
ATTACHED = 0.115  # the same with a strap on it; rings alone reach 0.08 on most bags and 0.11 on small ones
SURE_CONTRAST, NO_CONTRAST = 0.6, 0.28  # of a curve across the body: straps in front reach 0.4 to 1, bodies without 0.05 to 0.47
LESS_THAN_ALIKE = 0.65  # of the contrast in the style's other pictures of the view: the strap is not in front
LESS_THAN_FRONT, LESS_THAN_TURNED = 0.35, 0.88  # the same against the product's own front, where a strap shows more clearly, and turned view
SURE_CURVE = 3.0  # so much clearer than curves upside down are only straps; flaps reach 2.4
CHANGES_OUTLINE = ("draped", "coiled", "held_up")  # states in which the strap lies outside the body
MAJORITY = 0.7  # of a view's pictures of products with a strap, in the usual state
HALF, SECOND_HABIT = 0.5, 3  # the same, where it has this many times as many as any other state
FEWEST_OF_A_VIEW = 5  # pictures; as for any reference of a view
FEWEST_PRODUCTS_OF_A_VIEW = 8  # of a set
SURE_OUTLINE = 0.95  # confidence below which rings may be lost against the backdrop, and tell no length, or backdrop taken for the product
COLOURWAY_PART = re.compile(r"(?<=[^\W_])[-_. ]+[^\W_]+$")  # last part of a SKU
MORE_THAN_RINGS = 1.4  # times what stands out where the same product shows its rings alone


def strap_states(frames, sketches, products=None):
    """
    Strap state of each whole product.

    'front' and 'behind' are said as the camera sees it: a strap that hangs across a back
    picture is in front there. A strap behind the body is told by what of it stands out beside its
    rings, and reads 'none' where the body hides that too.

    Parameters
    ----------
    frames : DataFrame
        With ``file``, ``sku``, ``view``, ``view_kind``.
    sketches : mapping of str to dict
    products : DataFrame, optional
        With ``sku`` and ``strap``: a product whose strap is 'none' has none, one with another
        entry has one, so that less contrast is enough to see it.

    Returns
    -------
    ndarray of object
        One of `schema.STRAP_STATES`, or None where it cannot be known.
    """
    states = np.full(len(frames), None, dtype=object)
    skus = frames["sku"].fillna("").to_numpy()
    views = frames["view"].fillna("").to_numpy()
    kinds = frames["view_kind"].fillna("").to_numpy()
    found = {}
    for row, file in enumerate(frames["file"]):
        evidence = (sketches.get(file) or {}).get("strap")
        if kinds[row] == "upright" and evidence is not None and len(evidence) == len(EVIDENCE):
            found[row] = dict(zip(EVIDENCE, (float(v) for v in evidence)))
    handles = _handles_by_product(found, skus)
    sure = frames["outline_confidence"].to_numpy(float, na_value=0.0) >= SURE_OUTLINE
    rings = _rings_by_product(found, skus, views, sure)
    supplied, fastened_at_sides = supplied_straps(products), _ringed_products(found, skus, views, sure)
    first = [row for row in found if views[row] in STRAIGHT_ON]
    seen = set()
    for row in first + [row for row in found if views[row] not in STRAIGHT_ON]:
        sku = skus[row]
        known = True if sku in seen else supplied.get(sku)
        turned = shows_a_turn(views[row])
        states[row] = strap_state(found[row], handles.get(sku), known, turned, rings.get(sku, 0.0), sure[row], sku in fastened_at_sides)
        if views[row] == "front" and states[row] == "front" and sku:
            seen.add(sku)
    fastened = [row for row in found if _says_behind_or_front(states[row], found[row], views[row], rings.get(skus[row], 0.0), sure[row])]
    styles = styles_of(frames)
    contrasts = {row: found[row]["contrast"] for row in fastened}
    of_style, of_product = {}, {}
    for row in fastened:
        of_style.setdefault((styles[row], views[row]), []).append(row)
        of_product.setdefault(skus[row], []).append(row)
    told = {}
    for row in fastened:
        kin = of_style[styles[row], views[row]], of_product[skus[row]]
        told[row] = _front_or_behind(row, states[row], found[row]["curve"], contrasts, skus, views, kin)
    for row, state in told.items():
        states[row] = state
    return states


def _says_behind_or_front(state, evidence, view, rings, sure):
    """Whether a picture of the product's face shows a strap on its rings, of which only the contrast tells where it hangs."""
    turned = shows_a_turn(view)
    facing = turned or view not in STRAIGHT_ON or view == "front"
    return facing and state in ("front", "behind") and _attached(evidence, turned, rings, sure)


def _front_or_behind(row, state, curve, contrasts, skus, views, kin):
    """
    'front' or 'behind' of a strap that is fastened, None where nothing tells; ``state`` is what the picture says by itself; ``kin``: rows of its style and view, and of its product.

    The edge of a flap may look like a curve across the body, and a strap of the body's own colour hardly
    stands out; so what is neither is compared with the same view of the style's other products, and
    with the product's own other views. It hangs in front where it is as clear as in any of them.
    """
    contrast = contrasts[row]
    if contrast >= SURE_CONTRAST or curve >= SURE_CURVE:
        return "front"
    if contrast < NO_CONTRAST:
        return state
    of_style, of_product = kin
    alike = [contrasts[other] for other in of_style if skus[other] != skus[row]]
    own = [contrasts[other] for other in of_product if shows_a_turn(views[other]) != shows_a_turn(views[row])]
    least = []
    if len(alike) >= 2:
        least.append(LESS_THAN_ALIKE * float(np.median(alike)))
    if own:
        least.append((LESS_THAN_FRONT if shows_a_turn(views[row]) else LESS_THAN_TURNED) * max(own))
    if not least:
        return state if state == "front" else None
    return "front" if contrast >= min(least) else "behind"


def styles_of(frames):
    """Style of each row by the products file, else the SKU without its last part; a SKU of one part is a style of its own."""
    named = zip(frames["style"], frames["sku"], strict=True)
    return [style if isinstance(style, str) and style else COLOURWAY_PART.sub("", str(sku)) for style, sku in named]


def usual_state(states):
    """
    The state that a set's pictures usually show; None where they are few or follow no clear rule.

    Clear is what 70 % of them show, or half of them and three times as many as any other state: several faults,
    each of its own kind, leave a rule standing; two habits do not.

    Parameters
    ----------
    states : Series of str

    Examples
    --------
    >>> import pandas as pd
    >>> usual_state(pd.Series(["front"] * 4 + ["coiled", "behind"]))
    'front'
    >>> usual_state(pd.Series(["front"] * 4 + ["behind"] * 3)) is None
    True
    """
    counts = states.value_counts()
    if len(states) < FEWEST_OF_A_VIEW:
        return None
    most, next_most = counts.iloc[0], counts.iloc[1:].max() if len(counts) > 1 else 0
    clear = most >= MAJORITY * len(states) or (most >= HALF * len(states) and most >= SECOND_HABIT * next_most)
    return counts.index[0] if clear else None


def usual_of_styles(states, styles):
    """
    The state that most styles usually show, each counted once; None where they are few or follow no clear rule.

    Parameters
    ----------
    states, styles : (n,) object

    Examples
    --------
    >>> usual_of_styles(["front"] * 9 + ["draped"], list("aabcdefghi"))
    'front'
    >>> usual_of_styles(["front"] * 9 + ["draped"], list("aaaaabbbbc")) is None
    True
    """
    own = pd.DataFrame({"style": styles, "state": states}).groupby("style")["state"].agg(lambda shown: shown.mode().iloc[0])
    return usual_state(own) if len(own) >= FEWEST_PRODUCTS_OF_A_VIEW else None


def supplied_straps(products):
    """sku -> whether the products file gives it a strap; left out where it does not say."""
    if products is None or not {"sku", "strap"} <= set(products.columns):
        return {}
    words = products["strap"].astype("string").str.strip().str.lower()
    return {sku: word not in NO_STRAP for sku, word in zip(products["sku"], words) if isinstance(word, str) and word}


def _handles_by_product(found, skus):
    """
    Height of what stands above each product in all of its pictures: its handles.

    Needs two pictures; with one, a wide arch may be either.
    """
    heights = {}
    for row, evidence in found.items():
        heights.setdefault(skus[row], []).append(evidence["arch_height"])
    return {sku: min(values) for sku, values in heights.items() if len(values) > 1 and sku}


def _rings_by_product(found, skus, views, sure):
    """What stands out of the sides in the straight-on picture that shows least of it: the rings alone. Needs two pictures with a sure outline."""
    lengths = {}
    for row, evidence in found.items():
        if views[row] in STRAIGHT_ON and skus[row] and sure[row]:
            lengths.setdefault(skus[row], []).append(_standing_out(evidence, False, True))
    return {sku: min(values) for sku, values in lengths.items() if len(values) > 1}


def _ringed_products(found, skus, views, sure):
    """Products on both of whose sides something stands out in every straight-on picture with a sure outline, two or more: rings."""
    shortest = {}
    for row, evidence in found.items():
        if views[row] in STRAIGHT_ON and skus[row] and sure[row]:
            shortest.setdefault(skus[row], []).append(min(evidence["stub_left"], evidence["stub_right"]))
    return {sku for sku, values in shortest.items() if len(values) > 1 and min(values) > RING}


def _standing_out(evidence, turned, sure):
    """
    Length along the sides of what stands out of them; of the nearer side where the product is turned.

    A strap stands out of both sides; what an unsure outline shows on one alone may be backdrop.
    """
    both = evidence["stub_left"], evidence["stub_right"]
    if turned:
        return max(both)
    return sum(both) / 2 if sure else min(both)


def strap_state(evidence, handle_height=None, has_strap=None, turned=False, rings=0.0, sure=True, ringed=False):
    """
    State told from one picture's evidence.

    Parameters
    ----------
    evidence : dict
        As named by `measures.geometry.strap.EVIDENCE`.
    handle_height : float, optional
        What stands above the body in all pictures of this product, fraction of its height; None where not known.
    has_strap : bool, optional
        What the products file or the product's other pictures say.
    turned : bool
        Whether this is a three-quarter view.
    rings : float
        How far along the sides the product's rings alone stand out, fraction of its height; 0 where not known.
    sure : bool
        Whether the outline is certain.
    ringed : bool
        Whether the product has rings on both sides: a strap is fastened to them, where a hobo's handle grows out of the body.

    Returns
    -------
    str or None
        None where an uncertain outline shows something thin beside the body, which may be backdrop.
    """
    if has_strap is False:
        return "none"
    if evidence["apart"] > LAID_APART:
        return "coiled"
    beside = max(evidence["beside_left"], evidence["beside_right"])
    if BESIDE < beside <= LAID_APART and not sure:
        return None
    over = evidence["arch_height"] > ARCH and evidence["arch_bands"] >= 2 and evidence["arch_span"] > OVER_SPAN
    if beside > BESIDE or (over and beside > THIN * BESIDE):
        return "draped" if evidence["arch_height"] > ARCH else "coiled"
    wide = evidence["arch_height"] > HELD_HEIGHT and evidence["arch_span"] > HELD_SPAN
    over_handles = evidence["arch_bands"] >= 2 or (handle_height is not None and handle_height < 0.7 * evidence["arch_height"])
    if wide and (over_handles or ringed):
        return "held_up"
    if _hangs_in_front(evidence, has_strap, turned):
        return "front"
    return "behind" if has_strap and _attached(evidence, turned, rings, sure) else "none"


def _attached(evidence, turned, rings, sure):
    """Whether more than the rings alone stands out of the sides."""
    return _standing_out(evidence, turned, sure) > max(ATTACHED if rings == 0 else 0.8 * ATTACHED, MORE_THAN_RINGS * rings)


def _hangs_in_front(evidence, has_strap, turned):
    """Whether a curve hangs across the body as clearly as this view and product call for."""
    if has_strap:
        return evidence["curve"] > (LIKELY_CURVE if turned else CURVE)
    fastened = min(evidence["stub_left"], evidence["stub_right"]) > RING
    return evidence["curve"] > CURVE and (fastened or evidence["contrast"] > CLEAR_CONTRAST)
