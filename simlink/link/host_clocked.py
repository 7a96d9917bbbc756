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

from fractions import Fraction
from typing import Any

from simlink.base.instants import FAR, Times, multiples, period_of
from simlink.link.channel import arrives_at, falling_delay, surviving
from simlink.link.content import BitOutcome

RIGHT = int(BitOutcome.RIGHT)
PREVIOUS = int(BitOutcome.PREVIOUS)
NEXT = int(BitOutcome.NEXT)
METASTABLE = int(BitOutcome.METASTABLE)


def cross_clock(
    edges: Any,
    count: int,
    static: int,
    distortion: int,
    jitter: Any,
    min_pulse: int,
    ahead: int,
) -> tuple[int, int]:
    """Take a clock through its channel, edge by edge.

    Parameters
    ----------
    edges : list of int or ndarray of int64, fs
        Rising edge 0, falling edge 0, rising edge 1, ... as they go in; changed in place to those
        that come out.
    count : int
        How many go in.
    static, distortion : int, fs
        Delay, spread and skew of the channel; how much longer a falling edge takes.
    jitter : list of int or ndarray of int64, fs
        Of each edge.
    min_pulse : int, fs
        The shortest pulse that passes; one of no width never does.
    ahead : int, fs
        When the channel's edge before came out.

    Returns
    -------
    passed, ahead : int
        How many edges come out, an even number; when the channel's last edge came out, or would
        have, had it not been swallowed.
    """
    short, ahead = cross_edges(edges, count, static, distortion, jitter, min_pulse, ahead)
    return passing(edges, count, min_pulse) if short else count, ahead


def cross_edges(
    edges: Any,
    count: int,
    static: int,
    distortion: int,
    jitter: Any,
    min_pulse: int,
    ahead: int,
) -> tuple[bool, int]:
    """Take the edges of a clock through its channel, as `cross_clock` does; none is taken out.

    Returns
    -------
    short : bool
        Whether any pulse that comes out is too short to pass.
    ahead : int, fs
        When the last edge came out.
    """
    falling, short = falling_delay(static, distortion), False
    # An edge that would overtake the one ahead comes with it, and leaves no pulse between them.
    shortest = max(min_pulse, 1)
    for edge in range(count):
        out = arrives_at(edges[edge], falling if edge % 2 else static, jitter[edge], ahead)
        # The pulses of one frame are judged among themselves.
        short = short or (edge > 0 and out - ahead < shortest)
        edges[edge] = ahead = out
    return short, ahead


def passing(edges: Any, count: int, min_pulse: int) -> int:
    """Take out the pulses that are too short, or of no width (`channel.surviving`)."""
    return surviving(edges, count, max(min_pulse, 1))


def valid_at_host(begins: int, static: int, distortion: int, jitter: int, before: int) -> int:
    """Return from when a bit can be captured at the host, by the slower kind of edge, in fs.

    Parameters
    ----------
    begins : int, fs
        From when it is valid at the converter; `FAR` if it never is.
    static, distortion : int, fs
        Delay, spread and skew of the lane; pulse-width distortion of its direction.
    jitter : int, fs
        Of the edge that brings it.
    before : int, fs
        The same of the bit before it.
    """
    if begins >= FAR:
        return FAR
    return arrives_at(begins, static + max(distortion, 0), jitter, before)


def valid_until_at_host(ends: int, static: int, distortion: int, jitter: int, before: int) -> int:
    """Return until when a bit can be captured at the host, by the faster kind of edge, in fs.

    As of `valid_at_host`, of the edge that takes it away: until when it is held at the converter,
    `FAR` if nothing takes it away.
    """
    if ends >= FAR:
        return FAR
    return arrives_at(ends, static + min(distortion, 0), jitter, before)


def bit_outcome(
    captured: int, setup: int, hold: int, valid: int, until: int, before: int, after: int
) -> int:
    """Tell which bit a capture gives.

    Parameters
    ----------
    captured : int, fs
        When it is captured.
    setup, hold : int, fs
        The host's own values.
    valid, until : int, fs
        From when and until when the bit itself can be captured.
    before : int, fs
        Until when the bit before it could; `FAR` for bit 0, before which the line rests.
    after : int, fs
        From when the bit after it can; `FAR` if there is none.

    Returns
    -------
    int
        A `BitOutcome`. A bit that is there when captured, but not for all of setup and hold, is
        metastable; so is one captured while the line changes.
    """
    if captured < valid and captured <= before:
        return PREVIOUS
    if captured > until and captured >= after:
        return NEXT
    if captured - setup < valid or captured + hold > until:
        return METASTABLE
    return RIGHT


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
