"""Steps and trends: published series, made deliveries with known changes, and steady ones."""

import numpy as np
import pandas as pd
import pytest
from catalogue_audit import schema
from catalogue_audit.statistics.series.change_rows import likely_cause
from catalogue_audit.statistics.series.changes import find_changes
from catalogue_audit.statistics.series.clock import capture_order
from catalogue_audit.statistics.series.ramps import fit_ramp
from catalogue_audit.statistics.series.segments import find_transitions, level_starts
from catalogue_audit.statistics.series.trend import mann_kendall
from catalogue_audit.statistics.tables import table_from_rows
from hypothesis import given, settings
from hypothesis import strategies as st
from published import column

VIEWS = ("three_quarter", "front", "back", "detail")


def test_the_nile_changes_once_after_28_years():
    """Cobb, Biometrika 65 (1978) 243; strucchange's reference output: one break, after observation 28 (1898)."""
    flow = column("cp_nile", "volume_1e8_m3")
    assert level_starts(flow, noise=np.sqrt(np.var(np.diff(flow)) / 2), fewest=2) == [28]  # the 29th is the first new one
    assert mann_kendall(flow).s == -1387  # computed; a step is a trend to this test


def test_the_nile_step_lies_between_1898_and_1899_with_its_levels():
    """Means 1097.75 before and 849.97 after, computed from Cobb's series; we report medians of the same parts."""
    flow = column("cp_nile", "volume_1e8_m3")
    (step,) = find_transitions(flow, np.arange(flow.size), visible=50, floor=1)
    assert step.kind == "step"
    assert (step.last_before, step.first_after) == (27, 28)
    assert [flow[:28].mean(), flow[28:].mean()] == pytest.approx([1097.75, 849.97], abs=0.005)
    assert [step.before, step.after] == [np.median(flow[:28]), np.median(flow[28:])]


def test_page_1955_changes_once_after_17_values():
    """Pettitt, Appl. Statist. 28 (1979), Table 1: the change lies after the 17th of Page's forty values."""
    values = column("cp_pages1955", "x")
    assert level_starts(values, noise=np.sqrt(np.var(np.diff(values)) / 2), fewest=2) == [17]


@given(st.integers(2, 30), st.integers(6, 40), st.integers(2, 30))
@settings(deadline=None, max_examples=40)
def test_a_clean_ramp_is_fitted_exactly(flat, length, rest):
    y = np.concatenate([np.zeros(flat), np.linspace(0, 1, length + 1)[1:-1], np.ones(rest)])
    start, end, squares = fit_ramp(y)
    assert (start, end) == (flat - 1, flat + length - 1)
    assert squares == pytest.approx(0, abs=1e-9)


def delivery(products, seed=0, noise=0.3, change=None):
    """Frames of a steady shoot, one product after another; ``change`` may edit the rows in capture order."""
    draw = np.random.default_rng(seed)
    clock, rows = pd.Timestamp(2026, 3, 2, 9), []
    for number in range(products):
        own = draw.normal(0, noise)
        for view in VIEWS:
            clock += pd.Timedelta(seconds=int(draw.integers(20, 60)))
            crop = view == "detail"
            rows.append(
                {
                    "file": f"S{number:04d}_{view}.jpg",
                    "sku": f"S{number:04d}",
                    "view": view,
                    "view_kind": "crop" if crop else "upright",
                    "status": "measured",
                    "captured_at": clock.isoformat(),
                    "camera_model": "C",
                    "camera_serial": "1",
                    "background_L": 93 + draw.normal(0, noise) + own,
                    "background_a": draw.normal(0, noise / 2),
                    "background_b": 2 + draw.normal(0, noise) + own + (view == "back"),
                    "background_dev_ev": draw.normal(0, 0.02),
                    "exposure_dev_ev": draw.normal(0, 0.05),
                    "focal_length_35mm": 100 if crop else 70,
                    "f_number": 11,
                    "iso": 100,
                    "fill_height": None if crop else 0.8 + draw.normal(0, 0.01),
                    "centre_dx": None if crop else draw.normal(0, 0.003),
                    "centre_dy": None if crop else draw.normal(0, 0.003),
                    "camera_pitch_deg": None if crop else 5 + draw.normal(0, 0.4),
                    "yaw_deg": 32 + draw.normal(0, 1) if view == "three_quarter" else None,
                }
            )
    captured = [row["file"] for row in rows]
    if change:
        change(rows)
    return table_from_rows("frames", sorted(rows, key=lambda row: row["file"])), captured


def test_steady_deliveries_have_no_changes():
    """20 sets of 100 frames, two of light wobbling from product to product; one false change in all is allowed."""
    assert sum(len(find_changes(delivery(25, seed)[0])) for seed in range(20)) <= 1


@pytest.mark.parametrize("seed", range(8))
def test_a_step_of_light_is_placed_within_one_frame(seed):
    place = int(np.random.default_rng(seed + 100).integers(20, 80))

    def warmer(rows):
        for row in rows[place:]:
            row["background_b"] += 2.0

    frames, captured = delivery(25, seed, change=warmer)
    changes = find_changes(frames)
    step = changes[changes["quantity"] == "background_b"].iloc[0]
    assert (step["kind"], step["view"]) == ("step", "all")
    assert abs(captured.index(step["to_file"]) - place) <= 1
    assert step["after"] - step["before"] == pytest.approx(2.0, abs=0.4)
    assert len(changes) == 1


@pytest.mark.parametrize("seed", range(4))
def test_a_lamp_that_warms_in_the_last_frames_of_a_day_is_a_trend(seed):
    """Two products only: the joint search takes them for odd ones; each frame is a little warmer than the last."""

    def warming(rows):
        for number, row in enumerate(rows[32:], start=1):
            row["background_b"] += number
            row["background_a"] += 0.1 * number

    frames, captured = delivery(10, seed, noise=0.1, change=warming)
    (change,) = find_changes(frames).query("quantity == 'background_b'").to_dict("records")
    assert change["kind"] == "trend"
    assert abs(captured.index(change["from_file"]) - 31) <= 3
    assert abs(captured.index(change["to_file"]) - 39) <= 3


def test_two_coloured_products_at_the_end_of_a_day_are_no_trend():
    def coloured(rows):
        for row in rows[32:]:
            row["background_b"] += 4.0

    assert find_changes(delivery(10, 3, noise=0.1, change=coloured)[0]).query("kind == 'trend'").empty


def test_dust_on_the_sensor_is_one_step_where_it_sets_in_and_one_where_it_is_cleaned():
    def dusty(rows):
        for number, row in enumerate(rows):
            row["sensor_spots"] = 3 if 20 <= number < 32 and number != 25 else 0

    frames, captured = delivery(10, 1, change=dusty)
    step, cleaned = find_changes(frames).query("quantity == 'sensor_spots'").to_dict("records")
    assert (step["from_file"], step["to_file"]) == (captured[19], captured[20])
    assert (step["before"], step["after"], step["frames"]) == (0, 3, 11)
    assert (cleaned["from_file"], cleaned["to_file"]) == (captured[31], captured[32])
    assert (cleaned["before"], cleaned["after"], cleaned["frames"]) == (3, 0, 8)


@pytest.mark.parametrize("seed", range(6))
def test_a_drift_is_one_trend_with_its_ends(seed):
    """Ends within 3 frames are the goal; noise moves a single set's by a few more, so the median is held to 3."""
    errors = []
    for number in range(3):
        draw = np.random.default_rng(10 * seed + number)
        start = int(draw.integers(12, 30))
        end = start + int(draw.integers(30, 50))

        def drift(rows, start=start, end=end):
            for place, row in enumerate(rows):
                row["background_b"] += 5.0 * np.clip((place - start) / (end - start), 0, 1)

        frames, captured = delivery(25, 10 * seed + number, noise=0.2, change=drift)
        changes = find_changes(frames)
        assert changes["kind"].tolist() == ["trend"], changes
        errors += [
            abs(captured.index(changes["from_file"][0]) - start),
            abs(captured.index(changes["to_file"][0]) - end),
        ]
    assert np.median(errors) <= 3
    assert max(errors) <= 10


# b* of the backdrop of 24 products, three views each, under a lamp that warms evenly over 53 of them and is then replaced; drawn with noise of one code
# value and measured: it moves by whole codes of red and blue, which fall together or apart.
WARMING = (
    0, 0.01, 0, 0, 0, 0, 0, 0, 0.02, 0.03, 0.43, 0.99, 0.99, 1.1, 1.07, 1.11, 1.11, 1.11, 1.12, 1.12, 1.79, 1.86, 2.09, 2.1, 2.08, 2.12, 2.61, 2.28,
    2.76, 2.84, 2.84, 2.84, 2.85, 2.85, 2.84, 3.7, 3.6, 3.83, 3.82, 3.82, 3.83, 3.59, 3.83, 3.6, 3.68, 3.6, 3.6, 4.47, 4.94, 4.94, 4.94, 4.95, 5.03,
    5.17, 5.83, 5.91, 5.93, 5.92, 5.83, 5.83, 5.92, 5.93, 5.93, 5.82, 5.9, 5.89, 5.93, 0, 0, 0, 0, 0,
)  # fmt: skip


def test_a_drift_rounded_to_whole_code_values_is_one_trend_and_no_stairs():
    def warming(rows):
        values = iter([0.0] * 60 + list(WARMING) + [0.0] * 30)
        for row in rows:
            row["background_b"] = None if row["view"] == "detail" else next(values)

    frames, captured = delivery(54, 4, change=warming)
    trend, step = find_changes(frames).query("quantity == 'background_b'").to_dict("records")
    assert (trend["kind"], step["kind"]) == ("trend", "step")
    assert abs(captured.index(trend["from_file"]) - 88) <= 3 and abs(captured.index(trend["to_file"]) - 155) <= 4
    assert captured.index(step["to_file"]) == 169


@pytest.mark.parametrize("later", [112, 130])
def test_a_drift_and_a_step_the_same_way_later_are_told_apart(later):
    """A lamp that warmed, and was exchanged for a warmer one soon after."""
    errors = []
    for seed in range(4):

        def warmer(rows):
            for place, row in enumerate(rows):
                row["background_b"] += 5.0 * np.clip((place - 40) / 60, 0, 1) + 3.5 * (place >= later)

        frames, captured = delivery(50, 60 + seed, noise=0.15, change=warmer)
        trend, step = find_changes(frames).query("quantity == 'background_b'").sort_values("kind", ascending=False).to_dict("records")
        assert (trend["kind"], step["kind"]) == ("trend", "step")
        assert abs(captured.index(step["to_file"]) - later) <= 1
        errors += [abs(captured.index(trend[end]) - at) for end, at in (("from_file", 40), ("to_file", 100))]
    assert np.median(errors) <= 3 and max(errors) <= 10


def test_one_strange_picture_and_one_strange_product_are_no_step():
    def strange(rows):
        rows[40]["background_b"] += 20
        for row in rows[60:64]:
            row["background_L"] -= 10
        rows[80]["focal_length_35mm"] = 35

    assert find_changes(delivery(25, 3, change=strange)[0]).empty


def test_light_that_two_products_got_is_a_change_where_product_and_background_agree():
    def dim(rows, columns):
        for row in rows[40:48]:
            for name in columns:
                row[name] -= 0.26

    both, captured = delivery(24, 4, change=lambda rows: dim(rows, ("exposure_dev_ev", "background_dev_ev")))
    changes = find_changes(both)
    assert [captured.index(file) for file in changes["to_file"]] == [40, 48]
    assert changes["frames"].tolist()[0] == 8
    for alone in ("exposure_dev_ev", "background_dev_ev"):
        assert find_changes(delivery(24, 4, change=lambda rows, alone=alone: dim(rows, (alone,)))[0]).empty


def test_a_set_up_that_alternates_is_two_modes():
    def alternate(rows):
        for place, row in enumerate(rows):
            row["focal_length_35mm"] = 70 if (place // 20) % 2 else 100

    assert "focal_length_35mm" not in find_changes(delivery(40, 4, change=alternate)[0])["quantity"].tolist()


def test_a_lamp_switched_off_and_on_again_is_two_steps():
    def off(rows):
        for row in rows[40:60]:
            row["exposure_dev_ev"] -= 0.5

    frames, captured = delivery(25, 5, change=off)
    changes = find_changes(frames)
    assert changes["quantity"].tolist() == ["exposure_dev_ev"] * 2
    assert [captured.index(file) for file in changes["to_file"]] == pytest.approx([40, 60], abs=1)
    assert changes["frames"][0] == pytest.approx(20, abs=1)  # the light on the product is known in details too


def test_another_lens_and_a_knocked_tripod_are_named_when_two_quantities_agree():
    def change(rows):
        for place, row in enumerate(rows):
            if place >= 48:
                row["focal_length_35mm"] *= 85 / 70
                row["fill_height"] = row["fill_height"] and row["fill_height"] * 1.08
            if place >= 80 and row["view"] != "detail":
                row["camera_pitch_deg"] += 4
                row["centre_dy"] += 0.04

    frames, captured = delivery(30, 6, change=change)
    changes = find_changes(frames).set_index("quantity")
    assert set(changes.index) == {"focal_length_35mm", "fill_height", "camera_pitch_deg", "centre_dy"}
    lens = changes.loc["focal_length_35mm"]
    assert captured.index(lens["to_file"]) == 48 and captured.index(lens["from_file"]) == 47
    assert (lens["before"], lens["after"], lens["frames"]) == (70, 85, 72)
    assert "another lens" in lens["note"]
    assert "tripod" in changes.loc["camera_pitch_deg", "note"]
    assert changes.loc["camera_pitch_deg", "view"] == "all"


def test_what_else_changed_there_is_said_in_words_and_dust_only_beside_the_lens():
    def dirtied(rows, column, by):
        for place, row in enumerate(rows):
            row[column] += by * (place >= 48)
            row["sensor_spots"] = 3 * (place >= 48)

    dim, lens = (
        find_changes(delivery(30, 7, change=lambda rows, change=change: dirtied(rows, *change))[0]).set_index("quantity")["note"]
        for change in (("exposure_dev_ev", -0.4), ("focal_length_35mm", 20))
    )
    assert set(dim.index) == {"exposure_dev_ev", "sensor_spots"}
    assert not dim.str.contains("At the same place").any()
    assert "At the same place: sensor dust." in lens["focal_length_35mm"]
    assert "At the same place: focal length." in lens["sensor_spots"]


@pytest.mark.parametrize(("later", "together"), [(1, True), (6, False)])
def test_two_changes_a_product_and_a_half_apart_are_not_at_the_same_place(later, together):
    def change(rows):
        for place, row in enumerate(rows):
            row["exposure_dev_ev"] -= 0.4 * (place >= 48)
            row["focal_length_35mm"] += 20 * (place >= 48 + later)

    notes = find_changes(delivery(30, 7, change=change)[0])["note"]
    assert len(notes) == 2
    assert notes.str.contains("At the same place").tolist() == [together, together]


def test_one_quantity_alone_names_no_cause():
    for family in ("light colour", "light level", "lens", "size", "place up", "turn", "camera height"):
        assert likely_cause("step", {family}) is None
        assert likely_cause("trend", {family}) is None


def test_cameras_are_judged_apart():
    def second(rows):
        for place, row in enumerate(rows):
            if place % 2:
                row["camera_serial"] = "2"
                row["background_b"] += 6

    assert find_changes(delivery(25, 7, change=second)[0]).empty


@pytest.mark.parametrize("late", [0, 2820])
def test_a_lamp_that_two_cameras_saw_is_one_change_whatever_their_clocks_say_and_a_lens_is_its_cameras_own(late):
    def two(rows):
        for place, row in enumerate(rows):
            second = row["view"] in ("detail", "back")
            row["exposure_dev_ev"] -= 0.4 * (place >= 50)
            row["exposure_dev_sd_ev"] = 0.01
            row["focal_length_35mm"] += 20 * (second and place >= 70)
            row["camera_serial"] = "2" if second else "1"
            row["captured_at"] = (pd.Timestamp(row["captured_at"]) + pd.Timedelta(seconds=late * second)).isoformat()

    frames, captured = delivery(30, 11, change=two)
    changes = find_changes(frames).set_index("quantity")
    assert sorted(changes.index) == ["exposure_dev_ev", "focal_length_35mm"]
    assert 49 <= captured.index(changes.loc["exposure_dev_ev", "to_file"]) <= 52
    assert changes.loc["exposure_dev_ev", "frames"] >= 65


@pytest.mark.parametrize("seed", range(4))
def test_a_light_and_a_lens_of_one_view_alone_are_steps_of_that_view(seed):
    """A lamp that is switched on for the backs only, and details taken with another lens, between views that stay as they are."""
    first = 37 + seed

    def one_view(rows):
        for place, row in enumerate(rows):
            row["exposure_dev_ev"] += 0.3 * (row["view"] == "back" and first <= place < first + 40)
            row["focal_length_35mm"] += 15 * (row["view"] == "detail" and place >= 60)

    frames, captured = delivery(30, 20 + seed, change=one_view)
    changes = find_changes(frames)
    assert changes[["quantity", "view"]].to_numpy().tolist() == [["exposure_dev_ev", "back"], ["focal_length_35mm", "detail"], ["exposure_dev_ev", "back"]]
    light, lens, again = changes.to_dict("records")
    backs = [file for file in captured if "_back" in file]
    assert backs.index(light["to_file"]) == sum(captured.index(file) < first for file in backs)
    assert backs.index(again["to_file"]) - backs.index(light["to_file"]) == light["frames"] == 10
    assert [light["before"], light["after"]] == pytest.approx([0, 0.3], abs=0.05)
    assert (lens["before"], lens["after"], lens["to_file"]) == (100, 115, next(file for file in captured[60:] if "_detail" in file))


def test_a_file_without_a_time_zone_has_the_zone_of_the_camera_s_nearest_picture():
    """On the way the camera was set to another zone; an editor dropped the zone of some files before."""
    seconds = pd.date_range("2025-03-04T09:00", periods=30, freq="min")
    local = [one + pd.Timedelta(hours=1 if place >= 10 else 0) for place, one in enumerate(seconds)]
    zone = ["+02:00" if place >= 10 else "" if place % 4 == 1 else "+01:00" for place in range(30)]
    frames = delivery(8)[0].head(30).assign(captured_at=[f"{one:%Y-%m-%dT%H:%M:%S}{offset}" for one, offset in zip(local, zone, strict=True)])
    order = capture_order(frames)
    assert order["order"].tolist() == list(range(30))
    assert (order["note"] != "").tolist() == [offset == "" for offset in zone]


def test_a_step_amid_a_product_is_one_step_where_two_products_are_enough():
    """The product that it parts reads half of it."""
    units = np.repeat(np.arange(12), 4)
    values = np.where(np.arange(48) < 10, -0.31, 0.004) + 0.002 * np.sin(np.arange(48.0))
    (step,) = find_transitions(values, units, visible=0.075, floor=0.0005, fewest=2)
    assert (step.first_after, step.last) == (10, 47)
    assert step.after - step.before == pytest.approx(0.314, abs=0.005)


def test_without_capture_times_the_order_is_that_of_the_files():
    def untimed(rows):
        for place, row in enumerate(rows):
            row["captured_at"] = None
            row["background_b"] += 4 if row["sku"] >= "S0012" else 0

    changes = find_changes(delivery(25, 8, change=untimed)[0])
    assert changes["to_file"].str.startswith("S0012").tolist() == [True]
    assert changes["from_time"].isna().all()
    assert "file order" in changes["note"][0]


def test_the_brief_says_what_is_visible():
    class Loose:
        tolerance = {"white_balance": 10.0}

    def warmer(rows):
        for row in rows[50:]:
            row["background_b"] += 2.0

    frames, _ = delivery(25, 9, change=warmer)
    assert len(find_changes(frames)) == 1
    assert find_changes(frames, Loose()).empty


def test_styles_framed_differently_are_no_steps():
    """Four colourways of a style come one after another; each style has its own height in the frame."""

    def by_style(rows):
        heights = np.random.default_rng(11).uniform(0.6, 0.9, 10)
        for place, row in enumerate(rows):
            style = place // 16
            row["sku"] = f"T{style}-{row['sku']}"
            row["file"] = f"{row['sku']}_{row['view']}.jpg"
            row["fill_height"] = row["fill_height"] and row["fill_height"] * heights[style]

    assert find_changes(delivery(40, 11, change=by_style)[0]).empty


def test_an_empty_or_tiny_delivery_gives_an_empty_table_of_the_right_columns():
    for count in (0, 1):
        changes = find_changes(delivery(count)[0])
        assert changes.empty
        assert changes.columns.tolist() == [column.name for column in schema.CHANGE_COLUMNS]


@given(st.permutations(range(24)))
@settings(deadline=None, max_examples=5)
def test_names_do_not_matter_to_the_order_of_capture(order):
    """The same pictures under other names give the same change."""

    def warmer(rows):
        for place, row in enumerate(rows):
            row["background_b"] += 4 * (place >= 48)
            row["sku"] = f"S{order[place // 4]:04d}"
            row["file"] = f"{row['sku']}_{row['view']}.jpg"

    frames, _ = delivery(24, 10, change=warmer)
    (to_file,) = find_changes(frames)["to_file"]
    assert to_file == f"S{order[12]:04d}_three_quarter.jpg"


@pytest.mark.parametrize("seed", range(4))
def test_a_lamp_that_warms_up_and_is_set_back_is_a_trend_with_its_end(seed):
    start, end = 18, 30

    def warm(rows):
        for place, row in enumerate(rows):
            if start <= place <= end:
                row["background_b"] += 5.0 * (place - start) / (end - start)

    frames, captured = delivery(25, seed, noise=0.15, change=warm)
    changes = find_changes(frames)
    trends = changes[changes["kind"] == "trend"]
    assert trends["quantity"].tolist() == ["background_b"]
    assert captured.index(trends["from_file"].iloc[0]) == pytest.approx(start, abs=3)
    assert captured.index(trends["to_file"].iloc[0]) == pytest.approx(end, abs=3)
    steps = changes[changes["kind"] == "step"]
    assert set(steps["to_file"].map(captured.index)) <= {end, end + 1, end + 2}


def test_tall_bags_after_wide_ones_are_no_change_of_framing():
    def taller(rows):
        for place, row in enumerate(rows):
            if place >= 48 and row["fill_height"]:
                row["fill_height"] *= 1.12

    assert find_changes(delivery(25, 2, change=taller)[0])["quantity"].tolist() == ["fill_height"]
    frames, _ = delivery(25, 2, change=taller)
    known = frames["fill_height"].notna()
    frames.loc[known, "scale_dev"] = np.random.default_rng(1).normal(0, 0.01, int(known.sum()))
    assert find_changes(frames).empty
    later = frames["captured_at"] >= frames["captured_at"].sort_values().iloc[48]
    frames.loc[known & later, "scale_dev"] += 0.12
    assert find_changes(frames)["quantity"].tolist() == ["fill_height"]


def test_styles_that_stand_ever_higher_are_no_drift_of_the_framing():
    """Four styles of falling height, centred each, raise the baseline step by step; a camera that sinks raises the deviation from the set's rule too."""

    def climbing(rows):
        for place, row in enumerate(rows):
            if row["fill_height"]:
                row["baseline"] = 0.8 - 0.012 * min(max(place // 4 - 6, 0), 10) + 0.001 * (place % 3)

    frames, _ = delivery(25, 3, change=climbing)
    assert frames["baseline"].notna().any()
    drift = find_changes(frames)
    assert set(drift["kind"]) == {"trend"} and set(drift["quantity"]) == {"baseline"}
    known = frames["baseline"].notna()
    frames.loc[known, "centre_dev_y"] = np.random.default_rng(1).normal(0, 0.003, int(known.sum()))
    assert find_changes(frames).empty
    frames.loc[known, "centre_dev_y"] += frames["baseline"][known] - 0.8
    assert set(find_changes(frames)["quantity"]) == {"baseline"}
