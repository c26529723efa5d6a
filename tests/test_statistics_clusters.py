"""Set-ups, group numbers, and partitions against a published index."""

import numpy as np
import pandas as pd
import pytest
from catalogue_audit.statistics.photometry.clusters import exposure_group_settings, exposure_groups
from catalogue_audit.statistics.series.numbering import connected, number_groups
from catalogue_audit.statistics.tables import table_from_rows
from hypothesis import given, settings
from hypothesis import strategies as st
from published import column
from sklearn.metrics import adjusted_rand_score


def set_ups(counts, seed=0, mix=True):
    """Frames of several set-ups with the scatter of one studio, and the truth."""
    draw = np.random.default_rng(seed)
    levels = [(12.0, 70, 95, 0, 1), (12.0, 100, 95, 0, 1), (13.0, 70, 95, 0, 1), (12.0, 70, 80, 0, 1), (12.0, 70, 95, 1, 7)]
    truth = np.repeat(np.arange(len(counts)), counts)
    if mix:
        draw.shuffle(truth)
    rows = []
    for number, kind in enumerate(truth):
        ev, focal, *lab = levels[kind]
        lab = np.array(lab) + draw.normal(0, 0.4, 3)
        rows.append(
            {
                "file": f"{number:05d}.jpg",
                "ev100": ev,
                "focal_length_35mm": focal,
                "f_number": 11,
                **dict(zip(("background_L", "background_a", "background_b"), lab, strict=True)),
            }
        )
    return table_from_rows("frames", rows), truth


def test_set_ups_are_told_apart_exactly():
    frames, truth = set_ups([40, 30, 20, 10, 25])
    groups = exposure_groups(frames)
    assert adjusted_rand_score(truth, groups) == 1.0
    first = [groups[groups == number].index[0] for number in sorted(groups.unique())]
    assert first == sorted(first)


def test_the_index_we_judge_clusters_by():
    """Yeung and Ruzzo (2001) print 0.313 for these partitions (Hubert and Arabie 1985; recalled and reproduced)."""
    assert adjusted_rand_score(column("cluster_ari", "u"), column("cluster_ari", "v")) == pytest.approx(0.313, abs=5e-4)


def test_what_makes_each_group_is_told():
    frames, _ = set_ups([6, 4], mix=False)
    table = exposure_group_settings(frames, exposure_groups(frames))
    assert table["frames"].tolist() == [6, 4]
    assert table["focal_length_mm"].isna().all()
    assert table["ev100"].tolist() == [12.0, 12.0]
    assert table["first_file"].tolist() == ["00000.jpg", "00006.jpg"]


def test_frames_about_which_nothing_is_known_have_no_group():
    frames = table_from_rows("frames", [{"file": "a"}, {"file": "b"}])
    assert exposure_groups(frames).isna().all()
    assert exposure_groups(table_from_rows("frames", [])).empty


@given(st.integers(0, 1000))
@settings(deadline=None, max_examples=10)
def test_added_frames_never_part_a_group(seed):
    frames, _ = set_ups([12, 8, 5, 3, 2], seed)
    keep = np.sort(np.random.default_rng(seed).choice(len(frames), 20, replace=False))
    part = exposure_groups(frames.iloc[keep].reset_index(drop=True)).to_numpy(dtype=float, na_value=-1)
    whole = exposure_groups(frames).to_numpy(dtype=float, na_value=-1)[keep]
    for number in set(part[part > 0]):
        assert len(set(whole[part == number])) == 1


@given(st.lists(st.integers(-1, 5), max_size=30))
def test_groups_are_numbered_by_their_first_member_and_singles_are_empty(labels):
    groups = number_groups(labels)
    seen = groups.dropna().drop_duplicates().tolist()
    assert seen == list(range(1, len(seen) + 1))
    for place, label in enumerate(labels):
        assert pd.isna(groups[place]) == (label < 0 or labels.count(label) == 1)


def test_connected_items_share_their_smallest_member():
    assert connected(6, [5, 1, 2], [1, 0, 3]).tolist() == [0, 0, 2, 2, 4, 0]
