"""Both engines give the same records: every instant to the femtosecond, every fate.

The engines share the rule of each part and nothing else: one lets SimPy order events, the other
walks from conversion to conversion. Each is the other's oracle.
"""

import os

import pytest
from hypothesis import given, settings

from simlink.engines.batch import BatchEngine
from simlink.engines.batch.settled import reaches_back, settles
from simlink.engines.event import EventEngine
from tests.engines.agreement import (
    differences,
    differences_across_stretches,
    records_of,
    unlike,
)
from tests.engines.chain import chain
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


#: Nothing, or what lets a conversion wait for a later one, or be given up.
BACK = {
    "nothing": {},
    "a group": {"host.watermark": 3},
    "edges": {"host.interrupt": "edge"},
    "a timeout": {"host.timeout": "1500 ns"},
}


@pytest.mark.parametrize("values", BACK.values(), ids=BACK)
def test_they_agree_where_only_latencies_tell_conversions_apart_and_no_ledger_is_kept(values):
    """Whatever else depends on draws is left out then; random scenarios draw nearly always."""
    latency = {"shape": "exponential", "mean": "600 ns"}
    base = {"conversions": 200, "trials": 2, "fifo.depth": 4, "host.service_latency": latency}
    scenario = chain(base | values)
    assert settles(scenario)
    assert reaches_back(scenario) is bool(values)
    found, expected = (
        records_of(engine, scenario, words=False) for engine in (BatchEngine(), EventEngine())
    )
    assert unlike(found, expected) == []
