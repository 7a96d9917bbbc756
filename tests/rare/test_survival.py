"""How likely a law exceeds a value, against scipy.stats and against the law's own draws."""

import math

import numpy as np
import pytest
from scipy import stats

from simlink.base.draws import streams
from simlink.rare.survival import independent, reached_with, survival
from simlink.scenario.composite import Mixture, Part, TwoState, UniformCount
from simlink.scenario.distributions import (
    Constant,
    Exponential,
    Gamma,
    Limits,
    Lognormal,
    Normal,
    Uniform,
)

NS = 10**6
LIMITS = Limits(low=2 * NS, typical=3 * NS, high=9 * NS)
SPREAD = math.log1p(0.25)
KNOWN = [
    (Uniform(low=2 * NS, high=6 * NS), stats.uniform(2 * NS, 4 * NS)),
    (Normal(mean=8 * NS, sigma=NS), stats.norm(8 * NS, NS)),
    (Exponential(mean=5 * NS, offset=NS), stats.expon(NS, 5 * NS)),
    (
        Lognormal(mean=4 * NS, sigma=2 * NS, offset=NS),
        stats.lognorm(math.sqrt(SPREAD), NS, 4 * NS * math.exp(-SPREAD / 2)),
    ),
    (Gamma(mean=4 * NS, sigma=2 * NS), stats.gamma(4, 0, NS)),
    (LIMITS, stats.triang(1 / 7, 2 * NS, 7 * NS)),
]


@pytest.mark.parametrize(("law", "known"), KNOWN)
def test_survival_is_that_of_scipy_far_into_the_tail(law, known):
    at = known.isf([0.999, 0.5, 1e-3, 1e-9])
    if not math.isfinite(law.support[1]):
        at = np.append(at, known.isf([1e-15, 1e-20]))
    np.testing.assert_allclose(survival(law, at), known.sf(at), rtol=1e-7)


@pytest.mark.parametrize(
    "law", [law for law, _ in KNOWN] + [Normal(mean=5, sigma=3, low=2, high=9)]
)
def test_draws_exceed_a_value_as_often(law):
    draws = law.sampler(streams(7, 0, "test")).take(20_000)
    for share in (0.1, 0.5, 0.9):
        at = np.quantile(draws, share)
        found = (draws > at).mean()
        expected = survival(law, np.array([at + 0.5]))[0]
        assert abs(found - expected) < 4 * math.sqrt(0.25 / len(draws)) + 0.5 * (law.mean < 100) / 3


def test_limits_without_a_low_end_are_those_with_the_end_that_is_taken():
    """14 is 3 above 11, and so 8 is the lowest."""
    at = np.linspace(7 * NS, 15 * NS, 97)
    given = survival(Limits(low=8 * NS, typical=11 * NS, high=14 * NS), at)
    assert survival(Limits(typical=11 * NS, high=14 * NS), at).tolist() == given.tolist()


def test_a_clipped_law_keeps_to_its_bounds():
    law = Normal(mean=5 * NS, sigma=NS, low=4 * NS, high=6 * NS)
    at = np.array([4 * NS - 1.0, 4.0 * NS, 6 * NS - 1.0, 6.0 * NS])
    found = survival(law, at)
    assert found[0] == 1
    assert found[1] == pytest.approx(stats.norm.sf(-1), rel=1e-6)
    assert found[2] == pytest.approx(stats.norm.sf(1), rel=1e-5)
    assert found[3] == 0


def test_a_mixture_weighs_its_parts():
    law = Mixture(
        parts=(Part(weight=3, of=Constant(value=NS)), Part(weight=1, of=Constant(value=5 * NS)))
    )
    assert survival(law, np.array([0.0, NS, 4.0 * NS, 5.0 * NS])).tolist() == [1, 0.25, 0.25, 0]
    assert independent(law)


def test_a_law_with_a_memory_is_none():
    stalls = TwoState(
        normal=Constant(value=1), stalled=Constant(value=9), spacing=UniformCount(low=3, high=3)
    )
    assert not independent(stalls)
    assert not independent(Mixture(parts=(Part(weight=1, of=stalls),)))
    with pytest.raises(NotImplementedError, match="two_state"):
        survival(stalls, np.zeros(1))


def test_what_is_exceeded_so_rarely():
    law = Exponential(mean=NS)
    at = reached_with(law, 1e-20)
    assert 1e-30 < survival(law, np.array([at]))[0] <= 1e-20
    assert reached_with(LIMITS, 1e-20) == 9 * NS
