"""The batch engine's speed with rare transients, beside its speed without any.

``python tests/benchmarks/transients.py`` prints a table in about a minute. Everything is measured
in one run, in processor time of one process and in interleaved repetitions of which the best
counts. Figures are included, and the ledger is off.
"""

from __future__ import annotations

import sys
from collections import defaultdict
from typing import Any

from batch_engine import WORD, batch, conversions, spent

from simlink.scenario.loading import loads

#: What a run with one event in 10,000 conversions has to reach of the same without any.
BAR = 0.9
LENGTHS = {"long trials": (16, 128_000), "short trials": (128, 16_000)}
JITTER = {"shape": "normal", "mean": "0 s", "sigma": "100 ps", "low": "-500 ps", "high": "500 ps"}
NONE: dict[str, Any] = {"barrier.return.strobe": False}
BITS = NONE | {"barrier.return.jitter": JITTER}
LOOP = NONE | {
    "trigger.pattern": "after_read",
    "trigger.rate": None,
    "trigger.gap": "300 ns",
    "host.timeout": "5 us",
}
STALL = NONE | {"fifo.when_full": "stall"}
#: By name, what a scenario is without transients, and what they are let upset.
CASES: dict[str, tuple[dict[str, Any], dict[str, Any]]] = {
    "triggers": (NONE, {"barrier.forward.slew_immunity": "50 kV/us"}),
    "both ways": (NONE, {"barrier.slew_immunity": "50 kV/us"}),
    "both ways, jitter": (BITS, {"barrier.slew_immunity": "50 kV/us"}),
    "both ways, jitter, by chance": (
        BITS,
        {"barrier.slew_immunity": "50 kV/us", "barrier.upset": 0.5},
    ),
    "loop after each read": (LOOP, {"barrier.slew_immunity": "50 kV/us"}),
    "stall": (STALL, {"barrier.slew_immunity": "50 kV/us"}),
}
EVENTS = {"kind": "poisson", "rate": "100 Hz", "slew": "80 kV/us", "swing": "400 V"}


def main(repeats: int = 10) -> None:
    """Measure and print everything."""
    word = loads(WORD)
    runs = {}
    for length, (trials, count) in LENGTHS.items():
        for name, (plain, upset) in CASES.items():
            one = word.with_(trials=trials, conversions=count).with_values(plain)
            runs[length, name] = one, one.with_values(upset | {"transient": [EVENTS]})
    best: dict[Any, float] = defaultdict(lambda: float("inf"))
    for pair in runs.values():
        for scenario in pair:
            batch(scenario)
    for _ in range(repeats):
        for key, pair in runs.items():
            for which, scenario in enumerate(pair):
                took = spent(lambda scenario=scenario: batch(scenario))
                best[key, which] = min(best[key, which], took)
    for key, pair in runs.items():
        ratio = best[key, 0] / best[key, 1]
        rate = conversions(pair[1]) / best[key, 1]
        verdict = "meets" if ratio >= BAR else "MISSES"
        print(f"{', '.join(key):46}{rate:12,.0f} a second{ratio:7.3f}  {verdict} {BAR:g}")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
