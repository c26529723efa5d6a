"""Finals beside their originals: the frame drawn where the crop was, what is said of each pair, and what is left out."""

import dataclasses

import cv2
import numpy as np
import pytest
from bs4 import BeautifulSoup
from catalogue_audit.report import pairs
from making_audit import make_audit
from making_report import write_made_report


def with_originals(audit, files, **columns):
    """The audit with some finals paired with pictures of its own."""
    frames = audit.frames.copy()
    values = {"original_left": 0.2, "original_top": 0.1, "original_right": 0.8, "original_bottom": 0.9, "original_rotation_deg": -3.0, "original_scale": 1.4} | columns
    for number, file in enumerate(files):
        row = frames.index[frames["file"] == file][0]
        frames.loc[row, "original_file"] = f"day one/<b>HS{number:04d}.jpg"
        frames.loc[row, list(values)] = list(values.values())
    sketches = {f"day one/<b>HS{number:04d}.jpg": audit.sketches[file] for number, file in enumerate(files)}
    return dataclasses.replace(audit, frames=frames, original_sketches=sketches, summary=audit.summary | {"originals": {"paired": len(files)}})


@pytest.mark.parametrize("turn", [-7.0, 0.0, 4.0])
def test_the_frame_is_drawn_where_the_final_was_cut_from(turn):
    """OpenCV turns the original counter-clockwise for +, so by -turn; a crop box of the turned picture must come back to the corners drawn."""
    size, box = (400, 500), (0.3, 0.2, 0.8, 0.7)
    frame = dict(zip(("original_left", "original_top", "original_right", "original_bottom"), box, strict=True)) | {"original_rotation_deg": turn}
    corners = pairs.crop_corners(frame, size)
    middle = corners.mean(axis=0)
    turned = cv2.transform(corners[None], cv2.getRotationMatrix2D(tuple(middle), -turn, 1.0))[0]
    upright = np.array([(0.3, 0.2), (0.8, 0.2), (0.8, 0.7), (0.3, 0.7)]) * (size[0] - 1, size[1] - 1)
    assert turned == pytest.approx(upright, abs=1e-6)


def test_no_frame_is_drawn_where_the_crop_is_not_known():
    frame = dict.fromkeys(("original_left", "original_top", "original_right", "original_bottom", "original_rotation_deg"), None)
    assert pairs.crop_corners(frame, (100, 100)) is None


def test_pairs_with_findings_come_first_and_the_rest_is_counted(tmp_path, monkeypatch):
    monkeypatch.setattr(pairs, "SHOWN", 3)
    audit = make_audit()
    seen = audit.frames.loc[audit.frames["status"] != "not_measured", "file"]
    flawed, fine = (seen[seen.isin(audit.findings["file"]) == known].to_list() for known in (True, False))
    files = [*fine[:3], *flawed[:2]]
    audit = with_originals(audit, files)
    page = BeautifulSoup((write_made_report(audit, tmp_path) / "report.html").read_text(encoding="utf-8"), "html.parser")
    section = page.find(attrs={"aria-labelledby": "originals"})
    items = section.select("li")
    assert [item.bdi.text for item in items][:2] == flawed[:2]
    assert len(items) == 3 and "2 more pairs" in section.text
    assert all((tmp_path / item.img["src"]).is_file() for item in items)
    assert section.find("b") is None and "<b>HS0003.jpg" in section.text
    assert "turned −3.0°, enlarged 1.40 times" in items[0].text
    assert "Without an original" in section.text


def test_without_originals_the_page_says_nothing_of_them(tmp_path):
    page = (write_made_report(make_audit(), tmp_path) / "report.html").read_text(encoding="utf-8")
    assert "beside their originals" not in page and not list((tmp_path / "pictures").glob("b0*.jpg"))
