"""How often 95 % intervals hold the true value, over independent runs.

Of overrun in a queue the exact value is computed: the chain of what arrivals find (D/M/1/K), from
an empty FIFO on, averaged over the conversions of a trial, so that no warm-up has to be left out.
Of every other figure it is taken from a run of as many conversions a trial, and of so many trials
that its own error is a tenth of the interval's; few runs tell a fault, more of them how often:

    SIMLINK_SEEDS=300 .venv/bin/pytest -q -s tests/figures/test_coverage.py
"""

from __future__ import annotations

import math
import os
from pathlib import Path

import numpy as np
import pytest

from simlink.engines.batch import BatchEngine
from simlink.figures.figure import share
from simlink.figures.tally import Tally
from simlink.records import Fate
from simlink.running.run import run
from simlink.scenario.loading import load
from tests.outside import queues

SCENARIOS = Path(__file__).parents[2] / "scenarios"
SEEDS = int(os.environ.get("SIMLINK_SEEDS", "25"))

RUNS = 400
#: Fixed before the first look, for every case.
SEED = 1


def expected_loss(rho, places, conversions):
    """Return the mean share of the first so many arrivals that find all places taken."""
    chain = np.zeros((places + 1, places + 1))
    for found in range(places + 1):
        there = min(found + 1, places)
        for left in range(1, there + 1):
            chain[found, left] = queues.poisson(1 / rho, there - left)
        chain[found, 0] = 1 - chain[found].sum()
    law = np.eye(places + 1)[0]
    lost = []
    for _ in range(conversions):
        lost.append(law[places])
        law = law @ chain
    return math.fsum(lost) / conversions


def test_the_expected_loss_of_a_long_trial_is_the_stationary_one():
    expected = queues.periodic_arrivals_loss(0.5, 2)
    assert expected_loss(0.5, 2, 20_000) == pytest.approx(expected, rel=1e-3)
    assert expected_loss(0.5, 2, 2) == 0


def covered(rho, places, trials, conversions):
    """Return in what share of the runs the interval holds the value, and events in a run."""
    scenario = queues.queue(
        "periodic",
        queues.exponential(rho),
        places,
        conversions=conversions,
        trials=RUNS * trials,
        seed=SEED,
    )
    everything = range(scenario.trials)
    tally = Tally(scenario, everything)
    for block in BatchEngine().run(scenario, everything, words=False):
        tally.add(block)
    # Trials are independent of one another, so each stretch of them is a run of its own.
    overrun = tally.of_fate(Fate.OVERRUN).reshape(RUNS, trials)
    sent = tally.sent.reshape(RUNS, trials)
    expected = expected_loss(rho, places, conversions)
    found = [share(*one) for one in zip(overrun, sent, strict=True)]
    held = sum(one.low <= expected <= one.high for one in found)
    return held / RUNS, float(overrun.sum(axis=1).mean())


@pytest.mark.parametrize(
    ("rho", "places", "trials", "conversions"),
    [
        (0.5, 2, 50, 400),
        # Losses come in long bursts, many in each trial.
        (0.9, 4, 20, 1000),
        # Losses are rare: about 12 in a run, in as many of its 120 trials.
        (0.5, 5, 120, 500),
    ],
)
def test_the_interval_of_overrun_covers_the_exact_value(rho, places, trials, conversions):
    share, events = covered(rho, places, trials, conversions)
    assert events > 10
    assert 0.92 <= share <= 0.98


def shallow(conversions):
    """Return the shallow FIFO: about one stall in 400 services, so 3.6 in 24 trials of 60."""
    return load(SCENARIOS / "shallow-fifo.toml").with_(conversions=conversions)


CASES = {
    "shallow-fifo, 500": lambda: shallow(500),
    "shallow-fifo, 60": lambda: shallow(60),
    "bench-supply": lambda: load(SCENARIOS / "bench-supply.toml"),
    "queue at 0.8": lambda: queues.queue(
        "periodic", queues.exponential(0.8), 4, conversions=500, trials=24
    ),
}
#: Of these an interval that is nearly always right would say that it is wider than it need be.
#: Others are bounded by what was not seen: a share of boards, a quantile beyond all but a few.
NEITHER_WAY = {
    "latency_read_median", "latency_read_p99", "host_busy_share", "sampling_jitter_rms"
}  # fmt: skip


@pytest.mark.parametrize("case", list(CASES))
def test_every_interval_covers_about_what_it_says(case):
    """The count of runs that are covered is binomial: 4 standard errors beyond 92 to 98 %."""
    scenario = CASES[case]()
    many = scenario.with_(seed=10**6, trials=100 * scenario.trials)
    truth = run(many, engine="batch", ledger=False, workers=1).figures
    given, held = dict.fromkeys(truth, 0), dict.fromkeys(truth, 0)
    for seed in range(1, SEEDS + 1):
        found = run(scenario.with_(seed=seed), engine="batch", ledger=False, workers=1).figures
        for name, one in found.items():
            true = truth[name].value or 0.0
            low = -math.inf if one.low is None else one.low
            high = math.inf if one.high is None else one.high
            # Where nothing is left to chance, sums in another order differ by a float's last bit.
            near = 1e-9 * true
            given[name] += one.confidence is not None
            held[name] += one.confidence is not None and low - near <= true <= high + near
    for name, count in given.items():
        if not count:
            continue
        share = held[name] / count
        print(f"{case:18} {name:28} {100 * share:5.1f} % of {count}")
        assert share > 0.92 - 4 * math.sqrt(0.92 * 0.08 / count), name
        varies = truth[name].low != truth[name].high
        if name in NEITHER_WAY and varies:
            assert share < 0.98 + 4 * math.sqrt(0.98 * 0.02 / count), name
    assert given["throughput_delivered"] == given["latency_read_p99"] == SEEDS
    assert given["host_busy_share"] == SEEDS


def test_the_offered_rate_is_the_scenarios_and_the_delivered_one_what_is_left_of_it():
    """Of short trials too: no period at either end is missing or counted twice."""
    for conversions in (60, 500):
        found = run(shallow(conversions), engine="batch", ledger=False).figures
        assert found["throughput_offered"].value == pytest.approx(500e3, rel=1e-9)
        left = found["delivered"].value * 500e3
        assert found["throughput_delivered"].value == pytest.approx(left, rel=1e-9)
