"""Capture order with clock faults, and capture runs."""

import numpy as np
import pandas as pd
import pytest
from catalogue_audit.statistics.series.clock import camera_keys, capture_order, parse_time
from catalogue_audit.statistics.series.runs import capture_runs
from catalogue_audit.statistics.tables import table_from_rows

START = pd.Timestamp(2026, 3, 2, 9)


def frames_of(rows):
    rows = [{"file": f"{number:03d}.jpg", "camera_model": "C", **row} for number, row in enumerate(rows)]
    return table_from_rows("frames", rows)


def at(seconds, **further):
    return {"captured_at": (START + pd.Timedelta(seconds=seconds)).isoformat(), **further}


@pytest.mark.parametrize(
    ("text", "seconds", "offset"),
    [
        ("1970-01-01T00:00:00", 0.0, np.nan),
        ("1970-01-01T00:00:01.25Z", 1.25, 0.0),
        ("1970-01-02T01:00:00-02:30", 90000.0, -9000.0),
        ("0000-00-00T00:00:00", np.nan, np.nan),
        ("2026-13-01T00:00:00", np.nan, np.nan),
        ("soon", np.nan, np.nan),
        (None, np.nan, np.nan),
    ],
)
def test_times_are_read_or_unknown(text, seconds, offset):
    """ISO 8601 as the table holds it; anything else is no time."""
    assert parse_time(text) == pytest.approx((seconds, offset), nan_ok=True)


def test_identical_seconds_keep_the_order_of_the_files_and_fractions_decide():
    order = capture_order(frames_of([at(1), at(0), at(1), at(0.5)]))
    assert order["order"].tolist() == [2, 0, 3, 1]


def test_without_any_time_the_order_is_that_of_the_files_and_says_so():
    order = capture_order(frames_of([{}, {}, {}]))
    assert order["order"].tolist() == [0, 1, 2]
    assert set(order["source"]) == {"file order"}
    assert order["seconds"].isna().all()


def test_offsets_are_taken_into_account_and_missing_ones_are_the_cameras_usual():
    rows = [
        {"captured_at": "2026-03-02T10:00:00+01:00"},
        {"captured_at": "2026-03-02T09:00:30+00:00"},
        {"captured_at": "2026-03-02T10:01:00+01:00"},
        {"captured_at": "2026-03-02T10:00:10"},
    ]
    order = capture_order(frames_of(rows))
    assert order["order"].tolist() == [0, 2, 3, 1]
    assert order["note"][3] != ""


def test_a_frame_without_time_stands_beside_its_product():
    rows = [at(0, sku="A"), {"sku": "A"}, at(100, sku="B"), at(200, sku="C"), {"sku": "B"}]
    order = capture_order(frames_of(rows))
    assert order["order"].tolist() == [0, 1, 2, 4, 3]
    assert order["source"].tolist()[1] == "placed by name"


@pytest.mark.parametrize("zone", ["", "+01:00", "-08:00"])
@pytest.mark.parametrize("year", [1980, 2000, 2010])
def test_a_clock_that_lost_its_setting_is_put_back_by_its_product(year, zone):
    """East of Greenwich the first of January begins in the year before, by UTC."""
    rows = [at(60 * number, sku=f"S{number // 4}") for number in range(20)]
    for number in range(10, 16):  # the battery went between two views of S2
        rows[number]["captured_at"] = (pd.Timestamp(year, 1, 1) + pd.Timedelta(seconds=60 * (number - 10))).isoformat()
    for row in rows:
        row["captured_at"] += zone
    order = capture_order(frames_of(rows))
    assert order["order"].tolist() == list(range(20))
    assert set(order["source"][10:16]) == {"corrected clock"}
    assert set(order["source"][:10]) == {"capture time"}


def test_an_earlier_season_is_no_fault():
    rows = [at(60 * number) for number in range(5)] + [at(60 * number - 86400 * 300) for number in range(5)]
    order = capture_order(frames_of(rows))
    assert order["order"].tolist() == [5, 6, 7, 8, 9, 0, 1, 2, 3, 4]
    assert set(order["source"]) == {"capture time"}


def test_two_cameras_an_hour_apart_are_brought_in_step_by_their_shared_products():
    rows = []
    for number in range(8):
        rows += [at(180 * number + 60 * view, sku=f"S{number}", camera_serial="1") for view in range(2)]
        rows.append(at(180 * number + 120 + 3600, sku=f"S{number}", camera_serial="2"))
    order = capture_order(frames_of(rows))
    by_time = [rows[place]["sku"] for place in np.argsort(order["order"].to_numpy(dtype=int))]
    assert by_time == sorted(by_time)
    assert "differs by" in order["note"][2] and order["note"][0] == ""


@pytest.mark.parametrize("text", ["9999-12-31T23:59:59", "9999-12-31T23:59:59-14:00", "0001-01-01T00:00:00", "0001-01-01T00:00:00+14:00"])
def test_a_clock_at_either_end_of_the_calendar_is_put_in_order_like_any(text):
    rows = [{"captured_at": at(n)["captured_at"]} for n in range(4)] + [{"captured_at": text}]
    order = capture_order(frames_of(rows))
    assert sorted(order["order"]) == list(range(5)) and np.isfinite(order["seconds"]).all()


def test_two_cameras_at_two_times_of_day_are_left_alone():
    """Fronts in the morning, details in the afternoon at another pace: no clock is wrong."""
    rows = [at(180 * number, sku=f"S{number}", camera_serial="1") for number in range(8)]
    rows += [at(14400 + 600 * number, sku=f"S{number}", camera_serial="2") for number in range(8)]
    order = capture_order(frames_of(rows))
    assert order["order"].tolist() == list(range(16))
    assert set(order["source"]) == {"capture time"}


def test_a_file_without_serial_number_is_its_models_only_camera():
    frames = frames_of([{"camera_serial": "1"}, {}, {"camera_model": "D"}])
    keys = camera_keys(frames)
    assert keys[0] == keys[1] != keys[2]


def test_runs_end_at_long_pauses_and_at_cameras_and_are_numbered_by_first_file():
    rows = [at(4000), at(0), at(30), at(4030), at(60, camera_serial="2"), at(90, camera_serial="2"), {}, at(90000)]
    runs = capture_runs(frames_of([{"camera_serial": "1", **row} for row in rows]))
    assert runs.tolist() == [1, 2, 2, 1, 3, 3, pd.NA, pd.NA]
    assert runs.dtype == "Int64"


def test_the_briefs_pause_rules_and_a_slow_shoot_is_one_run():
    class Brief:
        class capture:
            pause_minutes = 1

    slow = frames_of([at(600 * number) for number in range(10)])
    assert capture_runs(slow).tolist() == [1] * 10
    assert capture_runs(slow, Brief()).isna().all()
    assert capture_runs(frames_of([])).empty
