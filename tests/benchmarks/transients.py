"""What rare transients cost the batch engine: its speed with them beside that without.

``python tests/benchmarks/transients.py [repetitions]`` prints a table in three minutes or so. One
event comes in 10,000 conversions, of which there are so many that latencies are counted in bins
(where each is kept, that takes longer than all else) and that what a trial takes to begin counts
little. Both are measured in one run, in processor time of one process and in interleaved
repetitions of which the best counts; figures are included, and the ledger is off. A third column
has every second symbol that an event meets spared, for which each has to be drawn.
"""

from __future__ import annotations

import sys
from collections import defaultdict
from typing import Any

from batch_engine import batch, conversions, spent

from simlink.scenario.loading import loads
from simlink.scenario.schema import Scenario

#: 16 bits every 2 us; a trial holds about 100 events.
WORD = """
trials = 16
conversions = 1000000
[link]
scheme = "remote_master"
[trigger]
rate = "500 kHz"
[frame]
word_bits = 16
[converter]
conversion_time = "300 ns"
data_valid = "5 ns"
msb_valid = "5 ns"
[remote_clock]
frequency = "25 MHz"
[barrier]
forward.delay = "14 ns"
return.delay = "14 ns"
slew_immunity = "50 kV/us"
[fifo]
depth = 4
[host]
clock = "25 MHz"
service_latency = { shape = "exponential", mean = "250 ns" }
"""
EVENTS = {"kind": "poisson", "rate": "50 Hz", "slew": "80 kV/us", "swing": "400 V"}
JITTER = {"shape": "normal", "mean": "0 ps", "sigma": "100 ps"}
JITTERS = {"barrier.forward.jitter": JITTER, "barrier.return.jitter": JITTER}
WIDE = {name: JITTER | {"sigma": "2.5 ns"} for name in JITTERS}
LOOP = {"trigger.pattern": "after_read", "trigger.rate": None, "trigger.gap": "1 us"}
LOOP |= {"host.timeout": "5 us"}
STALL = {"barrier.return.strobe": False, "fifo.when_full": "stall"}
PACKETS = {"style": "packets", "packet_bits": 8, "overhead_bits": 4, "header_bits": 2}
PACKETS |= {"line_rate": "50 Mbit/s"}
SCHEMES = {
    "remote master, no strobe": {"barrier.return.strobe": False},
    "strobe": {},
    "packets": {f"barrier.return.{name}": value for name, value in PACKETS.items()},
    "forwarded clock": {"link.scheme": "forwarded_clock", "host.capture": "whole"},
    "returned clock": {"link.scheme": "returned_clock", "host.capture": "whole"},
}
#: The share of its speed that has to be left.
BAR = 0.9


def scenarios() -> dict[str, Scenario]:
    """Return scenarios by name, without events."""
    base, found = loads(WORD), {}
    for name, values in SCHEMES.items():
        found[name] = base.with_values(values)
        found[f"{name}, jitter"] = base.with_values(values | JITTERS)
        found[f"{name}, loop"] = base.with_values(values | LOOP)
    found["remote master, stall"] = base.with_values(STALL)
    found["strobe, early release"] = base.with_value("fifo.release_bits", 8)
    # Every edge of the strobe is drawn and judged.
    found["strobe, wide jitter"] = base.with_values(WIDE)
    return found


def main(repeats: int = 2) -> None:
    """Measure and print everything."""
    times: dict[Any, float] = defaultdict(lambda: float("inf"))
    cases = {}
    for name, plain in scenarios().items():
        rare = plain.with_value("transient", [EVENTS])
        cases[name] = plain, rare, rare.with_value("barrier.upset", 0.5)
        for one in cases[name]:
            # Compiled, or loaded, before anything is measured.
            batch(one.with_(trials=3, conversions=400_000))
    for _ in range(repeats):
        for name, some in cases.items():
            for which, one in enumerate(some):
                took = spent(lambda one=one: batch(one))
                times[name, which] = min(times[name, which], took)
    for name, (one, *_) in cases.items():
        none, rare, half = (times[name, which] for which in range(3))
        verdict = "meets" if none / max(rare, half) >= BAR else "MISSES"
        print(
            f"{name:34}{conversions(one) / none:12,.0f} a second without, {none / rare:.3f} of it "
            f"with, {none / half:.3f} where half of them are drawn: {verdict} {BAR:g}"
        )


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
