"""Sensor dust: every place that recurs, and no other."""

import cv2
import numpy as np
import pandas as pd
import pytest
from catalogue_audit.statistics.surface.spots import sensor_place, sensor_spots
from catalogue_audit.statistics.tables import table_from_rows

SIZE = 6000, 4000


def _delivery(frames=30, dust=((0.2, 0.3), (0.8, 0.15), (0.7, 0.9)), seen=0.9, strewn=12, seams=6, seed=0, **values):
    """Frames of one camera: recurring dust, strewn finds, and seams of the products at much the same place."""
    rng = np.random.default_rng(seed)
    rows, sketches = [], {}
    for k in range(frames):
        spots = [
            (x + rng.normal(0, 0.8 / SIZE[0]), y + rng.normal(0, 0.8 / SIZE[1]), rng.normal(24, 2), rng.normal(-6, 0.8), 0)
            for x, y in dust
            if rng.random() < seen
        ]
        spots += [(*rng.random(2), rng.uniform(8, 40), rng.uniform(-12, -2), 0) for _ in range(strewn)]
        spots += [(0.5 + 0.002 * j + rng.normal(0, 0.001), 0.5 + rng.normal(0, 0.001), 12, -9, -1) for j in range(seams)]
        row = {
            "file": f"frame_{k:03d}.jpg", "camera_make": "Norden", "camera_model": "N5", "camera_serial": "1234",
            "origin": "original", "status": "measured", "width_px": SIZE[0], "height_px": SIZE[1], "orientation": 1,
        }  # fmt: skip
        rows.append(row | values)
        sketches[row["file"]] = {"spots": np.array(spots, np.float32).reshape(-1, 5)}
    return table_from_rows("frames", rows), sketches


def test_every_place_is_found_and_none_else():
    frames, sketches = _delivery()
    counts, spots = sensor_spots(frames, sketches)
    places = spots.groupby("spot")[["x", "y"]].median().to_numpy()
    assert len(places) == 3
    for x, y in ((0.2, 0.3), (0.8, 0.15), (0.7, 0.9)):
        assert np.hypot(places[:, 0] - x, places[:, 1] - y).min() < 0.001
    assert counts.sum() == len(spots)
    assert counts.mean() == pytest.approx(2.7, abs=0.3)


def test_what_counts_as_a_speck_of_a_crop_may_be_dust_all_the_same():
    """A crop's outline may take the product for background; what lies there is marked as a speck, and still sought on the sensor."""
    frames, sketches = _delivery()
    _, spots = sensor_spots(frames, sketches)
    for sketch in sketches.values():
        sketch["spots"][sketch["spots"][:, 4] == 0, 4] = 2
    pd.testing.assert_frame_equal(sensor_spots(frames, sketches)[1], spots)


@pytest.mark.parametrize("seed", range(8))
def test_strewn_spots_and_seams_make_no_dust(seed):
    counts, spots = sensor_spots(*_delivery(60, dust=(), strewn=25, seed=seed))
    assert len(spots) == 0
    assert counts.eq(0).all()


def test_five_frames_are_enough_and_four_are_not():
    for with_dust, expected in ((5, 1), (4, 0)):
        frames, sketches = _delivery(20, dust=((0.3, 0.2),), seen=1.0, strewn=4)
        for k in range(with_dust, 20):
            file = f"frame_{k:03d}.jpg"
            sketches[file] = {"spots": sketches[file]["spots"][1:]}
        _, spots = sensor_spots(frames, sketches)
        assert spots["spot"].nunique() == expected


def test_dust_that_comes_in_mid_run_names_its_first_and_last_frame():
    frames, sketches = _delivery(20, dust=((0.3, 0.2),), seen=1.0, strewn=3)
    for k in range(8):
        file = f"frame_{k:03d}.jpg"
        sketches[file] = {"spots": sketches[file]["spots"][1:]}
    _, spots = sensor_spots(frames, sketches)
    assert set(spots["first_file"]) == {"frame_008.jpg"}
    assert set(spots["last_file"]) == {"frame_019.jpg"}
    assert set(spots["frames"]) == {12}


def test_upright_and_turned_frames_share_one_sensor():
    frames, sketches = _delivery(16, dust=((0.2, 0.3),), seen=1.0, strewn=3)
    turned = frames.index[8:]
    frames.loc[turned, ["orientation", "width_px", "height_px"]] = [6, SIZE[1], SIZE[0]]
    for file in frames["file"].iloc[8:]:
        spots = sketches[file]["spots"].copy()
        x, y = spots[:, 0].copy(), spots[:, 1].copy()
        spots[:, 0], spots[:, 1] = 1 - y, x  # orientation 6 is shown turned clockwise: left becomes top
        sketches[file] = {"spots": spots}
    _, found = sensor_spots(frames, sketches)
    assert found["spot"].nunique() == 1
    assert len(found) == 16


@pytest.mark.parametrize("orientation", range(1, 9))
def test_the_place_on_the_sensor_agrees_with_turning_the_picture(orientation):
    """Exif orientations as Pillow's exif_transpose turns them."""
    from PIL import Image, ImageOps

    stored = np.zeros((40, 60), np.uint8)
    stored[10, 45] = 255
    picture = Image.fromarray(stored)
    exif = Image.Exif()
    exif[0x0112] = orientation
    picture.info["exif"] = exif.tobytes()
    upright = np.asarray(ImageOps.exif_transpose(picture))
    y, x = np.argwhere(upright == 255)[0]
    sx, sy = sensor_place((x + 0.5) / upright.shape[1], (y + 0.5) / upright.shape[0], orientation)
    assert (sx * 60, sy * 40) == (pytest.approx(45.5), pytest.approx(10.5))


def test_other_cameras_and_derived_files_are_left_out():
    counts, spots = sensor_spots(*_delivery(origin="derived"))
    assert counts.isna().all()
    assert len(spots) == 0
    counts, spots = sensor_spots(*_delivery(camera_model=None, camera_serial=None))
    assert counts.isna().all()


def test_an_empty_delivery_has_no_spots():
    counts, spots = sensor_spots(table_from_rows("frames", []), {})
    assert len(counts) == len(spots) == 0


def _preview(grainy, spot_at=None, depth=0.2, seed=0):
    """Preview JPEG of a grey frame, 640 px on the long side; ``spot_at`` in fractions, with a soft dark spot there."""
    rng = np.random.default_rng(seed)
    picture = np.full((427, 640), 120.0)
    if grainy:
        picture += cv2.GaussianBlur(rng.normal(0, 60, picture.shape), (0, 0), 1.5)
    if spot_at:
        y, x = np.mgrid[:427, :640]
        picture *= 1 - depth * np.exp(-((np.hypot(x - spot_at[0] * 640, y - spot_at[1] * 427) / 2.5) ** 4))
    picture = np.clip(picture + rng.normal(0, 1, picture.shape), 0, 255).astype(np.uint8)
    return cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, 82])[1].ravel()


def _timed_delivery(hidden):
    """Sixteen frames with one spot seen in all but number 7 (and the last two), where only its preview tells."""
    frames, sketches = _delivery(16, dust=((0.3, 0.2),), seen=1.0, strewn=3)
    frames["captured_at"] = [f"2026-03-02T10:{k:02d}:00" for k in range(16)]
    for k, file in enumerate(frames["file"]):
        sketches[file]["preview"] = _preview(False, (0.3, 0.2), seed=k)
        if k in (7, 14, 15):
            sketches[file] = {"spots": sketches[file]["spots"][1:], "preview": hidden}
    return frames, sketches


def test_a_frame_between_two_that_show_a_spot_carries_it_under_its_grain():
    counts, spots = sensor_spots(*_timed_delivery(_preview(True, seed=50)))
    assert counts.iloc[7] == 1
    assert counts.iloc[14:].tolist() == [0, 0]
    there = spots[spots["file"] == "frame_007.jpg"].iloc[0]
    assert np.hypot(there["x"] - 0.3, there["y"] - 0.2) < 0.001


def test_a_frame_that_is_smooth_and_light_at_the_place_is_free_of_the_spot():
    counts, _ = sensor_spots(*_timed_delivery(_preview(False, seed=50)))
    assert counts.iloc[7] == 0


def test_two_on_the_background_and_three_on_the_product_at_the_same_pixel_make_a_place():
    for apart, expected in ((0.5, 1), (5.0, 0)):
        frames, sketches = _delivery(20, dust=(), strewn=4)
        rng = np.random.default_rng(3)
        for k in range(6):
            x, y = 0.4 + rng.normal(0, apart) / SIZE[0], 0.6 + rng.normal(0, apart) / SIZE[1]
            file = f"frame_{k:03d}.jpg"
            spot = np.float32([[x, y, 14, -6, 0 if k < 2 else -1]])
            sketches[file] = {"spots": np.vstack([spot, sketches[file]["spots"]])}
        _, spots = sensor_spots(frames, sketches)
        assert spots["spot"].nunique() == expected


def test_a_stitch_at_the_place_of_dust_that_was_wiped_off_does_not_lengthen_its_run():
    frames, sketches = _delivery(24, dust=((0.3, 0.2),), seen=1.0, strewn=3)
    frames["captured_at"] = [f"2026-03-02T10:{k:02d}:00" for k in range(24)]
    for k, file in enumerate(frames["file"]):
        spots = sketches[file]["spots"].copy()
        if k >= 12:
            spots[0, 4] = -1
            spots = spots if k % 3 == 0 else spots[1:]
        sketches[file] = {"spots": spots, "preview": _preview(False, (0.3, 0.2) if k < 12 else None, seed=k)}
    counts, _ = sensor_spots(frames, sketches)
    assert counts.iloc[:12].tolist() == [1] * 12
    assert counts.iloc[12:].tolist() == [0] * 12


def test_two_spots_that_came_together_tell_the_first_frame_that_hides_both():
    """Each alone is too faint under the grain of the frame before the first that shows them; both together are not."""
    frames, sketches = _delivery(16, dust=((0.3, 0.2), (0.7, 0.8)), seen=1.0, strewn=3)
    frames["captured_at"] = [f"2026-03-02T10:{k:02d}:00" for k in range(16)]
    for k, file in enumerate(frames["file"]):
        picture = cv2.imdecode(_preview(False, (0.3, 0.2) if k >= 4 else None, seed=k), cv2.IMREAD_GRAYSCALE).astype(float)
        if k >= 4:
            y, x = np.mgrid[: picture.shape[0], : picture.shape[1]]
            picture *= 1 - 0.2 * np.exp(-((np.hypot(x - 0.7 * 640, y - 0.8 * 427) / 2.5) ** 4))
        if k == 4:
            picture += cv2.GaussianBlur(np.random.default_rng(8).normal(0, 60, picture.shape), (0, 0), 1.5)
        preview = cv2.imencode(".jpg", np.clip(picture, 0, 255).astype(np.uint8))[1].ravel()
        sketches[file] = {"spots": sketches[file]["spots"][2 if k < 5 else 0 :], "preview": preview}
    counts, _ = sensor_spots(frames, sketches)
    assert counts.iloc[:4].tolist() == [0] * 4
    assert counts.iloc[4:].tolist() == [2] * 12


def _woven(frames, strewn_on_products, spots):
    """Spots strewn over woven bags in all frames of a delivery of the same products and views, and some spots more in the first."""
    rng = np.random.default_rng(7)
    views = ("front", "back", "three_quarter", "side")
    frames, sketches = _delivery(frames, dust=(), strewn=4, seams=0)
    frames["sku"] = [f"W-{k // 4}" for k in range(len(frames))]
    frames["view"] = [views[k % 4] for k in range(len(frames))]
    for k, file in enumerate(frames["file"]):
        weave = [(*rng.uniform(0.2, 0.8, 2), 12, -9, -1) for _ in range(strewn_on_products)]
        there = np.array(spots[k : k + 1], float).reshape(-1, 5)
        there[:, :2] += rng.normal(0, 0.3, there[:, :2].shape) / SIZE
        sketches[file] = {"spots": np.float32(np.vstack([there, weave, sketches[file]["spots"]]))}
    return frames, sketches


def test_dust_beside_woven_bags_is_told_however_many_spots_their_weave_holds():
    """800 spots a frame make six of them at one place likely by chance, those beside the products do not."""
    _, spots = sensor_spots(*_woven(55, 800, [(0.9, 0.1, 14, -20, 0)] * 6))
    assert spots["spot"].nunique() == 1
    assert np.hypot(spots["x"] - 0.9, spots["y"] - 0.1).max() < 0.001


def test_six_at_a_place_of_a_weave_are_no_dust():
    assert len(sensor_spots(*_woven(55, 800, []))[1]) == 0


def test_dust_over_products_is_told_by_several_of_them_and_one_place_beside_them():
    """Hardware lies at one place in a view of a bag and of its colourways, dust in all views of all bags."""
    hidden = [(0.4, 0.6, 14, -8, 0 if k == 2 else -1) for k in range(8)]
    frames, sketches = _woven(20, 20, hidden)
    assert sensor_spots(frames, sketches)[1]["spot"].nunique() == 0  # of two products
    frames["sku"] = [f"W-{k // 2}" for k in range(20)]
    assert sensor_spots(frames, sketches)[1]["spot"].nunique() == 1
    frames["view"] = ["front" if k % 2 else "back" for k in range(20)]
    assert sensor_spots(frames, sketches)[1]["spot"].nunique() == 0


def test_a_reduced_copy_carries_the_spots_it_shows():
    frames, sketches = _delivery(12, dust=((0.3, 0.2),), seen=1.0, strewn=3)
    frames.loc[[2, 3, 4], ["width_px", "height_px"]] = [SIZE[0] // 2, SIZE[1] // 2]
    frames.loc[5, ["width_px", "height_px"]] = [SIZE[1], SIZE[1]]  # cropped: the sensor's places are elsewhere
    sketches["frame_003.jpg"] = {"spots": sketches["frame_003.jpg"]["spots"][1:]}
    counts, _ = sensor_spots(frames, sketches)
    assert counts.drop(index=5).tolist() == [1, 1, 1, 0] + [1] * 7
    assert counts[5] is pd.NA


def test_pictures_of_two_shapes_of_one_camera_are_two_groups():
    frames, sketches = _delivery(12, dust=((0.3, 0.2),), seen=1.0, strewn=3)
    frames.loc[6:, ["width_px", "height_px"]] = [SIZE[1], SIZE[1]]
    counts, spots = sensor_spots(frames, sketches)
    assert counts.eq(1).all()
    assert spots["spot"].nunique() == 2
