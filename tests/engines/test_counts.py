"""What the host takes a frame for: its own counts, and how they go wrong."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings

from simlink.base.instants import NEVER
from simlink.engines.event.counts import HostCounts
from simlink.engines.event.wiring import Chain, blank
from simlink.records import Fate
from tests.conftest import MANY
from tests.engines.chain import TIGHT, chain, noting_beliefs
from tests.strategies import scenarios


def believed(scenario):
    """Return (true conversion, what the host takes it for) of every frame read, in order."""
    block = blank(scenario, 0, words=False)
    made = Chain(scenario, 0, block)
    found = noting_beliefs(made)
    made.run()
    ends = block.read_end[0]
    order = [int(k) for k in np.argsort(ends, kind="stable") if ends[k] != NEVER]
    assert made.counts.frames == len(order)
    return list(zip(order, found, strict=True)), made.counts, block


def test_a_frame_is_the_oldest_unanswered_trigger():
    counts = HostCounts(from_host=True, idle_puts_right=False)
    for number in range(3):
        counts.triggered(number)
    counts.released()
    assert (counts.read(idle=False), counts.read(idle=False)) == (0, 1)
    assert (counts.triggers, counts.releases, counts.frames) == (3, 1, 2)
    assert list(counts.unanswered) == [2]


def test_an_idle_link_strikes_all_off_where_that_puts_the_host_right():
    for puts_right, left in ((True, []), (False, [1])):
        counts = HostCounts(from_host=True, idle_puts_right=puts_right)
        counts.triggered(0)
        counts.triggered(1)
        assert counts.read(idle=True) == 0
        assert list(counts.unanswered) == left


def test_a_timeout_strikes_its_trigger_off():
    counts = HostCounts(from_host=True, idle_puts_right=False)
    counts.triggered(0)
    counts.triggered(1)
    counts.gave_up(0)
    assert counts.read(idle=False) == 1
    # Its frame comes after all, and so does a timeout of what has been answered.
    counts.gave_up(1)
    assert counts.read(idle=False) is None


def test_with_a_remote_timer_releases_count():
    counts = HostCounts(from_host=False, idle_puts_right=False)
    counts.released()
    counts.released()
    assert (counts.read(idle=False), counts.read(idle=False), counts.read(idle=False)) == (
        0,
        1,
        None,
    )


def test_a_missed_trigger_makes_every_later_frame_another():
    """Every other trigger of 4 is missed: frames 0 and 2 are read, and taken for 0 and 1."""
    found, counts, _ = believed(
        chain(TIGHT | {"conversions": 4, "converter.conversion_time": "166 ns"})
    )
    assert found == [(0, 0), (2, 1)]
    assert (counts.triggers, counts.releases, counts.frames) == (4, 2, 2)


def test_a_frame_that_comes_after_it_was_given_up_is_taken_for_the_next():
    """Released 1100 after each trigger, given up after 1000: then the next one is unanswered."""
    late = {"conversions": 2, "fifo.sync_delay": "800 ns", "host.timeout": "1 us"}
    found, _, block = believed(chain(late))
    assert block.timed_out[0].tolist() == [True, True]
    assert found == [(0, 1), (1, None)]


@settings(max_examples=MANY // 5)
@given(scenarios(trials=1))
def test_the_host_is_right_as_long_as_nothing_goes_wrong(scenario):
    """Without a jitter that reorders triggers, or a trigger, release or frame that is missing."""
    found, _, block = believed(scenario)
    sent = block.trigger[0][block.trigger[0] != NEVER]
    if (np.diff(sent) < 0).any() or block.timed_out.any():
        return
    if scenario.trigger.source == "host":
        wrong = np.isin(block.fate[0], [Fate.MISSED_TRIGGER, Fate.OVERRUN])
        first = int(np.argmax(wrong)) if wrong.any() else len(wrong)
        assert all(taken == true for true, taken in found if true < first)
