"""Exif against exiftool's reading of the same files, and against made and hostile blocks."""

import csv
import struct
import time

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from making_files import (
    PHOTOGRAPHS,
    exif_block,
    photograph,
    ratio_field,
    save,
    scene,
    short_field,
    text_field,
    with_exif,
)
from making_profiles import matrix_profile

from catalogue_audit.metadata.container import read_container
from catalogue_audit.metadata.exif import ev100, parse_date, parse_offset, read_exif
from catalogue_audit.schema import FRAME_COLUMNS

# exiftool 12.57, numeric, Exif group only (tests/data/photographs/exif_truth.csv).
TEXT = {"Make": "camera_make", "Model": "camera_model", "LensModel": "lens_model", "Software": "software"}
NUMBERS = {
    "FocalLength": "focal_length_mm",
    "FocalLengthIn35mmFormat": "focal_length_35mm",
    "FNumber": "f_number",
    "ExposureTime": "exposure_time_s",
    "ISO": "iso",
    "ExposureCompensation": "exposure_bias_ev",
    "Orientation": "orientation",
}
DIGITS = {column.name: column.digits for column in FRAME_COLUMNS}

# Where this reader means to differ, and why.
EXPLAINED = {
    ("FujiFilm SP-2500.jpg", "captured_at"): "DateTimeOriginal holds blanks: no date",
}


def truth():
    with (PHOTOGRAPHS / "exif_truth.csv").open(newline="", encoding="utf-8") as table:
        return list(csv.DictReader(table))


def facts_of(name):
    data = photograph(name)
    container = read_container(data)
    return read_exif(data, container["format"], (container["width_px"], container["height_px"]))


@pytest.mark.parametrize("row", truth(), ids=lambda row: row["file"])
def test_every_field_equals_exiftool(row):
    facts = facts_of(row["file"])
    for tag, column in TEXT.items():
        assert facts.get(column, "") == row[tag].strip(), column
    for tag, column in NUMBERS.items():
        expected = round(float(row[tag]), DIGITS[column] or 0) if row[tag] else None
        assert facts.get(column) == expected, column


@pytest.mark.parametrize("row", truth(), ids=lambda row: row["file"])
def test_capture_time_equals_exiftool(row):
    if (row["file"], "captured_at") in EXPLAINED:
        assert "captured_at" not in facts_of(row["file"])
        return
    expected = None
    if row["DateTimeOriginal"]:
        expected = row["DateTimeOriginal"].replace(":", "-", 2).replace(" ", "T")
        expected += f".{row['SubSecTimeOriginal']}" if row["SubSecTimeOriginal"] else ""
    assert facts_of(row["file"]).get("captured_at") == expected


# -- meanings --------------------------------------------------------------------------------------


def read(main=(), exif=(), order="<", **options):
    return read_exif(with_exif(save(scene(), "JPEG"), exif_block(main, exif, order, **options)), "JPEG")


@pytest.mark.parametrize("order", ["<", ">"])
def test_a_whole_block_is_read_in_both_byte_orders(order):
    facts = read(
        [text_field(0x010F, "Maker"), text_field(0x0110, "Model 1"), short_field(0x0112, 6, order=order)],
        [
            ratio_field(0x829A, (1, 125), order=order),
            ratio_field(0x829D, (80, 10), order=order),
            short_field(0x8827, 200, order=order),
            text_field(0x9003, "2024:05:17 14:03:09"),
            text_field(0x9291, "37"),
            text_field(0x9011, "+02:00"),
            ratio_field(0x9204, (-1, 3), order=order, signed=True),
            ratio_field(0x920A, (50, 1), order=order),
            short_field(0xA405, 75, order=order),
            text_field(0xA431, "00123"),
            text_field(0xA434, "50mm f/1.8"),
        ],
        order,
    )
    assert facts == {
        "camera_make": "Maker",
        "camera_model": "Model 1",
        "orientation": 6,
        "exposure_time_s": 0.008,
        "f_number": 8.0,
        "iso": 200,
        "captured_at": "2024-05-17T14:03:09.37+02:00",
        "captured_at_source": "Exif DateTimeOriginal",
        "exposure_bias_ev": -0.333,
        "focal_length_mm": 50.0,
        "focal_length_35mm": 75,
        "camera_serial": "00123",
        "lens_model": "50mm f/1.8",
        "ev100": 11.966,
        "origin": "unknown",
        "reasons": (),
    }


# APEX (ASA PH2.5-1960) as in Exif; values computed from the definition.
@pytest.mark.parametrize(
    ("n", "t", "iso", "expected"),
    [(1, 1, 100, 0.0), (8, 1 / 125, 100, 12.9658), (8, 1 / 125, 200, 11.9658), (5.6, 1 / 8, 100, 7.9709)],
)
def test_ev100_follows_apex(n, t, iso, expected):
    assert abs(ev100(n, t, iso) - expected) < 1e-4


def test_ev100_needs_all_three():
    assert ev100(8, None, 100) is ev100(None, 1, 100) is ev100(8, 1, None) is None
    assert "ev100" not in read(exif=[ratio_field(0x829D, (8, 1)), short_field(0x8827, 100)])


@pytest.mark.parametrize(
    ("field", "column"),
    [
        (ratio_field(0x829A, (0, 0)), "exposure_time_s"),
        (ratio_field(0x829A, (1, 0)), "exposure_time_s"),
        (ratio_field(0x829A, (0, 1)), "exposure_time_s"),
        (ratio_field(0x829D, (0, 0)), "f_number"),
        (ratio_field(0x920A, (0, 1)), "focal_length_mm"),
        (ratio_field(0x9204, (0, 0), signed=True), "exposure_bias_ev"),
        (short_field(0xA405, 0), "focal_length_35mm"),
        (short_field(0x8827, 0), "iso"),
        (text_field(0x9003, "0000:00:00 00:00:00"), "captured_at"),
        (text_field(0x9003, "2024:13:01 00:00:00"), "captured_at"),
        (text_field(0x9003, "2024:02:30 10:00:00"), "captured_at"),
        (text_field(0x9003, "    :  :     :  :  "), "captured_at"),
        (text_field(0x9003, "2024:01:01 24:00:00"), "captured_at"),
        (text_field(0xA434, "   "), "lens_model"),
        (text_field(0xA434, "\0\0\0"), "lens_model"),
    ],
)
def test_what_is_unknown_is_left_out_never_zero(field, column):
    assert column not in read(exif=[field])


def test_a_bias_of_zero_is_known():
    assert read(exif=[ratio_field(0x9204, (0, 6), signed=True)])["exposure_bias_ev"] == 0


@pytest.mark.parametrize(("values", "iso"), [((0, 200), 200), ((200, 0), 200), ((400,), 400), ((0,), None)])
def test_of_two_iso_values_the_one_that_is_set_counts(values, iso):
    assert read(exif=[short_field(0x8827, *values)]).get("iso") == iso


def test_an_iso_beyond_16_bits_comes_from_the_wide_field():
    # Exif 2.3: PhotographicSensitivity 65535 when larger; RecommendedExposureIndex is a LONG.
    wide = (0x8832, 4, 1, struct.pack("<I", 102_400))
    assert read(exif=[short_field(0x8827, 65535), short_field(0x8830, 2), wide])["iso"] == 102_400


@pytest.mark.parametrize(
    ("digits", "fraction"), [("5", ".5"), ("05", ".05"), ("50 ", ".50"), ("", ""), ("  ", ""), ("x1", ""), ("1234567890", ".123456")]
)
def test_sub_seconds_are_decimal_digits(digits, fraction):
    facts = read(exif=[text_field(0x9003, "2024:05:17 14:03:09"), text_field(0x9291, digits)])
    assert facts["captured_at"] == "2024-05-17T14:03:09" + fraction


@pytest.mark.parametrize(
    ("offset", "expected"),
    [("+02:00", "+02:00"), ("-11:30", "-11:30"), ("Z", "+00:00"), ("   :  ", ""), ("+25:00", ""), ("02:00", ""), (None, "")],
)
def test_offsets_are_kept_only_where_they_are_possible(offset, expected):
    assert parse_offset(offset) == expected


def test_the_time_a_file_was_changed_is_no_capture_time():
    assert "captured_at" not in read([text_field(0x0132, "2024:05:17 14:03:09")])


def test_the_time_of_a_scan_is_no_capture_time():
    assert "captured_at" not in read(exif=[text_field(0x9004, "2024:05:17 14:03:09")])
    facts = read(exif=[text_field(0x9004, "2024:05:17 14:03:09"), ratio_field(0x829A, (1, 60))])
    assert facts["captured_at_source"] == "Exif DateTimeDigitized"


def test_adobe_rgb_without_a_profile_is_a_reason():
    block = exif_block([text_field(0x010F, "Maker")], [short_field(0xA001, 2)])
    bare, tagged = (save(scene(), "JPEG", icc_profile=profile) for profile in (None, matrix_profile("Adobe RGB")))
    assert any("Adobe RGB" in reason for reason in read_exif(with_exif(bare, block), "JPEG")["reasons"])
    assert read_exif(with_exif(tagged, block), "JPEG")["reasons"] == ()


def test_fields_that_a_program_moved_to_the_first_directory_are_found():
    assert read([text_field(0xA434, "35mm"), text_field(0x9003, "2020:01:02 03:04:05")])["lens_model"] == "35mm"


def test_text_is_cleaned_and_cut():
    facts = read(
        [text_field(0x010F, b"M\xfcller\0rest"), text_field(0x0110, "a\n<b>\t\x07 c"), text_field(0x0131, "x" * 60_000)]
    )
    assert facts["camera_make"] == "Müller"
    assert facts["camera_model"] == "a <b> c"
    assert facts["software"] == "x" * 100


def test_position_is_never_read_out():
    gps = [text_field(1, "N"), ratio_field(2, (48, 1), (8, 1), (0, 1)), text_field(3, "E"), ratio_field(4, (11, 1), (34, 1), (0, 1))]
    facts = read([text_field(0x010F, "Maker")], gps=gps)
    assert facts == {"camera_make": "Maker", "origin": "unknown", "reasons": ()}


@pytest.mark.parametrize("format", ["PNG", "WebP", "TIFF"])
def test_other_formats_carry_exif_too(format):
    from PIL import Image

    tags = Image.Exif()
    tags[0x010F] = "Maker"
    facts = read_exif(save(scene(), format, exif=tags.tobytes()), format)
    assert facts["camera_make"] == "Maker"


# -- origin ----------------------------------------------------------------------------------------


def camera_file(size=(90, 60), software="Ver.1.0", changed="2024:05:17 14:03:09", maker_note=True):
    main = [text_field(0x010F, "Maker"), text_field(0x0110, "Model"), text_field(0x0131, software), text_field(0x0132, changed)]
    exif = [
        ratio_field(0x829A, (1, 125)),
        text_field(0x9003, "2024:05:17 14:03:09"),
        short_field(0xA002, size[0]),
        short_field(0xA003, size[1]),
    ]
    if maker_note:
        exif.append((0x927C, 7, 12, b"NOTE" + bytes(8)))
    return with_exif(save(scene(), "JPEG"), exif_block(main, exif))


@pytest.mark.parametrize(
    ("options", "origin"),
    [
        ({}, "original"),
        ({"size": (60, 90)}, "original"),
        ({"size": (4000, 3000)}, "derived"),
        ({"software": "Adobe Photoshop 25.0"}, "derived"),
        ({"software": "GIMP 2.10"}, "derived"),
        ({"changed": "2024:06:01 08:00:00"}, "derived"),
        ({"maker_note": False}, "unknown"),
    ],
)
def test_origin_follows_the_evidence(options, origin):
    assert read_exif(camera_file(**options), "JPEG", (90, 60))["origin"] == origin


def test_without_exif_the_origin_is_unknown():
    assert read_exif(save(scene(), "JPEG"), "JPEG") == {"origin": "unknown", "reasons": ()}


# -- hostile blocks --------------------------------------------------------------------------------


def _entry(tag, kind, count, value):
    return struct.pack("<HHII", tag, kind, count, value)


def _hostile():
    head = b"II*\0\x08\0\0\0"
    loop = head + struct.pack("<H", 1) + _entry(0x8769, 4, 1, 8) + struct.pack("<I", 8)
    many = head + struct.pack("<H", 5000) + _entry(0x9290, 3, 999, 8) * 5000 + bytes(4)
    tree = head + struct.pack("<H", 5000) + _entry(0x8825, 4, 1, 8) * 5000 + bytes(4)
    chain = head + b"".join(struct.pack("<H", 1) + _entry(0x010E, 3, 999, 8) + struct.pack("<I", 8 + 18 * (n + 1)) for n in range(3000))
    counts = head + struct.pack("<H", 3) + _entry(0x010F, 2, 0xFFFFFFFF, 8) + _entry(0x829A, 5, 0xFFFFFFF, 8) + _entry(0x8827, 3, 0xFFFF, 0xFFFFFFF0)
    return {"loop": loop, "many": many, "tree": tree, "chain": chain, "counts": counts, "cut": head, "outside": b"II*\0\xff\xff\xff\xff"}


@pytest.mark.parametrize("kind", _hostile())
def test_a_hostile_block_costs_little_and_raises_nothing(kind):
    block = _hostile()[kind][:65_000]
    data = with_exif(save(scene(), "JPEG"), block)
    started = time.process_time()
    facts = read_exif(data, "JPEG")
    assert time.process_time() - started < 0.5
    assert facts["origin"] == "unknown"


def test_a_damaged_block_is_a_reason():
    assert read_exif(with_exif(save(scene(), "JPEG"), _hostile()["many"][:65_000]), "JPEG")["reasons"] == (
        "the Exif block is damaged and was not read",
    )


@settings(max_examples=300, deadline=None)
@given(st.data())
def test_random_damage_never_raises(data):
    block = bytearray(exif_block([text_field(0x010F, "Maker")], [ratio_field(0x829A, (1, 125)), text_field(0x9003, "2024:05:17 14:03:09")]))
    for _ in range(data.draw(st.integers(1, 8))):
        block[data.draw(st.integers(0, len(block) - 1))] = data.draw(st.integers(0, 255))
    cut = data.draw(st.integers(0, len(block)))
    for piece in (bytes(block), bytes(block[:cut])):
        facts = read_exif(with_exif(b"\xff\xd8\xff\xda\x00\x02", piece), "JPEG")
        assert facts["origin"] in ("original", "derived", "unknown")
        assert all(value == value and value not in (float("inf"), None) for value in facts.values())


@given(st.text(max_size=40))
def test_any_text_is_a_date_or_none(text):
    moment, fraction = parse_date(text)
    assert moment is None or len(moment) == 19
    assert fraction == "" or fraction.startswith(".")
