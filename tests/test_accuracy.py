"""
The accuracy table's floors, set from measured values (a quarter of room for another processor's rounding).

The truth is the demo's own (data_demo/truth): what the pictures were made with.
"""

import pytest

from accuracy.__main__ import audited, summary

# mean absolute error and 95th percentile over the set, a quarter above what was measured; light is that of whole
# products and of the details whose light is known
FLOORS = {
    "small": {
        "left": (0.0007, 0.0020),
        "top": (0.0011, 0.0033),
        "right": (0.0011, 0.0028),
        "bottom": (0.0005, 0.0016),
        "roll_deg": (0.09, 0.27),
        "blur_px": (0.062, 0.15),
        "noise": (0.08, 0.14),
        "specks": (0.5, 1.4),
        "wb_gain_r": (0.0031, 0.0073),
        "wb_gain_b": (0.0043, 0.0096),
        "exposure_dev_ev": (0.021, 0.042),
        "background_dev_ev": (0.020, 0.038),
    },
    "clean": {
        "left": (0.0008, 0.0017),
        "top": (0.0009, 0.0029),
        "right": (0.0009, 0.0022),
        "bottom": (0.0010, 0.0030),
        "roll_deg": (0.125, 0.29),
        "lean_deg": (0.53, 0.95),
        "yaw_dev_deg": (0.61, 1.4),
        "blur_px": (0.084, 0.17),
        "specks": (0.25, 1.3),
        "wb_gain_r": (0.0034, 0.0074),
        "wb_gain_b": (0.0037, 0.0102),
        "exposure_dev_ev": (0.026, 0.079),
        "background_dev_ev": (0.013, 0.025),
    },
    "delivery": {
        "left": (0.0005, 0.0012),
        "top": (0.0008, 0.0035),
        "right": (0.0009, 0.0030),
        "bottom": (0.0012, 0.0024),
        "roll_deg": (0.21, 0.70),
        "lean_deg": (0.44, 1.2),
        "yaw_dev_deg": (0.88, 2.5),
        "blur_px": (0.125, 0.30),
        "wb_gain_r": (0.0028, 0.0069),
        "wb_gain_b": (0.0042, 0.0084),
        "exposure_dev_ev": (0.026, 0.063),
        "background_dev_ev": (0.012, 0.024),
    },
    "finals with originals": {
        "original_rotation_deg": (0.018, 0.063),
        "original_scale": (0.0007, 0.0019),
    },
}
IOU = {"small": (0.98, 0.96), "clean": (0.98, 0.95), "delivery": (0.99, 0.94), "finals": (0.99, 0.975)}  # median, worst
FOUND = {"small": 1.0, "clean": None, "delivery": 0.86, "finals": 0.86, "finals with originals": 0.79}  # of the faults that must be found
PAIRED = {"finals with originals": 0.96}  # of the finals whose photograph is among the originals
FALSE = {"small": 0, "clean": 0, "delivery": 1, "finals": 1, "finals with originals": 1}  # findings that nothing in the truth explains


@pytest.fixture(scope="module", params=["small", *(pytest.param(name, marks=pytest.mark.slow) for name in ("clean", "delivery", "finals", "finals with originals"))])
def tables(request, tmp_path_factory):
    return request.param, summary([audited(request.param, tmp_path_factory.mktemp("accuracy"))])


def test_quantities_are_as_accurate_as_they_were_measured_to_be(tables):
    name, found = tables
    errors = found["quantities"].set_index("quantity")
    for quantity, (mean, percentile) in FLOORS.get(name, {}).items():
        assert errors.at[quantity, "n"] > 0
        assert errors.at[quantity, "mean_absolute_error"] <= mean, quantity
        assert errors.at[quantity, "p95_absolute_error"] <= percentile, quantity


def test_masks_cover_the_product(tables):
    name, found = tables
    if name in IOU:
        row = found["masks"].iloc[0]
        assert row["median"] >= IOU[name][0] and row["min"] >= IOU[name][1]
    else:
        assert name.endswith("with originals")  # the same pictures once more


def test_finals_find_their_originals(tables):
    name, found = tables
    if name in PAIRED:
        row = found["pairs"].iloc[0]
        assert row["right"] >= PAIRED[name] * row["with_original"] and row["wrong"] == 0
    else:
        assert found["pairs"].empty


def test_faults_are_found_and_nothing_else(tables):
    name, found = tables
    row = found["deliveries"].iloc[0]
    if FOUND[name] is None:
        assert row["faults"] == 0
    else:
        assert row["due_found"] >= FOUND[name] * row["due"]
    assert row["false"] <= FALSE[name], found["false findings"]


def test_every_column_and_check_has_its_row(tables):
    from catalogue_audit.schema import CHECKS, FRAME_COLUMNS

    _, found = tables
    assert list(found["columns"]["column"]) == [column.name for column in FRAME_COLUMNS]
    assert list(found["checks"]["check"]) == list(CHECKS)
