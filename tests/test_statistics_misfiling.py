"""The order of capture as evidence: slipped names, and bags that look alike exchanged."""

import dataclasses

import numpy as np
import pandas as pd
import pytest
from bag_scenes import COLOURS, Delivery, clean_delivery, photograph, style
from catalogue_audit.delivery.brief import load_brief
from catalogue_audit.findings.identity import without_measures_of_another_kind
from catalogue_audit.findings.judge import find
from catalogue_audit.findings.verdict import count_causes
from catalogue_audit.report.actions import things_to_do
from catalogue_audit.statistics.matching import misfiling
from catalogue_audit.statistics.matching.identity import misfiled
from catalogue_audit.statistics.matching.looks import Look
from catalogue_audit.statistics.matching.misfiling import as_shown, measured_as_another
from catalogue_audit.statistics.matching.shooting_order import names_shifted
from making_evidence import evidence_of

SHADES = {name: COLOURS[name] for name in ("black", "tan", "red")}
OF_THE_NAME = ("file", "sku", "view", "view_kind", "position", "style", "captured_at", "camera_model")


@pytest.fixture(scope="module")
def timed():
    """36 pictures in order of capture, in which nothing is wrong."""
    return clean_delivery(3, SHADES, times=True)


def renamed(delivery, content_of):
    """The delivery with the content of each place in capture order taken from another place, or a (row, sketch) of its own."""
    changed = Delivery()
    rows = delivery.rows
    for place, row in enumerate(rows):
        source = content_of(place)
        facts, sketch = (rows[source], delivery.sketches[rows[source]["file"]]) if isinstance(source, int) else source
        own = {key: row[key] for key in OF_THE_NAME if key in row}
        changed.rows.append({**{key: value for key, value in facts.items() if key not in OF_THE_NAME}, **own})
        changed.sketches[row["file"]] = sketch
    return changed


def another_take(delivery, place):
    """One more photograph of what lies at a place."""
    row = delivery.rows[place]
    sku, view = row["sku"], row["view"]
    more = Delivery()
    shape, colour = style(int(sku[2:4])), SHADES[sku.partition("-")[2]]
    more.add("more.jpg", *photograph(shape, colour, view, "a second take"), sku, view)
    return more.rows[0], more.sketches["more.jpg"]


def test_in_order_nothing_is_misfiled(timed):
    assert misfiled(*timed.tables()).empty


@pytest.mark.parametrize("begin", [6, 13])
def test_names_slipped_by_one_picture_are_one_cause_with_its_files(timed, begin):
    """A second take was not taken out before the files were named in order: each name from there on shows the one before."""
    extra = another_take(timed, begin - 1)
    slipped = renamed(timed, lambda place: place if place < begin else extra if place == begin else place - 1)
    frames, sketches = slipped.tables()
    found = misfiled(frames, sketches)
    names = [row["file"] for row in slipped.rows]
    first = next(place for place in range(begin, len(names)) if names[place] in set(found["file"]))
    assert set(found["file"]) >= set(names[first:]) and first - begin <= 4  # the first border after it tells
    assert set(found["kind"]) == {"shifted"} and found["cause"].nunique() == 1 and names[first] in found["cause"].iloc[0]
    shown = dict(zip(found["file"], zip(found["likely_sku"], found["likely_view"], strict=True), strict=True))
    for place in range(first, len(names)):
        before = timed.rows[place - 1]
        assert shown[names[place]] == (before["sku"], before["view"])
    evidence = evidence_of(frames, load_brief(), misfiled=found)
    findings, _ = find(dataclasses.replace(evidence, names=()))
    wrong = findings[findings["check"] == "wrong_product"].reset_index(drop=True)
    assert set(wrong["file"]) == set(found["file"])
    assert count_causes(wrong) == 1 and len(things_to_do(wrong)) == 1
    another = measured_as_another(frames, found)
    assert another == {file for file, (_, view) in shown.items() if ("detail" in file) != (view == "detail")}
    rows = [{"check": check, "file": file} for file in names for check in ("background", "jpeg_quality")]
    left = without_measures_of_another_kind(rows, dataclasses.replace(evidence, frames=frames))
    assert [row for row in rows if row not in left] == [{"check": "background", "file": file} for file in names if file in another]


def test_names_slipped_the_other_way_are_one_cause_too(timed):
    """A picture was lost before the files were named in order."""
    last = another_take(timed, len(timed.rows) - 1)
    slipped = renamed(timed, lambda place: place if place < 9 else place + 1 if place + 1 < len(timed.rows) else last)
    found = misfiled(*slipped.tables())
    assert set(found["kind"]) == {"shifted"} and found["cause"].nunique() == 1
    assert 20 <= len(found) <= 27


@pytest.mark.parametrize("left_out", [12, None])
def test_the_picture_whose_name_was_left_out_belongs_to_the_slip(timed, left_out):
    """The first name of a product was not given: its first picture bears the second name, and so on to the end."""
    slipped = renamed(timed, lambda place: place if left_out is None or place <= left_out else place - 1)
    if left_out is not None:
        lost = slipped.rows.pop(left_out)
        del slipped.sketches[lost["file"]]
    found = misfiled(*slipped.tables())
    assert found.empty if left_out is None else set(found["kind"]) == {"shifted"} and found["cause"].nunique() == 1
    if left_out is not None:
        first = found[found["file"] == timed.rows[left_out + 1]["file"]]
        assert first[["likely_sku", "likely_view"]].to_numpy().tolist() == [[lost["sku"], lost["view"]]]
        assert found["file"].tolist() == sorted(row["file"] for row in timed.rows[left_out + 1 :])


def test_slipped_names_tell_though_a_detail_lies_under_each_products_whole_view(seed=4):
    """Of four views taken in order of which one is a detail, the slip leaves a foreign picture and a detail among what a product's names call whole."""
    g = np.random.default_rng(seed)
    skus = [f"B{number:02d}" for number in range(9)]
    slots = [(sku, view) for sku in skus for view in ("three_quarter", "front", "detail", "back")]
    own = {sku: 25 * number * np.ones(15) for number, sku in enumerate(g.permutation(skus))}
    shown = [slots[place - (12 <= place < 28)] for place in range(len(slots))]
    looks = {}
    for row, ((sku, view), (_, named)) in enumerate(zip(shown, slots, strict=True)):
        unseen = 40 if (view == "detail") != (named == "detail") else 0  # no outline of the product is found in a crop that is called whole
        looks[row] = Look(own[sku] + unseen * (view == "detail"), None, None, 1.0, 0.5 if view == "detail" else 0.0, 0.3)
    frames = pd.DataFrame(slots, columns=["sku", "view"], dtype="str").assign(
        file=[f"{number:03d}.jpg" for number in range(len(slots))],
        view_kind=["crop" if view == "detail" else "upright" for _, view in slots],
        captured_at=[f"2025-03-04T10:{number:02d}:00" for number in range(len(slots))],
        camera_make=None, camera_model=None, camera_serial=None,
    )  # fmt: skip
    products = {}
    for row, (sku, view) in enumerate(slots):
        if view != "detail":
            products.setdefault(sku, []).append(row)
    found = dict(names_shifted(frames, looks, products))
    assert set(range(16, 25)) <= set(found) <= set(range(12, 28))  # the border before and the border after are between two and six pictures away
    assert {row: (one[0], one[4]) for row, one in found.items()} == {row: slots[row - 1] for row in found}
    told = pd.DataFrame([(frames["file"][row], "shifted", one[0], one[4]) for row, one in found.items()], columns=["file", "kind", "likely_sku", "likely_view"])
    kinds = as_shown(frames.assign(style=None), told)["view_kind"]
    assert {row for row in found if kinds[row] == "other"} == {row for row in found if "detail" in (shown[row][1], slots[row][1])}


@pytest.mark.parametrize("how", ["the last shows the first", "one was lost", "the names of one bag went round"])
@pytest.mark.parametrize("timed_names", [True, False])
def test_names_slipped_within_two_products_are_told_by_their_details_too(how, timed_names, seed=7):
    """One border between two products is too little; that their details and what lies before these changed places makes it sure. Within one bag no name slipped from another."""
    g = np.random.default_rng(seed)
    skus = [f"B{number:02d}" for number in range(7)]
    slots = [(sku, view) for sku in skus for view in ("back", "detail", "front", "three_quarter")]
    begin, end = (8, 12) if how == "the names of one bag went round" else (8, 16)
    shown = list(range(len(slots)))
    shown[begin:end] = [*range(begin + 1, end), begin]
    if how == "one was lost":
        slots, shown = [one for place, one in enumerate(slots) if place != end - 1], [one for place, one in enumerate(shown) if place != end - 1]
    full = [(sku, view) for sku in skus for view in ("back", "detail", "front", "three_quarter")]
    colours = {sku: 25 * number * np.ones(15) for number, sku in enumerate(skus)}
    looks = {}
    for row, (place, (_, named)) in enumerate(zip(shown, slots, strict=True)):
        sku, view = full[place]
        if view != "detail" or named == "detail":  # a detail that is called a whole product shows no outline of one
            looks[row] = Look(colours[sku] + g.normal(0, 0.5, 15), None, None, 1.0, 0.5 if view == "detail" else 0.0, 0.3)
    frames = pd.DataFrame(slots, columns=["sku", "view"], dtype="str").assign(
        file=[f"{number:03d}.jpg" for number in range(len(slots))],
        view_kind=["crop" if view == "detail" else "upright" for _, view in slots],
        captured_at=[f"2025-03-04T10:{number:02d}:00" for number in range(len(slots))] if timed_names else None,
        camera_make=None, camera_model=None, camera_serial=None,
    )  # fmt: skip
    products = {}
    for row, (sku, view) in enumerate(slots):
        if view != "detail" and row in looks:
            products.setdefault(sku, []).append(row)
    found = dict(names_shifted(frames, looks, products))
    last = {"the last shows the first": end - 1, "one was lost": end - 2, "the names of one bag went round": begin}[how]  # what shows a picture whose name is lost has no slot
    assert {row: (one[0], one[4]) for row, one in found.items()} == {row: full[shown[row]] for row in range(begin, last)}


def test_one_picture_under_the_next_products_name_is_no_slip(timed):
    places = {row["file"]: place for place, row in enumerate(timed.rows)}
    one, other = places["ST00-tan_front.jpg"], places["ST00-red_front.jpg"]
    swap = {one: other, other: one}
    found = misfiled(*renamed(timed, lambda place: swap.get(place, place)).tables())
    assert set(found["file"]) == {"ST00-tan_front.jpg", "ST00-red_front.jpg"} and set(found["kind"]) == {"wrong_product"}


def test_two_bags_that_look_alike_are_told_apart_by_the_order_of_capture():
    """Two black bags of one style, say in two sizes; their fronts were filed under one another's names."""
    twins = {"black": COLOURS["black"], "black2": COLOURS["black"], "tan": COLOURS["tan"]}
    delivery = clean_delivery(3, twins, times=True)
    assert misfiled(*delivery.tables()).empty
    times = {row["file"]: row["captured_at"] for row in delivery.rows}
    one, other = "ST01-black_front.jpg", "ST01-black2_front.jpg"
    for row in delivery.rows:
        row["captured_at"] = times[{one: other, other: one}.get(row["file"], row["file"])]
    found = misfiled(*delivery.tables())
    assert set(found["file"]) == {one, other} and set(found["kind"]) == {"wrong_product"}
    assert dict(zip(found["file"], found["likely_sku"], strict=True)) == {one: "ST01-black2", other: "ST01-black"}
    assert "captured among" in found["evidence"].iloc[0]


def test_a_photograph_that_two_products_claim_has_no_vote_on_what_a_product_looks_like(timed):
    """Of three views of a tan bag one shows the red bag, and one is the red bag's photograph once more: the tan one is at home, two red ones are not."""
    places = {row["file"]: place for place, row in enumerate(timed.rows)}
    red = another_take(timed, places["ST00-red_front.jpg"])
    content = {places["ST00-tan_front.jpg"]: red, places["ST00-tan_back.jpg"]: places["ST00-red_three_quarter.jpg"]}
    frames, sketches = renamed(timed, lambda place: content.get(place, place)).tables()
    twice = pd.DataFrame({"file_a": ["ST00-red_three_quarter.jpg"], "file_b": ["ST00-tan_back.jpg"], "kind": ["same_pixels"]})
    found = misfiled(frames, sketches, twice).set_index("file")
    assert found.loc["ST00-tan_front.jpg", "kind"] == "wrong_product" and found.loc["ST00-tan_front.jpg", "likely_sku"] == "ST00-red"
    assert "ST00-tan_three_quarter.jpg" not in found.index and not found.index.str.startswith("ST00-red").any()


def test_a_photograph_is_not_told_to_be_of_the_product_that_only_its_own_copy_is_filed_under(timed):
    """A black bag that was not delivered is filed under a red and a tan one; of the tan one's own pictures no outline is sure."""
    places = {row["file"]: place for place, row in enumerate(timed.rows)}
    black = another_take(timed, places["ST00-black_three_quarter.jpg"])
    one, other = "ST00-red_three_quarter.jpg", "ST00-tan_three_quarter.jpg"
    frames, sketches = renamed(timed, lambda place: black if place in (places[one], places[other]) else place).tables()
    frames = frames[~frames["sku"].str.endswith("black")].reset_index(drop=True)
    unsure = {file for file in frames["file"] if file.startswith("ST00-tan") and file != other}
    sketches = {file: {} if file in unsure else sketch for file, sketch in sketches.items()}
    twice = pd.DataFrame({"file_a": [one], "file_b": [other], "kind": ["same_pixels"]})
    assert "ST00-tan" not in set(misfiled(frames, sketches, twice)["likely_sku"])


def test_a_detail_captured_among_another_products_pictures_is_told_beside_exchanged_faces(timed):
    """Names were given wrongly after the pictures were taken: what is foreign is a detail, and explains no exchange of faces, nor is explained by it."""
    names = [(row["sku"], row["view"]) for row in timed.rows]
    swap = {("ST00-tan", "front"): ("ST00-tan", "back"), ("ST00-tan", "detail"): ("ST01-red", "detail")}
    swap = {names.index(one): names.index(other) for one, other in (swap | {other: one for one, other in swap.items()}).items()}
    changed = renamed(timed, lambda place: swap.get(place, place))
    for place, row in enumerate(changed.rows):
        row["captured_at"] = timed.rows[swap.get(place, place)]["captured_at"]
    found = misfiled(*changed.tables()).set_index("file")
    assert found["kind"].to_dict() == {
        "ST00-tan_back.jpg": "swapped_views", "ST00-tan_front.jpg": "swapped_views",
        "ST00-tan_detail.jpg": "wrong_detail", "ST01-red_detail.jpg": "wrong_detail",
    }  # fmt: skip
    assert found["likely_sku"].to_dict() | {"ST00-tan_back.jpg": "", "ST00-tan_front.jpg": ""} == {
        "ST00-tan_back.jpg": "", "ST00-tan_front.jpg": "", "ST00-tan_detail.jpg": "ST01-red", "ST01-red_detail.jpg": "ST00-tan",
    }  # fmt: skip


@pytest.mark.parametrize(("kind", "score", "told"), [("swapped_views", 1.1, True), ("swapped_views", 3.0, True), ("wrong_product", 3.0, False)])
def test_an_exchange_of_faces_does_not_explain_a_foreign_detail_and_faces_of_another_product_do(timed, monkeypatch, kind, score, told):
    frames, sketches = timed.tables()
    row = {file: number for number, file in enumerate(frames["file"])}
    front, back, detail = (row[f"ST00-tan_{view}.jpg"] for view in ("front", "back", "three_quarter"))  # any third picture serves
    likely = {"swapped_views": "ST00-tan", "wrong_product": "ST00-red"}[kind]
    monkeypatch.setattr(misfiling, "swapped_front_and_back", lambda *_: [(face, (likely, kind, 2.0, "")) for face in (front, back)])
    monkeypatch.setattr(misfiling, "wrong_details", lambda *_: [(detail, ("ST01-red", "wrong_detail", score, ""))])
    found = misfiled(frames, sketches).set_index("file")["kind"]
    assert found["ST00-tan_front.jpg"] == kind
    assert ("ST00-tan_three_quarter.jpg" in found) == told
