"""Exact instants: integer femtoseconds, rounded once and never accumulated.

All rounding is of an exact rational, half to even, as Python's ``round`` of a ``Fraction``.
"""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import numpy.typing as npt

Times = npt.NDArray[np.int64]

FS_PER_SECOND = 10**15
#: Stands for "this never happened" wherever an instant is kept in an int64 array.
NEVER = int(np.iinfo(np.int64).min)
#: The longest trial, 2.5 h; int64 femtoseconds end at 2.56 h.
LONGEST_TRIAL = 9000 * FS_PER_SECOND
#: Later than any instant, with room in int64 for two minutes of delays on top.
FAR = LONGEST_TRIAL + 100 * FS_PER_SECOND
_ROOM = 2**62


def round_ratio(numerator: int, denominator: int) -> int:
    """Round a ratio of integers, the denominator positive, to the nearest integer, half to even."""
    whole, rest = divmod(numerator, denominator)
    twice = 2 * rest
    if twice > denominator or (twice == denominator and whole % 2):
        return whole + 1
    return whole


def period_of(frequency: Fraction) -> Fraction:
    """Return the exact period of a frequency in Hz, in femtoseconds."""
    return FS_PER_SECOND / frequency


def multiples(first: int, count: int, period: Fraction) -> Times:
    """Return ``round(k * period)`` for k = first ... first + count - 1, each rounded once.

    The exact period, positive, is in femtoseconds, as the instants are: int64, shape (count,).
    """
    whole, rest = divmod(period.numerator, period.denominator)
    base = np.arange(first, first + count, dtype=np.int64) * whole
    if rest == 0 or count == 0:
        return base
    below = period.denominator
    if below >= _ROOM // 2:
        exact = (round_ratio(k * period.numerator, below) for k in range(first, first + count))
        return np.fromiter(exact, dtype=np.int64, count=count)
    # The fractional part is advanced in stretches short enough for int64.
    stretch = max(1, (_ROOM - below) // rest)
    parts = []
    done = 0
    while done < count:
        size = min(stretch, count - done)
        carried, start = divmod((first + done) * rest, below)
        total = start + np.arange(size, dtype=np.int64) * rest
        quotient, left = np.divmod(total, below)
        quotient += carried
        # Parity of the sum with the whole part decides a tie.
        odd = (quotient + base[done : done + size]) & 1
        quotient += (2 * left > below) | ((2 * left == below) & (odd == 1))
        parts.append(quotient)
        done += size
    fractions: Times = np.concatenate(parts)
    return base + fractions


def clock_edges(frequency: Fraction, cycles: int) -> tuple[Times, Times]:
    """Return the rising and the falling edges of a clock that idles low, counted from its start.

    Of an exact frequency f in Hz and so many whole cycles, rising edge i is at
    ``round((i + 1/2) / f)`` and falling edge i at ``round((i + 1) / f)``, in femtoseconds; each are
    int64, shape (cycles,).
    """
    half = period_of(frequency) / 2
    edges = multiples(1, 2 * cycles, half)
    return edges[0::2].copy(), edges[1::2].copy()
