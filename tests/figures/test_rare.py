"""How many of a law's draws are the rare ones that make its spread."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from simlink.figures.rare import rare_draws, third_moment
from simlink.scenario.distributions import Exponential, Gamma, Limits, Lognormal, Uniform
from tests.engines.chain import chain

RECORDINGS = Path(__file__).parents[1] / "engines" / "recordings.csv"


def latency(**table):
    """Return a service latency from a scenario."""
    return chain({"host.service_latency": table}).host.service_latency


STALLS = {
    "shape": "two_state",
    "normal": {"shape": "uniform", "low": "400 ns", "high": "600 ns"},
    "stalled": {"shape": "gamma", "mean": "9 us", "sigma": "2 us"},
    "spacing": {"shape": "geometric", "mean": 20},
    "length": 2,
}
PARTS = {
    "shape": "mixture",
    "parts": [
        {"weight": 3, "of": {"shape": "exponential", "mean": "2 us"}},
        {"weight": 1, "of": {"shape": "limits", "low": "1 us", "typical": "2 us", "high": "9 us"}},
    ],
}


@pytest.mark.parametrize(
    "law",
    [
        Exponential(mean=1000, offset=7),
        Gamma(mean=1000, sigma=700),
        Lognormal(mean=1000, sigma=300),
        Limits(low=0, typical=200, high=1500),
        Uniform(low=5, high=10),
        latency(**STALLS),
        latency(**PARTS),
    ],
    ids=lambda law: law.shape,
)
def test_the_third_moment_is_that_of_many_draws(law):
    """Off by less than 4 standard errors of a mean of 400,000 draws, those in a row together."""
    source = np.random.default_rng(4)
    draws = law.sampler(lambda *_: source).take(400_000).astype(float)
    cubes = ((draws - law.mean) ** 3).reshape(-1, 400).mean(axis=1)
    error = cubes.std(ddof=1) / math.sqrt(len(cubes))
    assert abs(cubes.mean() - third_moment(law)) < 4 * error


def test_the_third_moment_of_a_recording_is_its_own():
    law = latency(shape="recorded", file=str(RECORDINGS), column="fine_ns", unit="ns")
    assert third_moment(law) == pytest.approx(((law.values - law.values.mean()) ** 3).mean())


@pytest.mark.parametrize(("spacing", "length"), [(400, 1), (4000, 1), (2000, 5)])
def test_the_rare_draws_of_stalls_are_about_how_many_stalls_there_are(spacing, length):
    law = latency(
        shape="two_state",
        normal="500 ns",
        stalled="10 us",
        spacing={"shape": "geometric", "mean": spacing},
        length=length,
    )
    assert rare_draws(law, 20_000) == pytest.approx(20_000 / (spacing + length), rel=0.02)


@pytest.mark.parametrize("shape", ["uniform", "constant"])
def test_a_law_without_skewness_has_no_rare_draws_to_wait_for(shape):
    table = {"uniform": {"low": "1 us", "high": "2 us"}, "constant": {"value": "1 us"}}[shape]
    assert rare_draws(latency(shape=shape, **table), 2) == math.inf
