"""Which measures apply to which picture, and that every emptied one is explained."""

import pytest

from catalogue_audit import schema
from catalogue_audit.measures.applicability import RULED_OUT, applicable

FACTS = {
    "outline_confidence": 0.95, "left": 0.2, "fill_height": 0.6, "centre_dx": 0.0, "baseline": 0.9, "touches": "",
    "roll_deg": 0.1, "yaw_deg": 30.0, "yaw_sd_deg": 0.5, "camera_pitch_deg": 4.0, "handle_gap": 0.01, "lean_deg": 0.2,
    "product_L": 40.0, "clipped_high": 0.0, "specks": 1, "blur_px": 0.9, "noise": 1.0, "background_L": 94.0,
    "shadow_kind": "contact", "rim_px": 0.0,
}  # fmt: skip


def kept(view, kind, **facts):
    return set(applicable({**FACTS, **facts}, view, kind)[0])


def test_a_three_quarter_view_keeps_turn_height_and_handles_but_no_lean():
    assert set(FACTS) - kept("three_quarter", "upright", turned_handle_gap=(0.01, 0.002, 0.004)) == {"lean_deg"}


@pytest.mark.parametrize(("turn", "gap"), [(30.0, 0.015), (-30.0, -0.025)])
def test_in_a_turned_view_the_rear_handle_is_on_the_side_away_from_the_front(turn, gap):
    facts, _ = applicable({**FACTS, "yaw_deg": turn, "turned_handle_gap": (0.02, 0.005, 0.004)}, "three_quarter", "upright")
    assert facts["handle_gap"] == gap and "turned_handle_gap" not in facts


@pytest.mark.parametrize("view", ["front", "back"])
def test_a_straight_on_view_keeps_lean_and_handles_but_no_camera_height(view):
    assert set(FACTS) - kept(view, "upright") == {"yaw_deg", "yaw_sd_deg", "camera_pitch_deg"}


@pytest.mark.parametrize("view", ["front", "back"])
def test_a_straight_on_view_has_its_own_turn(view):
    facts, reasons = applicable({**FACTS, "straight_on_turn": (1.2, 0.8)}, view, "upright")
    assert (facts["yaw_deg"], facts["yaw_sd_deg"]) == (1.2, 0.8) and not any("turn" in reason for reason in reasons)
    turned, _ = applicable({**FACTS, "straight_on_turn": (1.2, 0.8)}, "three_quarter", "upright")
    assert turned["yaw_deg"] == 30.0 and "straight_on_turn" not in turned


def test_a_crop_keeps_light_and_sharpness_only():
    assert kept("detail", "crop") == {
        "outline_confidence", "product_L", "clipped_high", "specks", "blur_px", "noise", "background_L",
    }  # fmt: skip


def test_seen_from_above_there_is_roll_but_no_turn_lean_or_base_line():
    left = kept("interior", "overhead")
    assert "roll_deg" in left and "left" in left
    assert not left & {"yaw_deg", "lean_deg", "camera_pitch_deg", "handle_gap", "baseline"}


@pytest.mark.parametrize(("view", "kind"), [("interior", "overhead"), ("front", "upright"), (None, "other")])
def test_a_product_that_meets_three_sides_has_no_size_place_or_background_but_still_touches(view, kind):
    """What its outline leaves free may be product as well; that it is cut off stays a finding."""
    whole, cut = kept(view, kind, touches="left bottom"), kept(view, kind, touches="left right bottom")
    assert {"left", "fill_height", "centre_dx", "background_L"} <= whole
    assert not cut & {"left", "fill_height", "centre_dx", "baseline", "background_L"}
    assert {"touches", "product_L", "blur_px"} <= cut
    _, reasons = applicable({**FACTS, "touches": "left right bottom"}, view, kind)
    assert any("three sides" in reason for reason in reasons)


def test_a_detail_may_meet_three_sides_and_keep_the_background_it_shows():
    assert "background_L" in kept("detail", "crop", touches="left right bottom")


def test_a_close_up_of_the_interior_without_a_sure_outline_has_no_background():
    """The same doubt of a front leaves the ground: its product is as light as that, and smaller than the frame."""
    assert "background_L" not in kept("interior", "overhead", outline_confidence=0.2)
    assert "background_L" in kept("front", "upright", outline_confidence=0.2)


@pytest.mark.parametrize(("view", "kind"), [("worn", "worn"), ("target", "target")])
def test_worn_bags_and_targets_keep_nothing_of_the_product(view, kind):
    assert kept(view, kind) == {"outline_confidence", "blur_px", "noise", "background_L"}


def test_an_uncertain_outline_empties_what_rests_on_it_and_says_how_uncertain():
    facts, reasons = applicable({**FACTS, "outline_confidence": 0.31}, "front", "upright")
    assert set(facts) == {"outline_confidence", "blur_px", "noise", "background_L"}
    assert any("0.31" in reason for reason in reasons)


def test_specks_are_counted_all_over_a_crop_whatever_its_outline():
    assert "specks" in kept("detail", "crop", outline_confidence=0.2)
    assert "product_L" not in kept("detail", "crop", outline_confidence=0.2)


@pytest.mark.parametrize("kind", [*schema.VIEW_KINDS, None])
@pytest.mark.parametrize("view", ["front", "three_quarter", "detail", "made_up", None])
def test_whatever_is_emptied_is_explained_and_nothing_is_added_or_changed(view, kind):
    facts, reasons = applicable(FACTS, view, kind)
    assert all(facts[name] == FACTS[name] for name in facts)
    assert bool(reasons) >= (len(facts) < len(FACTS))
    assert len(set(reasons)) == len(reasons)


def test_nothing_measured_needs_no_explanation():
    assert applicable({}, "detail", "crop") == ({}, ())
    assert applicable({"sha256": "0"}, "front", "upright")[1] == ()


@pytest.mark.parametrize(
    ("view", "kind", "columns"),
    [
        ("detail", "crop", ("how the product stands", "margins")),
        ("three_quarter", "upright", ("lean",)),
        ("front", "upright", ("camera's height", "lean")),
        ("side", "upright", ("turn", "camera's height", "handles", "lean")),
    ],
)
def test_what_does_not_apply_is_explained_even_where_nothing_was_measured(view, kind, columns):
    _, reasons = applicable({"outline_confidence": 0.9, "noise": 0.5}, view, kind)
    assert all(any(words in reason for reason in reasons) for words in columns)


def test_the_rules_name_columns_that_exist():
    columns = set(schema.column_names("frames"))
    named = {column for rules in RULED_OUT.values() for group, _ in rules for column in group}
    assert named <= columns and named
