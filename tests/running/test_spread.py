"""Trials spread over workers: the same bytes however they are spread, whatever befalls a worker."""

from __future__ import annotations

import importlib
import json
import multiprocessing
import os
import signal
import subprocess
import sys
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
import spread_tasks as tasks

import simlink
from simlink.base.errors import OutputError
from simlink.base.interrupts import uninterrupted
from simlink.running import checkpoint, jobs
from simlink.running import spread as spreading
from simlink.running.ledger import LedgerFile
from simlink.running.run import run
from tests.engines.chain import chain
from tests.running.processes import session

ROOT = Path(simlink.__file__).parents[1]

#: Every kind of figure moves: sampling jitter, overrun, missed triggers, two words on two lanes.
LIVELY = {
    "seed": 5,
    "trials": 15,
    "conversions": 200,
    "frame": {"lanes": 2, "words_per_lane": 2, "word_bits": 4},
    "trigger.rate": "1.6 MHz",
    "trigger.jitter": {"shape": "normal", "mean": "0 ns", "sigma": "90 ns"},
    "barrier.return.jitter": {"shape": "normal", "mean": "0 ps", "sigma": "300 ps"},
    "host.clock": "100 MHz",
    "host.service_latency": {"shape": "exponential", "mean": "400 ns"},
}


def outcome(scenario, path, **options):
    """Run, and return its figures and the bytes of the ledger."""
    rows = LedgerFile(path)
    found = run(scenario, ledger=True, ledger_file=rows, **options)
    rows.finish()
    return found.figures.to_dict(), path.read_bytes()


@pytest.mark.parametrize(("engine", "numbers"), [("batch", [3]), ("event", [2])])
def test_the_bytes_do_not_depend_on_the_workers(engine, numbers, tmp_path):
    """15 trials on several workers are several jobs, on 1 worker of the batch engine one of 15."""
    scenario = chain(LIVELY)
    one = outcome(scenario, tmp_path / "1", engine=engine, workers=1)
    found = one[0]
    assert found["sampling_jitter_rms"]["value"] > 0
    assert found["overrun"]["count"] > 0
    assert found["missed_trigger"]["count"] > 0
    for workers in numbers:
        more = outcome(scenario, tmp_path / str(workers), engine=engine, workers=workers)
        assert more == one


@pytest.mark.parametrize("workers", [2, 15])
def test_an_executor_given_does_the_same_and_is_left_open(workers, tmp_path):
    scenario = chain(LIVELY)
    one = outcome(scenario, tmp_path / "1")
    with ThreadPoolExecutor(2) as executor:
        more = outcome(scenario, tmp_path / "2", executor=executor, workers=workers)
        assert executor.submit(int, "7").result() == 7
    assert more == one


@pytest.mark.parametrize("values", [{"trigger.jitter": "0 ns"}, {}], ids=["even", "jittered"])
def test_both_engines_give_the_same_figures(values):
    scenario = chain(LIVELY | values)
    events, batches = (run(scenario, engine=name, ledger=False) for name in ("event", "batch"))
    assert batches.figures.to_dict() == events.figures.to_dict()


def test_a_ledger_is_the_same_however_its_rows_come(tmp_path, monkeypatch):
    """Groups of rows are cut by number, so that the bytes are, too."""
    monkeypatch.setattr("simlink.running.ledger.GROUP", 1000)
    scenario = chain(LIVELY)
    found = []
    for size in (1, 4, 15):
        monkeypatch.setattr(jobs, "job_size", lambda *_, size=size: size)
        found.append(outcome(scenario, tmp_path / "ledger"))
    assert found[0] == found[1] == found[2]


def test_long_trials_make_small_jobs():
    assert jobs.job_size("batch", 2000, 1, 1000) == 512
    assert jobs.job_size("batch", 2000, 1, 10**9) == 128
    assert jobs.job_size("batch", 10, 7, 10**9) == 2
    assert jobs.job_size("event", 2000, 2, 1000) == 1
    # Several chunks a job where there are enough for each worker to have four such jobs.
    assert jobs.job_size("batch", 40_000, 2, 3_000) == 5 * 512
    assert jobs.job_size("batch", 4_096, 2, 1_000) == 512
    # Rows of a ledger are far larger than what they add up to.
    assert jobs.job_size("batch", 4_096, 1, 1_000, words=4) == 2**18 // 4000
    assert jobs.job_size("batch", 4_096, 1, 10**6, words=4) == 1


class Killer:
    """Progress that kills a worker each time it is told of more trials, so many times."""

    def __init__(self, times):
        self.left = times
        self.killed = []

    def __call__(self, done):
        workers = multiprocessing.active_children()
        if workers and self.left and done < 20:
            self.left -= 1
            os.kill(workers[0].pid, signal.SIGKILL)
            self.killed.append(workers[0].pid)


#: Trials of about a tenth of a second on the event engine.
SLOW = LIVELY | {"trials": 24, "conversions": 200}


def test_a_killed_worker_loses_nothing_but_its_job():
    """Four times in all are more than a job is tried, but something is finished in between."""
    scenario = chain(SLOW)
    killer = Killer(4)
    found = run(scenario, engine="event", workers=2, progress=killer)
    assert len(killer.killed) == 4 > spreading.TRIES
    assert found.figures == run(scenario, engine="event").figures
    assert multiprocessing.active_children() == []


def test_workers_that_are_killed_again_and_again_end_the_run_in_one_line(monkeypatch):
    monkeypatch.setattr(jobs, "work", tasks.end_at_once)
    with pytest.raises(OutputError, match=r"^workers were killed 3 times; 24 of 24 jobs are left$"):
        run(chain(SLOW), engine="event", workers=2)
    assert multiprocessing.active_children() == []


#: Does a job, but the first time dies while handing it over; for a worker to import.
HALF = """
import os, signal, struct, sys
from pathlib import Path

from simlink.running import jobs


def work(*job):
    try:
        Path(os.environ["SIMLINK_DIED"]).touch(exist_ok=False)
    except FileExistsError:
        return jobs.work(*job)
    frame = sys._getframe()
    while "connection" not in frame.f_locals:
        frame = frame.f_back
    pipe = frame.f_locals["connection"]
    os.write(pipe.fileno(), struct.pack("!i", 10**6) + b"half of a part")
    os.kill(os.getpid(), signal.SIGKILL)
"""


def test_a_worker_that_dies_while_it_hands_over_its_part_is_not_waited_for(monkeypatch, tmp_path):
    (tmp_path / "half_a_part.py").write_text(HALF)
    monkeypatch.syspath_prepend(tmp_path)
    monkeypatch.setenv("SIMLINK_DIED", str(tmp_path / "died"))
    scenario = chain(LIVELY)
    expected = run(scenario).figures
    monkeypatch.setattr(jobs, "work", importlib.import_module("half_a_part").work)
    found = run(scenario, workers=2)
    assert found.figures == expected
    assert (tmp_path / "died").exists()
    assert multiprocessing.active_children() == []


def test_a_job_that_fails_ends_the_run_and_its_workers():
    class Odd:
        """Nothing that another process could know."""

    with pytest.raises((AttributeError, TypeError)):
        list(spreading.spread(Odd, [range(1), range(1, 2)], workers=2))
    assert multiprocessing.active_children() == []


def taking_in(finished):
    with uninterrupted():
        os.kill(os.getpid(), signal.SIGINT)
        time.sleep(0.05)
        finished.append("the part")


def test_ctrl_c_is_put_off_though_another_thread_takes_the_signal():
    done = threading.Event()
    other = threading.Thread(target=done.wait)
    other.start()
    finished = []
    try:
        with pytest.raises(KeyboardInterrupt):
            taking_in(finished)
        assert finished == ["the part"]
        assert signal.getsignal(signal.SIGINT) is signal.default_int_handler
    finally:
        done.set()
        other.join()


def test_other_threads_need_not_put_ctrl_c_off():
    with ThreadPoolExecutor(1) as executor:

        def work():
            with uninterrupted():
                return 7

        assert executor.submit(work).result() == 7


#: The program, writing what is finished ten times a second.
PROGRAM = """
from simlink.running import checkpoint
checkpoint.EVERY = 0.1
from simlink.cli import main
main()
"""


def start(path, folder, *words):
    return subprocess.Popen(
        [sys.executable, "-c", PROGRAM, "run", path, "--engine", "event", "--out", folder, *words],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        start_new_session=True,
    )


def wait_for(condition, seconds=60):
    for _ in range(int(seconds / 0.02)):
        if found := condition():
            return found
        time.sleep(0.02)
    raise AssertionError("it never came")


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="looks for processes in /proc")
def test_ctrl_c_keeps_finished_jobs_and_resume_gives_the_same_bytes(tmp_path):
    # Nothing is lost, so that no verdict repeats the run for its causes.
    quiet = {"trigger.rate": "400 kHz", "host.service_latency": "400 ns"}
    scenario = chain(SLOW | quiet | {"trials": 20})
    path, folder = tmp_path / "s.toml", tmp_path / "out"
    path.write_text(scenario.to_toml())
    process = start(path, folder, "--workers", "2")
    try:
        wait_for(lambda: list((folder / checkpoint.FOLDER).glob("*/*.part")))
        # As a terminal does: to every process of the program.
        os.killpg(process.pid, signal.SIGINT)
        _, said = process.communicate(timeout=60)
    finally:
        if process.poll() is None:
            process.kill()
            process.wait()
    assert process.returncode == 130
    assert "Traceback" not in said
    kept = json.loads((folder / "figures.json").read_text())["scenario"]["trials"]
    assert 0 < kept < 20
    line = f"simlink: interrupted: {kept} of 20 boards finished and kept in {folder}; go on with"
    assert said == f"{line} --resume\n"
    assert wait_for(lambda: not session(process.pid))
    _, said = (again := start(path, folder, "--resume")).communicate(timeout=60)
    meets = json.loads((folder / "figures.json").read_text())["meets_rate"]
    assert again.returncode == (0 if meets else 1)
    assert said == f"simlink: {kept} of 20 boards taken up from {folder}\n"
    assert not (folder / checkpoint.FOLDER).exists()
    figures, rows = outcome(simlink.load(path).scenario, tmp_path / "ledger", engine="event")
    written = json.loads((folder / "figures.json").read_text())
    assert written["figures"] == json.loads(json.dumps(figures))
    assert (folder / "ledger.parquet").read_bytes() == rows
