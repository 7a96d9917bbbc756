"""Whatever ends a program, at whatever moment: it ends, says so, and leaves nothing behind.

Each of the commands is ended at two moments in each way, so ten moments a way; by hand three
hundred a way: ``SIMLINK_MOMENTS=60 pytest tests/running/test_interrupts.py``.
"""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from contextlib import suppress
from pathlib import Path

import pytest

import simlink
from tests.engines.chain import chain
from tests.running.processes import session

ROOT = Path(simlink.__file__).parents[1]
MOMENTS = int(os.environ.get("SIMLINK_MOMENTS", "2"))
#: Seconds within which a program ends, where a processor is free for it.
SOON = 5

pytestmark = pytest.mark.skipif(
    not Path("/proc/self/stat").exists(), reason="looks for processes in /proc"
)

SCENARIO = {
    "seed": 5,
    "trials": 4000,
    "conversions": 100,
    "frame": {"lanes": 2, "words_per_lane": 2, "word_bits": 4},
    "trigger.rate": "1.6 MHz",
    "host.clock": "100 MHz",
    "host.service_latency": {"shape": "exponential", "mean": "400 ns"},
}

#: The program, which writes what is finished often, and says when it begins to work.
PROGRAM = """
import sys
from simlink.running import checkpoint
from simlink.studies import sizing_jobs
checkpoint.EVERY = 0.1
sizing_jobs._WORTH = 0
from simlink.cli import main
print("begun", flush=True)
main()
"""
#: Words of each command, which goes on for longer than any moment that is tried.
COMMANDS = {
    "run": ["run", "s.toml", "--engine", "event", "--workers", "2", "--ledger", "on"],
    "run again": [
        *("run", "s.toml", "--engine", "batch", "--workers", "2", "--ledger", "on"),
        *("--trials", "100000", "--resume"),
    ],
    "size": [
        *("size", "s.toml", "--engine", "event", "--workers", "2"),
        *("--overrun-at-most", "1e-7", "--conversions", "3000"),
    ],
    "vary": ["vary", "s.toml", "fifo.depth", "1..50", "--engine", "event", "--workers", "2"],
    "pass-map": ["pass-map", "s.toml", "--steps", "40", "--trials", "2000", "--conversions", "40"],
}


def start(folder, command):
    (folder / "s.toml").write_text(chain(SCENARIO).to_toml())
    process = subprocess.Popen(
        [sys.executable, "-c", PROGRAM, *COMMANDS[command], "--out", "out"],
        cwd=folder,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        start_new_session=True,
    )
    assert process.stdout.readline() == "begun\n"
    return process


def ends(process, begun):
    """Return what a program said; it and all that it started must end soon.

    A machine on which programs wait for a processor gives it as much longer as they wait.
    """
    try:
        while True:
            limit = SOON * max(1.0, os.getloadavg()[0] / os.cpu_count())
            try:
                _, said = process.communicate(timeout=0.5)
                break
            except subprocess.TimeoutExpired:
                assert time.monotonic() - begun < limit, "it goes on"
        while session(process.pid):
            assert time.monotonic() - begun < limit, f"left behind: {session(process.pid)}"
            time.sleep(0.05)
        return said
    finally:
        for left in session(process.pid):
            os.kill(left, signal.SIGKILL)


def litter(folder):
    """Return hidden files and folders that only a running program has."""
    return [path for path in folder.rglob(".*") if path.name.endswith(".part")]


def moment(number, command):
    """Sleep for a while that differs from moment to moment, from the first import on."""
    time.sleep(random.Random(f"{number}{command}").uniform(0.0, 2.0))


@pytest.mark.parametrize("number", range(MOMENTS))
@pytest.mark.parametrize("command", COMMANDS)
@pytest.mark.parametrize(("sent", "status"), [("SIGINT", 130), ("SIGTERM", 143)])
def test_an_interrupted_program_ends_soon(tmp_path, command, sent, status, number):
    process = start(tmp_path, command)
    moment(number, command)
    if sent == "SIGINT":
        # As a terminal does: to every process of the program.
        os.killpg(process.pid, signal.SIGINT)
    else:
        process.terminate()
    said = ends(process, time.monotonic())
    assert process.returncode == status, said
    assert "Traceback" not in said
    assert said.splitlines()[-1].startswith("simlink: interrupted")
    assert litter(tmp_path) == []


@pytest.mark.parametrize("number", range(3 * MOMENTS))
def test_a_second_ctrl_c_ends_at_once(tmp_path, number):
    process = start(tmp_path, [*COMMANDS][number % len(COMMANDS)])
    moment(number, "again")
    os.killpg(process.pid, signal.SIGINT)
    # From the same instant to when it has ended.
    time.sleep(random.Random(number).choice([0.0, 0.001, 0.02, 0.1, 0.5]))
    begun = time.monotonic()
    with suppress(ProcessLookupError):
        os.killpg(process.pid, signal.SIGINT)
    said = ends(process, begun)
    assert process.returncode == 130, said
    assert "Traceback" not in said
    assert litter(tmp_path) == []


@pytest.mark.parametrize("number", range(MOMENTS))
@pytest.mark.parametrize("command", COMMANDS)
def test_workers_end_with_a_program_that_is_killed(tmp_path, command, number):
    process = start(tmp_path, command)
    moment(number, command)
    process.kill()
    ends(process, time.monotonic())
    assert process.returncode == -signal.SIGKILL


@pytest.mark.parametrize("number", range(MOMENTS))
@pytest.mark.parametrize("command", COMMANDS)
def test_a_worker_that_is_killed_is_made_up_for(tmp_path, command, number):
    process = start(tmp_path, command)
    moment(number, command)
    for child in session(process.pid):
        # Multiprocessing's own helper is no worker.
        words = Path(f"/proc/{child}/cmdline").read_bytes()
        if child != process.pid and b"resource_tracker" not in words:
            os.kill(child, signal.SIGKILL)
    time.sleep(0.3)
    assert process.poll() is None
    os.killpg(process.pid, signal.SIGINT)
    said = ends(process, time.monotonic())
    assert process.returncode == 130, said
    assert "Traceback" not in said
