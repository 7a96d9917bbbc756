"""The batch engine gives the same records compiled and uncompiled, kept or passing by."""

from __future__ import annotations

import copy
import hashlib
import os
import subprocess
import sys
from contextlib import contextmanager
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import simlink
from simlink.base import compiled
from simlink.engines.batch import BatchEngine, streams
from simlink.scenario.loading import load
from tests.engines.agreement import joined, records_of, short_stretches, unlike
from tests.engines.chain import chain
from tests.engines.host_clocked_scenarios import serial, serial_scenarios
from tests.strategies import scenarios

ROOT = Path(simlink.__file__).parents[1]
#: How many random scenarios are run uncompiled; raise it by hand.
MANY = max(40, int(os.environ.get("SIMLINK_MANY", "0")))


@contextmanager
def uncompiled():
    """Run everything as it is written, as where numba cannot be imported."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(compiled, "why_plain", lambda: "a test wants it so")
        patch.setattr(compiled, "_machine", None)
        patch.setattr(streams, "agrees", lambda: False)
        yield


@settings(max_examples=MANY)
@given(st.one_of(scenarios(), serial_scenarios()), st.booleans())
def test_records_are_the_same_uncompiled(scenario, words):
    compiled_ones = records_of(BatchEngine(), scenario, words)
    with uncompiled():
        assert unlike(records_of(BatchEngine(), scenario, words), compiled_ones) == []


@settings(max_examples=MANY // 2)
@given(st.one_of(scenarios(), serial_scenarios()))
def test_records_are_the_same_uncompiled_across_stretches(scenario):
    compiled_ones = records_of(BatchEngine(), scenario)
    with uncompiled(), short_stretches():
        assert unlike(records_of(BatchEngine(), scenario), compiled_ones) == []


#: Prints a digest of the records of scenarios, and what of numba has been imported.
PROGRAM = """
import hashlib, sys
from simlink.engines.batch import BatchEngine
from simlink.scenario.loading import load
for path in sys.argv[1:]:
    scenario = load(path).with_(trials=2, conversions=40)
    digest = hashlib.sha256()
    for block in BatchEngine().run(scenario, range(2), words=True):
        for name in (*block.records.dtype.names, "first_bit", "last_bit"):
            digest.update(getattr(block, name).tobytes())
    print(digest.hexdigest())
print([name for name in sys.modules if name.split(".")[0] == "numba"])
"""


def test_a_process_told_to_run_plain_gives_the_same_bytes_without_numba():
    paths = sorted(map(str, (ROOT / "scenarios").glob("*.toml")))
    assert len(paths) > 5
    done = subprocess.run(
        [sys.executable, "-c", PROGRAM, *paths],
        capture_output=True,
        text=True,
        check=True,
        env={**os.environ, compiled.PLAIN: "1", "PYTHONPATH": str(ROOT)},
        timeout=300,
    )
    *digests, imported = done.stdout.splitlines()
    assert imported == "[]"
    assert compiled.why_plain() is None
    for path, found in zip(paths, digests, strict=True):
        scenario = load(path).with_(trials=2, conversions=40)
        digest = hashlib.sha256()
        for block in BatchEngine().run(scenario, range(2), words=True):
            for name in (*block.records.dtype.names, "first_bit", "last_bit"):
                digest.update(getattr(block, name).tobytes())
        assert digest.hexdigest() == found, path


def passing(scenario, words):
    """Return blocks each of which was read before the next was asked for."""
    blocks = BatchEngine().passing(scenario, range(scenario.trials), words=words)
    return [copy.deepcopy(block) for block in blocks]


@settings(max_examples=MANY)
@given(st.one_of(scenarios(), serial_scenarios()), st.booleans())
def test_blocks_that_pass_by_hold_the_same_records(scenario, words):
    with short_stretches():
        kept = list(BatchEngine().run(scenario, range(scenario.trials), words=words))
        passed = passing(scenario, words)
    assert len(passed) == len(kept)
    assert all(one.same_as(other) for one, other in zip(passed, kept, strict=True))
    assert unlike(joined(passed), records_of(BatchEngine(), scenario, words)) == []


@pytest.mark.parametrize("make", [chain, serial])
def test_blocks_that_are_kept_stay_as_they_were(make):
    """`run` copies: no later stretch, trial or run writes into what has been handed over."""
    latency = {"shape": "exponential", "mean": "1 us"}
    scenario = make({"conversions": 400, "trials": 3, "host.service_latency": latency})
    with short_stretches(16):
        kept, copies = [], []
        for block in BatchEngine().run(scenario, range(3), words=True):
            kept.append(block)
            copies.append(copy.deepcopy(block))
        passing(scenario, True)
    assert len(kept) > 3 * 400 // 32
    assert all(one.same_as(other) for one, other in zip(kept, copies, strict=True))
