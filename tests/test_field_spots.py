"""Forty colourways of one bag on a marked table: what moves with the bag is no dust on the sensor."""

import numpy as np
from catalogue_audit.statistics.surface.spots import sensor_spots
from catalogue_audit.statistics.tables import table_from_rows

SIZE = 960, 1200
VIEWS = ("three_quarter", "front", "back", "detail")


def colourways(moves_px, views, count=40, seed=3):
    """Frames of one bag in many colours, and a spot of 8 px beside it in some views, which moves from frame to frame."""
    random = np.random.default_rng(seed)
    rows, sketches = [], {}
    for number in range(count):
        for view in VIEWS:
            file = f"BW-{number:02d}_{view}.jpg"
            rows.append(
                {
                    "file": file, "sku": f"BW-{number:02d}", "view": view, "camera_model": "N5", "camera_serial": "1234",
                    "origin": "original", "status": "measured", "width_px": SIZE[0], "height_px": SIZE[1], "orientation": 1,
                }
            )  # fmt: skip
            x, y = random.normal((600, 300), moves_px)
            spots = [(x / SIZE[0], y / SIZE[1], 8.0, -9.0, 0.0)] if view in views else []
            spots += [(*random.random(2), 8.0, -9.0, 0.0) for _ in range(5)]  # strewn finds of no consequence
            sketches[file] = {"spots": np.array(spots, np.float32).reshape(-1, 5)}
    return table_from_rows("frames", rows), sketches


def spotted(*given):
    counts, _ = sensor_spots(*colourways(*given))
    return int((counts > 0).sum())


def test_what_moves_with_the_bag_by_a_pixel_is_no_dust():
    assert spotted(1.2, ("detail",)) == spotted(1.2, ("front", "back")) == spotted(0.4, ("detail",)) == 0


def test_what_stays_is_dust_in_one_view_and_in_all():
    assert spotted(0.15, ("detail",)) == 40
    assert spotted(0.3, VIEWS) == 160
