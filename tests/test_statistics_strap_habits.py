"""Straps beside the set's habit: which of a product's two pictures of the face is the odd one."""

import pandas as pd
import pytest

from catalogue_audit.measures.geometry.strap import EVIDENCE
from catalogue_audit.statistics.geometry.strap_habits import slips
from catalogue_audit.statistics.geometry.strap_picture import Shape, held_up


def _frames(products):
    """A front and a three-quarter view of each of some products: sku -> style, states, confidence of the outlines."""
    rows = [
        (f"{sku}_{view}.jpg", sku, style, view, state, sure)
        for sku, (style, *states, sure) in products.items()
        for view, state in zip(("front", "three_quarter"), states, strict=True)
    ]
    return pd.DataFrame(rows, columns=["file", "sku", "style", "view", "strap_state", "outline_confidence"])


HELD = {f"H-{number}": (f"style {number}", "held_up", "held_up", 1.0) for number in range(3)}
BY_VIEW = {f"V-{number}": (f"style {number}", "front", "held_up", 1.0) for number in range(3)}


@pytest.mark.parametrize(
    "states, odd", [(("front", "held_up"), "front"), (("held_up", "front"), "three_quarter"), (("none", "held_up"), "front"), (("held_up", "held_up"), None)]
)
def test_the_picture_that_differs_from_the_other_products_is_the_odd_one(states, odd):
    told = slips(_frames(HELD | {"X": ("another", *states, 1.0)}))
    assert told == ({} if odd is None else {f"X_{odd}.jpg": "held_up"})


def test_a_house_may_show_its_straps_otherwise_in_each_view():
    assert slips(_frames(BY_VIEW)) == {}


def test_a_habit_that_nothing_shows_condemns_nothing():
    others = {"A": ("a", "front", "front", 1.0), "B": ("b", "behind", "behind", 1.0)}
    assert slips(_frames(others | {"X": ("another", "draped", "behind", 1.0)})) == {}


def test_an_unsure_outline_condemns_nothing():
    assert slips(_frames(HELD | {"X": ("another", "front", "held_up", 0.9)})) == {}


def test_an_arch_in_all_pictures_is_a_bucket_s_handle_and_a_broad_one_in_this_alone_a_strap():
    arch = dict.fromkeys(EVIDENCE, 0.0) | {"arch_height": 0.45, "arch_span": 0.85, "arch_bands": 1.0, "arch_thickness": 0.04, "arch_slimness": 11.0}
    assert held_up(arch, False)
    assert not held_up(arch, False, Shape(height=0.43, span=0.85))
    broad = arch | {"arch_height": 0.63, "arch_thickness": 0.055, "arch_slimness": 7.5}
    assert not held_up(broad, False, Shape(height=0.6, span=0.85))
    assert held_up(broad, False, Shape(height=0.0))
    assert not held_up(broad, False, Shape(height=0.0), sure=False)  # the body may be lost in part
