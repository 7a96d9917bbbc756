"""The FIFO and the host against queueing theory."""

from __future__ import annotations

import numpy as np
import pytest

from simlink.base.draws import Column
from simlink.base.instants import NEVER
from simlink.records import Fate
from tests.outside import queues

#: Conversions at the start of each trial that are left out: the FIFO starts empty.
WARM = 300


def test_the_loss_of_a_constant_service_is_the_published_one():
    """rho 0.5, K 2: 0.0962745.

    Brun and Garcia, J. Appl. Prob. 37(4), 2000 (formula from memory); computed.
    """
    assert queues.constant_service_loss(0.5, 2) == pytest.approx(0.0962745, abs=5e-8)


@pytest.mark.parametrize("rho", [0.3, 0.5, 0.9, 1.2])
@pytest.mark.parametrize("places", [1, 2, 3, 6])
def test_the_loss_of_a_constant_service_agrees_with_its_chain(rho, places):
    """The formula (Brun and Garcia, from memory) against an embedded chain (computed)."""
    by_chain = queues.constant_service_loss_by_chain(rho, places)
    assert queues.constant_service_loss(rho, places) == pytest.approx(by_chain, abs=1e-9)


def test_the_loss_of_periodic_arrivals_is_the_computed_one():
    """rho 0.5, K 2: 0.0251130 (embedded chain at arrivals, computed)."""
    assert queues.periodic_arrivals_loss(0.5, 2) == pytest.approx(0.0251130, abs=5e-8)


def test_the_wait_of_periodic_arrivals_is_the_textbook_one():
    """rho 0.8: sigma 0.628630, Wq mu = sigma / (1 - sigma) 1.692731.

    Textbook D/M/1 (Kleinrock, Queueing Systems vol. 1, from memory); computed.
    """
    sigma = queues.root(0.8)
    assert sigma == pytest.approx(0.628630, abs=1e-6)
    assert sigma / (1 - sigma) == pytest.approx(1.692731, abs=1e-6)


def lost(scenario):
    """Return the share of conversions overrun in each trial, the warm-up left out."""
    found = queues.blocks(scenario)
    missed = sum(int((block.fate == Fate.MISSED_TRIGGER).sum()) for block in found)
    assert missed <= 1
    return [float((block.fate[0, WARM:] == Fate.OVERRUN).mean()) for block in found]


@pytest.mark.parametrize(("rho", "places"), [(0.5, 2), (0.9, 4)])
def test_poisson_triggers_and_a_constant_latency(rho, places):
    """M/D/1/K: Brun and Garcia, J. Appl. Prob. 37(4), 2000 (formula from memory)."""
    scenario = queues.queue(
        "poisson", queues.constant(rho), places, conversions=4000, trials=30, seed=11
    )
    expected = queues.constant_service_loss(rho, places)
    assert abs(queues.score(lost(scenario), expected)) < 4


@pytest.mark.parametrize(("rho", "places"), [(0.5, 2), (0.9, 3)])
def test_periodic_triggers_and_an_exponential_latency(rho, places):
    """D/M/1/K: embedded chain at arrivals (computed)."""
    scenario = queues.queue(
        "periodic", queues.exponential(rho), places, conversions=4000, trials=30, seed=12
    )
    expected = queues.periodic_arrivals_loss(rho, places)
    assert abs(queues.score(lost(scenario), expected)) < 4


@pytest.fixture(scope="module")
def deep():
    """D/M/1 at rho 0.8, the FIFO deep enough never to be full."""
    scenario = queues.queue(
        "periodic", queues.exponential(0.8), 10_000, conversions=4000, trials=40, seed=13
    )
    found = queues.blocks(scenario)
    assert all((block.fate == Fate.DELIVERED).all() for block in found)
    return found


def test_the_mean_wait_of_a_deep_fifo(deep):
    """Textbook D/M/1 (Kleinrock, Queueing Systems vol. 1, from memory): Wq mu 1.692731."""
    waits = [(block.service - block.release)[0, WARM:].mean() for block in deep]
    mean = np.array(waits) / (0.8 * queues.MS)
    sigma = queues.root(0.8)
    assert abs(queues.score(mean, sigma / (1 - sigma))) < 4


@pytest.mark.parametrize("number", range(4))
def test_what_arrivals_find_in_a_deep_fifo(deep, number):
    """Found with probability (1 - sigma) sigma^n (Kleinrock, vol. 1, from memory)."""
    shares = [(block.occupancy_at_arrival[0, WARM:] == number).mean() for block in deep]
    sigma = queues.root(0.8)
    assert abs(queues.score(shares, (1 - sigma) * sigma**number)) < 4


@pytest.mark.parametrize("rho", [0.5, 0.95, 1.1])
@pytest.mark.parametrize("pattern", ["periodic", "poisson"])
def test_waits_follow_the_recursion_exactly(pattern, rho):
    """W' = max(0, W + S - A) on the same services and gaps.

    Lindley, Proc. Camb. Phil. Soc. 48, 1952.
    """
    scenario = queues.queue(pattern, queues.exponential(rho), 10_000, conversions=3000, seed=14)
    (block,) = queues.blocks(scenario)
    law = scenario.host.service_latency
    services = Column(law, scenario.seed, 0, "host.service_latency").take(3000) + queues.READ
    taken = block.fate[0] == Fate.DELIVERED
    arrivals, services = block.release[0, taken], services[taken]
    assert taken.sum() >= 2999
    wait, expected = 0, []
    for gap, service in zip(np.diff(arrivals).tolist(), services.tolist(), strict=False):
        expected.append(wait)
        wait = max(0, wait + service - gap)
    expected.append(wait)
    assert (block.service[0, taken] - arrivals).tolist() == expected
    assert (block.read_end[0, taken] - block.service[0, taken]).tolist() == services.tolist()


def test_every_release_is_its_arrival():
    """The queue's arrivals are half a picosecond after the triggers, or it would be no queue."""
    scenario = queues.queue("poisson", queues.constant(0.5), 2, conversions=500)
    (block,) = queues.blocks(scenario)
    there = block.release[0] != NEVER
    assert (block.release - block.trigger)[0, there].tolist() == [500] * int(there.sum())
