"""
Painted bags for the tests of identity: styles, colourways, views, and the ways one file becomes another.

Every style has its own outline, seams, hardware and grain; a photograph adds
its own placing, noise and light. The sketch of a picture is made as pass one
makes it: preview, thumbnail, mask and ORB key points.
"""

import hashlib

import cv2
import numpy as np
import pandas as pd

from catalogue_audit.measures.hashing import hash_text, phash64
from catalogue_audit.statistics.tables import table_from_rows

SIZE = 450, 600  # height, width


def style(seed):
    """Shape of a style: widths as fractions of the frame's height, and a seed for its grain."""
    draw = np.random.default_rng(seed)
    return {
        "seed": seed,
        "bottom": draw.uniform(0.34, 0.5),
        "top": draw.uniform(0.28, 0.46),
        "height": draw.uniform(0.36, 0.56),
        "handle": draw.uniform(0.08, 0.2),
        "handle_width": draw.uniform(0.2, 0.5),
        "flap": draw.uniform(0.25, 0.6),
        "clasp": draw.integers(0, 3),
        "clasp_size": draw.uniform(0.03, 0.06),
        "pockets": draw.integers(1, 4),
    }


def photograph(shape, colour, view, shot, roll=0.15, move=0.004, tint=(1, 1, 1)):
    """
    One photograph: (H, W, 3) uint8 sRGB and its (H, W) bool mask.

    ``shot`` seeds the placing and the noise: two shots of one bag differ in both.
    """
    draw = np.random.default_rng(int.from_bytes(hashlib.sha256(f"{shape['seed']} {view} {shot}".encode()).digest()[:4], "big"))
    height, width = SIZE
    canvas = np.full((height, width, 3), 236, np.float32) - np.linspace(0, 10, height)[:, None, None]
    mask = np.zeros((height, width), np.uint8)
    angle, shift = draw.normal(0, roll), draw.normal(0, move, 2) * height
    scale = 1 + draw.normal(0, 0.006)
    place = cv2.getRotationMatrix2D((width / 2, height * 0.85), angle, scale)
    place[:, 2] += shift
    bag, cover = _bag(shape, np.array(colour, np.float32), view)
    bag = cv2.warpAffine(bag, place, (width, height), flags=cv2.INTER_LINEAR)
    cover = cv2.warpAffine(cover, place, (width, height), flags=cv2.INTER_LINEAR)
    shadow = cv2.GaussianBlur(np.roll(cover, 8, axis=0), (0, 0), 9)[..., None] * 0.25
    canvas *= 1 - shadow
    canvas = canvas * (1 - cover[..., None]) + bag * cover[..., None]
    mask = cover > 0.5
    if view == "detail":
        canvas, mask = _closer(canvas, mask, shape)
    canvas = canvas * np.array(tint, np.float32) + draw.normal(0, 2.0, canvas.shape)
    return np.clip(np.rint(canvas), 0, 255).astype(np.uint8), mask


def _bag(shape, colour, view):
    """The bag alone, upright: pixels and cover."""
    height, width = SIZE
    base = height * 0.86
    bottom, top, tall = (shape[key] * height for key in ("bottom", "top", "height"))
    middle = width / 2
    body = np.array([[middle - bottom, base], [middle + bottom, base], [middle + top, base - tall], [middle - top, base - tall]])
    cover = np.zeros((height, width), np.float32)
    cv2.fillPoly(cover, [np.rint(body * 16).astype(np.int32)], 1.0, cv2.LINE_AA, 4)
    lift = int(shape["handle"] * height)
    cv2.ellipse(cover, (int(middle), int(base - tall)), (int(top * shape["handle_width"]) + 20, lift), 0, 180, 360, 1.0, 16, cv2.LINE_AA)
    grain = np.random.default_rng(shape["seed"] + {"front": 0, "back": 1, "three_quarter": 2, "detail": 0}[view])
    texture = cv2.GaussianBlur(grain.normal(0, 1, (height, width)).astype(np.float32), (0, 0), 1.7)
    texture += 2 * cv2.GaussianBlur(grain.normal(0, 1, (height, width)).astype(np.float32), (0, 0), 8)
    shade = 1 + 0.25 * texture / texture.std() * 0.25
    shade *= np.linspace(1.12, 0.85, width)[None, :] if view != "back" else np.linspace(0.95, 1.05, width)[None, :]
    bag = colour * shade[..., None]
    seam = tuple(float(c) for c in colour * 0.55)
    metal = (205.0, 180.0, 120.0)
    line = lambda a, b: cv2.line(bag, tuple(int(v) for v in a), tuple(int(v) for v in b), seam, 4, cv2.LINE_AA)  # noqa: E731
    if view in ("front", "detail", "three_quarter"):
        flap = base - tall * (1 - shape["flap"])
        line((middle - bottom, flap), (middle + bottom, flap))
        radius = int(shape["clasp_size"] * height)
        centre = int(middle), int(flap)
        if shape["clasp"] == 0:
            cv2.circle(bag, centre, radius, metal, -1, cv2.LINE_AA)
        elif shape["clasp"] == 1:
            cv2.rectangle(bag, (centre[0] - radius, centre[1] - radius // 2), (centre[0] + radius, centre[1] + radius // 2), metal, -1)
        else:
            cv2.ellipse(bag, centre, (radius, radius // 2), 0, 0, 360, metal, 8, cv2.LINE_AA)
        for stitch in range(int(shape["seed"] * 7919 % 5) + 2):
            level = centre[1] + radius * (2 + 0.6 * stitch)
            line((centre[0] - radius * (1 + stitch % 3), level), (centre[0] + radius, level))
    else:
        for number in range(shape["pockets"]):
            level = base - tall * (0.3 + 0.2 * number)
            line((middle - bottom * 0.6, level), (middle + bottom * 0.6, level))
    if view == "three_quarter":
        source = np.float32([[0, 0], [width, 0], [0, height], [width, height]])
        target = np.float32([[width * 0.12, 0], [width * 0.86, height * 0.06], [width * 0.12, height], [width * 0.86, height * 0.93]])
        matrix = cv2.getPerspectiveTransform(source, target)
        bag = cv2.warpPerspective(bag, matrix, (width, height), borderMode=cv2.BORDER_REPLICATE)
        cover = cv2.warpPerspective(cover, matrix, (width, height))
        bag[:, : int(width * 0.35)] *= 0.8
    return bag, cover


def _closer(canvas, mask, shape):
    """A detail: the front around its clasp, from nearer."""
    height, width = SIZE
    centre = width / 2, height * 0.86 - shape["height"] * height * (1 - shape["flap"])
    matrix = np.array([[1 / 3, 0, centre[0] - width / 6], [0, 1 / 3, centre[1] - height / 6]], np.float32)
    flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
    return cv2.warpAffine(canvas, matrix, (width, height), flags=flags), cv2.warpAffine(mask.astype(np.uint8), matrix, (width, height), flags=cv2.WARP_INVERSE_MAP).astype(bool)


def jpeg(rgb, quality=90):
    """The picture after a round through JPEG, and the file's bytes."""
    _, data = cv2.imencode(".jpg", rgb[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, quality])
    return cv2.imdecode(data, cv2.IMREAD_COLOR_RGB), data.tobytes()


def sketch_of(rgb, mask):
    """The sketch that pass two sees."""
    long_side = max(rgb.shape[:2])
    small = lambda side: cv2.resize(rgb, None, fx=side / long_side, fy=side / long_side, interpolation=cv2.INTER_AREA)  # noqa: E731
    preview = small(640)
    orb = cv2.ORB_create(500)
    points, descriptors = orb.detectAndCompute(cv2.cvtColor(preview, cv2.COLOR_RGB2GRAY), None)
    scale = np.array([preview.shape[1], preview.shape[0]], np.float32)
    keypoints = np.array([[*(np.array(p.pt) / scale), p.size / 640, p.angle] for p in points], np.float32).reshape(-1, 4)
    factor = 256 / long_side
    size = round(rgb.shape[1] * factor), round(rgb.shape[0] * factor)
    return {
        "preview": np.frombuffer(jpeg(preview, 85)[1], np.uint8),
        "thumb": small(128),
        "mask": cv2.resize(mask.astype(np.uint8), size, interpolation=cv2.INTER_AREA).astype(bool),
        "keypoints": keypoints,
        "descriptors": descriptors if descriptors is not None else np.zeros((0, 32), np.uint8),
    }


def row_of(file, rgb, mask, data, sku, view, **further):
    """The row that pass one gives, as far as identity needs it."""
    rows, columns = np.flatnonzero(mask.any(axis=1)), np.flatnonzero(mask.any(axis=0))
    height, width = mask.shape
    whole = view != "detail" and rows.size
    lab = cv2.cvtColor((rgb[mask][None] if mask.any() else rgb).astype(np.float32) / 255, cv2.COLOR_RGB2LAB).reshape(-1, 3)
    centre = np.median(lab, axis=0)
    box = (columns[0] / width, rows[0] / height, (columns[-1] + 1) / width, (rows[-1] + 1) / height) if whole else (None,) * 4
    row = {
        "file": file,
        "sku": sku,
        "view": view,
        "view_kind": "crop" if view == "detail" else "upright",
        "status": "measured",
        "format": "JPEG",
        "width_px": width,
        "height_px": height,
        "sha256": hashlib.sha256(data).hexdigest(),
        "phash": hash_text(phash64(cv2.resize(rgb, None, fx=750 / max(rgb.shape), fy=750 / max(rgb.shape), interpolation=cv2.INTER_AREA))),
        "product_L": centre[0],
        "product_a": centre[1],
        "product_b": centre[2],
        "outline_confidence": 0.95,
        **dict(zip(("left", "top", "right", "bottom"), box, strict=True)),
    }
    if whole:
        row |= {"fill_height": row["bottom"] - row["top"], "fill_width": row["right"] - row["left"], "fill_area": float(mask.mean())}
    return row | further


class Delivery:
    """Files gathered one by one; ``tables()`` gives frames and sketches in natural order."""

    def __init__(self):
        self.rows, self.sketches = [], {}

    def add(self, file, rgb, mask, sku, view, quality=90, **further):
        """Deliver a picture under a name."""
        rgb, data = jpeg(rgb, quality)
        self.rows.append(row_of(file, rgb, mask, data, sku, view, **further))
        self.sketches[file] = sketch_of(rgb, mask)

    def tables(self):
        rows = sorted(self.rows, key=lambda row: row["file"])
        return table_from_rows("frames", rows), self.sketches


def clean_delivery(styles, colours, seed=0, views=("three_quarter", "front", "back", "detail"), times=False, keep=lambda sku, view: True):
    """A delivery in which nothing is wrong: every colourway of every style, photographed anew."""
    delivery = Delivery()
    clock = pd.Timestamp(2026, 3, 2, 9)
    for number in range(styles):
        for name, colour in colours.items():
            sku = f"ST{number:02d}-{name}"
            for view in views:
                clock += pd.Timedelta(seconds=35)
                rgb, mask = photograph(style(number + 100 * seed), colour, view, f"{sku}{seed}")
                when = {"captured_at": clock.isoformat(), "camera_model": "C1"} if times else {}
                if keep(sku, view):
                    delivery.add(f"{sku}_{view}.jpg", rgb, mask, sku, view, style=f"ST{number:02d}", **when)
    return delivery


COLOURS = {"black": (38, 36, 35), "tan": (168, 112, 62), "red": (150, 30, 38), "navy": (34, 42, 78)}
