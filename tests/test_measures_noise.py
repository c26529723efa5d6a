"""Noise against injected noise, and the estimator against its published reference rows."""

import io

import cv2
import numpy as np
import pytest
from catalogue_audit.measures.surface.noise import immerkaer, noise_facts
from light_scenes import backdrop_of, bag, outline_of, picture_of, rounded_code, working_mask
from PIL import Image

# J. Immerkaer, Computer Vision and Image Understanding 64(2):300-302, 1996: estimates for
# 128 + s * numpy.random.default_rng(20240101).standard_normal((512, 512)), float and rounded to 8 bits.
IMMERKAER_ROWS = [(0.5, 0.503, 0.562), (1.0, 1.006, 1.045), (2.0, 2.012, 2.03), (5.0, 5.029, 5.039), (10.0, 10.059, 10.061)]


@pytest.mark.parametrize(("s", "as_float", "as_8bit"), IMMERKAER_ROWS)
def test_immerkaer_gives_the_reference_values(s, as_float, as_8bit):
    image = 128 + s * np.random.default_rng(20240101).standard_normal((512, 512))
    assert immerkaer(image) == pytest.approx(as_float, rel=0.004)
    assert immerkaer(np.rint(image)) == pytest.approx(as_8bit, rel=0.004)


def test_immerkaer_agrees_with_the_wavelet_estimate_of_scikit_image():
    from skimage.restoration import estimate_sigma

    image = 128 + 3 * np.random.default_rng(5).standard_normal((512, 512))
    assert immerkaer(image) == pytest.approx(estimate_sigma(image), rel=0.02)


def test_immerkaer_is_zero_on_a_ramp():
    y, x = np.mgrid[:64, :64]
    assert immerkaer((x + y) / 2) == pytest.approx(0, abs=1e-3)


@pytest.fixture(scope="module")
def scene():
    code, mask = bag((1200, 1000), background=222.0, supersample=2)
    return code + np.linspace(-8, 8, code.shape[1])[None, :, None], mask


def _coded(code, quality=None, subsampling=2):
    """Picture of code values after JPEG, and its quantisation tables; None for tables without a quality."""
    code, tables = rounded_code(code), None
    if quality is not None:
        buffer = io.BytesIO()
        Image.fromarray(code).save(buffer, "JPEG", quality=quality, subsampling=subsampling)
        with Image.open(buffer) as file:
            tables, code = file.quantization, np.asarray(file)
    picture = picture_of(code)
    return picture, tables


def _noise(code, mask, quality=None, subsampling=2):
    picture, tables = _coded(code, quality, subsampling)
    return noise_facts(picture, backdrop_of(picture), outline_of(working_mask(mask, picture)), tables)


@pytest.mark.parametrize("s", [0.5, 1.0, 2.0, 5.0])
def test_noise_of_an_uncompressed_picture_is_within_a_twentieth(scene, s):
    code, mask = scene
    noisy = code + s * np.random.default_rng(3).standard_normal(code.shape)
    assert _noise(noisy, mask)["noise"] == pytest.approx(s, rel=0.05)


@pytest.mark.parametrize("subsampling", [0, 2])
@pytest.mark.parametrize(("quality", "s"), [(97, 1.0), (97, 3.0), (92, 1.5), (92, 3.0), (88, 2.0), (88, 4.0), (80, 3.0)])
def test_noise_of_a_jpeg_is_within_a_tenth_of_what_was_there_before(scene, quality, s, subsampling):
    code, mask = scene
    noisy = code + s * np.random.default_rng(4).standard_normal(code.shape)
    assert _noise(noisy, mask, quality, subsampling)["noise"] == pytest.approx(s, rel=0.1)


@pytest.mark.parametrize("quality", [75, 85, 88, 92])
def test_noise_that_compression_hides_stays_under_what_is_stated(scene, quality):
    hidden = 0
    for s in (0.3, 0.6, 0.9):
        code, mask = scene
        noisy = code + s * np.random.default_rng(7).standard_normal(code.shape)
        picture, tables = _coded(noisy, quality)
        facts = noise_facts(picture, backdrop_of(picture), outline_of(working_mask(mask, picture)), tables)
        assert ("noise" in facts) != ("noise_below" in facts)
        assert facts.get("noise_below", 9.0) > s
        assert facts.get("noise_below", 0.0) < 2.3  # it says something
        hidden += "noise_below" in facts
    assert hidden


def test_a_clipped_background_gives_no_noise_and_says_why(scene):
    code, mask = scene
    facts = _noise(np.where(mask[..., None], code, 255), mask)
    assert "noise" not in facts
    assert "clipped" in facts["reasons"][0]


def test_a_product_that_fills_the_frame_gives_no_noise(scene):
    code, _ = scene
    facts = _noise(code, np.ones(code.shape[:2], bool))
    assert "no flat background" in facts["reasons"][0]


def test_a_material_that_passes_for_background_gives_no_noise(scene):
    rng = np.random.default_rng(5)
    plain = np.full((800, 800, 3), 170.0)
    grain = cv2.GaussianBlur(rng.standard_normal((800, 800)), (0, 0), 1.2)
    grain *= 4 / grain.std()
    mask = np.zeros((800, 800), bool)
    mask[:100] = True
    for added, measurable in ((3 * rng.standard_normal(plain.shape), True), (np.repeat(grain[..., None], 3, axis=2), False)):
        picture, tables = _coded(plain + added, 92)
        outline = outline_of(working_mask(mask, picture))._replace(touches=("left", "top", "right"))
        facts = noise_facts(picture, backdrop_of(picture), outline, tables)
        assert ("noise" in facts) == measurable


def test_a_crop_without_background_shows_its_noise_where_it_is_calm():
    rng = np.random.default_rng(6)
    y, x = np.mgrid[:900, :900]
    plain = np.repeat((150 + 30 * np.sin(x / 170) * np.cos(y / 210))[..., None], 3, axis=2)
    picture, tables = _coded(plain + 4 * rng.standard_normal(plain.shape), 92)
    outline = outline_of(np.ones(picture.working.shape[:2], bool))._replace(touches=("left", "top", "right", "bottom"))
    assert noise_facts(picture, backdrop_of(picture), outline, tables)["noise"] == pytest.approx(4, rel=0.1)


def test_a_crop_shows_its_noise_where_the_product_is_calm_however_rough_it_is_elsewhere():
    """Grain and noise are told apart: noise is everywhere, and as strong at every size."""
    rng = np.random.default_rng(7)
    plain = np.full((900, 900, 3), 160.0)
    grain = cv2.GaussianBlur(rng.standard_normal((900, 900)), (0, 0), 1.2)
    grain *= 9 / grain.std()
    grain[:260, :390] = 0
    picture, tables = _coded(plain + grain[..., None] + 3 * rng.standard_normal(plain.shape), 92)
    outline = outline_of(np.ones(picture.working.shape[:2], bool))._replace(touches=("left", "top", "right", "bottom"))
    assert noise_facts(picture, backdrop_of(picture), outline, tables)["noise"] == pytest.approx(3, rel=0.1)


def test_flat_tiles_of_a_crop_that_hold_a_fine_material_do_not_count():
    """A glitter as fine as noise, on half of what seems to be background: noise is also on the other half."""
    rng = np.random.default_rng(8)
    plain = np.full((900, 900, 3), 160.0)
    glitter = 6 * rng.standard_normal((900, 900, 1))
    glitter[:, 500:] = 0
    mask = np.zeros((900, 900), bool)
    mask[780:] = True
    picture, tables = _coded(plain + glitter + 1.5 * rng.standard_normal(plain.shape), 95)
    outline = outline_of(working_mask(mask, picture))._replace(touches=("left", "right", "bottom"))
    assert noise_facts(picture, backdrop_of(picture), outline, tables)["noise"] == pytest.approx(1.5, rel=0.1)


def test_a_dark_product_that_meets_the_frame_leaves_its_light_backdrop_to_tell_the_noise():
    """A tone curve that rises by half as much in the dark as in the light, as the toe of cameras' curves, halves the noise there."""
    rng = np.random.default_rng(9)
    mask = np.zeros((900, 900), bool)
    mask[400:, 200:] = True
    noise = rng.standard_normal((900, 900, 3))
    picture, tables = _coded(np.where(mask[..., None], 50 + 1.5 * noise, 190 + 3 * noise), 92)
    outline = outline_of(working_mask(mask, picture))._replace(touches=("right", "bottom"))
    assert noise_facts(picture, backdrop_of(picture), outline, tables)["noise"] == pytest.approx(3, rel=0.1)


@pytest.mark.parametrize(("tone", "told"), [(150.0, True), (60.0, False)])
def test_a_crop_tells_noise_in_no_darker_tone_than_a_middle_grey(tone, told):
    """
    The same noise of the sensor is more code values in a darker tone.

    sRGB (IEC 61966-2-1): 18 % of the light is code value 118, and the curve is twice as steep there as at 200.
    """
    light = ((118 / 255 + 0.055) / 1.055) ** 2.4
    assert light == pytest.approx(0.18, abs=0.003)
    slopes = [((code / 255 + 0.055) / 1.055) ** -1.4 for code in (118, 200)]
    assert slopes[0] / slopes[1] == pytest.approx(2.0, abs=0.1)
    rng = np.random.default_rng(8)
    picture, tables = _coded(np.full((900, 900, 3), tone) + 3 * rng.standard_normal((900, 900, 3)), 92)
    outline = outline_of(np.ones(picture.working.shape[:2], bool))._replace(touches=("left", "top", "right", "bottom"))
    facts = noise_facts(picture, backdrop_of(picture), outline, tables)
    assert ("noise" in facts) == told
    assert told or "too dark" in facts["reasons"][0]
