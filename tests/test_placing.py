"""Placing outlines: the picture nearest to the middle, at the camera's size, and the sheet with the measured turn."""

import json
import sqlite3

import numpy as np
import pytest
from catalogue_audit.errors import AuditError, UsageError
from catalogue_audit.measures.sketch import pack_sketch
from catalogue_audit.report.audit import write_data
from catalogue_audit.report.placing import SHEET_NAME, placing_words, write_placings, write_table_sheet
from catalogue_audit.runs import store
from catalogue_audit.runs.placing import placing_outline
from catalogue_audit.statistics.geometry.placing import placings
from making_audit import make_audit, paint_bag
from PIL import Image

TURN = 34.6


@pytest.fixture
def report(tmp_path):
    """A written report whose pictures' outlines lie in the store beside it."""
    audit = make_audit()
    frames = audit.frames.copy()
    turned = frames["view"] == "three_quarter"
    frames["yaw_deg"] = np.where(turned, TURN + np.linspace(-0.5, 0.5, len(frames)), np.nan)
    folder = tmp_path / "reports" / "2026-03-02_drop"
    folder.mkdir(parents=True)
    frames["sha256"] = [f"content{number}" for number in range(len(frames))]
    object.__setattr__(audit, "frames", frames)
    write_data(audit, folder)
    connection, _ = store.open_store(tmp_path / "reports" / ".catalogue-audit")
    for row in frames.to_dict("records"):
        _, outline = paint_bag((90, 70, 60), row["view"] if isinstance(row["view"], str) else "front")
        store.keep(connection, "v1", row["sha256"], {"sha256": row["sha256"], "reasons": []}, pack_sketch({"outline": outline}))
    connection.commit()
    connection.close()
    return folder, frames


def test_every_view_gets_a_transparent_outline_of_the_cameras_size(report, tmp_path):
    folder, frames = report
    written = placing_outline(folder, to=tmp_path / "placing")
    views = sorted(set(frames.loc[frames["view_kind"].isin(("upright", "overhead")) & frames["left"].notna(), "view"].dropna()))
    assert [path.name for path in written] == [f"placing_{view}.png" for view in views] + [SHEET_NAME]
    for view, path in zip(views, written, strict=False):
        picture = Image.open(path)
        sizes = set(zip(*[frames.loc[frames["view"] == view, name].dropna().astype(int) for name in ("width_px", "height_px")], strict=True))
        assert picture.mode == "RGBA" and picture.size in sizes
        alpha = np.asarray(picture)[..., 3]
        assert 0 < (alpha > 0).mean() < 0.2  # lines, and nothing between them


def test_the_outline_lies_where_the_product_stands(report, tmp_path):
    folder, _ = report
    (path, _) = placing_outline(folder, view="front", to=tmp_path / "placing")
    pixels = np.asarray(Image.open(path)).astype(int)
    blue = (pixels[..., 3] == 255) & (np.abs(pixels[..., :3] - (0, 114, 178)).max(axis=2) < 8)
    rows, columns = np.nonzero(blue)
    _, outline = paint_bag((90, 70, 60), "front")
    size = np.array(pixels.shape[1::-1])
    np.testing.assert_allclose([columns.min(), rows.min(), columns.max(), rows.max()] / np.tile(size, 2), [*outline.min(0), *outline.max(0)], atol=0.006)


def test_the_sheet_says_the_measured_turn(report):
    _, frames = report
    found = {placing.view: placing for placing in placings(frames)}
    turned = found["three_quarter"]
    assert abs(turned.yaw_deg - TURN) < 0.5 and turned.yaw_error_deg < 0.5
    assert f"{turned.yaw_deg:.1f}° towards the right" in " ".join(placing_words(turned))
    assert "could not be measured" in " ".join(placing_words(found["front"]))


def test_nothing_is_replaced_and_what_is_missing_is_told(report, tmp_path):
    folder, _ = report
    placing_outline(folder, to=tmp_path / "placing")
    with pytest.raises(AuditError, match="exists already"):
        placing_outline(folder, to=tmp_path / "placing")
    with pytest.raises(UsageError, match="Its views are"):
        placing_outline(folder, view="from below", to=tmp_path / "other")
    with pytest.raises(UsageError, match="no report"):
        placing_outline(tmp_path, to=tmp_path / "other")
    connection = sqlite3.connect(folder.parent / ".catalogue-audit" / store.STORE_NAME)
    connection.execute("DELETE FROM measured")
    connection.commit()
    connection.close()
    with pytest.raises(UsageError, match="No outline of this report"):
        placing_outline(folder, to=tmp_path / "other")
    assert not (tmp_path / "other").exists()


def test_a_views_name_is_no_path(report, tmp_path):
    _, frames = report
    (placing, *_) = placings(frames)
    outline = np.array([(0.2, 0.2), (0.8, 0.2), (0.5, 0.9)])
    written = write_placings([placing._replace(view="../../harm <b>")], {placing.file: outline}, tmp_path / "out", json.dumps("<drop>"))
    assert {path.parent for path in written} == {tmp_path / "out"}


@pytest.mark.parametrize("turn", [0.0, 1e-9, -0.02])
def test_a_view_that_is_not_turned_has_a_sheet_too(tmp_path, turn):
    pytest.importorskip("reportlab", reason="ReportLab is not installed")
    frames = make_audit().frames
    found = [placing._replace(yaw_deg=turn) for placing in placings(frames.assign(yaw_deg=turn))]
    write_table_sheet(found, tmp_path / SHEET_NAME, "drop")
    assert (tmp_path / SHEET_NAME).stat().st_size > 1000
