"""Evidence pictures: made for every finding, from sketches only, with the measurement on them."""

import dataclasses
import re

import cv2
import numpy as np
import pytest
from catalogue_audit.measures.geometry.handles import STAND
from catalogue_audit.report import pictures
from catalogue_audit.report.actions import in_order_of_work, things_to_do
from catalogue_audit.report.drawing import BAND, CAPTION, PANEL, decode_preview, fitted, jpeg_bytes
from catalogue_audit.report.evidence import DRAWINGS, Scene, evidence_picture
from catalogue_audit.report.evidence_detail import WINDOW, flat_place, telling_place
from catalogue_audit.report.evidence_pose import centre_cross, handles, stance
from catalogue_audit.report.picture_names import correction_name, evidence_name, thumb_name
from catalogue_audit.report.pictures import write_pictures
from catalogue_audit.report.wording import view_title
from catalogue_audit.schema import CHECKS
from making_audit import FAULTS, make_audit, paint_bag, sketch_of
from PIL import Image

VERMILION = np.array([213, 94, 0])
BLUE = np.array([0, 114, 178])


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    audit, folder = make_audit(), tmp_path_factory.mktemp("pictures")
    return audit, folder / "pictures", write_pictures(audit, folder)


def _scene(check, sketch, frame=None, marks=(), value=None, reference=None):
    finding = {"file": "a.jpg", "check": check, "remedy": CHECKS[check].remedy, "value": value, "expected": 0.0, "tolerance": CHECKS[check].tolerance, "unit": CHECKS[check].unit}
    return Scene(finding, frame or {}, sketch, list(marks), {}, reference or {}, "reference")


def _painted(picture, colour=VERMILION):
    """Rows and columns of pixels of a colour, the band of words left out."""
    array = np.asarray(picture)[: picture.height - BAND].astype(int)
    return np.nonzero((np.abs(array - colour) < 12).all(axis=2))


def test_every_finding_has_its_picture(written):
    audit, folder, sizes = written
    for row in range(len(audit.findings)):
        with Image.open(folder / evidence_name(row)) as picture:
            assert sizes[evidence_name(row)] == picture.size


@pytest.mark.parametrize(("check", "view", "frames"), [("missing_view", "back", ["missing: back"]), ("missing_view", None, ["missing"]), ("styling", None, [])])
def test_only_a_missing_picture_has_a_frame_among_a_product_s_pictures(monkeypatch, written, check, view, frames):
    captions, beside = [], pictures.beside
    monkeypatch.setattr(pictures, "beside", lambda shown, words, **options: captions.extend(words) or beside(shown, words, **options))
    audit = written[0]
    sku = audit.products["sku"].iloc[0]
    pictures.finding_picture({"check": check, "sku": sku, "view": view, "file": None, "note": "x"}, pictures.material_of(audit))
    assert [words for words in captions if words.startswith("missing")] == frames
    assert captions[0] in set(map(view_title, audit.frames.loc[audit.frames["sku"] == sku, "view"]))


def test_every_picture_that_could_be_read_has_its_thumbnail(written):
    audit, _, sizes = written
    shown = [status != "not_measured" for status in audit.frames["status"]]
    assert [thumb_name(row) in sizes for row in range(len(audit.frames))] == shown


def test_no_file_is_named_by_the_supplier(written):
    _, folder, _ = written
    assert all(re.fullmatch(r"[teco]\d{5}\.jpg", path.name) for path in folder.iterdir())


def test_pictures_carry_no_metadata(written):
    _, folder, _ = written
    for path in folder.iterdir():
        with Image.open(path) as picture:
            assert not picture.getexif() and "comment" not in picture.info


def test_pictures_are_the_same_bytes_each_time(written, tmp_path):
    audit, folder, _ = written
    write_pictures(dataclasses.replace(audit, frames=audit.frames), tmp_path)
    assert all((tmp_path / "pictures" / path.name).read_bytes() == path.read_bytes() for path in folder.iterdir())


@pytest.mark.parametrize("check", sorted(CHECKS))
def test_a_finding_without_any_sketch_still_has_a_picture(check):
    assert evidence_picture(_scene(check, {})).width > 200


@pytest.mark.parametrize("check", sorted(CHECKS))
def test_a_finding_whose_numbers_are_missing_still_has_a_picture(check):
    array, _ = paint_bag((90, 70, 50))
    sketch = {"preview": sketch_of(array, np.zeros((3, 2), np.float32))["preview"]}
    assert evidence_picture(_scene(check, sketch)).width > 200


@pytest.mark.parametrize("angle", [-3.0, 1.5, 6.0])
def test_the_line_of_a_tilt_is_drawn_at_the_angle_measured(angle):
    array, outline = paint_bag((60, 70, 80))
    frame = {"left": 0.1, "right": 0.9, "top": 0.1, "bottom": 0.8}
    picture = evidence_picture(_scene("roll", sketch_of(array, outline), frame, value=angle))
    rows, columns = _painted(picture)
    x0 = (picture.width - 448) / 2  # the panel stands in the middle of a wider band
    near_foot = np.abs(rows - 0.8 * 560) < 40
    far = near_foot & (np.abs(columns - x0 - 0.5 * 448) > 60)
    slope = np.polyfit(columns[far], rows[far], 1)[0]
    assert np.rad2deg(np.arctan(slope)) == pytest.approx(angle, abs=0.3)  # degrees; + clockwise as seen


def test_the_reference_box_of_a_scale_is_smaller_by_the_deviation():
    array, outline = paint_bag((60, 70, 80))
    frame = {"left": 0.2, "right": 0.8, "top": 0.2, "bottom": 0.8}
    picture = evidence_picture(_scene("scale", sketch_of(array, outline), frame, value=0.2))
    rows, columns = _painted(picture, np.array([0, 114, 178]))
    assert np.ptp(columns) == pytest.approx(0.6 * 447 / 1.2, abs=8)  # px


def test_circles_stand_where_the_marks_are():
    array, outline = paint_bag((60, 70, 80))
    marks = [{"left": x, "right": x + 0.01, "top": y, "bottom": y + 0.01} for x, y in ((0.3, 0.3), (0.6, 0.7))]
    picture = evidence_picture(_scene("product_specks", sketch_of(array, outline), marks=marks, value=9))
    rows, columns = _painted(picture)
    x0 = (picture.width - 448) / 2
    assert ((np.hypot(columns - x0 - 0.305 * 447, rows - 0.305 * 559) < 30) | (np.hypot(columns - x0 - 0.605 * 447, rows - 0.705 * 559) < 30)).all()


def _bag_with_a_buckle(x, y, blur):
    """A plain bag on paper, its box, and a buckle at a place of the box."""
    array = np.full((640, 512, 3), 240, np.uint8)
    array[128:512, 102:410] = (120, 90, 70)
    column, row = int(102 + x * 308), int(128 + y * 384)
    for ring in range(4, 22, 4):
        cv2.circle(array, (column, row), ring, (220, 190, 90) if ring % 8 else (40, 30, 20), 2)
    frame = {"left": 102 / 512, "top": 0.2, "right": 410 / 512, "bottom": 0.8}
    return Image.fromarray(cv2.GaussianBlur(array, (0, 0), blur) if blur else array), frame


@pytest.mark.parametrize("place", [(0.3, 0.3), (0.5, 0.6), (0.75, 0.4)])
def test_what_is_enlarged_for_focus_is_the_hardware_also_where_it_is_blurred(place):
    sharp = _bag_with_a_buckle(*place, 0)
    found = [telling_place(*sharp), *(telling_place(*_bag_with_a_buckle(*place, blur), *sharp) for blur in (1, 2, 4))]
    away = np.abs(np.subtract(found, place)) * (308, 384)
    assert away.max() < WINDOW / 2, away  # px: the buckle lies in the window


def test_noise_is_shown_where_the_picture_is_flat():
    bag, _ = _bag_with_a_buckle(0.5, 0.5, 0)
    x, y = flat_place([bag])
    part = np.asarray(bag)[int(y * 640) - 30 : int(y * 640) + 30, int(x * 512) - 30 : int(x * 512) + 30]
    assert np.ptp(part.reshape(-1, 3), axis=0).max() == 0


def test_each_drawing_changes_the_picture():
    """A check with a drawing of its own shows more than the bare preview."""
    audit = make_audit()
    frames = {row["file"]: row for row in audit.frames.to_dict("records")}
    for finding in audit.findings.to_dict("records"):
        if finding["check"] not in DRAWINGS or finding["check"] not in FAULTS or not isinstance(finding["file"], str):
            continue
        sketch = audit.sketches[finding["file"]]
        marks = audit.marks[(audit.marks["file"] == finding["file"]) & (audit.marks["check"] == finding["check"])].to_dict("records")
        other = next(file for file, frame in frames.items() if frame["view"] == finding["view"] and file != finding["file"] and audit.sketches[file])
        scene = Scene(finding, frames[finding["file"]], sketch, marks, frames[other], audit.sketches[other], "reference")
        drawn = evidence_picture(scene)
        plain = decode_preview(sketch)
        plain.thumbnail((560, 560))
        assert drawn.width > 480 or not np.array_equal(np.asarray(drawn)[:200, 6:440], np.asarray(plain)[:200, 0:434]), finding["check"]


def _standing(left, top, right, bottom, colour=(250, 250, 250)):
    """Sketch of an upright bag without handles."""
    preview = Image.new("RGB", (400, 500), colour)
    y = np.linspace(top, bottom, 64)
    outline = [(left, top), (right, top), (right, bottom), (left, bottom)]
    sides = np.column_stack([y, np.full(64, left), np.full(64, right)])
    return {"preview": np.frombuffer(jpeg_bytes(preview), np.uint8), "outline": np.array(outline, np.float32), "sides": sides.astype(np.float32)}


def _stance_scene(width):
    own, other = _standing(0.3, 0.3, 0.7, 0.8), _standing(0.1, 0.5, 0.1 + width, 0.9)
    return _scene("lean", own)._replace(reference_frame={"width_px": 800, "height_px": 1000}, reference_sketch=other)


def test_the_reference_s_outline_is_laid_foot_on_foot_at_the_size_of_the_body():
    drawn = stance(Image.new("RGB", (400, 500), (250, 250, 250)), _stance_scene(0.3))
    rows, columns = _painted(drawn, BLUE)
    scale, top = (PANEL - 60) / 500, CAPTION + 12  # the two are laid beside each other under a caption
    body = 0.5 / 0.4  # heights of the two bodies
    left, right = (0.5 - 0.15 * body) * 400, (0.5 + 0.15 * body) * 400
    assert abs(columns.min() / scale - left) < 4
    assert abs(columns.max() / scale - right) < 4
    assert abs((rows.max() - top) / scale - 0.8 * 500) < 4


def test_the_outline_of_another_shape_is_not_laid_over():
    drawn = stance(Image.new("RGB", (400, 500), (250, 250, 250)), _stance_scene(0.5))
    assert not len(_painted(drawn, BLUE)[0])
    assert len(_painted(drawn)[0])


def test_a_turn_is_shown_from_above_the_way_it_goes():
    """+ is counter-clockwise from above: the front, drawn below, goes to the right."""
    scene = _scene("angle", _standing(0.3, 0.3, 0.7, 0.8), {"yaw_deg": 30.0}, value=30.0)
    drawn = stance(Image.new("RGB", (400, 500), (250, 250, 250)), scene)
    rows, columns = np.nonzero((np.abs(np.asarray(drawn)[6:156, 6:156].astype(int) - VERMILION) < 12).all(axis=2))
    assert rows.size
    assert columns[rows > np.quantile(rows, 0.9)].mean() < 75 < columns[rows < np.quantile(rows, 0.1)].mean()


def test_a_lean_is_shown_from_the_side_the_way_it_goes():
    """+ is towards the camera, which stands at the left."""
    drawn = stance(Image.new("RGB", (400, 500), (250, 250, 250)), _scene("lean", _standing(0.3, 0.3, 0.7, 0.8), value=8.0))
    rows, columns = np.nonzero((np.abs(np.asarray(drawn)[6:156, 6:156].astype(int) - VERMILION) < 12).all(axis=2))
    middle = (rows.min() + rows.max()) / 2
    assert columns[rows < middle].mean() < columns[rows > middle].mean() - 3
    assert columns[rows < middle].min() < columns[rows > middle].min() - 3


@pytest.mark.parametrize("view, yaw, crown", [("front", None, "rear"), ("three_quarter", 32.0, "left_crown"), ("three_quarter", -32.0, "right_crown")])
def test_the_evidence_of_handles_marks_the_rear_crown_and_where_it_belongs(view, yaw, crown):
    sketch = sketch_of(*paint_bag((40, 40, 40)))
    stand = np.full(len(STAND), np.nan, np.float32)
    stand[[STAND.index(crown), STAND.index("height")]] = 0.2, 0.5
    frame = {"left": 0.2, "right": 0.8, "handle_gap": 0.1, "yaw_deg": yaw}
    scene = _scene("handles", sketch | {"stand": stand}, frame, value=3.0)
    picture = handles(fitted(decode_preview(sketch), PANEL, PANEL), scene._replace(finding=scene.finding | {"view": view}))
    for colour, row in ((VERMILION, 0.2), (BLUE, 0.25)):  # a tenth of a product that is half as high as the frame
        rows, columns = np.nonzero((np.abs(np.asarray(picture).astype(int) - colour) < 12).all(axis=2))
        assert abs(np.median(rows) / (picture.height - 1) - row) < 0.01
        assert 0.19 < columns.min() / picture.width < 0.22 and 0.75 < columns.max() / picture.width < 0.81


def test_no_more_findings_get_a_picture_than_page_and_sheets_can_show(monkeypatch, tmp_path):
    audit = make_audit()
    monkeypatch.setattr(pictures, "MOST_EVIDENCE", 5)
    written = {int(name[1:6]) - 1 for name in write_pictures(audit, tmp_path) if name.startswith("e")}
    first = in_order_of_work(audit.findings)[:5]
    assert set(first) <= written and {thing.rows[0] for thing in things_to_do(audit.findings)[:5]} <= written
    assert len(written) <= 10 < len(audit.findings)


def test_a_product_that_is_too_high_is_shown_by_two_lines_across():
    """Sits 10 % of the frame too high, its centre at 0.4: measured at 0.4 of the height, the reference's at 0.5."""
    frame = {"left": 0.3, "right": 0.7, "top": 0.2, "bottom": 0.6, "centre_dev_x": 0.0, "centre_dev_y": -0.1}
    drawn = centre_cross(Image.new("RGB", (400, 500), (250, 250, 250)), _scene("centring", _standing(0.3, 0.2, 0.7, 0.6), frame, value=-0.1))
    pixels = np.asarray(drawn).astype(int)
    margin = pixels[:, 5:100]  # beside the box
    for colour, wanted in ((VERMILION, 0.4), (BLUE, 0.5)):
        rows = np.nonzero((np.abs(margin - colour) < 12).all(axis=2))[0]
        assert rows.size and np.all(np.abs(rows / 500 - wanted) < 0.01)


def test_what_no_number_corrects_is_not_shown_as_corrected(tmp_path):
    audit = make_audit()
    by_hand = audit.corrections.assign(**{name: np.nan for name in ("exposure_ev", "gain_r", "gain_g", "gain_b", "rotate_deg", "crop_left", "crop_top", "crop_right", "crop_bottom")})
    before, after = (write_pictures(dataclasses.replace(audit, corrections=table), tmp_path / name) for name, table in (("a", audit.corrections), ("b", by_hand)))
    names = [correction_name(row) for row in range(len(audit.corrections))]
    assert names and all(after[name][0] < 0.6 * before[name][0] for name in names)
