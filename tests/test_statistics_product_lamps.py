"""Stretches of capture time under other lamps on the products alone, told by the products that their two ends split."""

import numpy as np
import pandas as pd
import pytest
from catalogue_audit.statistics.photometry.product_lamps import by_lamps_of_the_product

PRODUCTS, VIEWS = 40, ("front", "three_quarter", "detail", "back")


def _told(first, last, step=-0.35, behind=0.0, odd=(), products=PRODUCTS, steady=0.02):
    """EV that a shooting day of four views a product is told to have on each frame, and its sd; lamps stepped between two frames."""
    rng = np.random.default_rng(5)
    count = products * len(VIEWS)
    sku = np.array([f"P{k // len(VIEWS):02d}" for k in range(count)])
    view = np.array(VIEWS * products)
    frames = pd.DataFrame({"captured_at": [f"2026-03-02T09:{k // 60:02d}:{k % 60:02d}" for k in range(count)], "file": [f"{k:04d}.jpg" for k in range(count)]})
    lit = (np.arange(count) >= first) & (np.arange(count) < last)
    light = rng.normal(0, steady, count) + np.where(lit, step, 0.0)
    for place, off in odd:
        light[place] += off
    level = light - np.array([np.median(light[sku == name]) for name in sku])  # what each product reflects, nobody knows
    background = np.where(view == "detail", np.nan, np.where(lit, behind, 0.0))
    straight = np.isin(view, ("front", "back"))
    shuffled = rng.permutation(count)
    ev, sd = np.empty(count), np.empty(count)
    ev[shuffled], sd[shuffled] = by_lamps_of_the_product(
        frames.iloc[shuffled].reset_index(drop=True), background[shuffled], level[shuffled], np.zeros(count), sku[shuffled], straight[shuffled]
    )
    return ev, sd, lit


@pytest.mark.parametrize(("first", "last"), [(18, 62), (18, 61), (19, 62)])
def test_split_products_tell_of_the_whole_stretch_between_them(first, last):
    """Ends after the first, second or third picture of a product: one of them leaves two to either side, the other a front or a back alone."""
    ev, sd, lit = _told(first, last)
    assert np.abs(ev[lit] + 0.35).max() < 0.05 and not ev[~lit].any()
    assert (sd[lit] < 0.05).all()


def test_the_longer_part_is_the_set_s_light():
    ev, _, lit = _told(10, 150)
    assert not ev[lit].any() and np.abs(ev[~lit] - 0.35).max() < 0.05


@pytest.mark.parametrize(
    "told",
    [
        {"first": 18, "last": 64},  # it ends between two products: nobody knows where
        {"first": 16, "last": 64},  # both ends do
        {"first": 18, "last": 62, "behind": -0.35},  # the background moved with them, and tells it frame by frame
        {"first": 18, "last": 62, "step": -0.06},  # views differ by as much
        {"first": 0, "last": 0, "odd": [(17, 0.3), (60, 0.3)]},  # two pictures that look otherwise, as slanting views do
        {"first": 0, "last": 0, "odd": [(16, 0.3), (63, 0.3)]},  # a front and a back lit otherwise alone
        {"first": 0, "last": 0, "odd": [*zip(range(16, 20), (-0.13, -0.02, 0.08, 0.15), strict=True), *zip(range(60, 64), (0.15, 0.04, -0.03, -0.13), strict=True)]},  # uneven sides
        {"first": 17, "last": 62, "odd": [(100, 0.4)]},  # one end leaves a single picture, and a third product has such a one too
        {"first": 18, "last": 62, "steady": 0.12},  # one hard lamp: views scatter by as much as the step
        {"first": 2, "last": 14, "products": 4},  # too few to know what views scatter by
    ],
)
def test_what_may_as_well_be_something_else_tells_nothing(told):
    assert not _told(**told)[0].any()
