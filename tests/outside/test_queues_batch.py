"""The loss of the FIFO against exact formulas, ten million conversions a pair.

The batch engine stands on its agreement with the event engine elsewhere; here it stands on queueing
theory alone, down to losses that the event engine would take hours to see.

What counts as the service time is the service latency plus the read, from the release of a frame
to the end of its read: its slot is taken until then, and the host is busy. The read is one bit at
1 THz, 1 ps of a millisecond. All that comes before the release (crossings, conversion, readout,
synchroniser) is a constant here: it moves every arrival by as much and changes no queue.
"""

from __future__ import annotations

import numpy as np
import pytest

from simlink.engines.batch import BatchEngine
from simlink.records import Fate
from tests.outside import queues

TRIALS = 512
#: Left out at the start of each trial: the FIFO starts empty.
WARM = 320
#: So that each trial counts 20,000.
CONVERSIONS = 20_000 + WARM


def losses(scenario):
    """Return the share of conversions overrun in each trial, the warm-up left out."""
    overrun = np.zeros(TRIALS, dtype=np.int64)
    counted = 0
    for block in BatchEngine().run(scenario, range(TRIALS), words=False):
        # A Poisson trigger falls into the converter's 1 ps once in 1e9.
        assert np.count_nonzero(block.fate == Fate.MISSED_TRIGGER) <= 1
        rows = slice(block.trials.start, block.trials.stop)
        fates = block.fate[:, max(0, WARM - block.first) :]
        overrun[rows] += np.count_nonzero(fates == Fate.OVERRUN, axis=1)
        counted += fates.size
    assert counted == TRIALS * (CONVERSIONS - WARM) >= 10**7
    return overrun / (CONVERSIONS - WARM)


def queue(pattern, service, places, seed):
    return queues.queue(pattern, service, places, conversions=CONVERSIONS, trials=TRIALS, seed=seed)


@pytest.mark.parametrize(
    ("rho", "places", "below"),
    [(0.5, 2, 1), (0.9, 6, 1), (0.5, 6, 1e-4), (0.7, 11, 1e-4)],
)
def test_periodic_triggers_and_an_exponential_latency(rho, places, below):
    """D/M/1/K: embedded chain at arrivals (computed)."""
    expected = queues.periodic_arrivals_loss(rho, places)
    assert expected < below
    scenario = queue("periodic", queues.exponential(rho), places, 31)
    assert abs(queues.score(losses(scenario), expected)) < 4


@pytest.mark.parametrize(
    ("rho", "places", "below"),
    [(0.5, 2, 1), (0.9, 6, 1), (0.5, 8, 1e-4), (0.3, 5, 1e-4)],
)
def test_poisson_triggers_and_a_constant_latency(rho, places, below):
    """M/D/1/K: Brun and Garcia, J. Appl. Prob. 37(4), 2000 (formula from memory)."""
    expected = queues.constant_service_loss(rho, places)
    assert expected < below
    scenario = queue("poisson", queues.constant(rho), places, 32)
    assert abs(queues.score(losses(scenario), expected)) < 4


def test_what_comes_before_the_release_changes_no_queue():
    """Constants ahead of the release: every frame is admitted, refused and read as without."""
    plain = queues.queue("periodic", queues.exponential(0.9), 3, conversions=2000, trials=4)
    moved = plain
    for key, value in {
        "converter.conversion_time": "700 ns",
        "remote_clock.start_delay": "40 ns",
        "barrier.forward.delay": "14 ns",
        "barrier.return.delay": "14 ns",
        "fifo.sync_delay": "60 ns",
    }.items():
        moved = moved.with_value(key, value)
    before, after = (list(BatchEngine().run(one, range(4), words=False)) for one in (plain, moved))
    late = 828 * 10**6
    for one, other in zip(before, after, strict=True):
        there = one.fate == Fate.DELIVERED
        assert (one.fate == Fate.OVERRUN).any()
        assert ((other.release - one.release)[there] == late).all()
        assert np.array_equal(other.fate, one.fate)
        assert np.array_equal(other.occupancy_at_arrival, one.occupancy_at_arrival)
