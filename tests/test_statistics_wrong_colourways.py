"""A colourway near in colour filed under another, told by the two products' own scatter and an unchanged backdrop."""

import numpy as np
import pandas as pd
import pytest
from catalogue_audit.statistics.matching.looks import CHANNEL_WEIGHTS, GRID, Look
from catalogue_audit.statistics.matching.wrong_colourways import wrong_colourways

VIEWS = ("front", "three_quarter", "side", "back")
ROSE, SLATE, SAND, TEAL, NAVY = (67.0, 3, 8), (61.0, -3, 3), (82.0, 2, 14), (45.0, -25, -5), (25.0, 2, -20)


def _look(lab, seed):
    quantiles = np.asarray(lab, float) + np.random.default_rng(seed).normal(0, 0.6, (5, 3))
    whole = np.ones((GRID, GRID), np.float32)
    return Look((quantiles * CHANNEL_WEIGHTS).ravel(), whole, np.zeros_like(whole), 1.0, 0.0, 0.4)


def _set(shown=SLATE, others=(), backdrop=77.0, kind="light"):
    """Five products of four views; the front of the first shows `shown`, or is `others` in some further views."""
    rows, looks, products = [], {}, {}
    for sku, colour in {"rose": ROSE, "slate": SLATE, "sand": SAND, "teal": TEAL, "navy": NAVY}.items():
        for view in VIEWS:
            row = len(rows)
            odd = sku == "rose" and (view == "front" or view in others)
            rows.append({"file": f"{sku}_{view}.jpg", "sku": sku, "view": view, "backdrop": kind, "background_L": backdrop if row == 0 else 77.0})
            looks[row] = _look(shown if odd else colour, row)
            products.setdefault(sku, []).append(row)
    return pd.DataFrame(rows).assign(background_a=0.0, background_b=-1.0), {}, looks, products


def test_the_front_of_another_colourway_is_wrong_and_names_it():
    found = dict(wrong_colourways(*_set()))
    assert list(found) == [0]
    assert found[0][:2] == ("slate", "wrong_product")
    assert found[0][2] >= 1


@pytest.mark.parametrize("case", [
    {"shown": ROSE},  # in order
    {"shown": (64.0, 0, 5.5)},  # half-way: neither product's colour
    {"others": ("back",)},  # the product itself has two colours
    {"backdrop": 65.0},  # the light fell on the backdrop, too
    {"kind": "cut_out"},  # where no backdrop tells, it may be light
    {"backdrop": 99.0, "kind": "white"},  # burnt out
])  # fmt: skip
def test_what_light_or_the_product_itself_may_explain_is_let_be(case):
    assert not list(wrong_colourways(*_set(**case)))


def test_a_candidate_of_another_outline_is_not_named():
    frames, sketches, looks, products = _set()
    for row in products["slate"]:
        looks[row] = looks[row]._replace(aspect=2.0)
    assert not list(wrong_colourways(frames, sketches, looks, products))


@pytest.mark.parametrize(("main", "told"), [(ROSE, False), (SLATE, True)])
def test_a_picture_without_the_trim_of_its_fellows_is_no_other_product(main, told):
    """Rose with slate trim: a face without the trim is rose still, one of slate is not, though the others show slate in part."""
    frames, _, looks, products = _set()
    sketches = {file: {"palette": np.array([(*ROSE, 0.7), (*SLATE, 0.3)])} for file in frames["file"]}
    sketches["rose_front.jpg"] = {"palette": np.array([(*main, 1.0)])}
    assert bool(list(wrong_colourways(frames, sketches, looks, products))) == told


def test_a_picture_of_its_products_colour_but_of_the_others_shape_is_the_others():
    frames, _, looks, products = _set()
    mask = np.zeros((60, 60), bool)
    mask[10:50, 10:50] = True
    wide = np.zeros((60, 60), bool)
    wide[20:40, 5:55] = True
    sketches = {file: {"palette": np.array([(*ROSE, 1.0)]), "mask": mask} for file in frames["file"]}
    for file in ["rose_front.jpg", *frames["file"][products["slate"]]]:
        sketches[file] = {**sketches[file], "mask": wide}
    assert dict(wrong_colourways(frames, sketches, looks, products))[0][:2] == ("slate", "wrong_product")
