"""What the event engine spends: events, counted, and time against bare SimPy."""

from __future__ import annotations

import pytest

from tests.benchmarks import event_engine
from tests.engines.chain import TIGHT, chain, events

both = pytest.mark.parametrize("every_edge", [False, True])


def untroubled(every_edge, frames, bits, pushes, lanes=1):
    """Return the events of frames that all come through, each served by itself once it is whole.

    A trigger leaves and arrives, and busy falls: 3. Of all pushes three matter: the first, the one
    that is enough for a release, and the last. A frame is released, a service begins and a read
    ends: 3. Where every edge is an event, each lane has its pushes, busy rises, the remote clock
    has two edges a bit, and so has the host's, the last of them the end of the read.
    """
    edges = lanes * pushes + 1 + 2 * bits + 2 * bits - 1 if every_edge else 3
    return frames * (3 + edges + 3)


@both
@pytest.mark.parametrize("bits", [1, 4, 16])
@pytest.mark.parametrize("lanes", [1, 3])
def test_bits(every_edge, bits, lanes):
    """Every bit of every lane is pushed by itself, where every edge is an event."""
    changed = {"conversions": 20, "frame.word_bits": bits, "frame.lanes": lanes}
    scenario = chain(changed | {"host.clock": "50 MHz"})
    assert events(scenario, every_edge) == untroubled(every_edge, 20, bits, bits, lanes)


def test_a_16_bit_conversion_has_86_events_or_9():
    """4 + 32 + 16 + 2 + 32 with every edge, 3 + 3 + 3 with what something depends on."""
    changed = {"conversions": 200, "frame.word_bits": 16, "host.clock": "50 MHz"}
    assert events(chain(changed), every_edge=True) == 86 * 200
    assert events(chain(changed), every_edge=False) == 9 * 200


@both
def test_packets(every_edge):
    """16 bits in packets of 5: 4 pushes a lane where every edge is an event."""
    changed = {
        "conversions": 20,
        "frame.lanes": 2,
        "frame.word_bits": 16,
        "barrier.return.style": "packets",
        "barrier.return.packet_bits": 5,
        "barrier.return.line_rate": "100 Mbit/s",
        "host.clock": "50 MHz",
    }
    assert events(chain(changed), every_edge) == untroubled(every_edge, 20, 16, 4, lanes=2)


def test_a_bit_is_taken_by_itself_as_long_as_its_frame_is_not_whole():
    """Bits come 240, 260, 280 and 300 after the trigger, the release at 246, the read from 251.

    At 271, the first take, two bits are there, so that the next one is planned, for 311. By then
    all four are.
    """
    early = {
        "fifo.release_bits": 1,
        "host.service_latency": "5 ns",
        "conversions": 20,
    }
    assert events(chain(early), every_edge=False) == untroubled(False, 20, 4, 4) + 2 * 20
    assert events(chain(early), every_edge=True) == untroubled(True, 20, 4, 4)


@both
def test_a_timeout_is_one_event_a_trigger(every_edge):
    scenario = chain({"conversions": 20, "host.timeout": "500 ns"})
    assert events(scenario, every_edge) == untroubled(every_edge, 20, 4, 4) + 20


@both
def test_a_remote_timer_takes_the_same_events(every_edge):
    scenario = chain({"conversions": 20, "trigger.source": "remote"})
    assert events(scenario, every_edge) == untroubled(every_edge, 20, 4, 4)


@both
def test_a_missed_trigger_is_two_events(every_edge):
    """Half of 4 are missed: they leave and arrive."""
    changed = TIGHT | {"conversions": 4, "converter.conversion_time": "166 ns"}
    assert events(chain(changed), every_edge) == untroubled(every_edge, 2, 4, 4) + 2 * 2


@both
def test_a_refused_frame_is_clocked_and_pushed_but_not_released_or_read(every_edge):
    """2 of 4 frames find the only slot taken (as in the timetable of drop_new)."""
    changed = {"conversions": 4, "fifo.depth": 1, "host.service_latency": "1900 ns"}
    refused = 3 + (4 + 1 + 2 * 4 if every_edge else 3)
    assert events(chain(changed), every_edge) == untroubled(every_edge, 2, 4, 4) + 2 * refused


@both
def test_reading_all_is_one_event_a_group_more(every_edge):
    """Groups {0}, {1, 2} and {3}: two services, and a look at what waits after each group."""
    changed = {
        "conversions": 4,
        "fifo.depth": 4,
        "host.service_latency": "1900 ns",
        "host.drain": True,
    }
    assert events(chain(changed), every_edge) == untroubled(every_edge, 4, 4, 4) - 2 + 3


@both
def test_a_stall_is_a_credit_a_frame_and_a_wake_a_hold_up(every_edge):
    """Of 5 triggers 3 are taken and 2 missed; two frames are held back (as in its timetable)."""
    changed = {
        "conversions": 5,
        "fifo.depth": 1,
        "fifo.when_full": "stall",
        "host.service_latency": "1900 ns",
    }
    stalled = untroubled(every_edge, 3, 4, 4) + 2 * 2 + 3 + 2
    assert events(chain(changed), every_edge) == stalled


@both
def test_a_loop_takes_the_same_events(every_edge):
    changed = {
        "conversions": 20,
        "trigger.pattern": "after_read",
        "trigger.rate": None,
        "trigger.gap": "100 ns",
        "host.timeout": "5 us",
    }
    assert events(chain(changed), every_edge) == untroubled(every_edge, 20, 4, 4) + 20


@both
def test_a_conversion_executes_less_than_its_bar_of_bare_timeouts(every_edge):
    """Bytecode, counted, so that no busy machine fails it; the time is the benchmark's to tell.

    Two lengths are taken apart, so that what a trial costs once does not count.
    """
    timeouts = [event_engine.executed(lambda n=n: event_engine.wait(n)) for n in (100, 200)]
    converted = [
        event_engine.executed(lambda n=n: event_engine.convert(n, every_edge)) for n in (20, 40)
    ]
    bare = (timeouts[1] - timeouts[0]) / 100
    conversion = (converted[1] - converted[0]) / 20
    assert conversion <= event_engine.EXECUTED[every_edge] * bare
