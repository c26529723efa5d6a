"""Rows of the frames table from facts and names."""

import shutil
from pathlib import Path

import pandas as pd
import pytest
from catalogue_audit.delivery.brief import load_brief
from catalogue_audit.delivery.name_numbers import BY_PICTURES
from catalogue_audit.delivery.names import read_names
from catalogue_audit.delivery.source import open_delivery
from catalogue_audit.runs import store
from catalogue_audit.runs.frames import frame_row, measure_frames


@pytest.mark.parametrize(
    ("file", "target", "kind"),
    [
        ("grey-card.jpg", "grey card", "target"),
        ("AL-1_front.jpg", "grey card", "upright"),
        ("AL-1_front.jpg", "24 patches", "target"),
        ("IMG_0001.jpg", "grey card", "target"),
    ],
)
def test_a_plain_grey_rectangle_named_as_a_product_is_one(file, target, kind):
    others = [f"AL-{number}_{view}.jpg" for number in (1, 2, 3) for view in ("front", "back")]
    (name,) = [name for name in read_names(sorted({file, *others}), load_brief()) if name.file == file]
    row = frame_row(name, {"target": target, "target_de": 1.0, "reasons": ()}, {})
    assert row["view_kind"] == kind
    assert row.get("target") == (target if kind == "target" else None)


NUMBER_OF = {"front": 1, "three-quarter": 2, "back": 3, "detail": 4}


@pytest.fixture(scope="module")
def numbered(tmp_path_factory):
    """Four products of the demo, their views replaced by numbers, and a picture that carries neither."""
    folder = tmp_path_factory.mktemp("numbered")
    pictures = sorted((Path(__file__).parents[1] / "data_demo" / "small").glob("*_*.jpg"))
    skus = list(dict.fromkeys(picture.stem.split("_")[0] for picture in pictures))[:4]
    for picture in pictures:
        sku, _, view = picture.stem.partition("_")
        if sku in skus and view in NUMBER_OF:
            shutil.copy(picture, folder / f"{sku}_{NUMBER_OF[view]}.jpg")
    shutil.copy(pictures[0], folder / "landscape_4.jpg")
    return folder


def frames_of(folder, work, brief):
    source = open_delivery(str(folder))
    connection, _ = store.open_store(work)
    try:
        frames, sketches, names = measure_frames(source, source.listing(), brief, None, connection, work)
        sketches.close()
    finally:
        connection.close()
    return frames.assign(reason=frames["reason"].astype(str)), names


def test_numbered_pictures_get_the_view_and_the_measures_that_a_list_in_the_brief_gives_them(numbered, tmp_path):
    brief = load_brief()
    listed = brief.model_copy(update={"views": brief.views.model_copy(update={"numbered": ["front", "three_quarter", "back", "detail"]})})
    told, names = frames_of(numbered, tmp_path, brief)
    again, _ = frames_of(numbered, tmp_path, brief)  # from what was kept
    by_list, _ = frames_of(numbered, tmp_path, listed)
    pd.testing.assert_frame_equal(told, again)
    columns = [column for column in told.columns if column != "position"]
    ours = told["file"] != "landscape_4.jpg"
    pd.testing.assert_frame_equal(told.loc[ours, columns], by_list.loc[ours, columns])
    assert set(told.loc[ours, "view"]) == {"front", "three_quarter", "back", "detail"}
    assert (told.loc[~ours, "view"].fillna("") == "").all() and {name.problem for name in names if name.sku} == {BY_PICTURES}
