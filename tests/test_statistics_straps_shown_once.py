"""A strap that one picture alone of a product shows, where no other picture of that view shows any."""

import numpy as np
import pandas as pd
import pytest
from catalogue_audit.measures.geometry.strap import EVIDENCE
from catalogue_audit.statistics.geometry.strap_views import as_other_views, shown_once

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
            rows.append({"file": file, "sku": f"AB{number}", "view": view, "strap_state": state})
    return pd.DataFrame(rows), sketches


def test_the_one_picture_is_found():
    assert shown_once(*_set({(3, "front")})) == {"AB3_front.jpg"}


@pytest.mark.parametrize(
    ("shown", "options"),
    [
        ({(3, "front"), (3, "three_quarter")}, {}),  # the product has a strap, and its back hides it
        ({(3, "back")}, {}),  # it may hang behind the bag in all pictures
        ({(n, "front") for n in range(4)}, {}),  # a habit of the house
        ({(3, "front")}, {"contrast": 0.5}),  # perhaps a seam
        ({(3, "front")}, {"products": 5}),  # too few to say what is usual
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


def test_a_strap_beside_the_bag_in_several_views_is_as_it_should_be():
    states = ["draped", "draped", "none", "none", "coiled", "none"]
    frames = pd.DataFrame({"file": list("abcdef"), "sku": ["A"] * 3 + ["B"] * 3, "view": VIEWS * 2, "strap_state": states})
    assert as_other_views(frames) == {"a", "b"}
