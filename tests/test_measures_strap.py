"""Straps painted in known states."""

import making
import numpy as np
import pytest
from catalogue_audit.measures.geometry import hanging as hanging_module
from catalogue_audit.measures.geometry.strap import EVIDENCE, strap_facts
from catalogue_audit.measures.segmentation.backdrop import fit_backdrop
from catalogue_audit.measures.segmentation.outline import find_outline
from catalogue_audit.statistics.geometry.strap_picture import Shape, strap_state

SHAPE = (640, 560)
BODY = np.array([(150.0, 290), (410, 290), (400, 540), (160, 540)])


HOBO = np.array([(150.0, 290), (186, 290), (230, 340), (280, 350), (330, 340), (374, 290), (410, 290), (400, 540), (160, 540)])  # its middle 60 px below its corners


def evidence_of(*straps, hanging=None, body=BODY, checks=0):
    truth = making.cover(SHAPE, body, *straps)
    colour = np.zeros((*SHAPE, 3), np.float32) + np.float32((0.2, 0.05, 0.03))
    if checks:
        y, x = np.indices(SHAPE) // checks
        colour[(x + y) % 2 == 0] = (0.1, 0.12, 0.2)
    if hanging is not None:
        across = making.cover(SHAPE, hanging)[..., None]
        colour = colour * (1 - across) + np.float32((0.05, 0.012, 0.008)) * across
    picture = making.picture_of(making.photograph(making.put(making.sweep(*SHAPE), truth, colour)))
    facts = strap_facts(picture, find_outline(picture, fit_backdrop(picture)))
    return dict(zip(EVIDENCE, facts["strap"].tolist()))


def state_of(*straps, hanging=None, checks=0, **known):
    return strap_state(evidence_of(*straps, hanging=hanging, checks=checks), **known)


def test_a_bare_bag_has_no_strap():
    assert state_of() == "none"


def test_a_strap_held_up_over_handles_is_told_from_them():
    handle = making.strip(making.arch(280, 294, 60, 80), 11)
    assert state_of(handle, making.strip(making.arch(280, 294, 122, 250), 8)) == "held_up"
    assert state_of(handle) == "none"


def test_a_strap_held_up_alone_is_told_by_its_width_and_a_hobo_by_its_hollow_edge():
    assert state_of(making.strip(making.arch(280, 294, 122, 200), 8)) == "held_up"
    hobo = evidence_of(making.strip(making.arch(280, 294, 122, 200), 8), body=HOBO)
    assert 60 / 250 <= hobo["hollow"] <= 60 / 190 and strap_state(hobo) == "none"  # of the height below the first wide row


def test_a_strap_laid_over_the_bag_slants_and_a_handle_does_not():
    """Heights of the two halves differ in the mean by what a straight slope from a steep end gives: half its fall."""
    laid = evidence_of(making.strip(np.array([(190.0, 294), (200, 240), (220, 232), (300, 250), (390, 290)]), 5))
    assert laid["arch_slant"] > 0.2 and laid["arch_thickness"] == pytest.approx(5 / 260, abs=0.004)
    assert strap_state(laid) == "draped"
    handle = evidence_of(making.strip(making.arch(280, 294, 95, 62), 5))
    assert handle["arch_slant"] < 0.03 and strap_state(handle) == "none"


def test_two_crowns_beside_each_other_show_a_valley():
    both = evidence_of(*(making.strip(making.arch(x, 294, 60, 80), 9) for x in (235, 325)))
    assert both["arch_valley"] > 0.2 and evidence_of(making.strip(making.arch(280, 294, 60, 80), 9))["arch_valley"] < 0.02


def test_a_wrist_strap_is_none_and_a_piece_of_a_strap_below_the_base_is_no_coil():
    angle = np.linspace(0, 2 * np.pi, 60)
    loop = making.strip(np.stack([424 + 18 * np.cos(angle), 400 + 80 * np.sin(angle)], 1), 7)
    evidence = evidence_of(loop)
    assert evidence["beside_right"] > 0.0015 and evidence["beside_begins"] == pytest.approx((320 - 290) / 250, abs=0.05)
    assert strap_state(evidence) == "none"
    piece = making.strip(np.array([(255.0, 552), (305, 552)]), 8)
    assert evidence_of(piece)["apart"] == 0.0


def hanging(x):
    return np.stack([x, 320 + 150 * (1 - ((x - 280) / 126) ** 2)], 1)


def test_a_ribbon_is_told_from_an_edge_and_on_a_pattern():
    x = np.linspace(154, 406, 80)
    ribbon = evidence_of(hanging=making.strip(hanging(x), 8))
    flap = evidence_of(hanging=np.concatenate([hanging(x), [(406, 292), (154, 292)]]))
    assert ribbon["ribbon"] > 0.4 > 2 * ribbon["ribbon_by_chance"]
    assert flap["curve"] > 1.65 and flap["ribbon"] < 0.3
    assert state_of(hanging=making.strip(hanging(x), 8), checks=31) == "front"
    assert state_of(checks=31) == "none"


def test_a_coil_beside_the_bag_is_coiled():
    angle = np.linspace(0, 2 * np.pi, 60)
    assert state_of(np.stack([480 + 34 * np.cos(angle), 522 + 16 * np.sin(angle)], 1)) == "coiled"


def test_a_strap_across_the_front_is_in_front():
    x = np.linspace(154, 406, 80)
    path = np.stack([x, 320 + 150 * (1 - ((x - 280) / 126) ** 2)], 1)
    assert state_of(hanging=making.strip(path, 10)) == "front"


def standing_out(length):
    """Parts of a painted length along both sides of the body, near its upper corners; the body is 250 px high."""
    return [making.strip(np.array([[x, 320.0], [x, 320 + length]]), 8) for x in (148, 412)]


def test_a_strap_behind_the_body_is_told_by_what_stands_out_beside_its_rings():
    rings, both = evidence_of(*standing_out(10)), evidence_of(*standing_out(34))
    assert both["stub_left"] - rings["stub_left"] == pytest.approx(24 / 250, abs=0.02)
    assert strap_state(both, has_strap=True) == "behind"
    assert strap_state(rings, has_strap=True) == "none"


def test_a_strap_that_hangs_down_beside_the_bag_is_no_ring():
    handle = making.strip(making.arch(280, 294, 60, 80), 11)
    down = making.strip(np.array([[420.0, 330], [432, 430], [425, 530]]), 8)
    assert state_of(handle, down, has_strap=True) == "draped"


def test_the_edge_of_a_flap_is_no_strap():
    x = np.linspace(154, 406, 80)
    flap = np.stack([x, np.minimum(320 + 150 * (1 - ((x - 280) / 126) ** 6), 420)], 1)
    assert state_of(hanging=making.strip(flap, 4), has_strap=True) == "none"


def test_without_a_product_there_is_a_reason():
    picture = making.picture_of(making.photograph(making.sweep(*SHAPE)))
    assert strap_facts(picture, find_outline(picture, fit_backdrop(picture)))["reasons"]


@pytest.mark.parametrize(("span", "beside", "state"), [(0.7, 0.001, "draped"), (0.4, 0.001, "none"), (0.7, 0.0, "none")])
def test_a_thin_strap_is_draped_where_it_passes_above_the_handle(span, beside, state):
    """Two handles, or one raised, stand closer together; in a turned view two wide ones show nothing beside the body."""
    evidence = dict.fromkeys(EVIDENCE, 0.0) | {"arch_height": 0.21, "arch_span": span, "arch_bands": 2.0, "beside_left": beside, "beside_begins": 0.3}
    assert strap_state(evidence) == state


TURNED_BODY = np.array([(150.0, 300), (230, 310), (410, 285), (405, 515), (228, 545), (155, 520)])  # its side on the left, its face from 230 on


@pytest.mark.parametrize("mirrored", [False, True])
def test_a_ribbon_across_the_face_of_a_turned_bag_hangs_beside_its_side(mirrored):
    """The face takes the farther two thirds of the width, and its far end stands higher, as of a box seen from above its corner."""
    x = np.linspace(240, 395, 50)
    strap = np.column_stack([x, 450 - 130 * np.abs((x - 317) / 88) ** 2.2 - 0.12 * (x - 317)])
    body = TURNED_BODY
    if mirrored:
        strap, body = (np.column_stack([560 - part[:, 0], part[:, 1]]) for part in (strap, body))
    seen = evidence_of(hanging=making.strip(strap, 7), body=body)
    assert seen["turned_ribbon"] > 0.4 > 2 * seen["turned_by_chance"]
    assert strap_state(seen, view="three_quarter") == "front"
    bare = evidence_of(body=body)
    assert bare["turned_ribbon"] < 0.3 and strap_state(bare, view="three_quarter") == "none"


def test_a_bag_on_a_level_base_has_no_face_beside_its_side():
    x = np.linspace(155, 405, 80)
    assert evidence_of(hanging=making.strip(hanging(x), 8))["turned_ribbon"] == 0


def test_a_strap_whose_crown_lies_beyond_the_frame_is_held_up():
    """Two thin legs at the body's sides alone reach the frame's upper edge; a tote's handles, cut off, stand closer together."""
    legs = [making.strip(np.array([(x, 294.0), (x + way * 12, -10.0)]), 7) for x, way in ((158, 1), (402, -1))]
    assert state_of(*legs) == "held_up"
    handles = [making.strip(np.array([(x, 294.0), (x, -10.0)]), 9) for x in (220, 340)]
    assert state_of(*handles) == "none"


@pytest.mark.parametrize(("curve", "ribbon", "state"), [(2.0, 0.3, "none"), (2.0, 0.34, "front"), (4.0, 0.3, "front")])
def test_a_clear_curve_without_rings_is_a_strap_where_no_pattern_curves_the_other_way_as_well(curve, ribbon, state):
    """Quilting gives curves that hang and curves that stand alike."""
    evidence = dict.fromkeys(EVIDENCE, 0.0) | {"curve": curve, "contrast": 0.9, "ribbon": ribbon, "ribbon_by_chance": 0.28}
    assert strap_state(evidence) == state


@pytest.mark.parametrize(("reach", "rise", "thickness", "state"), [(124, 270, 16, "held_up"), (124, 150, 22, "none")])
def test_a_broad_strap_is_told_from_a_handle_by_how_slim_it_is(reach, rise, thickness, state):
    """Both bands are broader than 4.8 % of the body's width; the strap rises some seventeen times its thickness, the handle seven times."""
    evidence = evidence_of(making.strip(making.arch(280, 294, reach, rise), thickness))
    assert evidence["arch_thickness"] > 0.048 and evidence["arch_slimness"] == pytest.approx(rise / thickness, rel=0.15)
    assert strap_state(evidence) == state


def legs(*sides, foot=60, floor=True):
    """A strap that falls from a ring on a side out to the ground, ``foot`` px from the body's upper corner, and lies in front of the bag."""
    falling = [making.strip(np.array([(280.0 + side * 134, 312), (280 + side * (130 + foot), 535), (280 + side * (110 + foot), 552)]), 11) for side in sides]
    return [*falling, making.strip(np.array([(280.0 - 110 - foot, 552), (280 + 110 + foot, 552)]), 11)] if floor else falling


def test_a_strap_that_falls_to_the_ground_on_both_sides_is_draped():
    evidence = evidence_of(*legs(-1, 1))
    assert min(evidence["falls_left"], evidence["falls_right"]) > 0.4 and strap_state(evidence) == "draped"
    single = evidence_of(*legs(1, floor=False))
    assert single["falls_left"] == 0.0 and single["falls_right"] > 0.4


def test_a_loop_that_comes_back_to_the_body_does_not_fall_to_the_ground():
    loops = [making.strip(np.array([(280.0 + side * 130, 320), (280 + side * 165, 380), (280 + side * 160, 450), (280 + side * 118, 525)]), 11) for side in (-1, 1)]
    evidence = evidence_of(*loops)
    assert evidence["falls_left"] == evidence["falls_right"] == 0.0


@pytest.mark.parametrize(("beside", "fallen", "state"), [(0.006, True, "draped"), (0.006, False, "none"), (0.0, True, "none")])
def test_what_stands_out_low_of_a_turned_body_is_the_strap_that_its_front_shows_on_the_ground(beside, fallen, state):
    evidence = dict.fromkeys(EVIDENCE, 0.0) | {"beside_right": beside}
    assert strap_state(evidence, view="three_quarter", shape=Shape(fallen=fallen)) == state


@pytest.mark.parametrize(("coiled", "state"), [(True, "coiled"), (False, "draped")])
def test_what_stands_out_beside_a_body_is_the_coil_that_another_view_shows_apart(coiled, state):
    """Half hidden by the body it may look like a strap that hangs down from above."""
    evidence = dict.fromkeys(EVIDENCE, 0.0) | {"beside_right": 0.02, "beside_begins": 0.35, "arch_height": 0.6, "arch_span": 0.5, "arch_bands": 2}
    assert strap_state(evidence, shape=Shape(coiled=coiled)) == state


def test_what_hangs_at_rings_is_left_open_where_another_view_shows_the_strap_on_the_ground():
    evidence = dict.fromkeys(EVIDENCE, 0.0) | {"stub_left": 0.18, "stub_right": 0.18}
    assert strap_state(evidence, has_strap=True) == "behind"
    assert strap_state(evidence, has_strap=True, view="back") == "none"  # behind the product, it would be seen across its back
    assert [strap_state(evidence, has_strap=True, view=view, shape=Shape(fallen=True)) for view in ("front", "back")] == [None, None]


def test_a_broad_arch_that_is_taken_for_body_leaves_its_upper_edge_where_it_is():
    """The hollow is looked for below the arch: a straight edge stays straight under a band as broad as a strap of leather on a small bag."""
    assert evidence_of(making.strip(making.arch(280, 294, 122, 260), 22))["hollow"] == pytest.approx(0, abs=0.05)


def test_no_ribbon_is_looked_for_where_nothing_has_edges_along_a_hanging_curve(monkeypatch):
    """The search is the dearest part of what is measured for straps."""
    looked, search = [], hanging_module._ribbon
    monkeypatch.setattr(hanging_module, "_ribbon", lambda *given: looked.append(given) or search(*given))
    bare = evidence_of()
    assert not looked and bare["ribbon"] == bare["ribbon_by_chance"] == 0
    x = np.linspace(150, 410, 50)
    strap = evidence_of(hanging=making.strip(np.stack([x, 340 + 130 * (1 - ((x - 280) / 130) ** 2)], axis=1), 8))
    assert len(looked) == 1 and strap["ribbon"] > max(0.3, 2 * strap["ribbon_by_chance"])
