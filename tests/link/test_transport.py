from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from simlink.base.instants import NEVER
from simlink.link import transport
from simlink.link.transport import Packet


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


def test_bits_are_pushed_one_by_one_in_order():
    """Two lanes, 15 and 22 across; bit 1 of lane 0 has -8 of jitter, and the frame before
    ended at 27 on lane 1."""
    captured = np.array([[10, 20, 30]])
    jitter = np.array([[0, -8, 0], [0, 0, 0]])
    ahead = np.array([NEVER, 34])
    found = transport.push_bits(captured, np.array([[15], [22]]), jitter, ahead)
    assert found.tolist() == [[25, 27, 45], [34, 42, 52]]


def test_packets_follow_one_another_on_the_line():
    """Packets of 2 bits, 30 on the line: full at 20 and 40; free at 25 from the frame before.

    Off the line at 25 + 30 and 55 + 30; 15 across, with 5 of jitter for the first.
    """
    packets = [Packet(0, 1, 30), Packet(2, 3, 30)]
    captured, jitter = np.array([[10, 20, 30, 40]]), np.array([[5, 0]])
    free, ahead = np.array([25]), np.array([NEVER])
    arrived, free = transport.push_packets(packets, captured, np.array([15]), jitter, free, ahead)
    assert arrived.tolist() == [[75, 100]]
    assert free.tolist() == [85]


def test_a_late_packet_holds_up_arrivals_and_not_the_line():
    """Jitter of 100 on the first: both arrive at 150, and the line is free at 80 all the same."""
    packets = [Packet(0, 0, 30), Packet(1, 1, 30)]
    captured, jitter = np.array([[20, 30]]), np.array([[100, 0]])
    none = np.array([NEVER])
    arrived, free = transport.push_packets(packets, captured, np.array([0]), jitter, none, none)
    assert arrived.tolist() == [[150, 150]]
    assert free.tolist() == [80]


@pytest.mark.parametrize("shape", [(), (3,), (2, 3)])
def test_the_rules_work_on_any_leading_shape(shape):
    captured = np.broadcast_to(np.array([[10, 20]]), (*shape, 1, 2))
    static = np.broadcast_to(np.array([1, 2]), (*shape, 2))
    jitter = np.zeros((*shape, 2, 2), dtype=np.int64)
    none = np.full((*shape, 2), NEVER, dtype=np.int64)
    bits = transport.push_bits(captured, static[..., np.newaxis], jitter, none)
    packets = [Packet(0, 0, 5), Packet(1, 1, 5)]
    arrived, free = transport.push_packets(packets, captured, static, jitter, none, none)
    assert (bits == np.array([[11, 21], [12, 22]])).all()
    assert (arrived == np.array([[16, 26], [17, 27]])).all()
    assert bits.shape == arrived.shape == (*shape, 2, 2)
    assert (free == 25).all()
