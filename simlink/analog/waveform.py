"""A recorded input: what stands between its rows, and how well that is known."""

from __future__ import annotations

import math
from fractions import Fraction

import numpy as np

from simlink.analog.tone import Floats
from simlink.base.instants import FS_PER_SECOND, Times

#: Of the error of a cubic spline through points h apart: 5/384 h^4 times the largest fourth
#: derivative (Hall and Meyer 1976, from memory).
_SPLINE = 5 / 384


def error_at(tone: Fraction, rate: Fraction) -> float:
    """Return the most that the spline is wrong at a tone, in dB below that tone."""
    turn = 2 * math.pi * float(tone / rate)
    return -20 * math.log10(_SPLINE * turn**4)


class Waveform:
    """A recording as a function of time: even rows, as shares of half the full-scale range.

    `rate` is in rows a second; at `start` rows lies instant 0 of a trial.
    """

    def __init__(self, values: Floats, rate: Fraction, start: float) -> None:
        from scipy.interpolate import CubicSpline

        self._spline = CubicSpline(np.arange(len(values), dtype=np.float64), values)
        self._last = len(values) - 1
        self._rate, self._start = rate, start

    def at(self, instants: Times) -> Floats:
        """Return the input at instants in fs; beyond the ends, that of the end."""
        rows = instants * (float(self._rate) / FS_PER_SECOND) + self._start
        found: Floats = self._spline(np.clip(rows, 0.0, self._last))
        return found


def rows_needed(count: int, trigger_rate: Fraction, rate: Fraction) -> int:
    """Return how many rows a run of so many conversions takes, with two at either end to spare."""
    return math.ceil((count + 1) * rate / trigger_rate) + 4
