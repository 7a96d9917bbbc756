"""Large captures are read in memory that does not grow with them.

By hand, with a dump of about so many MB:

    SIMLINK_DUMP_MB=200 .venv/bin/pytest -q -s tests/waveform/test_large.py
"""

import os
import subprocess
import sys
import time
from pathlib import Path

import simlink

BENCH = Path(__file__).parents[2] / "scenarios/bench-supply.toml"
LARGE_MB = float(os.environ.get("SIMLINK_DUMP_MB", "3"))
#: Measures a dump as the command does and says the most memory that it took, in kB.
MEASURE = """
import resource, sys
from simlink.cli import app
app(["measure", *sys.argv[1:], "--conversions", "30"], standalone_mode=False)
print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss, file=sys.stderr)
"""


def measured(scenario, dump):
    """Return what is said of a dump, and the most memory in MB."""
    command = [sys.executable, "-c", MEASURE, str(scenario), str(dump)]
    ended = subprocess.run(command, capture_output=True, text=True, check=True)
    return ended.stdout, int(ended.stderr.split()[-1]) / 1e3


def test_memory_does_not_grow_with_a_capture(tmp_path):
    """A capture twenty times as long takes no more than an eighth more: both are measured up to
    the same conversion, and the rest is read."""
    study = simlink.load(BENCH).with_(trials=1, conversions=10**5)
    scenario = tmp_path / "bench.toml"
    scenario.write_text(study.scenario.to_toml())
    study.dump(tmp_path / "short.vcd", conversions=range(30))
    each = (tmp_path / "short.vcd").stat().st_size / 30
    study.dump(tmp_path / "long.vcd", conversions=range(max(600, round(LARGE_MB * 1e6 / each))))
    found = []
    for dump in (tmp_path / "short.vcd", tmp_path / "long.vcd"):
        begun = time.monotonic()
        said, memory = measured(scenario, dump)
        size = dump.stat().st_size / 1e6
        print(f"{size:.1f} MB: {memory:.0f} MB of memory, {time.monotonic() - begun:.1f} s")
        assert "t_CONV" in said
        found.append(memory)
    assert found[1] < 1.125 * found[0] + 8
