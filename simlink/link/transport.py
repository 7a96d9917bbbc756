"""The return transport: bits one by one as captured, or gathered into packets.

Bits style: each bit enters the barrier when it is captured, beside a strobe whose rising edge
pushes it at the host. Packets style: bits wait until their packet is full (the last packet of a
frame may be short); packets of a lane follow one another at the line rate, header and check
bits included, and all bits of a packet are pushed when its last line bit has arrived. So a line
too slow for the bits backs up, and shows it as latency.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

import numpy as np
import numpy.typing as npt

from simlink.base.instants import FS_PER_SECOND, Times, round_ratio
from simlink.link.channel import crossing, in_order


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


def push_bits(captured: Times, static: npt.ArrayLike, jitter: npt.ArrayLike, ahead: Times) -> Times:
    """Return when the bits of a frame are pushed in bits style.

    Parameters
    ----------
    captured : ndarray of int64, shape (..., 1 or lanes, N), fs
        When each bit is captured.
    static : int64 array_like, shape (..., lanes, 1), fs
        Delay, spread and skew of each lane.
    jitter : int64 array_like, shape (..., lanes, N), fs
        Jitter of each bit.
    ahead : ndarray of int64, shape (..., lanes), fs
        When the lane's bit before was pushed.

    Returns
    -------
    ndarray of int64, shape (..., lanes, N), fs
    """
    return in_order(captured + crossing(static, jitter), ahead)


def push_packets(
    packets: list[Packet],
    captured: Times,
    static: npt.ArrayLike,
    jitter: Times,
    line_free: Times,
    ahead: Times,
) -> tuple[Times, Times]:
    """Return when the packets of a frame have arrived, in packets style.

    Parameters
    ----------
    packets : list of Packet
        From `split`.
    captured : ndarray of int64, shape (..., 1 or lanes, N), fs
        When each bit is captured.
    static : int64 array_like, shape (..., lanes), fs
        Delay, spread and skew of each lane.
    jitter : ndarray of int64, shape (..., lanes, packets), fs
        Jitter of each packet.
    line_free : ndarray of int64, shape (..., lanes), fs
        When the lane's line is free of the packets before.
    ahead : ndarray of int64, shape (..., lanes), fs
        When the lane's packet before arrived.

    Returns
    -------
    arrived : ndarray of int64, shape (..., lanes, packets), fs
    line_free : ndarray of int64, shape (..., lanes), fs
        After this frame.
    """
    free = line_free
    arrivals = []
    for number, packet in enumerate(packets):
        free = np.maximum(captured[..., packet.last], free) + packet.line_time
        ahead = np.maximum(free + crossing(static, jitter[..., number]), ahead)
        arrivals.append(ahead)
    return np.stack(arrivals, axis=-1), free
