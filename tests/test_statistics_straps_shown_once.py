"""A strap that one picture alone of a product shows, where no other picture of that view shows any."""

import numpy as np
import pandas as pd
import pytest
from catalogue_audit.measures.geometry.strap import EVIDENCE
from catalogue_audit.statistics.geometry.strap_views import as_its_product, as_other_views, shown_once

VIEWS = ("front", "back", "three_quarter")


def _set(shown, contrast=0.8, products=10):
    """Products with three views each; ``shown`` are (product, view) with a strap in front."""
    rows, sketches = [], {}
    for number in range(products):
        for view in VIEWS:
            file, state = f"AB{number}_{view}.jpg", "front" if (number, view) in shown else "none"
            evidence = np.zeros(len(EVIDENCE), np.float32)
            evidence[EVIDENCE.index("contrast")] = contrast if state == "front" else 0.2
            sketches[file] = {"strap": evidence}
            rows.append({"file": file, "sku": f"AB{number}", "style": f"style {number}", "view": view, "strap_state": state})
    return pd.DataFrame(rows), sketches


def test_the_one_picture_is_found():
    assert shown_once(*_set({(3, "front")})) == {"AB3_front.jpg"}


@pytest.mark.parametrize(("front", "found"), [(0.1, {"AB3_three_quarter.jpg"}), (0.5, set())])
def test_a_ribbon_across_the_face_of_a_turned_view_that_its_front_does_not_show(front, found):
    """However little the square curve tells there; a front that shows it as clearly has the strap, too."""
    frames, sketches = _set({(3, "three_quarter")}, contrast=0.45, products=5)
    for view, name, value in (("three_quarter", "turned_ribbon", 0.6), ("front", "ribbon", front), ("front", "contrast", 0.4)):
        sketches[f"AB3_{view}.jpg"]["strap"][EVIDENCE.index(name)] = value
    assert shown_once(frames, sketches) == found


@pytest.mark.parametrize(("state", "found"), [("none", {"AB3_front.jpg"}), ("draped", set())])
def test_a_strap_that_the_other_view_of_the_face_shows_elsewhere_is_not_shown_once(state, found):
    frames, sketches = _set({(3, "front")})
    other = (frames["sku"] == "AB3") & ~frames["view"].isin(["front", "back"])
    assert other.any()
    frames.loc[other, "strap_state"] = state
    assert shown_once(frames, sketches) == found


def test_a_strap_on_the_back_says_nothing_of_the_face():
    """It hangs there in all pictures; one in front was laid over for one of the face's two."""
    assert shown_once(*_set({(3, "front"), (3, "back")})) == {"AB3_front.jpg"}


@pytest.mark.parametrize(
    ("shown", "options"),
    [
        ({(3, "front"), (3, "three_quarter")}, {}),  # the product has a strap, and its back hides it
        ({(3, "back")}, {}),  # it may hang behind the bag in all pictures
        ({(n, "front") for n in range(4)}, {}),  # a habit of the house
        ({(3, "front")}, {"contrast": 0.5}),  # perhaps a seam
        ({(3, "front")}, {"products": 5}),  # too few to say what is usual by the curve alone
        (set(), {}),
    ],
)
def test_nothing_is_said_otherwise(shown, options):
    assert shown_once(*_set(shown, **options)) == set()


@pytest.mark.parametrize(("name", "front", "turned"), [("contrast", 0.64, 0.5), ("arch_height", 0.0, 0.6)])
def test_what_the_other_picture_of_the_face_shows_as_well_is_no_strap(name, front, turned):
    """A flap's edge curves in both; where the handle was taken for body, its opening looks like a curve."""
    frames, sketches = _set({(3, "front")})
    sketches["AB3_front.jpg"]["strap"][EVIDENCE.index(name)] = front
    sketches["AB3_three_quarter.jpg"]["strap"][EVIDENCE.index(name)] = turned
    assert shown_once(frames, sketches) == set()


def test_quilting_that_curves_as_a_strap_does_shows_as_clearly_in_the_other_picture_of_the_face():
    """Where curve and ribbon both tell of a strap, less of both must be seen in the other picture."""
    frames, sketches = _set({(3, "front")})
    sketches["AB3_front.jpg"]["strap"][[EVIDENCE.index(name) for name in ("contrast", "ribbon")]] = 0.67, 0.42
    assert shown_once(frames, sketches) == {"AB3_front.jpg"}
    sketches["AB3_three_quarter.jpg"]["strap"][[EVIDENCE.index(name) for name in ("contrast", "ribbon")]] = 0.42, 0.35
    assert shown_once(frames, sketches) == set()


def test_a_quilted_product_among_others_does_not_hide_the_one_strap():
    frames, sketches = _set({(3, "front"), (5, "front")}, contrast=0.67)
    sketches["AB5_three_quarter.jpg"]["strap"][EVIDENCE.index("contrast")] = 0.5
    assert shown_once(frames, sketches) == {"AB3_front.jpg"}


def test_a_strap_that_a_colourway_shows_in_the_same_view_is_no_slip():
    frames, sketches = _set({(3, "front"), (5, "front")}, products=20)
    assert shown_once(frames, sketches) == {"AB3_front.jpg", "AB5_front.jpg"}
    frames.loc[frames["sku"] == "AB5", "style"] = "style 3"
    assert shown_once(frames, sketches) == set()


def test_a_strap_beside_the_bag_in_several_views_is_as_it_should_be():
    states = ["draped", "draped", "none", "none", "coiled", "none"]
    frames = pd.DataFrame({"file": list("abcdef"), "sku": ["A"] * 3 + ["B"] * 3, "view": VIEWS * 2, "strap_state": states})
    assert as_other_views(frames) == {"a", "b"}


def test_a_strap_across_both_pictures_of_a_face_is_as_it_should_be():
    states = ["front", "none", "front", "front", "front", "none"]
    frames = pd.DataFrame({"file": list("abcdef"), "sku": ["A"] * 3 + ["B"] * 3, "view": VIEWS * 2, "strap_state": states})
    assert as_other_views(frames) == {"a", "c"}  # what the back shows says nothing of the face


def _states(**products):
    """Whole products of two colourways a style, with the states of front, back and turned view; None: no such picture."""
    rows = [
        {"file": f"{sku}_{view}", "sku": sku, "style": sku[0], "view": view, "strap_state": state, "outline_confidence": 1.0}
        for sku, states in products.items()
        for view, state in zip(VIEWS, states, strict=True)
        if state
    ]
    return pd.DataFrame(rows)


def test_a_strap_held_up_in_a_products_other_views_is_held_up_in_this_one():
    found = as_its_product(_states(A1=("coiled", "held_up", "held_up"), A2=("held_up",) * 3, B1=("none",) * 3))
    assert found == {"A1_front": ("held_up", "the product's other views show")}
    assert as_its_product(_states(A1=("none", "draped", "draped"))) == {"A1_front": ("draped", "the product's other views show")}
    assert as_its_product(_states(A1=("none", None, "draped"))) == {}  # one against one


def test_a_side_view_says_nothing_of_what_hangs_elsewhere():
    frames = _states(A1=("none", "draped", "draped"))
    side = pd.concat([frames, frames.iloc[:1].assign(file="A1_side", view="side", strap_state="none")])
    assert set(as_its_product(side)) == {"A1_front"}


def test_a_view_in_which_straps_are_put_away_on_purpose_is_left_alone():
    habit = ("none", "held_up", "held_up")
    assert as_its_product(_states(A1=habit, A2=habit, B1=habit)) == {}
    assert as_its_product(_states(A1=habit, B1=("held_up",) * 3)) == {"A1_front": ("held_up", "the product's other views show")}


def test_a_second_picture_of_the_view_with_the_strap_answers_for_the_first():
    frames = _states(A1=("none", "held_up", "held_up"))
    twice = pd.concat([frames, frames.iloc[:1].assign(file="A1_front_strap", strap_state="held_up")])
    assert as_its_product(twice) == {}


def test_a_strap_laid_out_in_one_picture_alone_is_told_by_its_colourways():
    laid = _states(A1=("behind", "behind", "draped"), A2=("behind",) * 3)
    assert as_its_product(laid) == {"A1_three_quarter": ("behind", "its colourways show")}
    assert as_its_product(laid.assign(outline_confidence=0.9)) == {}  # what lies beside the body may be backdrop
    assert as_its_product(_states(A1=("behind", "behind", "draped"))) == {}


@pytest.mark.parametrize(
    ("shown", "products", "found"),
    [
        ({(3, "front")}, 7, {"AB3_front.jpg"}),
        ({(3, "front")}, 5, {"AB3_front.jpg"}),
        ({(3, "front")}, 4, set()),  # too few to say what is usual
        ({(3, "front"), (1, "front")}, 7, set()),  # perhaps a habit
        ({(3, "front"), (3, "three_quarter")}, 7, set()),  # the product's strap
    ],
)
def test_in_a_small_set_the_one_picture_with_a_whole_ribbon_across_is_found(shown, products, found):
    frames, sketches = _set(shown, products=products)
    for file in frames.loc[frames["strap_state"] == "front", "file"]:
        sketches[file]["strap"][EVIDENCE.index("ribbon")] = 0.7
    assert shown_once(frames, sketches) == found


def test_a_picture_of_another_product_counts_as_one_of_the_set_but_is_no_picture_of_the_product():
    frames, sketches = _set({(3, "front")}, products=8)
    assert shown_once(frames, sketches, ["AB1_front.jpg"]) == {"AB3_front.jpg"}
    assert shown_once(frames, sketches, ["AB3_three_quarter.jpg"]) == set()  # nothing of its own left to compare with
    assert shown_once(frames, sketches, ["AB3_front.jpg"]) == set()


def test_a_strap_held_up_in_one_view_alone_is_as_the_products_others_without_a_colourway():
    """Others that hold theirs up all round say nothing of this one; others that do so in this view alone show that it is meant."""
    odd = _states(A1=("front", "held_up", "front"), B1=("held_up", "held_up", "held_up"), C1=("none", "none", "none"))
    assert as_its_product(odd) == {"A1_back": ("front", "the product's other views show")}
    laid = _states(A1=("draped", "none", "front"), B1=("none", "none", "none"))
    assert as_its_product(laid) == {"A1_front": ("front", "the product's other views show")}
    assert as_its_product(_states(A1=("coiled", "none", "none"), B1=("none", "none", "none"))) == {}  # a coil is hidden easily
    hidden = _states(A1=("held_up", "none", "front"), B1=("front", "none", "front"))  # the body hides from behind what hangs in front
    assert as_its_product(hidden) == {"A1_front": ("front", "the product's other views show")}
    meant = _states(A1=("front", "held_up", "front"), B1=("front", "held_up", "front"))
    assert as_its_product(meant) == {}


def test_a_picture_whose_products_others_are_under_other_names_is_as_its_colourways_in_its_view():
    """Where front and back are exchanged, they tell nothing of this one."""
    assert as_its_product(_states(A1=(None, None, "draped"), A2=("behind", "behind", "behind"))) == {"A1_three_quarter": ("behind", "its colourways show")}
    assert as_its_product(_states(A1=(None, None, "draped"), A2=(None, None, "draped"), A3=("behind", "behind", "behind"))) == {}


def test_a_strap_across_the_back_that_all_others_of_the_style_show_across_the_face_was_laid_round():
    worn = ("front", "none", "front")
    assert as_its_product(_states(A1=("front", "front", "front"), A2=worn, A3=worn)) == {"A1_back": ("none", "its colourways show")}
    assert as_its_product(_states(A1=("front", "front", "front"), A2=worn)) == {}  # one back may be wrong itself
    assert as_its_product(_states(A1=("none", "front", "none"), A2=("none",) * 3, A3=("none",) * 3)) == {}  # none has a strap elsewhere
