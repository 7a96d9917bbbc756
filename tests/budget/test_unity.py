"""Budget and simulation are one: on random scenarios neither contradicts the other.

Unit by unit, since the units of a budget are those of a run. What is drawn for each edge or each
conversion is taken at the ends of its law, which is why jitter without a bound is left out there.
"""

from __future__ import annotations

import math
import os
from collections import Counter

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simlink.base.errors import InputError
from simlink.base.instants import NEVER
from simlink.budget import budget, rates
from simlink.budget.terms import taken
from simlink.budget.verdict import judge
from simlink.engines.batch import BatchEngine
from simlink.figures.cycle import total
from simlink.records import Fate
from tests.engines.agreement import records_of
from tests.engines.host_clocked_scenarios import serial_scenarios
from tests.engines.test_strobe import strobed
from tests.strategies import scenarios

#: How many random scenarios; raise it by hand.
MANY = int(os.environ.get("SIMLINK_MANY") or 60)
#: What rounding edges to the femtosecond, each once, may come to in a margin.
ROUNDED = 4

#: What a data sheet asks of the clock, which changes no simulation.
ASKED = dict.fromkeys(f"converter.min_clock_{name}" for name in ("period", "high", "low"))

every_scheme = st.one_of(scenarios(), serial_scenarios(), strobed()).map(
    lambda scenario: scenario.with_values(ASKED)
)


def budget_of(scenario):
    """Return the budget of a scenario's own scheme, None if its jitter is none that it splits."""
    try:
        one = budget(scenario, trials=scenario.trials)[scenario.link.scheme]
        for margin in one.margins:
            margin.random(one.ber)
    except InputError:
        return None
    return one


def left_at_best(one, margin):
    """Return what a margin leaves in each unit with every edge and conversion at its best, fs."""
    found = one.built.left(margin, one.clock, one.ber) + margin.random(one.ber)
    for term in margin.terms:
        if term.drawn != "unit":
            ends = term.laws[0].support
            found = found + float(term.worst) - min(float(taken(term.enters, end)) for end in ends)
    return found


def may_wait(scenario, margin):
    """Tell whether a first bit may be captured later than the budget reckons.

    A host that is still reading, and a master that waits for a credit, come later.
    """
    scheme, full = scenario.link.scheme, scenario.fifo.when_full
    by_master = scheme == "remote_master" and full != "stall"
    return any(term.drawn == "conversion" for term in margin.terms) and not by_master


def cut_off(scenario):
    """Tell whether some edge would come before it was sent, and is held back to that instant.

    Only a falling one, or the strobe beside lanes that are given skews; no part does so.
    """
    for way in ("forward", "return"):
        channel = scenario.barrier.direction(way)
        skews = channel.lane_skews(scenario.frame.lanes)
        least = sum(law.support[0] for law in (channel.delay, channel.part_to_part_skew))
        jitter = channel.jitter.support[0]
        least += min(0, min(law.support[0] for law in skews)) + (
            0 if math.isinf(jitter) else jitter
        )
        if least + min(0, channel.pulse_width_distortion.support[0]) < 0:
            return True
    return False


def keeps_too_long(scenario):
    """Tell whether a bit may still be held as the next frame's first one comes, and hold it back.

    A converter that holds its data for longer than it converts is none.
    """
    converter = scenario.converter
    by_host = scenario.link.scheme != "remote_master"
    return by_host and converter.data_hold.support[1] > converter.conversion_time.support[0]


def check_right(scenario, one, seen):
    """A unit that keeps every margin whatever is drawn has no wrong bit; one that never keeps one
    of them delivers no frame."""
    if cut_off(scenario) or keeps_too_long(scenario):
        return
    right = np.ones(scenario.trials, dtype=bool)
    wrong = {}
    for margin in one.margins:
        right &= one.built.left(margin, one.clock, one.ber) >= ROUNDED
        if margin.random(one.ber):
            right &= False
        elif not may_wait(scenario, margin):
            wrong[margin.name] = left_at_best(one, margin) < -ROUNDED
    fates = records_of(BatchEngine(), scenario, words=False)["fate"]
    for trial in range(scenario.trials):
        if right[trial]:
            assert Fate.CORRUPTED not in fates[trial], trial
            seen["right"] += Fate.DELIVERED in fates[trial]
        broken = [name for name, which in wrong.items() if which[trial]]
        if broken:
            assert Fate.DELIVERED not in fates[trial], (trial, broken)
            seen["wrong"] += Fate.CORRUPTED in fates[trial]


def alone(scenario, found):
    """Tell which frames were read without having waited for another: bool, (T, conversions)."""
    read = found["read_end"] != NEVER
    if scenario.link.scheme != "remote_master":
        return read & (found["service"] <= found["release"])
    read &= found["service"] == found["release"]
    if scenario.fifo.when_full == "stall":
        # With a credit, and not held back for one.
        read &= np.arange(scenario.conversions) < scenario.fifo.depth
    return read


def check_latency(scenario, one, seen):
    """What a frame that waits for no other takes lies within the budget's worst."""
    way = rates.latency(scenario, one.scheme, one.clock)
    longest = total(piece.largest for piece in way)
    found = records_of(BatchEngine(), scenario, words=False)
    which = alone(scenario, found)
    if not which.any() or math.isinf(longest):
        return
    seen["latency"] += 1
    took = (found["read_end"] - found["trigger"])[which].max()
    assert took <= longest + ROUNDED, (took / 1e6, float(longest) / 1e6)


def check_rate(scenario, one, seen):
    """A rate that the budget says is met misses no trigger."""
    found = judge(one)
    seen[f"meets {found.meets}"] += 1
    stalls = one.scheme == "remote_master" and scenario.fifo.when_full == "stall"
    if not found.meets or one.used != one.clock or stalls or "has no bound" in found.why:
        return
    fates = records_of(BatchEngine(), scenario, words=False)["fate"]
    assert Fate.MISSED_TRIGGER not in fates, found.why
    assert one.scheme == "remote_master" or Fate.OVERRUN not in fates, found.why


@pytest.mark.parametrize("check", [check_right, check_latency, check_rate])
def test_budget_and_simulation_are_one(check):
    seen = Counter()

    @settings(max_examples=MANY, database=None)
    @given(every_scheme)
    def compare(scenario):
        one = budget_of(scenario)
        if one is not None:
            check(scenario, one, seen)

    compare()
    for wanted in WANTED[check]:
        assert seen[wanted] >= MANY // 30, seen


#: What has to come about for a comparison to say anything.
WANTED = {
    check_right: ("right", "wrong"),
    check_latency: ("latency",),
    check_rate: ("meets True", "meets False"),
}
