"""Roll of painted bags turned by known angles, and of analytic shapes against their moments."""

import math

import cv2
import making
import numpy as np
import pytest
from catalogue_audit.measures.geometry.lines import edge_along, longest_line, robust_line, robust_lines
from catalogue_audit.measures.geometry.roll import combined, roll_facts, roll_for_view, upper_edge
from catalogue_audit.measures.segmentation.backdrop import fit_backdrop
from catalogue_audit.measures.segmentation.outline import find_outline

SHAPE = (600, 480)
TOTE = np.array([(110.0, 230), (370, 230), (352, 500), (128, 500)])


def facts_of(degrees):
    truth = making.cover(SHAPE, making.turned(TOTE, degrees, (240, 500)))
    picture = making.picture_of(making.photograph(making.put(making.sweep(*SHAPE), truth, (0.1, 0.02, 0.02)), seed=3))
    return roll_facts(picture, find_outline(picture, fit_backdrop(picture))), truth


@pytest.mark.parametrize("degrees", [-3.0, -0.8, 0.0, 0.4, 2.2])
def test_roll_is_the_angle_it_was_turned_by(degrees):
    facts, _ = facts_of(degrees)
    assert facts["roll_deg"] == pytest.approx(degrees, abs=0.1)
    assert abs(facts["roll_deg"] - degrees) <= 3 * facts["roll_sd_deg"]


def test_roll_agrees_with_the_orientation_of_opencv_moments():
    facts, truth = facts_of(2.0)
    moments = cv2.moments(truth)
    # Orientation of a shape from its central moments: OpenCV's and scikit-image's formula (Hu 1962).
    axis = math.degrees(0.5 * math.atan2(2 * moments["mu11"], moments["mu20"] - moments["mu02"]))
    upright = axis - 90 * round(axis / 90)
    assert facts["roll_deg"] == pytest.approx(upright, abs=0.3)


def test_a_turned_view_takes_the_sides_alone():
    facts = {"witnesses": {"base": (8.0, 0.1), "sides": (0.3, 0.2)}}
    assert roll_for_view(facts, "upright", straight_on=False)["roll_deg"] == 0.3
    assert roll_for_view(facts, "crop", straight_on=True)["reasons"]


@pytest.mark.parametrize("degrees", [-2.0, 0.3, 1.5])
def test_the_upper_edge_is_found_behind_a_handle(degrees):
    bag = making.turned(np.array([(110.0, 230), (370, 230), (370, 500), (110, 500)]), degrees, (240, 500))
    angle = np.linspace(math.pi, 0, 60)
    handle = making.strip(making.turned(np.stack([240 + 60 * np.cos(angle), 232 - 110 * np.sin(angle)], 1), degrees, (240, 500)), 14)
    truth = making.cover(SHAPE, bag, handle)
    picture = making.picture_of(making.photograph(making.put(making.sweep(*SHAPE), truth, (0.1, 0.02, 0.02)), seed=3))
    outline = find_outline(picture, fit_backdrop(picture))
    x, y, slope, sd = upper_edge(outline.body.sides, outline.contours[0])
    found = math.degrees(math.atan(slope))
    assert found == pytest.approx(degrees, abs=0.15) and abs(found - degrees) < 3 * math.degrees(sd)
    assert y == pytest.approx(500 - 270 * math.cos(math.radians(degrees)) + (x - 240 - 270 * math.sin(math.radians(degrees))) * slope, abs=1.0)


def test_a_line_is_counted_together_among_what_crosses_it():
    """Against numpy.polyfit through the line's own points."""
    x = np.arange(300.0)
    y = 40 + 0.03 * x + np.random.default_rng(1).normal(0, 0.2, 300)
    own = np.ones(300, bool)
    own[80:220] = False
    y[~own] -= 50 * np.sin(np.linspace(0, math.pi, 140)) + 6
    found = longest_line(x, y)
    assert found[2] == pytest.approx(np.polyfit(x[own], y[own], 1)[0], abs=5e-4)
    assert longest_line(x[:10], y[:10]) is None


def test_a_circle_has_no_roll():
    angle = np.linspace(0, 2 * np.pi, 300)
    circle = np.stack([240 + 130 * np.cos(angle), 320 + 130 * np.sin(angle)], 1)
    truth = making.cover(SHAPE, circle)
    picture = making.picture_of(making.photograph(making.put(making.sweep(*SHAPE), truth, (0.1, 0.02, 0.02))))
    facts = roll_facts(picture, find_outline(picture, fit_backdrop(picture)))
    assert facts.get("roll_deg") is None or abs(facts["roll_deg"]) <= 3 * facts["roll_sd_deg"]


def test_witnesses_are_weighted_by_their_uncertainty():
    roll, sd = combined({"a": (1.0, 0.1), "b": (1.2, 0.1)})
    assert roll == pytest.approx(1.1) and 0.07 < sd < 0.2
    assert combined({}) is None and combined({"a": (1.0, 2.0)}) is None


def test_a_line_is_found_among_outliers():
    x = np.arange(200.0)
    y = 3 + 0.05 * x
    y[50:70] += 30
    assert robust_line(x, y)[1] == pytest.approx(0.05, abs=1e-4)


def test_many_lines_are_each_as_one():
    random = np.random.default_rng(2)
    x = np.tile(np.arange(40.0), (3, 1))
    y = np.array([[0.1], [-0.3], [0.0]]) * x + random.normal(0, 0.3, x.shape)
    y[:, 10] += 50
    together = robust_lines(x, y, np.ones(x.shape, bool))
    for k in range(3):
        assert together[k].tolist() == pytest.approx(robust_line(x[k], y[k]))
    # Least squares without the outlier, by NumPy.
    assert together[0, 1] == pytest.approx(np.polyfit(np.delete(x[0], 10), np.delete(y[0], 10), 1)[0], abs=0.01)
    assert np.isnan(robust_lines(x, y, np.arange(40) < np.array([[3], [3], [3]]))).all()


@pytest.mark.parametrize("degrees", [-1.5, 0.0, 0.7])
def test_the_base_is_found_beside_a_line_that_follows_its_shadow(degrees):
    slope = math.tan(math.radians(degrees))
    bag = making.cover(SHAPE, [(100.0, 100), (380, 100), (380, 400 + 140 * slope), (100, 400 - 140 * slope)])
    picture = making.picture_of(making.photograph(making.put(making.sweep(*SHAPE), bag, (0.1, 0.02, 0.02)), seed=5))
    followed = slope + 0.012  # 0.7 degree off, up to 2 px from the edge
    found, clearness, *_ = edge_along(picture.working, 120, 360, 401 - 240 * followed, followed)
    assert math.degrees(math.atan(found)) == pytest.approx(degrees, abs=0.06)
    assert clearness > 0.8


def test_roll_is_empty_where_the_frame_cuts_the_base_and_the_sides():
    bag = making.cover(SHAPE, [(-20.0, 150), (500, 150), (500, 700), (-20, 640)])
    picture = making.picture_of(making.photograph(making.put(making.sweep(*SHAPE), bag, (0.1, 0.02, 0.02)), seed=5))
    assert roll_facts(picture, find_outline(picture, fit_backdrop(picture))).get("roll_deg") is None


def test_a_turned_product_that_tapers_has_no_roll():
    facts = {"witnesses": {"sides": (2.1, 1.4)}}
    found = roll_for_view(facts, "upright", straight_on=False)
    assert "roll_deg" not in found and found["reasons"]
