"""A barrier channel: it delays every symbol, and never lets one overtake another.

What a channel owes to its unit (delay, part-to-part skew, skew against the other channels,
pulse-width distortion) is drawn once for each trial; jitter is drawn for each edge. The delay
is that of a rising edge; a falling edge takes the pulse-width distortion on top. No symbol
arrives before it was sent: jitter that would make it so is cut off there. A pulse shorter than
the channel's shortest is swallowed, with both its edges.

A data sheet's limits of the delay may contain both skews and the distortion already
(``delay_covers``). The sum of the delay and of what it covers is then held within those limits,
edge by edge: what would lie beyond lies at the limit. So each edge of each channel keeps the
limits, whatever is drawn; two channels of a direction differ by no more than their skews do, and
by no more than the limits do; a high pulse changes by no more than the distortion, and by no more
than the limits differ. To move both channels or both edges of a unit together instead would keep
every difference as drawn, but not the limits where the differences are wider than they are, as
rounded maxima of data sheets often are.

Everything that crosses the barrier does so by `arrives_at`: trigger, credit, clock, returned
clock, busy, data bits and packets.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from simlink.base.instants import Times

if TYPE_CHECKING:
    from simlink.scenario.sections import Direction


def held(crossing: Any, low: Any, high: Any) -> Any:
    """Return a crossing, or the nearer of its limits where it lies beyond them; all in fs.

    Of whole numbers, of fractions, and of arrays alike.
    """
    return crossing + (crossing < low) * (low - crossing) - (crossing > high) * (crossing - high)


#: What the streams of two laws are called: a stream keeps its name whatever becomes of the key, for
#: another name would give other draws.
_STREAMS = {"part_to_part_skew": "spread", "channel_skew": "skew"}


def stream(way: str, key: str, channel: str = "") -> str:
    """Return the name of the stream that one of a direction's laws draws from.

    Parameters
    ----------
    way : {"forward", "return"}
        The direction.
    key : str
        The law's key in the scenario.
    channel : str
        Of a skew, whose: ``"clock"``, ``"busy"``, ``"strobe"`` or ``"lane 0"``, ``"lane 1"``, ...
    """
    return f"barrier.{way}.{_STREAMS.get(key, key)} {channel}".rstrip()


def fixed_part(way: Direction, delay: Any, spread: Any, skew: Any = 0, distortion: Any = 0) -> Any:
    """Return the fixed part of a crossing, of a rising edge or, with a distortion, of a falling.

    Parameters
    ----------
    way : Direction
        Says what the limits of the delay cover.
    delay, spread, skew, distortion : int, Fraction or ndarray of int64, fs
        Of one channel; finite.
    """
    if not way.delay_covers:
        return delay + spread + skew + distortion
    low, high = (int(end) for end in way.delay.support)
    covered, beside = 0, 0
    for name, value in (
        ("part_to_part_skew", spread),
        ("channel_skew", skew),
        ("pulse_width_distortion", distortion),
    ):
        if name in way.delay_covers:
            covered = covered + value
        else:
            beside = beside + value
    return held(delay + covered, low, high) + beside


def falling_delay(rising_delay: int, distortion: int) -> int:
    """Return the fixed delay of a falling edge: that of a rising one plus the distortion, in fs."""
    return max(rising_delay + distortion, 0)


def arrives_at(sent: int, static: int, jitter: int, ahead: int) -> int:
    """Return when a symbol comes out of its channel.

    Parameters
    ----------
    sent : int, fs
        When it goes in.
    static : int, fs
        Delay, spread and skew of the channel in its unit, for this kind of edge.
    jitter : int, fs
        The jitter of this symbol; together they never come to less than nothing.
    ahead : int, fs
        When the symbol ahead of it in the same channel came out.
    """
    crossing = static + jitter
    time = sent + crossing if crossing > 0 else sent
    return time if time > ahead else ahead


def arrive_at(sent: Times, static: Times, jitter: Times, ahead: int) -> Times:
    """Return when symbols that follow one another come out, as `arrives_at` says of each.

    Parameters
    ----------
    sent, static, jitter : ndarray of int64, shape (n,), fs
        Of each symbol.
    ahead : int, fs
        When the symbol ahead of the first came out.
    """
    found: Times = np.maximum.accumulate(sent + np.maximum(static + jitter, 0))
    return np.maximum(found, ahead)


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
