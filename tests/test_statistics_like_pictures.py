"""Pictures told by another product's picture, and views that show a part of their own product's colours only."""

import numpy as np
import pandas as pd
import pytest
from catalogue_audit.statistics.matching.like_pictures import like_another_products
from catalogue_audit.statistics.matching.looks import CHANNEL_WEIGHTS, GRID, Look
from catalogue_audit.statistics.matching.own_colours import shows_own_colours
from catalogue_audit.statistics.matching.wrong_products import one_photograph_twice, wrong_products

VIEWS = ("front", "three_quarter", "side", "back")
COLOURS = {"rose": (67.0, 3, 8), "slate": (61.0, -3, 3), "teal": (45.0, -25, -5), "navy": (25.0, 2, -20), "rust": (45.0, 35, 30)}
BLACK, COGNAC = (8.0, 0, 0), (40.0, 22, 28)
OUTLINES = np.random.default_rng(5).uniform(0.4, 1, (8, GRID, GRID)).astype(np.float32)
OUTLINES = (OUTLINES + OUTLINES[:, :, ::-1]) / 2  # a bag's back mirrors its front


def _look(lab, shape, seed, aspect=1.0):
    draw = np.random.default_rng(seed)
    quantiles = np.asarray(lab, float) + draw.normal(0, 0.3, (5, 3))
    structure = np.random.default_rng((shape, 1)).normal(0, 1, (GRID, GRID))
    structure = structure + draw.normal(0, 0.3, structure.shape)
    return Look(
        (quantiles * CHANNEL_WEIGHTS).ravel(), OUTLINES[shape], (structure / np.linalg.norm(structure)).astype(np.float32), aspect, 0.0, 0.4
    )


def _delivery(colours=None, shapes=None, palettes=None, aspects=None):
    """Five products of four views; of some files other colours, shapes (numbers), palettes or widths over heights."""
    colours, shapes, palettes, aspects = colours or {}, shapes or {}, palettes or {}, aspects or {}
    rows, looks, products, sketches = [], {}, {}, {}
    for number, (sku, own) in enumerate(COLOURS.items()):
        for view in VIEWS:
            file, row = f"{sku}_{view}", len(rows)
            colour = colours.get(file, own)
            rows.append({"file": file, "sku": sku, "view": view, "view_kind": "upright"})
            looks[row] = _look(colour, shapes.get(file, number), row, aspects.get(file, 1.0))
            sketches[file] = {"palette": np.array(palettes.get(file, [(*colour, 1.0)]), np.float32)}
            products.setdefault(sku, []).append(row)
    return pd.DataFrame(rows), sketches, looks, products


def _row(frames, file):
    return int(frames.index[frames["file"] == file][0])


def test_a_picture_in_all_another_products_is_told_and_named():
    frames, *rest = _delivery(colours={"rose_back": COLOURS["teal"]}, shapes={"rose_back": 2})
    found = dict(like_another_products(frames, *rest, {}))
    assert list(found) == [_row(frames, "rose_back")]
    assert found[_row(frames, "rose_back")][:2] == ("teal", "wrong_product")
    assert "over teal_" in found[_row(frames, "rose_back")][3]


def test_a_cast_of_the_picture_it_lies_over_hides_nothing():
    """The picture's colour is that of another of the product's views."""
    cast = tuple(np.add(COLOURS["teal"], (0, 3, 4)))
    frames, *rest = _delivery(colours={"rose_back": COLOURS["teal"], "teal_back": cast, "teal_front": cast}, shapes={"rose_back": 2})
    found = dict(like_another_products(frames, *rest, {}))
    assert [(frames["file"][row], finding[0]) for row, finding in found.items()] == [("rose_back", "teal")]
    frames, *rest = _delivery(colours={"rose_back": COLOURS["teal"]} | {f"teal_{view}": cast for view in VIEWS}, shapes={"rose_back": 2})
    assert not list(like_another_products(frames, *rest, {}))


def test_a_picture_that_is_known_to_be_foreign_names_no_product():
    """What lies under teal is known to be rose's own: it tells nothing of rose's."""
    files = {"rose_back": COLOURS["teal"], "teal_back": COLOURS["teal"]}
    frames, *rest = _delivery(colours=files, shapes={"rose_back": 6, "teal_back": 6})
    assert [frames["file"][row] for row, _ in like_another_products(frames, *rest, {})] == ["rose_back"]
    assert not list(like_another_products(frames, *rest, {_row(frames, "teal_back"): ("rose", "wrong_product")}))


@pytest.mark.parametrize("case", [
    {},
    {"colours": {"rose_back": COLOURS["teal"]}},  # its own shape
    {"shapes": {"rose_back": 2}},  # its own colour
    {"colours": {"rose_back": COLOURS["teal"], "rose_side": (90.0, 60, -60)}, "shapes": {"rose_back": 2}},  # a bag of many colours
    {"colours": dict.fromkeys(("rose_back", "teal_side"), COGNAC), "shapes": {"rose_back": 6, "teal_side": 6}},  # one gusset on two bags
])  # fmt: skip
def test_what_is_unlike_in_one_way_or_at_home_nowhere_is_let_be(case):
    assert not list(like_another_products(*_delivery(**case), {}))


def _two_tone(side):
    """A black bag whose front and three-quarter view show its cognac gusset in part, as `side`'s palette is all; another product is all cognac."""
    body = [(*BLACK, 0.9), (*COGNAC, 0.1)]
    files = {f"rose_{view}": BLACK for view in ("front", "three_quarter", "back")} | {f"rust_{view}": COGNAC for view in VIEWS}
    palettes = {f"rose_{view}": body for view in ("front", "three_quarter", "back")} | {"rose_side": side}
    return _delivery(colours=files | {"rose_side": COGNAC}, shapes={"rose_side": 4}, palettes=palettes)


def test_a_side_that_shows_the_gusset_only_is_no_other_product():
    shaded = (COGNAC[0] * 0.8, COGNAC[1] * 0.85, COGNAC[2] * 0.85)
    frames, sketches, looks, products = _two_tone([(*shaded, 1.0)])
    assert not list(wrong_products(frames, sketches, looks, products, {}))
    assert shows_own_colours(frames, sketches, _row(frames, "rose_side"), [_row(frames, "rose_front")])


def test_a_side_of_a_colour_that_its_product_has_nowhere_is_another_product():
    frames, sketches, looks, products = _two_tone([(*COGNAC, 1.0)])
    for view in ("front", "three_quarter", "back"):
        sketches[f"rose_{view}"]["palette"] = np.array([(*BLACK, 0.98), (*COGNAC, 0.02)], np.float32)  # stitches
    found = dict(wrong_products(frames, sketches, looks, products, {}))
    assert {frames["file"][row]: finding[0] for row, finding in found.items()} == {"rose_side": "rust"}


@pytest.mark.parametrize(("view", "told"), [("back", ["rose_back"]), ("side", [])])
def test_a_face_is_told_though_its_colour_is_its_products_trim(view, told):
    """Not so a side, which may show the gusset alone."""
    body = [(*BLACK, 0.9), (*COGNAC, 0.1)]
    shown = [f"rose_{other}" for other in VIEWS if other != view]
    colours = dict.fromkeys(shown, BLACK) | {f"rust_{other}": COGNAC for other in VIEWS} | {f"rose_{view}": COGNAC}
    frames, *rest = _delivery(colours=colours, shapes={f"rose_{view}": 4}, palettes=dict.fromkeys(shown, body))
    assert [frames["file"][row] for row, _ in wrong_products(frames, *rest, {})] == told


def test_a_three_quarter_view_shows_face_and_gusset_so_that_a_part_of_the_colours_is_not_enough():
    frames, sketches, *_ = _two_tone([(*COGNAC, 1.0)])
    sketches["rose_three_quarter"]["palette"] = np.array([(*COGNAC, 1.0)], np.float32)
    assert not shows_own_colours(frames, sketches, _row(frames, "rose_three_quarter"), [_row(frames, "rose_front")])


@pytest.mark.parametrize(("shape", "aspect", "told"), [(2, 1.5, ["rose_front"]), (0, 1.0, [])])
def test_of_one_photograph_under_two_products_of_one_colour_the_outline_tells_which_is_at_home(shape, aspect, told):
    """`teal` is as rose in colour; the photograph of its front lies under rose, too, whose back is another's in outline or its own."""
    files = {f"{sku}_{view}": COLOURS["rose"] for sku in ("rose", "teal") for view in VIEWS}
    shapes = {"rose_front": shape, "teal_front": shape, **dict.fromkeys(("teal_back",), shape)}
    wide = {"rose_front": aspect, "teal_front": aspect, "teal_back": aspect}
    frames, _, looks, products = _delivery(colours=files, shapes=shapes, aspects=wide)
    pairs = pd.DataFrame({"file_a": ["rose_front"], "file_b": ["teal_front"], "kind": ["taken_again"]})
    found = dict(one_photograph_twice(frames, looks, products, set(), pairs, None))
    assert [frames["file"][row] for row in found] == told
    assert all(finding[:2] == ("teal", "wrong_product") for finding in found.values())
