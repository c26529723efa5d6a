"""Small files that ask for much: time, memory, recursion. Each must become a row within the limits of one file."""

import functools
import gzip
import struct
import zlib

import numpy as np
from making_files import exif_block, heic, save, with_exif, with_segment
from PIL import Image

from hostile import pictures as p

BROAD = 65_500  # px; the most that a JPEG has by libjpeg's limit


def files():
    """Name to bytes."""
    made = {}
    for family in (_exif, _profiles, _jpeg, _png, _tiff, _webp, _heic, _others):
        made |= family()
    return made


def _exif():
    chain = b"II*\0" + struct.pack("<I", 8) + b"".join(struct.pack("<HI", 0, 8 + 6 * (n + 1)) for n in range(10_000)) + bytes(6)
    two = b"II*\0" + struct.pack("<I", 8) + struct.pack("<HHHIII", 1, 0x8769, 4, 1, 26, 26) + struct.pack("<HHHIII", 1, 0x8769, 4, 1, 8, 8)
    many = exif_block(exif=[(0x9003 + n, 2, 60_000, struct.pack("<I", 8)) for n in range(400)])
    sub = exif_block(main=[(0x014A, 4, 4000, struct.pack("<4000I", *[8] * 4000))])
    return {
        "exif-ten-thousand-directories.jpg": with_exif(p.jpeg(), chain),
        "exif-two-that-point-at-each-other.jpg": with_exif(p.jpeg(), two),
        "exif-one-text-read-again-and-again.jpg": with_exif(p.jpeg(), many),
        "exif-directories-below-themselves.jpg": with_exif(p.jpeg(), sub),
        "exif-in-every-segment.jpg": functools.reduce(lambda data, _: with_exif(data, b"II*\0" + bytes(60_000)), range(120), p.jpeg()),
        "xmp-in-parts.jpg": functools.reduce(
            lambda data, n: with_segment(data, 0xE1, b"http://ns.adobe.com/xmp/extension/\0" + b"A" * 32 + struct.pack(">II", 2**32 - 1, n) + b"<x>" * 20_000),
            range(100), p.jpeg(),
        ),
        "xmp-a-million-tags.png": _plain_png(p.png_chunk(b"iTXt", b"XML:com.adobe.xmp\0\1\0\0\0" + zlib.compress(b"<a>" + b"<b c='d'/>" * 1_000_000 + b"</a>"))),
        "xmp-attributes.png": _plain_png(p.png_chunk(b"iTXt", b"XML:com.adobe.xmp\0\1\0\0\0" + zlib.compress(b"<a " + b" ".join(b"x%d='1'" % n for n in range(200_000)) + b"/>"))),
    }  # fmt: skip


def _profiles():
    profile = p.srgb_profile()
    tags = 200
    table = b"".join(b"t%03d" % n + struct.pack(">II", 132 + 12 * tags, 4_000_000) for n in range(tags))
    overlapping = profile[:128] + struct.pack(">I", tags) + table + bytes(4_000_000)
    words = b"mluc" + bytes(4) + struct.pack(">II", 2**32 - 1, 12) + b"enUS" + struct.pack(">II", 2**31, 28)
    curve = b"curv" + bytes(4) + struct.pack(">I", 1_500_000) + np.linspace(0, 65535, 1_500_000).astype(">u2").tobytes()
    grid = b"mft2" + bytes(4) + bytes([3, 3, 255, 0]) + bytes(36) + struct.pack(">HH", 2, 2) + bytes(4000)
    return {
        "icc-tags-without-end.jpg": p.with_icc(profile[:128] + b"\xff\xff\xff\xff" + profile[132:]),
        "icc-tags-that-overlap.jpg": _with_long_icc(overlapping),
        "icc-name-of-four-billion-languages.jpg": p.with_icc(_with_tag(profile, b"desc", words)),
        "icc-curve-of-a-million-points.jpg": _with_long_icc(functools.reduce(lambda data, tag: _with_tag(data, tag, curve), (b"rTRC", b"gTRC", b"bTRC"), profile)),
        "icc-table-of-16-million-cells.jpg": p.with_icc(_with_tag(profile, b"A2B0", grid)),
        "icc-same-part-again.jpg": functools.reduce(lambda data, _: with_segment(data, 0xE2, b"ICC_PROFILE\0\x01\xff" + bytes(60_000)), range(255), p.jpeg()),
    }  # fmt: skip


def _with_tag(profile, name, data):
    """A profile with one tag more, or in another's place; its data at the end."""
    count = int.from_bytes(profile[128:132], "big")
    old = [profile[132 + 12 * n : 144 + 12 * n] for n in range(count)]
    body = profile[132 + 12 * count :]
    table = [entry for entry in old if entry[:4] != name]
    shift = 12 * (len(table) + 1 - count)
    moved = b"".join(entry[:4] + struct.pack(">I", int.from_bytes(entry[4:8], "big") + shift) + entry[8:] for entry in table)
    start = 132 + 12 * (len(table) + 1) + len(body)
    whole = profile[:128] + struct.pack(">I", len(table) + 1) + moved + name + struct.pack(">II", start, len(data)) + body + data
    return struct.pack(">I", len(whole)) + whole[4:]


def _with_long_icc(profile):
    parts = [profile[at : at + 65_000] for at in range(0, len(profile), 65_000)]
    data = p.jpeg()
    for number, part in reversed(list(enumerate(parts, 1))):
        data = with_segment(data, 0xE2, b"ICC_PROFILE\0" + bytes([number, len(parts)]) + part)
    return data


def _jpeg():
    return {
        "one-row.jpg": save(np.full((1, BROAD, 3), 200, np.uint8), "JPEG"),
        "one-column.jpg": save(np.full((BROAD, 1, 3), 200, np.uint8), "JPEG"),
        "stripe.jpg": save(np.tile(p.bag(0, BROAD, 200), (2, 1, 1)), "JPEG"),
        "largest-allowed.jpg": _broad_jpeg(2_400),
        "largest-progressive.jpg": _broad_jpeg(1_200, progressive=True),
        "largest-cmyk.jpg": save(Image.new("CMYK", (12_000, 12_000), (9, 9, 9, 9)), "JPEG"),
        "blank-scans.jpg": p.jpeg()[:-2] + b"\xff\xda\x00\x0c\x03\x01\x00\x02\x11\x03\x11\x00\x3f\x00" * 20_000 + b"\xff\xd9",
        "restart-marks-alone.jpg": p.jpeg()[:-2] + b"\xff\xd0" * 2_000_000 + b"\xff\xd9",
        "fill-bytes.jpg": b"\xff\xd8" + b"\xff" * 20_000_000 + p.jpeg()[2:],
        "segments-of-two-bytes.jpg": b"\xff\xd8" + b"\xff\xe7\x00\x02" * 2_000_000 + p.jpeg()[2:],
        "tables-again-and-again.jpg": b"\xff\xd8" + p.jpeg()[2:][p.jpeg()[2:].index(b"\xff\xdb") :][:69] * 100_000 + p.jpeg()[2:],
    }  # fmt: skip


@functools.cache
def _broad_jpeg(height, **options):
    return save(Image.new("RGB", (BROAD, height), (200, 190, 180)), "JPEG", quality=80, **options)


def _plain_png(extra=b""):
    return p.png(200, 200, 2, 8, zlib.compress((b"\0" + bytes(600)) * 200), extra)


def _png():
    bomb = zlib.compress(bytes(80_000_000), 9)
    flat = zlib.compress((b"\0" + bytes(12_600)) * 12_600, 9)
    return {
        "profiles-by-the-hundred.png": _plain_png(b"".join(p.png_chunk(b"iCCP", b"x\0\0" + bomb) for _ in range(100))),
        "texts-by-the-thousand.png": _plain_png(b"".join(p.png_chunk(b"zTXt", b"Comment%d\0\0" % n + bomb) for n in range(1000))),
        "long-text.png": _plain_png(p.png_chunk(b"iTXt", b"XML:com.adobe.xmp\0\1\0\0\0" + bomb)),
        "chunks-by-the-million.png": _plain_png(p.png_chunk(b"teSt", b"") * 1_000_000),
        "data-in-single-bytes.png": _png_in_bytes(),
        "largest-grey.png": p.png(12_600, 12_600, 0, 8, flat),
        "largest-interlaced.png": _interlaced(9_000, 9_000),
        "deep-and-clear.png": p.png(7_000, 7_000, 6, 16, zlib.compress((b"\0" + bytes(56_000)) * 7_000, 1)),
        "one-bit-wide.png": p.png(150_000_000, 1, 0, 1, zlib.compress(bytes(18_750_001), 9)),
        "one-bit-high.png": p.png(1, 150_000_000, 0, 1, zlib.compress(bytes(300_000_000), 1)),
        "animated.png": p.frames_of("PNG", 60),
        "many-frames-declared.png": _plain_png(p.png_chunk(b"acTL", struct.pack(">II", 2**31 - 1, 0))),
        "data-beyond-its-size.png": p.png(200, 200, 2, 8, zlib.compress(bytes(500_000_000), 9)),
    }  # fmt: skip


@functools.cache
def _png_in_bytes():
    whole = zlib.compress((b"\0" + bytes(600)) * 200)
    data = b"".join(p.png_chunk(b"IDAT", whole[at : at + 1]) for at in range(len(whole)))
    empty = p.png_chunk(b"IDAT", b"") * 500_000
    head = p.png_chunk(b"IHDR", struct.pack(">IIBBBBB", 200, 200, 8, 2, 0, 0, 0))
    return b"\x89PNG\r\n\x1a\n" + head + empty + data + p.png_chunk(b"IEND", b"")


def _interlaced(width, height):
    """Adam7 (ISO/IEC 15948, 8.2): seven passes, all zero."""
    passes = ((0, 0, 8, 8), (4, 0, 8, 8), (0, 4, 4, 8), (2, 0, 4, 4), (0, 2, 2, 4), (1, 0, 2, 2), (0, 1, 1, 2))
    packer = zlib.compressobj(9)
    data = b""
    for left, top, across, down in passes:
        columns, rows = -(-(width - left) // across), -(-(height - top) // down)
        for _ in range(rows):
            data += packer.compress(bytes(1 + 3 * columns))
    head = p.png_chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 1))
    return b"\x89PNG\r\n\x1a\n" + head + p.png_chunk(b"IDAT", data + packer.flush()) + p.png_chunk(b"IEND", b"")


def tiff(fields, tail=b""):
    """A TIFF of one directory; a field is (tag, type, count, value or place). The tail begins at byte 8 + 2 + 12 n + 4."""
    body = struct.pack("<H", len(fields)) + b"".join(struct.pack("<HHII", *field) for field in sorted(fields)) + bytes(4)
    return b"II*\0" + struct.pack("<I", 8) + body + tail


def _tiff():
    def grey(width, height, *more):
        given = {field[0] for field in more}
        usual = [(256, 4, 1, width), (257, 4, 1, height), (258, 3, 1, 8), (259, 3, 1, 1), (262, 3, 1, 1), (277, 3, 1, 1)]
        return [*(field for field in usual if field[0] not in given), *more]

    tiles = [(322, 3, 1, 256), (323, 3, 1, 256)]
    strips = [(273, 4, 1, 8), (278, 4, 1, 200), (279, 4, 1, 40_000)]
    place = 8 + 2 + 12 * 9 + 4
    packed = zlib.compress(bytes(400_000_000), 9)
    chain = b"II*\0" + struct.pack("<I", 8) + b"".join(struct.pack("<HI", 0, 8 + 6 * (n + 1)) for n in range(1_000_000)) + bytes(6)
    return {
        "tile-outside.tif": tiff(grey(200, 200, *tiles, (324, 4, 1, 2**32 - 9), (325, 4, 1, 65_536))),
        "tile-of-two-gigabytes.tif": tiff(grey(200, 200, (322, 4, 1, 46_000), (323, 4, 1, 46_000), (324, 4, 1, 8), (325, 4, 1, 100))),
        "tile-of-nothing.tif": tiff(grey(200, 200, (322, 4, 1, 0), (323, 4, 1, 0), (324, 4, 1, 8), (325, 4, 1, 100))),
        "strip-of-two-gigabytes.tif": tiff(grey(200, 200, (273, 4, 1, 8), (278, 4, 1, 200), (279, 4, 1, 2**31))),
        "strips-by-the-million.tif": tiff(grey(1, 1_000_000, (273, 4, 1_000_000, place), (278, 4, 1, 1), (279, 4, 1_000_000, place)), struct.pack("<I", 8) * 1_000_000),
        "strip-that-unpacks-to-400-megabytes.tif": tiff(grey(200, 200, (259, 3, 1, 8), (273, 4, 1, place), (278, 4, 1, 200), (279, 4, 1, len(packed))), packed),
        "channels-65535.tif": tiff(grey(200, 200, (277, 3, 1, 65_535), *strips)),
        "bits-65535.tif": tiff(grey(200, 200, (258, 3, 1, 65_535), *strips)),
        "compressed-as-jpeg.tif": tiff(grey(12_000, 12_000, (259, 3, 1, 7), (273, 4, 1, 8), (278, 4, 1, 12_000), (279, 4, 1, 9))),
        "fax-without-end.tif": tiff(grey(100_000, 1_500, (258, 3, 1, 1), (259, 3, 1, 4), (273, 4, 1, 8), (278, 4, 1, 1_500), (279, 4, 1, 200))),
        "a-million-directories.tif": chain,
        "big-tiff.tif": b"II+\0\x08\0\0\0" + struct.pack("<Q", 16) + struct.pack("<Q", 2**60) + bytes(100),
        "largest.tif": save(Image.new("L", (12_600, 12_600)), "TIFF", compression="tiff_adobe_deflate"),
        "planes.tif": tiff(grey(200, 200, (277, 3, 1, 3), (262, 3, 1, 2), (284, 3, 1, 2), (273, 4, 3, 2**31), (279, 4, 3, 2**31))),
    }  # fmt: skip


def _webp():
    frames = save(Image.new("RGB", (400, 400)), "WEBP", save_all=True, append_images=[Image.new("RGB", (400, 400), (n % 256, n // 256, 9)) for n in range(500)], lossless=True)
    return {
        "frames-by-the-hundred.webp": frames,
        "largest.webp": save(Image.new("RGB", (12_600, 12_600), (9, 9, 9)), "WEBP", lossless=True, quality=0, method=0),
        "riff-of-four-gigabytes.webp": b"RIFF\xff\xff\xff\xffWEBPVP8X" + bytes([10, 0, 0, 0, 0x3E]) + bytes(3) + b"\xff" * 6,
        "chunks-of-nothing.webp": b"RIFF" + struct.pack("<I", 8 * 500_000 + 4) + b"WEBP" + b"JUNK\0\0\0\0" * 500_000,
    }  # fmt: skip


def _heic():
    whole = heic("upright")
    size = whole.index(b"ispe") + 8
    vast = whole[:size] + struct.pack(">II", 60_000, 60_000) + whole[size + 8 :]
    place = whole.index(b"iloc")
    return {
        "sixty-thousand-square.heic": vast,
        "nothing-square.heic": whole[:size] + bytes(8) + whole[size + 8 :],
        "data-outside.heic": whole[: place + 8] + b"\xff" * 24 + whole[place + 32 :],
        "box-of-nothing.heic": whole[:24] + bytes(8) * 100_000 + whole[24:],
        "boxes-in-boxes.heic": whole[:24] + b"".join(struct.pack(">I", 8 * n) + b"meta" for n in range(20_000, 0, -1)),
        "half-of-its-data.heic": whole[: len(whole) * 2 // 3],
        "grid-of-65536-tiles.heic": whole[:24] + _heic_grid(),
    }  # fmt: skip


def _heic_grid():
    """A picture made of 256 x 256 times itself (ISO/IEC 23008-12, 6.6.2.3), 32,768 px square."""

    def box(kind, data=b"", version=None):
        data = (b"" if version is None else bytes([version, 0, 0, 0])) + data
        return struct.pack(">I", 8 + len(data)) + kind + data

    grid = bytes([0, 1, 255, 255]) + struct.pack(">II", 32_768, 32_768)
    info = box(b"infe", struct.pack(">HH", 1, 0) + b"grid\0", 2)
    refs = box(b"iref", box(b"dimg", struct.pack(">HH", 1, 65_535) + struct.pack(">H", 1) * 65_535), 0)
    properties = box(b"iprp", box(b"ipco", box(b"ispe", struct.pack(">II", 32_768, 32_768), 0)) + box(b"ipma", struct.pack(">IHB", 1, 1, 1) + b"\x81", 0))
    located = box(b"iloc", b"\x44\0" + struct.pack(">HHHHHII", 1, 1, 1, 0, 1, 0, len(grid))[:-0 or None], 1)
    return box(b"meta", box(b"hdlr", bytes(4) + b"pict" + bytes(13), 0) + box(b"pitm", struct.pack(">H", 1), 0) + located + box(b"iinf", struct.pack(">H", 1) + info, 0) + refs + properties + box(b"idat", grid), 0)


def _others():
    return {
        "packed-drawing.jpg": gzip.compress(b"<svg xmlns='http://www.w3.org/2000/svg'/>"),
        "drawing-in-utf-16.jpg": "\ufeff<svg onload='window.hacked=1'/>".encode("utf-16-le"),
        "many-pictures.jpg": save(Image.fromarray(p.bag()), "MPO", save_all=True, append_images=[Image.fromarray(p.bag(n % 5)) for n in range(60)]),
        "print-job.jpg": b"\x1b%-12345X@PJL SET RESOLUTION=600\r\n",
        "page-with-preview.jpg": b"\xc5\xd0\xd3\xc6" + struct.pack("<6I", 32, 10, 0, 0, 42, 2**31) + bytes(99),
        "raw-of-another-name.jpg": b"II*\0" + struct.pack("<I", 8) + b"CR\x02\0" + bytes(300),
        "picture-in-a-mail.jpg": b"MIME-Version: 1.0\r\nContent-Type: image/jpeg\r\n\r\n" + b"/9j/4AAQ" * 50,
    }  # fmt: skip
