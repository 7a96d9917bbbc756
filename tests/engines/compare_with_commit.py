"""Compare the records of this tree with those of an earlier commit, byte for byte.

``python tests/engines/compare_with_commit.py COMMIT [--many 500] [--engine event] [--keep DIR]``
makes a work tree of the commit, writes down the shipped scenarios and as many random ones of
every scheme, runs them on both trees' engines, and compares every column of every record, and the
frames that no trigger asked for. Columns that have been renamed since are compared under their new
names, those that the commit does not know are left out; keys that it does not know are left out
where they hold their defaults, and so are scenarios in which they do not.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
from pathlib import Path
from types import ModuleType

ROOT = Path(__file__).resolve().parents[2]
#: Keys that a commit may not know, with their defaults.
NEWER = {
    **dict.fromkeys(("min_clock_period", "min_clock_high", "min_clock_low"), '"0 s"'),
    "delay_covers": "[]",
}
RENAMED = {"found": "occupancy_at_arrival"}
COLUMNS = (
    *("due", "trigger", "aperture", "ready", "release", "service", "read_start", "read_end"),
    *("occupancy_at_arrival", "fate", "short_acquisition", "timed_out", "first_bit", "last_bit"),
    *("wrong_bits", "hit", "check_failed", "counter_error", "void_read", "request"),
    "in_vain",
)

#: Runs in either tree: reads scenario files, writes one NumPy archive for each.
RECORD = """
import sys
from pathlib import Path
import numpy as np
from simlink.engines.batch import BatchEngine
from simlink.engines.event import EventEngine
from simlink.scenario.loading import load

renamed = dict(pair.split("=") for pair in sys.argv[4].split())
for path in sorted(Path(sys.argv[1]).glob("*.toml")):
    scenario = load(path)
    for name, engine in (("event", EventEngine()), ("batch", BatchEngine())):
        if name not in sys.argv[3].split(","):
            continue
        if engine.refuses(scenario):
            continue
        whole, apart = {}, []
        for block in engine.run(scenario, range(scenario.trials), words=True):
            for column in sys.argv[5].split():
                old = {new: old for old, new in renamed.items()}.get(column, column)
                found = getattr(block, column, None)
                found = getattr(block, old, None) if found is None else found
                if found is None:
                    continue
                if column not in whole:
                    shape = (scenario.trials, scenario.conversions, *found.shape[2:])
                    whole[column] = np.zeros(shape, dtype=np.int64)
                rows = slice(block.trials.start, block.trials.stop)
                whole[column][rows, block.first : block.first + block.count] = found
            extras = getattr(block, "unrequested", None)
            if extras is not None:
                # How long the host served for them not every commit knows.
                known = [name for name in extras.dtype.names if name != "served"]
                apart += extras[known].tolist()
        if apart:
            whole["unrequested"] = np.array(sorted(apart), dtype=np.int64)
        np.savez(Path(sys.argv[2]) / f"{path.stem}-{name}.npz", **whole)
"""


def unknown_to(commit: str) -> dict[str, str]:
    """Return the newer keys that a commit does not know, with their defaults."""
    sections = f"{commit}:simlink/scenario/sections.py"
    text = subprocess.run(["git", "show", sections], check=True, capture_output=True, text=True)
    return {key: default for key, default in NEWER.items() if f" {key}:" not in text.stdout}


def written(folder: Path, many: int, unknown: dict[str, str]) -> None:
    """Write the shipped scenarios, small, and random ones of every scheme to a folder."""
    # Some libraries install a package of this name, which would hide ours.
    sys.modules["tests"] = ModuleType("tests")
    sys.modules["tests"].__path__ = [str(ROOT / "tests")]
    from hypothesis import HealthCheck, Phase, given, settings

    from simlink.scenario.loading import load
    from tests.engines.host_clocked_scenarios import serial_scenarios
    from tests.strategies import scenarios

    def write(scenario: object, name: str) -> None:
        text = scenario.to_toml(folder)  # type: ignore[attr-defined]
        for key, default in unknown.items():
            text = text.replace(f"\n{key} = {default}\n", "\n")
        if not any(f"\n{key} = " in text for key in unknown):
            (folder / name).write_text(text, encoding="utf-8")

    for path in sorted((ROOT / "scenarios").glob("*.toml")):
        write(load(path).with_(trials=4, conversions=100), path.name)
    quiet = settings(
        max_examples=many,
        derandomize=True,
        database=None,
        deadline=None,
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    number = iter(range(10**9))

    def keep(scenario: object) -> None:
        write(scenario, f"random-{next(number):06d}.toml")

    for strategy in (scenarios(), serial_scenarios()):
        quiet(given(strategy)(keep))()


def recorded(tree: Path, scenarios: Path, engines: str) -> Path:
    """Run one tree's engines and return the folder of its records."""
    found = Path(tempfile.mkdtemp())
    renamed = " ".join(f"{old}={new}" for old, new in RENAMED.items())
    subprocess.run(
        [sys.executable, "-c", RECORD, scenarios, found, engines, renamed, " ".join(COLUMNS)],
        check=True,
        env={**os.environ, "PYTHONPATH": str(tree)},
        cwd=tree,
    )
    return found


def main() -> int:
    """Compare, and print what differs."""
    import numpy as np

    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("commit")
    parser.add_argument("--many", type=int, default=500, help="random scenarios of each kind")
    parser.add_argument("--engine", default="event,batch")
    parser.add_argument("--keep", type=Path, help="a folder for the scenarios, kept for later")
    given = parser.parse_args()
    scenarios = given.keep or Path(tempfile.mkdtemp())
    scenarios.mkdir(parents=True, exist_ok=True)
    if not any(scenarios.iterdir()):
        written(scenarios, given.many, unknown_to(given.commit))
    before = Path(tempfile.mkdtemp()) / "tree"
    subprocess.run(["git", "worktree", "add", "-q", "--detach", before, given.commit], check=True)
    try:
        old, new = (recorded(tree, scenarios, given.engine) for tree in (before, ROOT))
    finally:
        subprocess.run(["git", "worktree", "remove", "--force", before], check=True)
    count, differ = 0, {}
    for path in sorted(old.iterdir()):
        there = new / path.name
        if not there.exists():
            differ[path.name] = "not run now"
            continue
        count += 1
        mine, theirs = np.load(there), np.load(path)
        # What the commit does not know of is left out, but for frames that have appeared since.
        names = {*theirs.files} | ({*mine.files} & {"unrequested"})
        columns = [
            one
            for one in sorted(names)
            if one not in mine or one not in theirs or not np.array_equal(mine[one], theirs[one])
        ]
        if columns:
            differ[path.name] = ", ".join(columns)
    print(f"{count} runs compared, {len(differ)} differ")
    print(json.dumps(differ, indent=2) if differ else "all columns equal")
    return 1 if differ else 0


if __name__ == "__main__":
    sys.exit(main())
