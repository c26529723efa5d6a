"""Words, numbers and outside texts as people see them."""

import unicodedata

import pytest
from catalogue_audit.report.colours import lab_to_srgb8
from catalogue_audit.report.numbers import count_text, measured_text, number_text
from catalogue_audit.report.wording import CHECK_TITLES, REMEDY_TITLES, plain_text, view_title
from catalogue_audit.schema import CHECKS, REMEDIES
from hypothesis import given
from hypothesis import strategies as st


@given(st.text(max_size=600))
def test_no_outside_text_keeps_a_control_or_direction_mark(text):
    shown = plain_text(text)
    assert not [c for c in shown if unicodedata.category(c) in ("Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp")]


@given(st.text(max_size=2000))
def test_an_outside_text_never_grows_beyond_its_limit_spelled_out(text):
    assert len(plain_text(text, limit=100)) <= 100 * len(r"\U0010ffff")


def test_a_name_that_reads_backwards_is_spelled_out():
    assert plain_text("bag\u202egpj.exe") == "bag\\u202egpj.exe"


def test_a_name_that_is_not_utf8_shows_its_bytes():
    assert plain_text(b"b\xffg".decode("utf-8", "surrogateescape")) == "b\\xffg"


def test_marks_piled_on_one_letter_are_thinned():
    assert plain_text("a" + "\u0301" * 50) == "a" + "\u0301" * 2


@pytest.mark.parametrize(
    ("value", "unit", "signed", "shown"),
    [
        (2.41, "degree", True, "+2.4°"),
        (-0.03, "degree", True, "\u22120.03°"),
        (0.0, "EV", True, "0 EV"),
        (0.0812, "fraction", False, "8.1 %"),
        (12345.0, "px", False, "12\u202f345 px"),
        (float("nan"), "EV", False, ""),
        (float("inf"), "EV", False, ""),
        (None, "", False, ""),
    ],
)
def test_numbers_are_shown_rounded_with_their_unit(value, unit, signed, shown):
    assert number_text(value, unit, signed) == shown


@given(st.floats(-1e6, 1e6), st.booleans())
def test_a_number_shown_is_the_tables_number_rounded(value, signed):
    shown = float(number_text(value, "", signed).replace("\u202f", "").replace("\u2212", "-"))
    assert abs(shown - value) <= max(0.05 * abs(value), 0.0005) + 1e-9


def test_a_finding_is_worded_by_the_kind_of_its_limit():
    roll = {"check": "roll", "value": 2.4, "expected": 0.0, "tolerance": 0.8, "unit": "degree"}
    blur = {"check": "focus", "value": 2.4, "expected": 1.0, "tolerance": 1.5, "unit": "ratio"}
    quality = {"check": "jpeg_quality", "value": 62, "expected": 92, "tolerance": 75, "unit": "IJG quality"}
    assert measured_text(roll) == "+2.4°, tolerance ± 0.8°"
    assert measured_text(blur) == "2.4 × the set's, at most 1.5 ×"
    assert measured_text(quality) == "62, at least 75"
    specks = {"check": "product_specks", "value": 9, "expected": 1, "tolerance": 5, "unit": "specks"}
    colour_off = {"check": "white_balance", "value": 7.2, "expected": 0.0, "tolerance": 2.0, "unit": "CIEDE2000"}
    assert measured_text(specks) == "9 specks, at most 6 specks"  # fewer than usual is never wrong
    assert measured_text(colour_off) == "7.2 ΔE00, at most 2 ΔE00"  # a colour difference has no sign
    assert measured_text(roll | {"value": 2.13, "expected": -0.02}) == "+2.1°, tolerance ± 0.8°"
    assert measured_text(roll | {"value": 2.14, "expected": -0.03}) == "+2.2°, tolerance ± 0.8°"  # the difference that is judged
    assert measured_text({"check": "strap", "value": None, "unit": ""}) == ""


def test_every_check_and_remedy_has_a_title():
    assert set(CHECK_TITLES) == set(CHECKS)
    assert set(REMEDY_TITLES) == set(REMEDIES)


def test_small_words():
    assert view_title("three_quarter") == "three-quarter"
    assert count_text(1200, "picture") == "1\u202f200 pictures"


def test_painted_patches_have_the_colour_that_was_measured():
    """Against colour-science's own Lab, XYZ and Bradford-adapted sRGB."""
    colour = pytest.importorskip("colour")
    white = colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D50"]
    for lab in ((95.8, 0.1, -0.2), (40.0, 18.0, 22.0), (55.0, -30.0, 20.0), (20.0, 5.0, -30.0)):
        xyz = colour.Lab_to_XYZ(lab, white)
        expected = colour.XYZ_to_sRGB(xyz, white, chromatic_adaptation_transform="Bradford") * 255
        assert abs(lab_to_srgb8(lab) - expected).max() < 1.0  # 8-bit steps
