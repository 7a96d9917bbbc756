"""The strobe of the remote master: one clock beside all lanes, which takes each bit at the host.

Bits that cross one by one (`link.transport`) enter their lanes as they are captured, and each
stays there for one period; the line then rests, or brings the next one. The strobe rises in the
middle of each bit, half a period after the capture, and falls with its end. It is a channel of
the return direction as the lanes are: their delay, spread and pulse-width distortion, a skew and a
jitter of its own. At the host a bit counts from the slower of its line's two edges to the faster
one, as in `link.host_clocked`.

A bit that the strobe takes too early or too late, or whose pulse the channel swallows, is wrong.
When it is pushed is its own lane's affair: what the strobe decides is whether it is right.
"""

from __future__ import annotations

import numpy as np

from simlink.base.instants import Times, period_of, round_ratio
from simlink.scenario.schema import Scenario


def strobe_offsets(rising: Times, falling: Times, capture: str) -> Times:
    """Return the edges of the strobe, counted from the start of the remote clock.

    Parameters
    ----------
    rising, falling : ndarray of int64, shape (..., N + 1), fs
        The edges of the remote clock, those of one more cycle than a frame has among them.
    capture : {"half", "whole"}
        Whether bits are captured at its rising or at its falling edges.

    Returns
    -------
    ndarray of int64, shape (..., 2 N), fs
        Rising edge 0, falling edge 0, rising edge 1, ...; every edge is one of the clock's, half
        a period and a whole one after a capture.
    """
    if capture == "half":
        rises, falls = falling[..., :-1], rising[..., 1:]
    else:
        rises, falls = rising[..., 1:], falling[..., 1:]
    shape = (*rises.shape[:-1], 2 * rises.shape[-1])
    return np.stack([rises, falls], axis=-1).reshape(shape)


def end_offsets(rising: Times, falling: Times, capture: str) -> Times:
    """Return until when each bit is on its lane, a period after its capture: shape (..., N), fs.

    Parameters
    ----------
    rising, falling, capture
        As in `strobe_offsets`.
    """
    return (rising if capture == "half" else falling)[..., 1:]


def realign_gap(scenario: Scenario) -> int | None:
    """Return how long the strobe has to rest to end a frame, in fs; None if no rest does."""
    fifo = scenario.fifo
    if fifo.realign == "never":
        return None
    if fifo.realign_gap is not None:
        return fifo.realign_gap.constant_value
    periods = 2 * period_of(scenario.remote_clock.frequency.value)
    return round_ratio(periods.numerator, periods.denominator)


def taken_wrong(taken: int, valid: int, until: int) -> bool:
    """Tell whether the strobe takes a bit too early or too late.

    Parameters
    ----------
    taken : int, fs
        When the strobe rises at the host.
    valid, until : int, fs
        From when and until when the bit can be captured there (`host_clocked.valid_at_host`,
        `host_clocked.valid_until_at_host`), both inclusive.
    """
    return taken < valid or until < taken
