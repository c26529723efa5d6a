"""Details of two products that show one place of one bag: leathers painted with a grain, seams and a lock of their own."""

from types import SimpleNamespace

import cv2
import numpy as np
import pandas as pd
import pytest

from catalogue_audit.statistics.matching.looks import Look
from catalogue_audit.statistics.matching.twin_details import agreement, how_alike, twin_details

SIZE = 640


def _bag(seed, tone=(60, 90, 150), lock=(300, 350)):
    """Part of a bag, larger than a frame, with a lock at a place, px."""
    draw = np.random.default_rng(seed)
    grain = cv2.GaussianBlur(draw.normal(0, 60, (900, 900)).astype(np.float32), (0, 0), 6)
    bag = np.float32(tone) + grain[..., None] + cv2.GaussianBlur(draw.normal(0, 900, (900, 900)).astype(np.float32), (0, 0), 40)[..., None]
    cv2.rectangle(bag, (lock[0], lock[1]), (lock[0] + 160, lock[1] + 90), (200, 210, 215), -1)
    return bag


def _sketch(bag, at=(100, 100), noise=3.0, seed=0):
    """Sketch of a frame of a bag, at a corner (across, down), with noise of its own."""
    frame = bag[at[1] : at[1] + SIZE, at[0] : at[0] + SIZE]
    frame = frame + np.random.default_rng(seed).normal(0, noise, frame.shape)
    ok, preview = cv2.imencode(".jpg", frame.clip(0, 255).astype(np.uint8))
    assert ok
    return {"preview": preview.ravel()}


def test_one_place_taken_twice_agrees_though_the_camera_moved():
    sketches = {"one": _sketch(_bag(1)), "again": _sketch(_bag(1), (150, 70), seed=5)}
    assert how_alike(sketches, ("one", "again")) and how_alike(sketches, ("again", "one"))


@pytest.mark.parametrize("other", [_bag(2), _bag(1, tone=(60, 90, 120)), _bag(3, lock=(420, 430))], ids=["grain", "colour", "lock"])
def test_two_bags_do_not_agree_though_they_have_one_lock(other):
    sketches = {"one": _sketch(_bag(1)), "other": _sketch(other)}
    assert not how_alike(sketches, ("one", "other"))


def test_what_has_no_picture_agrees_with_nothing():
    assert agreement({"one": _sketch(_bag(1))}, ("one", "none")) == (0.0, np.inf)


def _set(twins=("P1", "P3"), fit=None, colour=None):
    """A front and a detail of five products in two colours, where two products' details show one place; and how details fit."""
    names = [f"P{n}" for n in range(5)]
    frames = pd.DataFrame(
        {
            "file": [f"{name}_{view}.jpg" for name in names for view in ("front", "detail")],
            "sku": np.repeat(names, 2),
            "view": ["front", "detail"] * 5,
            "phash": ["0f0f0f0f0f0f0f0f"] * 10,
        }
    )
    sketches = {f"{name}_detail.jpg": _sketch(_bag(10 + number)) for number, name in enumerate(names)}
    sketches[f"{twins[1]}_detail.jpg"] = _sketch(_bag(10 + names.index(twins[0])), (110, 95), seed=9)
    looks = {row: Look(np.full(15, (colour or {}).get(frames["file"][row], 50.0)), None, None, 1.0, 0.0, 0.3) for row in range(10)}
    products = {name: [2 * number] for number, name in enumerate(names)}
    fits = SimpleNamespace(in_frames=lambda row, wholes: SimpleNamespace(correlation=(fit or {}).get((frames["sku"][row], wholes[0] // 2), 0.3)))
    return frames, sketches, looks, products, {1, 3, 5, 7, 9}, fits


def test_the_twin_that_fits_its_own_bag_worse_is_the_others():
    """Both details are found in the third product's picture, neither in the first's; Fisher's z 0.31 and 1.10."""
    found = list(twin_details(*_set(fit={("P1", 3): 0.8, ("P3", 3): 0.8})))
    assert [(row, finding[:2]) for row, finding in found] == [(3, ("P3", "wrong_detail"))]
    assert found[0][1][2] == pytest.approx((np.arctanh(0.8) - np.arctanh(0.3)) / 0.5)


def test_the_colour_of_the_bags_tells_which_twin_is_wrong():
    """All but one bag is of the details' colour."""
    found = list(twin_details(*_set(colour={"P3_front.jpg": 80.0})))
    assert [(row, finding[:2]) for row, finding in found] == [(7, ("P1", "wrong_detail"))]


def test_twins_that_fit_both_bags_alike_are_left():
    assert not list(twin_details(*_set(fit={("P1", 1): 0.8, ("P3", 3): 0.8})))


def test_details_of_one_product_are_no_twins_and_few_products_tell_nothing():
    frames, sketches, looks, products, crops, fits = _set(fit={("P1", 3): 0.8})
    assert not list(twin_details(frames.assign(sku=frames["sku"].replace("P3", "P1")), sketches, looks, products, crops, fits))
    few = {name: products[name] for name in ("P1", "P3")}
    assert not list(twin_details(frames, sketches, looks, few, crops, fits))
