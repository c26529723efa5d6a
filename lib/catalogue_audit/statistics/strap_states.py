"""State of the strap in each picture, told from the evidence in the sketches."""

import numpy as np

from catalogue_audit.measures.applicability import STRAIGHT_ON
from catalogue_audit.measures.strap import EVIDENCE

NO_STRAP = ("none", "no", "without", "false", "0")
LAID_APART = 0.008  # of the body's area; a coil beside the bag covers 0.03 and more, a fallen thread far less
BESIDE = 0.004  # of the body's area, thin and low beside it: a strap that hangs down
ARCH = 0.1  # of the body's height, from which something stands above it
HELD_HEIGHT, HELD_SPAN = 0.6, 0.72  # a strap held up is anchored at the body's sides; handles stand closer
CURVE = 1.4  # contrast of a hanging curve against the same upside down; made bags without one reach 1.35 straight on
LIKELY_CURVE = 1.15  # enough where the same product's front picture shows the strap
CLEAR_CURVE = 1.7  # where nothing says that the product has a strap: bare panels and seams reach this
ANCHORED_CURVE = 1.0  # where the strap also stands out beside the body
HARDWARE = 0.004  # of the body's area, thin beside its upper sides: where a worn strap leaves the body


def strap_states(frames, sketches, products=None):
    """
    Strap state of each whole product.

    'front' and 'behind' are said as the camera sees it: a strap that hangs across a back
    picture is in front there. A strap that hides behind the body cannot be seen and reads 'none'.

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
    supplied = _supplied_straps(products)
    first = [row for row in found if views[row] in STRAIGHT_ON]
    seen = set()
    for row in first + [row for row in found if views[row] not in STRAIGHT_ON]:
        sku = skus[row]
        states[row] = strap_state(found[row], handles.get(sku), supplied.get(sku), sku in seen)
        if views[row] == "front" and states[row] == "front" and sku:
            seen.add(sku)
    return states


def _supplied_straps(products):
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


def strap_state(evidence, handle_height=None, has_strap=None, seen_in_front=False):
    """
    State told from one picture's evidence.

    Parameters
    ----------
    evidence : dict
        As named by `measures.strap.EVIDENCE`.
    handle_height : float, optional
        What stands above the body in all pictures of this product, fraction of its height; None where not known.
    has_strap : bool, optional
        What the products file says.
    seen_in_front : bool
        Whether the product's front picture shows the strap in front.

    Returns
    -------
    str
    """
    if has_strap is False:
        return "none"
    beside = max(evidence["beside_left"], evidence["beside_right"])
    if evidence["apart"] > LAID_APART:
        return "coiled"
    if beside > BESIDE:
        return "draped" if evidence["arch_height"] > ARCH else "coiled"
    wide = evidence["arch_height"] > HELD_HEIGHT and evidence["arch_span"] > HELD_SPAN
    if wide and (evidence["arch_bands"] >= 2 or (handle_height is not None and handle_height < 0.7 * evidence["arch_height"])):
        return "held_up"
    needed = CURVE if has_strap else CLEAR_CURVE
    if seen_in_front:
        needed = LIKELY_CURVE
    if max(evidence["hardware_left"], evidence["hardware_right"]) > HARDWARE and (has_strap or seen_in_front):
        needed = ANCHORED_CURVE
    return "front" if evidence["curve"] > needed else "none"
