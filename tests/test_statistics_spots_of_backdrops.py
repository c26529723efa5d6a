"""Marks of a wall that stands still before a camera recur as dust does: they are many, and lighter as often as darker."""

import cv2
import numpy as np
import pytest
from catalogue_audit.statistics.surface.backdrop_pattern import REACH, discs_around
from catalogue_audit.statistics.surface.spots import sensor_spots
from catalogue_audit.statistics.tables import table_from_rows

SIZE = 3200, 2400
PREVIEW = 640, 480
SPOT_PX = 24  # across, of the full picture


def wall(blotches, seed=1):
    """A wall of 120 code values, with soft blotches of about the spot's size; standard deviation as a share."""
    noise = cv2.GaussianBlur(np.random.default_rng(seed).normal(size=PREVIEW[::-1]), (0, 0), 2.5)
    return 120 * (1 + blotches * noise / noise.std())


def with_dust(picture, x, y, depth):
    """The same under a disc that takes so much of the light."""
    rows, columns = np.indices(picture.shape)
    away = np.hypot(columns + 0.5 - x * PREVIEW[0], rows + 0.5 - y * PREVIEW[1])
    return picture * (1 - depth * np.exp(-((away / (SPOT_PX / 2 * PREVIEW[0] / SIZE[0])) ** 4)))


def dips(picture, count=3):
    """Its darkest discs, x and y as fractions, well inside the frame and apart."""
    smooth = cv2.GaussianBlur(picture, (0, 0), 2.0)
    smooth[:60], smooth[-60:], smooth[:, :60], smooth[:, -60:] = (np.inf,) * 4
    places = []
    for _ in range(count):
        row, column = np.unravel_index(np.argmin(smooth), smooth.shape)
        places.append(((column + 0.5) / PREVIEW[0], (row + 0.5) / PREVIEW[1]))
        smooth[row - 40 : row + 40, column - 40 : column + 40] = np.inf
    return places


def delivery(picture, places, frames=12, grain=2.0, seed=5):
    """Frames of one camera before a wall that stands still, a bag in front that hides its middle, and spots found at `places`."""
    random = np.random.default_rng(seed)
    rows, sketches = [], {}
    mask = np.zeros((192, 256), bool)
    mask[70:150, 90:170] = True
    for number in range(frames):
        seen = picture + random.normal(0, grain, picture.shape)
        seen[180:360, 230:420] = random.uniform(20, 200)
        spots = [(x + random.normal(0, 0.3) / SIZE[0], y + random.normal(0, 0.3) / SIZE[1], SPOT_PX, -4.0, 0) for x, y in places]
        spots += [(*random.random(2), SPOT_PX, -4.0, 0) for _ in range(4)]  # strewn finds of no consequence
        preview = cv2.imencode(".jpg", np.clip(seen, 0, 255).astype(np.uint8), [cv2.IMWRITE_JPEG_QUALITY, 85])[1].ravel()
        row = {
            "file": f"frame_{number:03d}.jpg", "camera_make": "Norden", "camera_model": "N5", "camera_serial": "1234",
            "origin": "original", "status": "measured", "width_px": SIZE[0], "height_px": SIZE[1], "orientation": 1,
        }  # fmt: skip
        rows.append(row)
        sketches[row["file"]] = {"spots": np.float32(spots).reshape(-1, 5), "preview": preview, "mask": mask}
    return table_from_rows("frames", rows), sketches


@pytest.mark.parametrize("seed", range(4))
def test_the_darkest_marks_of_a_blotchy_wall_are_no_dust(seed):
    picture = wall(0.01, seed)
    frames, sketches = delivery(picture, dips(picture))
    counts, _ = sensor_spots(frames, sketches)
    assert counts.eq(0).all()
    unseen = {file: {"spots": sketch["spots"]} for file, sketch in sketches.items()}
    assert sensor_spots(frames, unseen)[0].eq(3).all()  # by their places alone they would be


@pytest.mark.parametrize("seed", range(4))
def test_dust_is_told_from_the_marks_of_the_wall_behind_it(seed):
    picture = wall(0.01, seed)
    marks = dips(picture, 2)
    _, spots = sensor_spots(*delivery(with_dust(picture, 0.15, 0.85, 0.15), [*marks, (0.15, 0.85)]))
    assert spots["spot"].nunique() == 1
    assert spots["x"].median() == pytest.approx(0.15, abs=0.001)
    assert len(spots) == 12


@pytest.mark.parametrize("seed", range(4))
def test_faint_dust_before_a_smooth_wall_is_not_hidden_by_grain(seed):
    """Two hundredths of the light, under grain of nearly twice as much in every pixel: what differs from frame to frame is no pattern."""
    picture = with_dust(wall(0.0), 0.2, 0.2, 0.02)
    counts, _ = sensor_spots(*delivery(picture, [(0.2, 0.2)], frames=8, grain=4.0, seed=seed))
    assert counts.eq(1).all()


def test_dust_beside_the_edge_of_a_table_that_stands_still_is_dust():
    picture = wall(0.002)
    picture[330:] *= 0.6
    counts, _ = sensor_spots(*delivery(with_dust(picture, 0.25, 0.63, 0.05), [(0.25, 0.63)]))
    assert counts.eq(1).all()


def test_frames_held_upright_and_not_keep_their_dust():
    frames, sketches = delivery(with_dust(wall(0.002), 0.2, 0.2, 0.1), [(0.2, 0.2)])
    for file in frames["file"].iloc[7:]:
        spots, picture = sketches[file]["spots"].copy(), cv2.imdecode(sketches[file]["preview"], cv2.IMREAD_GRAYSCALE)
        spots[:, 0], spots[:, 1] = 1 - sketches[file]["spots"][:, 1], sketches[file]["spots"][:, 0]
        turned = cv2.imencode(".jpg", cv2.rotate(picture, cv2.ROTATE_90_CLOCKWISE))[1].ravel()
        sketches[file] = {"spots": spots, "preview": turned, "mask": np.rot90(sketches[file]["mask"], -1)}
    frames.loc[frames.index[7:], ["orientation", "width_px", "height_px"]] = [6, SIZE[1], SIZE[0]]
    counts, _ = sensor_spots(frames, sketches)
    assert counts.eq(1).all()


def test_a_disc_is_as_dark_as_it_was_drawn():
    grey = np.full((300, 300), 200, np.uint8)
    cv2.circle(grey, (150, 150), 6, 180, -1)
    product = np.zeros_like(grey)
    product[:, 200:] = 1
    around = discs_around(grey, product, 150.5, 150.5, 5.0)
    assert around[REACH, REACH] == pytest.approx(-0.1, abs=0.001)
    assert np.abs(around[REACH - 15 : REACH - 8]).max(where=~np.isnan(around[REACH - 15 : REACH - 8]), initial=0) < 0.001
    assert np.isnan(around[:, REACH + 10 :]).all()
