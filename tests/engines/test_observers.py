"""What observers are handed, and that a run is the same whether anybody watches or not."""

from __future__ import annotations

import pytest
from hypothesis import given, settings

from simlink.base.instants import NEVER
from simlink.engines.event import EventEngine
from simlink.engines.event.clockwork import Clockwork
from simlink.engines.event.signals import Signals
from simlink.engines.event.wiring import Chain, blank
from simlink.link.content import BitOutcome
from simlink.tracing.trace import Change, trace
from tests.conftest import MANY
from tests.engines.chain import NS, chain
from tests.engines.host_clocked_scenarios import serial, serial_scenarios
from tests.engines.test_transients import RETURN, at
from tests.strategies import scenarios


def changes(scenario, *signals):
    """Return changes of signals: (ns, value, conversion, lane, bit, since in ns, why)."""
    found = trace(scenario, range(scenario.conversions)).changes
    return [
        (one.time // NS, one.value, *one[3:6], None if one.since is None else one.since // NS, why)
        for one in found
        for why in [one.why]
        if one.signal in signals
    ]


def test_a_trigger_and_what_it_causes():
    """Sent at 1000, 10 across, converted for 200, captured from 1225 on and pushed 15 later."""
    scenario = chain()
    assert changes(scenario, "host.trigger") == [(1000, 0, 0, None, None, None, "")]
    assert changes(scenario, "remote.trigger") == [(1010, 0, 0, None, None, 1000, "host.trigger")]
    assert changes(scenario, "remote.busy") == [
        (1010, 1, 0, None, None, 1010, "remote.trigger"),
        (1210, 0, 0, None, None, 1010, "remote.trigger"),
    ]
    assert changes(scenario, "remote.capture") == [
        (time, bit, 0, None, bit, time, "right")
        for bit, time in enumerate([1225, 1245, 1265, 1285])
    ]
    assert changes(scenario, "fifo.push[0]") == [
        (time + 15, bit, 0, 0, bit, time, "remote.capture")
        for bit, time in enumerate([1225, 1245, 1265, 1285])
    ]
    assert changes(scenario, "fifo.release") == [(1306, 0, 0, None, None, 1300, "fifo.push")]
    assert changes(scenario, "host.busy")[1] == (1306, 0, 0, None, None, 1306, "fifo.release")
    assert changes(scenario, "host.read") == [
        (1406, 0, 0, None, None, 1306, "host.service"),
        (1566, -1, 0, None, None, 1406, "host.read"),
    ]


def test_a_bit_on_a_line_names_the_edge_that_launched_it():
    """Bit 0 comes 2 after busy falls at 1210; bit 1 is launched as the clock falls at 1235."""
    values = {"converter.msb_valid": "2 ns", "converter.data_valid": "3 ns"}
    values |= {"converter.data_hold": "1 ns"}
    assert changes(chain(values), "remote.data[0]")[:4] == [
        (1210, -1, 0, 0, None, 1210, "remote.busy"),
        (1212, 0, 0, 0, 0, 1210, "remote.busy"),
        (1236, -1, 0, 0, None, 1235, "remote.clock"),
        (1238, 1, 0, 0, 1, 1235, "remote.clock"),
    ]


def test_a_refused_frame_names_the_capture_and_a_discarded_one_the_push():
    late = {"conversions": 2, "fifo.depth": 1, "host.service_latency": "5 us"}
    refused = (2240, 1, 1, None, None, 2225, "remote.capture")
    assert changes(chain(late), "fifo.overrun") == [refused]
    # Whole, but its service would not begin before 2 wait.
    late |= {"fifo.when_full": "drop_old", "fifo.sync_delay": "2 us"}
    discarded = (2240, 0, 0, None, None, 2240, "fifo.push")
    assert changes(chain(late), "fifo.overrun") == [discarded]


def test_a_wrong_bit_tells_how():
    """Setup is not met: bit 0 gives what was before it, and so do all others."""
    found = trace(chain({"converter.msb_valid": "20 ns", "converter.data_valid": "15 ns"}))
    previous = dict.fromkeys(range(4), BitOutcome.PREVIOUS)
    assert found.outcomes == {(0, 0): previous}
    assert {one.why for one in found.changes if one.signal == "remote.capture"} == {"previous"}


def test_what_crosses_back_names_where_it_came_from():
    """The clock of the host, 10 across, and a data line, 12 back."""
    found = changes(serial(), "remote.clock")
    assert [(time, since) for time, *_, since, _ in found] == [
        (10 + sent, sent) for sent in (1338, 1348, 1358, 1368, 1378, 1388)
    ]
    seen = changes(serial(), "host.data[0]")
    assert all(why == "remote.data[0]" and since == time - 12 for time, *_, since, why in seen)


def test_a_false_edge_of_busy_is_the_newest_conversion_s():
    """Frame 0 has been read by 1410; busy rises at 1550, though nobody sent that."""
    values = RETURN | {"barrier.false_edge": 1, "conversions": 2}
    found = changes(serial(at(values, 1550 * NS)), "host.busy")
    assert (1550, 1, 0, None, None, None, "remote.busy") in found


#: Signals on which a cause need not be seen: busy may be over before it rises, and a bit may be
#: gone from the converter's line before it would have been valid.
UNSEEN = ("remote.busy", "host.busy", "remote.data")


def check_causes(scenario):
    found = trace(scenario, range(scenario.conversions))
    seen = {(one.signal, one.time) for one in found.changes}
    for one in found.changes:
        assert isinstance(one, Change)
        if one.since is None:
            continue
        assert one.since <= one.time
        if "capture" not in one.signal and not one.why.startswith(UNSEEN):
            lane = f"[{one.lane}]"
            whole = {f"{one.why}{lane}", *(f"{one.why}[{n}]" for n in range(16)), one.why}
            assert any((name, one.since) in seen for name in whole), one


@settings(max_examples=MANY // 5)
@given(scenarios(conversions=12, trials=1))
def test_every_cause_was_seen(scenario):
    check_causes(scenario)


@settings(max_examples=MANY // 5)
@given(serial_scenarios())
def test_every_cause_was_seen_where_the_host_clocks(scenario):
    check_causes(scenario)


def check_same(scenario):
    block = blank(scenario, 0, words=True)
    made = Chain(scenario, 0, block)
    made.signals.every_edge = True
    made.run()
    (unseen,) = EventEngine().run(scenario, range(1), words=True)
    assert block.same_as(unseen)


@settings(max_examples=MANY // 5)
@given(scenarios(trials=1))
def test_records_are_the_same_with_every_edge_an_event(scenario):
    check_same(scenario)


@settings(max_examples=MANY // 5)
@given(serial_scenarios())
def test_records_are_the_same_with_every_edge_an_event_where_the_host_clocks(scenario):
    check_same(scenario)


def test_a_signal_moves_only_when_it_changes():
    env = Clockwork()
    signals = Signals(env)
    level, (first, second) = signals.make("level"), signals.lanes("data", 2, value=-2)
    assert not signals.every_edge
    seen = []
    signals.observe(lambda *change: seen.append(change))
    assert signals.every_edge
    level.move(0)
    level.move(1, 7, None, -5, "cause")
    level.move(1)
    first.set(-2)
    second.move(3, 7, 3)
    assert seen == [
        (0, level, 1, 7, None, -5, "cause"),
        (0, first, -2, None, None, None, ""),
        (0, second, 3, 7, 3, None, ""),
    ]
    assert (first.name, first.lane, second.name, second.lane) == ("data[0]", 0, "data[1]", 1)
    assert (level.value, level.lane) == (1, None)


@pytest.mark.parametrize("observers", [1, 2])
def test_several_may_watch(observers):
    env = Clockwork()
    signals = Signals(env)
    signal = signals.make("one")
    seen = []
    for number in range(observers):
        signals.observe(lambda *_, number=number: seen.append(number))
    signal.set(1)
    assert seen == list(range(observers))


def test_a_window_closes_with_its_last_conversion():
    """The frame of conversion 1 is read 2406 to 2566; nothing later is kept."""
    found = trace(chain({"conversions": 4}), range(1, 2))
    times = [one.time // NS for one in found.changes]
    assert (times[0], times[-1]) == (2000, 2566)
    assert found.record.read_end[0, 1] == 2566 * NS
    assert found.record.read_end[0, 2] == NEVER
