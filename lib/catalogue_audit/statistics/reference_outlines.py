"""The outline that a view's pictures agree on best: what the next product is placed by."""

import numpy as np
import pandas as pd

FRAMING = ("left", "top", "right", "bottom")


def reference_outline(frames, sketches, view):
    """
    Outer contour of the picture nearest to all others of a view.

    A real outline, not a mean one: a mean of different bags fits none of them.

    Parameters
    ----------
    frames : DataFrame
        With ``file``, ``view`` and the box's columns; deviations count where present.
    sketches : mapping of str to dict
        With ``outline``.
    view : str

    Returns
    -------
    file : str
        '' where the view has no measured picture.
    outline : (n, 2) float32
        Fractions of the frame, x right, y down; empty where there is none.
    """
    rows = frames[frames["view"] == view]
    boxes = rows[list(FRAMING)].apply(pd.to_numeric, errors="coerce").to_numpy(dtype=float)
    files = rows["file"].to_numpy()
    usable = [k for k in range(len(files)) if np.isfinite(boxes[k]).all() and _outline(sketches, files[k]) is not None]
    if not usable:
        return "", np.zeros((0, 2), np.float32)
    boxes, files = boxes[usable], files[usable]
    distance = np.abs(boxes[:, None] - boxes[None]).sum(axis=2)
    distance += _turned_away(rows)[usable][:, None]
    best = int(np.argmin(np.median(distance, axis=1)))
    return str(files[best]), _outline(sketches, files[best])


def _outline(sketches, file):
    outline = (sketches.get(file) or {}).get("outline")
    return outline if outline is not None and len(outline) >= 3 else None


def _turned_away(rows):
    """What turn and roll off the reference cost a picture as an example, in fractions of the frame."""
    cost = np.zeros(len(rows))
    for name, degrees in (("yaw_dev_deg", 10.0), ("roll_deg", 5.0)):
        if name in rows:
            values = pd.to_numeric(rows[name], errors="coerce").abs().fillna(0.0).to_numpy(dtype=float)
            cost += 0.1 * values / degrees
    return cost
