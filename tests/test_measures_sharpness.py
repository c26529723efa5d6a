"""Blur, motion and resolved detail against painted edges of known width, spread in linear light as a lens does."""

from pathlib import Path

import cv2
import numpy as np
import pytest
from catalogue_audit.measures.segmentation.edges import find_edges, measure_edges
from catalogue_audit.measures.surface.crisp import is_steep_along, spares_crisp_edges, steepest_width
from catalogue_audit.measures.surface.motion import motion_of
from catalogue_audit.measures.surface.repeats import rhythm
from catalogue_audit.measures.surface.resolved import WIDTH, share_by_rhythm
from catalogue_audit.measures.surface.sharpness import sharpness_facts
from catalogue_audit.measures.surface.smear import Dip, _is_everywhere, _is_of_blocks, _log_spectrum, find_smear, without_glints, zeros
from catalogue_audit.measures.surface.structure import was_replaced
from light_scenes import bag, outline_of, picture_of, rounded_code, through_jpeg, to_code, to_linear, working_mask

# 10-90 % rise of an edge blurred by a Gaussian, in units of sigma: 2 * 1.28155 (normal quantile),
# the relation of ISO 12233's edge spread to a Gaussian one.
RISE_PER_SIGMA = 2.5631


@pytest.fixture(scope="module")
def scene():
    code, mask = bag((800, 1000), supersample=2)
    return code.astype(np.float32), mask


def _in_light(code, spread):
    """Code values after `spread`, a function of linear light (float32)."""
    return to_code(spread(to_linear(code).astype(np.float32)))


def _blurred(code, sigma):
    return _in_light(code, lambda light: cv2.GaussianBlur(light, (0, 0), sigma))


def _facts(code, mask, quality=None):
    code = rounded_code(code)
    picture = picture_of(code if quality is None else through_jpeg(code, quality))
    return sharpness_facts(picture, outline_of(working_mask(mask, picture)))


def _moved(code, length, degrees):
    """`code` smeared uniformly over `length` px."""
    fine, size = 16, int(length) + 5 + int(length) % 2
    centre = (size * fine - 1) / 2
    kernel = np.zeros((size * fine, size * fine))
    along = np.linspace(-length / 2, length / 2, int(length * fine * 2)) * fine
    angle = np.radians(degrees)
    np.add.at(
        kernel,
        (np.rint(centre + along * np.sin(angle)).astype(int), np.rint(centre + along * np.cos(angle)).astype(int)),
        1.0,
    )
    kernel = cv2.resize(kernel, (size, size), interpolation=cv2.INTER_AREA)
    return _in_light(code, lambda light: cv2.filter2D(light, -1, kernel / kernel.sum()))


@pytest.mark.parametrize("sigma", [0.7, 1.0, 1.5, 2.0, 3.0, 4.0, 6.0])
def test_blur_is_within_a_tenth_of_the_gaussian_that_made_it(scene, sigma):
    code, mask = scene
    noisy = _blurred(code, sigma) + np.random.default_rng(1).standard_normal(code.shape)
    assert _facts(noisy, mask, quality=90)["blur_px"] == pytest.approx(sigma, rel=0.1)


@pytest.mark.parametrize(("dark", "light"), [(0.05, 0.6), (0.01, 0.9), (0.2, 0.3)])
def test_an_edge_profile_agrees_with_its_10_to_90_per_cent_rise(dark, light):
    """Point-sampled slanted edges in light (ISO 12233: codes through the inverse OECF, here sRGB's): the width
    found times 2.5631 is the rise read off the exact error function, whether the edge is faint or from black to white."""
    from scipy.special import ndtr

    y, x = np.mgrid[:300, :300].astype(float)
    for sigma in (0.7, 1.0, 2.0, 4.0):
        distance = (x - 150) * np.cos(0.1) + (y - 150) * np.sin(0.1)
        code = rounded_code(to_code(dark + (light - dark) * ndtr(distance / sigma)))
        encoded = np.repeat(code[..., None], 3, axis=2)
        at_y = np.arange(60.0, 240.0, 6)
        at_x = 150 - (at_y - 150) * np.tan(0.1)
        edges = measure_edges(encoded, at_x, at_y, np.full(len(at_y), 0.1))
        fine = np.linspace(-12, 12, 24001)
        profile = ndtr(fine / sigma)
        rise = fine[np.searchsorted(profile, 0.9)] - fine[np.searchsorted(profile, 0.1)]
        assert len(edges.sigma) > 20
        tolerance = 0.03 if sigma >= 1 else 0.05  # below 1 px the samples between pixels are interpolated
        assert RISE_PER_SIGMA * np.median(edges.sigma) == pytest.approx(rise, rel=tolerance)


@pytest.mark.parametrize("radius", [3.0, 5.0, 8.0])
def test_a_disc_of_confusion_is_as_wide_as_its_standard_deviation(scene, radius):
    """A uniform disc of radius r has the standard deviation r / 2 along any line (second moment of a circle's area)."""
    code, mask = scene
    half = int(radius) + 1
    y, x = np.mgrid[-half - 0.5 + 1 / 16 : half + 0.5 : 1 / 8, -half - 0.5 + 1 / 16 : half + 0.5 : 1 / 8]
    disc = (np.hypot(x, y) <= radius).reshape(2 * half + 1, 8, 2 * half + 1, 8).mean(axis=(1, 3))
    soft = _in_light(code, lambda light: cv2.filter2D(light, -1, disc / disc.sum()))
    assert _facts(soft, mask, quality=90)["blur_px"] == pytest.approx(radius / 2, rel=0.1)


@pytest.mark.parametrize(("length", "degrees"), [(4, 30), (4, 90), (9, 0), (9, 60), (14, 135), (17, 0), (25, 30)])
def test_motion_is_told_by_length_and_direction(scene, length, degrees):
    code, mask = scene
    facts = _facts(_moved(_blurred(code, 0.8), length, degrees), mask, quality=90)
    assert facts["motion_px"] == pytest.approx(length, rel=0.12)
    off = (facts["motion_direction_deg"] - degrees + 90) % 180 - 90
    assert abs(off) < 6
    assert facts["blur_px"] > 1.0


@pytest.mark.parametrize("sigma", [0.7, 1.5, 3.0, 5.0])
def test_defocus_is_not_taken_for_motion(scene, sigma):
    code, mask = scene
    facts = _facts(_blurred(code, sigma), mask, quality=90)
    assert not facts["motion_px"] > 0  # 0, or unknown where edges run in too few directions


@pytest.mark.parametrize(("weight_of_the_crossed", "told"), [(1.0, True), (0.03, False)])
def test_a_motion_that_only_doubtful_edges_show_is_not_told(weight_of_the_crossed, told):
    """Edges as a motion of 6 px along 0 degrees leaves them: variance s^2 + L^2 / 12 cos^2 of the normal's direction."""
    direction = np.radians(np.repeat([5.0, 35.0, 80.0, 100.0, 125.0, 155.0], 5))
    sigma = np.sqrt(0.7**2 + 6**2 / 12 * np.cos(direction) ** 2)
    crossed = np.abs(np.cos(direction)) > 0.5
    length, angle, _ = motion_of(sigma, direction, np.where(crossed, weight_of_the_crossed, 1.0))
    assert np.isfinite(length) == told
    if told:
        assert abs((angle + 90) % 180 - 90) < 3 and 5 < length < 6.5


def _edges_widened_as_by(length, rng, scatter=0.05):
    direction = np.radians(np.repeat(np.arange(5.0, 180.0, 15.0), 8))
    sigma = np.sqrt(0.5**2 + length**2 / 12 * np.cos(direction) ** 2) * np.exp(scatter * rng.standard_normal(len(direction)))
    return sigma, direction


def test_a_motion_spares_no_edge_that_it_crosses():
    """Soft stripes of a print look like a motion; the sharp edges of the label sewn on them tell, however few."""
    sigma, direction = _edges_widened_as_by(8, np.random.default_rng(1))
    assert motion_of(sigma, direction)[0] == pytest.approx(8, rel=0.25)
    crossed = np.flatnonzero(np.abs(np.cos(direction)) > 0.8)
    sigma[crossed[::7]] = 0.5
    assert motion_of(sigma, direction)[0] == 0


def test_a_smear_has_a_flat_top_and_shading_has_none():
    """Widths alone may follow a motion by chance where they scatter; then the shape of the edges decides."""
    rng = np.random.default_rng(3)
    sigma, direction = _edges_widened_as_by(6, rng, scatter=0.35)
    flat = np.where(np.abs(np.cos(direction)) > 0.5, 0.9, 1.0)
    assert motion_of(sigma, direction, None, flat)[0] > 3
    assert motion_of(sigma, direction, None, np.ones(len(sigma)))[0] == 0


@pytest.mark.parametrize(("flatness", "told"), [(0.93, True), (1.0, False)])
def test_a_soft_print_within_sharp_seams_is_no_smear(flatness, told):
    """Stripes softer than the seams that they meet widen one side of the directions, nearly as a smear of 5 px would, but have no flat top."""
    direction = np.radians(np.repeat([8.0, 33.0, 65.0, 80.0, 165.0, 172.0], 8))
    sigma = np.repeat([1.25, 0.8, 0.75, 0.72, 1.7, 1.6], 8)
    soft = np.repeat([True, False, False, False, True, True], 8)
    length = motion_of(sigma, direction, None, np.where(soft, flatness, 1.0))[0]
    assert length > 4 if told else length == 0


def _grain():
    """A fabric of fine grain and a few thin lines, code values; its lines are narrower than the smears below."""
    grain = cv2.GaussianBlur(np.random.default_rng(5).standard_normal((500, 640, 1)), (0, 0), 1.2)[..., None]
    code = np.repeat(120 + 60 * grain, 3, axis=2).astype(np.float32)
    for k in range(5):
        cv2.line(code, (40 + 120 * k, 30), (90 + 110 * k, 470), (200, 190, 170), 4, cv2.LINE_AA)
    return np.clip(code, 0, 255)


NO_EDGES = measure_edges(np.zeros((9, 9, 3), np.uint8), *[np.empty(0)] * 3)


def _smear_of(code):
    picture = picture_of(rounded_code(code))
    return find_smear(picture, outline_of(np.ones(picture.working.shape[:2], bool)), NO_EDGES)


@pytest.mark.parametrize(("length", "degrees"), [(9, 0), (17, 40), (30, 90)])
def test_a_smear_takes_the_frequencies_that_its_length_divides(length, degrees):
    """A uniform smear is a box, whose transform, a sinc, has its zeros at the multiples of 1 / length."""
    smear = _smear_of(_moved(_grain(), length, degrees))
    assert smear.length == pytest.approx(length, abs=1)
    assert abs((smear.angle - degrees + 90) % 180 - 90) <= 4


def test_no_smear_is_seen_in_what_is_sharp_out_of_focus_or_woven():
    y, x = np.mgrid[:500, :640]
    woven = 120 + 40 * np.sin(x * 2 * np.pi / 18) * np.sin(y * 2 * np.pi / 14) + 3 * np.random.default_rng(7).standard_normal(x.shape)
    for code in (_grain(), _blurred(_grain(), 2.0), np.repeat(woven[..., None], 3, axis=2).astype(np.float32)):
        assert _smear_of(code) is None


@pytest.mark.parametrize("length", [0, 20])
def test_a_bright_bar_along_which_nothing_changes_is_no_smear_beside_what_does(length):
    """A smear takes structure from all of a picture; tiles of ribs that run along it want it by nature, tiles of grain beside them do not."""
    rng = np.random.default_rng(9)
    code = np.full((900, 900), 110.0)
    code[550:] += 40 * cv2.GaussianBlur(rng.standard_normal((350, 900)), (0, 0), 0.9)
    ribs = np.repeat(rng.standard_normal((200, 1)), 900, axis=1)
    code[350:550] = 130 + 90 * np.clip(ribs + 0.3 * np.roll(ribs, 3, axis=0), -1, 1)
    code = np.repeat(code[..., None], 3, axis=2).astype(np.float32)
    code = (_moved(code, length, 0) if length else code) + rng.normal(0, 1, (900, 900, 1))
    picture = picture_of(rounded_code(np.clip(code, 0, 255)))
    outline = outline_of(np.ones(picture.working.shape[:2], bool))
    assert _is_everywhere(picture, outline, Dip(20.0, 0.0, 9.0, (3.0, 3.0))) == bool(length)


def _zeros_of(code, length, degrees):
    picture = picture_of(rounded_code(np.clip(code + np.random.default_rng(8).normal(0, 1, (*code.shape[:2], 1)), 0, 255)))
    return zeros(_log_spectrum(picture, outline_of(np.ones(picture.working.shape[:2], bool))), length, degrees)


@pytest.mark.parametrize(("length", "degrees"), [(7, 25), (12, 80), (20, 140)])
def test_the_zeros_of_a_smear_are_stripes_through_the_whole_spectrum(length, degrees):
    """A sinc is 0 at the multiples of 1 / length along the smear, whatever lies across; at other lengths and across it is not, nor in a lens out of focus."""
    contrast, share = _zeros_of(_moved(_grain(), length, degrees), length, degrees)
    assert contrast > 0.5
    assert share > 0.85
    assert _zeros_of(_moved(_grain(), length, degrees), length, degrees + 90)[0] < 0.3
    for code in (_grain(), _blurred(_grain(), 2.0)):
        assert _zeros_of(code, length, degrees)[0] < 0.3


def test_a_pattern_leaves_no_stripes():
    """What repeats every 12 px has bright points, or is bright in one direction only: most of the spectrum knows nothing of it."""
    x = np.arange(640)
    for wave in (np.sin(2 * np.pi * x / 12), (x % 12 < 5) * 1.0):
        code = _grain() * 0.5 + 60 * (1 + wave[None, :, None])
        assert _zeros_of(code.astype(np.float32), 12, 0)[0] < 0.3


def test_blocks_of_compression_are_no_smear():
    """ITU-T T.81: blocks of 8 by 8 px."""
    for length, angle, blocks in ((8.0, 0.0, True), (16.5, 178.0, True), (24.0, 90.0, True), (12.0, 0.0, False), (8.0, 30.0, False)):
        assert _is_of_blocks(Dip(length, angle, 9.0, (1.0, 1.0))) == blocks


@pytest.mark.parametrize("length", [0, 12])
def test_a_smear_of_a_crop_is_told_where_its_outline_leaves_too_little_to_look_at(length):
    """The outline of a crop may hold a bar and take the rest of the product for background."""
    code = _moved(_grain(), length, 35) if length else _grain()
    picture = picture_of(rounded_code(code + np.random.default_rng(8).normal(0, 1, code.shape)))
    bar = np.zeros(picture.working.shape[:2], bool)
    bar[:20] = True
    smear = find_smear(picture, outline_of(bar)._replace(touches=("left", "top", "right")), NO_EDGES)
    assert (smear is not None) == bool(length)
    if length:
        assert smear.length == pytest.approx(length, abs=1)
        assert abs(smear.angle - 35) <= 4


def test_edges_that_stayed_sharp_speak_against_a_smear():
    """Along 0 degrees every edge within 40 degrees is widened by a smear; those across may be sharp."""
    picture = picture_of(rounded_code(_moved(_grain(), 12, 0)))
    outline = outline_of(np.ones(picture.working.shape[:2], bool))
    for direction, seen in ((0.0, False), (np.pi / 2, True)):
        sharp = np.full(4, 0.5)
        edges = NO_EDGES._replace(sigma=sharp, direction=np.full(4, direction), weight=np.ones(4))
        assert (find_smear(picture, outline, edges) is not None) == seen


def test_a_long_smear_that_no_clear_edge_shows_is_told_by_its_spectrum(scene):
    code, mask = scene
    faint = 0.4 * code + 0.6 * code.mean(axis=(0, 1))
    facts = _facts(_moved(faint, 25, 30) + np.random.default_rng(1).standard_normal(code.shape), mask)
    assert facts["motion_px"] == pytest.approx(25, rel=0.1)
    assert facts["motion_direction_deg"] == pytest.approx(30, abs=5)
    assert facts["blur_px"] == pytest.approx(25 / np.sqrt(24), rel=0.1)


def test_a_smear_is_told_within_an_outline_that_a_mask_cut_afterwards():
    code, mask = bag((800, 1000), supersample=2)
    grain = cv2.GaussianBlur(np.random.default_rng(6).standard_normal((*mask.shape, 1)), (0, 0), 1.0)[..., None]
    moved = _moved((code + 30 * grain).astype(np.float32), 11, 60)
    cut = cv2.GaussianBlur(mask.astype(np.float32), (0, 0), 0.5)[..., None]
    for inside, length in ((moved, 11), (code + 30 * grain, 0)):
        facts = _facts(255 + cut * (inside - 255), mask, quality=92)
        assert np.nan_to_num(facts["motion_px"]) == pytest.approx(length, abs=1)


def test_photographs_that_a_straight_motion_smeared_are_told_from_such_out_of_focus():
    """Licensed photographs of `tests/data` smeared uniformly in linear light; the goal is nine of ten."""
    told, off, false = [], [], []
    for name in LARGE:
        code = _photograph(name)[:800, :800]
        for length, degrees in ((9, 20), (14, 110), (22, 65)):
            facts = _of_photograph(_moved(code.astype(np.float32), length, degrees))
            told.append(facts["motion_px"] > 0 and abs((facts["motion_direction_deg"] - degrees + 90) % 180 - 90) < 10)
            off.append(abs(facts["motion_px"] / length - 1))
        false += [_of_photograph(_blurred(code, sigma))["motion_px"] > 0 for sigma in (1.5, 4.0)]
    assert np.mean(told) >= 0.9
    assert np.median(off) < 0.03
    assert not any(false)


def test_what_a_smear_does_to_the_edges_makes_its_blur_no_less_sure(scene):
    code, mask = scene
    facts = _facts(_moved(code, 12, 30) + np.random.default_rng(1).standard_normal(code.shape), mask)
    assert facts["blur_sd_px"] < 0.15 * facts["blur_px"]


@pytest.mark.parametrize("share", [0.3, 0.4, 0.5])
@pytest.mark.parametrize("interpolation", [cv2.INTER_CUBIC, cv2.INTER_LANCZOS4])
def test_an_enlarged_picture_resolves_what_the_small_one_did(scene, share, interpolation):
    code, mask = scene
    small = cv2.resize(_blurred(code, 0.5), None, fx=share, fy=share, interpolation=cv2.INTER_AREA)
    large = cv2.resize(small, code.shape[1::-1], interpolation=interpolation)
    noisy = large + np.random.default_rng(2).standard_normal(code.shape)
    assert _facts(noisy, mask, quality=92)["resolved"] == pytest.approx(share, rel=0.12)


@pytest.mark.parametrize("sigma", [0.6, 1.3, 2.5, 5.0])
def test_a_picture_out_of_focus_is_not_taken_for_an_enlarged_one(scene, sigma):
    code, mask = scene
    assert _facts(_blurred(code, sigma), mask, quality=92)["resolved"] == 1


def test_a_real_focus_series_is_ordered_in_the_part_that_goes_out_of_focus():
    """
    The near third of a board while the focus moves away from it (tests/data/focus_pcb, MIT; step = file number).

    At the third step its upper 80 rows are still in focus. Only the focus moved: there is no motion.
    """
    near_third, nearer = ([_of_part(step, top) for step in (1, 3, 7)] for top in (1024, 1104))
    assert near_third[0]["blur_px"] < 1.0
    assert nearer[1]["blur_px"] > 1.3 * nearer[0]["blur_px"]
    assert near_third[2]["blur_px"] > 2 * near_third[1]["blur_px"]
    assert not any(facts["motion_px"] > 0 for facts in near_third)


def _of_part(step, top):
    code = cv2.imread(str(Path(__file__).parent / "data" / "focus_pcb" / f"pcb_{step:03d}.jpg"))[top:, :, ::-1]
    picture = picture_of(np.ascontiguousarray(code))
    return sharpness_facts(picture, outline_of(np.ones(picture.working.shape[:2], bool)))


def test_a_featureless_product_has_no_sharpness_and_says_why():
    code = np.full((400, 400, 3), 128.0)
    facts = _facts(code, np.ones((400, 400), bool))
    assert "blur_px" not in facts
    assert "too few clear edges" in facts["reasons"][0]


def _dots(sigma):
    """Dots close together, blurred by sigma px, with noise: a picture without a clear edge."""
    rng = np.random.default_rng(5)
    code = np.full((600, 600), 110.0)
    for x, y in np.argwhere(np.ones((53, 53))) * 11 + 8 + rng.integers(-1, 2, (53 * 53, 2)):
        cv2.circle(code, (int(x), int(y)), 4, 150.0, -1)
    return _blurred(np.repeat(code.astype(np.float32)[..., None], 3, axis=2), sigma) + rng.normal(0, 0.6, (600, 600, 1))


@pytest.mark.parametrize(("sigma", "soft"), [(0.5, False), (0.8, False), (2.0, True), (2.5, True)])
def test_where_no_edge_is_clear_a_picture_is_soft_if_nothing_in_it_rises_steeply(sigma, soft):
    """A step seen through a Gaussian rises by its height / (sigma sqrt(2 pi)) a pixel at most: the Gaussian's own peak."""
    facts = _facts(_dots(sigma), np.ones((600, 600)))
    assert "too few clear edges" in facts["reasons"][0]
    assert ("blur_px" in facts) == soft
    if soft:
        assert 0.7 * sigma < facts["blur_px"] < 1.1 * sigma


@pytest.mark.parametrize(("sigma", "beyond"), [(1.3, False), (2.7, True)])
def test_grain_that_is_rounded_itself_is_no_blur_beyond_doubt(sigma, beyond):
    """Sharp grain without a clear edge is up to 1.6 px wide by nature: beside edges of 0.5 px it is no proof, the same out of focus is."""
    facts = _facts(_dots(sigma), np.ones((600, 600)))
    assert (np.log(facts["blur_px"] / 0.5) > 3 * facts["blur_sd_px"] / facts["blur_px"]) == beyond


@pytest.mark.parametrize(("blurred_too", "soft"), [(False, False), (True, True)])
def test_rounded_seams_are_no_blur_where_small_things_beside_them_are_crisp(blurred_too, soft):
    """A rounded edge is as soft as it is round; a lens out of focus softens the stitches beside it as well."""
    code = np.full((800, 800), 170.0)
    code[:, 100:200] = code[:, 300:400] = code[:, 500:600] = 60.0
    stitches = np.zeros((800, 800))
    for y in range(40, 780, 30):
        cv2.circle(stitches, (650, y), 4, 70.0, -1)
    code = cv2.GaussianBlur(code, (0, 0), 4.0) + cv2.GaussianBlur(stitches, (0, 0), 4.0 if blurred_too else 0.5)
    code += np.random.default_rng(2).normal(0, 1, code.shape)
    facts = _facts(np.repeat(code[..., None], 3, axis=2), np.ones((800, 800)))
    assert facts["blur_px"] > 3.4 if soft else facts["blur_px"] < 1.0


@pytest.mark.parametrize("length", [5, 8, 14, 20])
@pytest.mark.parametrize("angle", [0, 35, 90])
def test_no_place_is_steeper_than_a_smear_lets_it(scene, length, angle):
    """A step smeared over a length rises by its height over that length a pixel: a box is the derivative of a ramp. Across it, nothing changes."""
    noise = np.random.default_rng(1).normal(0, 2, scene[0].shape)
    sharp, moved = (rounded_code(code + noise) for code in (_blurred(scene[0], 0.5), _moved(scene[0], length, angle)))
    x, y, _ = find_edges(cv2.cvtColor(sharp, cv2.COLOR_RGB2GRAY), scene[1].astype(np.uint8), 200)
    assert is_steep_along(sharp, x, y, length, angle)
    assert not is_steep_along(moved, x, y, length, angle)
    assert steepest_width(moved, x, y, angle) > 0.5 * min(length, 13) / np.sqrt(2 * np.pi)


def test_a_long_smear_is_held_against_steps_of_its_own_length(scene):
    """Seams rounded to 2 px one way rise as steeply as a smear of 13 px may leave what is short, and far too steeply for one of 34 px."""
    noise = np.random.default_rng(1).normal(0, 1, scene[0].shape)
    sharp = rounded_code(_blurred(scene[0], 0.5) + noise)
    x, y, _ = find_edges(cv2.cvtColor(sharp, cv2.COLOR_RGB2GRAY), scene[1].astype(np.uint8), 200)
    rounded, moved = (
        rounded_code(_in_light(code, lambda light: cv2.GaussianBlur(light, (0, 0), sigmaX=2.2, sigmaY=0.5)) + noise)
        for code in (scene[0], _moved(scene[0], 34, 0))
    )
    assert not is_steep_along(rounded, x, y, 13, 0)
    assert is_steep_along(rounded, x, y, 34, 0)
    assert not is_steep_along(moved, x, y, 34, 0)


@pytest.mark.parametrize("moved", [False, True])
def test_soft_edges_that_run_one_way_are_no_smear_beside_crisp_dots(moved):
    """Rounded plates have soft level edges; what is small beside them rises as steeply along the smear that these suggest as across it, if there was none."""
    code = np.full((900, 900), 150.0)
    for row in range(80, 760, 220):
        code[row : row + 110, 80:560] = 80.0
    code = cv2.GaussianBlur(code, (0, 0), sigmaX=0.6, sigmaY=1.8)
    for x, y in np.mgrid[600:880:40, 30:880:40].reshape(2, -1).T.tolist():
        cv2.circle(code, (x, y), 2 if moved else 3, 80.0, -1)
    code = np.repeat(cv2.GaussianBlur(code, (0, 0), 0.9 if moved else 0.55)[..., None], 3, axis=2).astype(np.float32)
    noise = np.random.default_rng(6).normal(0, 1, (900, 900, 1))
    length = _facts((_moved(code, 7, 90) if moved else code) + noise, np.ones((900, 900)))["motion_px"]
    assert length == pytest.approx(8, abs=1) if moved else length == 0  # the plates' own softness lengthens it


def test_the_lamps_in_polished_metal_say_nothing_against_a_smear():
    """A glint is many times as bright as white: of its light, smeared over 13 px, the top of the scale leaves an edge as sharp as ever."""
    light = np.full((300, 700, 3), 0.2, np.float32)
    cv2.circle(light, (150, 150), 5, (40.0, 40.0, 40.0), -1)
    light[:, 500:600] = 0.6
    light[:, 600:] = 1.5  # a light page
    moved = rounded_code(to_code(np.minimum(cv2.blur(cv2.GaussianBlur(light, (0, 0), 0.6), (13, 1)), 1.0)))
    edges = measure_edges(moved, np.array([161.0, 500.0, 600.0]), np.full(3, 150.0), np.array([np.pi, 0.0, 0.0]))
    smeared = 13 / np.sqrt(12)
    assert edges.sigma[0] < 0.2 * smeared
    assert edges.sigma[1] == pytest.approx(smeared, rel=0.3)
    assert np.array_equal(without_glints(moved, edges).x, edges.x[1:])


def test_broad_folds_alone_tell_nothing_of_the_lens():
    row, column = np.mgrid[:600, :600]
    code = 120 + 60 * np.sin(2 * np.pi * column / 150) * np.sin(2 * np.pi * row / 150)
    facts = _facts(np.repeat(code[..., None], 3, axis=2), np.ones((600, 600)))
    assert "blur_px" not in facts


def test_edges_are_found_where_they_are():
    gray = np.full((200, 300), 60, np.uint8)
    gray[:, 150:] = 200
    x, y, direction = find_edges(gray, np.ones(gray.shape, np.uint8), 50)
    assert len(x) > 3
    assert np.all(np.abs(x - 149.5) <= 1)
    assert np.allclose(np.mod(direction + 0.1, np.pi), 0.1, atol=0.01)


@pytest.mark.parametrize("sigma", [0.9, 1.2, 1.5])
def test_a_sharpened_picture_out_of_focus_is_not_taken_for_an_enlarged_one(scene, sigma):
    code, mask = scene
    soft = _blurred(code, sigma)
    sharpened = soft + 1.5 * (soft - cv2.GaussianBlur(soft, (0, 0), 1.5))
    assert _facts(sharpened, mask, quality=92)["resolved"] == 1.0


DATA = Path(__file__).parent / "data"
LARGE = ("photographs/junk_jpeg_header.jpg", "focus_pcb/pcb_001.jpg", "focus_pcb/pcb_003.jpg", "focus_pcb/pcb_007.jpg")


def _photograph(name):
    """A photograph of `tests/data` of at least 700 px a side (licences there), RGB; its whole frame counts as product."""
    return cv2.imread(str(Path(__file__).parent / "data" / name), cv2.IMREAD_COLOR_RGB)


def _of_photograph(code):
    picture = picture_of(through_jpeg(rounded_code(code), 92))
    return sharpness_facts(picture, outline_of(np.ones(picture.working.shape[:2], bool)))


def test_photographs_blurred_by_known_amounts_are_measured_within_the_stated_uncertainty():
    """The lens's own blur and the added one add as variances (a convolution of Gaussians); 2 sd hold about 95 % of errors."""
    ratio = []
    for name in LARGE:
        code = _photograph(name)
        own = _of_photograph(code)["blur_px"]
        for sigma in (0.7, 1.0, 2.0, 3.5, 6.0):
            facts = _of_photograph(_blurred(code, sigma))
            ratio.append((facts["blur_px"] - np.hypot(own, sigma)) / facts["blur_sd_px"])
    assert np.mean(np.abs(ratio) < 2) >= 0.85


@pytest.mark.parametrize("interpolation", [cv2.INTER_LINEAR, cv2.INTER_CUBIC, cv2.INTER_LANCZOS4])
@pytest.mark.parametrize("share", [0.27, 0.31, 0.35, 0.42, 0.44, 0.45])
def test_an_enlargement_leaves_a_rhythm_in_a_photograph(interpolation, share):
    """A. C. Gallagher (CRV 2005): differences repeat with the pixels of the small picture, through noise and JPEG too."""
    code = _photograph("photographs/junk_jpeg_header.jpg")
    small = cv2.resize(code, None, fx=share, fy=share, interpolation=cv2.INTER_AREA).astype(np.float32)
    large = cv2.resize(small, code.shape[1::-1], interpolation=interpolation)
    noisy = large + np.random.default_rng(3).normal(0, 0.7, large.shape)
    large = through_jpeg(rounded_code(noisy), 90)
    assert share_by_rhythm(*rhythm(large), WIDTH / share) == pytest.approx(share, abs=0.004)


def test_of_two_shares_of_one_rhythm_the_end_of_the_detail_tells():
    """Every 2.4 px is every 1.714 px to a picture of whole pixels; a small picture with crisp edges looks wide for the one and narrow for the other."""
    code, mask = bag((960, 1200), supersample=2)
    small = cv2.resize(code.astype(np.float32), (500, 400), interpolation=cv2.INTER_AREA)
    crisp = np.clip(1.5 * small - 0.5 * cv2.GaussianBlur(small, (0, 0), 0.7), 0, 255)
    noisy = crisp + 1.5 * np.random.default_rng(3).standard_normal(crisp.shape)
    large = cv2.resize(noisy.astype(np.float32), (1200, 960), interpolation=cv2.INTER_CUBIC)
    facts = _facts(large, mask, quality=92)
    assert facts["resolved"] == pytest.approx(400 / 960, abs=0.01)
    at = np.linspace(0, 0.5, 1001)
    found = (share_by_rhythm(at, np.where(abs(at - 0.417) < 0.0003, 9.0, 1.0), 0.83, tenth=tenth) for tenth in (0.30, 0.40))
    assert list(found) == pytest.approx([0.417, 0.583], abs=0.001)


def test_no_rhythm_is_seen_in_photographs_out_of_focus():
    for name in LARGE:
        for sigma in (1.0, 2.0):
            blurred = through_jpeg(rounded_code(_blurred(_photograph(name), sigma)), 90)
            assert np.isnan(share_by_rhythm(*rhythm(blurred), sigma))


@pytest.mark.parametrize(("words", "size", "stroke"), [(("KOWA", "VEMY", "NAZK"), 3.2, 14), (("KO", "LM"), 2.0, 8), (("K", "E"), 3.0, 12)])
def test_an_enlargement_is_seen_within_an_outline_that_a_mask_cut_afterwards(words, size, stroke):
    """Retouchers enlarge a photograph and then lay a mask of full resolution over it; few edges may be left within."""
    rng = np.random.default_rng(4)
    code, mask = bag((1000, 800), supersample=2, details=False)
    code[mask] += (8 * cv2.GaussianBlur(rng.standard_normal(mask.shape), (0, 0), 1.2) / 0.24)[mask][:, None]
    left, top, width, height = cv2.boundingRect(mask.astype(np.uint8))
    for k, text in enumerate(words):
        place = left + width // 6, top + height // 3 + k * height // 5
        letters = cv2.putText(np.zeros(mask.shape, np.uint8), text, place, cv2.FONT_HERSHEY_SIMPLEX, size, 255, stroke, cv2.LINE_AA)
        code += (250 - code) * (letters / 255)[..., None]
    small = cv2.resize(code.astype(np.float32), None, fx=0.4, fy=0.4, interpolation=cv2.INTER_AREA)
    large = cv2.resize(small, code.shape[1::-1], interpolation=cv2.INTER_CUBIC)
    cut = cv2.GaussianBlur(mask.astype(np.float32), (0, 0), 0.5)[..., None]
    for inside, share in ((large, 0.4), (cv2.GaussianBlur(code.astype(np.float32), (0, 0), 0.5), 1.0)):
        finished = 200 + cut * (inside - 200)
        picture = picture_of(rounded_code(finished))
        assert sharpness_facts(picture, outline_of(working_mask(mask, picture)))["resolved"] == pytest.approx(share, rel=0.05)


def test_what_is_crisp_beside_a_soft_relief_was_not_enlarged():
    """A relief that repeats as an enlargement does, a tenth of whose edges no enlargement would have left so sharp."""
    rng = np.random.default_rng(3)
    small = 120 + 60 * cv2.GaussianBlur(rng.standard_normal((240, 300)), (0, 0), 1.0)
    for x in range(20, 300, 24):
        small[:, x : x + 10] += 60
    large = np.repeat(cv2.resize(small, (1000, 800), interpolation=cv2.INTER_CUBIC)[..., None], 3, axis=2)
    crisp = large.copy()
    for y in range(60, 780, 90):
        for x in range(60, 980, 90):
            cv2.rectangle(crisp, (x, y), (x + 40, y + 40), (230.0, 225.0, 215.0), -1)
    crisp = cv2.GaussianBlur(crisp, (0, 0), 0.5)
    shares = [_facts(np.clip(code + rng.normal(0, 0.7, code.shape), 0, 255), np.ones((800, 1000)), quality=92)["resolved"] for code in (large, crisp)]
    assert shares == [pytest.approx(0.3, abs=0.01), 1.0]


@pytest.mark.parametrize(("level", "page"), [(250, True), (170, True), (60, False)])
def test_a_page_is_lighter_than_dark_leather_whose_noise_compression_took(level, page):
    grey = np.full((400, 400), level, np.uint8)
    grey[:200] = np.random.default_rng(1).integers(80, 180, (200, 400))
    assert was_replaced(grey) == page


def test_a_picture_is_as_sharp_as_what_lies_in_the_plane_of_focus(scene):
    """Everything else is twice or more as wide (geometric optics: a lens is in focus at one depth)."""
    code, mask = scene
    plate = _blurred(code, 3.0)
    cv2.rectangle(plate, (420, 420), (580, 500), (225.0, 215.0, 190.0), -1)
    for x in range(360, 640, 24):
        cv2.rectangle(plate, (x, 560), (x + 14, 568), (230.0, 225.0, 215.0), -1)
    grain = np.random.default_rng(3).standard_normal(code.shape)
    assert _facts(_blurred(plate, 0.6) + grain, mask, quality=92)["blur_px"] < 1.0
    assert _facts(_blurred(plate, 3.0) + grain, mask, quality=92)["blur_px"] > 2.7


def test_lamps_in_metal_are_out_of_focus_with_the_rest(scene):
    """Of a highlight's light, ten times white's and drawn out over a disc, the top of the scale leaves the foot of the flank: it looks half as wide."""
    code, mask = scene
    lamps = np.zeros(mask.shape, np.uint8)
    for k in range(40):
        x, y = 300 + k % 8 * 52, 400 + k // 8 * 50
        cv2.rectangle(lamps, (x, y), (x + 20, y + 6), 1, -1)
    light = to_linear(code).astype(np.float32)
    light[lamps > 0] = 10.0
    blurred = to_code(np.minimum(cv2.GaussianBlur(light, (0, 0), 2.0), 1.0))
    grain = np.random.default_rng(3).standard_normal(code.shape)
    assert _facts(blurred + grain, mask, quality=92)["blur_px"] == pytest.approx(2.0, rel=0.1)


@pytest.mark.parametrize("length, degrees", [(9, 0), (16, 90), (24, 30)])
def test_a_smear_leaves_no_crisp_edge_that_it_crosses(scene, length, degrees):
    """A motion of the camera moves all of a rigid product alike, in focus or not."""
    sharp = _blurred(scene[0], 0.6)
    for code, spared in ((sharp, True), (_moved(sharp, length, degrees), False)):
        picture = picture_of(through_jpeg(rounded_code(code), 92))
        region = np.ones(picture.grey.shape, np.uint8)
        assert spares_crisp_edges(picture, region, length, degrees) == spared
