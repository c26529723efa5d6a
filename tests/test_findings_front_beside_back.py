"""A front and a back of two sizes, taken from one distance."""

import pandas as pd
import pytest
from catalogue_audit.delivery.brief import load_brief
from catalogue_audit.findings.judge import find
from making_evidence import changed, clean_frames, evidence_of

FRONT, BACK = "NB-104_front.jpg", "NB-104_back.jpg"


def judged(front_by, rule="fixed_distance", high_by=None, scale_dev=0.0, back_dev=0.0, **given):
    """Findings where each product's front and back are of one size, but for this one's front."""
    frames = clean_frames(products=12, seed=3)
    whole = frames["view_kind"] == "upright"
    frames = frames.assign(fill_width=frames["fill_width"].where(~whole, 0.5), fill_height=frames["fill_height"].where(~whole, 0.6))
    frames = changed(frames, FRONT, fill_width=0.5 * front_by, fill_height=0.6 * (high_by or front_by), scale_dev=scale_dev)
    frames = changed(frames, BACK, scale_dev=back_dev)
    return find(evidence_of(frames, load_brief(), framing_rule=rule, **given))[0]


@pytest.mark.parametrize(("by", "size"), [(0.88, "smaller"), (1.13, "larger")])
@pytest.mark.parametrize("rule", ["fixed_distance", "front_distance"])
def test_where_nothing_tells_which_of_two_is_off_both_pictures_are_named(rule, by, size):
    (row,) = judged(by, rule, scale_dev=(by - 1) / 4).to_dict("records")
    assert (row["check"], row["file"], row["remedy"]) == ("scale", FRONT, "check")
    assert row["value"] == pytest.approx(by - 1, abs=0.005)
    assert all(word in row["note"] for word in (size, FRONT, BACK))


def test_of_the_two_the_picture_that_lies_further_from_the_set_is_shown():
    (row,) = judged(0.88, back_dev=0.03, scale_dev=-0.02).to_dict("records")
    assert row["file"] == BACK and row["value"] == pytest.approx(1 / 0.88 - 1, abs=0.005)


@pytest.mark.parametrize(
    ("by", "given"),
    [(0.94, {}), (0.88, {"high_by": 0.94}), (0.88, {"rule": "first_limit"}), (0.88, {"rule": "equal_height"})],
    ids=["no more than a strap makes", "of another outline", "each picture framed", "of one height"],
)
def test_what_differs_by_nature_is_not_told(by, given):
    assert judged(by, **given).empty


def test_a_picture_that_is_told_by_itself_is_not_told_twice():
    (row,) = judged(0.88, scale_dev=-0.12).to_dict("records")
    assert row["file"] == FRONT and row["check"] == "scale"


def test_a_picture_of_another_product_is_no_size_of_this_one():
    misfiled = pd.DataFrame({"file": [BACK], "claimed_sku": "NB-104", "likely_sku": "NB-107", "kind": "wrong_product", "score": 0.9, "cause": "", "evidence": ""})
    assert list(judged(0.88, misfiled=misfiled)["check"]) == ["wrong_product"]
