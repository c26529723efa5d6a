"""Work of pass two spread over processes: the same results, whatever becomes of the processes."""

import contextlib
import os
import signal

import numpy as np
import pytest
from catalogue_audit.measures.sketch import pack_sketch
from catalogue_audit.runs import store
from catalogue_audit.runs.sketches import Sketches
from catalogue_audit.statistics.spread import blocks, spread

FILES = [f"{number:02d}.jpg" for number in range(40)]


@pytest.fixture
def kept(tmp_path):
    """A function of a number of workers: sketches of the files, each its own number."""
    connection, _ = store.open_store(tmp_path)
    for number, file in enumerate(FILES):
        store.keep(connection, "v1", f"content {file}", {"status": "ok"}, pack_sketch({"tones": np.full(3, number, np.float32)}))
    connection.commit()
    connection.close()
    return lambda workers: contextlib.closing(Sketches(tmp_path / store.STORE_NAME, "v1", {file: f"content {file}" for file in FILES}, workers))


def number_of(sketches, file):
    return float(sketches[file]["tones"][0])


def number_and_process(sketches, file):
    return number_of(sketches, file), os.getpid()


def number_unless_killed(sketches, asked):
    file, at_home = asked
    if file == FILES[7] and os.getpid() != at_home:
        os.kill(os.getpid(), signal.SIGKILL)
    return number_of(sketches, file)


def number_if_at_home(sketches, asked):
    file, at_home = asked
    if os.getpid() != at_home:
        os.kill(os.getpid(), signal.SIGKILL)
    return number_of(sketches, file)


def inverse(sketches, file):
    return 1 / int(number_of(sketches, file))


class Doubled:
    """What is at hand: twice each number, and how often it was asked for."""

    def __init__(self, sketches):
        self.sketches, self.asked = sketches, 0

    def __getitem__(self, file):
        self.asked += 1
        return 2 * number_of(self.sketches, file)


def doubled(at_hand, file):
    return at_hand[file]


def test_several_processes_work_and_the_order_stays(kept):
    with kept(2) as sketches:
        found = spread(number_and_process, FILES, sketches)
    assert [number for number, _ in found] == list(range(40))
    assert os.getpid() not in {process for _, process in found}


def test_one_worker_or_one_item_starts_no_process(kept):
    with kept(1) as alone, kept(2) as two:
        assert {process for _, process in spread(number_and_process, FILES, alone)} == {os.getpid()}
        assert spread(number_and_process, FILES[3:4], two) == [(3.0, os.getpid())]


@pytest.mark.parametrize(("files", "workers"), [(7, 1), (16, 2), (40, 5)])
def test_few_files_need_few_workers(tmp_path, files, workers):
    store.open_store(tmp_path)[0].close()
    with contextlib.closing(Sketches(tmp_path / store.STORE_NAME, "v1", dict.fromkeys(FILES[:files], "content"), 64)) as sketches:
        assert sketches.workers == workers


def test_a_process_that_is_ended_costs_no_result(kept):
    with kept(2) as sketches:
        assert spread(number_unless_killed, [(file, os.getpid()) for file in FILES], sketches) == list(range(40))
        assert spread(number_of, FILES, sketches) == list(range(40))  # and is replaced


def test_processes_that_are_ended_again_and_again_cost_no_result(kept):
    with kept(2) as sketches:
        assert spread(number_if_at_home, [(file, os.getpid()) for file in FILES], sketches) == list(range(40))


def test_an_error_is_the_one_that_is_met_without_workers(kept):
    with kept(2) as sketches, pytest.raises(ZeroDivisionError):
        spread(inverse, FILES, sketches)


@pytest.mark.parametrize("workers", [1, 2])
def test_what_is_at_hand_is_made_in_every_process(kept, workers):
    with kept(workers) as sketches:
        at_hand = Doubled(sketches)
        assert spread(doubled, FILES, sketches, at_hand) == [2.0 * number for number in range(40)]
    assert at_hand.asked == (40 if workers == 1 else 0)


def test_pictures_of_others_take_the_places_of_ones_own(kept):
    with kept(2) as own, kept(2) as others:
        mixed = own.with_pictures_of(others, {FILES[0]: FILES[9], FILES[1]: "not there.jpg"})
        assert spread(number_of, [FILES[0], FILES[2]], mixed) == [9, 2]
        assert FILES[1] not in mixed


def test_no_process_is_left_when_the_sketches_are_closed(kept):
    with kept(2) as sketches:
        processes = {process for _, process in spread(number_and_process, FILES, sketches)}
        assert all(os.path.exists(f"/proc/{process}") for process in processes) or not os.path.isdir("/proc")
    assert not any(os.path.exists(f"/proc/{process}") for process in processes)


def test_blocks_are_of_one_item_where_nobody_else_works():
    assert list(blocks("abc", {})) == [["a"], ["b"], ["c"]]
