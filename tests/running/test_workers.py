"""The function that spreads work, and its workers, on tasks that are no simulation."""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
import time
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from contextlib import closing
from functools import partial

import pytest
import spread_tasks as tasks

from simlink.base.errors import InputError, OutputError
from simlink.running.spread import TRIES, spread
from simlink.running.workers import WorkerDiedError, Workers


def test_results_come_in_the_order_of_the_items():
    assert list(spread(tasks.slow_first, range(6), workers=2)) == list(range(6))
    with ThreadPoolExecutor(3) as executor:
        assert list(spread(tasks.slow_first, range(6), workers=3, executor=executor)) == list(
            range(6)
        )
        assert executor.submit(tasks.square, 7).result() == 49
    assert list(spread(tasks.slow_first, range(6))) == list(range(6))
    assert multiprocessing.active_children() == []


def test_no_more_is_begun_ahead_than_twice_the_workers():
    begun = []
    with ThreadPoolExecutor(2) as executor:
        results = spread(begun.append, range(40), workers=2, executor=executor)
        next(results)
        assert len(begun) <= 4
        results.close()
    # Here, nothing is done that was not asked for.
    begun.clear()
    next(spread(begun.append, range(40)))
    assert begun == [0]


def test_what_was_kept_is_not_done_again():
    done = []

    def task(number):
        done.append(number)
        return number

    kept = {0: "zero", 2: "two"}
    assert list(spread(task, range(4), earlier=kept.get)) == ["zero", 1, "two", 3]
    assert done == [1, 3]


def test_a_job_is_tried_again_when_its_worker_dies(tmp_path):
    assert list(spread(partial(tasks.mark, tmp_path), range(4), workers=2)) == [0, 1, 2, 3]
    assert len(list(tmp_path.glob("1-*"))) == len(list(tmp_path.glob("3-*"))) == TRIES
    assert len(list(tmp_path.glob("0-*"))) == 1
    assert multiprocessing.active_children() == []


def test_an_executor_that_broke_is_told_in_one_line():
    context = multiprocessing.get_context("spawn")
    with (
        ProcessPoolExecutor(1, mp_context=context) as executor,
        pytest.raises(OutputError, match=r"^the executor no longer works: [^\n]*$"),
    ):
        list(spread(os._exit, [3, 3], executor=executor))


@pytest.mark.parametrize("workers", [1, 2])
def test_an_error_comes_out_as_it_is(workers):
    with pytest.raises(InputError) as caught:
        list(spread(tasks.refuse, range(4), workers=workers))
    assert str(caught.value) == "s.toml: seed: got 0; a whole number"
    assert multiprocessing.active_children() == []


def test_an_error_that_cannot_be_read_is_told_by_its_trace():
    with pytest.raises(RuntimeError, match="UnreadableError: nogood"):
        list(spread(tasks.fail_unreadably, range(4), workers=2))


def test_ctrl_c_gives_what_is_finished_and_ends_the_workers():
    def interrupt():
        time.sleep(1.0)
        os.kill(os.getpid(), signal.SIGINT)

    found = []
    threading.Thread(target=interrupt).start()
    start = time.monotonic()
    with pytest.raises(KeyboardInterrupt), closing(spread(time.sleep, [0, 0, 60], workers=2)) as of:
        found.extend(of)
    assert found == [None, None]
    assert time.monotonic() - start < 20
    assert multiprocessing.active_children() == []


def test_workers_that_were_ended_do_nothing_more():
    pool = Workers(2)
    assert pool.submit(tasks.square, 3).result() == 9
    waiting = pool.submit(time.sleep, 60)
    while not waiting.running():
        time.sleep(0.01)
    pool.kill()
    with pytest.raises(WorkerDiedError):
        waiting.result()
    with pytest.raises(RuntimeError):
        pool.submit(tasks.square, 3)
    assert multiprocessing.active_children() == []


def test_workers_are_as_many_as_there_are_jobs_at_once():
    with Workers(8) as pool:
        assert [pool.submit(tasks.square, number).result() for number in range(5)] == [
            0,
            1,
            4,
            9,
            16,
        ]
        assert len(multiprocessing.active_children()) == 1
    assert multiprocessing.active_children() == []
