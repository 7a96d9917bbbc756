"""The depth that sizing finds, against the exact losses of two finite queues.

Each target lies midway, on a log scale, between the exact losses of two neighbouring depths, so
that the deeper one meets it and the shallower one exceeds it.
"""

import math

import pytest

from simlink.studies.size import size
from tests.outside import queues


def midway(loss, rho, above):
    """Return the deepest pair's deeper depth whose midway target is still above a limit."""
    found = None
    for depth in range(2, 40):
        target = math.sqrt(loss(rho, depth - 1) * loss(rho, depth))
        if target < above:
            break
        found = depth, target
    return found


@pytest.mark.parametrize("above", [1e-3, 3e-5, 1e-6])
def test_periodic_triggers_and_an_exponential_latency(above):
    """D/M/1/K: embedded chain at arrivals (computed)."""
    rho = 0.4
    depth, target = midway(queues.periodic_arrivals_loss, rho, above)
    scenario = queues.queue("periodic", queues.exponential(rho), 1, conversions=20_000, seed=17)
    found = size(scenario, at_most=target, workers=1)
    assert found.units == "cycles"
    assert (found.answer, found.settled) == (depth, True)
    assert found.bound is None


@pytest.mark.parametrize("above", [1e-3, 3e-5, 1e-6])
def test_poisson_triggers_and_a_constant_latency(above):
    """M/D/1/K: Brun and Garcia, J. Appl. Prob. 37(4), 2000 (formula from memory)."""
    rho = 0.3
    depth, target = midway(queues.constant_service_loss, rho, above)
    scenario = queues.queue("poisson", queues.constant(rho), 1, conversions=20_000, seed=18)
    found = size(scenario, at_most=target, workers=1)
    assert found.units == "cycles"
    assert (found.answer, found.settled) == (depth, True)
