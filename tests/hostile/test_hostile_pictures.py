"""Kinds of picture that a decoder misreads, or reads in part, without a word: right, refused by its kind, or noted."""

import struct
import zlib

import numpy as np
import pytest
from catalogue_audit.measures.measure import Limits, measure_bytes
from catalogue_audit.metadata.container import read_container
from catalogue_audit.pixels.decode import decode
from catalogue_audit.errors import UnreadablePicture

from making_files import exif_block, ratio_field, save, text_field, with_exif

from hostile import pictures as p

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
