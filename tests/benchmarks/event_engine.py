"""The event engine's speed beside that of bare SimPy, in one run on one machine.

``python tests/benchmarks/event_engine.py`` prints bare timeouts a second, 16-bit conversions a
second and how many timeouts a conversion costs, with nobody watching and with every clock edge an
event; the bar is 110 of them for both. The tests count the bytecode instead.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable

import simpy

from simlink.engines.event.wiring import Chain, blank
from simlink.scenario.loading import loads

#: A conversion may cost as much time as so many bare timeouts.
BAR = 110
#: And execute as much bytecode: with nobody watching, and with every clock edge an event.
EXECUTED = {False: 50, True: 90}

SCENARIO = """
conversions = 2000
[link]
scheme = "remote_master"
[trigger]
rate = "1 MHz"
[frame]
word_bits = 16
[converter]
conversion_time = "300 ns"
[remote_clock]
frequency = "50 MHz"
[barrier]
forward.delay = "14 ns"
return.delay = "14 ns"
[host]
clock = "50 MHz"
service_latency = "200 ns"
"""


def wait(count: int) -> None:
    """Run one process that waits for bare SimPy timeouts, one after another."""
    env = simpy.Environment()

    def waits():
        for _ in range(count):
            yield env.timeout(1)

    env.process(waits())
    env.run()


def convert(count: int, every_edge: bool) -> None:
    """Run one trial of untroubled 16-bit conversions, records included."""
    scenario = loads(SCENARIO).with_(conversions=count)
    block = blank(scenario, 0, words=True)
    chain = Chain(scenario, 0, block)
    chain.signals.every_edge = every_edge
    chain.run()
    assert (block.fate == 0).all()


def executed(run: Callable[[], None]) -> int:
    """Return how many bytecode instructions a call executes: the same on every machine."""
    count = 0

    def trace(frame, event, _):
        nonlocal count
        frame.f_trace_opcodes, frame.f_trace_lines = True, False
        count += event == "opcode"
        return trace

    before = sys.gettrace()
    sys.settrace(trace)
    try:
        run()
    finally:
        sys.settrace(before)
    return count


def a_second(count: int, run: Callable[[], None]) -> float:
    """Return how many of what a call runs fit into a second of processor time."""
    begun = time.process_time()
    run()
    return count / (time.process_time() - begun)


def side_by_side(
    repeats: int, timeouts: int, conversions: int, every_edge: bool
) -> tuple[float, float]:
    """Return the best rates of interleaved repetitions: a noisy machine only slows them."""
    pairs = [
        (
            a_second(timeouts, lambda: wait(timeouts)),
            a_second(conversions, lambda: convert(conversions, every_edge)),
        )
        for _ in range(repeats)
    ]
    return max(one for one, _ in pairs), max(one for _, one in pairs)


def main() -> None:
    """Print the rates and the ratios."""
    for every_edge in (False, True):
        bare, converted = side_by_side(7, 200_000, 2000, every_edge)
        print("every clock edge an event" if every_edge else "nobody watching")
        print(f"  bare timeouts      {bare:12,.0f} a second")
        print(f"  16-bit conversions {converted:12,.0f} a second")
        cost = bare / converted
        verdict = "within" if cost <= BAR else "beyond"
        print(f"  a conversion costs {cost:12.1f} timeouts, {verdict} the bar of {BAR}")


if __name__ == "__main__":
    main()
