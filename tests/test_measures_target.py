"""Colour targets: recognised, measured, and never seen in a bag."""

import cv2
import numpy as np
import pytest
from catalogue_audit.measures.photometry.target import PUBLISHED_LAB, PUBLISHED_LINEAR, _means, patch_errors, target_facts
from catalogue_audit.pixels.colour import linear_from_lab
from light_scenes import bag, picture_of, rounded_code, through_jpeg, to_code, to_lab, to_linear


def _sheet(gain=(1.0, 1.0, 1.0), angle=4.0, part=0.6, size=(900, 1200)):
    """A 24-patch target lying on a light table, linear light."""
    height, width = size
    image = np.full((height, width, 3), 0.75)
    sheet_width = int(width * part)
    side = sheet_width / 6
    sheet = np.full((int(4 * side), sheet_width, 3), 0.02)
    for k in range(24):
        row, column = divmod(k, 6)
        sheet[int(side * (row + 0.09)) : int(side * (row + 0.91)), int(side * (column + 0.09)) : int(side * (column + 0.91))] = (
            np.clip(PUBLISHED_LINEAR[k], 0, 1)
        )
    turn = cv2.getRotationMatrix2D((sheet.shape[1] / 2, sheet.shape[0] / 2), angle, 1)
    turn[:, 2] += ((width - sheet.shape[1]) / 2, (height - sheet.shape[0]) / 2)
    cv2.warpAffine(sheet, turn, (width, height), dst=image, borderMode=cv2.BORDER_TRANSPARENT)
    return np.clip(image * np.array(gain), 0, 1)


def _picture(linear, noise=2.0):
    code = cv2.GaussianBlur(to_code(linear), (0, 0), 0.8)
    code = code + noise * np.random.default_rng(0).standard_normal(code.shape)
    return picture_of(through_jpeg(rounded_code(code)))


@pytest.mark.parametrize(("angle", "part"), [(0, 0.6), (5, 0.6), (-9, 0.45), (90, 0.4), (180, 0.6)])
def test_a_24_patch_target_is_recognised_and_measured(angle, part):
    gain = np.array([1.08, 0.95, 0.80])
    facts = target_facts(_picture(_sheet(gain, angle, part)))
    assert facts["target"] == "24 patches"
    patches = facts["sketch"]["patches"]
    inside = ((PUBLISHED_LINEAR * gain < 0.98) & (PUBLISHED_LINEAR > 0)).all(axis=1)
    expected = to_lab(np.clip(PUBLISHED_LINEAR * gain, 0, 1))
    assert np.abs(to_lab(patches) - expected)[inside].max() < 2.0
    errors = patch_errors(patches)
    assert errors["gains"] == pytest.approx(1 / gain, rel=0.01)
    assert errors["de_exposed"][inside].mean() < 1.0


@pytest.mark.parametrize("gain", [(0.25, 0.25, 0.25), (1.0, 0.7, 0.35), (0.5, 0.8, 1.0)])
@pytest.mark.parametrize("chroma", [1.0, 0.6])
def test_a_dark_a_warm_a_cold_and_a_pale_target_are_recognised(gain, chroma, monkeypatch):
    """The quick test for many hues must not cost a target that its colours would have told."""
    pale = PUBLISHED_LAB * (1.0, chroma, chroma)
    monkeypatch.setitem(_sheet.__globals__, "PUBLISHED_LINEAR", linear_from_lab(pale))
    assert target_facts(_picture(_sheet(gain)))["target"] == "24 patches"


def test_the_published_values_are_those_of_colour_science():
    """BabelColor Average, 30 charts (D. Pascale 2012), as the library carries it: xyY under D50."""
    import colour

    chart = colour.CCS_COLOURCHECKERS["BabelColor Average"]
    xyz = np.array([colour.xyY_to_XYZ(xyy) for xyy in chart.data.values()])
    lab = colour.XYZ_to_Lab(xyz, chart.illuminant)
    assert np.abs(lab - PUBLISHED_LAB).max() < 0.06


def test_a_matrix_error_vanishes_when_a_matrix_explains_everything():
    mixed = PUBLISHED_LINEAR @ np.array([[0.9, 0.1, 0.0], [0.05, 0.9, 0.05], [0.0, 0.1, 0.9]]).T
    errors = patch_errors(mixed)
    assert errors["de"].mean() > 1
    assert errors["de_matrix"].max() < 1e-6


def test_a_grey_card_is_recognised():
    code = np.full((900, 1200, 3), 232.0)
    code[200:700, 300:900] = to_code(np.full(3, 0.18))
    facts = target_facts(_picture(to_linear(code)))
    assert facts["target"] == "grey card"
    assert facts["target_de"] < 1.0


def test_grey_paper_beside_a_straight_side_of_a_close_product_is_no_card():
    light = np.full((800, 1200, 3), 0.18)
    light[:, 420:] = (0.25, 0.1, 0.05)  # the rest of the frame is the product, whose side is straight
    assert target_facts(_picture(light)) == {}
    light[:300, :420] = (0.02, 0.02, 0.02)  # a card that runs out of the frame at one border is one still
    light[700:, :420] = (0.02, 0.02, 0.02)
    assert target_facts(_picture(light))["target"] == "grey card"


@pytest.mark.parametrize("body", [(120.0, 70.0, 55.0), (118.0, 118.0, 118.0), (30.0, 30.0, 32.0)])
def test_a_bag_is_no_target(body):
    code, _ = bag((900, 1200), body=body, supersample=2)
    assert target_facts(_picture(to_linear(code))) == {}


def test_a_chequered_or_quilted_bag_is_no_target():
    code, mask = bag((900, 1200), supersample=2)
    rng = np.random.default_rng(4)
    for row in range(5):
        for column in range(7):
            y, x = 340 + row * 80, 400 + column * 60
            code[y : y + 70, x : x + 52] = rng.uniform(20, 230, 3)
    assert target_facts(_picture(to_linear(code))) == {}


def test_means_of_three_by_three_are_those_of_the_area_filter():
    sums = np.arange(9 * 255 + 1)  # every sum that nine pixels can have
    cells = np.minimum(np.maximum(sums[:, None] - 255 * np.arange(9), 0), 255).astype(np.uint8)
    grey = cells.reshape(-1, 3, 3).transpose(1, 0, 2).reshape(3, -1)
    picture = np.repeat(grey[..., None], 3, axis=2)
    means = _means(picture, 3)
    assert (means == np.rint(sums / 9)[None, :, None]).all()
    assert (means == cv2.resize(picture, (len(sums), 1), interpolation=cv2.INTER_AREA)).all()
