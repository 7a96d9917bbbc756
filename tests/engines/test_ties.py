"""What happens at one instant: the stated order, and that every pair of its rules matters.

Order: slots are freed, bits are pushed, releases are decided, bits are captured by the reader,
reads end that free no slot, credits arrive, timeouts end, a trigger leaves, a trigger arrives,
services begin; clock edges of the remote side come first of all. Each scenario has two rules fall
on one instant, worked by hand in ns from the base chain (a trigger sent at t is pushed at t + 240
... t + 300 and released at t + 306); swapping the two ranks shows that the test would notice.
"""

from __future__ import annotations

import itertools

import pytest

from simlink.engines.event import (
    clockwork,
    converter,
    fifo,
    host,
    host_clocked,
    master,
    trigger,
    wiring,
)
from simlink.running.ledger import table
from simlink.tracing.trace import trace
from tests.engines.chain import TIGHT, chain, in_ns
from tests.engines.host_clocked_scenarios import serial

PARTS = (clockwork, converter, fifo, host, host_clocked, master, trigger, wiring)
RANKS = [
    "EDGE",
    "FREE",
    "PUSH",
    "RELEASE",
    "CAPTURE",
    "READ_END",
    "CREDIT",
    "TIMEOUT",
    "LEAVE",
    "ARRIVE",
    "SERVICE",
]


@pytest.fixture
def swap(monkeypatch):
    """Swap two ranks wherever they are used."""

    def swapped(one, other):
        ranks = {one: getattr(clockwork, other), other: getattr(clockwork, one)}
        for module in PARTS:
            for name, rank in ranks.items():
                if hasattr(module, name):
                    monkeypatch.setattr(module, name, rank)

    return swapped


def whole(scenario):
    return trace(scenario, range(scenario.conversions))


def outcome(scenario):
    """Return all that can be seen of a run: trace and ledger."""
    found = whole(scenario)
    return found.entries, found.record.timed_out.tolist(), table(found.record).to_pylist()


def rows(scenario):
    return table(whole(scenario).record).to_pylist()


def fates(scenario):
    return [row["fate"] for row in rows(scenario)]


def at(found, instant, *signals):
    """Return the signals of one instant, in order, out of those named."""
    return [name for time, name, _ in in_ns(found.entries) if time == instant and name in signals]


def test_the_ranks_are_in_the_stated_order():
    ranks = [getattr(clockwork, name) for name in RANKS]
    assert ranks == sorted(set(ranks))


#: Frame 0 is served at 1306 and read 2080-2240; frame 1's first bit is pushed at 2240.
FREED_AS_PUSHED = {"conversions": 2, "fifo.depth": 1, "host.service_latency": "774 ns"}


def test_a_slot_is_freed_before_a_bit_is_pushed(swap):
    scenario = chain(FREED_AS_PUSHED)
    assert fates(scenario) == ["delivered", "delivered"]
    swap("FREE", "PUSH")
    assert fates(scenario) == ["delivered", "overrun"]


#: Frame 0 is whole at 1300 and would be released at 2240, when frame 1 takes its slot.
PUSHED_AS_RELEASED = {
    "conversions": 2,
    "fifo.depth": 1,
    "fifo.when_full": "drop_old",
    "fifo.sync_delay": "940 ns",
}


def test_a_bit_is_pushed_before_a_release(swap):
    scenario = chain(PUSHED_AS_RELEASED)
    row = rows(scenario)[0]
    assert (row["fate"], row["t_release"]) == ("overrun", None)
    swap("PUSH", "RELEASE")
    row = rows(scenario)[0]
    assert (row["fate"], row["t_release"]) == ("overrun", 2_240_000_000)


#: Frame 0 is read from 2286, so bit 0 is captured at 2306, when frame 1 is released.
RELEASED_AS_CAPTURED = {"conversions": 2, "host.service_latency": "980 ns"}


def test_a_release_is_decided_before_a_bit_is_captured(swap):
    scenario = chain(RELEASED_AS_CAPTURED)
    names = ("fifo.release", "host.capture[0]")
    assert at(whole(scenario), 2306, *names) == ["fifo.release", "host.capture[0]"]
    swap("RELEASE", "CAPTURE")
    assert at(whole(scenario), 2306, *names) == ["host.capture[0]", "fifo.release"]


#: Released with two bits at 1265 and read at 10 ns a bit: bit 3 is pushed and captured at 1300.
PUSHED_AS_CAPTURED = {
    "fifo.release_bits": 2,
    "fifo.sync_delay": "5 ns",
    "host.clock": "100 MHz",
    "host.service_latency": "0 ns",
}


def test_a_bit_pushed_at_the_instant_it_is_captured_is_there(swap):
    scenario = chain(PUSHED_AS_CAPTURED)
    assert rows(scenario)[0]["fate"] == "delivered"
    swap("PUSH", "CAPTURE")
    assert rows(scenario)[0]["fate"] == "underrun"


#: 20 across: released at 1316 and 2316, read 2416-2576 and 2576-2736; frame 0's credit is back
#: at 2596, when bit 0 of frame 1 is captured.
CAPTURED_AS_CREDITED = {
    "conversions": 2,
    "barrier.forward.delay": "20 ns",
    "fifo.when_full": "stall",
    "host.watermark": 2,
}


def test_a_bit_is_captured_before_a_credit_arrives(swap):
    scenario = chain(CAPTURED_AS_CREDITED)
    names = ("host.capture[0]", "remote.credit")
    assert at(whole(scenario), 2596, *names) == ["host.capture[0]", "remote.credit"]
    swap("CAPTURE", "CREDIT")
    assert at(whole(scenario), 2596, *names) == ["remote.credit", "host.capture[0]"]


#: Frame 0 is released at 522 and read 622-662, its credit is back at 672. Trigger 1, sent at 500
#: and missed, is given up 172 later. A third trigger keeps the trace going.
CREDITED_AS_GIVEN_UP = TIGHT | {
    "conversions": 3,
    "converter.conversion_time": "166 ns",
    "fifo.when_full": "stall",
    "host.timeout": "172 ns",
}


def test_a_credit_arrives_before_a_timeout(swap):
    scenario = chain(CREDITED_AS_GIVEN_UP)
    names = ("remote.credit", "host.timeout")
    assert at(whole(scenario), 672, *names) == ["remote.credit", "host.timeout"]
    swap("CREDIT", "TIMEOUT")
    assert at(whole(scenario), 672, *names) == ["host.timeout", "remote.credit"]


#: Released 1100 after each trigger, given up after 1000, when the next one leaves.
GIVEN_UP_AS_SENT = {"conversions": 2, "fifo.sync_delay": "800 ns", "host.timeout": "1 us"}


def test_a_timeout_ends_before_a_trigger_leaves(swap):
    """Busy falls with the timeout and rises again with the trigger; else it just stays high."""
    scenario = chain(GIVEN_UP_AS_SENT)
    names = ("host.timeout", "host.busy", "host.trigger")
    given_up, sent = ["host.timeout", "host.busy"], ["host.trigger", "host.busy"]
    assert at(whole(scenario), 2000, *names) == given_up + sent
    swap("TIMEOUT", "LEAVE")
    assert at(whole(scenario), 2000, *names) == ["host.trigger", "host.timeout"]


#: 1000 across: trigger 0 arrives at 2000, when trigger 1 leaves.
SENT_AS_ARRIVED = {"conversions": 2, "barrier.forward.delay": "1 us"}


def test_a_trigger_leaves_before_one_arrives(swap):
    scenario = chain(SENT_AS_ARRIVED)
    names = ("host.trigger", "remote.trigger")
    assert at(whole(scenario), 2000, *names) == ["host.trigger", "remote.trigger"]
    swap("LEAVE", "ARRIVE")
    assert at(whole(scenario), 2000, *names) == ["remote.trigger", "host.trigger"]


#: Frame 0 is released and served at 2010, when trigger 1 arrives.
ARRIVED_AS_SERVED = {"conversions": 2, "fifo.sync_delay": "710 ns"}


def test_a_trigger_arrives_before_a_service_begins(swap):
    scenario = chain(ARRIVED_AS_SERVED)
    names = ("remote.trigger", "host.service")
    assert at(whole(scenario), 2010, *names) == ["remote.trigger", "host.service"]
    swap("ARRIVE", "SERVICE")
    assert at(whole(scenario), 2010, *names) == ["host.service", "remote.trigger"]


#: The readout of frame 0 ends at 510, when trigger 1 arrives.
ENDED_AS_ARRIVED = TIGHT | {"conversions": 2}


def test_the_last_clock_edge_falls_before_a_trigger_arrives(swap):
    """At that very instant the trigger is taken, whichever is looked at first."""
    scenario = chain(ENDED_AS_ARRIVED)
    names = ("remote.clock", "remote.trigger")
    assert fates(scenario) == ["delivered", "delivered"]
    assert at(whole(scenario), 510, *names) == ["remote.clock", "remote.trigger"]
    swap("EDGE", "ARRIVE")
    assert fates(scenario) == ["delivered", "delivered"]
    assert at(whole(scenario), 510, *names) == ["remote.trigger", "remote.clock"]


#: Frame 0 is released at 2000, when trigger 1 leaves: its edge is noticed.
RELEASED_AS_SENT = {"conversions": 2, "fifo.sync_delay": "700 ns", "host.interrupt": "edge"}


def test_a_release_is_decided_before_a_trigger_leaves(swap):
    """Frame 0's edge is noticed, and serves it at 2000."""
    scenario = chain(RELEASED_AS_SENT)
    names = ("fifo.release", "host.trigger")
    assert rows(scenario)[0]["t_read_start"] == 2_100_000_000
    assert at(whole(scenario), 2000, *names) == ["fifo.release", "host.trigger"]
    swap("RELEASE", "LEAVE")
    assert at(whole(scenario), 2000, *names) == ["host.trigger", "fifo.release"]


#: Frame 0 is released at 1306, when its timeout ends.
RELEASED_AS_GIVEN_UP = {"host.timeout": "306 ns"}


def test_a_release_is_decided_before_a_timeout(swap):
    scenario = chain(RELEASED_AS_GIVEN_UP)
    assert not whole(scenario).record.timed_out[0, 0]
    swap("RELEASE", "TIMEOUT")
    assert whole(scenario).record.timed_out[0, 0]


#: Frame 0 is read 2146-2306, and frame 1 is released at 2306.
GROUPED_AS_RELEASED = {
    "conversions": 2,
    "host.service_latency": "840 ns",
    "host.drain": True,
}


def test_a_release_is_decided_before_a_group_is_fixed(swap):
    """Frame 1 is read on with no new latency; else it begins a service of its own."""
    scenario = chain(GROUPED_AS_RELEASED)
    assert [row["t_read_start"] for row in rows(scenario)] == [2_146_000_000, 2_306_000_000]
    swap("RELEASE", "SERVICE")
    assert [row["t_read_start"] for row in rows(scenario)] == [2_146_000_000, 3_146_000_000]


#: Frame 0 is read 2085-2245, when the remote clock rises for bit 1 of frame 1.
CLOCKED_AS_FREED = {"conversions": 2, "host.service_latency": "779 ns"}


def test_the_remote_clock_moves_before_a_slot_is_freed(swap):
    """A bit may cross in no time: its capture has to come before its push."""
    scenario = chain(CLOCKED_AS_FREED)
    names = ("remote.clock", "fifo.level")
    assert at(whole(scenario), 2245, *names) == ["remote.clock", "fifo.level"]
    swap("EDGE", "FREE")
    assert at(whole(scenario), 2245, *names) == ["fifo.level", "remote.clock"]


#: The host's own clock starts at 1328 and captures three bits 40, 60 and 80 later.
CAPTURED_AS_READ = {"conversions": 2}


def test_a_bit_is_captured_before_its_read_ends(swap):
    """The read ends with its last capture, of which it has to know."""
    scenario = serial(CAPTURED_AS_READ)
    names = ("host.capture[0]", "host.read")
    assert at(whole(scenario), 1408, *names) == ["host.capture[0]", "host.read"]
    swap("CAPTURE", "READ_END")
    assert at(whole(scenario), 1408, *names) == ["host.read", "host.capture[0]"]


SCENARIOS = {
    "freed as pushed": chain(FREED_AS_PUSHED),
    "pushed as released": chain(PUSHED_AS_RELEASED),
    "released as captured": chain(RELEASED_AS_CAPTURED),
    "pushed as captured": chain(PUSHED_AS_CAPTURED),
    "captured as credited": chain(CAPTURED_AS_CREDITED),
    "credited as given up": chain(CREDITED_AS_GIVEN_UP),
    "given up as sent": chain(GIVEN_UP_AS_SENT),
    "sent as arrived": chain(SENT_AS_ARRIVED),
    "arrived as served": chain(ARRIVED_AS_SERVED),
    "ended as arrived": chain(ENDED_AS_ARRIVED),
    "released as sent": chain(RELEASED_AS_SENT),
    "released as given up": chain(RELEASED_AS_GIVEN_UP),
    "grouped as released": chain(GROUPED_AS_RELEASED),
    "clocked as freed": chain(CLOCKED_AS_FREED),
    "captured as read": serial(CAPTURED_AS_READ),
}


@pytest.fixture(scope="module")
def outcomes():
    return {name: outcome(scenario) for name, scenario in SCENARIOS.items()}


#: No scheme has both: credits go to a remote master, and reads of the FIFO free a slot.
APART = ("READ_END", "CREDIT")
PAIRS = [pair for pair in itertools.combinations(RANKS, 2) if pair != APART]


@pytest.mark.parametrize(("one", "other"), PAIRS)
def test_no_two_ranks_can_be_swapped_unseen(one, other, swap, outcomes):
    swap(one, other)
    changed = [name for name, before in outcomes.items() if outcome(SCENARIOS[name]) != before]
    assert changed
