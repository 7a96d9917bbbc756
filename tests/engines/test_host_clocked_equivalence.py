"""Both engines give the same records of a forwarded and of a returned clock."""

import os

import numpy as np
import pytest
from hypothesis import given, settings

from simlink.base.instants import NEVER
from simlink.engines.batch import BatchEngine, engine
from simlink.engines.batch.draws import Draws, conversion_columns
from simlink.engines.batch.reads import read_columns
from simlink.engines.event import EventEngine
from simlink.link import unit
from simlink.records import RECORD, Fate
from tests.engines.agreement import (
    differences,
    differences_across_stretches,
    records_of,
    short_stretches,
)
from tests.engines.chain import NS, chain
from tests.engines.host_clocked_scenarios import serial, serial_scenarios

#: How many random scenarios are compared; raise it by hand.
MANY = int(os.environ.get("SIMLINK_MANY") or 400)


@settings(max_examples=MANY)
@given(serial_scenarios())
def test_the_engines_agree(scenario):
    assert BatchEngine().refuses(scenario) is None
    assert differences(scenario) == []


def test_busy_that_rises_late_may_hold_its_fall_back():
    """It rises 150 to 250 ns into a conversion of 200; of jitter the fall never comes first."""
    scenario = serial(
        {
            "conversions": 100,
            "trials": 2,
            "converter.busy_delay": {"shape": "uniform", "low": "150 ns", "high": "250 ns"},
            "barrier.return.jitter": {"shape": "uniform", "low": "-12 ns", "high": "40 ns"},
        }
    )
    assert differences(scenario) == []


@settings(max_examples=max(1, MANY // 2))
@given(serial_scenarios())
def test_the_engines_agree_across_the_batch_engine_s_stretches(scenario):
    assert differences_across_stretches(scenario) == []


#: 8-bit words read by 25 MHz; 2 us from trigger to trigger and a read of less than 1 us.
UNTROUBLED = {
    "conversions": 200,
    "trials": 4,
    "trigger.rate": "500 kHz",
    "frame.word_bits": 8,
    "remote_clock.start_delay": None,
    "fifo.depth": None,
    "host.capture": "whole",
    "host.service_latency": {"shape": "uniform", "low": "100 ns", "high": "300 ns"},
}
READ = [Fate.DELIVERED, Fate.CORRUPTED]
JITTER = {"shape": "normal", "mean": "0 ps", "sigma": "200 ps"}
#: Stalls that outlast the next trigger, once in a hundred services or so.
STALLS = {
    "shape": "two_state",
    "normal": "100 ns",
    "stalled": {"shape": "uniform", "low": "100 ns", "high": "4 us"},
    "spacing": {"shape": "geometric", "mean": 150},
    "length": 1,
}


@pytest.mark.parametrize("scheme", ["forwarded_clock", "returned_clock"])
@pytest.mark.parametrize("jitter", [None, JITTER])
def test_reads_that_nothing_disturbs(scheme, jitter):
    values = {"link.scheme": scheme, "barrier.forward.jitter": jitter}
    scenario = chain(UNTROUBLED | values | {"barrier.return.jitter": jitter})
    assert differences(scenario) == []
    assert differences_across_stretches(scenario) == []
    # With jitter, a capture at the very edge that takes the bit away may come too late.
    assert np.isin(records_of(BatchEngine(), scenario)["fate"], READ).all()


@pytest.mark.parametrize("jitter", [None, JITTER])
def test_disturbances_now_and_then(jitter):
    """Long quiet spells, in each trial others, between frames that are overwritten."""
    values = {"link.scheme": "returned_clock", "conversions": 1000, "host.timeout": "700 ns"}
    values |= {"barrier.return.jitter": jitter, "host.service_latency": STALLS}
    scenario = chain(UNTROUBLED | values)
    assert differences(scenario) == []
    assert differences_across_stretches(scenario) == []
    lost = (~np.isin(records_of(BatchEngine(), scenario)["fate"], READ)).sum(axis=1)
    assert len(set(lost.tolist())) > 2
    assert (lost < 100).all()


@pytest.mark.parametrize(
    "values",
    [
        {"link.scheme": "forwarded_clock"},
        {"link.scheme": "returned_clock"},
        {"link.scheme": "remote_master", "host.capture": None, "fifo.when_full": "drop_new"},
        {"link.scheme": "remote_master", "host.capture": None, "fifo.when_full": "drop_old"},
    ],
)
def test_the_longest_trials(values):
    """Instants up to 8000 s; 2.5 h is the limit."""
    long = {"trigger.rate": "0.00125 Hz", "conversions": 10, "trials": 1}
    scenario = chain(UNTROUBLED | long | values)
    assert differences(scenario) == []
    (block,) = BatchEngine().run(scenario, range(1), words=False)
    assert (block.fate == Fate.DELIVERED).all()


#: Everything at once: what a trigger sets going is over in the instant in which it arrives.
AT_ONCE = {
    "converter.conversion_time": "0 s",
    "barrier.forward.delay": "0 s",
    "barrier.return.delay": "0 s",
    "fifo.sync_delay": "0 s",
    "host.service_latency": "0 s",
}


@pytest.fixture(params=[1, 64])
def stretch(request):
    """Walk one conversion at a time, or all: what binds two reads lies between two stretches."""
    with short_stretches(request.param):
        yield


def triggers(gap, values):
    """Return three triggers a gap apart, from 1000 ns on, each of 3 bits read by 50 MHz."""
    law = {"trigger.pattern": "burst", "trigger.burst_length": 1, "trigger.gap": gap}
    return serial(law | {"conversions": 3} | values)


@pytest.mark.parametrize(
    ("gap", "values", "late"),
    [
        # Trigger 1 comes during the read from 1000 to 1060; it expires as trigger 2 is released.
        ("40 ns", {"host.timeout": "40 ns"}, [False, True, False]),
        ("40 ns", {"host.timeout": "40000001 fs"}, [False, False, False]),
        # Every trigger expires at the instant in which it arrives, and is released.
        ("500 ns", {"host.timeout": "40 ns", "barrier.forward.delay": "40 ns"}, [True] * 3),
        (
            "500 ns",
            {
                "trigger.pattern": "after_read",
                "trigger.rate": None,
                "trigger.burst_length": None,
                "host.timeout": "40 ns",
                "barrier.forward.delay": "40 ns",
            },
            [True] * 3,
        ),
    ],
)
@pytest.mark.usefixtures("stretch")
def test_a_timeout_comes_before_what_arrives_at_its_instant(gap, values, late):
    scenario = triggers(gap, AT_ONCE | values)
    assert differences(scenario) == []
    (block,) = EventEngine().run(scenario, range(1), words=False)
    assert block.timed_out[0].tolist() == late


@pytest.mark.parametrize(("gap", "latency"), [("30 ns", "0 s"), ("25 ns", "5 ns")])
def test_a_clock_that_is_not_heard_moves_no_line(gap, latency):
    """Frame 0 is overwritten at 1040 or 1035, around the start of its clock at 1033 or 1038.

    See the event engine's own test; with the second gap bit 0 of frame 1 is there from
    1040 + 14 = 1054 on and captured at 1073, and the lost clock would have held it back to 1081.
    """
    values = {"frame.word_bits": 1, "converter.conversion_time": "5 ns", "host.capture": "half"}
    scenario = triggers(gap, values | {"host.service_latency": latency, "conversions": 2})
    assert differences(scenario) == []
    (block,) = BatchEngine().run(scenario, range(1), words=False)
    assert block.fate[0].tolist() == [Fate.OVERRUN, Fate.DELIVERED]


@pytest.mark.parametrize(
    ("values", "binds"),
    [
        ({"link.scheme": "returned_clock"}, True),
        ({"link.scheme": "forwarded_clock"}, False),
        ({"link.scheme": "forwarded_clock", "converter.data_hold": "100 ns"}, True),
        ({"link.scheme": "forwarded_clock", "host.capture": "600 ns"}, True),
    ],
)
@pytest.mark.usefixtures("stretch")
def test_a_late_edge_or_capture_holds_the_next_read_back(recording, values, binds):
    """One bit every 460 ns, and 400 ns of return jitter now and then: no read meets a trigger.

    Frame 0's busy falls 400 late, so its clock starts at 10 + 12 + 400 = 422 after its trigger
    came and is over at the converter at 452, before the next one at 460. It comes back as late
    again, 864; the clock of frame 1, unless held back by that, at 460 + 22 + 20 + 12 = 514.
    The lane's last edge is late in frame 1, whose bit goes 42 + 12 + 400 after its trigger came,
    or with a longer hold 99 later: then bit 0 of frame 2, due at 460 + 24, has to wait.
    A host that captures after 600 ns is not free when the next frame is released, at 460 + 22.
    """
    late = [0, 400, 0, 0, 0, 0]
    quick = {"frame.word_bits": 1, "converter.conversion_time": "10 ns", "fifo.sync_delay": "0 s"}
    quick |= {"host.service_latency": "0 s", "host.capture": "half", "conversions": 12}
    quick |= values | {"barrier.return.jitter": recording(late)}
    scenario = triggers("460 ns", quick)
    assert differences(scenario) == []
    # What a frame comes to on its own, counted from its trigger: the same draws, far apart.
    near, alone = (records_of(BatchEngine(), one) for one in (scenario, triggers("10 us", quick)))

    def course(found, name):
        return found[name].ravel() - found["trigger"].ravel()

    for name in ("aperture", "ready", "release"):
        assert (course(near, name) == course(alone, name)).all()
    changed = [
        (course(near, name) != course(alone, name)).any()
        for name in ("read_start", "read_end", "first_bit", "last_bit")
    ]
    changed.append((near["fate"] != alone["fate"]).any())
    assert bool(np.any(changed)) is binds


@pytest.mark.usefixtures("stretch")
def test_a_clock_swallowed_whole_guards_no_frame(recording):
    """One bit every 460 ns, captured 440 ns after its clock starts at 22: at 462.

    Where a pulse's rising edge comes 6 ns late, its 10 ns are 4 and the channel wants 5: no clock
    arrives, and the next trigger overwrites the frame 2 ns before the host is done with it.
    """
    late = [0, 0, 0, 0, 6, 0, 0]
    values = {
        "frame.word_bits": 1,
        "converter.conversion_time": "10 ns",
        "fifo.sync_delay": "0 s",
        "host.service_latency": "0 s",
        "host.capture": "440 ns",
        "conversions": 12,
        "barrier.forward.jitter": recording(late),
        "barrier.forward.min_pulse": "5 ns",
    }
    scenario = triggers("460 ns", values)
    assert differences(scenario) == []
    fates = records_of(BatchEngine(), scenario)["fate"][0]
    # Frame k's rising edge takes draw 2 k of 7: 4 for k = 2 and 9.
    assert np.flatnonzero(fates == Fate.OVERRUN).tolist() == [2, 9]


@pytest.mark.parametrize(
    ("msb_valid", "fate"), [("113 ns", Fate.DELIVERED), ("113000001 fs", Fate.CORRUPTED)]
)
def test_the_first_bit_is_there_at_the_last_instant(msb_valid, fate):
    """Captured 12 + 6 + 100 + 10 after busy falls, with 3 of setup: it may be 125 late, 12 of them
    on the way."""
    values = {"frame.word_bits": 1, "host.capture": "half", "converter.msb_valid": msb_valid}
    scenario = serial(values)
    assert differences(scenario) == []
    (block,) = BatchEngine().run(scenario, range(1), words=False)
    assert block.fate.tolist() == [[fate]]


def test_a_loop_s_trigger_never_overtakes_the_one_before(recording):
    """Trigger 0 leaves at 10 ns, is given up at 110 and arrives at 420; trigger 1 leaves at 120.

    Alone it would arrive at 130. Behind trigger 0 it finds a conversion that takes no time over.
    """
    values = {
        "trigger.pattern": "after_read",
        "trigger.rate": None,
        "trigger.gap": "10 ns",
        "converter.conversion_time": "0 s",
        "host.timeout": "100 ns",
        "barrier.forward.jitter": recording([400, 0, 0, 0, 0, 0, 0]),
        "conversions": 8,
    }
    scenario = serial(values)
    assert differences(scenario) == []
    (block,) = BatchEngine().run(scenario, range(1), words=False)
    assert block.fate[0, 0] == Fate.OVERRUN
    assert (block.aperture[0, :2] == 420 * NS).all()


def test_a_host_that_is_never_told_takes_no_memory():
    """Every frame is overwritten before its release; rows are handed over all the same."""
    values = {"trigger.rate": "10 MHz", "converter.conversion_time": "50 ns", "conversions": 3000}
    scenario = serial(values | {"fifo.sync_delay": "1 us", "host.timeout": "500 ns"})
    with short_stretches(64) as done:
        walk = engine.Walk(scenario, unit.build(scenario, range(1)), False)
        fates = np.concatenate([block.fate[0].copy() for block in walk.run()])
    assert len(fates) == 3000
    assert (fates[:-1] == Fate.OVERRUN).all()
    assert done.count("step") == -(-3000 // 64)
    # The newest is still to be released, and five are not given up yet.
    assert walk.records.shape == (1, 128)


@pytest.mark.parametrize("scheme", ["forwarded_clock", "returned_clock"])
@pytest.mark.parametrize("way", ["forward", "return"])
def test_clock_pulses_swallowed_now_and_then(scheme, way):
    """Half a period is 20 ns; jitter of 1 ns takes 3 from one pulse in sixty, 16 a frame."""
    values = {
        "link.scheme": scheme,
        f"barrier.{way}.jitter": JITTER | {"sigma": "1 ns"},
        f"barrier.{way}.min_pulse": "17 ns",
    }
    scenario = chain(UNTROUBLED | values)
    assert differences(scenario) == []
    fates = [block.fate for block in BatchEngine().run(scenario, range(4), words=False)]
    corrupted = int((np.concatenate(fates, axis=None) == Fate.CORRUPTED).sum())
    if scheme == "forwarded_clock" and way == "return":
        # No clock comes back that way.
        assert corrupted == 0
    else:
        assert 0 < corrupted < 800


def test_many_busy_edges_in_flight():
    """Bursts of 20 at 10 MHz, 1500 ns away: 15 conversions' edges are on their way at a time.

    A burst's last frame is released 50 + 1500 + 6 ns after its trigger, in time before the next
    burst, 1600 ns after it. The host would read it 1564 ns later, 1600 + 1520 after that trigger,
    when the busy of the next burst's first frame, from 1500 to 1550 after its own, is high there:
    so it waits, and is free for the very last frame, which no other follows.
    """
    values = {
        "trigger.pattern": "burst",
        "trigger.rate": "10 MHz",
        "trigger.burst_length": 20,
        "trigger.gap": "1600 ns",
        "conversions": 60,
        "converter.conversion_time": "50 ns",
        "barrier.return.delay": "1500 ns",
        "host.clock": "1 MHz",
        "host.service_latency": "1564 ns",
    }
    scenario = serial(values)
    assert differences(scenario) == []
    (block,) = BatchEngine().run(scenario, range(1), words=False)
    release, start = block.release[0], block.read_start[0]
    assert np.flatnonzero(release != NEVER).tolist() == [19, 39, 59]
    assert np.flatnonzero(start != NEVER).tolist() == [59]
    assert start[59] - release[59] == 1564 * NS


@pytest.mark.parametrize("pattern", ["periodic", "after_read"])
def test_no_scenario_of_these_schemes_is_refused(pattern):
    """Not even one whose clock pulses may be swallowed, or whose triggers wait for the host."""
    values = {"link.scheme": "returned_clock", "barrier.return.jitter": JITTER, "conversions": 20}
    values |= {"barrier.min_pulse": "20 ns", "trigger.pattern": pattern}
    if pattern == "after_read":
        values |= {"trigger.rate": None, "trigger.gap": "1 us", "host.timeout": "5 us"}
    scenario = chain(UNTROUBLED | values)
    assert BatchEngine().refuses(scenario) is None
    assert differences(scenario) == []
    fates = np.concatenate(
        [block.fate for block in BatchEngine().run(scenario, range(4), words=False)], axis=None
    )
    # Half a period is 20 ns: about every other pulse comes back too short.
    assert (fates == Fate.CORRUPTED).all()


@pytest.mark.parametrize("jitter", [None, JITTER])
def test_few_trials_side_by_side_where_much_is_drawn(jitter):
    """What a stretch of them holds stays in the cache, as few as its records and draws allow."""
    values = {"link.scheme": "returned_clock", "conversions": 64, "trials": 600}
    scenario = chain(UNTROUBLED | values | {"barrier.return.jitter": jitter})
    # A latency, and with jitter 16 edges of the returned clock, 8 + 1 of the lane and 2 of busy.
    width = 1 if jitter is None else 28
    assert Draws(scenario, conversion_columns(scenario) + read_columns(scenario)).width == width
    numbers = 64 * (width + RECORD.itemsize // 8)
    beside = [len(one.trials) for one in BatchEngine().run(scenario, range(600), words=False)]
    assert sum(beside) == 600
    assert beside[0] == min(engine.NUMBERS // numbers, engine.TRIALS) < 600
