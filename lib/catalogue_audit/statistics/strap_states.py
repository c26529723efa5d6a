"""State of the strap in each picture, told from the evidence in the sketches."""

import numpy as np

from catalogue_audit.measures.strap import EVIDENCE

LAID_APART = 0.008  # of the body's area; a coil beside the bag covers 0.03 and more, a fallen thread far less
BESIDE = 0.004  # of the body's area, thin and low beside it: a strap that hangs down
ARCH = 0.1  # of the body's height, from which something stands above it
HELD_HEIGHT, HELD_SPAN = 0.6, 0.72  # a strap held up is anchored at the body's sides; handles stand closer
CURVE, CLEAR_CURVE = 1.28, 1.55  # contrast of a hanging curve against the same upside down
HARDWARE = 0.0025  # of the body's area, thin beside its upper sides: where a worn strap leaves the body


def strap_states(frames, sketches):
    """
    Strap state of each whole product.

    'front' and 'behind' are said of the product, not of the camera: a strap that
    hangs across the back picture is behind. A strap that hides behind the body
    cannot be seen and reads 'none'.

    Parameters
    ----------
    frames : DataFrame
        With ``file``, ``sku``, ``view``, ``view_kind``.
    sketches : mapping of str to dict

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
    for row, evidence in found.items():
        states[row] = strap_state(evidence, views[row], handles.get(skus[row], 0.0))
    return states


def _handles_by_product(found, skus):
    """
    Height of what stands above each product in all of its pictures: its handles.

    Needs two pictures; with one, a wide arch may be either.
    """
    heights = {}
    for row, evidence in found.items():
        heights.setdefault(skus[row], []).append(evidence["arch_height"])
    return {sku: min(values) for sku, values in heights.items() if len(values) > 1 and sku}


def strap_state(evidence, view, handle_height=0.0):
    """
    State told from one picture's evidence.

    Parameters
    ----------
    evidence : dict
        As named by `measures.strap.EVIDENCE`.
    view : str
    handle_height : float
        What stands above the body in all pictures of this product, fraction of its height.

    Returns
    -------
    str
    """
    beside = max(evidence["beside_left"], evidence["beside_right"])
    if evidence["apart"] > LAID_APART:
        return "coiled"
    if beside > BESIDE:
        return "draped" if evidence["arch_height"] > ARCH else "coiled"
    wide = evidence["arch_height"] > HELD_HEIGHT and evidence["arch_span"] > HELD_SPAN
    if wide and (evidence["arch_bands"] >= 2 or 0 < handle_height < 0.7 * evidence["arch_height"]):
        return "held_up"
    hardware = max(evidence["hardware_left"], evidence["hardware_right"])
    across = evidence["curve"] > CURVE and hardware > HARDWARE
    if view in ("front", "back"):
        across = across or evidence["curve"] > CLEAR_CURVE
    if across:
        return "behind" if view.startswith("back") else "front"
    return "none"
