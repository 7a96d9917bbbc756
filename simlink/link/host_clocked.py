"""Serial read by a clock of the host's that crosses the barrier: forwarded and returned clock.

The host's clock idles low; its falling edge i - 1 launches bit i at the converter (bit 0 is on
the line ``msb_valid`` after busy falls), its rising edge i is the edge that would capture it half
a period later. Each edge crosses the clock's own channel. The converter holds the former bit for
``data_hold`` after the launching edge as it arrives, and the new one is valid ``data_valid``
after it; in between the line is uncertain. Data crosses back with the slower of its two edges
counted for the start of validity and the faster one for its end, so that a bit is judged by its
timing, not by whether its value happened to match.

The forwarded clock captures at the host's own clock: n half periods after the launching edge
left (1: ``half``, 2: ``whole``), or at a trained delay after it. The returned clock captures at
the clock as it comes back beside the data, at the rising edge (``half``) or the falling edge
(``whole``) of the bit.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

import numpy as np
import numpy.typing as npt

from simlink.base.instants import Times, multiples, period_of
from simlink.link.channel import crossing, falling_edge, in_order
from simlink.link.content import Taken

Flags = npt.NDArray[np.bool_]


@dataclass
class Clock:
    """A clock as it is seen at one place; shape (..., N) each, fs."""

    rising: Times
    falling: Times


def across(clock: Clock, static: Times, distortion: Times, jitter: Times, ahead: Times) -> Clock:
    """Return a clock as it comes out of its channel.

    Parameters
    ----------
    clock : Clock
        As it goes in, shape (..., N).
    static : ndarray of int64, shape (..., 1), fs
        Delay, spread and skew of the channel.
    distortion : ndarray of int64, shape (..., 1), fs
        Pulse-width distortion: how much longer a falling edge takes.
    jitter : ndarray of int64, shape (..., 2 N), fs
        Of rising edge 0, falling edge 0, rising edge 1, ...
    ahead : ndarray of int64, shape (...), fs
        When the channel's edge before came out.
    """
    edges = np.stack([clock.rising, clock.falling], axis=-1)
    late = np.stack(np.broadcast_arrays(static, falling_edge(static, distortion)), axis=-1)
    shape = edges.shape
    delay = np.broadcast_to(late, shape) + jitter.reshape(*jitter.shape[:-1], shape[-2], 2)
    arrived = edges + crossing(delay, 0)
    ordered = in_order(arrived.reshape(*shape[:-2], -1), ahead).reshape(shape)
    return Clock(ordered[..., 0], ordered[..., 1])


def swallowed(clock: Clock, min_pulse: Times) -> tuple[Flags, Flags]:
    """Tell which pulses of a clock are too short for the channel that they come out of.

    Parameters
    ----------
    clock : Clock
        As it comes out.
    min_pulse : ndarray of int64, shape (..., 1), fs
        The shortest pulse that passes.

    Returns
    -------
    high, low : ndarray of bool, shape (..., N) and (..., N - 1)
        High pulse i, and the low pulse after it. A swallowed pulse takes both its edges along.
    """
    high = clock.falling - clock.rising < min_pulse
    low = clock.rising[..., 1:] - clock.falling[..., :-1] < min_pulse
    return high, low


@dataclass
class Line:
    """What is on a data line at the host: bit i is safe from ``valid`` to ``until``.

    Arrays of int64, shape (..., lanes, N), fs.
    """

    valid: Times
    until: Times


def line_at_host(
    launches: Times,
    ready: Times,
    msb_valid: Times,
    data_valid: Times,
    data_hold: Times,
    lanes: Times,
    distortion: Times,
    jitter: Times,
    ahead: Times,
) -> Line:
    """Return when each bit can be captured at the host.

    Parameters
    ----------
    launches : ndarray of int64, shape (..., N), fs
        Falling edge i of the clock at the converter: it takes bit i away and launches bit i + 1.
    ready : ndarray of int64, shape (...), fs
        When busy falls.
    msb_valid, data_valid, data_hold : ndarray of int64, shape (...), fs
        The unit's own values.
    lanes : ndarray of int64, shape (..., lanes), fs
        Delay, spread and skew of each lane.
    distortion : ndarray of int64, shape (...), fs
        Pulse-width distortion of the return direction.
    jitter : ndarray of int64, shape (..., lanes, N + 1), fs
        Of the edge that brings bit i, and last of the edge that takes bit N - 1 away.
    ahead : ndarray of int64, shape (..., lanes), fs
        When the lane last changed.
    """
    first = (ready + msb_valid)[..., np.newaxis]
    begins = np.concatenate([first, launches[..., :-1] + data_valid[..., np.newaxis]], axis=-1)
    ends = launches + data_hold[..., np.newaxis]
    static = lanes[..., np.newaxis]
    slow = np.maximum(distortion, 0)[..., np.newaxis, np.newaxis]
    fast = np.minimum(distortion, 0)[..., np.newaxis, np.newaxis]
    valid = begins[..., np.newaxis, :] + crossing(static + slow, jitter[..., :-1])
    until = ends[..., np.newaxis, :] + crossing(static + fast, jitter[..., 1:])
    return Line(in_order(valid, ahead), in_order(until, ahead))


def capture_offsets(
    clock: Fraction, bits: int, half_periods: int | None, delay: int | None
) -> Times:
    """Return when the host's own clock captures each bit, counted from its start.

    Parameters
    ----------
    clock : Fraction
        The host's clock in Hz.
    bits : int
        N.
    half_periods : int or None
        After the launching edge.
    delay : int or None
        A trained delay in fs, where ``half_periods`` is None.

    Returns
    -------
    ndarray of int64, shape (N,), fs
        Bit i at round((i + half_periods / 2) / f), or at round(i / f) + delay. Bit 0 counts from
        the start of the clock, a whole period before its falling edge.
    """
    if half_periods is None:
        assert delay is not None
        return multiples(0, bits, period_of(clock)) + delay
    return multiples(half_periods, 2 * bits, period_of(clock) / 2)[::2].copy()


def judge(line: Line, captured: Times, setup: Times, hold: Times) -> npt.NDArray[np.int8]:
    """Tell how each bit is taken: right, as the one before, as the one after, or uncertain.

    Parameters
    ----------
    line : Line
        Shape (..., lanes, N).
    captured : ndarray of int64, shape (..., N), fs
        When each bit is captured.
    setup, hold : ndarray of int64, shape (...), fs
        The host's own values.

    Returns
    -------
    ndarray of int8, shape (..., lanes, N)
        Codes of `Taken`. A bit that is safe when captured, but not for all of setup and hold, is
        uncertain; so is one captured while the line changes.
    """
    at = captured[..., np.newaxis, :]
    early = at - setup[..., np.newaxis, np.newaxis] < line.valid
    late = at + hold[..., np.newaxis, np.newaxis] > line.until
    taken = np.where(early | late, np.int8(Taken.UNCERTAIN), np.int8(Taken.RIGHT))
    # Bit 0 has no bit before it: the line rests until it comes.
    rests = np.full((*line.until.shape[:-1], 1), np.iinfo(np.int64).max)
    before = np.concatenate([rests, line.until[..., :-1]], axis=-1)
    after = np.concatenate([line.valid[..., 1:], rests], axis=-1)
    taken[(at < line.valid) & (at <= before)] = Taken.FORMER
    taken[(at > line.until) & (at >= after)] = Taken.NEXT
    return taken


def surviving(clock: Clock, min_pulse: int) -> Clock:
    """Return what is left of one frame's clock once its too short pulses are swallowed.

    Parameters
    ----------
    clock : Clock
        As it comes out of its channel, shape (N,).
    min_pulse : int, fs
        The shortest pulse that the channel passes.

    Returns
    -------
    Clock
        Shape (m,), m <= N. Pulses are judged in order, each against the last edge that passed.
    """
    high, low = swallowed(clock, np.array([min_pulse]))
    if not high.any() and not low.any():
        return clock
    edges = np.stack([clock.rising, clock.falling], axis=-1).ravel().tolist()
    kept: list[int] = []
    for at, edge in enumerate(edges):
        if kept and edge - kept[-1] < min_pulse and (at - len(kept)) % 2 == 0:
            # The pulse between this edge and the last one that passed is swallowed whole.
            kept.pop()
        else:
            kept.append(edge)
    even = kept[: len(kept) // 2 * 2]
    return Clock(np.array(even[0::2], dtype=np.int64), np.array(even[1::2], dtype=np.int64))


def filled(edges: Times, count: int, never: int) -> Times:
    """Return edges with those that never come set to a far future, shape (count,), fs."""
    missing = np.full(count - len(edges), never, dtype=np.int64)
    return np.concatenate([edges, missing])
