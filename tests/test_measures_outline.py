"""The outline against painted truth, cases without a product, and an alpha channel."""

from types import SimpleNamespace

import cv2
import making
import numpy as np
import pytest
from catalogue_audit.measures.evidence import halved
from catalogue_audit.measures.records import CONFIDENCE_LIMIT
from catalogue_audit.measures.segmentation.backdrop import fit_backdrop
from catalogue_audit.measures.segmentation.growing import without_scraps
from catalogue_audit.measures.segmentation.outline import find_outline
from light_scenes import through_jpeg

SHAPE = (600, 480)
BODY = np.array([(120.0, 250), (360, 250), (348, 510), (132, 510)])
HANDLE = making.strip(making.arch(240, 254, 70, 110), 9)


def outlined(rgb, alpha=None):
    picture = making.picture_of(rgb, alpha)
    return find_outline(picture, fit_backdrop(picture))


def iou(mask, truth):
    truth = truth > 0.5
    return np.sum(mask & truth) / np.sum(mask | truth)


def bag(colour, background, shadow=True, noise=0.003):
    truth = making.cover(SHAPE, BODY, HANDLE)
    cast = making.soft_shadow(truth, 0.4, 10, 5) if shadow else None
    return making.photograph(making.put(background, truth, colour, cast), noise=noise), truth


@pytest.mark.parametrize("colour", [(0.2, 0.04, 0.03), (0.02, 0.02, 0.02), (0.05, 0.08, 0.3), (0.45, 0.3, 0.05)])
@pytest.mark.parametrize("level", [0.85, 0.4])
def test_mask_of_a_painted_bag_meets_its_truth(colour, level):
    rgb, truth = bag(colour, making.sweep(*SHAPE, level))
    found = outlined(rgb)
    assert iou(found.mask, truth) > 0.98
    rows, columns = np.flatnonzero((truth > 0.5).any(axis=1)), np.flatnonzero((truth > 0.5).any(axis=0))
    box = columns[0] / 480, rows[0] / 600, (columns[-1] + 1) / 480, (rows[-1] + 1) / 600
    assert np.abs(np.subtract(found.box, box)).max() < 0.006
    assert found.confidence > 0.8


def test_the_gap_in_the_handle_stays_open():
    rgb, _ = bag((0.2, 0.04, 0.03), making.sweep(*SHAPE))
    assert not outlined(rgb).mask[200:235, 220:260].any()


def test_the_gap_stays_open_where_the_sweep_behind_it_begins_to_burn_out():
    level = np.minimum(1.0, 0.45 + 0.8 * np.arange(SHAPE[0]) / 300)  # white from row 206 on, in the middle of the gap
    rgb, truth = bag((0.05, 0.06, 0.04), np.broadcast_to(level[:, None, None], (*SHAPE, 3)), shadow=False)
    found = outlined(rgb)
    assert not found.mask[200:235, 220:260].any()
    assert iou(found.mask, truth) > 0.98


def test_scraps_that_a_shadow_leaves_are_ground():
    unlike = np.full((200, 200), 20.0, np.float32)
    unlike[150:, 160:180] = 2.0
    evidence = SimpleNamespace(light=unlike, chroma=np.zeros_like(unlike))
    product = np.zeros((200, 200), bool)
    product[40:160, 50:150] = product[60:64, 170:176] = True
    scraps = product.copy()
    scraps[100, 20] = scraps[180, 190:193] = scraps[155:165, 165:175] = True  # two too small, and one faint and low
    ground, rest = without_scraps(evidence, ~scraps, scraps)
    assert np.array_equal(rest, product)
    assert np.array_equal(ground, ~product)


def test_a_cast_shadow_is_not_product():
    rgb, truth = bag((0.2, 0.04, 0.03), making.sweep(*SHAPE))
    found = outlined(rgb)
    assert np.mean(found.mask[520:, :]) < 0.01
    assert found.shadow[512:530, 150:330].mean() > 0.3


@pytest.mark.parametrize("rgb", [np.full((60, 50, 3), 255, np.uint8), np.zeros((60, 50, 3), np.uint8), np.full((1, 1, 3), 200, np.uint8)])
def test_nothing_is_found_where_there_is_nothing(rgb):
    found = outlined(rgb)
    assert found.box is None and found.confidence == 0 and found.reason and not found.mask.any()


def test_a_picture_without_a_studio_is_not_trusted():
    noise = np.random.default_rng(0).integers(0, 255, (300, 240, 3), dtype=np.uint8)
    assert outlined(noise).confidence < CONFIDENCE_LIMIT


def test_alpha_is_the_mask_and_soft_alpha_is_shadow():
    truth = making.cover(SHAPE, BODY, HANDLE)
    alpha = np.rint(truth * 255).astype(np.uint8)
    alpha[530:560, 150:330] = 90  # a shadow kept in the alpha channel
    rgb = making.photograph(making.put(making.sweep(*SHAPE), truth, (0.9, 0.9, 0.9)))
    found = outlined(rgb, alpha)
    assert found.source == "alpha" and iou(found.mask, truth) > 0.998
    assert found.shadow[535:555, 160:320].all()


def test_the_side_that_the_product_meets_is_named():
    truth = making.cover(SHAPE, [(120, -20), (360, -20), (360, 400), (120, 400)])
    rgb = making.photograph(making.put(making.sweep(*SHAPE), truth, (0.1, 0.02, 0.02)))
    assert outlined(rgb).touches == ("top",)


def test_both_of_two_products_are_product():
    left, right = [(60, 200), (200, 200), (200, 450), (60, 450)], [(260, 200), (420, 200), (420, 450), (260, 450)]
    truth = making.cover(SHAPE, left, right)
    found = outlined(making.photograph(making.put(making.sweep(*SHAPE), truth, (0.1, 0.02, 0.02))))
    assert iou(found.mask, truth) > 0.99 and len(found.contours) == 2


def test_the_contours_hold_the_area_that_opencv_measures():
    rgb, truth = bag((0.2, 0.04, 0.03), making.sweep(*SHAPE), shadow=False)
    outer, *gaps = outlined(rgb).contours
    area = cv2.contourArea(outer) - sum(cv2.contourArea(gap) for gap in gaps)
    assert area == pytest.approx(float(truth.sum()), rel=0.01)


def test_halving_an_odd_plane_repeats_its_last_row_and_column():
    plane = np.arange(15, dtype=np.float32).reshape(3, 5)
    even = np.pad(plane, ((0, 1), (0, 1)), mode="edge")
    assert np.array_equal(halved(plane), even.reshape(2, 2, 3, 2).mean(axis=(1, 3)))


def test_a_side_as_light_as_the_backdrop_is_told_by_its_faint_tint():
    truth = making.cover(SHAPE, BODY)
    ground = making.sweep(*SHAPE)
    tint = np.array((1.0, 0.99, 0.95))
    tint /= tint @ (0.2126, 0.7152, 0.0722)  # luminance by ITU-R BT.709: the left side keeps the backdrop's own
    shade = np.where(np.arange(SHAPE[1]) < 200, 1.0, 0.7)[None, :, None]
    rgb = making.photograph(ground * np.where(truth[..., None] > 0.5, tint * shade, 1), noise=0.003)
    assert iou(outlined(rgb).mask, truth) > 0.95


@pytest.mark.parametrize("level", [0.45, 0.6])
def test_a_narrow_rim_lighter_than_the_ground_belongs_to_the_product(level):
    truth = making.cover(SHAPE, BODY)
    inner = making.cover(SHAPE, BODY + np.sign([240, 380] - BODY) * 6)
    rimmed = making.put(making.sweep(*SHAPE, level), truth, (1.14 * level,) * 3, making.soft_shadow(truth, 0.3, 10, 5))
    found = outlined(making.photograph(making.put(rimmed, inner, (0.05, 0.08, 0.3)), noise=0.003))
    assert iou(found.mask, truth) > 0.99 and found.confidence > 0.9


@pytest.mark.parametrize(("blue", "noise"), [(0.95, 0.003), (0.95, 0.016), (0.965, 0.01)])
def test_small_prints_and_noise_do_not_hide_a_faint_tint(blue, noise):
    truth = making.cover(SHAPE, BODY)
    tint = np.array((1.0, 0.99, blue))
    tint /= tint @ (0.2126, 0.7152, 0.0722)  # luminance by ITU-R BT.709: the left side keeps the backdrop's own
    shade = np.where(np.arange(SHAPE[1]) < 200, 1.0, 0.7)[None, :, None]
    scene = making.sweep(*SHAPE) * np.where(truth[..., None] > 0.5, tint * shade, 1)
    for row in range(262, 500, 14):
        for column in range(128 + row // 14 % 2 * 9, 350, 18):
            scene[row : row + 4, column : column + 5] = (0.05, 0.1, 0.5)
    assert iou(outlined(making.photograph(scene, noise=noise)).mask, truth) > 0.97


def test_a_light_panel_inside_a_light_product_is_no_gap():
    panel = making.cover(SHAPE, [(180, 320), (300, 320), (300, 420), (180, 420)])
    truth = making.cover(SHAPE, BODY)
    ground = making.sweep(*SHAPE)
    rgb = making.photograph(making.put(making.put(ground, truth, (0.6, 0.59, 0.54)), panel, (0.74, 0.73, 0.67)), noise=0.003)
    found = outlined(rgb)
    assert iou(found.mask, truth) > 0.98 and found.mask[330:410, 190:290].all()


@pytest.mark.parametrize("softness", [2.5, 3.5])
def test_a_burnt_out_highlight_of_a_white_cut_out_is_no_gap_and_its_handle_still_has_one(softness):
    truth = making.cover(SHAPE, BODY, HANDLE)[..., None]
    rows, columns = np.mgrid[: SHAPE[0], : SHAPE[1]]
    shine = ((np.abs(columns - 240) < 9) & (np.abs(rows - 360) < 40)).astype(np.float64)
    light = np.minimum(0.7 + 0.48 * cv2.GaussianBlur(shine, (0, 0), softness), 1)[..., None]
    rgb = through_jpeg(making.photograph(1 - truth + truth * light * np.where(light < 1, (1, 0.99, 0.97), 1), noise=0.0), 90)
    assert (rgb[350:370, 238:242] == 255).all()
    found = outlined(rgb)
    assert found.mask[300:420, 200:280].all()
    assert not found.mask[200:235, 220:260].any()


def _mirroring_a_lamp(gain, softness, half_width, half_height):
    """A cut-out with a coloured face that mirrors an oval lamp of so many pixels, blurred by ``softness``, burnt out in its middle."""
    truth = making.cover(SHAPE, BODY, HANDLE)[..., None]
    rows, columns = np.mgrid[: SHAPE[0], : SHAPE[1]]
    lamp = (np.hypot((columns - 240) / half_width, (rows - 380) / half_height) < 1).astype(np.float64)
    light = np.minimum((0.6, 0.35, 0.3) + gain * cv2.GaussianBlur(lamp, (0, 0), softness)[..., None], 1)
    return through_jpeg(making.photograph(1 - truth + truth * light, noise=0.0), 90)


@pytest.mark.parametrize(("gain", "softness"), [(0.9, 3), (1.3, 4), (2.0, 5)])
def test_a_highlight_that_fades_into_a_coloured_face_is_no_gap(gain, softness):
    rgb = _mirroring_a_lamp(gain, softness, 22, 50)
    assert (rgb[360:400, 230:250] == 255).all()
    found = outlined(rgb)
    assert found.mask[300:480, 170:310].all()
    assert not found.mask[200:235, 220:260].any()


def test_a_ragged_face_burnt_out_to_the_white_of_a_cut_out_is_no_gap():
    """The light on a grained face burns out where the grain lets it; a gap as large, bounded by the handle, stays open."""
    truth = making.cover(SHAPE, BODY, HANDLE)[..., None]
    grain = cv2.GaussianBlur(np.random.default_rng(7).normal(size=SHAPE), (0, 0), 3)
    rows, columns = np.mgrid[: SHAPE[0], : SHAPE[1]]
    near = np.hypot((columns - 200) / 45, (rows - 380) / 80)
    light = np.clip(1.5 - 0.4 * near + 0.12 * grain / grain.std(), 0.3, 1)[..., None]
    rgb = through_jpeg(making.photograph(1 - truth + truth * light * np.where(light < 1, (1, 0.97, 0.9), 1), noise=0.0), 90)
    found = outlined(rgb)
    assert (rgb[300:460, 160:240] == 255).all(axis=2).mean() > 0.5
    assert found.mask[300:460, 160:240].mean() > 0.98
    assert not found.mask[200:235, 220:260].any()


@pytest.mark.parametrize("blur", [3.5, 5.0])
def test_a_handles_gap_in_a_cut_out_out_of_focus_is_as_soft_as_its_outline_and_stays_open(blur):
    truth = making.cover(SHAPE, BODY, making.strip(making.arch(240, 254, 80, 140), 16))
    rgb = through_jpeg(making.photograph(making.put(np.ones((*SHAPE, 3)), truth, (0.3, 0.2, 0.1)), noise=0.0, blur=blur), 92)
    assert (rgb[180:230, 215:265] == 255).all()
    found = outlined(rgb)
    assert not found.mask[190:235, 215:265].any()
    assert found.mask[300:480, 150:330].all()


@pytest.mark.parametrize("pale", [(0.6, 0.55, 0.45), (0.45, 0.42, 0.36)])
def test_a_pale_handles_gap_out_of_focus_is_as_soft_as_the_handles_own_outline_and_stays_open(pale):
    """The body is dark, and ends more steeply than the handle; what frames the gap is the handle alone."""
    handle = making.cover(SHAPE, making.strip(making.arch(240, 254, 80, 140), 16))
    ground = making.put(np.ones((*SHAPE, 3)), handle, pale)
    rgb = through_jpeg(making.photograph(making.put(ground, making.cover(SHAPE, BODY), (0.03, 0.02, 0.05)), noise=0.0, blur=4.0), 92)
    found = outlined(rgb)
    assert not found.mask[190:235, 215:265].any()
    assert found.mask[300:480, 150:330].all()


@pytest.mark.parametrize(("gain", "softness"), [(0.9, 3), (1.3, 4), (2.0, 5)])
def test_a_wide_highlight_of_a_cut_out_ends_more_softly_than_its_outline_and_is_no_gap(gain, softness):
    found = outlined(_mirroring_a_lamp(gain, softness, 60, 80))
    assert found.mask[300:460, 180:300].all()
    assert not found.mask[200:235, 220:260].any()


def _with_a_dropped_shadow(colour, depth, shift, softness, face=1.0):
    """A cut-out on pure white whose retouched shadow lies to the lower right, in its handle's gap too."""
    truth = making.cover(SHAPE, BODY, making.strip(making.arch(240, 254, 80, 140), 16))
    shade = cv2.GaussianBlur(np.roll(truth, (shift, shift), axis=(0, 1)), (0, 0), softness)[..., None]
    return through_jpeg(making.photograph(making.put(1 - depth * shade, truth, np.asarray(colour) * face), noise=0.0), 92)


@pytest.mark.parametrize("colour", [(0.3, 0.02, 0.03), (0.02, 0.02, 0.02), (0.3, 0.2, 0.1)])
@pytest.mark.parametrize(("depth", "softness"), [(0.3, 8), (0.2, 12)])
def test_a_gap_with_a_dropped_shadow_in_it_stays_open(colour, depth, softness):
    rgb = _with_a_dropped_shadow(colour, depth, 8, softness)
    assert (rgb[190:220, 230:260] >= 254).mean() > 0.5
    found = outlined(rgb)
    assert not found.mask[200:225, 230:255].any()
    assert found.mask[300:480, 150:330].all()


@pytest.mark.parametrize("softness", [4, 8])
def test_a_lamp_mirrored_in_grey_lacquer_beside_a_dropped_shadow_is_no_gap(softness):
    rows, columns = np.mgrid[: SHAPE[0], : SHAPE[1]]
    lamp = ((np.abs(columns - 240) < 40) & (np.abs(rows - 380) < 50)).astype(np.float64)
    face = np.minimum(1 + 3.0 * cv2.GaussianBlur(lamp, (0, 0), softness), 1 / 0.4)[..., None]
    rgb = _with_a_dropped_shadow((0.4, 0.4, 0.4), 0.3, 8, 8, face)
    assert (rgb[350:400, 220:260] == 255).all()
    assert outlined(rgb).mask[300:480, 150:330].all()


@pytest.mark.parametrize("depth", [0.08, 0.09])
def test_a_gap_with_the_handles_soft_shadow_on_the_wall_behind_it_stays_open(depth):
    """Lit from one side, a handle throws a faint shadow that is seen through the handle: its gap has the wall's tone, and is darker in part."""
    arch = making.strip(making.arch(240, 254, 80, 140), 12)
    truth = making.cover(SHAPE, BODY, arch)
    shade = cv2.GaussianBlur(making.cover(SHAPE, making.strip(making.arch(268, 262, 80, 140), 34)), (0, 0), 5)[..., None]
    rgb = making.photograph(making.put(making.sweep(*SHAPE, 0.4) * (1 - depth * shade), truth, (0.13, 0.1, 0.1)), noise=0.002)
    found = outlined(rgb)
    assert not found.mask[170:235, 200:280].any()
    assert iou(found.mask, truth) > 0.97


def test_ground_between_two_gaps_is_open_where_it_is_unlike_what_lies_above_it():
    """Three windows in a frame, on ground that a lamp lights in a band: around the middle one lies no other ground of that band than the two beside it."""
    bars = [making.cover(SHAPE, [(x, 110), (x + 8, 110), (x + 8, 260), (x, 260)]) for x in (80, 150, 322, 392)]
    truth = np.maximum(np.max(bars, axis=0), making.cover(SHAPE, [(80, 110), (400, 110), (400, 122), (80, 122)], [(80.0, 250), (400, 250), (390, 510), (90, 510)]))
    rows = np.arange(SHAPE[0])[:, None, None]
    ground = 0.08 * (1 + 0.3 * np.exp(-(((rows - 185) / 60.0) ** 2))) * np.ones((*SHAPE, 3))
    found = outlined(making.photograph(making.put(ground, truth, (0.3, 0.22, 0.12)), noise=0.002))
    assert not found.mask[140:235, 168:312].any() and not found.mask[140:235, 95:142].any()
    assert iou(found.mask, truth) > 0.97


def white_bag(light, relief):
    """A bag of the sweep's own light and colour, with a red rim and handle, and folds that make it lighter and darker by a share."""
    truth, trim = making.cover(SHAPE, BODY, HANDLE), making.cover(SHAPE, HANDLE, [(120, 250), (360, 250), (360, 290), (120, 290)])
    ground = making.sweep(*SHAPE)
    folds = cv2.GaussianBlur(np.random.default_rng(5).normal(size=SHAPE), (0, 0), 9)
    body = np.clip(light * ground * (1 + relief * folds / folds.std())[..., None], 0, 1)
    colour = making.put(body, trim, (0.2, 0.04, 0.03))
    return making.photograph(making.put(ground, truth, colour, making.soft_shadow(truth, 0.4, 10, 5)), noise=0.003), truth


@pytest.mark.parametrize("light", [1.0, 0.95])
def test_an_outline_that_the_background_has_run_into_is_not_trusted(light):
    rgb, truth = white_bag(light, 0.1)
    found = outlined(rgb)
    assert iou(found.mask, truth) > 0.95 or (found.confidence < CONFIDENCE_LIMIT and found.reason)


@pytest.mark.parametrize(("light", "relief"), [(0.8, 0.0), (0.8, 0.1), (0.85, 0.0), (0.5, 0.1)])
def test_the_smooth_edge_of_a_pale_product_is_trusted(light, relief):
    rgb, truth = white_bag(light, relief)
    found = outlined(rgb)
    assert iou(found.mask, truth) > 0.97 and found.confidence > 0.8


def test_a_ring_beside_the_product_belongs_to_its_box():
    ring = making.strip(making.arch(378, 360, 14, 14), 5)
    truth = making.cover(SHAPE, BODY, ring)
    rgb = making.photograph(making.put(making.sweep(*SHAPE), truth, (0.1, 0.1, 0.1), making.soft_shadow(truth, 0.4, 10, 5)), noise=0.003)
    columns = np.flatnonzero((truth > 0.5).any(axis=0))
    assert outlined(rgb).box[2] * SHAPE[1] == pytest.approx(columns[-1] + 1, abs=2)


def test_a_side_that_shows_no_edge_at_all_is_product_up_to_where_its_tint_ends():
    tab = making.cover(SHAPE, [(90, 290), (136, 290), (136, 302), (90, 302)])
    body = making.cover(SHAPE, BODY)
    tint = np.array((1.0, 0.997, 0.965))
    tint /= tint @ (0.2126, 0.7152, 0.0722)  # luminance by ITU-R BT.709: left of the seam it is the backdrop's own
    columns = np.arange(SHAPE[1])
    shade = np.where(columns < 158, 1.0, np.where(columns < 161, 0.2, 0.75))[None, :, None]
    soft = cv2.GaussianBlur(body, (0, 0), 2.0)[..., None]  # no sharp edge of tint
    ground = making.sweep(*SHAPE)
    rgb = making.photograph(making.put(ground * (1 - soft + soft * tint * shade), tab, (0.03, 0.03, 0.03)), noise=0.003)
    found = outlined(rgb)
    assert found.mask[310:480, 134:156].mean() > 0.95
    assert iou(found.mask, np.maximum(body, tab)) > 0.95


@pytest.mark.parametrize("level", [0.67, 0.69])
def test_a_white_stripe_in_a_coloured_product_is_no_gap(level):
    truth = making.cover(SHAPE, BODY, HANDLE)
    stripe = making.cover(SHAPE, [(150, 270), (170, 270), (170, 490), (150, 490)])
    ground = making.sweep(*SHAPE)
    rgb = making.photograph(making.put(making.put(ground, truth, (0.2, 0.03, 0.03)), stripe, (level, level, level)), noise=0.003)
    found = outlined(rgb)
    assert found.mask[280:480, 152:168].all() and not found.mask[200:235, 220:260].any()
