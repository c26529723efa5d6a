"""A camera that was moved between two pictures, or a mark on the table that was lost: one change, and at most one finding a frame."""

import numpy as np
import pytest
from catalogue_audit.delivery.brief import load_brief
from catalogue_audit.findings.judge import find
from catalogue_audit.statistics.series.changes import find_changes
from catalogue_audit.statistics.series.clock import capture_order
from making_evidence import clean_frames, evidence_of

UPRIGHT = ("three_quarter", "front", "back")
PITCH_SD_DEG = 1.1  # of one picture: three degrees are not certain in it, and are in twelve


@pytest.fixture(scope="module")
def steady():
    """Forty products in steady hands; three-quarter views tell roll and camera height beside the set."""
    frames, random = clean_frames(products=40, seed=3), np.random.default_rng(5)
    turned = frames["view"] == "three_quarter"
    frames["yaw_deg"] = frames["yaw_deg"].fillna(frames["yaw_dev_deg"])
    noise = random.normal(0, 1, (2, len(frames)))
    frames.loc[turned, "pitch_dev_deg"] = 0.8 * noise[0][turned]
    frames.loc[turned, "pitch_dev_sd_deg"] = PITCH_SD_DEG
    frames.loc[turned, "roll_dev_deg"] = 0.25 * noise[1][turned]
    frames.loc[turned, "roll_dev_sd_deg"] = 0.15
    return frames


def moved(frames, share, **by):
    """Frames whose columns change from one place of capture order on, deviations about their view's own middle; and which are changed."""
    frames, order = frames.copy(), capture_order(frames)["order"].to_numpy(dtype=float)
    after = order >= np.quantile(order, 1 - share)
    upright = frames["view"].isin(UPRIGHT).to_numpy()
    for column, size in by.items():
        frames.loc[after & upright, column] += size
        if "_dev_" in column:
            frames[column] -= frames.groupby("view")[column].transform("median")
    return frames, frames["file"][after]


def audited(frames):
    brief = load_brief()
    changes = find_changes(frames, brief)
    return changes, find(evidence_of(frames, brief, changes=changes))[0]


def test_steady_hands_move_nothing(steady):
    changes, findings = audited(steady)
    assert changes.empty and findings.empty


@pytest.mark.parametrize("share", [0.3, 0.45])
def test_a_camera_raised_between_two_products_is_told_by_all_pictures_after_it(steady, share):
    frames, after = moved(steady, share, pitch_dev_deg=3.2)
    changes, findings = audited(frames)
    assert list(changes["quantity"]) == ["pitch_dev_deg"]
    assert changes["after"][0] - changes["before"][0] == pytest.approx(3.2, abs=0.5)
    turned = set(after) & set(frames["file"][frames["view"] == "three_quarter"])
    assert set(findings["check"]) == {"camera_height"}
    assert findings["file"].is_unique and set(findings["file"]) <= turned
    assert len(findings) >= 0.9 * len(turned)
    assert findings["cause"].notna().all() and findings["cause"].nunique() == 1


def test_one_picture_alone_would_not_have_told(steady):
    frames, after = moved(steady, 0.3, pitch_dev_deg=3.2)
    brief = load_brief()
    alone = find(evidence_of(frames, brief, changes=find_changes(steady, brief)))[0]
    assert len(alone) <= 0.6 * (frames["file"].isin(after) & (frames["view"] == "three_quarter")).sum()


def test_a_tripod_that_was_knocked_is_one_change_in_all_views(steady):
    frames, after = moved(steady, 0.4, roll_deg=0.6, roll_dev_deg=0.6)
    changes, findings = audited(frames)
    assert changes[["quantity", "view", "kind"]].to_numpy().tolist() == [["roll_deg", "all", "step"]]
    place = dict(zip(frames["file"], capture_order(frames)["order"], strict=True))
    assert abs(place[changes["to_file"][0]] - min(place[file] for file in after)) <= 4  # one product
    assert findings["file"].is_unique and set(findings["file"]) <= set(after)  # those that their own roll puts beyond the tolerance
    assert len(findings) < 0.2 * len(after)


def test_a_lost_mark_on_the_table_blames_the_pictures_after_it_alone(steady):
    frames, after = moved(steady, 0.48, yaw_deg=6.0, yaw_dev_deg=6.0)
    changes, findings = audited(frames)
    assert list(changes["quantity"]) == ["yaw_deg"]
    assert set(findings["check"]) == {"angle"}
    assert set(findings["file"]) <= set(after)
    assert len(findings) >= 0.8 * len(set(after) & set(frames["file"][frames["view"].isin(UPRIGHT)]))
