"""Handle gaps painted with known height."""

import making
import numpy as np
import pytest
from catalogue_audit.measures.geometry.handles import crown_gap, handles_facts
from catalogue_audit.measures.geometry.turned_handles import nested_crowns, right_below_left, side_crowns
from catalogue_audit.measures.segmentation.backdrop import fit_backdrop
from catalogue_audit.measures.segmentation.outline import find_outline

SHAPE = (600, 480)
BODY = np.array([(120.0, 280), (360, 280), (350, 510), (130, 510)])


def gap_of(rise):
    front, rear = making.arch(240, 284, 70, 120), making.arch(240, 284, 68, 120 + rise)
    truth = making.cover(SHAPE, BODY, making.strip(front, 11), making.strip(rear, 11))
    picture = making.picture_of(making.photograph(making.put(making.sweep(*SHAPE), truth, (0.15, 0.03, 0.02))))
    height = 510 - (284 - 120 - max(rise, 0) - 5.5)
    return handles_facts(picture, find_outline(picture, fit_backdrop(picture))), rise / height


@pytest.mark.parametrize("rise", [0, 8, 25])
def test_the_gap_is_what_was_painted(rise):
    facts, expected = gap_of(rise)
    assert abs(facts["handle_gap"] - expected) <= 3 * facts["handle_gap_sd"]
    assert facts["handle_gap"] == pytest.approx(expected, abs=0.012)


def test_a_bag_without_handles_has_no_gap_but_a_reason():
    truth = making.cover(SHAPE, BODY)
    picture = making.picture_of(making.photograph(making.put(making.sweep(*SHAPE), truth, (0.15, 0.03, 0.02))))
    facts = handles_facts(picture, find_outline(picture, fit_backdrop(picture)))
    assert "handle_gap" not in facts and facts["reasons"]


@pytest.mark.parametrize(("slope", "alike"), [(0.0, True), (0.5, False)])
def test_a_strap_that_crosses_above_the_handle_is_no_rear_handle(slope, alike):
    """Two handles run parallel; a draped strap slants over the one."""
    mask = np.zeros((300, 300), bool)
    for column in range(100, 200):
        for start in (120, int(95 + slope * (column - 150))):
            mask[start : start + 7, column] = True
    gap = crown_gap(mask, (60, 180, 80.0, 220.0), 280.0)
    assert isinstance(gap, str) != alike
    if alike:
        assert gap[0] == 25 and gap[2]


def turned_handles(raised, thick=11):
    """Two arches side by side, as a turned view shows them, the left one ``raised``; rows of the part above the body at 284."""
    mask = making.cover(SHAPE, making.strip(making.arch(225, 284, 70, 120 + raised), 11), making.strip(making.arch(258, 284, 68, 120), thick)) > 0.5
    rows, columns = np.flatnonzero(mask[:284].any(axis=1)), np.flatnonzero(mask[:284].any(axis=0))
    return mask[rows[0] : 284, columns[0] : columns[-1] + 1]


@pytest.mark.parametrize("raised", [34, 44])
def test_in_a_turned_view_the_crown_under_a_raised_handle_is_found(raised):
    crowns = nested_crowns(turned_handles(raised))
    assert crowns["left_crown"] == 0
    assert crowns["right_crown"] == pytest.approx(raised, abs=2)


@pytest.mark.parametrize(("raised", "thick"), [(0, 11), (6, 11), (35, 30)])
def test_level_handles_that_cross_or_a_strap_over_a_handle_are_not_nested(raised, thick):
    assert nested_crowns(turned_handles(raised, thick)) == {}


def test_a_handle_both_of_whose_legs_show_below_stands_under_a_strap():
    mask = making.cover(SHAPE, making.strip(making.arch(240, 284, 150, 130), 11), making.strip(making.arch(250, 284, 50, 90), 11)) > 0.5
    assert nested_crowns(mask[150:284, 85:395]) == {}


@pytest.mark.parametrize("raised", [-22, 0, 12, 22, 30])
def test_how_far_one_of_two_handles_is_raised_is_told_by_the_widths_between_their_legs(raised):
    """Two equal arches, the one on the left raised; its crown hides the other's from 20 px on."""
    arch = making.cover(SHAPE, making.strip(making.arch(225, 284 - raised, 70, 120), 9), making.strip(making.arch(262, 284, 70, 120), 9)) > 0.5
    region = (int(np.flatnonzero(arch.any(axis=1))[0]), 284 - max(raised, 0), 150.0, 337.0)
    lower, sd = right_below_left(arch, region)
    assert lower == pytest.approx(raised, abs=max(3 * sd, 2.0)) and sd < 3.0
    if raised >= 20:
        crowns = side_crowns(arch, region)
        assert crowns["right_crown"] - crowns["left_crown"] == pytest.approx(raised, abs=3)


def legs_that_part(broader_px):
    """Mask of the legs of two level handles that part by 0.6 px a row; one of them ``broader_px`` broader on its outer side, which moves its middle by half of that."""
    mask = np.zeros((140, 480), bool)
    for row in range(20, 140):
        half = 40 + 0.3 * (row - 20)
        for middle, extra in ((200 - half, 0), (245 - half, 0), (200 + half, broader_px), (245 + half, 0)):
            mask[row, round(middle - 5) : round(middle + 5) + extra] = True
    return mask


def test_legs_that_look_unlike_leave_it_open_which_of_two_handles_is_raised():
    region = (20, 140, 110.0, 330.0)
    (level, alike_sd), (lower, sd) = (right_below_left(legs_that_part(broader_px), region) for broader_px in (0, 12))
    assert abs(level) < 2 < abs(lower) < 2 * sd
    assert sd > 1.1 * alike_sd  # half of the added breadth moves one middle; a quarter of it is stated


@pytest.mark.parametrize(("half_width", "twin"), [(68, True), (80, True), (120, False)])
def test_an_arch_that_stands_wider_above_the_handle_is_a_strap(half_width, twin):
    """A strap held up springs from the bag's sides; a second handle has the first one's width, whatever it is raised by."""
    mask = making.cover(SHAPE, making.strip(making.arch(240, 284, half_width, 160), 9), making.strip(making.arch(240, 284, 70, 120), 9)) > 0.5
    gap = crown_gap(mask, (120, 284, 240.0 - half_width, 240.0 + half_width), 390.0)
    assert isinstance(gap, str) != twin
    if twin:
        assert gap[0] == pytest.approx(40, abs=1)


@pytest.mark.parametrize(("half_width", "thick", "twin"), [(70, 9, True), (66, 9, True), (100, 9, False), (70, 4, False)])
def test_a_handle_folded_down_to_the_front_shows_as_an_arch_on_the_same_feet(half_width, thick, twin):
    """However far its crown lies below the other one's; a strap springs from farther out, or is thinner."""
    upper, lower = making.arch(240, 284, half_width, 160), making.arch(240, 284, 70, 60)
    mask = making.cover(SHAPE, making.strip(upper, thick), making.strip(lower, 9)) > 0.5
    gap = crown_gap(mask, (119, 284, 240.0 - half_width, 240.0 + half_width), 390.0)
    assert (not isinstance(gap, str) and gap[2]) == twin
    if twin:
        assert gap[0] == pytest.approx(100, abs=1)
