"""The closed form of when an event hits a channel, worked by hand."""

from __future__ import annotations

import pytest

from simlink.link import unit
from simlink.link.exposed import exposed, together
from simlink.scenario.schema import from_dict

NS = 10**6


@pytest.mark.parametrize(
    ("symbols", "length", "stretches", "time"),
    [
        # One symbol: its crossing and the event's length.
        ([(0, 14)], 5, 1, 19),
        # Two apart by more than the event lasts are hit one by one ...
        ([(0, 14), (20, 34)], 5, 2, 38),
        # ... and at 19 apart the one begins to be hit where the other ends.
        ([(0, 14), (19, 33)], 5, 1, 38),
        ([(0, 14), (18, 32)], 5, 1, 37),
        # A long event meets all of them: (n - 1) T + b - a + w.
        ([(k * 20, k * 20 + 14) for k in range(16)], 100, 1, 15 * 20 + 14 + 100),
        # One within another adds nothing; order does not matter.
        ([(5, 6), (0, 14)], 5, 1, 19),
        ([], 5, 0, 0),
    ],
)
def test_symbols_share_what_they_overlap(symbols, length, stretches, time):
    assert together(symbols, length) == (stretches, time)


def made(**more):
    tables = {
        "link": {"scheme": "remote_master"},
        "trigger": {"rate": "400 kHz"},
        "frame": {"word_bits": 18},
        "converter": {"conversion_time": "700 ns"},
        "remote_clock": {"frequency": "40 MHz"},
        "barrier": {
            "slew_immunity": "50 kV/us",
            "forward": {"delay": "14 ns"},
            "return": {"delay": "12 ns"},
        },
        "host": {"clock": "50 MHz", "service_latency": "1 us"},
    }
    scenario = from_dict(tables).with_values(more)
    return scenario, unit.build(scenario, range(1))


def times(scenario, units, length):
    return {one.channel: (one.symbols, one.time / NS) for one in exposed(scenario, units, length)}


def test_a_remote_master():
    found = times(*made(), 5 * NS)
    # Forward 14 and 5; each of 18 bits, 25 ns apart, for 12 and 5.
    assert found == {"trigger": (1, 19), "lane 0": (18, 306), "strobe": (18, 306)}
    found = times(*made(**{"fifo.when_full": "stall", "trigger.source": "remote"}), 30 * NS)
    assert found == {
        "lane 0": (18, 17 * 25 + 42), "strobe": (18, 17 * 25 + 42), "credit": (1, 44)
    }  # fmt: skip


def test_self_clocked_lanes_have_no_strobe():
    assert set(times(*made(**{"barrier.return.strobe": False}), NS)) == {"trigger", "lane 0"}


def test_packets_are_on_the_line_and_in_the_barrier():
    packets = {
        "barrier.return.style": "packets",
        "barrier.return.packet_bits": 9,
        "barrier.return.overhead_bits": 1,
        "barrier.line_rate": "100 Mbit/s",
    }
    # Ten bits of 10 ns each, then 12 across: 112 and 5, twice, with a gap between.
    assert times(*made(**packets), 5 * NS)["lane 0"] == (2, 2 * 117)


def test_a_host_clock():
    scheme = {"link.scheme": "forwarded_clock", "converter.data_valid": "6 ns"}
    found = times(*made(**scheme), 5 * NS)
    # A pulse of 10 ns high from its rising edge sent to its falling edge arrived: 24 and 5, which
    # overlap at 20 ns a period; the first bit is there from busy's fall on, and crosses with it.
    assert found == {
        "trigger": (1, 19), "clock": (18, 17 * 20 + 29), "lane 0": (18, 17 * 17), "busy": (2, 34)
    }  # fmt: skip
    found = times(*made(**{**scheme, "link.scheme": "returned_clock"}), 5 * NS)
    assert found["returned"] == (18, 17 * 20 + 10 + 12 + 5)
