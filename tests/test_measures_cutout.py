"""Cut-out edges and shadows against painted ones."""

import cv2
import numpy as np
import pytest
from catalogue_audit.measures.segmentation.cutout import _one_rim, cutout_facts, rim_widths
from catalogue_audit.measures.segmentation.shadow import shadow_kind
from catalogue_audit.pixels.colour import srgb_decode, srgb_encode
from light_scenes import backdrop_of, bag, outline_of, picture_of, rounded_code, through_jpeg, working_mask


def _cut_out(rim=0, tone=225.0, sides="all", size=(900, 720), follows="rim", foot=None, ground=255.0, stripes=None):
    """
    A bag cut out on a painted ground, with a band of another tone `rim` px wide left around it, of tone `foot` at its lower half.

    The outline follows the outer edge of the band, or with ``follows="product"`` the inner one: then the band is its shadow.
    Of ``stripes`` (two code values) the bag has six from top to bottom.
    """
    code, mask = bag(size, background=ground, supersample=2)
    shown = mask
    if stripes is not None:
        striped = np.asarray(stripes)[(np.arange(size[0]) * 12 // size[0]) % 2]
        code[mask] = np.broadcast_to(striped[:, None, None], code.shape)[mask]
    if rim:
        grown = cv2.dilate(mask.astype(np.uint8), cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * rim + 1,) * 2)) > 0
        band = grown & ~mask
        if sides == "left":
            band[:, size[1] // 2 :] = False
        code[band] = tone
        if foot is not None:
            code[size[0] // 2 :][band[size[0] // 2 :]] = foot
        shown = mask | band
    code = through_jpeg(rounded_code(cv2.GaussianBlur(code, (0, 0), 0.7)), 92)
    picture = picture_of(code)
    backdrop, outer = backdrop_of(picture, (100, 0, 0), "cut_out"), working_mask(shown, picture)
    if follows == "rim":
        return picture, backdrop, outline_of(outer)
    inner = working_mask(mask, picture)
    return picture, backdrop, outline_of(inner, outer & ~inner)


def test_a_clean_cut_out_has_no_rim():
    facts = cutout_facts(*_cut_out())
    assert facts["rim_px"] < 1.0


@pytest.mark.parametrize(("rim", "tone"), [(3, 235.0), (3, 225.0), (5, 225.0), (5, 200.0), (7, 225.0)])
def test_a_rim_is_measured(rim, tone):
    facts = cutout_facts(*_cut_out(rim, tone))
    assert facts["rim_px"] == pytest.approx(rim, abs=1.2)
    assert facts["rim_de"] > 5


@pytest.mark.parametrize("follows", ["rim", "product"])
@pytest.mark.parametrize(("rim", "tone"), [(3, 225.0), (5, 235.0), (8, 225.0)])
def test_a_rim_is_measured_whichever_edge_of_it_the_outline_follows_and_is_no_shadow(rim, tone, follows):
    facts = cutout_facts(*_cut_out(rim, tone, follows=follows))
    assert facts["rim_px"] == pytest.approx(rim, abs=0.5)
    assert facts["shadow_kind"] == "none"


@pytest.mark.parametrize("tone", [240.0, 225.0, 200.0])
def test_the_width_of_a_rim_does_not_depend_on_its_tone(tone):
    assert cutout_facts(*_cut_out(5, tone))["rim_px"] == pytest.approx(5, abs=0.5)


@pytest.mark.parametrize("follows", ["rim", "product"])
def test_a_rim_that_holds_a_darker_ground_at_the_foot_is_one(follows):
    facts = cutout_facts(*_cut_out(5, 235.0, foot=205.0, follows=follows))
    assert facts["rim_px"] == pytest.approx(5, abs=0.6)
    assert facts["shadow_kind"] == "none"


def test_a_shadow_beside_a_rim_is_still_one():
    picture, backdrop, _ = _cut_out(4)
    row, column = np.mgrid[: picture.encoded.shape[0], : picture.encoded.shape[1]]
    pool = 1 - 0.4 * np.exp(-(((row - 800) / 16) ** 2) - ((column - 360) / 200) ** 2)
    product = _cut_out()[2].mask
    code = np.where(product[..., None], picture.encoded, rounded_code(picture.encoded * pool[..., None]))
    shaded = picture_of(code)
    outline = outline_of(product)
    assert shadow_kind(shaded, backdrop, outline, 4.0) == shadow_kind(shaded, backdrop, outline) == "contact"


def _on_dark(rim, band, product, blur=0.7, light=False):
    """A dark bag cut out with a mid-grey band (code values), blurred in code values, or in ``light``."""
    code, mask = bag((900, 720), background=255.0, supersample=2)
    grown = cv2.dilate(mask.astype(np.uint8), cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * rim + 1,) * 2)) > 0
    code[grown] = band
    code[mask] = product
    values = srgb_decode(code / 255) if light else code
    values = cv2.GaussianBlur(values, (0, 0), blur)
    picture = picture_of(through_jpeg(rounded_code(255 * srgb_encode(values) if light else values), 92))
    return picture, backdrop_of(picture, (100, 0, 0), "cut_out"), outline_of(working_mask(grown, picture))


@pytest.mark.parametrize("rim", [3, 4, 5])
@pytest.mark.parametrize(("band", "product"), [(150.0, 30.0), (150.0, 80.0), (120.0, 40.0)])
def test_a_mid_grey_rim_of_the_old_backdrop_is_measured_on_a_dark_product(rim, band, product):
    facts = cutout_facts(*_on_dark(rim, band, product))
    assert facts["rim_px"] == pytest.approx(rim, abs=0.7)
    assert facts["rim_de"] > 10


@pytest.mark.parametrize("product", [(56.0, 84.0, 68.0), (30.0, 30.0, 60.0), (30.0, 30.0, 30.0)])
@pytest.mark.parametrize("piping", [(165.0, 140.0, 120.0), (190.0, 160.0, 120.0), (200.0, 120.0, 130.0)])
def test_a_coloured_piping_is_no_rim_and_a_grey_band_as_light_is(piping, product):
    grey = (255 * float(srgb_encode(srgb_decode(np.array(piping) / 255) @ [0.2126, 0.7152, 0.0722])),) * 3
    facts = cutout_facts(*_on_dark(5, piping, product))
    assert "rim_px" not in facts and "piping" in facts["reasons"][0]
    assert cutout_facts(*_on_dark(5, grey, product))["rim_px"] == pytest.approx(5, abs=0.7)


@pytest.mark.parametrize("cast", [0.96, 1.0, 1.04])
def test_a_rim_of_a_backdrop_with_a_slight_cast_is_still_one(cast):
    band = 255 * srgb_encode(srgb_decode(np.full(3, 180 / 255)) * [cast, 1.0, 1.0])
    assert cutout_facts(*_on_dark(4, tuple(band), (150.0, 60.0, 40.0)))["rim_px"] == pytest.approx(4, abs=0.7)


def test_straps_thinner_than_a_profile_do_not_count_for_a_clean_edge():
    edge = np.concatenate([np.ones(10), np.full(5, 0.45), np.full(20, 0.15)])
    strap = np.concatenate([np.ones(11), np.full(9, 0.45), np.ones(15)])
    light = cv2.GaussianBlur(np.repeat(np.stack([edge, strap]), (60, 140), axis=0), (0, 0), sigmaX=0.8, sigmaY=0.01)
    width = rim_widths(np.repeat(light[..., None], 3, axis=2))[0]
    assert width[:60] == pytest.approx(5, abs=0.5)
    assert np.isnan(width[60:]).all()


@pytest.mark.parametrize("light", [False, True])
@pytest.mark.parametrize("blur", [0.7, 1.0, 2.0])
@pytest.mark.parametrize("product", [15.0, 40.0, 80.0, 130.0])
def test_one_soft_step_to_a_dark_product_is_no_rim_blurred_in_light_or_in_code_values(product, blur, light):
    assert cutout_facts(*_on_dark(0, product, product, blur, light))["rim_px"] == 0


def test_the_sheen_behind_a_dark_edge_is_no_rim():
    profile = np.interp(np.arange(35), [0, 10, 12, 13, 15, 18, 34], [1, 1, 0.22, 0.13, 0.33, 0.09, 0.09])
    flat = np.interp(np.arange(35), [0, 10, 12, 15, 18, 34], [1, 1, 0.33, 0.33, 0.09, 0.09])
    widths = rim_widths(np.repeat(np.stack([profile, flat])[..., None], 3, axis=2))[0]
    assert widths[0] == 0
    assert widths[1] > 3


@pytest.mark.parametrize("inwards", [4, 6])
@pytest.mark.parametrize("body", [120.0, 150.0])
def test_a_seam_along_the_outline_is_no_rim(body, inwards):
    """Behind a dark seam the body's own tone comes back; behind a rim it does not."""
    code, mask = bag((900, 720), background=255.0, supersample=2)
    depth = cv2.distanceTransform(mask.astype(np.uint8), cv2.DIST_L2, 5)
    widths = []
    for seam in ((depth > inwards) & (depth <= inwards + 3.5), depth > inwards):
        code[mask] = body
        code[seam] = 40.0
        picture = picture_of(through_jpeg(rounded_code(cv2.GaussianBlur(code, (0, 0), 0.7)), 92))
        widths.append(cutout_facts(picture, backdrop_of(picture, (100, 0, 0), "cut_out"), outline_of(working_mask(mask, picture)))["rim_px"])
    assert widths == pytest.approx([0, inwards], abs=0.7)


def test_a_wide_grey_band_is_piping():
    assert cutout_facts(*_on_dark(12, 150.0, 40.0))["rim_px"] == 0


@pytest.mark.parametrize(
    ("band", "expected"),
    [
        ((196, 160, 70), 0.0),  # the piping of a gold bag, lighter and as golden
        ((215, 205, 185), 6.0),  # the old backdrop, which a warm lamp lit
        ((200, 200, 200), 6.0),
        ((150, 175, 200), 6.0),  # a backdrop of another hue
    ],
)
def test_a_lighter_band_of_a_coloured_products_own_hue_is_its_piping(band, expected):
    code = np.repeat(np.array([(255, 255, 255), band, (112, 84, 24)], float), (13, 6, 16), axis=0)
    profile = cv2.GaussianBlur(srgb_decode(code / 255)[:, None], (1, 0), sigmaX=0.01, sigmaY=0.7)[:, 0]
    width = rim_widths(np.repeat(profile[None], 5, axis=0))[0]
    assert width == pytest.approx(expected, abs=0.7)


def test_a_dark_band_may_be_piping_and_is_no_rim():
    assert cutout_facts(*_cut_out(3, 40.0))["rim_px"] == 0


def test_bands_that_differ_twofold_in_luminance_are_a_shaded_piping_and_no_one_rim():
    widths = np.full(21, 4.0)
    assert _one_rim(widths, np.geomspace(0.05, 0.18, 21)).sum() <= 11
    assert _one_rim(widths, np.linspace(0.50, 0.56, 21)).all()


@pytest.mark.parametrize("blur", [1.0, 2.0, 3.0])
def test_a_soft_edge_is_no_rim(blur):
    code, mask = bag((900, 720), background=255.0, supersample=2)
    picture = picture_of(through_jpeg(rounded_code(cv2.GaussianBlur(code, (0, 0), blur)), 92))
    outline = outline_of(working_mask(mask, picture))
    assert cutout_facts(picture, backdrop_of(picture, (100, 0, 0), "cut_out"), outline)["rim_px"] == 0


def test_a_rim_along_one_side_is_seen():
    assert cutout_facts(*_cut_out(4, 215.0, sides="left"))["rim_px"] > 2


def test_a_rim_around_a_striped_bag_is_seen_though_half_of_the_stripes_are_lighter_than_it():
    """The old backdrop has one tone beside light and dark stripes; beside light ones alone the band may be piping."""
    facts = cutout_facts(*_cut_out(4, 160.0, stripes=(215.0, 60.0)))
    assert facts["rim_px"] == pytest.approx(4, abs=1.0)
    assert cutout_facts(*_cut_out(0, stripes=(215.0, 60.0)))["rim_px"] == 0
    assert cutout_facts(*_cut_out(4, 160.0, stripes=(215.0, 215.0))).get("rim_px", 0.0) == 0


@pytest.mark.parametrize("rim", [0, 4])
def test_a_rim_on_a_painted_grey_ground_is_seen(rim):
    picture, backdrop, outline = _cut_out(rim, 200.0, ground=238.0)
    found = cutout_facts(picture, backdrop._replace(kind="white"), outline)
    assert found["rim_px"] == pytest.approx(rim, abs=0.8)


def test_a_grey_ground_with_noise_was_photographed():
    picture, backdrop, outline = _cut_out(4, 200.0, ground=238.0)
    noisy = picture.working + np.random.default_rng(2).integers(0, 3, picture.working.shape, np.uint8)
    assert "rim_px" not in cutout_facts(picture._replace(working=noisy), backdrop._replace(kind="white"), outline)


def test_a_photographed_background_has_no_rim():
    picture, backdrop, outline = _cut_out()
    assert "rim_px" not in cutout_facts(picture, backdrop._replace(kind="white"), outline)


def _standing(ground):
    """A patterned block on a light ground that `ground` changes: shadow_kind of it."""
    rng = np.random.default_rng(1)
    pattern = cv2.resize(rng.uniform(0.1, 0.6, (13, 10)), (200, 260), interpolation=cv2.INTER_CUBIC)
    light, mask = np.full((500, 400), 0.85), np.zeros((500, 400), bool)
    mask[120:380, 100:300] = True
    light[mask] = pattern.ravel()
    code = rounded_code(255 * srgb_encode(np.where(mask, light, ground(light, pattern)))[..., None].repeat(3, axis=2))
    picture = picture_of(code)
    level = picture.lab[5, 5]
    return shadow_kind(picture, backdrop_of(picture, level, "white"), outline_of(working_mask(mask, picture)))


def _mirror(light, pattern):
    light = light.copy()
    share = 0.3 * np.exp(-np.arange(120) / 40)[:, None]
    light[380:, 100:300] = light[380:, 100:300] * (1 - share) + pattern[::-1][:120] * share
    return light


def _pool(x, width):
    """Darkening of the ground around a place at the block's foot."""
    row, column = np.mgrid[:500, :400]
    return lambda light, pattern: light * (1 - 0.4 * np.exp(-(((row - 382) / 14) ** 2) - ((column - x) / width) ** 2))


def test_kinds_of_shadow():
    assert _standing(lambda light, pattern: light) == "none"
    assert _standing(_pool(200, 90)) == "contact"
    assert _standing(_pool(345, 45)) == "cast"
    assert _standing(_mirror) == "reflection"
