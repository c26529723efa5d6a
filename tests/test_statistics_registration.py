"""Pictures of one style and view laid over each other: turn, tilt and roll of painted bags with known truth."""

import math

import cv2
import numpy as np
import pandas as pd
import pytest
from catalogue_audit.delivery.brief_model import Brief
from catalogue_audit.statistics.geometry.registration import (
    LOOKS_ALIKE,
    OF_TURN,
    TOLD,
    believed,
    by_registration,
)
from catalogue_audit.statistics.geometry.registration_match import motions
from catalogue_audit.statistics.geometry.registration_pictures import LONG_SIDE, points_of, sight
from catalogue_audit.statistics.geometry.registration_solid import Solid, cross_section, seen_after
from catalogue_audit.statistics.styles import shapes_of

WIDTH_CM, HEIGHT_CM, DEPTH_CM, DISTANCE_CM, FOCAL_35MM = 30.0, 22.0, 12.0, 160.0, 100.0
SIZE = 512, 640
LIGHT, DARK = ((200, 190, 180), (90, 60, 40)), ((60, 60, 70), (215, 210, 200))  # body and trim; edges between them have other signs


def _camera(size=SIZE):
    focal = FOCAL_35MM / math.hypot(36, 24) * math.hypot(*size)
    return np.array([[focal, 0, size[0] / 2], [0, focal, size[1] / 2], [0, 0, 1.0]])


def _projected(points, yaw=0.0, pitch=6.0, roll=0.0, size=SIZE):
    """
    Pixels of points (n, 3) in cm (right, up, towards the camera; from the body's middle) by OpenCV's camera model.

    `cv2.projectPoints`: x right, y down, z away from the camera (OpenCV documentation, "Camera Calibration and 3D Reconstruction").
    """
    yaw, pitch, roll = np.radians([yaw, pitch, roll])
    turned = np.array([[math.cos(yaw), 0, math.sin(yaw)], [0, 1, 0], [-math.sin(yaw), 0, math.cos(yaw)]])
    tilted = np.array([[1, 0, 0], [0, math.cos(pitch), -math.sin(pitch)], [0, math.sin(pitch), math.cos(pitch)]])
    rolled = np.array([[math.cos(roll), math.sin(roll), 0], [-math.sin(roll), math.cos(roll), 0], [0, 0, 1]])
    seen = np.diag([1.0, -1.0, -1.0]) @ rolled @ tilted @ turned
    vector, _ = cv2.Rodrigues(seen)
    pixels, _ = cv2.projectPoints(np.asarray(points, float), vector, np.array([0, 0, DISTANCE_CM]), _camera(size), None)
    return pixels.reshape(-1, 2)


def _box():
    """Faces of a box with a pocket, a flap, two locks and handles: (corners in cm, whether of the trim's colour), from the rear forward."""
    w, h, d = WIDTH_CM / 2, HEIGHT_CM / 2, DEPTH_CM / 2
    wall = lambda points, trim=False: (np.array(points, float), trim)  # noqa: E731
    front = lambda left, low, right, high: wall([(left, low, d), (right, low, d), (right, high, d), (left, high, d)], True)  # noqa: E731
    arch = [(8 * math.cos(t), h + 11 * math.sin(t)) for t in np.linspace(0, math.pi, 25)]
    handle = lambda z: [wall([(*a, z), (*b, z), (b[0] * 0.88, h + (b[1] - h) * 0.92, z), (a[0] * 0.88, h + (a[1] - h) * 0.92, z)], True) for a, b in zip(arch, arch[1:], strict=False)]  # noqa: E731
    return [
        *handle(-d * 0.8),
        wall([(-w, -h, -d), (-w, -h, d), (-w, h, d), (-w, h, -d)]),
        wall([(w, -h, -d), (w, -h, d), (w, h, d), (w, h, -d)]),
        wall([(-w, h, d), (w, h, d), (w, h, -d), (-w, h, -d)], True),
        wall([(-w, -h, d), (w, -h, d), (w, h, d), (-w, h, d)]),
        front(-w, -h, w, -h + 0.8), front(-11, -8, 11, -7.4), front(-11, 1.5, 11, 2.1), front(-11, -8, -10.4, 2), front(10.4, -8, 11, 2),
        front(-2, 4, 2, 8), front(-9.5, 6, -6.5, h), front(6.5, 6, 9.5, h), front(-6, -5.5, -4, -3.5), front(4, -5.5, 6, -3.5),
        *handle(d * 0.8),
    ]  # fmt: skip


def _seen_from_outside(corners):
    a, b, c = corners[:3]
    return (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])


def painted(yaw=0.0, pitch=6.0, roll=0.0, colours=LIGHT, size=SIZE, shift=(0, 0)):
    """Sketch of a painted box bag: ``preview``, ``mask``, ``sides``."""
    picture, mask = np.full((size[1], size[0], 3), 235, np.uint8), np.zeros((size[1], size[0]), np.uint8)
    for corners, trim in _box():
        pixels = _projected(corners, yaw, pitch, roll, size) + shift
        side = np.ptp(corners[:, 0]) == 0 and abs(corners[0, 0]) == WIDTH_CM / 2
        if side and (_seen_from_outside(pixels) > 0) != (corners[0, 0] > 0):
            continue  # turned away
        corner = np.rint(pixels * 16).astype(np.int32)
        cv2.fillConvexPoly(picture, corner, colours[trim], cv2.LINE_AA, 4)
        cv2.fillConvexPoly(mask, corner, 1, cv2.LINE_8, 4)
    w, h, d = WIDTH_CM / 2, HEIGHT_CM / 2, DEPTH_CM / 2
    body = np.zeros_like(mask)
    eight = _projected([(x, y, z) for x in (-w, w) for y in (-h, h) for z in (-d, d)], yaw, pitch, roll, size) + shift
    cv2.fillConvexPoly(body, cv2.convexHull(np.rint(eight).astype(np.int32)), 1)
    left, top, width, height = cv2.boundingRect(body)
    rows = np.arange(top + 4, top + height - 4)
    found = [np.flatnonzero(body[row]) for row in rows]
    sides = np.array([(row / size[1], one[0] / size[0], (one[-1] + 1) / size[0]) for row, one in zip(rows, found, strict=True)], np.float32)
    small = cv2.resize(mask, (round(size[0] * 0.4), round(size[1] * 0.4)), interpolation=cv2.INTER_NEAREST).astype(bool)
    return {"preview": cv2.imencode(".jpg", picture)[1].ravel(), "mask": small, "sides": sides}


def three_quarter(yaw=0.0, pitch=0.0, **other):
    """Sketch of the box turned by 32 degrees and more, seen from 9 degrees above and more."""
    return painted(yaw=32.0 + yaw, pitch=9.0 + pitch, **other)


def _sight(sketch):
    return sight(sketch, FOCAL_35MM, DEPTH_CM / WIDTH_CM, math.radians(32.0), math.radians(9.0))


def _frames(count, **columns):
    usual = {
        "file": [f"{k:02d}.jpg" for k in range(count)],
        "sku": [f"AB-101-{'ABCDEFGH'[k]}" for k in range(count)],
        "view": "three_quarter",
        "view_kind": "upright",
        "style": "satchel",
        "origin": "original",
        "touches": "",
        "duplicate_group": pd.array([pd.NA] * count, dtype="Int64"),
        "focal_length_35mm": FOCAL_35MM,
        "yaw_deg": math.nan,
        "camera_pitch_deg": math.nan,
    }
    return pd.DataFrame(usual | columns)


def _alone(frames):
    return pd.DataFrame(math.nan, index=frames.index, columns=TOLD)


def _told(sketches, alone=None, products=None, **columns):
    frames = _frames(len(sketches), **columns)
    alone = _alone(frames) if alone is None else alone
    return by_registration(frames, dict(zip(frames["file"], sketches, strict=True)), alone, Brief(), products)


@pytest.mark.parametrize(("yaw", "pitch"), [(0.0, 0.0), (8.0, 0.0), (0.0, 5.0), (-12.0, 3.0)])
def test_points_of_a_solid_move_as_opencv_projects_them(yaw, pitch):
    random = np.random.default_rng(4)
    points = random.uniform(-1, 1, (20, 3)) * (WIDTH_CM / 2, HEIGHT_CM / 2, DEPTH_CM / 2)
    focal = float(_camera()[0, 0])
    unit = focal / DISTANCE_CM  # px a cm at the body's middle
    solid = Solid(SIZE, focal, (SIZE[0] / 2, SIZE[1] / 2), 100.0, 200.0, 400.0, 0.4, 0.0, math.radians(6.0))
    tilt = np.radians(6.0)
    depth = (points[:, 1] * math.sin(tilt) + points[:, 2] * math.cos(tilt)) * unit
    moved = seen_after(solid, _projected(points), depth, math.radians(yaw), math.radians(pitch))
    assert moved + np.array(SIZE) / 2 == pytest.approx(_projected(points, yaw, 6.0 + pitch), abs=1e-6)


def test_a_box_shows_its_side_when_it_is_turned():
    square, turned = cross_section(0.4, 0.0), cross_section(0.4, math.radians(32.0))
    assert square[100] == pytest.approx(0.4, abs=0.01) and square == pytest.approx(square[::-1], abs=1e-6)
    assert turned.argmax() < 80 and turned[0] < turned.max() and turned[-1] < turned.max()


@pytest.mark.parametrize(("yaw", "pitch", "roll"), [(0.0, 0.0, 0.0), (6.0, 0.0, 0.0), (-8.0, 0.0, 0.0), (0.0, 5.0, 0.0), (0.0, 0.0, 2.0), (-4.0, 3.0, -1.0)])
@pytest.mark.parametrize("colours", [LIGHT, DARK])
def test_turn_tilt_and_roll_between_two_pictures_of_any_colours(yaw, pitch, roll, colours):
    best = motions(_sight(three_quarter()), _sight(three_quarter(yaw, pitch, roll=roll, colours=colours)))[0]
    assert best.score > LOOKS_ALIKE
    assert best.yaw_deg == pytest.approx(yaw, abs=0.8 + 0.3 * abs(yaw))
    assert best.pitch_deg == pytest.approx(pitch, abs=0.8 + 0.3 * abs(pitch) + OF_TURN["pitch"] * abs(yaw))
    assert best.roll_deg == pytest.approx(roll, abs=0.5 + OF_TURN["roll"] * abs(yaw))


def test_what_is_found_the_other_way_round_has_the_other_sign():
    one, other = _sight(three_quarter()), _sight(three_quarter(yaw=6.0, roll=1.5))
    there, back = motions(one, other)[0], motions(other, one)[0]
    assert there.yaw_deg == pytest.approx(-back.yaw_deg, abs=2.0)
    assert there.roll_deg == pytest.approx(-back.roll_deg, abs=0.5)


def test_the_one_of_three_colours_that_is_turned_is_told():
    told = _told([three_quarter(), three_quarter(yaw=8.0, colours=DARK), three_quarter()])
    assert told["yaw"].iloc[1] > 3 * told["yaw_sd"].iloc[1] and told["yaw"].iloc[1] == pytest.approx(8.0, abs=3.0)
    assert (told["yaw"].iloc[[0, 2]].abs() < 1.5).all()


def test_the_one_of_three_colours_that_is_tilted_is_told():
    told = _told([three_quarter(), three_quarter(colours=DARK), three_quarter(pitch=6.0)])
    assert told["pitch"].iloc[2] > 3 * told["pitch_sd"].iloc[2] and told["pitch"].iloc[2] == pytest.approx(6.0, abs=2.5)
    assert (told["pitch"].iloc[:2].abs() < 1.0).all()


def test_the_one_of_three_colours_that_is_rolled_is_told():
    told = _told([three_quarter(), three_quarter(roll=2.0, colours=DARK), three_quarter()])
    assert told["roll"].iloc[1] > 3 * told["roll_sd"].iloc[1] and told["roll"].iloc[1] == pytest.approx(2.0, abs=0.6)
    assert (told["roll"].iloc[[0, 2]].abs() < 0.4).all()


def test_steady_pictures_stay_where_they_are():
    told = _told([three_quarter(), three_quarter(colours=DARK), three_quarter(yaw=1.0, pitch=0.3, roll=0.2), three_quarter(yaw=-1.0)])
    for angle, tolerance in (("yaw", 4.0), ("pitch", 2.0), ("roll", 0.8)):
        assert (told[angle].abs() < tolerance / 2).all()


def test_of_two_that_differ_neither_is_blamed_until_one_tells_it_alone():
    sketches = [three_quarter(), three_quarter(yaw=8.0)]
    unknown = _told(sketches)
    assert (unknown["yaw"].abs() < 3 * unknown["yaw_sd"]).all()
    alone = _alone(_frames(2)).assign(yaw=[0.2, 4.0], yaw_sd=[0.8, 3.5])
    told = _told(sketches, alone)
    assert abs(told["yaw"].iloc[0]) < 1.0 and told["yaw"].iloc[1] > 3 * told["yaw_sd"].iloc[1]


def test_soft_bags_are_compared_with_more_doubt():
    turned = [three_quarter(), three_quarter(yaw=8.0, colours=DARK), three_quarter()]
    firm, soft = (_told(turned, style=style) for style in ("satchel", "hobo"))
    assert soft["yaw"].iloc[1] == pytest.approx(8.0, abs=3.0) and (soft["yaw"].iloc[[0, 2]].abs() < 1.5).all()
    assert (soft["yaw_sd"] > firm["yaw_sd"]).all()


def test_two_pictures_alike_do_not_say_from_where_both_were_taken():
    assert _told([three_quarter(pitch=6.0), three_quarter(pitch=6.0, colours=DARK)])["pitch"].isna().all()
    alone = _alone(_frames(2)).assign(pitch=[0.2, math.nan], pitch_sd=[0.3, math.nan])
    told = _told([three_quarter(), three_quarter(pitch=6.0, colours=DARK)], alone)
    assert abs(told["pitch"].iloc[0]) < 1.0 and told["pitch"].iloc[1] > 2.0


def test_copies_of_one_photograph_have_one_voice():
    turned = three_quarter(yaw=8.0, colours=DARK)
    told = _told([three_quarter(), turned, turned, three_quarter()], duplicate_group=pd.array([pd.NA, 1, 1, pd.NA], dtype="Int64"))
    assert told["yaw"].iloc[1] == told["yaw"].iloc[2] > 5.0
    assert (told["yaw"].iloc[[0, 3]].abs() < 1.5).all()


def test_other_sizes_and_crops_of_the_frame_change_little():
    other = three_quarter(yaw=6.0, size=(384, 480), shift=(20, -15))
    best = motions(_sight(three_quarter()), _sight(other))[0]
    assert best.yaw_deg == pytest.approx(6.0, abs=2.5)
    assert best.pitch_deg == pytest.approx(0.0, abs=1.5)


def test_crops_are_told_less_surely():
    sketches = [three_quarter(), three_quarter(), three_quarter(yaw=3.0)]
    assert (_told(sketches, origin="derived")["yaw_sd"] > _told(sketches)["yaw_sd"]).all()


def test_pictures_of_other_things_tell_nothing():
    random = np.random.default_rng(7)
    picture = np.full((640, 512, 3), 235, np.uint8)
    for _ in range(60):
        x, y = random.integers(120, 390), random.integers(150, 480)
        cv2.circle(picture, (int(x), int(y)), int(random.integers(5, 25)), random.integers(0, 200, 3).tolist(), -1)
    mask = (picture.min(axis=2) < 230).astype(np.uint8)
    other = three_quarter() | {"preview": cv2.imencode(".jpg", picture)[1].ravel(), "mask": cv2.resize(mask, (205, 256)).astype(bool)}
    assert _told([three_quarter(), other]).isna().all(axis=None)


def test_one_picture_and_empty_sketches_tell_nothing():
    good = three_quarter()
    for sketches in ([good], [{}, {}], [good, {}]):
        assert _told(sketches).isna().all(axis=None)
    assert _told([]).empty
    for spoilt in ({"mask": np.zeros((256, 205), bool)}, {"sides": np.zeros((0, 3), np.float32)}, {"preview": np.arange(9, dtype=np.uint8)}):
        assert _sight(good | spoilt) is None


@pytest.mark.parametrize(
    "columns",
    [
        {"style": ["satchel", "tote"]},
        {"sku": ["AB-101-A", "AB-102-A"]},
        {"sku": ["bag-1", "bag-2"]},
        {"sku": [None, None]},
        {"touches": ["", "bottom"]},
        {"view_kind": ["upright", "crop"]},
        {"view": ["angled", "three_quarter"]},
        {"view": "front"},
    ],
)
def test_pictures_of_other_shapes_and_views_are_not_compared(columns):
    assert _told([three_quarter(), three_quarter(yaw=8.0)], **columns).isna().all(axis=None)


def test_supplied_sizes_say_which_products_have_one_shape():
    sketches = [three_quarter(), three_quarter(colours=DARK)]
    products = pd.DataFrame({"sku": ["P1", "P2"], "width_cm": 30, "height_cm": 22, "depth_cm": 12})
    assert _told(sketches, products=products, sku=["P1", "P2"])["yaw"].notna().all()
    assert _told(sketches, products=products.assign(height_cm=[22, 23]), sku=["P1", "P2"]).isna().all(axis=None)


def test_nothing_depends_on_chance():
    sketches = [three_quarter(), three_quarter(yaw=4.0, colours=DARK), three_quarter(roll=1.0)]
    pd.testing.assert_frame_equal(_told(sketches), _told(sketches))


def test_points_lie_within_the_picture():
    one = _sight(three_quarter())
    points = points_of(one)
    assert len(points) > 20 and max(one.mask.shape) == LONG_SIDE
    assert (points >= 0).all() and (points < np.array(one.mask.shape[::-1])).all()


def test_without_links_nothing_is_believed():
    means, sds = believed("yaw", np.array([[0.3, 0.6], [math.nan, math.nan]]), [])
    assert np.isnan(means).all() and np.isnan(sds).all()


def test_a_products_file_without_a_single_size_is_as_good_as_none():
    frames = pd.DataFrame({"file": ["1.jpg", "2.jpg", "3.jpg"], "sku": ["AB-1-RED", "AB-1-TAN", "CD-2"], "style": [None, None, "tote"]})
    products = pd.DataFrame({"sku": ["AB-1-RED", "CD-2"], "style": [None, "tote"], "width_cm": [None, None], "depth_cm": [np.nan, np.nan]})
    told = shapes_of(frames, products)
    assert list(told) == list(shapes_of(frames, None))
    assert told[0] == told[1] != told[2]


def test_a_cell_that_the_products_file_leaves_empty_is_no_shape_of_its_own():
    frames = pd.DataFrame({"file": ["1.jpg", "2.jpg", "3.jpg"], "sku": ["AB-1-RED", "AB-1-TAN", "CD-2"], "style": [None, None, "tote"]})
    names = pd.Series(["Ada", None, "Cora"], dtype="str")
    products = pd.DataFrame({"sku": frames["sku"], "name": names, "width_cm": [30.0, 30.0, None], "depth_cm": [None, 12.0, 10.0]})
    assert shapes_of(frames, products).tolist() == ["Ada|30.0|", "|30.0|12.0", "Cora||10.0"]
