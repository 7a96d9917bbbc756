"""Common-mode events: when those of each source come, and what each is.

A source gives events in the order of time: an instant, a slew (V/s) and a swing (uV), or the peak
of a fast pulse. The edges of a switch come ``dead_time`` after the instant at which they would
without it, and none comes before the edge ahead of it. What is drawn for an event has a stream of
its own, named by the source's place (``transient 0.slew``), and is indexed by the event's number.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from fractions import Fraction
from itertools import accumulate

import numpy as np

from simlink.base.draws import Column, once
from simlink.base.instants import FAR, NEVER, Times, multiples, period_of, round_ratio
from simlink.link.eft import BURST_PERIOD, PULSES, above
from simlink.link.trigger import DueTimes, actual_frequency
from simlink.scenario.distributions import Uniform, exponential_time, reach
from simlink.scenario.schema import Scenario
from simlink.scenario.transient import Transient

#: Events of a source that are worked out together: at first, for most trials see few, and later.
FIRST, CHUNK = 4, 512
#: Microvolts over volts per second, in femtoseconds.
_SCALE = 10**9


def later(times: Times, by: Times | int) -> Times:
    """Return instants moved by some time, none beyond `FAR`, where nothing happens any more."""
    found: Times = np.minimum(times, FAR - np.maximum(by, 0)) + by
    return found


def ramp_lasts(swing: int, slew: int) -> int:
    """Return how long a ramp takes, in fs; the swing in uV, the slew in V/s."""
    return round_ratio(swing * _SCALE, slew)


def _sizes(first: int = FIRST) -> Iterator[int]:
    """Yield how many events of a source are worked out together, stretch by stretch."""
    size = first
    while True:
        yield size
        size = min(2 * size, CHUNK)


def _likely(scenario: Scenario, each: Fraction) -> int:
    """Return about the most events of a source that a trial sees; ``each``, in fs, between two."""
    rate = scenario.trigger.rate
    if rate is None:
        return FIRST
    mean = float(min(scenario.conversions * period_of(rate.value) / each, Fraction(CHUNK)))
    return min(max(FIRST, math.ceil(mean + 3 * math.sqrt(mean))), CHUNK)


def _at(source: Transient, *_: object) -> Iterator[Times]:
    """Yield instants that are given, all in one stretch."""
    assert source.times is not None
    yield np.sort(np.array([time.constant_value for time in source.times], dtype=np.int64))


def _poisson(source: Transient, scenario: Scenario, trial: int, name: str) -> Iterator[Times]:
    """Yield the instants of a Poisson stream; beyond the longest trial there are none."""
    assert source.rate is not None
    each = period_of(source.rate.value)
    column, last = Column(exponential_time(float(each)), scenario.seed, trial, f"{name}.rate"), 0
    for count in _sizes(_likely(scenario, each)):
        gaps = column.take(count)
        if float(last) + float(gaps.sum(dtype=np.float64)) < FAR:
            found = last + np.cumsum(gaps)
            last = int(found[-1])
            yield found
            continue
        times = list(accumulate(gaps.tolist(), initial=last))[1:]
        last = times[-1]
        yield np.array([time for time in times if time < FAR], dtype=np.int64)
        if last >= FAR:
            return


def _switching(source: Transient, scenario: Scenario, trial: int, name: str) -> Iterator[Times]:
    """Yield both edges of a power switch, by turns; the rising one first."""
    assert source.frequency is not None
    seed = scenario.seed
    tolerance = once(source.tolerance, seed, trial, f"{name}.tolerance")
    period = period_of(actual_frequency(source.frequency.value, tolerance))
    most = min(math.floor(period), FAR)
    phase = Uniform(low=0, high=most) if source.phase is None else source.phase
    ahead = once(phase, seed, trial, f"{name}.phase")
    held = min(period * Fraction(source.duty), Fraction(FAR))
    high = round_ratio(held.numerator, held.denominator)
    late = Column(source.dead_time, seed, trial, f"{name}.dead_time")
    jitter = Column(source.jitter, seed, trial, f"{name}.jitter")
    done, last = 0, NEVER
    for size in _sizes(_likely(scenario, period / 2)):
        count = min(size // 2, math.floor(FAR / period) + 1 - done)
        if count <= 0:
            return
        edges = np.empty((count, 2), dtype=np.int64)
        # Of a period longer than any trial there is one, and no multiple.
        cycles = np.zeros(1, dtype=np.int64) if period > FAR else multiples(done, count, period)
        edges[:, 0] = later(cycles, ahead)
        edges[:, 1] = later(edges[:, 0], high)
        done += count
        times = later(edges.ravel(), late.take(2 * count) + jitter.take(2 * count))
        times[0] = max(times[0], last)
        found: Times = np.maximum.accumulate(times)
        last = int(found[-1])
        yield found


def _bursts(source: Transient, scenario: Scenario, trial: int, name: str) -> Iterator[Times]:
    """Yield the pulses of IEC 61000-4-4: 75 to a burst, and a burst every 300 ms."""
    law = Uniform(low=0, high=BURST_PERIOD) if source.start is None else source.start
    start = once(law, scenario.seed, trial, f"{name}.start")
    repetition = Fraction({"5 kHz": 5_000, "100 kHz": 100_000}[source.repetition])
    pulses = multiples(0, PULSES, period_of(repetition))
    while start < FAR:
        yield start + pulses
        start += BURST_PERIOD


def _locked(source: Transient, scenario: Scenario, trial: int, name: str) -> Iterator[Times]:
    """Yield instants at an offset to the due times of triggers, which may change their order."""
    assert source.offset is not None
    tolerance = once(scenario.trigger.tolerance, scenario.seed, trial, "trigger.tolerance")
    triggers = DueTimes(scenario, trial, tolerance)
    offsets = Column(source.offset, scenario.seed, trial, f"{name}.offset")
    least = reach(source.offset)[0]
    taken, left, kept = 0, scenario.conversions, np.empty(0, dtype=np.int64)
    for size in _sizes():
        if not left and not len(kept):
            return
        count = left if math.isinf(least) else min(left, size)
        due = triggers.take(count)
        at = np.arange(taken, taken + count)
        which = (at >= source.first) & ((at - source.first) % source.every == 0)
        taken, left = taken + count, left - count
        times = due[which] + offsets.take(int(which.sum()))
        times = np.sort(np.concatenate([kept, times]))
        # Those that one still to come may precede wait for it.
        upto = len(times)
        if left:
            settled = int(due[-1]) + math.floor(least)
            upto = int(np.searchsorted(times, settled, side="right"))
        found, kept = times[:upto], times[upto:]
        yield found


_OF_KIND: dict[str, Callable[[Transient, Scenario, int, str], Iterator[Times]]] = {
    "at": _at,
    "locked": _locked,
    "poisson": _poisson,
    "switching": _switching,
    "eft": _bursts,
}


def instants(scenario: Scenario, number: int, trial: int) -> Iterator[Times]:
    """Return when the events of one source come in one trial, stretch by stretch.

    Parameters
    ----------
    scenario : Scenario
    number : int
        Which of its transients.
    trial : int

    Yields
    ------
    ndarray of int64, shape (n,), fs
        In order, and none before any given; a stretch may be empty.
    """
    source = scenario.transient[number]
    return _OF_KIND[source.kind](source, scenario, trial, f"transient {number}")


class Events:
    """The events of one source in one trial, in stretches.

    What an event is: its peak in uV and 0 of a fast pulse, else its slew in V/s and swing in uV.
    """

    def __init__(self, scenario: Scenario, number: int, trial: int) -> None:
        source, name = scenario.transient[number], f"transient {number}"
        self._instants = instants(scenario, number, trial)
        self._coupling = source.coupling
        self._peaks = self._slews = self._swings = None
        if source.kind == "eft":
            assert source.peak is not None
            self._peaks = Column(source.peak, scenario.seed, trial, f"{name}.peak")
        else:
            assert source.slew is not None
            assert source.swing is not None
            self._slews = Column(source.slew, scenario.seed, trial, f"{name}.slew")
            self._swings = Column(source.swing, scenario.seed, trial, f"{name}.swing")
        self._known: dict[tuple[int, int], list[tuple[int, int]]] = {}
        #: All events up to here have been given; FAR and more once there are no others.
        self.upto = NEVER

    def take(self) -> tuple[list[int], list[tuple[int, int]]]:
        """Return the next events: their instants in fs, in order, and what each is."""
        times = next(self._instants, None)
        if times is None:
            self.upto = 2**63 - 1
            return [], []
        if not len(times):
            return [], []
        self.upto = int(times[-1])
        if self._peaks is not None:
            return times.tolist(), [(peak, 0) for peak in self._peaks.take(len(times)).tolist()]
        assert self._slews is not None
        assert self._swings is not None
        slews, swings = self._slews.take(len(times)), self._swings.take(len(times))
        return times.tolist(), list(zip(slews.tolist(), swings.tolist(), strict=True))

    def lasting(self, event: tuple[int, int], slew: int) -> list[tuple[int, int]]:
        """Return from when and until when an event slews faster than a slew in V/s.

        Counted from its instant, in fs.
        """
        if self._peaks is None:
            own, swing = event
            return [(0, ramp_lasts(swing, own))] if own > slew else []
        key = event[0], slew
        if key not in self._known:
            if len(self._known) > CHUNK:
                self._known.clear()
            self._known[key] = above(event[0] * 1e-6 * self._coupling, slew)
        return self._known[key]
