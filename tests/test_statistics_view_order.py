"""The order of a product's views in capture time as evidence of exchanged names: made-up time tables."""

import pandas as pd
import pytest
from catalogue_audit.measures.geometry.strap import EVIDENCE
from catalogue_audit.statistics.geometry.strap_picture import Shape, strap_state
from catalogue_audit.statistics.geometry.strap_states import strap_states, usual_state
from catalogue_audit.statistics.geometry.view_order import order_votes
from catalogue_audit.statistics.matching.swapped_views import strap_votes
from catalogue_audit.statistics.styles import style_families
from catalogue_audit.statistics.tables import table_from_rows

USUAL = ("three_quarter", "front", "detail", "back")


def shoot(orders, timed=True):
    """Frames of one product after the other, each with its views in the order given, a minute apart."""
    rows = []
    for number, views in enumerate(orders):
        for place, view in enumerate(views):
            at = f"2026-03-02T{9 + number:02d}:{place:02d}:00"
            rows.append({"file": f"P{number}_{view}.jpg", "sku": f"P{number}", "view": view, "captured_at": at if timed else None})
    return table_from_rows("frames", sorted(rows, key=lambda row: row["file"]))


def test_names_exchanged_across_another_view_are_told_by_the_order():
    votes = order_votes(shoot([USUAL] * 11 + [("three_quarter", "back", "detail", "front")]))
    assert votes["P11"] <= -1
    assert all(votes[f"P{number}"] > 0 for number in range(11))


def test_two_views_taken_one_after_the_other_tell_less():
    """The photographer may have turned that bag to its back first."""
    usual = ("three_quarter", "front", "back", "detail")
    votes = order_votes(shoot([usual] * 6 + [("three_quarter", "back", "front", "detail")]))
    assert -1 < votes["P6"] < 0


@pytest.mark.parametrize("odd", [("back", "three_quarter", "front", "detail"), ("back", "detail", "front", "three_quarter")])
def test_another_order_that_no_exchange_of_the_two_explains_says_nothing(odd):
    assert "P6" not in order_votes(shoot([USUAL] * 6 + [odd]))


def test_a_house_without_an_order_and_pictures_without_times_say_nothing():
    other = ("back", "detail", "front", "three_quarter")
    assert order_votes(shoot([USUAL, other] * 4)) == {}
    assert order_votes(shoot([USUAL] * 6 + [other], timed=False)) == {}
    assert order_votes(shoot([USUAL] * 3)) == {}


def test_the_product_that_is_judged_is_no_witness():
    """Four others agree; with itself the share would be lower and the rule unsure."""
    votes = order_votes(shoot([USUAL] * 4 + [("three_quarter", "back", "detail", "front")]))
    assert votes["P4"] <= -1


def test_exchanged_straps_speak_against_the_names():
    pairs = {f"P{number}": (2 * number, 2 * number + 1) for number in range(6)}
    straps = {row: state for front, back in pairs.values() for row, state in ((front, "front"), (back, "none"))}
    straps[10], straps[11] = "none", "front"
    assert strap_votes(straps, pairs) == {**{f"P{number}": 1.0 for number in range(5)}, "P5": -1.0}
    assert strap_votes({row: "front" for row in straps}, pairs) == {}


def test_a_rule_survives_faults_of_several_kinds_but_not_a_second_habit():
    assert usual_state(pd.Series(["front"] * 4 + ["behind", "draped", "none"])) == "front"
    assert usual_state(pd.Series(["front"] * 7 + ["behind"] * 3)) == "front"
    assert usual_state(pd.Series(["front"] * 6 + ["behind"] * 4)) is None
    assert usual_state(pd.Series(["front"] * 4)) is None


def evidence(contrast, curve, stub):
    values = dict.fromkeys(EVIDENCE, 0.0) | {"contrast": contrast, "curve": curve, "stub_left": stub, "stub_right": stub}
    return [values[name] for name in EVIDENCE]


@pytest.mark.parametrize(("contrast", "state"), [(0.48, "front"), (0.42, "front"), (0.3, "behind")])
def test_a_faint_strap_is_judged_beside_the_styles_others(contrast, state):
    """A bucket's cord makes curves of its own: 0.42 is in front where the others show 0.6, 0.3 is not."""
    rows, sketches = [], {}
    for sku, clear in (("A-1", 0.62), ("A-2", 0.64), ("A-3", contrast)):
        for view, values in (("front", evidence(clear, 1.7 if clear > 0.6 else 1.1, 0.17)), ("back", evidence(0.1, 0.4, 0.06))):
            file = f"{sku}_{view}.jpg"
            rows.append({"file": file, "sku": sku, "view": view, "view_kind": "upright"})
            sketches[file] = {"strap": values}
    frames = table_from_rows("frames", sorted(rows, key=lambda row: row["file"]))
    products = pd.DataFrame({"sku": ["A-1", "A-2", "A-3"], "strap": "detachable"})
    states = dict(zip(frames["file"], strap_states(frames, sketches, products), strict=True))
    assert states["A-3_front.jpg"] == state
    assert states["A-1_front.jpg"] == "front" and states["A-3_back.jpg"] == "none"


def test_a_strap_held_up_is_told_from_the_handle_of_a_hobo():
    """Both stand as one wide band above the body in every picture; only a hobo's edge hangs between its ends, as its straight-on pictures show."""
    wide = {"arch_height": 1.0, "arch_span": 0.9, "arch_bands": 1.0, "arch_thickness": 0.02}
    evidence = dict.fromkeys(EVIDENCE, 0.0) | wide
    assert strap_state(evidence, shape=Shape(height=1.0, span=0.9, hollow=-0.02)) == "held_up"
    assert strap_state(evidence, view="three_quarter", shape=Shape(height=1.0, span=0.9, hollow=0.15)) == "none"


def test_skus_of_one_part_are_styles_of_their_own():
    frames = pd.DataFrame({"style": None, "sku": ["A-1", "A_2", "T5504", "T5512"]})
    assert style_families(frames).tolist() == ["A", "A", "T5504", "T5512"]
