"""The electrical fast transient of IEC 61000-4-4 across the barrier: its pulse and its bursts.

The pulse is taken as a double exponential, v(t) = peak A (exp(-t / fall) - exp(-t / rise)), with
the two time constants that give the standard's rise time of 5 ns (10 to 90 %) and width of 50 ns
(half value to half value), and A such that it reaches the peak. A burst has 75 pulses, at 5 kHz or
100 kHz, and one begins every 300 ms: 15,000 pulses a minute. (The standard's figures are from
memory.) A pulse slews fastest as it begins; it falls again, slower, after its peak.
"""

from __future__ import annotations

import math
from collections.abc import Callable

#: Pulses of a burst; from the start of one burst to that of the next, in fs.
PULSES = 75
BURST_PERIOD = 300 * 10**12
#: Time constants in fs, and what makes the sum of both exponentials reach 1.
RISE, FALL = 3_290_974.3488, 55_609_701.0200
PEAK_AT = RISE * FALL / (FALL - RISE) * math.log(FALL / RISE)
FACTOR = 1 / (math.exp(-PEAK_AT / FALL) - math.exp(-PEAK_AT / RISE))
#: When the pulse falls fastest, in fs.
STEEPEST_FALL = 2 * PEAK_AT
_PER_SECOND = 1e15


def voltage(time: float) -> float:
    """Return the pulse as a share of its peak; the time in fs from its start."""
    return FACTOR * (math.exp(-time / FALL) - math.exp(-time / RISE))


def slope(time: float) -> float:
    """Return how fast the pulse rises, as a share of its peak per femtosecond."""
    return FACTOR * (math.exp(-time / RISE) / RISE - math.exp(-time / FALL) / FALL)


def steepest(peak: float) -> float:
    """Return the highest slew of a pulse in V/s; the peak in V."""
    return peak * slope(0) * _PER_SECOND


def above(peak: float, slew: float) -> list[tuple[int, int]]:
    """Return from when and until when a pulse slews faster than a given slew, up or down.

    Parameters
    ----------
    peak : float
        In V.
    slew : float
        In V/s.

    Returns
    -------
    list of (int, int), fs
        Counted from the start of the pulse, whole femtoseconds: its front, and its tail if that
        is steep enough.
    """
    wanted = slew / (peak * _PER_SECOND) if peak else math.inf
    if slope(0) <= wanted:
        return []
    found = [(0, _crossing(lambda time: slope(time) > wanted, 0.0, PEAK_AT))]
    if -slope(STEEPEST_FALL) > wanted:
        start = _crossing(lambda time: -slope(time) <= wanted, PEAK_AT, STEEPEST_FALL)
        last = STEEPEST_FALL
        while -slope(last) > wanted and last < 1000 * FALL:
            last *= 2
        found.append((start, _crossing(lambda time: -slope(time) > wanted, STEEPEST_FALL, last)))
    return found


def _crossing(holds: Callable[[float], bool], low: float, high: float) -> int:
    """Return the last whole femtosecond, by halving, up to which a condition holds."""
    first, last = math.floor(low), math.ceil(high)
    while last - first > 1:
        middle = (first + last) // 2
        if holds(float(middle)):
            first = middle
        else:
            last = middle
    return last
