"""Colour mathematics against published values."""

import colour as reference
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from catalogue_audit.pixels import colour, temperature
from catalogue_audit.pixels.planck import planckian_uv

# G. Sharma, W. Wu, E. N. Dalal, Color Research & Application 30(1):21-30, 2005, Table 1:
# L1, a1, b1, L2, a2, b2, CIEDE2000.
SHARMA = np.array([
    (50.0, 2.6772, -79.7751, 50.0, 0.0, -82.7485, 2.0425), (50.0, 3.1571, -77.2803, 50.0, 0.0, -82.7485, 2.8615),
    (50.0, 2.8361, -74.02, 50.0, 0.0, -82.7485, 3.4412), (50.0, -1.3802, -84.2814, 50.0, 0.0, -82.7485, 1.0),
    (50.0, -1.1848, -84.8006, 50.0, 0.0, -82.7485, 1.0), (50.0, -0.9009, -85.5211, 50.0, 0.0, -82.7485, 1.0),
    (50.0, 0.0, 0.0, 50.0, -1.0, 2.0, 2.3669), (50.0, -1.0, 2.0, 50.0, 0.0, 0.0, 2.3669),
    (50.0, 2.49, -0.001, 50.0, -2.49, 0.0009, 7.1792), (50.0, 2.49, -0.001, 50.0, -2.49, 0.001, 7.1792),
    (50.0, 2.49, -0.001, 50.0, -2.49, 0.0011, 7.2195), (50.0, 2.49, -0.001, 50.0, -2.49, 0.0012, 7.2195),
    (50.0, -0.001, 2.49, 50.0, 0.0009, -2.49, 4.8045), (50.0, -0.001, 2.49, 50.0, 0.001, -2.49, 4.8045),
    (50.0, -0.001, 2.49, 50.0, 0.0011, -2.49, 4.7461), (50.0, 2.5, 0.0, 50.0, 0.0, -2.5, 4.3065),
    (50.0, 2.5, 0.0, 73.0, 25.0, -18.0, 27.1492), (50.0, 2.5, 0.0, 61.0, -5.0, 29.0, 22.8977),
    (50.0, 2.5, 0.0, 56.0, -27.0, -3.0, 31.903), (50.0, 2.5, 0.0, 58.0, 24.0, 15.0, 19.4535),
    (50.0, 2.5, 0.0, 50.0, 3.1736, 0.5854, 1.0), (50.0, 2.5, 0.0, 50.0, 3.2972, 0.0, 1.0),
    (50.0, 2.5, 0.0, 50.0, 1.8634, 0.5757, 1.0), (50.0, 2.5, 0.0, 50.0, 3.2592, 0.335, 1.0),
    (60.2574, -34.0099, 36.2677, 60.4626, -34.1751, 39.4387, 1.2644), (63.0109, -31.0961, -5.8663, 62.8187, -29.7946, -4.0864, 1.263),
    (61.2901, 3.7196, -5.3901, 61.4292, 2.248, -4.962, 1.8731), (35.0831, -44.1164, 3.7933, 35.0232, -40.0716, 1.5901, 1.8645),
    (22.7233, 20.0904, -46.694, 23.0331, 14.973, -42.5619, 2.0373), (36.4612, 47.858, 18.3852, 36.2715, 50.5065, 21.2231, 1.4146),
    (90.8027, -2.0831, 1.441, 91.1528, -1.6435, 0.0447, 1.4441), (90.9257, -0.5406, -0.9208, 88.6381, -0.8985, -0.7239, 1.5381),
    (6.7747, -0.2908, -2.4247, 5.8714, -0.0985, -2.2286, 0.6377), (2.0776, 0.0795, -1.135, 0.9033, -0.0636, -0.5514, 0.9082),
])  # fmt: skip


def test_ciede2000_equals_the_34_published_pairs():
    found = colour.ciede2000(SHARMA[:, :3], SHARMA[:, 3:6])
    assert np.abs(found - SHARMA[:, 6]).max() < 1e-4  # printed with 4 decimals


def test_ciede2000_is_the_same_with_the_colours_exchanged():
    assert np.allclose(
        colour.ciede2000(SHARMA[:, :3], SHARMA[:, 3:6]), colour.ciede2000(SHARMA[:, 3:6], SHARMA[:, :3]), atol=1e-12
    )


def test_ciede2000_equals_colour_science_on_random_pairs():
    rng = np.random.default_rng(2)
    first, second = rng.uniform((0, -100, -100), (100, 100, 100), (2, 5000, 3))
    assert np.abs(colour.ciede2000(first, second) - reference.delta_E(first, second, method="CIE 2000")).max() < 1e-9


LAB = st.tuples(st.floats(0, 100), st.floats(-120, 120), st.floats(-120, 120))


@given(LAB, LAB)
def test_ciede2000_is_never_negative_and_zero_only_for_equals(first, second):
    difference = float(colour.ciede2000(first, second))
    assert difference >= 0
    assert float(colour.ciede2000(first, first)) == 0


# IEC 61966-2-1:1999 transfer function and ISO/CIE 11664-4 L*, worked for neutral codes.
@pytest.mark.parametrize(
    ("code", "linear", "lightness"),
    [
        (0, 0.0, 0.0),
        (10, 0.003035, 2.742),
        (11, 0.003347, 3.023),
        (64, 0.051269, 27.093),
        (119, 0.184475, 50.034),
        (128, 0.215861, 53.585),
        (188, 0.502886, 76.246),
        (255, 1.0, 100.0),
    ],
)
def test_neutral_codes_have_the_light_and_lightness_of_the_standards(code, linear, lightness):
    light = colour.srgb_decode(code / 255)
    assert abs(light - linear) < 1e-6
    assert abs(colour.lab_from_linear(np.full(3, light))[0] - lightness) < 2e-3
    assert np.abs(colour.lab_from_linear(np.full(3, light))[1:]).max() < 1e-9


def test_the_matrix_to_the_connection_space_equals_colour_science():
    space = reference.RGB_COLOURSPACES["sRGB"]
    derived = reference.normalised_primary_matrix(space.primaries, space.whitepoint)
    white = reference.xy_to_XYZ(space.whitepoint)
    adapted = reference.adaptation.matrix_chromatic_adaptation_VonKries(white, colour.D50_WHITE, transform="Bradford") @ derived
    assert np.abs(colour.LINEAR_TO_XYZ - adapted).max() < 2e-5


def test_lab_equals_colour_science():
    linear = np.random.default_rng(1).random((2000, 3))
    xyz = linear @ colour.LINEAR_TO_XYZ.T
    white_xy = reference.XYZ_to_xy(colour.D50_WHITE)
    assert np.abs(colour.lab_from_linear(linear) - reference.XYZ_to_Lab(xyz, white_xy)).max() < 1e-3


@given(st.tuples(*[st.floats(0, 1)] * 3))
def test_lab_and_linear_light_are_inverses(linear):
    assert np.allclose(colour.linear_from_lab(colour.lab_from_linear(linear)), linear, atol=1e-9)


@given(st.floats(0, 1))
def test_encoding_and_decoding_are_inverses(value):
    # the standard's rounded constants leave a step of 3e-8 at the joint
    assert abs(float(colour.srgb_encode(colour.srgb_decode(value))) - value) < 1e-6


# -- correlated colour temperature -----------------------------------------------------------------

# CIE 15 (2004, 2018) chromaticities of illuminants; CCT and Duv by Y. Ohno, LEUKOS 10(1):47-55, 2014,
# as colour-science 0.4.7 computes them.
ILLUMINANTS = {
    "A": (0.44758, 0.40745, 2855.5, 0.0),
    "D50": (0.34567, 0.35851, 5001.8, 0.00321),
    "D55": (0.33243, 0.34744, 5502.4, 0.00325),
    "D65": (0.31272, 0.32903, 6503.0, 0.00321),
    "D75": (0.29903, 0.31488, 7505.0, 0.00314),
    "E": (0.33333, 0.33333, 5455.5, -0.00442),
}


@pytest.mark.parametrize("name", ILLUMINANTS)
def test_cct_and_duv_of_the_cie_illuminants(name):
    x, y, cct, duv = ILLUMINANTS[name]
    found_cct, found_duv = temperature.cct_duv(temperature.uv_of_xy((x, y)))
    assert abs(found_cct - cct) <= 1
    assert abs(found_duv - duv) <= 1e-4


# Rows of the Planckian table that Ohno's method uses, from the unit tests of colour-science (test_ohno2013.py).
@pytest.mark.parametrize(
    ("kelvin", "u", "v"),
    [
        (5000, 0.211424442, 0.32311581),
        (5198.30158, 0.209486095, 0.321159015),
        (5505.22609, 0.20683968, 0.318303806),
        (6000, 0.203307932, 0.314117832),
    ],
)
def test_the_locus_equals_the_table_of_the_method(kelvin, u, v):
    assert np.abs(planckian_uv([kelvin])[0] - (u, v)).max() < 5e-6


def test_cct_and_duv_come_back_over_the_whole_field_of_lamps():
    # Ohno 2014: a point at a distance Duv along the normal of the locus at T has that CCT and Duv.
    kelvin = np.repeat([2000, 2856, 3500, 4500, 5500, 6500, 8000, 10000.0], 5)
    duv = np.tile([-0.02, -0.005, 0.0, 0.005, 0.02], 8)
    near = planckian_uv(kelvin * 1.00005) - planckian_uv(kelvin / 1.00005)
    along = near / np.hypot(*near.T)[:, None]
    points = planckian_uv(kelvin) + duv[:, None] * np.stack([along[:, 1], -along[:, 0]], 1)
    found_cct, found_duv = temperature.cct_duv(points)
    assert np.abs(found_cct - kelvin).max() <= 1
    assert np.abs(found_duv - duv).max() <= 1e-6


def test_white_of_srgb_is_d65():
    cct, duv = temperature.cct_duv(temperature.uv_of_xy(temperature.xy_of_linear([1, 1, 1])))
    assert abs(cct - 6504) < 2
    assert abs(duv - 0.0032) < 1e-4


def test_far_from_any_lamp_there_is_no_colour_temperature():
    cct, duv = temperature.cct_duv(temperature.uv_of_xy(temperature.xy_of_linear([[0, 1, 0], [0, 0, 1], [0, 0, 0]])))
    assert np.isnan(cct).all()
    assert np.isnan(duv).all()


def test_greenish_light_has_a_positive_duv():
    _, duv = temperature.cct_duv(temperature.uv_of_xy(temperature.xy_of_linear([[1, 1.05, 1], [1, 0.95, 1]])))
    assert duv[0] > 0.0032 > duv[1]
