"""The batch engine's speed and memory beside bare SimPy, the event engine and general simulators.

``python tests/benchmarks/batch_engine.py`` prints a table in about a minute. Everything is
measured in one run on one machine, in processor time of one process and in interleaved
repetitions of which the best counts, as a noisy machine only slows them.
"""

from __future__ import annotations

import random
import subprocess
import sys
import time
from collections import defaultdict
from collections.abc import Callable
from functools import wraps
from pathlib import Path
from typing import Any

import numpy as np
import simpy
from event_engine import timeouts_a_second
from simlink.engines.batch.columns import Draws
from simlink.engines.batch.remote import Remote, Return
from simlink.engines.batch.straight import Straight

from simlink.base.draws import streams
from simlink.engines.batch import BatchEngine
from simlink.engines.event import EventEngine
from simlink.figures import summary
from simlink.figures.tally import Tally
from simlink.scenario.loading import from_dict, loads
from simlink.scenario.schema import Scenario

#: 16 bits, one lane, periodic; overrun is a few per million.
WORD = """
trials = 512
conversions = 8000
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
[fifo]
depth = 4
[host]
clock = "50 MHz"
service_latency = { shape = "exponential", mean = "250 ns" }
"""
JITTER = {"shape": "normal", "mean": "0 ps", "sigma": "200 ps"}

#: Conversions for each bare SimPy timeout that each scenario has to reach.
BARS = {"word": 10.0, "bits, proven": 1.0, "bits, looked at": 1.0}
#: And how many times a general simulator's rate.
CIW_BAR, SIMPY_BAR = 200.0, 75.0
PLACES = 5
#: How busy the queue's server is: losses of 2e-4, and of 2 %.
LOADS = (0.5, 0.8)


def scenarios() -> dict[str, Scenario]:
    """Return the fixed scenarios by name."""
    word = loads(WORD)
    jittered = word.with_value("barrier.return.jitter", JITTER)
    # Released half way and read at nearly twice the speed: the last bits may come too late.
    hasty = jittered.with_value("fifo.release_bits", 8).with_value("host.clock", "97 MHz")
    return {
        "word": word,
        "bits, proven": jittered,
        "bits, looked at": hasty.with_(conversions=4000),
    }


def spent(work: Callable[[], Any]) -> float:
    """Return the processor time of a piece of work, in seconds."""
    begun = time.process_time()
    work()
    return time.process_time() - begun


def batch(scenario: Scenario) -> dict[str, summary.Figure]:
    """Run every trial on the batch engine, figures included, ledger off, in this process."""
    trials = range(scenario.trials)
    tally = Tally(scenario, trials)
    for block in BatchEngine().run(scenario, trials, words=False):
        tally.add(block)
    return summary.figures(scenario, tally)


def event(scenario: Scenario) -> dict[str, summary.Figure]:
    """Run one trial on the event engine, figures included."""
    tally = Tally(scenario, range(1))
    for block in EventEngine().run(scenario, range(1), words=False):
        tally.add(block)
    return summary.figures(scenario.with_(trials=1), tally)


def conversions(scenario: Scenario) -> int:
    return scenario.trials * scenario.conversions


def bare_draws(scenario: Scenario) -> None:
    """Draw the same random numbers and do nothing with them: latencies, and bits if they jitter."""
    jitter = scenario.barrier.direction("return").jitter
    laws = {"host.service_latency": scenario.host.service_latency}
    if not jitter.is_constant:
        bits = scenario.bits_per_lane
        laws |= {f"barrier.return.jitter lane 0/{bit}": jitter for bit in range(bits)}
    for source, law in laws.items():
        for trial in range(scenario.trials):
            raw = np.empty(scenario.conversions)
            law.draw_raw(streams(scenario.seed, trial, source)(""), raw)  # type: ignore[attr-defined]


class Shares:
    """Where the time goes: each piece's own, that of the pieces it calls taken off."""

    PIECES = (
        (Draws, "_draw", "draws"),
        (Remote, "read_out", "converter and remote clock"),
        (Return, "cross", "return and barrier"),
        (Straight, "read", "FIFO and host"),
        (Tally, "add", "figures"),
    )

    def __init__(self) -> None:
        self.own: dict[str, float] = defaultdict(float)
        self._inner: list[float] = [0.0]

    def of(self, work: Callable[[], Any]) -> dict[str, float]:
        """Return the seconds of each piece, and of the rest."""
        saved = [(owner, name, getattr(owner, name)) for owner, name, _ in self.PIECES]
        try:
            for owner, name, label in self.PIECES:
                setattr(owner, name, self._timed(getattr(owner, name), label))
            whole = spent(work)
        finally:
            for owner, name, plain in saved:
                setattr(owner, name, plain)
        return dict(self.own) | {"the rest": whole - sum(self.own.values())}

    def _timed(self, plain: Any, label: str) -> Any:
        @wraps(plain)
        def timed(*words: Any, **options: Any) -> Any:
            self._inner.append(0.0)
            begun = time.process_time()
            try:
                return plain(*words, **options)
            finally:
                took = time.process_time() - begun
                self.own[label] += took - self._inner.pop()
                self._inner[-1] += took

        return timed


def queue_of_simlink(rho: float) -> Scenario:
    """Return D/M/1/5 as a link: the service is the latency, and a read of a bit at 1 THz.

    A trigger a millisecond; ``tests/outside/test_queues_batch.py`` checks its loss.
    """
    latency = {"shape": "exponential", "mean": f"{rho} ms"}
    return from_dict(
        {
            "trials": 512,
            "conversions": 8000,
            "link": {"scheme": "remote_master"},
            "trigger": {"rate": "1 kHz"},
            "frame": {"word_bits": 1},
            "converter": {"conversion_time": "0 ns"},
            "remote_clock": {"frequency": "1 THz"},
            "fifo": {"depth": PLACES},
            "host": {"clock": "1 THz", "service_latency": latency},
        }
    )


def queue_in_ciw(rho: float, customers: int) -> float:
    """Run D/M/1/5 in ciw; return the share that was turned away."""
    import ciw

    network = ciw.create_network(
        arrival_distributions=[ciw.dists.Deterministic(1.0)],
        service_distributions=[ciw.dists.Exponential(1 / rho)],
        number_of_servers=[1],
        queue_capacities=[PLACES - 1],
    )
    ciw.seed(1)
    simulation = ciw.Simulation(network)
    simulation.simulate_until_max_time(customers)
    return len(simulation.get_all_records(only=["rejection"])) / customers


def queue_in_simpy(rho: float, customers: int) -> float:
    """Run D/M/1/5 as one writes it in SimPy: a process a customer, a resource for the server.

    Returns
    -------
    float
        The share that was turned away.
    """
    env = simpy.Environment()
    server = simpy.Resource(env, capacity=1)
    service = random.Random(1).expovariate
    refused = 0
    times = []

    def customer():
        arrived = env.now
        with server.request() as request:
            yield request
            yield env.timeout(service(1 / rho))
        times.append(env.now - arrived)

    def arrive():
        nonlocal refused
        for _ in range(customers):
            yield env.timeout(1.0)
            if server.count + len(server.queue) >= PLACES:
                refused += 1
            else:
                env.process(customer())

    env.process(arrive())
    env.run(until=customers + 0.5)
    return refused / customers


def queue_in_bare_simpy(rho: float, customers: int) -> float:
    """Run the same with two processes and a count, as lean as SimPy allows; nothing is noted."""
    env = simpy.Environment()
    service = random.Random(1).expovariate
    waiting: list[simpy.Event] = []
    inside = refused = 0

    def arrive():
        nonlocal inside, refused
        for _ in range(customers):
            yield env.timeout(1.0)
            if inside >= PLACES:
                refused += 1
                continue
            inside += 1
            if waiting:
                waiting.pop().succeed()

    def serve():
        nonlocal inside
        while True:
            if not inside:
                waiting.append(env.event())
                yield waiting[0]
            yield env.timeout(service(1 / rho))
            inside -= 1

    env.process(arrive())
    env.process(serve())
    env.run(until=customers + 0.5)
    return refused / customers


#: Name, model, customers, how many times as fast simlink has to be.
OTHERS = (
    ("ciw", queue_in_ciw, 20_000, CIW_BAR),
    ("SimPy, a process a customer", queue_in_simpy, 30_000, SIMPY_BAR),
    ("SimPy, as lean as can be", queue_in_bare_simpy, 100_000, None),
)


#: Runs a number of conversions of the first scenario in a process of its own; prints MB, s.
ALONE = """
import resource, sys, time
from simlink.running.run import run
from simlink.scenario.loading import from_dict, loads
def main():
    scenario = loads(sys.argv[1]).with_(conversions=max(1, int(sys.argv[2]) // 512))
    begun = time.perf_counter()
    run(scenario, ledger=False, workers=int(sys.argv[3]))
    took = time.perf_counter() - begun
    own = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    # The largest worker; there are as many of about that size.
    other = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss
    workers = int(sys.argv[3])
    print((own + (other * workers if workers > 1 else 0)) / 1024, took)
if __name__ == "__main__":
    main()
"""


def alone(count: int, workers: int) -> tuple[float, float]:
    """Return peak memory in MB, all processes together, and elapsed seconds."""
    done = subprocess.run(
        [sys.executable, "-c", ALONE, WORD, str(count), str(workers)],
        capture_output=True,
        text=True,
        check=True,
        cwd=Path(__file__).parents[2],
    )
    memory, took = map(float, done.stdout.split())
    return memory, took


def line(name: str, rate: float, bare: float, bar: float | None = None) -> None:
    verdict = "" if bar is None else f"  {'meets' if rate / bare >= bar else 'MISSES'} {bar:g}"
    print(f"{name:42}{rate:14,.0f} a second{rate / bare:10.3f} a timeout{verdict}")


def main(repeats: int = 5) -> None:
    """Measure and print everything."""
    fixed = scenarios()
    rates: dict[str, float] = defaultdict(float)

    def note(name: str, count: int, work: Callable[[], Any]) -> None:
        rates[name] = max(rates[name], count / spent(work))

    lost: dict[str, float] = {}
    queues = {rho: queue_of_simlink(rho) for rho in LOADS}
    for _ in range(repeats):
        rates["bare"] = max(rates["bare"], timeouts_a_second(200_000))
        for name, scenario in fixed.items():
            note(name, conversions(scenario), lambda scenario=scenario: batch(scenario))
            note(f"{name}: draws", conversions(scenario), lambda s=scenario: bare_draws(s))
            few = scenario.with_(conversions=1000, trials=1)
            note(f"{name}: event", 1000, lambda few=few: event(few))
        for rho, queue in queues.items():
            note(f"queue {rho}", conversions(queue), lambda queue=queue: batch(queue))
            for name, model, customers, _ in OTHERS:

                def go(model=model, rho=rho, customers=customers, key=f"{name} {rho}"):
                    lost[key] = model(rho, customers)

                note(f"{name} {rho}", customers, go)
    bare = rates["bare"]
    line("bare SimPy timeouts", bare, bare)
    for name, scenario in fixed.items():
        print()
        line(name, rates[name], bare, BARS[name])
        line("  on the event engine", rates[f"{name}: event"], bare)
        line("  its random numbers alone", rates[f"{name}: draws"], bare)
        found = Shares().of(lambda scenario=scenario: batch(scenario))
        whole = sum(found.values())
        for piece, took in sorted(found.items(), key=lambda one: -one[1]):
            print(f"    {piece:30}{took / whole:8.0%}")
        figures = batch(scenario)
        print(f"    overrun {figures['overrun'].text()}, underrun {figures['underrun'].text()}")
    for rho, queue in queues.items():
        share = batch(queue)["overrun"].text()
        print(f"\nD/M/1/{PLACES} at {rho}")
        line(f"  simlink (loss {share})", rates[f"queue {rho}"], bare)
        for name, _, _, bar in OTHERS:
            key = f"{name} {rho}"
            line(f"  {name} ({lost[key]:.4f})", rates[key], bare)
            times = rates[f"queue {rho}"] / rates[key]
            verdict = "" if bar is None else f", {'meets' if times >= bar else 'MISSES'} {bar:g}"
            print(f"    simlink is {times:.0f} times as fast{verdict}")
    print()
    for count, workers in ((10**6, 1), (10**8, 1), (10**8, 2)):
        memory, took = alone(count, workers)
        print(
            f"{count:.0e} conversions, {workers} worker(s): {memory:6.0f} MB, {took:6.2f} s elapsed"
        )


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
