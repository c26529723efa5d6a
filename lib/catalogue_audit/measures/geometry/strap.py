"""
Strap: evidence in one picture for a long thin part about the body.

Only what can be seen is noted here; the state is told in pass two, where the
view and the same product's other pictures are known. The numbers of the
``strap`` array, in order, are named in `EVIDENCE`.
"""

import numpy as np

from catalogue_audit.measures.geometry.hanging import hanging_curve, ribbon_across
from catalogue_audit.measures.geometry.strap_outline import apart, arch, beside, beside_begins, falling, first_row, hollow, standing_out
from catalogue_audit.measures.records import CONFIDENCE_LIMIT

EVIDENCE = (
    "curve",  # contrast along the best hanging curve across the body, over that of the same curves upside down
    "contrast",  # of that curve, 1 where every part of it is as clear as a seam or hardware
    "stub_left",  # length along the side of what stands out of it, fraction of the body's height: a ring, or a ring and strap
    "stub_right",
    "beside_left",  # thin parts beside the body's lower half, fraction of its area
    "beside_right",
    "arch_height",  # of what stands above the body, fraction of its height
    "arch_span",  # its width just above the body, fraction of the body's width
    "arch_bands",  # bands met going down through the crown
    "apart",  # area of parts lying apart near the base, fraction of the body's area
    "apart_height",  # their height, fraction of the body's height
    "arch_thickness",  # of the uppermost band of what stands above the body, fraction of the body's width
    "arch_slant",  # how unlike its left and right half are, fraction of its height
    "arch_valley",  # how far it dips between two crowns, the same
    "hollow",  # how far the body's upper edge hangs between its corners, fraction of its height
    "beside_begins",  # where the larger of the parts beside the body begins, fraction of its height below its top
    "ribbon",  # how much what hangs across the body looks like a ribbon, 0 to 1
    "ribbon_by_chance",  # the same of curves upside down
    "turned_ribbon",  # both of what hangs across the face of a body whose base shows that it is turned
    "turned_by_chance",
    "arch_slimness",  # height of what stands above the body over the thickness of its uppermost band
    "falls_left",  # how much of the body's height a leg passes that comes down beside it, as far off at its foot as anywhere
    "falls_right",
)

NO_EDGES = 0.2  # contrast along the best curve, below which no ribbon follows one: of 2357 pictures of three makes a quarter lies below, and those with ribbons above 0.23


def strap_facts(picture, outline):
    """
    Evidence for a strap.

    Parameters
    ----------
    picture : Picture
    outline : Outline

    Returns
    -------
    dict
        ``strap``: float32 array for the sketch, as named by `EVIDENCE`; ``reasons``.
    """
    if outline.box is None or outline.confidence < CONFIDENCE_LIMIT:
        return {"reasons": ("strap not looked for: no certain outline",)}
    body, scale = outline.body.mask, outline.body.scale
    rows, columns = np.flatnonzero(body.any(axis=1)), np.flatnonzero(body.any(axis=0))
    if len(rows) < 8 or len(columns) < 8:
        return {"reasons": ("strap not looked for: no body found",)}
    bottom, left, right = int(rows[-1]) + 1, int(columns[0]), int(columns[-1]) + 1
    top = first_row(body[:bottom], left, right)
    small, box = outline.body.product, (left, top, right, bottom)
    stubs = standing_out(outline.mask, int(top * scale), int(bottom * scale))
    across = np.array(box) * scale
    curve, contrast = hanging_curve(picture, across)
    ribbons = ribbon_across(picture, outline.mask, across, contrast > NO_EDGES)
    values = {
        "curve": curve,
        "contrast": contrast,
        **dict(zip(("ribbon", "ribbon_by_chance", "turned_ribbon", "turned_by_chance"), ribbons, strict=True)),
        **beside(small, body, box),
        **arch(outline.mask, tuple(int(v * scale) for v in box)),
        **falling(outline.mask, tuple(int(v * scale) for v in box)),
        **apart(small, body, box),
        "hollow": hollow(body, box),
        "beside_begins": beside_begins(small, box),
        **stubs,
    }
    for side in ("left", "right"):
        values[f"beside_{side}"] = max(values[f"beside_{side}"], stubs[f"low_{side}"])
    return {"strap": np.array([values[name] for name in EVIDENCE], np.float32), "reasons": ()}
