"""Sets whose camera stands off each product by its front, and stays there for the other views."""

import numpy as np
import pandas as pd
import pytest
from catalogue_audit import schema
from catalogue_audit.statistics.geometry.framing_rules import framing_rule, size_and_place
from catalogue_audit.statistics.geometry.front_distance import scatter_by_shape, sizes_by_the_front

ASPECTS = (0.6, 0.75, 1.4, 1.05, 0.9, 1.3, 1.7, 1.15, 2.0, 0.8)  # width over height of bags as they stand
WIDTH, HEIGHT = 0.74, 0.66  # of the frame: the front's limits
BACK, THREE_QUARTER = 1.0, 1.04  # height over the front's: a camera that looks down a little sees the depth rise


def _framed(rows):
    frames = pd.DataFrame({column.name: [None] * len(rows) for column in schema.FRAME_COLUMNS})
    columns = dict(zip(("sku", "view", "fill_width", "fill_height"), zip(*rows, strict=True), strict=True))
    frames = frames.assign(**columns, file=[f"{sku}_{view}.jpg" for sku, view, *_ in rows], view_kind="upright", touches="")
    return frames.assign(fill_area=0.7 * frames["fill_width"] * frames["fill_height"], centre_dx=0.0, centre_dy=0.0, baseline=0.8)


def by_the_front(seed, strap=0.0):
    """Each bag taken from where its front meets a limit; turned by 35 degrees, deep bags stay wide and flat ones do not."""
    random, rows = np.random.default_rng(seed), []
    for number, aspect in enumerate(ASPECTS):
        height = min(WIDTH / aspect, HEIGHT)
        depth = random.uniform(0.78, 1.1)
        hangs = np.exp(-random.uniform(0, strap))  # what of the front's strap the back hides
        for view, wide, tall in (("front", 1, 1), ("back", hangs**0.5, hangs), ("three_quarter", depth, THREE_QUARTER)):
            width, high = (length * np.exp(random.normal(0, 0.003)) for length in (wide * height * aspect, tall * height))
            rows.append((f"AB-{100 + number}", view, width, high))
    return _framed(rows)


def view_by_view(seed):
    """The same bags, each picture cropped to the limits."""
    frames = by_the_front(seed)
    larger = np.minimum(WIDTH / frames["fill_width"], HEIGHT / frames["fill_height"])
    return frames.assign(fill_width=frames["fill_width"] * larger, fill_height=frames["fill_height"] * larger)


def told(frames):
    found = size_and_place(frames, {}, None)
    off = found["scale_dev"].abs() > np.maximum(0.05, 3 * found["scale_dev_sd"])
    return dict(zip(frames["file"][off], found["scale_dev"][off].round(2), strict=True))


def smaller(frames, file, by=0.88):
    here = frames["file"] == file
    return frames.assign(**{name: frames[name].where(~here, frames[name] * by) for name in ("fill_width", "fill_height")})


@pytest.mark.parametrize("strap", [0.0, 0.15])
@pytest.mark.parametrize("seed", range(4))
def test_turned_views_of_flat_and_deep_bags_are_as_large_as_their_fronts_make_them(seed, strap):
    frames = by_the_front(seed, strap)
    assert framing_rule(frames, None) == "front_distance"
    assert told(frames) == {}


@pytest.mark.parametrize("seed", range(4))
def test_where_each_picture_is_framed_that_rule_is_found(seed):
    frames = view_by_view(seed)
    assert framing_rule(frames, None) == "first_limit"
    assert told(smaller(frames, "AB-102_three_quarter.jpg")) == {"AB-102_three_quarter.jpg": pytest.approx(-0.12, abs=0.015)}


@pytest.mark.parametrize("file", ["AB-102_front.jpg", "AB-104_front.jpg", "AB-103_back.jpg", "AB-105_three_quarter.jpg"])
def test_one_picture_from_farther_away_is_told_and_its_product_s_others_are_not(file):
    assert told(smaller(by_the_front(1), file)) == {file: pytest.approx(-0.12, abs=0.02)}


def test_only_the_shape_of_the_front_says_how_high_the_others_are():
    frames = by_the_front(2)
    rows, ratio = np.flatnonzero(frames["view"] == "three_quarter"), np.array([WIDTH / HEIGHT])
    sizes = [sizes_by_the_front(each, rows, ratio)[0][0] for each in (frames, smaller(frames, "AB-104_front.jpg"))]
    assert sizes[0] == pytest.approx(THREE_QUARTER * WIDTH, rel=0.02)
    assert sizes[1] == pytest.approx(sizes[0])


def test_a_front_that_is_cut_off_lends_no_shape_and_the_back_does():
    frames = by_the_front(3)
    cut = frames["file"] == "AB-104_front.jpg"
    frames.loc[cut, ["fill_width", "touches"]] = 0.3, "left"
    rows = np.flatnonzero(frames["view"] == "three_quarter")
    sizes, _ = sizes_by_the_front(frames, rows, np.array([WIDTH / HEIGHT]))
    assert sizes[0] == pytest.approx(THREE_QUARTER * WIDTH, rel=0.02)
    alone, _ = sizes_by_the_front(frames[frames["view"] == "three_quarter"].reset_index(drop=True), np.arange(len(rows)), np.array([1.0]))
    assert np.isnan(alone).all()


def test_a_back_of_another_outline_than_its_front_is_unsure_by_that():
    heights = {"A": 0.6, "B": 0.6, "C": 0.54}
    frames = _framed([(sku, view, 0.6, height if view == "back" else 0.6) for view in ("front", "back") for sku, height in heights.items()])
    for rows, expected in (([0, 1, 2], [0.0, 0.0, 0.0]), ([3, 4, 5], [0.0, 0.0, np.log(0.6 / 0.54)])):
        assert sizes_by_the_front(frames, np.array(rows), np.array([1.0]))[1] == pytest.approx(expected)
    _, unsure = sizes_by_the_front(frames.assign(fill_height=[0.6] * 3 + [0.54] * 2 + [0.6]), np.array([3, 4, 5]), np.array([1.0]))
    assert unsure[2] == pytest.approx(np.log(0.6 / 0.54))


def test_the_scatter_of_a_normal_sample_is_found_and_a_gross_fault_hardly_counts():
    sample = np.random.default_rng(5).normal(0, 0.04, (1, 4000))
    scatter, sureness, cost = scatter_by_shape(sample, np.zeros(4000), 0.012)
    assert scatter[0] == pytest.approx(np.sqrt(0.04**2 - 0.012**2), rel=0.05)
    assert sureness == pytest.approx(1.0, abs=0.01) and cost == pytest.approx(0.5 * np.log(4000))
    few = np.array([[0.0, 0.001, -0.001, 0.0, 0.5]])
    assert scatter_by_shape(few, np.zeros(5), 0.012)[0][0] < 0.03


def test_few_pictures_know_their_scatter_less_surely():
    """Of 8 values a normal law's 3 standard deviations take 4.53: Student's t with 7 degrees, two-sided 0.0027; GUM (JCGM 100:2008) table G.2."""
    _, sureness, _ = scatter_by_shape(np.full((1, 8), 0.02), np.zeros(8), 0.012)
    assert 3 * sureness == pytest.approx(4.53, abs=0.01)
