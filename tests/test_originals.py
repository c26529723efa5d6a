"""
Finals paired with their camera originals: finals made here with a known turn, crop and retouch from pictures of ``data_demo/small``.

The turn and crop are OpenCV's (`getRotationMatrix2D`, + counter-clockwise), so the signs are checked against
something outside the project; the outlines cut to are those of the truth.
"""

import shutil
from pathlib import Path

import cv2
import numpy as np
import pandas as pd
import pytest
from catalogue_audit.cli import main
from catalogue_audit.measures.measure import measure_bytes
from catalogue_audit.report.tables import read_tables
from catalogue_audit.runs.originals import INHERITED
from catalogue_audit.statistics.geometry.alignment import common_movement
from catalogue_audit.statistics.matching.originals import outline_shape, pair_originals, turned_otherwise
from catalogue_audit.statistics.tables import table_from_rows

DEMO = Path(__file__).resolve().parents[1] / "data_demo"
SMALL, MASKS = DEMO / "small", DEMO / "truth" / "masks" / "small"
# name of the final: original, clockwise turn in degrees, crop box, pixels a pixel, linear factors of R, G, B
MADE = {
    "NEW-1_front.jpg": ("AL-2101-CRM_front", 1.3, (0.04, 0.06, 0.94, 0.96), 1.0, (1, 1, 1)),
    "NEW-2_three-quarter.jpg": ("AL-2204-BLK_three-quarter", -6.0, (0.2, 0.2, 0.8, 0.8), 1.0, (1, 1, 1)),
    "NEW-3_detail.jpg": ("AL-2307-COG_detail", 0.0, (0.1, 0.1, 0.9, 0.9), 1.5, (1, 1, 1)),
    "NEW-4-RED_back.jpg": ("AL-2101-CRM_back", -0.8, (0.02, 0.02, 0.98, 0.98), 1.0, (1.5, 0.6, 0.5)),
    "NEW-4-BLU_back.jpg": ("AL-2101-CRM_back", -0.8, (0.02, 0.02, 0.98, 0.98), 1.0, (0.3, 0.6, 2.0)),
}
FOREIGN = "AL-2204-BLK_front.jpg"  # of which the folder of originals holds nothing but another view
PHOTOGRAPHED = {name: f"day one/HS{number}.jpg" for number, name in enumerate(sorted({made[0] for made in MADE.values()}), 1001)}


def retouched(name, turn_deg, box, pitch, factors):
    """Cut out to white, recoloured, made brighter by a curve, turned about the middle of the crop, cropped, resized."""
    picture = cv2.imread(str(SMALL / f"{name}.jpg")).astype(np.float32) / 255
    height, width = picture.shape[:2]
    if (MASKS / f"{name}.png").exists() and "detail" not in name:
        mask = cv2.imread(str(MASKS / f"{name}.png"), cv2.IMREAD_GRAYSCALE)
        cover = cv2.resize(mask.astype(np.float32) / mask.max(), (width, height))[..., None]
        picture = np.clip(picture**2.2 * np.array(factors[::-1]), 0, 1) ** (1 / 2.2) * cover + 1 - cover
    picture = picture**0.85
    corners = np.array(box) * (width, height, width, height)
    middle = (corners[:2] + corners[2:]) / 2
    turn = cv2.getRotationMatrix2D((middle - 0.5).tolist(), -turn_deg, 1.0)
    turned = cv2.warpAffine(picture, turn, (width, height), flags=cv2.INTER_CUBIC, borderValue=(1, 1, 1))
    left, top, right, bottom = (int(round(corner)) for corner in corners)
    cut = turned[top:bottom, left:right]
    cut = cv2.resize(cut, None, fx=pitch, fy=pitch, interpolation=cv2.INTER_CUBIC) if pitch != 1 else cut
    return np.uint8(np.clip(cut * 255, 0, 255)), (left / width, top / height, right / width, bottom / height)


@pytest.fixture(scope="module")
def reviewed(tmp_path_factory):
    """(frames by file, crop boxes by file, folder of finals, folder of originals, what was in the latter)."""
    folder = tmp_path_factory.mktemp("pairing")
    finals, originals = folder / "finals", folder / "originals"
    (originals / "day one").mkdir(parents=True)
    finals.mkdir()
    boxes = {}
    for file, made in MADE.items():
        picture, boxes[file] = retouched(*made)
        cv2.imwrite(str(finals / file), picture, [cv2.IMWRITE_JPEG_QUALITY, 90])
    shutil.copy(SMALL / FOREIGN, finals / "NEW-5_front.jpg")
    for name, file in PHOTOGRAPHED.items():
        shutil.copy(SMALL / f"{name}.jpg", originals / file)
    (originals / "HS1999.jpg").write_bytes(b"\xff\xd8 this is no picture")
    before = {path: path.stat().st_mtime_ns for path in originals.rglob("*")}
    main(["review", str(finals), "--originals", str(originals), "--out", str(folder / "out"), "--tables-only"])
    report = next(path for path in (folder / "out").iterdir() if path.name.endswith("finals"))
    assert before == {path: path.stat().st_mtime_ns for path in originals.rglob("*")}
    return read_tables(report / "tables")["frames"].set_index("file", drop=False), boxes


@pytest.mark.parametrize("file", MADE)
def test_a_final_finds_its_original_whatever_was_done_to_it(reviewed, file):
    assert reviewed[0]["original_file"][file] == PHOTOGRAPHED[MADE[file][0]]


@pytest.mark.parametrize("file", MADE)
def test_turn_scale_and_crop_are_recovered(reviewed, file):
    frames, boxes = reviewed
    row, (_, turn_deg, _, pitch, _) = frames.loc[file], MADE[file]
    assert row["original_rotation_deg"] == pytest.approx(turn_deg, abs=0.1)
    assert row["original_scale"] == pytest.approx(pitch, rel=0.003)
    found = [row[f"original_{side}"] for side in ("left", "top", "right", "bottom")]
    assert found == pytest.approx(boxes[file], abs=0.005)
    assert 0 < row["original_rotation_sd_deg"] < 0.1
    assert 0 < row["original_crop_sd"] < 0.005


@pytest.mark.parametrize("file", MADE)
def test_what_the_camera_wrote_is_inherited_and_marked(reviewed, file, tmp_path):
    row = reviewed[0].loc[file]
    facts, _ = measure_bytes((SMALL / f"{MADE[file][0]}.jpg").read_bytes())
    for name in INHERITED:
        if name != "captured_at_source" and facts.get(name) is not None:
            assert row[name] == facts[name], name
    assert row["captured_at"]
    assert row["captured_at_source"].endswith("of the original")


def test_turn_is_that_of_the_uncropped_picture(reviewed):
    row = reviewed[0].loc["NEW-2_three-quarter.jpg"]
    facts, _ = measure_bytes((SMALL / "AL-2204-BLK_three-quarter.jpg").read_bytes())
    assert row["yaw_deg"] == pytest.approx(facts["yaw_deg"], abs=0.01)


def test_a_picture_of_which_there_is_no_original_stays_alone_and_keeps_its_own(reviewed):
    row = reviewed[0].loc["NEW-5_front.jpg"]
    assert pd.isna(row["original_file"])
    assert pd.isna(row["original_rotation_deg"])
    assert not row["captured_at_source"].endswith("of the original")


def _measured(pictures):
    """Frames and sketches of pictures by name."""
    frames, sketches = [], {}
    for file, data in pictures.items():
        facts, sketches[file] = measure_bytes(data)
        frames.append(facts | {"file": file})
    return table_from_rows("frames", frames), sketches


def test_of_two_originals_alike_none_is_guessed_but_a_name_may_tell():
    data = (SMALL / "AL-2101-CRM_front.jpg").read_bytes()
    pixels = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)
    twin = cv2.imencode(".jpg", pixels, [cv2.IMWRITE_JPEG_QUALITY, 93])[1].tobytes()
    final = cv2.imencode(".jpg", pixels[20:-20, 20:-20], [cv2.IMWRITE_JPEG_QUALITY, 85])[1].tobytes()
    originals = _measured({"HS1.jpg": data, "HS2.jpg": twin})
    frames, sketches = _measured({"bag.jpg": final})
    row = pair_originals(frames, sketches, *originals).iloc[0]
    assert pd.isna(row["original_file"])
    assert "HS1.jpg, HS2.jpg" in row["original_note"]
    row = pair_originals(frames.assign(file="HS2.jpg"), {"HS2.jpg": sketches["bag.jpg"]}, *originals).iloc[0]
    assert row["original_file"] == "HS2.jpg"
    assert "name" in row["original_note"]


def test_the_same_bytes_twice_are_one_original():
    data = (SMALL / "AL-2101-CRM_front.jpg").read_bytes()
    originals = _measured({"a/HS1.jpg": data, "b/HS1.jpg": data})
    frames, sketches = _measured({"bag.jpg": data})
    row = pair_originals(frames, sketches, *originals).iloc[0]
    assert row["original_file"] == "a/HS1.jpg"
    assert pd.isna(row["original_note"])


def test_two_turns_are_two_photographs_where_both_are_known_well_enough():
    finals = pd.DataFrame({"yaw_deg": [0.0, 0.0, 0.0, np.nan], "yaw_sd_deg": [0.7, 0.7, 0.7, np.nan]})
    originals = pd.DataFrame({"yaw_deg": [9.0, 9.0, 1.0, 9.0], "yaw_sd_deg": [1.6, 5.0, 0.7, 1.6]})
    assert turned_otherwise(finals, originals).tolist() == [True, False, False, False]


def test_nothing_to_pair_gives_empty_columns():
    frames = table_from_rows("frames", [{"file": "a.jpg", "status": "not_measured"}])
    none = table_from_rows("frames", [])
    assert pair_originals(frames, {}, none, {}).isna().all(axis=None)
    assert pair_originals(none, {}, frames, {}).empty


def test_without_key_points_outlines_give_a_first_movement():
    angle = np.linspace(0, 2 * np.pi, 200, endpoint=False)
    shape = np.column_stack([0.5 + 0.2 * np.cos(angle), 0.5 + 0.3 * np.sin(angle)]).astype(np.float32)
    movement, points = common_movement({"outline": shape}, {"outline": 0.5 * shape + 0.1}, (100.0, 100.0), (400.0, 400.0))
    assert points == 0
    np.testing.assert_allclose(movement, [[2, 0, 40], [0, 2, 40], [0, 0, 1]], atol=1e-3)


def test_an_outlines_shape_outlives_a_turn_and_a_crop():
    angle = np.linspace(0, 2 * np.pi, 400, endpoint=False)
    distance = 1 + 0.3 * np.cos(2 * angle) + 0.1 * np.cos(3 * angle + 1)
    points = np.column_stack([distance * np.cos(angle), distance * np.sin(angle)])
    turn = np.radians(6)
    other = 0.7 * points @ np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]]) + 0.3
    np.testing.assert_allclose(outline_shape(points, (1, 1)), outline_shape(other, (1, 1)), atol=0.01)


@pytest.mark.parametrize(
    ("originals", "out", "says"),
    [("no_such_folder", "out", "originals"), ("empty", "out", "is empty"), ("originals", "originals/reports", "folder of originals")],
)
def test_a_wrong_folder_of_originals_is_told_and_nothing_written(originals, out, says, tmp_path, capsys):
    (tmp_path / "empty").mkdir()
    (tmp_path / "originals").mkdir()
    shutil.copy(SMALL / FOREIGN, tmp_path / "originals" / "HS1.jpg")
    arguments = ["review", str(SMALL), "--originals", str(tmp_path / originals), "--out", str(tmp_path / out)]
    assert main([*arguments, "--tables-only"]) == 2
    assert says in capsys.readouterr().err
    assert not (tmp_path / out).exists()
