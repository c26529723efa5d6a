"""Roll of painted bags turned by known angles, and of analytic shapes against their moments."""

import math

import cv2
import making
import numpy as np
import pytest

from catalogue_audit.measures.backdrop import fit_backdrop
from catalogue_audit.measures.outline import find_outline
from catalogue_audit.measures.roll import combined, robust_line, roll_facts, roll_for_view

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
