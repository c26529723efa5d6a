"""The three-quarter view exchanged with another one: outlines say that something is odd, the lower edge says what."""

import numpy as np
import pandas as pd
import pytest
from catalogue_audit.statistics.matching.looks import Look
from catalogue_audit.statistics.matching.swapped_views import _on_another_ground, base_slope_deg, odd_turn, wrong_kind_of_view

VIEWS = ("front", "back", "three_quarter")
SLOPES_DEG = {"front": 0.4, "back": -0.3, "three_quarter": 7.0}


def _look(bulge):
    """A body whose right upper part is taken away by a share of its width."""
    outline = np.ones((32, 32), np.float32)
    outline[:12, 32 - round(bulge * 32) :] = 0
    return Look(np.zeros(15), outline, outline, 1.0, 0.0, 0.3)


def _set(slopes_of_odd=SLOPES_DEG, outlines_of_odd=(0.3, 0.0, 0.3)):
    """Six products, the last as asked; front and back of the others mirror one another, the turned view is another shape."""
    looks, rows, sketches, products = {}, [], {}, {}
    for number in range(6):
        last = number == 5
        for view, bulge in zip(VIEWS, outlines_of_odd if last else (0.0, 0.0, 0.3), strict=True):
            row, file = len(rows), f"AB-{number}_{view}.jpg"
            looks[row] = _look(bulge)
            slope = (slopes_of_odd if last else SLOPES_DEG)[view]
            sketches[file] = {} if slope is None else {"front_edge": np.array([0.5, 0.8, np.tan(np.radians(slope)), 0.002, 1.0])}
            products.setdefault(f"AB-{number}", []).append(row)
            rows.append({"file": file, "sku": f"AB-{number}", "view": view, "outline_confidence": 1.0})
    return pd.DataFrame(rows), sketches, looks, products, dict.fromkeys(looks)


def test_the_turned_view_under_another_name_is_found_by_outline_and_slope():
    """The file named front shows the turned product, and the one named three-quarter the front."""
    exchanged = {"front": 7.0, "back": -0.3, "three_quarter": 0.4}
    found = dict(odd_turn(*_set(exchanged, (0.3, 0.0, 0.0))))
    assert {row: finding[1] for row, finding in found.items()} == {15: "swapped_views", 17: "swapped_views"}
    assert all(score >= 1 for _, _, score, _ in found.values())


@pytest.mark.parametrize("front", [0.4, 3.5, None])
def test_a_soft_bag_that_is_no_mirror_image_is_named_rightly_while_its_base_says_so(front):
    """The turned view fits the back's mirror image better than the front does, but it is the one whose base slopes."""
    slopes = {**SLOPES_DEG, "front": front}
    assert not list(odd_turn(*_set(slopes, (0.3, 0.0, 0.0))))


@pytest.mark.parametrize("unlike", ["cut by the frame", "unsure"])
def test_an_outline_that_is_not_all_there_mirrors_nothing(unlike):
    frames, sketches, looks, products, straps = _set({"front": 7.0, "back": -0.3, "three_quarter": 0.4}, (0.3, 0.0, 0.0))
    if unlike == "unsure":
        frames.loc[15, "outline_confidence"] = 0.8
    else:
        looks[15] = looks[15]._replace(contact=0.1)
    assert not list(odd_turn(frames, sketches, looks, products, straps))


def test_in_order_nothing_is_said():
    assert not list(odd_turn(*_set(SLOPES_DEG, (0.0, 0.0, 0.3))))


def test_few_products_tell_nothing():
    frames, sketches, looks, products, straps = _set({"front": 7.0, "back": -0.3, "three_quarter": 0.4}, (0.3, 0.0, 0.0))
    few = {sku: rows for sku, rows in products.items() if sku >= "AB-3"}
    assert not list(odd_turn(frames, sketches, looks, few, straps))


def test_slope_of_a_base_in_degrees():
    assert base_slope_deg({"round_base": np.array([0.5, 0.9, np.tan(np.radians(-4.0)), 0.01])}) == pytest.approx(4.0)
    assert base_slope_deg({}) == base_slope_deg(None) == base_slope_deg({"front_edge": np.array([0, 0, np.nan, 0, 0])}) == 0.0


def test_a_ground_far_in_colour_from_the_whole_views_is_another_one_and_an_unknown_ground_is_not():
    grounds = pd.DataFrame({"background_L": [90.0, 88.0, 92.0, 45.0, 80.0, None], "background_a": [0.0, 1.0, 0.0, 20.0, 0.0, None], "background_b": [0.0, 0.0, 1.0, 30.0, 0.0, None]})
    assert _on_another_ground(grounds, [0, 1, 2]).tolist() == [False, False, False, True, False, False]
    assert not _on_another_ground(grounds.drop(columns="background_b"), [0, 1, 2]).any()


@pytest.mark.parametrize(("slope", "told"), [(7.0, {15, 17}), (0.4, set())])
def test_a_strap_that_only_one_view_shows_hides_no_exchange_from_the_bodies(slope, told):
    """The back hides the strap, so that its outline is like neither other view's; its body is as the front's, and the file named front slopes."""
    frames, sketches, looks, products, straps = _set({"front": slope, "back": -0.3, "three_quarter": 0.4}, (0.3, 0.0, 0.0))
    looks = {row: look._replace(colour=np.full(15, 60.0 * (row // 3))) for row, look in looks.items()}
    looks[16] = looks[16]._replace(outline=np.pad(looks[16].outline[:6], ((26, 0), (0, 0))))
    for row, file in enumerate(frames["file"]):
        mask = np.zeros((128, 128), bool)
        mask[40:100, 24:104] = True
        if row in (15, 2, 5, 8, 11, 14):  # the turned ones
            mask[40:62, 80:] = False
        if row != 16:
            mask[10:40, 30:32] = True  # a strap
        sketches[file]["mask"] = mask
    straps[15] = straps[17] = "held_up"
    assert set(dict(odd_turn(frames, sketches, looks, products, straps))) == told


@pytest.mark.parametrize(("share", "told"), [(0.5, set()), (0.3, {15})])
def test_a_small_product_shown_whole_from_nearer_is_a_detail(share, told):
    """Five details are crops; the last shows the whole product, before the backdrop: from nearer than its whole views, or just as they do."""
    frames, _, looks, products, _ = _set()
    crops = {row for row in looks if frames["view"][row] == "three_quarter"}
    for row in crops:
        looks[row] = looks[row]._replace(contact=1.0, share=1.0)
    frames.loc[15:, "view"] = ["detail", "front", "back"]
    crops = crops - {17} | {15}
    looks[17] = looks[17]._replace(contact=0.0, share=0.3)
    looks[15] = looks[15]._replace(share=share)
    assert {row for row, _ in wrong_kind_of_view(frames, looks, crops)} == told
