"""Both engines give the same records: every instant to the femtosecond, every fate.

The engines share the rule of each part and nothing else: one lets SimPy order events, the other
recurses over conversions. Each is the other's oracle.
"""

import os
from dataclasses import fields

import numpy as np
import pytest
from hypothesis import given, settings

from simlink.engines.batch import BatchEngine, columns, engine, queue
from simlink.engines.event import EventEngine
from simlink.records import FrameBlock
from tests.strategies import scenarios

#: How many random scenarios are compared; raise it by hand.
MANY = max(1000, int(os.environ.get("SIMLINK_MANY", "0")))


def joined(blocks, axis):
    """Join blocks along trials (0) or conversions (1)."""
    found = {}
    for field in fields(FrameBlock):
        values = [getattr(block, field.name) for block in blocks]
        if isinstance(values[0], np.ndarray):
            found[field.name] = np.concatenate(values, axis=axis)
    return found


def differences(scenario):
    """Return what differs between the engines: column, first place, batch, event."""
    trials = range(scenario.trials)
    events = joined(list(EventEngine().run(scenario, trials, words=True)), axis=0)
    batches = joined(list(BatchEngine().run(scenario, trials, words=True)), axis=1)
    found = []
    for name, expected in events.items():
        places = np.argwhere(batches[name] != expected)
        if len(places):
            place = tuple(places[0].tolist())
            found.append((name, place, batches[name][place], expected[place]))
    return found


@settings(max_examples=MANY)
@given(scenarios())
def test_the_engines_agree(scenario):
    assert BatchEngine().refuses(scenario) is None
    assert differences(scenario) == []


def differences_across_blocks(scenario, *modules):
    """Return the columns that differ when blocks have 5 conversions, 2 trials and 7 draws.

    Runs of 40 conversions then cross many of them; ``modules`` are those that keep the number
    of conversions in a block.
    """
    with pytest.MonkeyPatch.context() as patch:
        for module in modules:
            patch.setattr(module, "ROWS", 5)
        patch.setattr(engine, "TRIALS", 2)
        patch.setattr(columns, "_DRAWN", 7)
        trials = range(scenario.trials)
        events = joined(list(EventEngine().run(scenario, trials, words=True)), axis=0)
        chunks = {}
        for block in BatchEngine().run(scenario, trials, words=True):
            chunks.setdefault(block.trials, []).append(block)
        assert max(len(blocks) for blocks in chunks.values()) >= -(-scenario.conversions // 5)
        parts = [joined(blocks, axis=1) for blocks in chunks.values()]
    return [
        name
        for name, expected in events.items()
        if not np.array_equal(np.concatenate([part[name] for part in parts], axis=0), expected)
    ]


@settings(max_examples=max(1, MANY // 2))
@given(scenarios())
def test_the_engines_agree_across_the_batch_engine_s_blocks(scenario):
    assert differences_across_blocks(scenario, engine, queue) == []
