"""The batch engine's speed and memory beside bare SimPy and general simulators.

``python tests/benchmarks/batch_engine.py`` prints tables in about a minute. Everything is
measured in one run on one machine, in processor time of one process and in interleaved
repetitions of which the best counts, as a noisy machine only slows them. Figures are included, and
the ledger is off. Numba and machine code are loaded before anything is measured; what it takes to
load them, the last lines show.
"""

from __future__ import annotations

import random
import subprocess
import sys
import time
from collections import defaultdict
from collections.abc import Callable
from pathlib import Path
from typing import Any

import simpy
from event_engine import a_second, wait

from simlink.figures import summary
from simlink.figures.figure import Figure
from simlink.running import jobs
from simlink.scenario.loading import from_dict, load, loads
from simlink.scenario.schema import Scenario

SHIPPED = Path(__file__).parents[2] / "scenarios"
#: 16 bits, one lane, periodic: D/M/1/4; overrun is a few per million.
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
LOOP = {"trigger.pattern": "after_read", "trigger.rate": None, "trigger.gap": "300 ns"}
PACKETS = {"style": "packets", "packet_bits": 8, "overhead_bits": 2, "line_rate": "100 Mbit/s"}
#: Every policy of the FIFO, of its reader and of the way to it, on that case. Notice by edge is
#: given a timeout: without one a missed edge is all but the end of the trial.
POLICIES: dict[str, dict[str, Any]] = {
    "drop_old": {"fifo.when_full": "drop_old"},
    "stall": {"fifo.when_full": "stall"},
    "drain": {"host.drain": True},
    "watermark of 2": {"host.watermark": 2},
    "interrupt by edge": {"host.interrupt": "edge", "host.timeout": "5 us"},
    "timeout": {"host.timeout": "5 us"},
    "loop after each read": LOOP | {"host.timeout": "5 us"},
    "packets": {f"barrier.return.{name}": value for name, value in PACKETS.items()},
}

#: Conversions for each bare SimPy timeout that each scenario has to reach.
WORD_BAR, POLICY_BAR = 25.0, 10.0
SHIPPED_BARS = {
    "bench-supply": 6.0,
    "three-ways": 6.0,
    "shallow-fifo": 5.0,
    "phase-monitor": 1.5,
    "kiln-recorder": 0.7,
    "winding-tester": 0.7,
}
#: About how many bare timeouts' time a run takes, and the fewest conversions of one: latencies
#: are counted in bins above 2^20, as in any long run.
TIMEOUTS, FEWEST = 600_000, 2**20 + 1
SHIPPED_TRIALS = 64
#: And how many times a general simulator's rate.
CIW_BAR, SIMPY_BAR = 200.0, 75.0
#: Two workers, beside one, in elapsed time on so many conversions.
WORKERS_BAR, SPREAD = 1.8, 10**8
PLACES = 5
#: How busy the queue's server is: losses of 2e-4, and of 2 %.
LOADS = (0.5, 0.8)


def scenarios() -> dict[str, tuple[Scenario, float]]:
    """Return scenarios and their bars by name, each as long as its bar asks for."""
    word = loads(WORD)
    found = {"D/M/1/4": (word, WORD_BAR)}
    for name, bar in SHIPPED_BARS.items():
        found[name] = load(SHIPPED / f"{name}.toml").with_(trials=SHIPPED_TRIALS), bar
    for name, values in POLICIES.items():
        found[f"D/M/1/4, {name}"] = word.with_values(values), POLICY_BAR
    return {
        name: (one.with_(conversions=-(-max(FEWEST, int(bar * TIMEOUTS)) // one.trials)), bar)
        for name, (one, bar) in found.items()
    }


def spent(work: Callable[[], Any]) -> float:
    """Return the processor time of a piece of work, in seconds."""
    begun = time.process_time()
    work()
    return time.process_time() - begun


def batch(scenario: Scenario) -> dict[str, Figure]:
    """Run every trial on the batch engine as a worker does, figures included."""
    tally = jobs.work(scenario, "batch", False, range(scenario.trials)).tally
    return summary.figures(scenario, tally)


def conversions(scenario: Scenario) -> int:
    return scenario.trials * scenario.conversions


def queue_of_simlink(rho: float) -> Scenario:
    """Return D/M/1/5 as a link: the service is the latency, and a read of a bit at 1 THz.

    A trigger a millisecond; ``tests/outside/test_queues_batch.py`` checks its loss.
    """
    latency = {"shape": "exponential", "mean": f"{rho} ms"}
    return from_dict(
        {
            "trials": 512,
            "conversions": 16_000,
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
    # What resources count as used includes what stood in the process that began this one.
    status = open("/proc/self/status").read()
    own = int(status.split("VmHWM:")[1].split()[0])
    # The largest worker; there are as many of about that size.
    other = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss
    workers = int(sys.argv[3])
    print((own + (other * workers if workers > 1 else 0)) / 1024, took)
if __name__ == "__main__":
    main()
"""


#: Runs a number of them on one worker and on two, some times in turn, once all is loaded; prints s.
PAIRS = """
import sys, time
from simlink.running.run import run
from simlink.scenario.loading import loads
def took(workers):
    begun = time.perf_counter()
    run(scenario, ledger=False, workers=workers)
    return time.perf_counter() - begun
if __name__ == "__main__":
    scenario = loads(sys.argv[1]).with_(conversions=int(sys.argv[2]) // 512)
    run(scenario.with_(conversions=2000), engine="batch", ledger=False, workers=1)
    for _ in range(int(sys.argv[3])):
        print(took(1), took(2))
"""


def begun_anew(program: str, *words: object) -> list[float]:
    """Run a program on the first scenario in a process of its own; return what it prints."""
    done = subprocess.run(
        [sys.executable, "-c", program, WORD, *map(str, words)],
        capture_output=True,
        text=True,
        check=True,
        cwd=Path(__file__).parents[2],
    )
    return [float(word) for word in done.stdout.split()]


def compare(name: str, one: float, two: float) -> None:
    """Say how many times as fast two workers are as one, which take so many seconds."""
    verdict = "meets" if one / two >= WORKERS_BAR else "MISSES"
    print(f"{name}: {one:.2f} and {two:.2f} s, {one / two:.2f} times, {verdict} {WORKERS_BAR:g}")


def line(name: str, rate: float, bare: float, bar: float | None = None, more: str = "") -> None:
    verdict = "" if bar is None else f"  {'meets' if rate / bare >= bar else 'MISSES'} {bar:4g}"
    print(f"{name:36}{rate:14,.0f} a second{rate / bare:9.3f} a timeout{verdict}{more}")


def main(repeats: int = 5) -> None:
    """Measure and print everything."""
    fixed = scenarios()
    queues = {rho: queue_of_simlink(rho) for rho in LOADS}
    # Compiled, or loaded, before anything is measured.
    figures = {name: batch(scenario) for name, (scenario, _) in fixed.items()}
    rates: dict[str, float] = defaultdict(float)
    lost: dict[str, float] = {}

    def note(name: str, count: int, work: Callable[[], Any]) -> None:
        rates[name] = max(rates[name], count / spent(work))

    for _ in range(repeats):
        rates["bare"] = max(rates["bare"], a_second(200_000, lambda: wait(200_000)))
        for name, (scenario, _) in fixed.items():
            note(name, conversions(scenario), lambda scenario=scenario: batch(scenario))
        for rho, queue in queues.items():
            note(f"queue {rho}", conversions(queue), lambda queue=queue: batch(queue))
            for name, model, customers, _ in OTHERS:

                def go(model=model, rho=rho, customers=customers, key=f"{name} {rho}"):
                    lost[key] = model(rho, customers)

                note(f"{name} {rho}", customers, go)
    bare = rates["bare"]
    line("bare SimPy timeouts", bare, bare)
    for name, (_, bar) in fixed.items():
        overrun = figures[name].get("overrun")
        line(name, rates[name], bare, bar, f"   overrun {overrun.text()}" if overrun else "")
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
    took = begun_anew(PAIRS, SPREAD, repeats)
    compare("two workers beside one, all loaded", min(took[::2]), min(took[1::2]))
    elapsed = {}
    for count, workers in ((10**6, 1), (SPREAD, 1), (SPREAD, 2)):
        memory, elapsed[workers] = begun_anew(ALONE, count, workers)
        print(
            f"{count:.0e} conversions, {workers} worker(s), loading and all: {memory:6.0f} MB, "
            f"{elapsed[workers]:6.2f} s elapsed"
        )
    compare("two workers beside one, with the loading of each", elapsed[1], elapsed[2])


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
