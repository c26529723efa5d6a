"""
A delivery from a hostile sender: hundreds of entries, each with what must become of it.

Expectations: ``bad`` (a row 'not_measured'), ``noted`` (measured, with a note
about the file), ``doubtful`` (either of the two), ``good`` (measured; the
name or a text is what is hostile), ``any`` (a row of whatever status),
``other`` (no picture: named in the summary, no row), ``hidden`` (a system
file: counted, no row), ``nothing`` (an ordinary folder).
"""

import os
import socket
import struct
import unicodedata
import zlib
from pathlib import Path
from typing import NamedTuple

import numpy as np
from making_files import heic, ratio_field, save, short_field, text_field, with_exif, with_segment
from PIL import Image

from hostile import pictures as p

CANARY = "canary-7f3a9c-outside-the-delivery"
DEEP = 60


class Item(NamedTuple):
    """One hostile entry: its name below the delivery (bytes), what must become of it, and what it is."""

    name: bytes
    expect: str
    what: bytes | tuple


def neighbours(root):
    """Write the good pictures, the same in every test; their names."""
    names = []
    for number, sku in enumerate(("00123", "1E5", "NA", "null")):
        for place, view in enumerate(("front", "back")):
            name = f"{sku}_{view}.jpg"
            _write(root, name.encode(), p.photograph(10 + number, minute=2 * number + place))
            names.append(name)
    return names


def bad_files():
    """Files whose content is wrong, by name."""
    whole, photo = p.jpeg(), p.photograph()
    png, tiff, webp = save(p.bag(), "PNG"), save(p.bag(), "TIFF"), save(p.bag(), "WEBP")
    bad = {
        "zero-bytes.jpg": b"", "one-byte.jpg": b"\xff", "only-start.jpg": b"\xff\xd8", "start-and-end.jpg": b"\xff\xd8\xff\xd9",
        "truncated-half.jpg": whole[: len(whole) // 2], "truncated-header.jpg": whole[:300], "truncated-100.jpg": whole[:-100],
        "truncated-exif.jpg": photo[:90], "truncated.png": png[: len(png) // 2], "truncated.tif": tiff[: len(tiff) // 2],
        "truncated.webp": webp[: len(webp) // 2], "truncated.heic": heic("upright")[: len(heic("upright")) // 2], "overwritten.png": p.overwritten(png),
        "all-zero.jpg": bytes(5000), "all-ff.jpg": b"\xff" * 5000, "noise.jpg": np.random.default_rng(1).bytes(5000),
        "gif.jpg": save(p.bag(), "GIF"), "bmp.jpg": save(p.bag(), "BMP"), "pdf.jpg": b"%PDF-1.7\n1 0 obj<</Type/Catalog/OpenAction<</S/JavaScript>>>>",
        "eps.jpg": b"%!PS-Adobe-3.0 EPSF-3.0\n%%BoundingBox: 0 0 9 9\n(touched) (w) file closefile\n", "svg.jpg": b'<?xml version="1.0"?><svg xmlns="http://www.w3.org/2000/svg" onload="window.hacked=1"/>',
        "html.jpg": b"<!DOCTYPE html><script>window.hacked=1</script>", "zip.jpg": b"PK\x03\x04" + bytes(60), "text.jpg": b"see the other mail",
        "mvg.jpg": b"push graphic-context\nimage over 0,0 0,0 'https://canary.invalid/'", "program.jpg": b"\x7fELF" + bytes(200), "ico.jpg": save(p.bag(0, 64, 64), "ICO"),
        "psd.jpg": b"8BPS\0\x01" + bytes(40), "raw.jpg": b"FUJIFILMCCD-RAW " + bytes(100), "jp2.jpg": b"\0\0\0\x0cjP  \r\n\x87\n" + bytes(80), "avif.jpg": b"\0\0\0\x20ftypavif\0\0\0\0avifmif1miaf" + bytes(80),
        "ppm.jpg": b"P6 2 2 255\n" + bytes(12), "mp4.jpg": b"\0\0\0\x18ftypisom\0\0\2\0isomiso2" + bytes(80), "gzip.png": b"\x1f\x8b" + bytes(50),
        "gif.gif": save(p.bag(), "GIF"), "layers.psd": b"8BPS\0\x01", "camera.nef": b"MM\0*" + bytes(100), "drawing.svg": b"<svg/>", "page.eps": b"%!PS\n",
        "bomb-60000.png": p.png(60000, 60000), "bomb-2-31.png": p.png(2**31 - 1, 2**31 - 1), "bomb-zero.png": p.png(0, 10), "bomb-row.png": p.png(2**31 - 1, 1),
        "bomb-65500.jpg": p.jpeg_of_size(65500, 65500), "bomb-zero.jpg": p.jpeg_of_size(0, 100), "bigger-than-its-data.jpg": p.jpeg_of_size(2000, 2000),
        "bomb-idat.png": p.png(20000, 20000, 0, 8, zlib.compress(bytes(2_000_000), 9)), "bomb-text.tif": _tiff_claiming(60000, 60000), "bomb-strip.tif": _tiff_claiming(200, 200, 2**32 - 16),
        "bomb.webp": _webp_claiming(16383, 16383), "many-scans.jpg": p.many_scans(3000), "no-idat.png": p.png(200, 200), "bad-checksum.png": png[:-30] + bytes([png[-30] ^ 1]) + png[-29:],
        "arithmetic.jpg": p.arithmetic(), "twelve-bit.jpg": _with_precision(12), "lossless.jpg": whole.replace(b"\xff\xc0", b"\xff\xc3", 1), "png-of-13-bits.png": p.png(200, 200, 2, 13),
        "missing-tables.jpg": _without(whole, b"\xff\xdb"),
    }  # fmt: skip
    return {name: ("bad", data) for name, data in bad.items()} | {"overwritten.jpg": ("doubtful", p.overwritten(whole))}


def odd_files():
    """Files that can be measured although something about them is out of the ordinary."""
    whole, png = p.jpeg(), save(p.bag(), "PNG")
    cmyk = Image.fromarray(p.bag()).convert("CMYK")
    good = {
        "grey.jpg": save(p.bag()[..., 0], "JPEG"), "progressive.jpg": p.jpeg(progressive=True), "palette.png": save(Image.fromarray(p.bag()).quantize(64), "PNG"), "16-bit.png": p.sixteen_bit("png"),
        "16-bit.tiff": p.sixteen_bit("tiff"), "transparent.png": p.transparent(), "transparent-grey.png": p.transparent("LA"), "plain.webp": save(p.bag(), "WEBP"), "plain.heic": heic("upright"),
        "plain.tif": save(p.bag(), "TIFF"), "lzw.tif": save(p.bag(), "TIFF", compression="tiff_lzw"), "png-under.jpg": png, "jpeg-under.png": whole, "webp-under.jpeg": save(p.bag(), "WEBP"), "444.jpg": p.jpeg(subsampling=0),
        "restart-marks.jpg": p.jpeg(restart_marker_blocks=4), "junk-after-end.jpg": whole + b"<script>window.hacked=1</script>" * 20, "trailing-zip.jpg": whole + b"PK\x03\x04" + bytes(50),
        "upper.JPG": whole, "missing-codes.jpg": _without(whole, b"\xff\xc4"), "one-bit.png": save(Image.fromarray(p.bag()).convert("1"), "PNG"),
    }  # fmt: skip
    noted = {
        "without-end.jpg": whole[:-2], "cmyk.jpg": save(cmyk, "JPEG"), "cmyk.tif": save(cmyk, "TIFF"), "frames.tif": p.frames_of("TIFF"), "frames.webp": p.frames_of("WEBP"), "frames.png": p.frames_of("PNG"),
        "icc-broken.jpg": p.with_icc(b"\0\0\0\x80lcms" + bytes(120)), "icc-short.jpg": p.with_icc(p.srgb_profile()[:200]), "icc-text.jpg": p.with_icc(b"<script>window.hacked=1</script>"),
        "icc-cmyk.jpg": p.with_icc(p.srgb_profile(space=b"CMYK")),
    }  # fmt: skip
    unsure = {
        "one-pixel.png": save(np.full((1, 1, 3), 9, np.uint8), "PNG"), "one-pixel.jpg": save(np.full((1, 1, 3), 9, np.uint8), "JPEG"), "two.png": save(np.full((2, 2, 3), 9, np.uint8), "PNG"), "wide.png": save(np.full((1, 9000, 3), 200, np.uint8), "PNG"), "tall.jpg": save(np.full((9000, 3, 3), 200, np.uint8), "JPEG"),
        "icc-link.jpg": p.with_icc(p.srgb_profile(kind=b"link")), "icc-space.jpg": p.with_icc(p.srgb_profile(space=b"GRAY")), "icc-none.jpg": p.with_icc(b""), "flat-white.jpg": save(np.full((200, 200, 3), 255, np.uint8), "JPEG"), "flat-black.png": save(np.zeros((200, 200, 3), np.uint8), "PNG"), "all-clear.png": save(np.zeros((200, 200, 4), np.uint8), "PNG"),
        "noise-only.png": save(np.random.default_rng(3).integers(0, 255, (200, 200, 3), dtype=np.uint8), "PNG"), "loop.tif": p.tiff_loop(), "text-bomb.png": p.png(200, 200, 2, 8, zlib.compress((b"\0" + bytes(600)) * 200), p.png_chunk(b"zTXt", b"Comment\0\0" + zlib.compress(bytes(80_000_000), 9))),
        "icc-bomb.png": p.png(200, 200, 2, 8, zlib.compress((b"\0" + bytes(600)) * 200), p.png_chunk(b"iCCP", b"x\0\0" + zlib.compress(bytes(80_000_000), 9))), "mpo.jpg": p.frames_of("MPO"), "float.tif": save(p.bag()[..., 0].astype(np.float32), "TIFF"), "int32.tif": save(Image.fromarray(p.bag()[..., 0].astype(np.int32)), "TIFF"),
        "segment-of-nothing.jpg": with_segment(whole, 0xE5, b""), "comment.jpg": with_segment(whole, 0xFE, p.TEXTS["html"].encode()), "thousand-segments.jpg": _segments(whole, 1000),
    }  # fmt: skip
    every = [(good, "good"), (noted, "noted"), (unsure, "any")]
    return {name: (expect, data) for files, expect in every for name, data in files.items()}


def metadata_files(canary_path):
    """Files with a good picture and hostile metadata: always measured."""
    date, ratio, exif = 0x9003, 0x829A, "exif"
    made = {
        "exif-loop-next.jpg": with_exif(p.jpeg(), p.exif_loop("next")), "exif-loop-exif.jpg": with_exif(p.jpeg(), p.exif_loop("exif")), "exif-empty.jpg": with_exif(p.jpeg(), b""), "exif-noise.jpg": with_exif(p.jpeg(), np.random.default_rng(5).bytes(400)),
        "exif-offset.jpg": with_exif(p.jpeg(), b"II*\0" + struct.pack("<I", 2**32 - 1)), "exif-entries.jpg": with_exif(p.jpeg(), b"II*\0" + struct.pack("<IH", 8, 65535)), "exif-count.jpg": p.with_field(0x10F, 2, 2**32 - 1, b"Makerrrr"), "exif-type.jpg": p.with_field(0x10F, 99, 4, b"abcd"),
        "exif-0-0.jpg": p.with_field(ratio, 5, 1, bytes(8), exif), "exif-1-0.jpg": p.with_field(ratio, 5, 1, struct.pack("<II", 1, 0), exif), "exif-huge.jpg": p.with_field(ratio, 5, 1, struct.pack("<II", 2**32 - 1, 1), exif), "exif-aperture-0.jpg": p.with_field(0x829D, 5, 1, struct.pack("<II", 0, 10), exif), "exif-iso-0.jpg": p.with_field(0x8827, 3, 1, bytes(2), exif),
        "exif-focal-0-0.jpg": p.with_field(0x920A, 5, 1, bytes(8), exif), "exif-double-nan.jpg": p.with_field(0x920A, 12, 1, struct.pack("<d", float("nan")), exif), "exif-double-inf.jpg": p.with_field(0x829D, 12, 1, struct.pack("<d", float("inf")), exif), "exif-bias-min.jpg": p.with_field(0x9204, 10, 1, struct.pack("<ii", -(2**31), -1), exif),
        "date-32.jpg": p.with_field(date, 2, 20, b"2026:02:32 25:61:61\0", exif), "date-zero.jpg": p.with_field(date, 2, 20, b"0000:00:00 00:00:00\0", exif), "date-9999.jpg": p.with_field(date, 2, 20, b"9999:99:99 99:99:99\0", exif), "date-text.jpg": p.with_field(date, 2, 20, b"yesterday at noon  \0", exif), "date-formula.jpg": p.with_field(date, 2, 20, b"=1+1               \0", exif), "date-year-1.jpg": p.with_field(date, 2, 20, b"0001:01:01 00:00:00\0", exif),
        "long-make.jpg": with_exif(p.jpeg(), p.exif_block([text_field(0x10F, "A" * 60_000)])), "long-html.jpg": with_exif(p.jpeg(), p.exif_block([text_field(0x110, "<b>" * 20_000)])), "nuls.jpg": with_exif(p.jpeg(), p.exif_block([text_field(0x10F, b"Mak\0er\0\0\x01\x02")])), "not-utf8.jpg": with_exif(p.jpeg(), p.exif_block([text_field(0x10F, b"Mak\xff\xfe\xe9r")])),
        "orientation-99.jpg": with_exif(p.jpeg(), p.exif_block([short_field(0x112, 99)])), "orientation-6.jpg": with_exif(p.jpeg(), p.exif_block([short_field(0x112, 6)])), "gps.jpg": p.photograph(3, gps=[(1, 2, 2, b"N\0"), ratio_field(2, (48, 1), (51, 1), (2968, 100)), (3, 2, 2, b"E\0"), ratio_field(4, (2, 1), (17, 1), (4031, 100))]),
        "xmp-bomb.jpg": p.with_xmp(p.entity_bomb()), "xmp-external.jpg": p.with_xmp(p.external_entity(canary_path)), "xmp-broken.jpg": p.with_xmp("<x:xmpmeta><<<"), "xmp-deep.jpg": p.with_xmp("<a>" * 9000 + "</a>" * 9000), "xmp-noise.jpg": p.with_xmp("\ufffe\x00\x01"),
        "iptc-noise.jpg": with_segment(p.jpeg(), 0xED, b"Photoshop 3.0\x008BIM\x04\x04\0\0\xff\xff\xff\xff" + bytes(60)), "makernote.jpg": p.with_field(0x927C, 7, 5000, np.random.default_rng(6).bytes(5000), exif), "adobe-empty.jpg": with_segment(p.jpeg(), 0xEE, b"Adobe"),
    }  # fmt: skip
    files = {name: ("any" if name in _PICTURE_TOO else "measured", data) for name, data in made.items()}
    for kind, text in p.TEXTS.items():
        files[f"text-{kind}.jpg"] = ("measured", p.photograph(4, make=text, model=text, artist=text, description=text))
    return files


_PICTURE_TOO = ("adobe-empty.jpg",)


def hostile_names():
    """Names of good pictures, as bytes."""
    long = b"L" * (255 - len(b"_front.jpg")) + b"_front.jpg"
    names = [
        b"new\nline_front.jpg", b"return\r_front.jpg", b"tab\t_front.jpg", b"bell\x07_front.jpg", b"escape\x1b[31m_front.jpg", b"delete\x7f_front.jpg", "next\u0085line_front.jpg".encode(), "para\u2029graph_front.jpg".encode(),
        "rtl\u202egpj_front.jpg".encode(), "zero\u200bwidth_front.jpg".encode(), "bom\ufeff_front.jpg".encode(), b"latin\xe9_front.jpg", b"bytes\xff\xfe\x80_front.jpg", b"escape\\xe9_front.jpg", b"surrogate\xed\xa0\x80_front.jpg", long,
        b"-rf_front.jpg", b"--out_front.jpg", b"=1+1_front.jpg", b"+1_front.jpg", b"@SUM(1)_front.jpg", b"=HYPERLINK(\"http:canary.invalid\")_front.jpg", b"quote'_front.jpg", b'quote"_front.jpg', b"back`tick`_front.jpg", b"<script>window.hacked=1<|script>_front.jpg", b"<img src=x onerror=window.hacked=1>_front.jpg",
        b'" onmouseover="window.hacked=1_front.jpg', b"{{7*191}}_front.jpg", b"{sku}_front.jpg", b"%s%n_front.jpg", b"$(touch hacked)_front.jpg", b"`touch hacked`_front.jpg", b"; touch hacked;_front.jpg", b"${HOME}_front.jpg", b"~_front.jpg", b"*_front.jpg", b"?query=1#part_front.jpg", b"%2e%2e%2f_front.jpg", 
        "bag\N{HANDBAG}_front.jpg".encode(), "\u5305_front.jpg".encode(), "\u062d\u0642\u064a\u0628\u0629_front.jpg".encode(), (unicodedata.normalize("NFC", "é-twin") + "_front.jpg").encode(), (unicodedata.normalize("NFD", "é-twin") + "_front.jpg").encode(),
        b"Case_front.jpg", b"case_front.jpg", b"case_front.JPG", b" leading_front.jpg", b"trailing_front .jpg", b"dots..._front.jpg", b"CON.jpg", b"aux.front.jpg", b"a|b_front.jpg", b"a,b;c_front.jpg", b"[x](javascript:window.hacked=1)_front.jpg", b"$\\int$_front.jpg", b"_.jpg", b"1.jpg",
        b"http:\xc2\xbf\xc2\xbfcanary.invalid_front.jpg", b"0x10_front.jpg", b"nan_front.jpg", b"inf_front.jpg", b"None_front.jpg", b"TRUE_front.jpg", b"1e400_front.jpg", b"9" * 200 + b".jpg", b"combining" + "\u0301".encode() * 40 + b"_front.jpg",
    ]  # fmt: skip
    return [Item(b"names/" + name, "good", p.jpeg()) for name in dict.fromkeys(names)]


def file_system(outside):
    """Links, pipes, folders that look like pictures, depth, hidden and system files."""
    deep = b"deep/" + b"/".join(b"d%d" % n for n in range(DEEP)) + b"/bottom_front.jpg"
    secret = os.fsencode(outside / "secret.jpg")
    return [
        Item(b"link-out_front.jpg", "bad", ("link", secret)), Item(b"link-up_front.jpg", "bad", ("link", b"../outside/secret.jpg")), Item(b"link-folder-out", "bad", ("link", os.fsencode(outside))), Item(b"link-etc.jpg", "bad", ("link", b"/etc/passwd")),
        Item(b"link-proc.jpg", "bad", ("link", b"/proc/self/environ")), Item(b"link-self.jpg", "bad", ("link", b"link-self.jpg")), Item(b"link-a.jpg", "bad", ("link", b"link-b.jpg")), Item(b"link-b.jpg", "bad", ("link", b"link-a.jpg")),
        Item(b"link-dangling.jpg", "bad", ("link", b"nowhere.jpg")), Item(b"link-inside_front.jpg", "good", ("link", b"upper.JPG")), Item(b"link-device.jpg", "bad", ("link", b"/dev/zero")), Item(b"loop/back", "other", ("link", b"..")),
        Item(b"pipe.jpg", "bad", ("pipe",)), Item(b"socket.jpg", "bad", ("socket",)), Item(b"folder.jpg", "bad", ("folder",)), Item(b"folder2.jpg/inside_front.jpg", "good", p.jpeg()), Item(b"folder2.jpg", "bad", ("folder",)), Item(deep, "good", p.jpeg()),
        Item(b"closed_front.jpg", "closed", p.jpeg()), Item(b".hidden_front.jpg", "hidden", p.jpeg()), Item(b"..\\..\\up_front.jpg", "hidden", p.jpeg()), Item(b".DS_Store", "hidden", b"\0\0\0\1Bud1"), Item(b"Thumbs.db", "hidden", b"\xd0\xcf"), Item(b"__MACOSX/._x.jpg", "hidden", b"\0\5\x16\7"), Item(b"desktop.ini", "hidden", b"[x]"),
        Item(b"readme.txt", "other", b"<script>window.hacked=1</script>"), Item(b"noextension", "other", p.jpeg()), Item(b"notes.pdf", "other", b"%PDF-"), Item(b"run.sh", "other", b"#!/bin/sh\ntouch hacked\n"), Item(b"conftest.py", "other", b"open('hacked', 'w')"),
        Item(b"numpy.py", "other", b"open('hacked', 'w')"), Item(b"multiprocessing.py", "other", b"open('hacked', 'w')"), Item(b"pandas.py", "other", b"open('hacked', 'w')"), Item(b"catalogue_audit.py", "other", b"open('hacked', 'w')"), Item(b"sitecustomize.py", "other", b"open('hacked', 'w')"), Item(b"matplotlibrc", "other", b"backend: hacked\n"), Item(b"link-text", "bad", ("link", b"nowhere")),
    ]  # fmt: skip


PRODUCTS = (
    "sku;name;style;colourway\r\n"
    '00123;"Tote\nwith a break";tote;"=1+1"\r\n'
    "1E5;<script>window.hacked=1</script>;tote;-2+3\r\n"
    "NA;{{7*191}};tote;@SUM(1)\r\n"
    "null;\"$(touch hacked)\";tote;'quoted\r\n"
)


def items(outside):
    """Every hostile entry."""
    found = [Item(name.encode(), *made) for files in (bad_files(), odd_files(), metadata_files(outside / "secret.txt")) for name, made in files.items()]
    found = [Item(b"files/" + name if not name.startswith(b"upper") else name, expect, what) for name, expect, what in found]
    return [*found, *hostile_names(), *file_system(outside)]


def make(root, outside, reverse=False):
    """
    Write the whole hostile delivery.

    Parameters
    ----------
    root, outside : Path
        The delivery, and a folder outside it that holds what must never be seen.
    reverse : bool
        Write in the opposite order.

    Returns
    -------
    list of Item
        Without the good neighbours.
    """
    outside.mkdir(parents=True, exist_ok=True)
    (outside / "secret.txt").write_text(CANARY)
    (outside / "secret.jpg").write_bytes(p.photograph(99, make=CANARY))
    root.mkdir(parents=True, exist_ok=True)
    found = items(outside)
    if not reverse:
        neighbours(root)
    for item in reversed(found) if reverse else found:
        place(root, item)
    if reverse:
        neighbours(root)
    (root / "products.csv").write_bytes(b"\xff\xfe" + PRODUCTS.encode("utf-16-le"))
    return found


def place(root, item):
    """Put one entry into the delivery."""
    if isinstance(item.what, bytes):
        _write(root, item.name, item.what)
        if item.expect == "closed":
            os.chmod(os.path.join(os.fsencode(root), item.name), 0)
        return
    path = os.path.join(os.fsencode(root), item.name)
    os.makedirs(os.path.dirname(path), exist_ok=True)
    kind, *target = item.what
    if kind == "link":
        os.symlink(target[0], path)
    elif kind == "pipe":
        os.mkfifo(path)
    elif kind == "socket":
        _socket(path)
    else:
        os.makedirs(path, exist_ok=True)


def _socket(path):
    """A socket in the file system; its path may be longer than the system call takes."""
    here = os.getcwd()
    os.chdir(os.path.dirname(path))
    try:
        with socket.socket(socket.AF_UNIX) as made:
            made.bind(os.path.basename(path))
    finally:
        os.chdir(here)


def _write(root, name, data):
    path = os.path.join(os.fsencode(root), name)
    os.makedirs(os.path.dirname(path), exist_ok=True)
    Path(os.fsdecode(path)).write_bytes(data)


def _tiff_claiming(width, height, strip=8):
    fields = [(256, 4, 1, width), (257, 4, 1, height), (258, 3, 1, 8), (259, 3, 1, 1), (262, 3, 1, 1), (273, 4, 1, strip), (277, 3, 1, 1), (278, 4, 1, height), (279, 4, 1, width * height % 2**32)]
    body = struct.pack("<H", len(fields)) + b"".join(struct.pack("<HHII", *field) for field in fields) + bytes(4)
    return b"II*\0" + struct.pack("<I", 8) + body


def _webp_claiming(width, height):
    data = bytearray(save(p.bag(), "WEBP", lossless=False))
    at = data.index(b"\x9d\x01\x2a") + 3
    data[at : at + 4] = struct.pack("<HH", width, height)
    return bytes(data)


def _with_precision(bits):
    data = bytearray(p.jpeg())
    data[data.index(b"\xff\xc0") + 4] = bits
    return bytes(data)


def _without(data, marker):
    """A JPEG without its segments of one marker."""
    while (at := data.find(marker)) >= 0:
        data = data[:at] + data[at + 2 + int.from_bytes(data[at + 2 : at + 4], "big") :]
    return data


def _segments(data, number):
    for _ in range(number):
        data = with_segment(data, 0xE7, b"x" * 20)
    return data
