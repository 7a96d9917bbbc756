"""Both engines agree over runs that are long beside the batch engine's stretches.

The random scenarios of the equivalence test are short. These few reach what only a long run
does: queues hundreds of frames deep, waits across many stretches, recordings that wrap, a host
that never comes back.
"""

from __future__ import annotations

import numpy as np
import pytest

from simlink.base.instants import NEVER
from simlink.engines.batch import BatchEngine, engine
from simlink.engines.event import EventEngine
from simlink.link import unit
from simlink.records import Fate
from tests.engines.agreement import records_of, short_stretches, unlike
from tests.engines.chain import chain

LONG = 5_000
#: Conversions of a stretch here: a run has 78 of them and a few, and its rings begin with two.
STRETCH = 64

#: One short word, so that two long trials are quick on the event engine too.
QUICK = {
    "conversions": LONG,
    "trials": 2,
    "frame.word_bits": 2,
    "remote_clock.start_delay": "5 ns",
    "host.clock": "50 MHz",
}
#: A host that needs nearly the whole period on average and is away for long now and then.
BUSY = {"shape": "exponential", "mean": "880 ns"}
AWAY = {
    "shape": "two_state",
    "normal": {"shape": "uniform", "low": "100 ns", "high": "1200 ns"},
    "stalled": {"shape": "uniform", "low": "50 us", "high": "400 us"},
    "spacing": {"shape": "geometric", "mean": 300},
}


def both(values):
    """Run both engines, see that they agree, and return the records by column.

    Returns
    -------
    scenario : Scenario
    records : dict of str to ndarray
    widened : int
        How often the batch engine's rings had to be made longer.
    """
    scenario = chain(QUICK | values)
    events = records_of(EventEngine(), scenario)
    assert unlike(records_of(BatchEngine(), scenario), events) == []
    with short_stretches(STRETCH) as done:
        assert unlike(records_of(BatchEngine(), scenario), events) == []
    assert done.count("step") == scenario.trials * -(-scenario.conversions // STRETCH)
    return scenario, events, done.count("widen")


def deepest_wait(found):
    """Return how many conversions later than its own trigger the longest held frame is read."""
    deepest = 0
    for triggers, ends in zip(found["trigger"], found["read_end"], strict=True):
        read = np.flatnonzero(ends != NEVER)
        at = np.searchsorted(np.sort(triggers), ends[read])
        deepest = max(deepest, int((at - read).max()))
    return deepest


def seen(found, fate):
    return int((found["fate"] == fate).sum())


@pytest.mark.parametrize("latency", [BUSY, AWAY], ids=["busy", "away"])
@pytest.mark.parametrize("when_full", ["drop_new", "drop_old", "stall"])
def test_policies_over_many_stretches(when_full, latency):
    _, found, _ = both(
        {"fifo.when_full": when_full, "fifo.depth": 12, "host.service_latency": latency}
    )
    lost = Fate.MISSED_TRIGGER if when_full == "stall" else Fate.OVERRUN
    assert seen(found, lost) > 20
    assert seen(found, Fate.DELIVERED) > LONG


@pytest.mark.parametrize("when_full", ["drop_new", "drop_old", "stall"])
@pytest.mark.parametrize("depth", [64, 65, 100])
def test_deep_backlogs(when_full, depth):
    """As deep as a stretch is long, or deeper, so that a frame waits across stretches."""
    _, found, widened = both(
        {"fifo.when_full": when_full, "fifo.depth": depth, "host.service_latency": AWAY}
    )
    assert seen(found, Fate.MISSED_TRIGGER if when_full == "stall" else Fate.OVERRUN) > 0
    assert found["occupancy_at_arrival"].max() >= depth - 1
    if when_full == "drop_new":
        assert found["occupancy_at_arrival"].max() == depth
    if depth > STRETCH:
        assert deepest_wait(found) > STRETCH
    # A frame that is sure to be read next is settled before it is read; one that may still be
    # discarded waits in a ring, which begins with two stretches.
    assert (widened > 0) is (when_full == "drop_old" and depth == 100)


@pytest.mark.parametrize("drain", [False, True])
def test_watermark_groups(drain):
    _, found, _ = both(
        {
            "fifo.when_full": "drop_old",
            "fifo.depth": 40,
            "host.watermark": 37,
            "host.drain": drain,
            "host.service_latency": {"shape": "uniform", "low": "100 ns", "high": "10 us"},
        }
    )
    assert seen(found, Fate.OVERRUN) > 0
    assert seen(found, Fate.IN_FLIGHT) > 0


def test_edges_under_jitter_wider_than_the_period():
    """Triggers overtake one another by many periods, and a fall of busy is one only if none

    of those still to come has left already.
    """
    _, found, _ = both(
        {
            "host.interrupt": "edge",
            "fifo.depth": 6,
            "trigger.jitter": {"shape": "normal", "mean": "0 ns", "sigma": "8 us"},
            "converter.conversion_time": "60 ns",
            "host.service_latency": {"shape": "exponential", "mean": "300 ns"},
        }
    )
    assert (np.diff(found["trigger"], axis=1) < 0).mean() > 0.3
    assert seen(found, Fate.OVERRUN) > 0
    assert seen(found, Fate.DELIVERED) > 0


@pytest.mark.parametrize("interrupt", ["level", "edge"])
def test_poisson_triggers_with_jitter(interrupt):
    _, found, _ = both(
        {
            "trigger.pattern": "poisson",
            "trigger.jitter": {"shape": "normal", "mean": "0 ns", "sigma": "3 us"},
            "fifo.when_full": "drop_old",
            "fifo.depth": 3,
            "host.interrupt": interrupt,
            "host.service_latency": {"shape": "exponential", "mean": "1 us"},
        }
    )
    assert seen(found, Fate.MISSED_TRIGGER) > 0
    assert seen(found, Fate.OVERRUN) > 0


def test_triggers_of_a_remote_timer_with_jitter():
    _, found, _ = both(
        {
            "trigger.source": "remote",
            "trigger.jitter": {"shape": "normal", "mean": "0 ns", "sigma": "3 us"},
            "host.interrupt": "edge",
            "host.service_latency": BUSY,
        }
    )
    assert seen(found, Fate.MISSED_TRIGGER) > 0


def test_recordings_that_wrap(recording):
    """A prime number of rows, replayed some hundred times, a row further on each time."""
    rows = [(k * 7919) % 1900 for k in range(97)]
    latency = recording(rows)
    bits = recording([k % 13 for k in range(11)])
    _, found, _ = both(
        {
            "fifo.when_full": "stall",
            "host.service_latency": latency,
            "barrier.return.jitter": bits,
            "barrier.return.delay": "15 ns",
        }
    )
    assert seen(found, Fate.MISSED_TRIGGER) > 0


@pytest.mark.parametrize("pattern", ["periodic", "after_read"])
def test_timeouts_far_longer_than_a_stretch(pattern):
    """About 300 periods of a microsecond, where a stretch is 64."""
    values = {"host.timeout": "300 us", "fifo.depth": 3, "host.service_latency": AWAY}
    values |= {"fifo.sync_delay": {**AWAY, "stalled": "310 us", "normal": "6 ns"}}
    if pattern == "after_read":
        values |= {"trigger.pattern": "after_read", "trigger.rate": None, "trigger.gap": "700 ns"}
    _, found, widened = both(values)
    assert 0 < found["timed_out"].sum() < LONG
    # Whether one of many periods is given up is known only much later, in a loop at once.
    assert widened == (4 if pattern == "periodic" else 0)


#: Each release comes a little after the next trigger has left, so busy never falls.
DEAF = {
    "host.interrupt": "edge",
    "fifo.depth": 3,
    "fifo.sync_delay": "60 ns",
    "trigger.rate": "4 MHz",
    "converter.conversion_time": "165 ns",
    "host.service_latency": "100 ns",
}


@pytest.mark.parametrize("timeout", [None, "240 ns", "300 us"])
@pytest.mark.parametrize("when_full", ["drop_new", "drop_old", "stall"])
def test_a_host_that_never_comes(when_full, timeout):
    values = DEAF | {"fifo.when_full": when_full, "conversions": LONG // 4}
    if timeout is not None:
        values["host.timeout"] = timeout
    _, found, _ = both(values)
    assert (found["read_end"][:, : -LONG // 8] == NEVER).all()
    assert seen(found, Fate.MISSED_TRIGGER if when_full == "stall" else Fate.OVERRUN) > LONG // 3


@pytest.mark.parametrize("when_full", ["drop_new", "drop_old", "stall"])
def test_what_waits_for_ever_takes_no_memory(when_full):
    """Rows are handed over though the frames ahead of them are never read."""
    scenario = chain(QUICK | DEAF | {"fifo.when_full": when_full, "host.timeout": "30 us"})
    with short_stretches(STRETCH):
        walk = engine.Walk(scenario, unit.build(scenario, range(2)), False)
        assert sum(len(block.trials) * block.count for block in walk.run()) == 2 * LONG
    # The timeout alone would keep 120 conversions open, did the host still come.
    assert walk.records.shape == walk.notes.shape == (1, 2 * STRETCH)


def test_deep_fifos_take_no_more_memory_than_shallow_ones():
    scenario = chain(QUICK | {"fifo.depth": 10**6, "fifo.when_full": "drop_old"})
    scenario = scenario.with_(trials=3, conversions=5)
    assert [block.trials for block in BatchEngine().run(scenario, range(3), words=False)] == [
        range(0, 1),
        range(1, 2),
        range(2, 3),
    ]


@pytest.mark.parametrize("when_full", ["drop_new", "stall"])
def test_loops_that_time_out_now_and_then(when_full):
    _, found, _ = both(
        {
            "trigger.pattern": "after_read",
            "trigger.rate": None,
            "trigger.gap": {"shape": "exponential", "mean": "300 ns"},
            "fifo.when_full": when_full,
            "fifo.depth": 2,
            "host.timeout": "2 us",
            "host.service_latency": {"shape": "exponential", "mean": "1 us"},
            "fifo.sync_delay": {"shape": "exponential", "mean": "300 ns"},
        }
    )
    assert found["timed_out"].sum() > 0
