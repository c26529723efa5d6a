"""Evidence of light and colour: patches, tones, burnt pixels, and the background's evenness."""

import numpy as np
from PIL import Image

from catalogue_audit.report import look
from catalogue_audit.report.colours import lab_to_srgb8
from catalogue_audit.report.drawing import decode_preview, stroke, write
from catalogue_audit.report.evidence_pose import reference_beside
from catalogue_audit.report.numbers import number_text
from catalogue_audit.report.wording import is_missing

PATCH = 104  # px, height of a colour patch
CLIPPED = 254  # 8-bit sRGB from which a preview pixel is drawn as clipped


def _patches(picture, scene, prefix):
    """Measured colour and reference colour as two touching patches."""
    labs = [[frame.get(f"{prefix}_{c}") for c in "Lab"] for frame in (scene.frame, scene.reference_frame)]
    drawn = reference_beside(picture, scene)
    if any(is_missing(value) for lab in labs for value in lab):
        return drawn
    canvas = Image.new("RGB", (max(drawn.width, 520), drawn.height + PATCH + 12), look.PAPER)
    canvas.paste(drawn, (0, 0))
    y = drawn.height + 8
    half = canvas.width // 2  # of the strip: both colours touch, which shows the smallest difference
    for x, lab, words in ((0, labs[0], "this picture"), (half, labs[1], "the one beside")):
        canvas.paste(tuple(lab_to_srgb8(lab)), (x, y, x + half, y + PATCH))
        levels = "  ".join(f"{name} {number_text(value, digits=1)}" for name, value in zip(("L*", "a*", "b*"), lab, strict=True))
        write(canvas, x + 8, y + PATCH - 52, words, size=17, on_mat=True)
        write(canvas, x + 8, y + PATCH - 26, levels, size=17, width=half - 16, on_mat=True)
    return canvas


def background_patches(picture, scene):
    return _patches(picture, scene, "background")


def product_patches(picture, scene):
    return _patches(picture, scene, "product")


def exposure(picture, scene):
    """Both pictures, and how their pixels spread from dark to light."""
    reference = decode_preview(scene.reference_sketch)
    drawn = reference_beside(picture, scene)
    canvas = Image.new("RGB", (drawn.width, drawn.height + 102), look.PAPER)
    canvas.paste(drawn, (0, 0))
    box = (0, drawn.height + 28, drawn.width, drawn.height + 100)
    write(canvas, 0, drawn.height + 4, "pixels from dark to light", size=17, colour=look.QUIET)
    if reference is not None:
        _histogram(canvas, reference, box, look.REFERENCE, broken=True)
    _histogram(canvas, picture, box, look.MEASURED, broken=False)
    return canvas


def _histogram(canvas, picture, box, colour, broken):
    counts = np.bincount(np.asarray(picture.convert("L")).ravel() // 4, minlength=64).astype(float) ** 0.4
    left, top, right, bottom = box
    x = np.linspace(left + 3, right - 4, 64)
    stroke(canvas, np.column_stack([x, bottom - 4 - (bottom - top - 8) * counts / counts.max()]), colour, broken=broken, line=2)


def clipped(picture, scene):
    """Pixels at the top of the scale inside the product's box, painted over."""
    array = np.array(picture)
    burnt = (array >= CLIPPED).any(axis=2)
    mask = scene.sketch.get("mask")
    if mask is not None:
        on_product = Image.fromarray(np.asarray(mask, bool)).resize(picture.size)
        burnt &= np.asarray(on_product)
    rows, columns = np.nonzero(burnt)
    stripe = (rows + columns) % 6 < 3
    array[rows[stripe], columns[stripe]] = (213, 94, 0)
    array[rows[~stripe], columns[~stripe]] = 255
    return Image.fromarray(array)


def evenness(picture, scene):
    """L* of the border regions, written where they were measured."""
    regions = scene.sketch.get("backdrop")
    if regions is None or len(regions) != 16:
        return picture
    lightness = np.asarray(regions, float)[:, 0]
    places = [(i, 0) for i in range(4)] + [(4, i) for i in range(4)] + [(4 - i, 4) for i in range(4)] + [(0, 4 - i) for i in range(4)]
    for (column, row), value in zip(places, lightness, strict=True):
        if not np.isfinite(value):
            continue
        x = 8 + column / 4 * (picture.width - 58)
        y = 6 + row / 4 * (picture.height - 32)
        extreme = value in (lightness.min(), lightness.max())
        write(picture, x, y, number_text(value, digits=1), size=14, bold=extreme, colour=look.MEASURED if extreme else look.INK, on_mat=True)
    return picture
