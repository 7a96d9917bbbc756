"""How much faster two Dask workers are than one, and that they give the same bytes.

``python tests/benchmarks/cluster.py [trials [repetitions]]`` starts Dask's own scheduler and
workers of one thread each on this machine, and runs the bench supply on the event engine: 400
boards of 2,000 conversions, about a minute of work. Runs on one and on two workers take turns,
and the best of each counts; a worker's imports and compiling come before. Elapsed times mean
nothing where other programs take the cores; beside them stands the processor time of each worker,
which shows whether the work is shared evenly and costs no more.
"""

from __future__ import annotations

import sys
import tempfile
import time
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import psutil

from simlink.running.cluster import cluster
from simlink.running.run import run
from simlink.scenario.loading import load

BENCH = Path(__file__).parents[2] / "scenarios/bench-supply.toml"
CONVERSIONS = 2000
#: Of elapsed times, one worker over two.
BAR = 1.7


def used(processes: Any) -> list[float]:
    """Return the processor time of each process so far."""
    times = [psutil.Process(one.pid).cpu_times() for one in processes]
    return [one.user + one.system for one in times]


def main(trials: int = 400, repeats: int = 3) -> None:
    """Measure and print everything."""
    sys.path.append(str(Path(__file__).parents[1] / "running"))
    from local_cluster import dask

    scenario = load(BENCH).with_(trials=trials, conversions=CONVERSIONS)
    best: dict[int, tuple[float, list[float]]] = {}
    texts = set()
    with ExitStack() as stack:
        there = {}
        for count in (1, 2):
            folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
            address, processes = stack.enter_context(dask(folder, count))
            there[count] = stack.enter_context(cluster(address)), processes
            short = scenario.with_(trials=4 * count, conversions=20)
            run(short, engine="event", ledger=False, executor=there[count][0], workers=count)
        for _ in range(repeats):
            for count, (executor, processes) in there.items():
                before, began = used(processes), time.monotonic()
                found = run(
                    scenario, engine="event", ledger=False, executor=executor, workers=count
                )
                took = time.monotonic() - began
                spent = [b - a for a, b in zip(before, used(processes), strict=True)]
                texts.add(found.to_json())
                best[count] = min(best.get(count, (took, spent)), (took, spent))
    for count, (took, spent) in best.items():
        each = " and ".join(f"{one:.1f}" for one in spent)
        print(f"{count} worker(s): {took:6.1f} s, of processor time {each} s")
    ratio, work = best[1][0] / best[2][0], best[1][1][0] / max(best[2][1])
    print(f"elapsed {ratio:.2f}, {'meets' if ratio >= BAR else 'MISSES'} {BAR:g}")
    print(f"processor time of one over the busier of two: {work:.2f}")
    print("bytes equal" if len(texts) == 1 else "BYTES DIFFER")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
