"""Image files for tests: formats, modes and metadata that no photograph at hand has."""

import io
import struct
from pathlib import Path

import numpy as np
from PIL import Image

PHOTOGRAPHS = Path(__file__).parent / "data" / "photographs"


def photographs():
    """Names of the photographs of `tests/data`, in order."""
    return sorted(path.name for path in PHOTOGRAPHS.iterdir() if path.suffix in (".jpg", ".mpo", ".png"))


def photograph(name):
    """Bytes of one of them."""
    return (PHOTOGRAPHS / name).read_bytes()


def heic(name):
    """Bytes of a HEIC picture of `tests/data/heic`: 'upright', or the same 'turned'."""
    return (PHOTOGRAPHS.parent / "heic" / f"{name}.heic").read_bytes()


def scene(height=60, width=90, seed=3):
    """Smooth colourful picture with an asymmetric mark, (height, width, 3) uint8."""
    y, x = np.mgrid[:height, :width]
    channels = (80 + 100 * x / width, 60 + 150 * y / height, 200 - 80 * x / width)
    pixels = np.stack(channels, -1) + np.random.default_rng(seed).normal(0, 2, (height, width, 3))
    pixels[: height // 4, : width // 5] = (250, 240, 20)
    return np.clip(np.rint(pixels), 0, 255).astype(np.uint8)


def save(picture, format, **options):  # noqa: A002 - as Pillow names it
    """A Pillow image or an array as bytes of a file."""
    buffer = io.BytesIO()
    image = picture if isinstance(picture, Image.Image) else Image.fromarray(picture)
    image.save(buffer, format, **options)
    return buffer.getvalue()


def exif_block(main=(), exif=(), order="<", gps=()):
    """
    Exif block of given fields.

    Parameters
    ----------
    main, exif, gps : sequence of (tag, type, count, bytes)
        Fields of the first, the Exif and the GPS directory; the bytes in the given order.
    order : str
        '<' (II) or '>' (MM).

    Returns
    -------
    bytes
        Without the 'Exif' prefix.
    """
    head = (b"II*\0" if order == "<" else b"MM\0*") + struct.pack(order + "I", 8)
    groups = [list(main), list(exif), list(gps)]
    pointers = [(tag, group) for tag, group in ((0x8769, 1), (0x8825, 2)) if groups[group]]
    groups[0] += [(tag, 4, 1, bytes(4)) for tag, _ in pointers]
    sizes = [2 + 12 * len(group) + 4 + sum((len(raw) + 1) // 2 * 2 for *_, raw in group if len(raw) > 4) for group in groups]
    starts = [8, 8 + sizes[0], 8 + sizes[0] + sizes[1]]
    places = {tag: struct.pack(order + "I", starts[group]) for tag, group in pointers}
    groups[0] = [(tag, kind, count, places.get(tag, raw)) for tag, kind, count, raw in groups[0]]
    return head + b"".join(_directory(group, start, order) for group, start in zip(groups, starts, strict=True) if group)


def _directory(fields, start, order):
    entries, values, at = b"", b"", start + 2 + 12 * len(fields) + 4
    for tag, kind, count, raw in sorted(fields):
        if len(raw) <= 4:
            place = raw.ljust(4, b"\0")
        else:
            raw += bytes(len(raw) % 2)
            place, values = struct.pack(order + "I", at + len(values)), values + raw
        entries += struct.pack(order + "HHI", tag, kind, count) + place
    return struct.pack(order + "H", len(fields)) + entries + bytes(4) + values


def text_field(tag, text):
    """ASCII field; ``text`` is str or bytes."""
    raw = (text.encode() if isinstance(text, str) else text) + b"\0"
    return tag, 2, len(raw), raw


def ratio_field(tag, *pairs, order="<", signed=False):
    """RATIONAL (or SRATIONAL) field of (numerator, denominator) pairs."""
    code = "ii" if signed else "II"
    return tag, 10 if signed else 5, len(pairs), b"".join(struct.pack(order + code, *pair) for pair in pairs)


def short_field(tag, *values, order="<"):
    """SHORT field."""
    return tag, 3, len(values), struct.pack(order + "H" * len(values), *values)


def with_segment(jpeg_bytes, marker, payload):
    """The JPEG with one more segment, right after its start."""
    segment = bytes((0xFF, marker)) + struct.pack(">H", len(payload) + 2) + payload
    return jpeg_bytes[:2] + segment + jpeg_bytes[2:]


def with_exif(jpeg_bytes, block):
    """The JPEG with an Exif block."""
    return with_segment(jpeg_bytes, 0xE1, b"Exif\0\0" + block)
