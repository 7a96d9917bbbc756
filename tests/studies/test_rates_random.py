"""On random scenarios: what is proven of a trigger rate is kept, whatever was drawn.

More scenarios by hand with ``SIMLINK_MANY``.
"""

import os

import pytest
from hypothesis import HealthCheck, assume, given, settings

from simlink.base.errors import InputError
from simlink.engines.batch import BatchEngine
from simlink.studies.size import size
from simlink.studies.sizing_rates import Rates
from simlink.studies.sizing_result import KINDS
from tests.engines.host_clocked_scenarios import serial_scenarios
from tests.strategies import scenarios

MANY = int(os.environ.get("SIMLINK_MANY") or 24)


def spoiled(scenario):
    """Return how many conversions were lost, wrong or of a cut acquisition."""
    found = 0
    for block in BatchEngine().run(scenario, range(scenario.trials), words=False):
        bad = block.short_acquisition.astype(bool)
        for fate in KINDS["trigger-rate"].fates:
            bad |= block.fate == fate
        found += int(bad.sum())
    return found


def check(tried):
    assume(tried.trigger.rate is not None and tried.trigger.burst_length != 1)
    rates = Rates(tried, 1e-3)
    if rates.proven is None:
        return
    _, proven = rates.build(rates.proven)
    try:
        proven = proven.with_values({"trials": 12, "conversions": 150})
    except InputError:
        assume(False)  # so slow that the trial would be too long
    assert spoiled(proven) == 0


@settings(max_examples=MANY, deadline=None, suppress_health_check=list(HealthCheck))
@given(tried=scenarios())
def test_a_proven_rate_loses_nothing(tried):
    check(tried)


@settings(max_examples=MANY, deadline=None, suppress_health_check=list(HealthCheck))
@given(tried=serial_scenarios())
def test_a_proven_rate_loses_nothing_by_the_hosts_clock(tried):
    check(tried)


@settings(max_examples=MANY // 10 + 1, deadline=None, suppress_health_check=list(HealthCheck))
@given(tried=scenarios() | serial_scenarios())
@pytest.mark.parametrize("beyond", [False, True])
def test_every_pattern_and_scheme_has_an_answer_or_a_reason(tried, beyond):
    assume(tried.trigger.rate is not None and tried.trigger.burst_length != 1)
    found = size(tried, "trigger-rate", at_most=0.05, budget=2000, workers=1, beyond_proof=beyond)
    assert found.verdict
    assert found.meets or found.no_bound
    if found.meets:
        assert found.answer > 0
