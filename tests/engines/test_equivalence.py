"""Both engines give the same records: every instant to the femtosecond, every fate.

The engines share the rule of each part and nothing else: one lets SimPy order events, the other
walks from conversion to conversion. Each is the other's oracle.
"""

import os

from hypothesis import given, settings

from simlink.engines.batch import BatchEngine
from tests.engines.agreement import differences, differences_across_stretches
from tests.strategies import scenarios

#: How many random scenarios are compared; raise or lower it by hand.
MANY = int(os.environ.get("SIMLINK_MANY") or 600)


@settings(max_examples=MANY)
@given(scenarios())
def test_the_engines_agree(scenario):
    assert BatchEngine().refuses(scenario) is None
    assert differences(scenario) == []


@settings(max_examples=max(1, MANY // 2))
@given(scenarios())
def test_the_engines_agree_across_the_batch_engine_s_stretches(scenario):
    assert differences_across_stretches(scenario) == []
