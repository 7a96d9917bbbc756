"""Edges that nobody sent, on the batch engine: a trial that has one is the event engine's.

What such an edge does is worked by hand in `test_false_edges`.
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simlink.engines.batch import BatchEngine
from simlink.engines.batch.engine import Walk
from simlink.engines.event import EventEngine
from simlink.figures.tally import Tally
from simlink.link.false_edge import FalseEdges, channels
from simlink.link.fate import Fate
from simlink.link.transient import Upsets
from tests.engines.agreement import (
    differences,
    differences_across_stretches,
    joined,
    records_of,
    short_stretches,
    unlike,
)
from tests.engines.chain import NS, chain
from tests.engines.host_clocked_scenarios import serial
from tests.engines.test_batch_transients import MANY, taken
from tests.engines.test_transients import FORWARD, PACKETS, RETURN, at

#: One event in 100 conversions or so, of a nanosecond; each that meets no symbol makes an edge.
RARE = {"kind": "poisson", "rate": "10 kHz", "slew": "80 kV/us", "swing": "80 V"}
FALSE = {"transient": [RARE], "barrier.false_edge": 1}
BOTH = {"barrier.slew_immunity": "50 kV/us"}
LOOP = {"trigger.pattern": "after_read", "trigger.rate": None, "trigger.gap": "600 ns"}
RETURNED = {"link.scheme": "returned_clock", "host.capture": "whole"}
COUNTED = {"check.kind": "parity", "check.sequence_bits": 2, "check.on_failure": "drop"}
SCHEMES = {
    "remote master": (chain, {}),
    "remote master, no strobe": (chain, {"barrier.return.strobe": False}),
    "remote master, loop": (chain, {**LOOP, "host.timeout": "5 us"}),
    "remote master, counter": (chain, COUNTED),
    "forwarded clock": (serial, {}),
    "forwarded clock, counter": (serial, COUNTED),
    "returned clock": (serial, RETURNED),
    "returned clock, loop": (serial, {**RETURNED, **LOOP, "host.timeout": "5 us"}),
}


@pytest.fixture
def left(monkeypatch):
    """Return the trials that are left to the event engine, as they are."""
    found = []
    plain = Walk.leave

    def noting(self, row):
        found.append(self.units.trials[self.rows][row])
        plain(self, row)

    monkeypatch.setattr(Walk, "leave", noting)
    return found


@pytest.mark.parametrize("scheme", SCHEMES)
def test_only_trials_with_a_false_edge_are_left_to_the_event_engine(scheme, left):
    make, values = SCHEMES[scheme]
    scenario = make({"conversions": 30, "trials": 60, **values, **BOTH, **FALSE})
    assert BatchEngine().refuses(scenario) is None
    found = records_of(BatchEngine(), scenario)
    expected = records_of(EventEngine(), scenario)
    assert unlike(found, expected) == []
    # With one event in 100 conversions, 0.26 of the trials of 30 have one.
    assert 3 < len(left) < 35
    assert len(left) == len(set(left))
    assert set(expected["unrequested"]["trial"].tolist()) <= set(left)


def sums(blocks, scenario):
    """Return all that is added up over blocks: to whom frames belong, and who is told, too."""
    tally = Tally(scenario, range(scenario.trials))
    for block in blocks:
        tally.add(block)
    tally.closed()
    return tally.state()


@pytest.mark.parametrize("scheme", SCHEMES)
def test_a_trial_of_many_stretches_is_left_as_its_first_edge_comes(scheme, left):
    make, values = SCHEMES[scheme]
    rare = {"transient": [RARE | {"rate": "5 kHz"}]}
    scenario = make({"conversions": 200, "trials": 6, **values, **BOTH, **FALSE, **rare})
    blocks = list(EventEngine().run(scenario, range(6), words=True))
    expected, added = joined(blocks), sums(blocks, scenario)
    with short_stretches():
        run = BatchEngine().run(scenario, range(6), words=True)
        # How many had been left, too, as each block was handed over.
        handed = [(len(left), block) for block in run]
    blocks = [block for _, block in handed]
    assert unlike(joined(blocks), expected) == []
    for name, value in sums(blocks, scenario).items():
        assert np.array_equal(value, added[name]), name
    # One event in 200 conversions: some have an edge, and much of them has gone out before.
    assert 0 < len(left) <= 6
    before = sum(block.count for number, block in handed if not number)
    assert before >= 4


def test_the_counters_of_a_trial_that_was_left_are_not_the_next_one_s():
    """Of trials walked one after the other, in the same place, some have a false trigger."""
    values = {"check.sequence_bits": 2, **FORWARD, **FALSE}
    scenario = chain({"conversions": 30, "trials": 8, **values})
    with short_stretches():
        found = records_of(BatchEngine(), scenario)
    errors = found["counter_error"].any(axis=1)
    assert 0 < errors.sum() < 8
    assert unlike(found, records_of(EventEngine(), scenario)) == []


@pytest.mark.parametrize("words", [False, True])
@pytest.mark.parametrize(
    ("make", "values", "last", "leaves"),
    [
        # The base chain's second and last conversion is read from 2406 to 2566 ns; its trigger
        # left at 2000. Whatever comes once it has been read comes to nothing.
        (chain, FORWARD, 2566 * NS, True),
        (chain, FORWARD, 2566 * NS + 1, False),
        (chain, RETURN, 2566 * NS, True),
        (chain, RETURN, 2566 * NS + 1, False),
        # Without a strobe nothing is made on the way back, nor on that of packets.
        (chain, RETURN | {"barrier.return.strobe": False}, 1700 * NS, False),
        (chain, PACKETS, 1700 * NS, False),
        # A remote timer's trigger crosses no barrier.
        (chain, FORWARD | {"trigger.source": "remote"}, 1700 * NS, False),
    ],
)
def test_a_trial_is_left_for_an_edge_up_to_its_end(make, values, last, leaves, words, left):
    scenario = make(at({"conversions": 2, "barrier.false_edge": 1, **values}, last, swing=1))
    found = records_of(BatchEngine(), scenario, words)
    assert left == ([0] if leaves else [])
    assert unlike(found, records_of(EventEngine(), scenario, words)) == []


@pytest.mark.parametrize("values", [{}, RETURNED])
def test_a_window_that_opens_once_all_is_over_leaves_no_trial(values, left):
    # The last of four conversions is read up to 4408 or 4410 ns.
    late = at({"conversions": 4, "barrier.false_edge": 1, **values, **BOTH}, 4900 * NS, swing=1)
    scenario = serial(late)
    assert unlike(records_of(BatchEngine(), scenario), records_of(EventEngine(), scenario)) == []
    assert left == []


def test_frames_parted_behind_a_false_edge_are_those_of_the_event_engine(left):
    """A false strobe at 1700 ns begins a frame of one bit, which a gap ends. Bit i of the second
    conversion comes at 2240 + 20 i ns; the strobe of bit 2, sent at 2275, is lost, and a gap parts
    bit 3 from the first two: both frames come in one stretch."""
    values = {"conversions": 2, "fifo.release_bits": 2, "fifo.realign_gap": "25 ns"}
    scenario = chain(at(RETURN | values | {"barrier.false_edge": 1}, 1700 * NS, 2276 * NS))
    found = records_of(BatchEngine(), scenario)
    assert left == [0]
    assert found["unrequested"]["after"].tolist() == [0, 1]
    assert found["unrequested"]["fate"].tolist() == [Fate.NOT_RECEIVED] * 2
    assert unlike(found, records_of(EventEngine(), scenario)) == []


@pytest.mark.parametrize("time", [1306 * NS, 2306 * NS, 3999 * NS, 4001 * NS])
def test_edges_while_the_last_conversion_waits_for_its_fate(time):
    # Two of two conversions wait for a third: the last one's bits come up to 2306 ns.
    values = {"conversions": 2, "host.watermark": 3, "fifo.depth": 4, "barrier.false_edge": 1}
    for way in (FORWARD, RETURN):
        scenario = chain(at(values | way, time, swing=1))
        assert differences(scenario) == []


def test_an_edge_that_is_not_drawn_leaves_no_trial(left):
    values = {"conversions": 500, "trials": 4, **FORWARD, **FALSE}
    scenario = chain(values | {"barrier.false_edge": 1e-9})
    assert unlike(records_of(BatchEngine(), scenario), records_of(EventEngine(), scenario)) == []
    assert left == []


@pytest.mark.parametrize("chance", [1, 0.4])
def test_the_first_edge_is_the_first_that_is_drawn(chance):
    """Looked for in pieces, with windows let go, it is the first of all that are made."""
    values = {"conversions": 500, **BOTH, "barrier.false_edge": chance, "transient": [RARE] * 2}
    scenario = serial(RETURNED | values)
    assert channels(scenario) == [
        ("forward", "trigger"), ("return", "busy"), ("forward", "clock"), ("return", "returned"),
    ]  # fmt: skip
    for way, name in channels(scenario):
        whole = FalseEdges(scenario, 3, Upsets(scenario, 3), way, name)
        made = whole.take_before(10**12)
        assert len(made) > 3
        pieces = FalseEdges(scenario, 3, Upsets(scenario, 3), way, name)
        found, known = [], -1
        while known < 10**12 - 1:
            upto = min(known + 3 * 10**9, 10**12 - 1)
            first = pieces.first(known, upto)
            if first <= upto:
                found.append(first)
                upto = first
            known = upto
        assert found == made


@settings(max_examples=max(1, MANY // 2))
@given(taken(), st.integers(0, 2**31))
def test_random_false_edges_that_are_rare(scenario, seed):
    rare = {"transient": [RARE | {"rate": "30 kHz"}], "barrier.false_edge": 1, "seed": seed}
    scenario = scenario.with_values(rare)
    assert differences_across_stretches(scenario) == []
