"""A barrier channel: it delays every symbol, and never lets one overtake another.

What a channel owes to its unit (delay, part-to-part spread, skew against the other channels,
pulse-width distortion) is drawn once for each trial; jitter is drawn for each edge. The delay
is that of a rising edge; a falling edge takes the pulse-width distortion on top. No symbol
arrives before it was sent: jitter that would make it so is cut off there. A pulse shorter than
the channel's shortest is swallowed, with both its edges.

Everything that crosses the barrier does so by `arrives_at`: trigger, credit, clock, returned
clock, busy, data bits and packets.
"""

from __future__ import annotations

from typing import Any


def crossing(static: int, jitter: int) -> int:
    """Return how long a symbol takes to cross, never negative.

    Parameters
    ----------
    static : int, fs
        Delay, spread and skew of the channel in its unit, for this kind of edge.
    jitter : int, fs
        The jitter of this symbol.
    """
    return max(static + jitter, 0)


def falling_delay(rising_delay: int, distortion: int) -> int:
    """Return the fixed delay of a falling edge: that of a rising one plus the distortion, in fs."""
    return max(rising_delay + distortion, 0)


def arrives_at(sent: int, static: int, jitter: int, ahead: int) -> int:
    """Return when a symbol comes out of its channel.

    Parameters
    ----------
    sent : int, fs
        When it goes in.
    static, jitter : int, fs
        As in `crossing`.
    ahead : int, fs
        When the symbol ahead of it in the same channel came out.
    """
    return max(sent + crossing(static, jitter), ahead)


def surviving(edges: Any, count: int, min_pulse: int) -> int:
    """Take the pulses that are too short for a channel out of what comes out of it.

    Parameters
    ----------
    edges : list of int or ndarray of int64, fs
        Rising edge 0, falling edge 0, rising edge 1, ... of a line that idles low, as they would
        come out; those that pass are moved to its front.
    count : int
        How many there are, an even number.
    min_pulse : int, fs
        The shortest pulse that passes.

    Returns
    -------
    int
        How many pass, an even number. Pulses are judged in order, each from the last edge that
        passed; one that is swallowed takes both its edges along.
    """
    kept = 0
    for at in range(count):
        if kept and edges[at] - edges[kept - 1] < min_pulse:
            kept -= 1
        else:
            edges[kept] = edges[at]
            kept += 1
    return kept
