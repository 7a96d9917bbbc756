"""The time that a trial's triggers stand for, against the law they are drawn from."""

from __future__ import annotations

import math

import numpy as np
import pytest

from simlink.engines.batch import BatchEngine
from simlink.figures.span import spans
from simlink.figures.tally import Tally
from tests.engines.chain import chain

US = 10**9


def spanned(**values):
    """Return the spans of a scenario in us, and its tally."""
    scenario = chain(values)
    tally = Tally(scenario, range(scenario.trials))
    for block in BatchEngine().run(scenario, tally.trials, words=False):
        tally.add(block)
    return spans(scenario, tally) / US, tally


@pytest.mark.parametrize("conversions", [1, 2, 7])
def test_periodic_triggers_stand_for_a_period_each(conversions):
    found, _ = spanned(conversions=conversions, trials=3)
    assert found.tolist() == [conversions] * 3


def test_a_remote_timers_period_is_that_of_its_unit():
    tolerance = {"shape": "uniform", "low": "-50000 ppm", "high": "50000 ppm"}
    timer = {"trigger.source": "remote", "trigger.tolerance": tolerance}
    found, tally = spanned(conversions=20, trials=5, **timer)
    periods = (tally.last_due - tally.first_due) / 19 / US
    assert found == pytest.approx(20 * periods, rel=1e-9)
    assert np.ptp(found) > 0.1


@pytest.mark.parametrize(("conversions", "whole"), [(4, 12), (8, 24), (5, 13), (6, 14), (1, 1)])
def test_a_burst_at_the_end_stands_for_its_gap_too(conversions, whole):
    """Bursts of four a microsecond apart, and 9 us to the next."""
    burst = {"trigger.pattern": "burst", "trigger.burst_length": 4, "trigger.gap": "9 us"}
    found, _ = spanned(conversions=conversions, trials=2, **burst)
    assert found.tolist() == [whole] * 2


LOOP = {
    "trigger.pattern": "after_read",
    "trigger.rate": None,
    "trigger.gap": "2 us",
    "host.timeout": "50 us",
}


@pytest.mark.parametrize("conversions", [1, 2, 5])
def test_a_loops_last_period_is_as_long_as_the_others(conversions):
    """The first is due at 2000, read at 2566, and the next one due at 4566 ns."""
    found, _ = spanned(conversions=conversions, trials=2, **LOOP)
    assert found == pytest.approx([2.566 * conversions] * 2, rel=1e-12)


@pytest.mark.parametrize(
    ("values", "period"),
    [
        ({"trigger.pattern": "poisson", "trigger.rate": "10 kHz"}, 100),
        (
            {
                "trigger.pattern": "burst",
                "trigger.burst_length": 3,
                "trigger.gap": {"shape": "exponential", "mean": "40 us"},
            },
            42 / 3,
        ),
        (LOOP | {"trigger.gap": {"shape": "exponential", "mean": "40 us"}}, 40.566),
    ],
    ids=["poisson", "burst", "after_read"],
)
def test_the_mean_span_is_that_of_as_many_mean_periods(values, period):
    """However short the trial: 4000 of 6 conversions, off by less than 4 standard errors."""
    found, tally = spanned(conversions=6, trials=4000, **values)
    assert (tally.sent == 6).all()
    error = found.std(ddof=1) / math.sqrt(len(found))
    assert abs(found.mean() - 6 * period) < 4 * error
