"""The batch engine's memory does not grow with the number of conversions."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

import simlink
from tests.engines.chain import chain

ROOT = Path(simlink.__file__).parents[1]

#: Runs a file in a process of its own and prints its peak memory in MB.
PROGRAM = """
import resource, sys
import simlink
simlink.load(sys.argv[1]).run(conversions=int(sys.argv[2]), ledger=False)
print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)
"""

QUICK = {
    "trials": 256,
    "fifo.depth": 4,
    "host.service_latency": {"shape": "exponential", "mean": "250 ns"},
}
GENERAL = {"fifo.when_full": "drop_old", "host.drain": True, "trials": 512}


def peak(path, conversions):
    done = subprocess.run(
        [sys.executable, "-c", PROGRAM, str(path), str(conversions)],
        capture_output=True,
        text=True,
        check=True,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        timeout=300,
    )
    return float(done.stdout)


@pytest.mark.skipif(sys.platform != "linux", reason="the unit of ru_maxrss is that of Linux")
@pytest.mark.parametrize(
    ("values", "few", "many"),
    [(QUICK, 8_000, 40_000), (QUICK | GENERAL, 2_200, 8_000)],
    ids=["sure to be read", "may be discarded"],
)
def test_more_conversions_take_the_same_memory(values, few, many, tmp_path):
    """Both are too long for their latencies to be kept whole, which is up to a million of them.

    The records of what the longer run has more would be 0.8 GB, and 280 MB.
    """
    path = tmp_path / "s.toml"
    path.write_text(chain(values).to_toml())
    assert abs(peak(path, many) - peak(path, few)) < 20
