"""What explains an odd picture best: the two faces exchanged, an exchange with another product, or one picture of another product."""

import numpy as np
import pandas as pd
import pytest
from catalogue_audit.statistics.matching import swapped_views
from catalogue_audit.statistics.matching.belonging import belonging, likeliest_owner, nats_for, other_halves
from catalogue_audit.statistics.matching.looks import CHANNEL_WEIGHTS, GRID, Look
from catalogue_audit.statistics.matching.swapped_views import odd_turn, swapped_front_and_back
from catalogue_audit.statistics.matching.wrong_products import wrong_outlines

COLOURS = {"A": (40.0, 30, 10), "B": (60.0, -20, 20), "C": (50.0, 5, -30), "D": (75.0, 2, 12), "E": (30.0, 0, 0), "X1": (50.0, 60, -5), "X2": (45.0, -30, 15)}
VIEWS = ("front", "back", "three_quarter", "detail")
SQUARE, TALL = 0.0, 0.5  # share of a look's upper half that is taken away


def _look(lab, notch, seed):
    """A body in one colour that scatters by 0.6 CIELAB, its upper half narrowed from both sides by a share of its width."""
    quantiles = np.asarray(lab, float) + np.random.default_rng(seed).normal(0, 0.6, (5, 3))
    outline = np.full((GRID, GRID), 255, np.uint8)
    cut = round(notch * GRID / 2)
    outline[: GRID // 2, :cut] = outline[: GRID // 2, GRID - cut :] = 0
    return Look((quantiles * CHANNEL_WEIGHTS).ravel(), outline, np.zeros((GRID, GRID), np.float16), 1.0, 0.0, 0.4)


def _set(shown=(), colours=COLOURS, faces_of=lambda sku: (TALL, SQUARE) if sku.startswith("X") else (SQUARE, SQUARE)):
    """Seven products; the faces of two colourways X1 and X2 differ in outline. `shown` maps (sku, view) to the (sku, view) its picture shows."""
    rows, looks, products = [], {}, {}
    for sku in colours:
        for view in VIEWS:
            row = len(rows)
            of, seen = dict(shown).get((sku, view), (sku, view))
            looks[row] = _look(colours[of], dict(zip(VIEWS, (*faces_of(of), faces_of(of)[0] + 0.2, 0.0), strict=True))[seen], row)
            kind = {"detail": "crop", "three_quarter": "turned"}.get(view, "upright")
            rows.append({"file": f"{sku}_{view}.jpg", "sku": sku, "view": view, "view_kind": kind, "style": sku[0], "outline_confidence": 1.0})
            if view != "detail":
                products.setdefault(sku, []).append(row)
    return pd.DataFrame(rows), looks, products


def _exchange(one, other):
    return {one: other, other: one}


def _of(frames, found):
    return {(frames["sku"][row], frames["view"][row]): finding[:2] for row, finding in found}


ONE_SWAPPED = _exchange(("X1", "front"), ("X1", "back"))


def test_colourways_of_two_colours_are_not_exchanged_where_one_has_its_own_faces_exchanged():
    """X1's front now mirrors X2's back, and its back X2's front: but neither has the other's colour."""
    frames, looks, products = _set(ONE_SWAPPED)
    assert not list(wrong_outlines(frames, looks, products, {}))


def test_what_an_exchange_of_faces_explains_needs_no_exchange_of_colourways():
    """Of one colour, the outlines alone would tell both alike."""
    same = COLOURS | {"X2": COLOURS["X1"]}
    frames, looks, products = _set(ONE_SWAPPED, same)
    told = _of(frames, wrong_outlines(frames, looks, products, {}))
    assert {finding for finding in told.values()} == {("X1", "wrong_product"), ("X2", "wrong_product")}
    faces = dict.fromkeys(products["X1"][:2], ("X1", "swapped_views", 3.0, ""))
    assert not list(wrong_outlines(frames, looks, products, faces))


def test_fronts_of_two_products_of_one_colour_that_were_exchanged_are_told():
    """Y is tall on both faces, E square, both in one colour."""
    colours = COLOURS | {"Y": COLOURS["E"]}
    faces = lambda sku: (TALL, TALL) if sku == "Y" else (SQUARE, SQUARE)  # noqa: E731
    frames, looks, products = _set(_exchange(("E", "front"), ("Y", "front")), colours, faces)
    told = list(wrong_outlines(frames, looks, products, {}))
    assert _of(frames, told) == {("E", "front"): ("Y", "wrong_product"), ("Y", "front"): ("E", "wrong_product")}
    assert all(finding[2] >= 1 for _, finding in told)


@pytest.mark.parametrize("votes", [-2.0, -3.0])
def test_a_front_of_another_product_is_no_exchange_of_faces(monkeypatch, votes):
    """Its three-quarter view is unlike the foreign front, as it is unlike the back; colour and outline say whose it is."""
    monkeypatch.setattr(swapped_views, "turned_votes", lambda *_: {"A": votes, **dict.fromkeys("BCDE", 2.0)})
    monkeypatch.setattr(swapped_views, "_detail_votes", lambda *_: {})
    monkeypatch.setattr(swapped_views, "order_votes", lambda *_: {})
    frames, looks, products = _set({("A", "front"): ("B", "front")})
    fits, straps = None, dict.fromkeys(looks)
    told = _of(frames, swapped_front_and_back(frames, {}, looks, products, (), fits, straps, {}))
    assert told == {("A", "front"): ("B", "wrong_product")}
    frames, looks, products = _set(_exchange(("A", "front"), ("A", "back")))
    told = _of(frames, swapped_front_and_back(frames, {}, looks, products, (), fits, straps, {}))
    assert told == {("A", view): ("A", "swapped_views") for view in ("front", "back")}


def test_what_siblings_say_of_an_exchange_outweighs_a_face_unlike_its_other_one(monkeypatch):
    """X1's faces differ in outline, as they do as named; whose colour is X1's alone is no other product's."""
    monkeypatch.setattr(swapped_views, "turned_votes", lambda *_: {})
    monkeypatch.setattr(swapped_views, "_detail_votes", lambda *_: {})
    monkeypatch.setattr(swapped_views, "order_votes", lambda *_: {})
    monkeypatch.setattr(swapped_views, "_sibling_votes", lambda *_: {"X1": -2.0})
    frames, looks, products = _set(ONE_SWAPPED)
    told = _of(frames, swapped_front_and_back(frames, {}, looks, products, (), None, dict.fromkeys(looks), {}))
    assert told == {("X1", view): ("X1", "swapped_views") for view in ("front", "back")}


def test_a_back_of_another_product_is_no_turned_view():
    """The front mirrors no back of its own then; the base of the foreign picture slopes by chance."""
    faces = lambda sku: (TALL, TALL) if sku == "B" else (SQUARE, SQUARE)  # noqa: E731
    frames, looks, products = _set({("A", "back"): ("B", "back")}, faces_of=faces)
    slopes = {("A", "back"): 7.0, ("A", "three_quarter"): 0.0}
    edges = {
        frames["file"][row]: {"front_edge": np.array([0.5, 0.8, np.tan(np.radians(slopes.get((frames["sku"][row], frames["view"][row]), 0.0))), 0.002, 1.0])}
        for row in looks
    }
    looks[products["A"][2]] = _look(COLOURS["A"], 0.05, 0)  # its three-quarter view is nearly as square as its front
    assert not list(odd_turn(frames, edges, looks, products, dict.fromkeys(looks)))


def test_the_other_half_of_an_exchange_is_told_and_a_picture_at_home_is_not():
    frames, looks, products = _set(_exchange(("A", "detail"), ("B", "detail")))
    crops = {row for row in looks if frames["view"][row] == "detail"}
    first, second = (frames.index[frames["file"] == f"{sku}_detail.jpg"][0] for sku in "AB")
    found = {first: ("B", "wrong_detail", 1.5, "")}
    assert _of(frames, other_halves(frames, looks, products, found)) == {("B", "detail"): ("A", "wrong_detail")}
    frames, looks, products = _set({("A", "detail"): ("B", "detail")})
    assert second in crops and not list(other_halves(frames, looks, products, found))


def test_evidence_is_antisymmetric_and_names_the_owner():
    frames, looks, products = _set(_exchange(("A", "front"), ("B", "front")))
    known = belonging(frames, looks, products)
    row = products["A"][0]
    assert nats_for(known, row, "A", "B", "front", products["B"][:1]) == pytest.approx(-nats_for(known, row, "B", "A", "front", products["B"][:1]))
    assert likeliest_owner(known, row, "A", "front") == ("B", pytest.approx(nats_for(known, row, "A", "B", "front")))
    at_home = products["C"][0]
    assert likeliest_owner(known, at_home, "C", "front")[1] < 0


def test_few_products_tell_nothing():
    frames, looks, products = _set(colours={sku: COLOURS[sku] for sku in "ABC"})
    assert belonging(frames, looks, products) is None and not list(other_halves(frames, looks, products, {0: ("B", "wrong_product", 1.0, "")}))
