"""Both engines give the same records of a forwarded and of a returned clock."""

import os

import numpy as np
import pytest
from hypothesis import given, settings

from simlink.engines.batch import BatchEngine, columns, engine, serial
from simlink.engines.event import EventEngine
from tests.engines.serial_scenarios import serial_scenarios
from tests.engines.test_equivalence import differences, joined

#: How many random scenarios are compared; raise it by hand.
MANY = max(600, int(os.environ.get("SIMLINK_MANY", "0")))


@settings(max_examples=MANY)
@given(serial_scenarios())
def test_the_engines_agree(scenario):
    assert BatchEngine().refuses(scenario) is None
    assert differences(scenario) == []


@settings(max_examples=MANY // 2)
@given(serial_scenarios())
def test_the_engines_agree_across_the_batch_engine_s_blocks(scenario):
    """Blocks of 5 conversions, 2 trials and 7 draws, so that runs of 40 cross many of them."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(serial, "ROWS", 5)
        patch.setattr(engine, "TRIALS", 2)
        patch.setattr(columns, "_DRAWN", 7)
        trials = range(scenario.trials)
        events = joined(list(EventEngine().run(scenario, trials, words=True)), axis=0)
        chunks = {}
        for block in BatchEngine().run(scenario, trials, words=True):
            chunks.setdefault(block.trials, []).append(block)
        assert max(len(blocks) for blocks in chunks.values()) >= -(-scenario.conversions // 5)
        parts = [joined(blocks, axis=1) for blocks in chunks.values()]
    for name, expected in events.items():
        whole = np.concatenate([part[name] for part in parts], axis=0)
        assert np.array_equal(whole, expected), name
