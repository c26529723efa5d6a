"""State of the strap in each picture, told from the evidence in the sketches."""

from typing import NamedTuple

import numpy as np
import pandas as pd

from catalogue_audit.measures.applicability import STRAIGHT_ON, shows_a_turn
from catalogue_audit.measures.geometry.strap import EVIDENCE
from catalogue_audit.statistics.geometry.strap_beside_back import more_in_front
from catalogue_audit.statistics.geometry.strap_picture import ARCH, ATTACHED, CURVE, EVERYWHERE, HELD_HEIGHT, HELD_SPAN, HOLLOW, LEAST_CLEAR, RING, Shape, attached, fallen, held_up, lies_apart, ribbon_across, ribbon_across_the_face, standing_out, strap_state
from catalogue_audit.statistics.styles import shapes_of, style_families

NO_STRAP = ("none", "no", "without", "false", "0")
SURE_CONTRAST, NO_CONTRAST = 0.6, 0.28  # of a curve across the body: straps in front reach 0.4 to 1, bodies without 0.05 to 0.47
LESS_THAN_ALIKE = 0.65  # of the contrast in the style's other pictures of the view: the strap is not in front
LESS_THAN_FRONT, LESS_THAN_TURNED = 0.35, 0.88  # the same against the product's own front, where a strap shows more clearly, and turned view
SURE_CURVE = 3.0  # so much clearer than curves upside down are only straps; flaps reach 2.4
CHANGES_OUTLINE = ("draped", "coiled", "held_up")  # states in which the strap lies outside the body
MAJORITY = 0.7  # of a view's pictures of products with a strap, in the usual state
HALF, SECOND_HABIT = 0.5, 3  # the same, where it has this many times as many as any other state
FEWEST_OF_A_VIEW = 5  # pictures; as for any reference of a view
FEWEST_PRODUCTS_OF_A_VIEW = 8  # of a set
FEWEST_ALIKE = 2  # other straight-on pictures of a style
# Of what stands above the body: how much wider (of its width) and how much more slanting than in any other picture of the style one is where a strap comes
# down beside the handle, and how far (of the body's height) it may be taller. Of 595 pictures of three makes 0.05 and 0.04 are what handles leave between them.
WIDER, LOPSIDED, AS_TALL = 0.1, 0.07, 0.1
NOTHING_OUT = 0.02  # of the body's height along the sides, of a back without rings; rings alone reach 0.05 and more
SAME_HEIGHT = 0.05  # of the body's height, by which what stands above the body differs from picture to picture of one shape, at most
SURE_OUTLINE = 0.95  # confidence below which rings may be lost against the backdrop, and tell no length, or backdrop taken for the product


def strap_states(frames, sketches, products=None):
    """
    Strap state of each whole product.

    'front' and 'behind' are sides of the product: a strap across its back hangs behind it, in its front view too, where
    the body hides it. One that hangs in front and is hidden in the back view reads 'none' there. Where a back picture shows
    a strap across and the face's pictures show one too, or there are none, it is 'front': what the camera sees.

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
    shown = _shown(frames, sketches)
    supplied = supplied_straps(products)
    states = _each_by_itself(shown, supplied)
    _hidden_in_front(states, shown)
    _as_most_alike(states, shown, supplied)
    for row in _laid_beside_the_handle(shown):
        if states[row] in ("none", "behind") and supplied.get(shown.skus[row]) is not False:
            states[row] = "draped"
    _by_contrast(states, shown)
    _taken_off_for_the_back(states, shown, supplied, {row: sketches[frames["file"].iloc[row]] for row in shown.square})
    _behind_the_product(states, shown.skus, shown.views, shown.styles)
    _as_its_face(states, shown)
    return states


class Shown(NamedTuple):
    """
    What the pictures show; rows are positions in the frames.

    Attributes
    ----------
    found : dict of int to dict
        `EVIDENCE` of each upright picture that has it.
    square : list of int
        Those of them that are straight on.
    skus, views, styles, shapes : (n,) ndarray of str
        ``styles`` may share a word alone, products of one of the ``shapes`` are colourways.
    sure : (n,) ndarray of bool
        The outline is sure.
    rings : dict of str to float
        SKU to what its rings alone stand out of the sides (`_rings_by_product`).
    """

    found: dict
    square: list
    skus: np.ndarray
    views: np.ndarray
    styles: np.ndarray
    shapes: np.ndarray
    sure: np.ndarray
    rings: dict


def _shown(frames, sketches):
    skus, views, kinds = (frames[name].fillna("").to_numpy() for name in ("sku", "view", "view_kind"))
    found = {}
    for row, file in enumerate(frames["file"]):
        evidence = (sketches.get(file) or {}).get("strap")
        if kinds[row] == "upright" and evidence is not None and len(evidence) == len(EVIDENCE):
            found[row] = dict(zip(EVIDENCE, (float(v) for v in evidence)))
    sure = frames["outline_confidence"].to_numpy(float, na_value=0.0) >= SURE_OUTLINE
    square = [row for row in found if views[row] in STRAIGHT_ON]
    return Shown(found, square, skus, views, style_families(frames).to_numpy(), shapes_of(frames).to_numpy(), sure, _rings_by_product(found, skus, views, sure))


def _each_by_itself(shown, supplied):
    """State of each picture by its own evidence, (n,) object, straight-on ones first: what they show says what a turned one may show."""
    found, skus, views, sure, rings = shown.found, shown.skus, shown.views, shown.sure, shown.rings
    states, shapes = np.full(len(skus), None, dtype=object), _shapes_by_product(found, skus, views)
    seen, without = set(), set()
    for row in shown.square + [row for row in found if views[row] not in STRAIGHT_ON]:
        sku = skus[row]
        known = True if sku in seen and views[row] != "back" else supplied.get(sku)  # what hangs in front does not show in the back
        states[row] = strap_state(found[row], known, views[row], rings.get(sku, 0.0), sure[row], shapes.get(sku, Shape())._replace(front_without=sku in without))
        if views[row] == "front" and sku:
            (seen if states[row] == "front" else without).add(sku)
    return states


def _as_most_alike(states, shown, supplied):
    """
    Give a picture whose strap only a limit parts from pictures of the product and its colourways that show the same the state that most of these have.

    An arch as tall, and in straight-on pictures as wide, is the same handle, or the same strap, in all of them; so is a curve across the same view
    that is hardly clearer than its colourways' where no ribbon is seen: a flap's edge. Of as many on either side, no strap is told. An arch nearly wide
    enough is held up as those of its height are, where they and it are more than those that show it otherwise.
    Products whose strap is ``supplied`` (SKU to whether they have one) are told by that.
    """
    found, skus, views, of_shape, decided = shown.found, shown.skus, shown.views, {}, {}
    for row in shown.square:
        if skus[row] and skus[row] not in supplied:
            of_shape.setdefault(shown.shapes[row], []).append(row)
    for row, mine in found.items():
        if skus[row] in supplied or states[row] is None:
            continue
        turned, straight = bool(shows_a_turn(views[row])), views[row] in STRAIGHT_ON
        same_arch = [other for other in of_shape.get(shown.shapes[row], ()) if _same_arch(mine, found[other], straight)]
        if states[row] == "held_up":
            alike = same_arch
        elif (turned or straight) and mine["arch_height"] > ARCH and mine["arch_span"] > HELD_SPAN[turned] - WIDER and _mostly_held_up(states, same_arch, row):
            decided[row] = "held_up"
            continue
        elif states[row] == "front" and row in shown.square and not ribbon_across(mine, min(mine["stub_left"], mine["stub_right"]) > RING):
            alike = [other for other in of_shape.get(shown.shapes[row], ()) if views[other] == views[row] and _as_clear(mine, found[other])]
        else:
            continue
        told = [states[other] for other in alike if (skus[other], views[other]) != (skus[row], views[row]) and states[other] is not None]
        others = [state for state in told if state != states[row]]
        if others and 2 * len(others) > len(told):
            decided[row] = max(sorted(set(others)), key=others.count)
    for row, state in decided.items():
        states[row] = state


def _mostly_held_up(states, same_arch, row):
    """Whether most pictures of the same arch, this one among them, show it held up."""
    told = [states[other] for other in same_arch if other != row and states[other] is not None]
    return 2 * told.count("held_up") > len(told) + 1


def _same_arch(mine, other, straight):
    """Whether what stands above the body is as tall in both pictures, and as wide where both are ``straight`` on."""
    as_wide = not straight or abs(mine["arch_span"] - other["arch_span"]) < WIDER
    return as_wide and abs(mine["arch_height"] - other["arch_height"]) < SAME_HEIGHT


def _as_clear(mine, other):
    """Whether the curve across another picture's body is about as clear as across this one's."""
    return other["contrast"] >= LESS_THAN_ALIKE * mine["contrast"] and other["curve"] >= LESS_THAN_ALIKE * mine["curve"]


def _hidden_in_front(states, shown):
    """Say 'behind' of a strap that the turned view shows, hidden in the front view: that it hangs there tells what stands out beside the rings."""
    found, skus, views = shown.found, shown.skus, shown.views
    for row in shown.square:
        turned = [states[other] for other in found if skus[other] == skus[row] and shows_a_turn(views[other])]
        if views[row] == "front" and states[row] == "none" and skus[row] and turned and all(state == "front" for state in turned):
            states[row] = "behind" if attached(found[row], False, shown.rings.get(skus[row], 0.0), shown.sure[row]) else "none"


def _taken_off_for_the_back(states, shown, supplied, sketches):
    """
    Say 'behind' where as much as a strap stands out of both sides of a product's front, and nothing out of its back, or less in the same places.

    Front and back have one outline, mirrored: what is sewn on stands out of both, and what the front alone shows can be taken off. That it hangs
    neither across the front nor beside it is told before; that it hangs across a turned view, by the curve that is asked of a product with a strap.
    A turned view without it that shows not even rings tells nothing: the body may hide it. Both outlines have to be sure.
    """
    found, skus, views = shown.found, shown.skus, shown.views
    sides = {row: (found[row]["stub_left"], found[row]["stub_right"]) for row in shown.square if shown.sure[row] and supplied.get(skus[row]) is not False}
    backs = {skus[row]: row for row in sides if views[row] == "back"}
    plain = set()
    for row, out in sides.items():
        back = backs.get(skus[row])
        if back is None or not skus[row] or views[row] != "front" or states[row] != "none" or min(out) <= RING:
            continue
        nothing_out = min(out) > ATTACHED and max(sides[back]) < NOTHING_OUT
        if nothing_out or more_in_front(sketches[row], sketches[back], found[row]["arch_height"], found[back]["arch_height"]):
            plain.add(skus[row])
            states[row] = "behind"
    for row in found:
        if skus[row] in plain and shows_a_turn(views[row]) and states[row] == "none":
            across = found[row]["curve"] > CURVE and found[row]["contrast"] > LEAST_CLEAR[False]
            states[row] = "front" if across else "behind" if standing_out(found[row], True, shown.sure[row]) > RING else None


def _as_its_face(states, shown):
    """
    Say of a side view where the strap hangs, by the product's face: seen from its end it is a loop that stands out in front or behind.

    What stands above a side as tall as a strap held up in the face's pictures is the same strap.
    """
    found, skus, views, of_product = shown.found, shown.skus, shown.views, {}
    for row in found:
        if skus[row] and (views[row] == "front" or shows_a_turn(views[row])):
            of_product.setdefault(skus[row], []).append(row)
    for row in found:
        if views[row] != "side" or states[row] not in ("none", "behind", "draped"):
            continue
        face = of_product.get(skus[row], ())
        told = {states[other] for other in face} - {None}
        tall = found[row]["arch_height"]
        if tall > HELD_HEIGHT and any(states[other] == "held_up" and tall > EVERYWHERE * found[other]["arch_height"] for other in face):
            states[row] = "held_up"
        elif told and told <= {"front", "behind", "none"} and told != {"none"}:
            states[row] = next(iter(told)) if len(told) == 1 and standing_out(found[row], True, shown.sure[row]) > RING else None


def _by_contrast(states, shown):
    """Say whether a strap on its rings hangs in front or behind, by its contrast beside that in the style's and the product's other pictures."""
    found, skus, views, styles = shown.found, shown.skus, shown.views, shown.styles
    fastened = [row for row in found if _says_behind_or_front(states[row], found[row], views[row], shown.rings.get(skus[row], 0.0), shown.sure[row])]
    contrasts = {row: found[row]["contrast"] for row in fastened}
    of_style, of_product = {}, {}
    for row in fastened:
        of_style.setdefault((styles[row], views[row]), []).append(row)
        of_product.setdefault(skus[row], []).append(row)
    for row in fastened:
        kin = of_style[styles[row], views[row]], of_product[skus[row]]
        across_the_face = shows_a_turn(views[row]) and ribbon_across_the_face(found[row])
        if not (across_the_face or ribbon_across(found[row])):  # which a strap alone shows, however little its edges stand out of the body's grain
            states[row] = _front_or_behind(row, states[row], found[row]["curve"], contrasts, skus, views, kin)


def _behind_the_product(states, skus, views, styles):
    """
    Say 'behind' where a product's back shows a strap across it and its face none: it hangs on the back, though the body hides it in front.

    Where the face shows one too, the pictures may be of the other side than their names say, and each tells what it shows.
    A product whose back is not there, or not told, is taken to be as the other colourways of its style, where these agree.
    """
    of_product, of_style = {}, {}
    for row, sku in enumerate(skus):
        if sku:
            of_product.setdefault(sku, []).append(row)
    backs = {sku: [row for row in rows if views[row] == "back" and states[row] is not None] for sku, rows in of_product.items()}
    faces = {sku: [row for row in rows if views[row] == "front" or shows_a_turn(views[row])] for sku, rows in of_product.items()}
    shown = {sku: {states[row] for row in rows} for sku, rows in faces.items()}
    plain = {sku: bool(seen & {"none", "behind"}) and "front" not in seen for sku, seen in shown.items()}
    hangs = {sku: plain[sku] and bool(rows) and all(states[row] == "front" for row in rows) for sku, rows in backs.items()}
    for sku, rows in of_product.items():
        if backs[sku]:
            of_style.setdefault(styles[rows[0]], []).append(hangs[sku])
    _laid_over_for_one_picture(states, backs, faces, hangs)
    for sku, rows in of_product.items():
        alike = of_style.get(styles[rows[0]], [])
        if hangs[sku] or (plain[sku] and not backs[sku] and alike and all(alike)):
            for row in backs[sku] + faces[sku]:
                states[row] = states[row] if states[row] in CHANGES_OUTLINE else "behind"


def _laid_over_for_one_picture(states, backs, faces, hangs):
    """
    Say 'behind' of a back that shows a strap across, where the set's straps hang so and a single one of several pictures of the face shows it in front.

    It was laid over for that picture; the back shows it as all others do. ``backs``, ``faces``: rows by product; ``hangs``: whether its strap does.
    """
    across = [sku for sku, rows in backs.items() if rows and not hangs[sku] and all(states[row] == "front" for row in rows)]
    if sum(hangs.values()) < SECOND_HABIT * max(len(across), 1):
        return
    for sku in across:
        if len(faces[sku]) > 1 and sum(states[row] == "front" for row in faces[sku]) == 1:
            for row in backs[sku]:
                states[row] = "behind"


def _says_behind_or_front(state, evidence, view, rings, sure):
    """Whether a picture of the product's face shows a strap on its rings, of which only the contrast tells where it hangs."""
    turned = shows_a_turn(view)
    facing = turned or view not in STRAIGHT_ON or view == "front"
    return facing and state in ("front", "behind") and attached(evidence, turned, rings, sure)


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


def _laid_beside_the_handle(shown):
    """
    Straight-on pictures above whose body stands more, on one side, than above that of any other of their style, and nothing taller.

    A handle stands alike in all; what comes down beside it in one of them is a strap.
    """
    found, skus, views, of_style = shown.found, shown.skus, shown.views, {}
    for row in shown.square:
        if skus[row] and shown.sure[row] and found[row]["arch_height"] > ARCH:
            of_style.setdefault(shown.styles[row], []).append(row)
    for rows in of_style.values():
        for row in rows:
            mine, others = found[row], [found[other] for other in rows if (skus[other], views[other]) != (skus[row], views[row])]
            as_tall = [other for other in others if abs(mine["arch_height"] - other["arch_height"]) < AS_TALL]
            if len(as_tall) >= max(FEWEST_ALIKE, 0.5 * len(others)):
                wider, lopsided = (mine[name] - max(other[name] for other in as_tall) for name in ("arch_span", "arch_slant"))
                if wider > WIDER and lopsided > LOPSIDED:
                    yield row


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


def _shapes_by_product(found, skus, views):
    """
    `Shape` of each product with two pictures and more.

    With one picture a wide arch may be either. What stands above the body in all pictures is a handle.
    """
    of_product = {}
    for row, evidence in found.items():
        of_product.setdefault(skus[row], []).append((evidence, views[row] in STRAIGHT_ON))
    shapes = {}
    for sku, shown in of_product.items():
        square = [evidence for evidence, straight in shown if straight]
        if len(shown) > 1 and square and sku:
            arches = [evidence for evidence in square if evidence["arch_height"] > 0]
            span, slant = min((arch["arch_span"] for arch in arches), default=None), max((arch["arch_slant"] for arch in arches), default=None)
            hollow = float(np.median([evidence["hollow"] for evidence in square]))
            height = min(evidence["arch_height"] for evidence, _ in shown)
            held = hollow <= HOLLOW and any(held_up(evidence, False, Shape(height, span)) for evidence in square)
            down, coiled = (any(put(evidence) for evidence in square) for put in (fallen, lies_apart))
            shapes[sku] = Shape(height, span, slant, hollow, held, fallen=down, coiled=coiled)
    return shapes


def _rings_by_product(found, skus, views, sure):
    """What stands out of the sides in the straight-on picture that shows least of it: the rings alone. Needs two pictures with a sure outline."""
    lengths = {}
    for row, evidence in found.items():
        if views[row] in STRAIGHT_ON and skus[row] and sure[row]:
            lengths.setdefault(skus[row], []).append(standing_out(evidence, False, True))
    return {sku: min(values) for sku, values in lengths.items() if len(values) > 1}
