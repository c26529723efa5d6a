"""A tilt of which it is not known whether the product leans or the camera stood elsewhere is said once, and names both."""

import pytest
from making_evidence import changed, clean_frames, evidence_of

from catalogue_audit.delivery.brief import load_brief
from catalogue_audit.findings.judge import find

FRONT = "NB-104_front.jpg"


@pytest.fixture(scope="module")
def frames():
    return clean_frames(products=20, seed=11)


def judged(frames):
    rows = find(evidence_of(frames, load_brief(), "originals"))[0]
    return rows[rows["file"] == FRONT]


@pytest.mark.parametrize(("tilt", "check", "way"), [(7.5, "lean", "towards"), (-6.5, "lean", "away from"), (3.2, "camera_height", "higher"), (-3.4, "camera_height", "lower")])
def test_a_certain_tilt_is_one_finding_of_the_likelier_check_that_names_both(frames, tilt, check, way):
    row = judged(changed(frames, FRONT, tilt_deg=tilt, tilt_sd_deg=0.9)).iloc[0]
    assert (row["check"], row["value"], row["remedy"]) == (check, tilt, "reshoot")
    assert way in row["note"] and "leans" in row["note"] and "the camera stood" in row["note"]


@pytest.mark.parametrize(("height", "check"), [(0.1, "lean"), (3.5, "camera_height")])
def test_where_the_cameras_height_is_known_it_tells_which_of_both_a_tilt_is(frames, height, check):
    values = {"tilt_deg": 3.7, "tilt_sd_deg": 1.2, "pitch_dev_deg": height, "pitch_dev_sd_deg": 1.3 if height > 1 else 0.3}
    assert judged(changed(frames, FRONT, **values))["check"].tolist() == [check]


@pytest.mark.parametrize("values", [{"tilt_deg": 7.5, "tilt_sd_deg": 2.6}, {"tilt_deg": 1.8, "tilt_sd_deg": 0.3}, {"tilt_deg": 19.0, "tilt_sd_deg": 1.0}])
def test_a_tilt_that_is_unsure_small_or_beyond_belief_is_none(frames, values):
    assert judged(changed(frames, FRONT, **values)).empty


def test_where_the_lean_itself_is_known_it_is_said_once(frames):
    rows = judged(changed(frames, FRONT, lean_deg=5.5, lean_sd_deg=0.5, tilt_deg=5.5, tilt_sd_deg=0.5))
    assert rows["check"].tolist() == ["lean"]


def test_one_photograph_delivered_twice_leans_once(frames):
    values = {"tilt_deg": 7.0, "tilt_sd_deg": 0.9, "duplicate_group": 1}
    twice = changed(changed(frames, FRONT, **values), "NB-104_back.jpg", **values, view="front", position=2)
    rows = find(evidence_of(twice, load_brief(), "originals"))[0]
    assert rows.loc[rows["check"] == "lean", "file"].tolist() == [FRONT]


def rolled(frames, tilts):
    """Fronts of the first style in order, with these tilts."""
    style = frames.loc[frames["file"] == FRONT, "style"].iloc[0]
    files = frames.loc[(frames["style"] == style) & (frames["view"] == "front"), "file"].tolist()
    assert len(files) >= len(tilts)
    for file, tilt in zip(files, [*tilts, *[None] * (len(files) - len(tilts))], strict=True):
        frames = changed(frames, file, roll_deg=tilt, roll_sd_deg=None if tilt is None else 0.3)
    rows = find(evidence_of(frames, load_brief(), "originals"))[0]
    return rows[(rows["check"] == "roll") & rows["file"].isin(files)], files


@pytest.mark.parametrize("tilts", [(-36.7, -36.8, -36.6), (-36.7, -36.8)])
def test_a_style_that_is_laid_diagonally_is_not_tilted(frames, tilts):
    assert rolled(frames, tilts)[0].empty


def test_in_a_style_laid_diagonally_the_odd_one_is_told(frames):
    rows, files = rolled(frames, (-36.7, -33.2, -36.6))
    assert rows["file"].tolist() == [files[1]] and rows["expected"].iloc[0] == pytest.approx(-36.6)


def test_one_picture_far_from_upright_among_upright_ones_of_its_style_is_tilted(frames):
    rows, files = rolled(frames, (-36.7, 0.1, -0.1))
    assert rows["file"].tolist() == [files[0]]
