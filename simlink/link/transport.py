"""The return transport: bits one by one as captured, or gathered into packets.

Bits style: each bit enters the barrier when it is captured, beside a strobe whose rising edge
pushes it at the host. Packets style: bits wait until their packet is full (the last packet of a
frame may be short); packets of a lane follow one another at the line rate, header and check
bits included, and all bits of a packet are pushed when its last line bit has arrived. So a line
too slow for the bits backs up, and shows it as latency. Bits and packets cross their lane's
channel (`channel.arrives_at`).
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

import numpy as np

from simlink.base.instants import FS_PER_SECOND, Times, round_ratio
from simlink.scenario.schema import Scenario

#: The share of the line bits that a transient hits that come inverted.
SHARE_INVERTED = 0.5


@dataclass(frozen=True)
class Packet:
    """Which bits of a lane's frame one packet carries, and how long it takes on the line."""

    first: int
    last: int
    line_time: int


def split(bits: int, packet_bits: int, overhead_bits: int, line_rate: Fraction) -> list[Packet]:
    """Return the packets of one lane's frame.

    Parameters
    ----------
    bits : int
        Bits of a lane in a frame.
    packet_bits : int
        Data bits of a full packet.
    overhead_bits : int
        Header and check bits of every packet, a short one too.
    line_rate : Fraction
        Bits per second on the line.

    Returns
    -------
    list of Packet
        In order; ``line_time`` in fs, rounded once.
    """
    packets = []
    for first in range(0, bits, packet_bits):
        last = min(first + packet_bits, bits) - 1
        total = last - first + 1 + overhead_bits
        time = Fraction(total) * FS_PER_SECOND / line_rate
        packets.append(Packet(first, last, round_ratio(time.numerator, time.denominator)))
    return packets


def packets_of(scenario: Scenario) -> list[Packet] | None:
    """Return the packets of a lane's frame, or None in bits style."""
    style = scenario.barrier.return_
    if style.style == "bits":
        return None
    rate = scenario.barrier.direction("return").line_rate
    assert style.packet_bits is not None
    assert rate is not None
    return split(scenario.bits_per_lane, style.packet_bits, scenario.packet_overhead, rate.value)


def shape_of(scenario: Scenario, packets: list[Packet]) -> Times:
    """Return of each packet of a frame what its line bits are.

    Returns
    -------
    ndarray of int64, shape (3, packets)
        Its first bit, its line bits with header and check, and the line bits of all ahead of it.
    """
    sizes = [one.last - one.first + 1 + scenario.packet_overhead for one in packets]
    ahead = [sum(sizes[:number]) for number in range(len(sizes))]
    return np.array([[one.first for one in packets], sizes, ahead], dtype=np.int64)


def line_bit_begins(sent: int, line_time: int, bits: int, bit: int) -> int:
    """Return when a line bit of a packet enters the barrier, in fs; the next one's is its end.

    Parameters
    ----------
    sent : int, fs
        When the packet's last line bit has entered.
    line_time : int, fs
        How long the packet takes on the line.
    bits, bit : int
        How many line bits it has, header and check bits included, and which one, from 0.
    """
    return sent - line_time + line_time * bit // bits


def sent_at(full: int, line_free: int, line_time: int) -> int:
    """Return when a packet's last line bit enters the barrier; the line is free from then on.

    Parameters
    ----------
    full : int, fs
        When its last data bit was captured.
    line_free : int, fs
        When the packet ahead of it had left.
    line_time : int, fs
        How long it takes on the line.
    """
    return max(full, line_free) + line_time
