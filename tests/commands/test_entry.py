"""What the program sees to before anything is imported that takes its time."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

TASKS = Path("/proc/self/task")
#: Begins as the program does, with a command that ends at once, and goes on to NumPy.
BEGIN = """
import gc, os, sys
from simlink.__main__ import main
sys.argv = ["simlink", "--version"]
try:
    main()
except SystemExit:
    pass
import numpy
print(os.environ["OPENBLAS_NUM_THREADS"], len(os.listdir("/proc/self/task")), gc.get_threshold()[0])
"""


def begun(**environment):
    known = {name: value for name, value in os.environ.items() if name != "OPENBLAS_NUM_THREADS"}
    done = subprocess.run(
        [sys.executable, "-c", BEGIN],
        env=known | environment,
        capture_output=True,
        text=True,
        check=True,
    )
    return [int(word) for word in done.stdout.split()[-3:]]


@pytest.mark.skipif(not TASKS.exists(), reason="threads are counted where Linux lists them")
def test_no_thread_waits_busily_and_nothing_imported_is_gone_through_again_and_again():
    blas, threads, objects = begun()
    assert (blas, threads) == (1, 1)
    assert objects > 100_000


def test_who_has_asked_for_threads_gets_them():
    assert begun(OPENBLAS_NUM_THREADS="3")[0] == 3
