"""Charts: what they hold and say, not their pixels."""

import dataclasses
import sys

import matplotlib
import numpy as np
import pandas as pd
import pytest
from catalogue_audit.report import look
from catalogue_audit.report.chart_files import read_chart, write_charts
from catalogue_audit.report.charts import DRIFTS, drift_chart, has_drift
from catalogue_audit.report.charts_control import control_chart, has_control
from catalogue_audit.report.charts_sets import angle_chart, dust_map, exposure_chart, recurring_places
from catalogue_audit.report.figures import svg_of
from catalogue_audit.report.timeline import PAUSE, timeline
from making_audit import make_audit
from matplotlib.colors import to_hex


@pytest.fixture(scope="module")
def audit():
    return make_audit()


def _outside(audit, column, limit):
    return int((audit.frames[column].abs() > limit).sum())


def _title(figure):
    return figure.axes[0].get_title(loc="left").replace("\n", " ")


def test_the_palette_is_the_published_one():
    """Okabe and Ito's eight colours, as matplotlib ships them."""
    published = {to_hex(colour).upper() for colour in matplotlib.color_sequences["okabe_ito"]}
    ours = {look.BLACK, look.ORANGE, look.SKY_BLUE, look.GREEN, look.YELLOW, look.BLUE, look.VERMILION, look.PURPLE}
    assert ours == published


def test_severities_differ_by_word_and_shape_not_only_by_colour():
    marks = look.SEVERITY_MARKS.values()
    for aspect in ("word", "character", "marker", "colour"):
        assert len({getattr(mark, aspect) for mark in marks}) == 3
    assert len({marker for _, marker in look.SERIES}) == len(look.SERIES)


@pytest.mark.parametrize(("name", "column", "limit"), [("roll", "roll_deg", 0.8), ("scale", "scale_dev", 0.05), ("angle", "yaw_dev_deg", 4.0)])
def test_the_title_counts_what_lies_outside(audit, name, column, limit):
    figure, words = drift_chart(audit, name)
    title = _title(figure)
    assert f"{_outside(audit, column, limit)} of " in title and "outside" in title
    assert words.startswith(title)


def test_a_steady_set_is_said_to_hold():
    audit = make_audit(faults=False)
    for name in DRIFTS:
        figure, _ = drift_chart(audit, name)
        assert "all " in _title(figure), name


def test_a_change_is_in_the_title_and_marked_on_the_axis(audit):
    figure, words = drift_chart(audit, "white_balance")
    change = audit.changes.iloc[0]
    assert f"steps from 0.5 to 3.1 ΔE00 at {change['to_file']}" in _title(figure)
    assert change["note"] in words
    assert [text for text in figure.axes[0].texts if text.get_text() == " step"]


def test_the_limits_of_the_brief_are_drawn(audit):
    summary = audit.summary | {"brief": audit.summary["brief"] | {"tolerance": {"roll": 1.7}}}
    figure, _ = drift_chart(dataclasses.replace(audit, summary=summary), "roll")
    lines = {round(float(line.get_ydata()[0]), 3) for line in figure.axes[0].lines if len(set(line.get_ydata())) == 1}
    assert {-1.7, 1.7} <= lines


def test_warm_and_cool_pictures_lie_on_two_sides(audit):
    frames = audit.frames.copy()
    frames["wb_dev"], frames["wb_gain_b"] = 3.0, np.where(np.arange(len(frames)) % 2, 1.1, 0.9)
    figure, _ = drift_chart(dataclasses.replace(audit, frames=frames), "white_balance")
    heights = np.concatenate([part.get_offsets()[:, 1] for part in figure.axes[0].collections if len(part.get_offsets()) > 1])
    assert {round(float(height), 3) for height in heights} == {-3.0, 3.0}


def test_every_value_is_a_point(audit):
    figure, _ = drift_chart(audit, "roll")
    points = sum(len(part.get_offsets()) for part in figure.axes[0].collections if len(part.get_offsets()) > 1)
    assert points == audit.frames["roll_deg"].notna().sum()


def test_a_season_is_drawn_by_its_middle_and_spread(audit):
    frames = pd.concat([audit.frames] * 400, ignore_index=True)
    frames["captured_at"] = pd.date_range("2026-03-01", periods=len(frames), freq="min").strftime("%Y-%m-%dT%H:%M:%S")
    frames["view"] = "front"
    figure, _ = drift_chart(dataclasses.replace(audit, frames=frames), "exposure")
    points = sum(len(part.get_offsets()) for part in figure.axes[0].collections if hasattr(part, "get_offsets"))
    assert points <= 500 < frames["exposure_dev_ev"].notna().sum()


def test_control_charts_tell_scatter_beside_what_is_allowed_and_a_lasting_shift(audit):
    draw = np.random.default_rng(3)
    count = len(audit.frames)
    step = np.where(np.arange(count) >= count // 2, 0.09, 0.0)
    order = audit.frames["captured_at"].argsort(kind="stable").argsort().to_numpy()
    values = draw.normal(0.0, 0.02, count) + step[order]
    frames = audit.frames.assign(exposure_dev_ev=values, background_dev_ev=np.nan, view_kind="upright")
    figure, words = control_chart(dataclasses.replace(audit, frames=frames))
    panel = next(axes for axes in figure.axes if any(text.get_text().startswith("Exposure") for text in axes.texts))
    said = panel.texts[0].get_text().replace("\n", " ")
    assert "shifted by +0.0" in said or "shifted by −0.0" in said
    assert "lasting shifts of" in words and "exposure" in words.split(";")[1]
    assert said in words


def test_a_delivery_of_few_pictures_has_no_control_chart(audit):
    assert has_control(audit)
    assert not has_control(dataclasses.replace(audit, frames=audit.frames.head(6)))


def test_a_name_with_dollars_is_text_not_mathematics(audit):
    frames = audit.frames.copy()
    frames["file"] = [rf"$\frac{{1}}{{{n}}}$_\\x.jpg" for n in range(len(frames))]
    figure, _ = drift_chart(dataclasses.replace(audit, frames=frames, changes=audit.changes[:0]), "roll")
    assert len(svg_of(figure, "")[0]) > 1000


def test_hostile_words_stay_words_in_the_file_of_a_chart(audit, tmp_path):
    hostile = '"><script>x</script>&amp;]]>\x00\u202e'
    changes = audit.changes.assign(note=hostile, to_file=audit.changes["to_file"])
    drawn = write_charts(dataclasses.replace(audit, changes=changes, frames=audit.frames.assign(view=hostile)), tmp_path)
    data, words = read_chart(audit, tmp_path, "white_balance")
    assert b"<script" not in data and '"><script>x</script>&amp;]]>' in words and words == drawn["white_balance"]


def test_equal_charts_are_equal_bytes(audit):
    assert svg_of(*drift_chart(audit, "roll")) == svg_of(*drift_chart(audit, "roll"))


def test_a_chart_carries_its_alternative_text(audit, tmp_path):
    drawn = write_charts(audit, tmp_path)
    for name, words in drawn.items():
        data, read = read_chart(audit, tmp_path, name)
        assert read == words and data.startswith(b"<?xml"), name
    assert read_chart(audit, tmp_path, "absent") is None


def test_charts_leave_no_figure_open_and_need_no_pyplot(audit):
    before = "matplotlib.pyplot" in sys.modules
    drift_chart(audit, "roll")
    assert ("matplotlib.pyplot" in sys.modules) == before


def test_nothing_measured_gives_no_drift_chart():
    assert not any(has_drift(make_audit(0, faults=False), name) for name in DRIFTS)


def test_charts_of_the_set_say_their_answer(audit):
    assert exposure_chart(audit)[1].startswith("2 set-ups of light and lens")
    assert angle_chart(audit)[1].startswith("Angles: 1 outside ± 4°")
    assert dust_map(audit)[1].startswith("3 places with sensor dust")
    empty = make_audit(0, faults=False)
    for chart in (exposure_chart, angle_chart, dust_map):
        assert chart(empty)[1]


def test_spots_a_hair_apart_are_one_grain(audit):
    assert len(audit.spots) == 6
    assert recurring_places(audit.spots)["frames"].tolist() == [22, 7, 5]


def test_long_pauses_are_shortened_and_runs_kept_in_order(audit):
    line = timeline(audit.frames)
    assert np.nanmax(np.diff(np.sort(line.x[np.isfinite(line.x)]))) <= PAUSE
    assert [text for _, _, text in line.runs] == ["run 1", "run 2"]
    assert line.runs[0][1] < line.runs[1][0]


def test_without_capture_times_the_axis_says_file_order(audit):
    line = timeline(audit.frames.assign(captured_at=pd.Series([None] * len(audit.frames), dtype="str")))
    assert line.label == "file order" and line.x.tolist() == list(range(1, len(audit.frames) + 1))
