"""The trigger: when each conversion is due, and when its trigger leaves the timer.

Patterns: ``periodic``, ``poisson``, ``burst`` (``burst_length`` triggers at the rate, then an
idle time of ``gap`` up to the first of the next burst) and ``after_read`` (one ``gap`` after
the host has read the frame, or has given it up; only an engine can tell when that is).
A host timer's trigger crosses the barrier; a remote timer sits beside the converter.
"""

from __future__ import annotations

from fractions import Fraction

import numpy as np

from simlink.base.draws import Column
from simlink.base.instants import Times, multiples, period_of, round_ratio
from simlink.scenario.distributions import exponential_time
from simlink.scenario.quantities import PARTS
from simlink.scenario.schema import Scenario


def actual_frequency(nominal: Fraction, tolerance: int) -> Fraction:
    """Return a timer's frequency in one unit.

    Parameters
    ----------
    nominal : Fraction
        The nominal frequency in Hz.
    tolerance : int
        The relative error of this unit, in parts per 10^12.

    Returns
    -------
    Fraction
        The exact frequency in Hz.
    """
    return nominal * (PARTS + tolerance) / PARTS


class DueTimes:
    """When the triggers of one trial are due, handed out in order.

    Parameters
    ----------
    scenario : Scenario
        Any pattern but ``after_read``.
    trial : int
        The trial.
    tolerance : int
        The timer's relative error in this unit, in parts per 10^12.
    """

    def __init__(self, scenario: Scenario, trial: int, tolerance: int) -> None:
        trigger = scenario.trigger
        assert trigger.rate is not None
        self._pattern = trigger.pattern
        self._next = 0
        self._last = 0
        self._period = period_of(actual_frequency(trigger.rate.value, tolerance))
        self._burst = 0
        self._base = 0
        self._gaps: Column | None = None
        if trigger.pattern == "poisson":
            law = exponential_time(float(self._period))
            self._gaps = Column(law, scenario.seed, trial, "trigger.rate")
        elif trigger.pattern == "burst":
            assert trigger.gap is not None
            assert trigger.burst_length is not None
            self._length = trigger.burst_length
            self._gaps = Column(trigger.gap, scenario.seed, trial, "trigger.gap")

    def take(self, count: int) -> Times:
        """Return the next ``count`` due times, int64 fs, shape (count,)."""
        first, self._next = self._next, self._next + count
        if self._gaps is None:
            return multiples(first + 1, count, self._period)
        if self._pattern == "poisson":
            due = self._last + np.cumsum(self._gaps.take(count))
            if count:
                self._last = int(due[-1])
            return due
        # Within a burst the rate counts; a new one starts a gap after the last trigger.
        burst = np.arange(first, first + count) // self._length
        upto = int(burst[-1]) if count else self._burst
        gaps = self._gaps.take(upto - self._burst)
        bases = np.full(len(gaps) + 1, self._base)
        if len(gaps):
            last = self._length * self._period
            span = round_ratio(last.numerator, last.denominator)
            bases[1:] += np.cumsum(gaps + (span - int(multiples(1, 1, self._period)[0])))
        due = bases[burst - self._burst] + self._within(first, count)
        self._burst, self._base = upto, int(bases[-1])
        return due

    def _within(self, first: int, count: int) -> Times:
        """Return when triggers are due, counted from a period before the first of their burst."""
        if self._length <= count:
            steps = multiples(1, self._length, self._period)
            return steps[np.arange(first, first + count) % self._length]
        # Two bursts at the most; a long one takes no more room than what is asked for.
        start = first % self._length
        head = min(count, self._length - start)
        parts = multiples(start + 1, head, self._period), multiples(1, count - head, self._period)
        return np.concatenate(parts)


def leaves_at(due: int, jitter: int, cue: int) -> int:
    """Return when a trigger leaves its timer, in fs.

    Parameters
    ----------
    due, jitter : int, fs
        When it is due, and how much it is off.
    cue : int, fs
        What it waits for: in a loop no trigger leaves before the host is done with the one ahead
        of it. `NEVER` for nothing.
    """
    return max(due + jitter, cue)
