"""One cause, one finding: changes of light, and what one finding says of another."""

import pandas as pd
import pytest

from catalogue_audit.delivery.brief import load_brief
from catalogue_audit.findings.causes import EXPLAINS, explained_by_change, one_finding_a_cause
from catalogue_audit.findings.judge import find
from catalogue_audit.findings.verdict import count_causes, delivery_verdict, product_table
from catalogue_audit.schema import CHECKS
from making_evidence import clean_frames, evidence_of, with_changes

LAST_BEFORE, FIRST_AFTER = "NB-114_back.jpg", "NB-115_three_quarter.jpg"
STEP = {
    "quantity": "exposure_dev_ev", "view": "all", "kind": "step", "from_file": LAST_BEFORE, "to_file": FIRST_AFTER,
    "before": 0.0, "after": 0.3, "unit": "EV", "frames": 20,
}  # fmt: skip


def knocked_light():
    """A light knocked after product 114: brighter, yellower, and the background too, until the end."""
    frames = clean_frames(products=20, seed=2)
    after = frames["sku"] >= "NB-115"
    frames.loc[after, "exposure_dev_ev"] += 0.3
    frames.loc[after, "background_b"] += 4.0
    frames.loc[after, "wb_dev"] += 3.5
    frames.loc[after, "background_L"] += 4.5
    warmer = {**STEP, "quantity": "background_b", "after": 4.0, "unit": "CIELAB"}
    return with_changes(evidence_of(frames, load_brief()), STEP, warmer), after


def test_a_knocked_light_gives_each_frame_one_finding_that_names_it():
    evidence, after = knocked_light()
    findings, _ = find(evidence)
    affected = evidence.frames.loc[after, "file"]
    assert findings["file"].is_unique
    assert set(findings["file"]) == set(affected)
    assert findings["cause"].eq(f"change at {FIRST_AFTER}").all()
    assert set(findings["check"]) <= {"white_balance", "exposure", "background"}


def test_a_knocked_light_counts_once_in_the_verdict():
    evidence, _ = knocked_light()
    findings, _ = find(evidence)
    assert count_causes(findings) == 1
    summary = delivery_verdict(evidence, findings, product_table(evidence, findings))
    assert summary["findings"] == 1
    assert summary["findings_by_severity"] == {"major": 1}
    assert summary["exit_status"] == 1


@pytest.mark.parametrize("which", ["front", "detail"])
def test_frames_of_a_second_camera_under_the_same_lamps_name_the_change_too(which):
    """The row names a frame of the camera that took most; the other camera has none of its own."""
    frames = clean_frames(products=20, seed=2)
    frames["camera_serial"] = ["2" if view == which else "1" for view in frames["view"]]
    after = frames["sku"] >= "NB-115"
    frames.loc[after, "exposure_dev_ev"] += 0.3
    causes = explained_by_change(with_changes(evidence_of(frames, load_brief()), STEP), "exposure")
    seen = after & frames["exposure_dev_ev"].notna()
    assert (seen & (frames["view"] == which)).any()
    assert causes[seen].notna().all() and causes[~after].isna().all()


def test_another_fault_of_a_frame_in_a_changed_stretch_keeps_its_own_finding():
    evidence, after = knocked_light()
    frames = evidence.frames.copy()
    file = "NB-117_front.jpg"
    frames.loc[frames["file"] == file, "roll_deg"] = 2.2
    found, _ = find(with_changes(evidence_of(frames, load_brief()), *evidence.changes.to_dict("records")))
    assert set(found.loc[found["file"] == file, "check"]) & {"roll"}
    assert found.loc[found["check"] == "roll", "cause"].isna().all()


def test_a_frame_that_the_change_does_not_explain_is_not_blamed_on_it():
    evidence, after = knocked_light()
    frames = evidence.frames.copy()
    frames.loc[frames["file"] == "NB-117_front.jpg", "exposure_dev_ev"] = -0.4
    causes = explained_by_change(with_changes(evidence_of(frames, load_brief()), STEP), "exposure")
    assert pd.isna(causes[frames.index[frames["file"] == "NB-117_front.jpg"][0]])
    assert causes[after].notna().sum() == after.sum() - 1


def test_a_trend_explains_the_frames_along_its_ramp_and_after_it():
    frames = clean_frames(products=20, seed=2)
    minute = pd.to_datetime(frames["captured_at"]).rank(method="first") - 1
    ramp = ((minute - 40) / 30).clip(0, 1)
    frames["exposure_dev_ev"] = frames["exposure_dev_ev"] + 0.4 * ramp
    in_order = frames.iloc[minute.argsort().to_numpy()]["file"].tolist()
    trend = {**STEP, "kind": "trend", "from_file": in_order[40], "to_file": in_order[70], "after": 0.4, "frames": 40}
    findings, _ = find(with_changes(evidence_of(frames, load_brief()), trend))
    assert set(findings["check"]) == {"exposure"}
    late = set(frames.loc[ramp >= 0.5, "file"]) - set(frames.loc[frames["view_kind"] == "crop", "file"])
    assert late <= set(findings["file"])
    assert count_causes(findings) == 1


@pytest.mark.parametrize(("cause", "effects"), EXPLAINS.items())
def test_the_list_of_explanations_names_checks_that_exist(cause, effects):
    assert cause in CHECKS
    assert set(effects) <= set(CHECKS) - {cause}


def test_without_numbers_a_cut_off_product_is_not_also_off_centre():
    rows = [
        {"file": "a.jpg", "check": "cut_off"},
        {"file": "a.jpg", "check": "centring", "value": 0.1, "tolerance": 0.02},
        {"file": "b.jpg", "check": "centring", "value": 0.1, "tolerance": 0.02},
    ]
    assert [(row["file"], row["check"]) for row in one_finding_a_cause(rows)] == [("a.jpg", "cut_off"), ("b.jpg", "centring")]


def test_a_brighter_picture_with_a_darker_background_has_two_causes():
    rows = [
        {"file": "a.jpg", "check": "exposure", "value": 0.5, "expected": 0.0, "tolerance": 0.15},
        {"file": "a.jpg", "check": "background", "value": 85.0, "expected": 93.0, "tolerance": 3.0},
    ]
    assert len(one_finding_a_cause(rows)) == 2
    rows[1]["value"] = 98.0
    assert [row["check"] for row in one_finding_a_cause(rows)] == ["exposure"]


@pytest.mark.parametrize("check", ["wrong_product", "wrong_detail", "swapped_views"])
def test_a_white_balance_told_by_the_product_s_colour_goes_with_the_product(check):
    """Another product has another colour: that is no cast, unless the background shows it."""
    wrong = {"file": "a.jpg", "check": check, "value": None, "expected": None, "tolerance": None}
    cast = {"file": "a.jpg", "check": "white_balance", "value": 26.0, "expected": 0.0, "tolerance": 2.0, "by_the_product": True}
    assert one_finding_a_cause([wrong, cast]) == [wrong]
    seen = {**cast, "by_the_product": False}
    assert one_finding_a_cause([wrong, seen]) == [wrong, seen]
