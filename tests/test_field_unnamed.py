"""Deliveries whose names do not say what the pictures show: one thing to ask for, nothing guessed."""

import pandas as pd
import pytest

from catalogue_audit.delivery.brief import load_brief
from catalogue_audit.delivery.name_numbers import BY_PICTURES
from catalogue_audit.delivery.names import NameFacts
from catalogue_audit.findings.completeness import missing_view
from catalogue_audit.findings.files import jpeg_quality, unexpected_file
from catalogue_audit.measures.applicability import applicable
from making_evidence import clean_frames, evidence_of


@pytest.fixture(scope="module")
def frames():
    return clean_frames(products=8, seed=4)


def listed_products(frames):
    return pd.DataFrame({"sku": frames["sku"].dropna().unique()}).assign(style="", colourway="", due="")


def asked(frames, **given):
    return list(missing_view(evidence_of(frames, load_brief(), **given)))


def test_numbered_pictures_of_known_products_are_one_thing_to_rename(frames):
    numbered = frames.assign(view="", view_kind="other")
    for given in ({}, {"products": listed_products(frames)}):
        (row,) = asked(numbered, **given)
        assert (row["severity"], row["remedy"], row.get("sku")) == ("major", "rename", None)
        assert "8 products" in row["note"] and "views.numbered" in row["note"]


def test_one_numbered_product_among_named_ones_is_named(frames):
    sku = frames["sku"].iloc[0]
    numbered = frames.assign(view=frames["view"].where(frames["sku"] != sku, ""))
    (row,) = asked(numbered)
    assert row["sku"] == sku and row["remedy"] == "rename"


def test_a_cameras_own_names_beside_a_products_file_do_not_make_every_product_missing(frames):
    nameless = frames.assign(view="", sku="", view_kind="other")
    (row,) = asked(nameless, products=listed_products(frames))
    assert (row["severity"], row["remedy"]) == ("major", "rename")
    assert asked(nameless, products=None) == []


def test_a_missing_view_names_the_picture_that_may_show_it(frames):
    file = frames.loc[frames["view"] == "back", "file"].iloc[0]
    frames = frames.assign(view=frames["view"].where(frames["file"] != file, ""))
    (row,) = asked(frames)
    assert row["view"] == "back" and file in row["note"] and row["severity"] == "critical"


def test_a_picture_of_unknown_view_and_doubtful_outline_has_no_background():
    facts = {"outline_confidence": 0.2, "background_L": 70.0, "white_red": 1.1, "sha256": "0"}
    assert applicable(facts, "", "other")[0] == {"outline_confidence": 0.2, "sha256": "0"}
    assert applicable(facts, "front", "upright")[0].get("background_L") == 70.0


def test_views_told_by_pictures_are_one_finding_to_confirm(frames):
    names = [
        NameFacts(file, sku, view, None, BY_PICTURES) for file, sku, view in zip(frames["file"], frames["sku"], frames["view"], strict=True)
    ]
    rows = list(unexpected_file(evidence_of(frames, load_brief(), names=names)))
    (row,) = [row for row in rows if "views.numbered" in row["note"]]
    assert (row["severity"], row["remedy"], row.get("file"), row["value"]) == ("minor", "rename", None, len(frames))
    assert "_front.jpg as front" in row["note"] and "as three-quarter" in row["note"]


def test_a_view_that_all_lack_may_be_among_pictures_of_no_known_view(frames):
    frames = frames.assign(view=frames["view"].where(frames["view"] != "back", ""))
    (row,) = asked(frames)
    assert row["view"] == "back" and "unless their pictures of no known view show it" in row["note"]


def test_a_lone_jpeg_is_not_said_to_be_unlike_itself(frames):
    alone = frames["file"] == frames["file"].iloc[0]
    for quality, usual in ((pd.Series(90.0, frames.index), "as 90 is usual"), (pd.Series(float("nan"), frames.index), "")):
        given = frames.assign(jpeg_quality=quality.mask(alone, 1.0))
        (row,) = list(jpeg_quality(evidence_of(given, load_brief())))
        assert row["value"] == 1 and ("is usual" in row["note"]) == bool(usual) and usual in row["note"]
