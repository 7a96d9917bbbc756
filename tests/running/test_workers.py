"""The function that spreads work, and its workers, on tasks that are no simulation."""

from __future__ import annotations

import multiprocessing
import os
import signal
import subprocess
import sys
import threading
import time
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from contextlib import closing
from functools import partial
from pathlib import Path

import pytest
import spread_tasks as tasks

from simlink.base.errors import InputError, OutputError
from simlink.running.spread import TRIES, spread
from simlink.running.workers import WorkerDiedError, Workers

needs_forks = pytest.mark.skipif(sys.platform != "linux", reason="no process is forked here")


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


def program(text, *words):
    """Run a program that has no thread, unlike the tests; return what it printed."""
    command = [sys.executable, "-c", text, *map(str, words)]
    there = {**os.environ, "PYTHONPATH": str(Path(__file__).parent)}
    return subprocess.check_output(command, text=True, env=there, timeout=60)


FORKS = """
import multiprocessing, os, signal, sys, threading
import numpy
import spread_tasks as tasks
from simlink.running.spread import spread
from simlink.running.workers import WorkerDiedError, Workers

def begun():
    with Workers(2) as pool:
        pool.fork()
        return len(multiprocessing.active_children())

if __name__ == "__main__":
    signal.signal(signal.SIGTERM, lambda *_: None)
    for _ in range(2):
        # Its own, which end at a fork.
        numpy.ones((500, 500)) @ numpy.ones((500, 500))
        print(begun())
    over = threading.Event()
    other = threading.Thread(target=over.wait)
    other.start()
    print(begun())
    over.set()
    other.join()
    found = list(spread(tasks.about_me, range(4), workers=2))
    mine = tasks.about_me(0)[0]
    print(all(about == (mine, signal.SIG_DFL) for about in found))
    print(len(multiprocessing.active_children()))
"""


@needs_forks
def test_a_process_without_other_threads_forks_its_workers():
    """Threads of linear algebra do not count; a fork does as any worker does on SIGTERM."""
    assert program(FORKS).split() == ["2", "2", "0", "True", "0"]


MARKS = """
import multiprocessing, sys
from functools import partial
from pathlib import Path
import spread_tasks as tasks
from simlink.running.spread import spread

if __name__ == "__main__":
    print(*spread(partial(tasks.mark, Path(sys.argv[1])), range(6), workers=3))
    print(len(multiprocessing.active_children()))
"""


@needs_forks
def test_a_fork_that_dies_is_made_up_for_by_a_fresh_interpreter(tmp_path):
    assert program(MARKS, tmp_path).split() == [*"012345", "0"]
    assert len(list(tmp_path.glob("1-*"))) == len(list(tmp_path.glob("5-*"))) == TRIES


NO_MORE = """
import multiprocessing, os, signal
import spread_tasks as tasks
from simlink.running.spread import spread

def refuse():
    raise OSError(12, "Cannot allocate memory")

if __name__ == "__main__":
    os.fork = refuse
    print(*spread(tasks.square, range(3), workers=2))
"""


@needs_forks
def test_where_nothing_can_be_forked_fresh_interpreters_do_the_work():
    assert program(NO_MORE).split() == ["0", "1", "4"]
