"""Where on the picture: the marks that a retoucher or photographer looks at."""

import numpy as np

from catalogue_audit.findings.rows import number, text

STRIP = 0.01  # of the frame: width of the mark along a side that cuts the product off
MOST_SPECKS = 200  # marks a picture: more is a texture, and no list to heal from
LEAST_MARK = 0.002  # of the frame: half the side of the smallest mark, so that it can be seen
BORDER_REGIONS = 16
CORNER_PLACES = 6  # x and y of the left end, the corner and the right end
ALONG_SIDES = ("angle", "lean", "camera_height", "roll")
OF_THE_WHOLE = (
    "scale", "centring", "cutout_edge", "focus", "motion_blur", "exposure", "product_colour", "strap", "handles",
    "clipping", "wrong_product", "wrong_detail", "swapped_views",
)  # fmt: skip


def marks_of(rows, evidence):
    """
    Marks for the findings that have a place on their picture.

    Parameters
    ----------
    rows : list of dict
        Findings.
    evidence : Evidence
        ``sketches`` are read one at a time, and only of files with such findings.

    Returns
    -------
    list of dict
        Rows of the marks table, in the order of the findings.
    """
    frames = {frame["file"]: frame for frame in evidence.rows}
    spots = {}
    for spot in evidence.spots.to_dict("records"):
        spots.setdefault(spot["file"], []).append(spot)
    marks = []
    for row in rows:
        frame = frames.get(row.get("file"))
        if frame is None:
            continue
        for mark in _marks(row["check"], frame, evidence, spots):
            marks.append({"file": frame["file"], "check": row["check"], **mark})
    return marks


def _marks(check, frame, evidence, spots):
    if check == "product_specks":
        yield from _specks(frame, _sketch(evidence, frame["file"]))
    elif check == "sensor_spots":
        for spot in spots.get(frame["file"], ()):
            yield _around(spot["x"], spot["y"], spot["size_px"], frame, "spot of the sensor")
    elif check == "cut_off":
        yield from _sides(frame)
    elif check in ALONG_SIDES:
        yield from _edges(_sketch(evidence, frame["file"])) or _box(frame, "")
    elif check in ("uneven_background", "background"):
        yield from _border(_sketch(evidence, frame["file"]))
    elif check in OF_THE_WHOLE:
        yield from _box(frame, "")


def _sketch(evidence, file):
    try:
        return evidence.sketches[file]
    except KeyError:
        return {}


def _specks(frame, sketch):
    found = sketch.get("spots")
    if found is None or not len(found):
        return
    on_product = found[found[:, 4] > 0]
    strongest = np.argsort(-np.abs(on_product[:, 3]), kind="stable")[:MOST_SPECKS]
    for x, y, size, contrast, _ in on_product[np.sort(strongest)]:
        yield _around(x, y, size, frame, "bright speck" if contrast > 0 else "dark speck")


def _around(x, y, size_px, frame, note):
    width, height = number(frame["width_px"]) or 1.0, number(frame["height_px"]) or 1.0
    size = number(size_px) or 0.0
    half_x, half_y = max(size / width, LEAST_MARK), max(size / height, LEAST_MARK)
    return {
        "left": max(0.0, float(x) - half_x),
        "top": max(0.0, float(y) - half_y),
        "right": min(1.0, float(x) + half_x),
        "bottom": min(1.0, float(y) + half_y),
        "size_px": size or None,
        "note": note,
    }


def _sides(frame):
    left, top, right, bottom = (number(frame[name]) for name in ("left", "top", "right", "bottom"))
    spans = {
        "left": (0.0, top, STRIP, bottom),
        "right": (1 - STRIP, top, 1.0, bottom),
        "top": (left, 0.0, right, STRIP),
        "bottom": (left, 1 - STRIP, right, 1.0),
    }
    for side in (text(frame["touches"]) or "").split():
        if side in spans:
            yield _rectangle(*spans[side], f"the product meets the {side} of the frame")


def _edges(sketch):
    """The edges that a pose was measured by: the lower ones that meet at the nearest corner, else the body's two sides."""
    corner, sides = sketch.get("corner"), sketch.get("sides")
    if corner is not None and len(corner) >= CORNER_PLACES:
        left, near, right = np.asarray(corner[:CORNER_PLACES], float).reshape(3, 2)
        return [_between(left, near, "lower edge that was measured"), _between(near, right, "lower edge that was measured")]
    if sides is None or not len(sides):
        return []
    y, left, right = np.asarray(sides, float).T
    return [_between((x[0], y[0]), (x[-1], y[-1]), "side that was measured") for x in (left, right)]


def _between(start, end, note):
    (x1, y1), (x2, y2) = start, end
    return _rectangle(min(x1, x2), min(y1, y2), max(x1, x2), max(y1, y2), note)


def _border(sketch):
    """The darkest and the lightest of the frame's border regions, clockwise from the top left."""
    lab = sketch.get("backdrop")
    if lab is None or len(lab) != BORDER_REGIONS:
        return
    lightness = np.asarray(lab)[:, 0]
    if not np.isfinite(lightness).all():
        return
    for place, note in ((int(np.argmin(lightness)), "darkest"), (int(np.argmax(lightness)), "lightest")):
        yield _rectangle(*_border_region(place), f"{note} part of the border, L* {lightness[place]:.1f}")


def _border_region(place):
    """Left, top, right, bottom of one of 16 regions of a 5 x 5 grid's rim, clockwise from the top left."""
    rim = [(x, 0) for x in range(5)] + [(4, y) for y in range(1, 5)]
    rim += [(x, 4) for x in range(3, -1, -1)] + [(0, y) for y in range(3, 0, -1)]
    x, y = rim[place]
    return x / 5, y / 5, (x + 1) / 5, (y + 1) / 5


def _box(frame, note):
    box = [number(frame[name]) for name in ("left", "top", "right", "bottom")]
    return [_rectangle(*box, note)] if None not in box else []


def _rectangle(left, top, right, bottom, note):
    return {"left": left, "top": top, "right": right, "bottom": bottom, "note": note or None}
