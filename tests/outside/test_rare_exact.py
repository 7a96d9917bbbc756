"""Computed losses against closed forms and embedded chains, from 1e-2 to 1e-12."""

import math

import numpy as np
import pytest
import scipy.sparse as sparse
from scipy.sparse.linalg import spsolve
from scipy.special import gammaln

from simlink.rare.exact import exact_loss
from tests.outside.queues import constant, constant_service_loss, exponential, queue


def solved(chain):
    """Return the law that a chain keeps, by scipy's sparse solver."""
    size = chain.shape[0]
    system = sparse.lil_matrix(sparse.identity(size) - chain.T)
    system[-1, :] = 1.0
    wanted = np.zeros(size)
    wanted[-1] = 1.0
    return spsolve(sparse.csc_matrix(system), wanted)


def poisson(mean, count):
    return math.exp(count * math.log(mean) - mean - gammaln(count + 1))


def periodic_exponential(rho, places):
    """Loss of D/M/1/K: the chain of what arrivals find (computed)."""
    chain = sparse.lil_matrix((places + 1, places + 1))
    for found in range(places + 1):
        there = min(found + 1, places)
        for left in range(1, there + 1):
            chain[found, left] = poisson(1 / rho, there - left)
        # The tail of the law as a sum of its own terms: nothing cancels.
        chain[found, 0] = math.fsum(poisson(1 / rho, more) for more in range(there, there + 200))
    return solved(sparse.csr_matrix(chain))[places]


@pytest.mark.parametrize(
    ("rho", "places", "scale"),
    [(0.5, 2, 1e-2), (0.6, 6, 1e-4), (0.5, 8, 1e-6), (0.5, 12, 1e-9), (0.5, 16, 1e-12)],
)
def test_periodic_arrivals_exponential_service(rho, places, scale):
    truth = periodic_exponential(rho, places)
    assert scale / 4 < truth < scale * 12
    found = exact_loss(queue("periodic", exponential(rho), places, conversions=1))
    assert found.low <= truth <= found.high <= 1.1 * found.low
    assert found.value == pytest.approx(truth, rel=0.01)


@pytest.mark.parametrize(("rho", "places"), [(0.5, 2), (0.5, 6), (0.3, 6), (0.8, 6)])
def test_poisson_arrivals_constant_service(rho, places):
    # Brun and Garcia, J. Appl. Prob. 37(4), 2000 (formula from memory).
    truth = constant_service_loss(rho, places)
    found = exact_loss(queue("poisson", constant(rho), places, conversions=1))
    assert found.low <= truth <= found.high
    assert found.value == pytest.approx(truth, rel=0.02)


@pytest.mark.parametrize(("rho", "places"), [(0.5, 4), (0.5, 20), (0.1, 12)])
def test_poisson_arrivals_exponential_service(rho, places):
    # M/M/1/K: the truncated geometric law (textbook).
    truth = (1 - rho) * rho**places / (1 - rho ** (places + 1))
    found = exact_loss(queue("poisson", exponential(rho), places, conversions=1), width=0.3)
    assert found.low <= truth <= found.high
    assert found.value == pytest.approx(truth, rel=0.02)


def test_a_narrower_width_is_kept():
    truth = periodic_exponential(0.5, 4)
    found = exact_loss(queue("periodic", exponential(0.5), 4, conversions=1), width=0.01)
    assert found.low <= truth <= found.high <= 1.01 * found.low


def test_a_queue_that_never_overruns_is_shown_to():
    found = exact_loss(queue("periodic", constant(0.9), 1, conversions=1))
    assert (found.low, found.value, found.high) == (0.0, 0.0, 0.0)


def test_from_empty_less_is_lost_than_in_the_long_run():
    scenario = queue("periodic", exponential(0.8), 8, conversions=1)
    early = exact_loss(scenario, conversions=20)
    late = exact_loss(scenario, conversions=10**6)
    ever = exact_loss(scenario)
    assert early.high < late.low
    assert late.value == pytest.approx(ever.value, rel=0.01)
