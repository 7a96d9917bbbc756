"""The input: tones, at instants."""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
import numpy.typing as npt

from simlink.base.instants import FS_PER_SECOND, Times

Floats = npt.NDArray[np.float64]

_STEP = 21  # bits of an instant that are multiplied at a time
_HEAD = 2.0**26


def cycles_at(frequency: Fraction, instants: Times) -> Floats:
    """Return the cycles that a tone in Hz has run through at instants in fs, less the whole ones.

    From 0 to 1, right to about 1e-15 however late the instant, which is not negative: a double
    holds no femtosecond of a long run, so it is taken in three pieces and each cut to less than a
    cycle.
    """
    instants = np.asarray(instants, dtype=np.int64)
    found = np.zeros(instants.shape)
    for place in range(0, 63, _STEP):
        piece = ((instants >> place) & ((1 << _STEP) - 1)).astype(np.float64)
        each = frequency * (1 << place) / FS_PER_SECOND % 1
        head = math.floor(float(each) * _HEAD) / _HEAD
        tail = float(each - Fraction(head))
        found += piece * head % 1.0
        found += piece * tail
    return found % 1.0


@dataclass(frozen=True)
class Tone:
    """A sine: Hz, peak as a share of half the full-scale range, phase in cycles at instant 0."""

    frequency: Fraction
    amplitude: float = 1.0
    phase: float = 0.0

    def at(self, instants: Times) -> Floats:
        """Return its values at instants in fs, as shares of half the full-scale range."""
        cycles = cycles_at(self.frequency, instants)
        cycles += self.phase
        cycles *= 2 * math.pi
        np.sin(cycles, out=cycles)
        cycles *= self.amplitude
        return cycles
