"""The command line in a process that has little room and little time."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[2]
#: The most that anything which is not refused may take.
ROOM = 2 * 2**30
SECONDS = 20

_LIMITS = """
import resource, sys
room, seconds = int(sys.argv.pop(1)), int(sys.argv.pop(1))
resource.setrlimit(resource.RLIMIT_AS, (room, room))
resource.setrlimit(resource.RLIMIT_CPU, (seconds, seconds + 1))
from simlink.__main__ import main
main()
"""


def simlink_within(folder, *words, room=ROOM, seconds=SECONDS):
    """Run a command within so many bytes and seconds of processor time.

    Returns
    -------
    status : int
    out, said : str
        What it wrote to standard output and to standard error.
    """
    # Compiling is kept from run to run, and is nothing that a scenario costs; threads of the
    # libraries reserve address space that nobody uses.
    one = {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1", "MALLOC_ARENA_MAX": "2"}
    found = subprocess.run(
        [sys.executable, "-c", _LIMITS, str(room), str(seconds), *map(str, words)],
        cwd=folder,
        env={**os.environ, "PYTHONPATH": str(ROOT), **one},
        capture_output=True,
        timeout=30 * seconds,
        encoding="utf-8",
        errors="replace",
    )
    assert "Traceback" not in found.stderr, found.stderr[-2000:]
    assert "MemoryError" not in found.stderr
    return found.returncode, found.stdout, found.stderr
