"""The benchmark's own instruments: what it reports is what was spent."""

import sys

import numpy as np
import pytest
from benchmarks.cost import cost_of, stages_ms
from benchmarks.folders import SMALL, fill_folder
from PIL import Image

BUSY = "import time; t = time.process_time()\nwhile time.process_time() - t < {seconds}: pass"


@pytest.fixture(scope="module")
def files(tmp_path_factory):
    folder = tmp_path_factory.mktemp("pictures")
    source = folder / "source.jpg"
    Image.fromarray(np.random.default_rng(1).integers(0, 256, (60, 48, 3), np.uint8).repeat(8, 0).repeat(8, 1)).save(source)
    return fill_folder(folder / "made", [source], SMALL, 5)


def test_time_of_orphaned_descendants_is_counted():
    # the child ends at once; the grandchild, started in a session of its own, works on
    grandchild = f"import subprocess, sys; subprocess.Popen([sys.executable, '-c', {BUSY.format(seconds=0.3)!r}], start_new_session=True)"
    assert 0.3 <= cost_of([sys.executable, "-c", grandchild]).cpu_s < 2.0


def test_a_failing_command_is_no_result():
    with pytest.raises(Exception, match="exit status 3"):
        cost_of([sys.executable, "-c", "raise SystemExit(3)"])


def test_every_picture_differs_and_is_made_once(files):
    contents = {file.read_bytes() for file in files}
    assert len(contents) == len(files)
    before = files[0].stat().st_mtime_ns
    fill_folder(files[0].parent, [], SMALL, 5)
    assert files[0].stat().st_mtime_ns == before


def test_stages_add_up_to_no_more_than_the_whole(files):
    stages = dict(stages_ms(files[:1]))
    whole = stages.pop("whole pass one")
    assert 0.5 * whole < sum(stages.values()) <= whole
    assert stages["find_outline"] > stages["read_rights"] > 0
