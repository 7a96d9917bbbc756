"""How often the 95 % interval of overrun holds the exact value, over 400 independent runs.

The exact value is computed: the chain of what arrivals find (D/M/1/K), from an empty FIFO on,
averaged over the conversions of a trial, so that no warm-up has to be left out.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from simlink.engines.batch import BatchEngine
from simlink.figures import summary
from simlink.figures.tally import Tally
from simlink.records import Fate
from tests.outside import queues

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
    found = [summary.share(*one) for one in zip(overrun, sent, strict=True)]
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
