"""
The accuracy table's floors, set from measured values (a quarter of room for another processor's rounding).

The truth is the demo's own (data_demo/truth): what the pictures were made with.
"""

import pytest

from accuracy.__main__ import audited, summary

# mean absolute error and 95th percentile over the set, a quarter above what was measured; details stand apart, as their
# light rests on the product's other views
FLOORS = {
    "small": {
        "left": (0.0007, 0.0020),
        "top": (0.0011, 0.0033),
        "right": (0.0009, 0.0028),
        "bottom": (0.0005, 0.0016),
        "roll_deg": (0.09, 0.27),
        "blur_px": (0.062, 0.15),
        "noise": (0.08, 0.14),
        "specks": (0.5, 1.4),
        "wb_gain_r": (0.0026, 0.0058),
        "wb_gain_b": (0.0037, 0.0074),
        "exposure_dev_ev": (0.021, 0.042),
        "background_dev_ev": (0.020, 0.038),
        "wb_gain_r of details": (0.0059, 0.0106),
        "exposure_dev_ev of details": (0.0215, 0.049),
    },
    "clean": {
        "left": (0.0008, 0.0017),
        "top": (0.0008, 0.0020),
        "right": (0.0009, 0.0022),
        "bottom": (0.0010, 0.0030),
        "roll_deg": (0.125, 0.29),
        "lean_deg": (0.53, 0.95),
        "yaw_dev_deg": (0.61, 1.4),
        "blur_px": (0.084, 0.17),
        "specks": (0.25, 1.3),
        "wb_gain_r": (0.0034, 0.0074),
        "wb_gain_b": (0.0037, 0.0102),
        "exposure_dev_ev": (0.017, 0.045),
        "background_dev_ev": (0.013, 0.025),
        "wb_gain_r of details": (0.0060, 0.0105),
        "exposure_dev_ev of details": (0.053, 0.089),
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
        "exposure_dev_ev": (0.0225, 0.059),
        "background_dev_ev": (0.012, 0.024),
        "wb_gain_r of details": (0.0055, 0.0089),
        "exposure_dev_ev of details": (0.041, 0.089),
    },
    "finals with originals": {
        "original_rotation_deg": (0.018, 0.063),
        "original_scale": (0.0007, 0.0019),
    },
}
# Floors that the outline grown on half the size misses: edges at 640 x 800 are 0.1 px worse in the mean, and the top of
# one white bag by 4 px. They stay as they were, and say so when they are met again.
NOT_MET = {("small", "right"), ("clean", "top")}
IOU = {"small": (0.98, 0.96), "clean": (0.98, 0.95), "delivery": (0.99, 0.94), "finals": (0.99, 0.975)}  # median, worst
FOUND = {"small": 1.0, "clean": None, "delivery": 0.86, "finals": 0.88, "finals with originals": 0.79}  # of the faults that must be found
PAIRED = {"finals with originals": 0.96}  # of the finals whose photograph is among the originals
FALSE = {"small": 0, "clean": 0, "delivery": 1, "finals": 1, "finals with originals": 1}  # findings that nothing in the truth explains


@pytest.fixture(scope="module", params=["small", *(pytest.param(name, marks=pytest.mark.slow) for name in ("clean", "delivery", "finals", "finals with originals"))])
def tables(request, tmp_path_factory):
    return request.param, summary([audited(request.param, tmp_path_factory.mktemp("accuracy"))])


def test_quantities_are_as_accurate_as_they_were_measured_to_be(tables):
    name, found = tables
    errors = found["quantities"].set_index("quantity")
    for quantity, floors in FLOORS.get(name, {}).items():
        assert errors.at[quantity, "n"] > 0
        if (name, quantity) not in NOT_MET:
            assert _meets(errors.loc[quantity], floors), (quantity, errors.loc[quantity])


def test_edges_that_got_worse_are_told(tables, request):
    name, found = tables
    errors = found["quantities"].set_index("quantity")
    worse = [quantity for of, quantity in NOT_MET if of == name]
    if worse:
        request.applymarker(pytest.mark.xfail(strict=True, reason="the outline grown on half the size: see NOT_MET"))
    assert all(_meets(errors.loc[quantity], FLOORS[name][quantity]) for quantity in worse)


def _meets(errors, floors):
    """Whether mean and 95th percentile of a quantity's errors are within its floors."""
    return errors["mean_absolute_error"] <= floors[0] and errors["p95_absolute_error"] <= floors[1]


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
