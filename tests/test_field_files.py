"""Files beside the pictures, and files that only look wrong: deliveries of other kinds than the demo."""

import pandas as pd
import pytest

from catalogue_audit.delivery.brief import load_brief
from catalogue_audit.delivery.names import read_names
from catalogue_audit.findings.completeness import missing_view
from catalogue_audit.findings.files import unexpected_file, unreadable_file, upscaled
from catalogue_audit.findings.surplus import surplus_views
from making_evidence import changed, clean_frames, evidence_of


@pytest.fixture(scope="module")
def frames():
    return clean_frames(products=8, seed=4)


def with_raw_files(frames, name):
    """Frames with a raw file of every picture, named by a function of the picture's name."""
    raw = frames.assign(file=[name(file.rpartition(".")[0]) for file in frames["file"]], status="not_measured")
    return pd.concat([frames, raw]).sort_values("file", ignore_index=True)


@pytest.mark.parametrize("name", ["{}.NEF", "RAW/{}.CR3"])
def test_raw_files_beside_their_pictures_are_one_minor_thing(frames, name):
    both = with_raw_files(frames, name.format)
    evidence = evidence_of(both, load_brief(), names=tuple(read_names(both["file"], load_brief())))
    assert list(unreadable_file(evidence)) == list(surplus_views(evidence)) == list(missing_view(evidence)) == []
    (row,) = unexpected_file(evidence)
    assert row["value"] == len(frames) and row["severity"] == "minor" and row["remedy"] == "check"


def test_a_raw_file_without_its_picture_is_a_file_that_cannot_be_read(frames):
    file = frames["file"].iloc[0]
    alone = changed(frames, file, status="not_measured")
    alone = alone.assign(file=alone["file"].replace(file, file.rpartition(".")[0] + ".NEF"))
    evidence = evidence_of(alone, load_brief())
    assert [row["severity"] for row in unreadable_file(evidence)] == ["critical"]
    assert list(unexpected_file(evidence)) == []


def test_a_picture_sharper_than_any_enlargement_was_not_enlarged(frames):
    file = frames["file"].iloc[0]
    for blur, expected in ((0.35, []), (0.95, [file])):
        frames_now = changed(frames.assign(resolved=1.0), file, resolved=0.38, blur_px=blur)
        assert [row["file"] for row in upscaled(evidence_of(frames_now, load_brief()))] == expected
