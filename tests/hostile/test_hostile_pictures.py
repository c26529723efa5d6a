"""Kinds of picture that a decoder misreads, or reads in part, without a word: right, refused by its kind, or noted."""

import struct
import zlib

import numpy as np
import pytest
from catalogue_audit.measures.measure import Limits, measure_bytes
from catalogue_audit.metadata.container import read_container
from catalogue_audit.pixels.decode import decode
from catalogue_audit.errors import UnreadablePicture

from making_files import exif_block, heic, ratio_field, save, text_field, with_exif

from hostile import pictures as p
from hostile.bombs import _with_tag

DEEP = p.bag().astype(np.uint16) * 257
GREY = p.bag()[..., :1]


def codes(data):
    return decode(data, read_container(data)).encoded


@pytest.mark.parametrize("orientation", range(1, 9))
def test_a_sixteen_bit_tiff_is_turned_once(orientation):
    eight, sixteen = (measure_bytes(p.tiff_of(array, orientation=orientation), Limits(), "x")[0] for array in (p.bag(), DEEP))
    for name in ("orientation", "width_px", "height_px", "left", "top", "right", "bottom", "phash"):
        assert sixteen[name] == eight[name], name
    assert sixteen["status"] == "measured" and sixteen["orientation"] == orientation


@pytest.mark.parametrize("depth", [8, 16])
def test_a_negative_is_read_as_a_positive(depth):
    negative = 255 - GREY if depth == 8 else 65535 - DEEP[..., :1]
    assert np.array_equal(codes(p.tiff_of(negative, photometric=0))[..., :1], GREY)


@pytest.mark.parametrize(
    ("array", "options", "kind"),
    [
        (p.bag().astype(np.float32) / 255, {"samples": 3}, "floating point"),
        (np.full((200, 200, 3), np.nan, np.float16), {"samples": 3}, "floating point"),
        (np.full((200, 200, 3), np.inf, np.float64), {"samples": 3}, "floating point"),
        (DEEP, {"samples": 2}, "with a sign"),
        (p.bag(), {"samples": 2}, "with a sign"),
        (p.bag().astype(np.uint32), {}, "32 bits"),
        (np.ascontiguousarray(DEEP.transpose(2, 0, 1)), {"planes": 2}, "separate planes"),
        (p.bag(), {"photometric": 8}, "CIELAB"),
        (DEEP, {"photometric": 8}, "CIELAB"),
        (np.dstack([DEEP, DEEP[..., :1]]), {"photometric": 5}, "CMYK"),
        (np.dstack([DEEP, DEEP])[..., :5], {}, "5 channels"),
        (np.dstack([p.bag()] * 30), {}, "90 channels"),
        (DEEP[..., :1], {"photometric": 32803}, "another colour space"),
    ],
)  # fmt: skip
def test_a_kind_of_numbers_that_is_not_read_is_named(array, options, kind):
    facts, _ = measure_bytes(p.tiff_of(array, **options), Limits(), "x")
    (reason,) = facts["reasons"]
    assert facts["status"] == "not_measured" and kind in reason and "ask for" in reason
    assert facts["width_px"] == facts["height_px"] == 200


def test_planes_of_eight_bits_are_read():
    assert np.array_equal(codes(p.tiff_of(np.ascontiguousarray(p.bag().transpose(2, 0, 1)), planes=2)), p.bag())


def _rows(number, interlaced=False):
    """A PNG of 200 rows whose data, whole by every check sum, hold some of them."""
    head = struct.pack(">IIBBBBB", 200, 200, 8, 2, 0, 0, interlaced)
    data = p.png_chunk(b"IDAT", zlib.compress((b"\0" + b"\xc8" * 600) * number))
    return b"\x89PNG\r\n\x1a\n" + p.png_chunk(b"IHDR", head) + data + p.png_chunk(b"IEND", b"")


def test_a_png_whose_rows_end_early_is_refused():
    for interlaced in (False, True):
        with pytest.raises(UnreadablePicture, match="damaged"):
            codes(_rows(120, interlaced))
    assert codes(_rows(200)).min() == 200
    assert codes(save(np.zeros((50, 40, 4), np.uint8), "PNG")).min() == 255  # all rows are there, and are zero


def test_a_png_of_palette_colours_without_a_palette_is_refused():
    with pytest.raises(UnreadablePicture, match="damaged"):
        codes(p.png(200, 200, 3, 8, zlib.compress(bytes(201) * 200)))


@pytest.mark.parametrize("lacking", range(1, 13))
@pytest.mark.parametrize("depth", [8, 16])
def test_a_png_without_its_end_mark_is_measured_with_a_note(depth, lacking):
    whole = save(p.bag(), "PNG") if depth == 8 else p.sixteen_bit("png")
    picture = decode(whole[:-lacking], read_container(whole))
    assert np.array_equal(picture.encoded, codes(whole))
    assert any("end mark" in note for note in picture.notes)


def test_a_progressive_jpeg_cut_between_two_scans_is_refused():
    whole = p.jpeg(progressive=True)
    starts = [at for at in range(len(whole)) if whole[at : at + 2] == b"\xff\xda"]
    assert len(starts) > 4
    for start in starts[1:]:
        tables = whole.rfind(b"\xff\xc4", starts[0], start)
        for cut in (start, tables):  # before the scan, and before the tables that belong to it
            with pytest.raises(UnreadablePicture, match="cut short"):
                codes(whole[:cut])
    assert any("every pixel" in note for note in decode(whole[:-2], read_container(whole[:-2])).notes)


@pytest.mark.parametrize("iso", [-(2**31), -5, 0])
def test_an_iso_below_one_is_unknown_and_costs_nothing_else(iso):
    fields = [ratio_field(0x829A, (1, 125)), ratio_field(0x829D, (80, 10)), (0x8827, 9, 1, struct.pack("<i", iso)), text_field(0x9003, "2026:03:02 10:00:00")]
    facts, _ = measure_bytes(with_exif(p.jpeg(), exif_block(exif=fields)), Limits(), "x")
    assert facts["status"] == "measured" and facts["f_number"] == 8 and facts["captured_at"] == "2026-03-02T10:00:00"
    assert "iso" not in facts and "ev100" not in facts


def _png(colour_type, depth, rows, *beside, after=b""):
    """A PNG of 200 x 200 px with chunks before and after its data."""
    head = p.png_chunk(b"IHDR", struct.pack(">IIBBBBB", 200, 200, depth, colour_type, 0, 0, 0))
    return b"".join((b"\x89PNG\r\n\x1a\n", head, *beside, p.png_chunk(b"IDAT", zlib.compress(rows)), after, p.png_chunk(b"IEND", b"")))


def _rows_of(array):
    return b"".join(b"\0" + row.tobytes() for row in array)


RGB, RGB_DEEP = _rows_of(p.bag()), _rows_of(DEEP.astype(">u2"))


def _wrong(chunk):
    """The chunk with a checksum that is not its own."""
    return chunk[:-1] + bytes((chunk[-1] ^ 1,))


@pytest.mark.parametrize("kind", [b"pHYs", b"gAMA", b"sRGB", b"cHRM", b"bKGD", b"tIME", b"teSt", b"acTL", b"fcTL"])
@pytest.mark.parametrize(("depth", "rows"), [(8, RGB), (16, RGB_DEEP)])
def test_what_is_damaged_beside_a_png_costs_no_pixel(kind, depth, rows):
    for chunk in (_wrong(p.png_chunk(kind, bytes(9))), p.png_chunk(kind, b"\1")):
        data = _png(2, depth, rows, chunk)
        container = read_container(data)
        picture = decode(data, container)
        assert np.array_equal(picture.encoded, p.bag()) and container["frames"] < 256
        assert any("beside its picture" in note for note in picture.notes) == (len(chunk) > 13)


@pytest.mark.parametrize(
    "chunks",
    [(b"tRNS", b""), (b"tRNS", b"\0"), (b"tRNS", bytes(20)), (b"tRNS", bytes(6), b"tRNS", bytes(6))],
    ids=["nothing", "too short", "too long", "twice"],
)
@pytest.mark.parametrize(("depth", "rows"), [(8, RGB), (16, RGB_DEEP)])
def test_a_broken_transparency_is_left_out_with_a_note(depth, rows, chunks):
    picture = decode(data := _png(2, depth, rows, *map(p.png_chunk, chunks[::2], chunks[1::2])), read_container(data))
    assert np.array_equal(picture.encoded, p.bag())
    assert any("transparency is damaged" in note for note in picture.notes)


@pytest.mark.parametrize("depth", [1, 2, 4, 8, 16])
def test_a_grey_level_that_is_transparent_is_so_at_every_depth(depth):
    levels = np.zeros((200, 200), int)
    levels[:, 100:] = (1 << depth) - 1
    levels[:80] = (1 << depth) // 2
    clear = p.png_chunk(b"tRNS", struct.pack(">H", 0))
    bits = [(level >> bit) & 1 for level in [levels] for bit in range(depth - 1, -1, -1)]
    rows = b"".join(b"\0" + row.tobytes() for row in np.packbits(np.stack(bits, -1).reshape(200, -1).astype(np.uint8), axis=1))
    data = _png(0, depth, rows, clear)
    picture = decode(data, read_container(data))
    assert np.array_equal(picture.alpha == 0, levels == 0)
    assert picture.encoded[199, 0].tolist() == [255] * 3  # clear over white
    assert not picture.notes


def test_a_palette_that_lacks_colours_of_its_picture_is_refused():
    rows, colours = _rows_of(p.bag()[..., 1]), bytes(range(256)) * 3
    highest = int(p.bag()[..., 1].max())
    assert codes(_png(3, 8, rows, p.png_chunk(b"PLTE", colours[: 3 * (highest + 1)]))).shape == (200, 200, 3)
    with pytest.raises(UnreadablePicture, match="damaged"):
        codes(_png(3, 8, rows, p.png_chunk(b"PLTE", colours[: 3 * highest])))


@pytest.mark.parametrize(
    ("chunk", "noted"),
    [
        (p.png_chunk(b"gAMA", struct.pack(">I", 45455)), False),
        (p.png_chunk(b"gAMA", struct.pack(">I", 100000)), True),
        (p.png_chunk(b"gAMA", bytes(4)), False),
        (p.png_chunk(b"cHRM", struct.pack(">8I", 31270, 32900, 64000, 33000, 30000, 60000, 15000, 6000)), False),
        (p.png_chunk(b"cHRM", struct.pack(">8I", 31270, 32900, 64000, 33000, 21000, 71000, 15000, 6000)), True),
        (p.png_chunk(b"cICP", bytes((1, 13, 0, 1))), False),
        (p.png_chunk(b"cICP", bytes((9, 16, 0, 1))), True),
        (p.png_chunk(b"gAMA", struct.pack(">I", 100000)) + p.png_chunk(b"sRGB", b"\0"), False),
    ],
)
def test_colours_that_a_png_names_by_figures_are_noted_where_they_are_not_those_of_srgb(chunk, noted):
    assert any("cICP" in note for note in read_container(_png(2, 8, RGB, chunk))["reasons"]) == noted


def test_a_progressive_jpeg_that_was_closed_before_its_last_scans_is_noted():
    whole = p.jpeg(progressive=True)
    starts = [at for at in range(len(whole)) if whole[at : at + 2] == b"\xff\xda"]
    assert not read_container(whole)["reasons"]
    for start in starts[1:]:
        assert any("coarser" in note for note in read_container(whole[:start] + b"\xff\xd9")["reasons"])


@pytest.mark.parametrize("options", [{"lossless": True}, {"quality": 100}])
@pytest.mark.parametrize("share", [0.3, 0.7])
def test_a_webp_of_which_a_copy_left_a_part_out_is_refused(options, share):
    grain = np.random.default_rng(1).integers(0, 256, (300, 300, 3), dtype=np.uint8)
    data = save(grain, "WEBP", **options)
    at = int(share * len(data))
    assert codes(data).shape == grain.shape
    for end in (at + 2048, len(data)):
        with pytest.raises(UnreadablePicture, match="interrupted copy"):
            codes(data[:at] + bytes(end - at) + data[end:])


def test_a_heic_of_which_a_copy_left_a_part_out_is_noted():
    data = heic("upright")
    assert not read_container(data)["reasons"]
    for at in (len(data) // 3, 2 * len(data) // 3):
        assert any("interrupted copy" in note for note in read_container(data[:at] + bytes(2048) + data[at + 2048 :])["reasons"])


def _with_curve(values):
    entries = np.asarray(values, ">u2")
    return p.with_icc(_with_tag(p.srgb_profile(), b"gTRC", b"curv" + bytes(4) + struct.pack(">I", len(entries)) + entries.tobytes()))


@pytest.mark.parametrize("curve", [[65535, 0], [0, 0], [30000, 30001], [0, 65535, 20000, 65535], [0], [65535]])
def test_a_tone_curve_that_no_device_has_costs_the_profile_and_not_the_picture(curve):
    picture = decode(data := _with_curve(curve), read_container(data))
    assert any("cannot be used" in note for note in picture.notes)


@pytest.mark.parametrize("curve", [[], [256], [461], [768], [0, 30000, 29800, 65535]])
def test_a_tone_curve_of_a_device_is_used(curve):
    picture = decode(data := _with_curve(curve), read_container(data))
    assert not any("cannot be used" in note for note in picture.notes)


def test_figures_of_the_exposure_that_round_to_nothing_are_unknown():
    fields = [ratio_field(tag, (1, 2**32 - 1)) for tag in (0x829A, 0x829D, 0x920A)]
    facts, _ = measure_bytes(with_exif(p.jpeg(), exif_block(exif=fields)), Limits(), "x")
    assert [facts.get(name) for name in ("exposure_time_s", "f_number", "focal_length_mm", "ev100")] == [None] * 4


def test_a_directory_outside_a_tiff_is_no_picture():
    data = bytearray(save(p.bag(), "TIFF"))
    (start,) = struct.unpack_from("<I", data, 4)
    (count,) = struct.unpack_from("<H", data, start)
    struct.pack_into("<I", data, start + 2 + 12 * count, 2**31 - 1)
    assert read_container(bytes(data))["frames"] == 1
