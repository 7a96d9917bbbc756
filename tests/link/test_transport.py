from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simlink.base.instants import NEVER
from simlink.link import transport
from simlink.link.channel import arrives_at
from simlink.link.transport import Packet
from tests.engines.chain import NS, chain


def test_a_frame_is_cut_into_packets_and_the_last_is_short():
    """10 bits in packets of 4, 2 bits of overhead each: 6, 6 and 4 line bits of 100 ns."""
    packets = transport.split(10, 4, 2, Fraction(10**7))
    unit = 10**8
    assert packets == [Packet(0, 3, 6 * unit), Packet(4, 7, 6 * unit), Packet(8, 9, 4 * unit)]


@given(st.integers(1, 60), st.integers(1, 70), st.integers(0, 9), st.integers(1, 10**9))
def test_packets_carry_every_bit_once_at_an_exact_line_rate(bits, size, overhead, rate):
    packets = transport.split(bits, size, overhead, Fraction(rate))
    carried = [bit for one in packets for bit in range(one.first, one.last + 1)]
    assert carried == list(range(bits))
    for one in packets:
        line_bits = one.last - one.first + 1 + overhead
        assert one.line_time == round(Fraction(line_bits * 10**15, rate))
        assert line_bits <= size + overhead


def test_packets_are_those_of_the_style():
    """4 bits in packets of 3, 10 ns a line bit; then with 2 of overhead each."""
    assert transport.packets_of(chain()) is None
    changed = {
        "barrier.return.style": "packets",
        "barrier.return.packet_bits": 3,
        "barrier.line_rate": "100 Mbit/s",
    }
    assert transport.packets_of(chain(changed)) == [Packet(0, 2, 30 * NS), Packet(3, 3, 10 * NS)]
    changed["barrier.return.overhead_bits"] = 2
    assert transport.packets_of(chain(changed)) == [Packet(0, 2, 50 * NS), Packet(3, 3, 30 * NS)]


def test_the_line_rate_is_that_of_the_return_direction():
    changed = {
        "barrier.return.style": "packets",
        "barrier.return.packet_bits": 4,
        "barrier.return.line_rate": "200 Mbit/s",
        "barrier.forward.line_rate": "100 Mbit/s",
    }
    assert transport.packets_of(chain(changed)) == [Packet(0, 3, 20 * NS)]


@pytest.mark.parametrize(("line_free", "sent"), [(NEVER, 130), (99, 130), (100, 130), (101, 131)])
def test_a_packet_goes_out_when_it_is_full_and_the_line_is_free(line_free, sent):
    """Full at 100, 30 on the line."""
    assert transport.sent_at(100, line_free, 30) == sent


def through(full, line_times, jitters, static, line_free=NEVER):
    """Return when packets arrive, and when the line is free after them."""
    arrived, ahead = [], NEVER
    for at, line_time, jitter in zip(full, line_times, jitters, strict=True):
        line_free = transport.sent_at(at, line_free, line_time)
        ahead = arrives_at(line_free, static, jitter, ahead)
        arrived.append(ahead)
    return arrived, line_free


def test_packets_follow_one_another_on_the_line():
    """Full at 20 and 40; the line, 30 a packet, is free at 25 from the frame before.

    Off the line at 25 + 30 and 55 + 30; 15 across, with 5 of jitter for the first.
    """
    assert through([20, 40], [30, 30], [5, 0], 15, line_free=25) == ([75, 100], 85)


def test_a_line_that_is_too_slow_backs_up():
    """Full every 10, 15 on the line: out 15, 30, 45 after 0, each 5 later than the one before."""
    assert through([0, 10, 20], [15] * 3, [0] * 3, 0) == ([15, 30, 45], 45)


def test_a_line_that_has_caught_up_waits_for_the_next_packet():
    """The last is full at 100, long after the line was free at 30."""
    assert through([0, 10, 100], [15] * 3, [0] * 3, 0) == ([15, 30, 115], 115)


def test_a_late_packet_holds_up_arrivals_and_not_the_line():
    """Jitter of 100 on the first: both arrive at 150, and the line is free at 80 all the same."""
    assert through([20, 30], [30, 30], [100, 0], 0) == ([150, 150], 80)
