"""A table's edge behind the product against painted truth: where it is, the outline across it, and what is none."""

import cv2
import making
import numpy as np
import pytest
from catalogue_audit.measures.photometry.background import background_facts
from catalogue_audit.measures.records import CONFIDENCE_LIMIT
from catalogue_audit.measures.segmentation.backdrop import fit_backdrop
from catalogue_audit.measures.segmentation.horizon import find_horizon
from catalogue_audit.measures.segmentation.outline import find_outline
from catalogue_audit.measures.segmentation.shadow import shadow_kind
from catalogue_audit.pixels.working import lightness_of

SHAPE = (600, 480)
BODY = np.array([(120.0, 250), (360, 250), (348, 510), (132, 510)])
HANDLE = making.strip(making.arch(240, 254, 70, 110), 9)
COLOURS = [(0.2, 0.04, 0.03), (0.02, 0.02, 0.02), (0.05, 0.08, 0.3), (0.45, 0.3, 0.05)]


def room(left, right, wall=0.35, table=0.62, shape=SHAPE):
    """Wall above a line, table below it; linear light."""
    height, width = shape
    line = left + (right - left) * (np.arange(width) + 0.5) / width
    share = np.clip(np.arange(height)[:, None] + 1 - line, 0, 1)[..., None]
    return making.sweep(*shape, wall) * (1 - share) + making.sweep(*shape, table) * share


def bag_in(background, colour=COLOURS[0], blur=0.7):
    truth = making.cover(SHAPE, BODY, HANDLE)
    return making.photograph(making.put(background, truth, colour, making.soft_shadow(truth, 0.4, 10, 5)), noise=0.003, blur=blur), truth


@pytest.mark.parametrize("ends", [(360.0, 360.0), (350.3, 362.9), (300.0, 282.0)])
@pytest.mark.parametrize("blur", [0.5, 1.5])
def test_the_line_is_found_to_a_pixel(ends, blur):
    rgb, _ = bag_in(room(*ends), blur=blur)
    found, _ = find_horizon(making.picture_of(rgb))
    assert np.abs(np.multiply(found, SHAPE[0]) - ends).max() < 1.0


@pytest.mark.parametrize("colour", COLOURS)
@pytest.mark.parametrize(("wall", "table"), [(0.35, 0.62), (0.7, 0.4), (0.5, 0.95)])
def test_the_outline_crosses_the_line(colour, wall, table):
    rgb, truth = bag_in(room(352.0, 360.0, wall, table), colour)
    picture = making.picture_of(rgb)
    backdrop = fit_backdrop(picture)
    outline = find_outline(picture, backdrop)
    assert backdrop.horizon is not None
    assert outline.confidence > 0.8
    assert np.sum(outline.mask & (truth > 0.5)) / np.sum(outline.mask | (truth > 0.5)) > 0.97
    rows, columns = np.flatnonzero((truth > 0.5).any(axis=1)), np.flatnonzero((truth > 0.5).any(axis=0))
    box = columns[0] / 480, rows[0] / 600, (columns[-1] + 1) / 480, (rows[-1] + 1) / 600
    assert np.abs(np.subtract(outline.box, box)).max() < 0.008


def test_the_background_is_the_wall_wherever_the_line_is():
    levels = []
    for height in (300.0, 400.0, 480.0):
        picture = making.picture_of(bag_in(room(height, height))[0])
        backdrop = fit_backdrop(picture)
        levels.append(background_facts(picture, backdrop, find_outline(picture, backdrop)))
    assert np.ptp([facts["background_L"] for facts in levels]) < 1.5
    assert max(facts["background_spread"] for facts in levels) < 12  # the sweeps' own fall-off; wall and table differ by 20


@pytest.mark.parametrize("light", [lambda y: 1 - 1.6 * np.maximum(y - 0.35, 0) ** 2, lambda y: np.where(y < 0.6, 1 - 0.5 * (0.6 - y), 1.0)])
def test_a_table_is_as_even_as_the_light_along_it(light):
    falls = light((np.arange(600) + 0.5) / 600)[:, None, None]
    levels = []
    for background in (room(360.0, 360.0), room(360.0, 360.0, table=0.35)):
        picture = making.picture_of(bag_in(background * falls)[0])
        backdrop = fit_backdrop(picture)
        facts = background_facts(picture, backdrop, find_outline(picture, backdrop))
        levels.append((backdrop.horizon is None, facts["sketch"]["backdrop"][:, 0], facts["background_spread"]))
    (before_wall, table, spread), (one, sweep, even) = levels
    assert one and not before_wall
    assert np.nanmax(np.abs(table - sweep)) < 1.5
    assert spread < even + 1.5


def test_a_table_lit_from_one_side_is_still_a_table():
    wall = room(352.0, 352.0, 0.35, 0.35)
    across = (np.arange(SHAPE[1]) / SHAPE[1])[None, :, None]
    rgb, truth = bag_in(wall + (room(352.0, 352.0) - wall) * (1 - 0.7 * across))
    picture = making.picture_of(rgb)
    _, (left, right) = find_horizon(picture)
    assert left > 2.5 * right
    backdrop = fit_backdrop(picture)
    mask = find_outline(picture, backdrop).mask
    assert backdrop.horizon is not None
    assert np.sum(mask & (truth > 0.5)) / np.sum(mask | (truth > 0.5)) > 0.97


def shaded_room(line, places, softness, left=1.0, right=0.72):
    """A grey wall over a lighter table, whose step grows weaker to the right; shadows on the table, at some places (polygons), take half of its light."""
    across = left + (right - left) * (np.arange(SHAPE[1]) / SHAPE[1])[None, :, None]
    wall = room(line, line, 0.35, 0.35)
    cast = cv2.GaussianBlur(making.cover(SHAPE, *places), (0, 0), softness)[..., None]
    cast[: int(line) + 1] = 0
    return (wall + (room(line, line, 0.35, 0.5) - wall) * across) * (1 - 0.5 * cast)


def bag_on(background, colour=COLOURS[0]):
    truth = making.cover(SHAPE, BODY, HANDLE)
    picture = making.picture_of(making.photograph(making.put(background, truth, colour), noise=0.003))
    backdrop = fit_backdrop(picture)
    return backdrop, find_outline(picture, backdrop), truth


@pytest.mark.parametrize("softness", [2.0, 3.0])
def test_a_shadow_that_is_steeper_than_the_line_at_one_side_does_not_hide_it(softness):
    """The hard shadow of a lamp at the left falls to the right of the product, and out of the frame: its upper edge is a larger step than the table's."""
    background = shaded_room(352.0, [[(300.0, 430), (520, 415), (520, 470), (300, 505)]], softness)
    backdrop, outline, truth = bag_on(background)
    assert backdrop.horizon is not None
    assert np.abs(np.multiply(backdrop.horizon, SHAPE[0]) - 352).max() < 1.0
    assert np.sum(outline.mask & (truth > 0.5)) / np.sum(outline.mask | (truth > 0.5)) > 0.97


def test_steps_as_high_on_both_sides_that_differ_in_kind_are_no_line():
    """A dark thing that ends at some height at the left, beside a lighter one that ends there at the right."""
    linear = making.sweep(*SHAPE, 0.4)
    linear[352:, :60], linear[352:, -60:] = 0.1, 0.55
    linear[430:, -60:] = 0.2
    assert find_horizon(making.picture_of(making.photograph(linear, noise=0.003)))[0] is None


@pytest.mark.parametrize("colour", COLOURS)
def test_the_table_is_told_by_its_light_where_most_of_it_beside_the_product_lies_in_shadow(colour):
    """Below the line a strip of the table is lit, then comes the product's shadow, out of the frame: the lit strip is table, and no product."""
    background = shaded_room(352.0, [[(-60.0, 392), (200, 385), (200, 500), (-60, 640)]], 2.0)
    backdrop, outline, truth = bag_on(background, colour)
    assert backdrop.horizon is not None
    beside = backdrop.at(SHAPE)[0][360:380, :100] - lightness_of(background[360:380, :100])
    assert np.abs(beside).max() < 3.0
    columns = np.flatnonzero((truth > 0.5).any(axis=0))
    assert np.abs(outline.box[0] - columns[0] / 480) < 0.008
    assert np.sum(outline.mask & (truth > 0.5)) / np.sum(outline.mask | (truth > 0.5)) > 0.97


@pytest.mark.parametrize("softness", [2.0, 4.0])
@pytest.mark.parametrize("colour", COLOURS)
def test_a_tables_edge_out_of_focus_behind_the_product_is_a_line_too(colour, softness):
    rgb, truth = bag_in(cv2.GaussianBlur(room(352.0, 360.0), (0, 0), softness), colour)
    picture = making.picture_of(rgb)
    backdrop = fit_backdrop(picture)
    outline = find_outline(picture, backdrop)
    assert backdrop.horizon is not None
    assert outline.confidence > 0.8
    assert np.sum(outline.mask & (truth > 0.5)) / np.sum(outline.mask | (truth > 0.5)) > 0.97


@pytest.mark.parametrize("softness", [25.0, 60.0])
def test_the_bend_of_a_sweep_is_no_line(softness):
    rgb, _ = bag_in(cv2.GaussianBlur(room(352.0, 352.0), (0, 0), softness))
    assert find_horizon(making.picture_of(rgb))[0] is None


def test_a_sweep_has_no_line():
    rgb, _ = bag_in(making.sweep(*SHAPE, 0.6, falloff=0.5))
    assert find_horizon(making.picture_of(rgb))[0] is None


def test_a_strap_across_the_frame_is_no_table():
    linear = making.sweep(*SHAPE)
    linear[300:340] = (0.05, 0.05, 0.05)
    backdrop = fit_backdrop(making.picture_of(making.photograph(linear)))
    assert backdrop.horizon is None


def test_a_pale_bag_under_its_dark_zip_is_no_table():
    linear = making.sweep(*SHAPE)
    linear[310:] = linear[310:] * 0.8
    linear[300:310] = (0.05, 0.05, 0.05)
    assert fit_backdrop(making.picture_of(making.photograph(linear))).horizon is None


def test_what_begins_below_pure_white_is_no_table():
    linear = np.ones((*SHAPE, 3))
    linear[320:] = 0.7
    assert fit_backdrop(making.picture_of(making.photograph(linear, noise=0))).horizon is None


def test_a_coloured_bag_that_fills_the_lower_half_is_no_table():
    linear = making.sweep(*SHAPE)
    linear[320:] = (0.25, 0.05, 0.04)
    assert fit_backdrop(making.picture_of(making.photograph(linear))).horizon is None


def test_a_grained_bag_that_fills_the_lower_half_is_no_table():
    linear = making.sweep(*SHAPE)
    grain = cv2.GaussianBlur(np.random.default_rng(1).standard_normal((280, 480)), (0, 0), 2)
    linear[320:] = (0.4 * (1 + grain))[..., None]
    assert fit_backdrop(making.picture_of(making.photograph(np.clip(linear, 0, 1)))).horizon is None


@pytest.mark.parametrize("height", np.arange(300.0, 304.0, 0.4))
def test_a_sharp_line_is_found_though_noise_chooses_the_steepest_of_its_rows(height):
    rgb = making.photograph(room(height, height), noise=0.003, blur=0.5)
    found, _ = find_horizon(making.picture_of(rgb))
    assert found is not None
    assert np.abs(np.multiply(found, SHAPE[0]) - height).max() < 0.75


def wooden_table(height=360):
    """A grey wall above a table of wood: its grain runs along it, lighter and darker by a third, in the wood's own colour."""
    random = np.random.default_rng(5)
    grain = cv2.GaussianBlur(random.normal(size=SHAPE), (0, 0), sigmaX=40, sigmaY=1.0)
    wood = np.clip(1 + 0.12 * grain / grain.std(), 0.6, 1.4)[..., None] * np.array((0.42, 0.3, 0.19))
    below = (np.arange(SHAPE[0]) >= height)[:, None, None]
    return np.where(below, wood, making.sweep(*SHAPE, 0.4))


@pytest.mark.parametrize("colour", [(0.02, 0.02, 0.02), (0.05, 0.12, 0.35), (0.2, 0.03, 0.03), (0.7, 0.7, 0.68)])
def test_a_table_of_wood_with_a_hard_shadow_is_no_product(colour):
    truth = making.cover(SHAPE, BODY, HANDLE)
    thrown = cv2.GaussianBlur(making.cover(SHAPE, [(350.0, 470), (460, 480), (460, 520), (340, 508)]), (0, 0), 1.5)
    rgb = making.photograph(making.put(wooden_table() * (1 - 0.5 * thrown)[..., None], truth, colour), noise=0.003)
    picture = making.picture_of(rgb)
    backdrop = fit_backdrop(picture)
    outline = find_outline(picture, backdrop)
    assert backdrop.horizon is not None
    assert outline.confidence > 0.8
    assert np.sum(outline.mask & (truth > 0.5)) / np.sum(outline.mask | (truth > 0.5)) > 0.97


def test_a_brown_bag_that_fills_the_lower_half_behind_two_straps_is_no_table_of_wood():
    straps = making.cover(SHAPE, *([(x, 150), (x + 16, 150), (x + 16, 450), (x, 450)] for x in (150, 310)))
    picture = making.picture_of(making.photograph(making.put(wooden_table(), straps, (0.1, 0.05, 0.02)), noise=0.003))
    assert fit_backdrop(picture).horizon is None


RISE = SHAPE[1] * np.tan(np.radians(1))  # of a camera rolled by one degree


def with_front(background, left, right, face=0.3):
    """A table that ends inside the frame: below a line its front face is seen, and the dark gap below that."""
    height = left + (right - left) * (np.arange(SHAPE[1]) + 0.5) / SHAPE[1]
    share = np.clip(np.arange(SHAPE[0])[:, None] + 1 - height, 0, 1)[..., None]
    below = np.full((*SHAPE, 3), face)
    below[min(int(max(left, right)) + 20, SHAPE[0]) :] *= 0.6
    return background * (1 - share) + below * share


@pytest.mark.parametrize("colour", COLOURS)
@pytest.mark.parametrize("slope", [-RISE, 0.0, RISE])
@pytest.mark.parametrize(("wall", "table", "face"), [(0.35, 0.8, 0.3), (0.6, 0.45, 0.2), (0.35, 0.55, 0.85)])
def test_below_the_tables_front_edge_all_is_ground(colour, slope, wall, table, face):
    front = 552 - slope / 2, 552 + slope / 2
    rgb, truth = bag_in(with_front(room(400 - slope / 2, 400 + slope / 2, wall, table), *front, face), colour)
    picture = making.picture_of(rgb)
    backdrop = fit_backdrop(picture)
    outline = find_outline(picture, backdrop)
    assert backdrop.horizon is not None
    assert np.abs(np.multiply(backdrop.front, SHAPE[0]) - front).max() < 1.0
    assert outline.confidence > 0.8
    assert np.sum(outline.mask & (truth > 0.5)) / np.sum(outline.mask | (truth > 0.5)) > 0.97
    rows, columns = np.flatnonzero((truth > 0.5).any(axis=1)), np.flatnonzero((truth > 0.5).any(axis=0))
    box = columns[0] / 480, rows[0] / 600, (columns[-1] + 1) / 480, (rows[-1] + 1) / 600
    assert np.abs(np.subtract(outline.box, box)).max() < 0.008
    assert outline.touches == ()


@pytest.mark.parametrize("height", [530.0, 560.0, 580.0])
def test_the_front_edge_is_found_where_the_wall_runs_softly_into_the_table(height):
    rgb, truth = bag_in(with_front(cv2.GaussianBlur(room(400, 400, 0.4, 0.5), (0, 0), 40), height, height, 0.2))
    picture = making.picture_of(rgb)
    backdrop = fit_backdrop(picture)
    mask = find_outline(picture, backdrop).mask
    assert backdrop.horizon is None
    assert backdrop.front is not None
    assert np.sum(mask & (truth > 0.5)) / np.sum(mask | (truth > 0.5)) > 0.97


def test_the_background_and_the_shadow_are_those_of_the_table_without_its_front_edge():
    whole = room(400, 400, 0.35, 0.6)
    facts, kinds = [], []
    for background in (whole, with_front(whole, 552, 552)):
        picture = making.picture_of(bag_in(background)[0])
        backdrop = fit_backdrop(picture)
        outline = find_outline(picture, backdrop)
        facts.append(background_facts(picture, backdrop, outline))
        kinds.append(shadow_kind(picture, backdrop, outline))
    assert all(abs(facts[0][name] - facts[1][name]) < 0.5 for name in ("background_L", "background_a", "background_b"))
    assert facts[1]["background_spread"] < facts[0]["background_spread"] + 1.0
    assert kinds[0] == kinds[1]


def test_a_front_edge_behind_something_that_hangs_over_it_is_none_and_the_outline_is_in_doubt():
    background = with_front(room(400, 400, 0.35, 0.8), 552, 552)
    truth = making.cover(SHAPE, BODY, HANDLE, [(200.0, 505), (260, 505), (260, 580), (200, 580)])
    picture = making.picture_of(making.photograph(making.put(background, truth, COLOURS[0]), noise=0.003))
    backdrop = fit_backdrop(picture)
    outline = find_outline(picture, backdrop)
    assert backdrop.front is None
    assert outline.confidence < CONFIDENCE_LIMIT
    assert outline.reason


@pytest.mark.parametrize("tone", [(0.5, 0.5, 0.5), (0.2, 0.04, 0.03), (0.02, 0.02, 0.02)])
def test_a_trim_of_a_bag_that_is_wider_than_the_frame_is_no_front_edge(tone):
    """Wall, bag from side to side with handles above it, its darker trim below: cut off at three sides."""
    linear = making.put(making.sweep(*SHAPE, 0.75), making.cover(SHAPE, [(-5.0, 200), (485, 200), (485, 605), (-5, 605)], HANDLE - [0, 50]), tone)
    linear[500:] = np.multiply(tone, 0.4)
    badge = making.cover(SHAPE, [(130.0, 250), (350, 250), (350, 450), (130, 450)])
    picture = making.picture_of(making.photograph(making.put(linear, badge, (0.6, 0.45, 0.2)), noise=0.003))
    assert fit_backdrop(picture).front is None


@pytest.mark.parametrize("tone", [(0.4, 0.4, 0.42), (0.2, 0.04, 0.03), (0.02, 0.02, 0.02)])
def test_the_lower_edge_of_a_bag_that_fills_the_frame_is_no_front_edge(tone):
    linear = making.sweep(*SHAPE, 0.5)
    linear[:540] = tone
    badge = making.cover(SHAPE, [(130.0, 200), (350, 200), (350, 380), (130, 380)])
    picture = making.picture_of(making.photograph(making.put(linear, badge, (0.6, 0.45, 0.2)), noise=0.003))
    assert fit_backdrop(picture).front is None


@pytest.mark.parametrize("colour", COLOURS)
def test_a_bag_cut_off_at_both_sides_is_no_ledge(colour):
    truth = making.cover(SHAPE, [(-5.0, 250), (485, 250), (485, 470), (-5, 470)], HANDLE)
    picture = making.picture_of(making.photograph(making.put(making.sweep(*SHAPE), truth, colour), noise=0.003))
    outline = find_outline(picture, fit_backdrop(picture))
    assert {"left", "right"} <= set(outline.touches)
    assert outline.confidence >= CONFIDENCE_LIMIT
