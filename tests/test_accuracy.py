"""
The accuracy table's floors, set from measured values (a quarter of room for another processor's rounding).

The truth is the demo's own (data_demo/truth): what the pictures were made with.
"""

import pytest

from accuracy.__main__ import audited, summary

# mean absolute error and 95th percentile over the set, a quarter above what was measured
FLOORS = {
    "small": {
        "left": (0.0007, 0.0020),
        "top": (0.0011, 0.0033),
        "right": (0.0009, 0.0028),
        "bottom": (0.0021, 0.0065),
        "roll_deg": (0.17, 0.38),
        "blur_px": (0.07, 0.15),
        "noise": (0.08, 0.14),
        "specks": (0.5, 1.4),
        "wb_gain_r": (0.0038, 0.009),
        "wb_gain_b": (0.0056, 0.013),
        "exposure_dev_ev": (0.021, 0.042),
        "background_dev_ev": (0.027, 0.056),
    },
    "clean": {
        "left": (0.0014, 0.0018),
        "top": (0.0008, 0.0020),
        "right": (0.0009, 0.0028),
        "bottom": (0.0013, 0.0033),
        "roll_deg": (0.16, 0.36),
        "lean_deg": (0.55, 1.0),
        "yaw_dev_deg": (0.61, 1.4),
        "blur_px": (0.084, 0.17),
        "specks": (0.25, 1.3),
        "wb_gain_r": (0.0034, 0.0074),
        "wb_gain_b": (0.0037, 0.0102),
        "exposure_dev_ev": (0.017, 0.045),
        "background_dev_ev": (0.013, 0.025),
    },
    "delivery": {
        "roll_deg": (0.21, 0.7),
        "lean_deg": (0.5, 1.2),
        "yaw_dev_deg": (1.2, 3.9),
        "blur_px": (0.14, 0.33),
        "wb_gain_r": (0.0035, 0.009),
        "wb_gain_b": (0.0045, 0.010),
        "background_dev_ev": (0.016, 0.034),
    },
}
IOU = {"small": (0.97, 0.87), "clean": (0.97, 0.85), "delivery": (0.985, 0.83), "finals": (0.985, 0.97)}  # median, worst
FOUND = {"small": 1.0, "clean": None, "delivery": 0.8, "finals": 0.88}  # of the faults that must be found
FALSE = {"small": 0, "clean": 0, "delivery": 2, "finals": 1}  # findings that nothing in the truth explains


@pytest.fixture(scope="module", params=["small", *(pytest.param(name, marks=pytest.mark.slow) for name in ("clean", "delivery", "finals"))])
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
    row = found["masks"].iloc[0]
    assert row["median"] >= IOU[name][0] and row["min"] >= IOU[name][1]


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
