"""What a run's records add up to, trial by trial, in memory that does not grow with its length."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from simlink.figures.latencies import Latencies
from simlink.instants import NEVER, Times
from simlink.records import Fate, FrameBlock

if TYPE_CHECKING:
    from simlink.scenario.schema import Scenario

#: FIFO fillings above this are counted together with it.
_MOST_FILLINGS = 4096
_FATES = [fate for fate in Fate if fate >= 0]


class Tally:
    """Counts and sums over a range of trials.

    Parameters
    ----------
    scenario : Scenario
        The scenario of the run.
    trials : range
        Which of its trials.

    Attributes
    ----------
    fates : ndarray of int64, shape (T, fates)
        Conversions of each fate.
    sent, short, timed_out : ndarray of int64, shape (T,)
        Triggers sent, of them with short acquisition, and given up by the host.
    last_trigger, end : ndarray of int64, shape (T,), fs
        When the last trigger left, and when the last thing happened.
    busy : ndarray of int64, shape (T,), fs
        How long the host was serving.
    filling : ndarray of int64, shape (depth + 1,)
        How many slots an arriving frame found taken.
    fullest : int
        The most slots seen taken.
    """

    def __init__(self, scenario: Scenario, trials: range) -> None:
        count = len(trials)
        self.trials = trials
        self.depth = scenario.fifo.depth
        self.total_trials = scenario.trials
        self.fates = np.zeros((count, len(_FATES)), dtype=np.int64)
        self.sent = np.zeros(count, dtype=np.int64)
        self.short = np.zeros(count, dtype=np.int64)
        self.timed_out = np.zeros(count, dtype=np.int64)
        self.last_trigger = np.zeros(count, dtype=np.int64)
        self.end = np.zeros(count, dtype=np.int64)
        self.busy = np.zeros(count, dtype=np.int64)
        self.sampled = np.zeros(count, dtype=np.int64)
        self.sampling_first = np.full(count, NEVER, dtype=np.int64)
        self.sampling_sum = np.zeros(count)
        self.sampling_squares = np.zeros(count)
        self.filling = np.zeros(min(self.depth, _MOST_FILLINGS) + 1, dtype=np.int64)
        self.fullest = 0
        total = scenario.trials * scenario.conversions
        self.to_release = Latencies(scenario.trials, total)
        self.to_read = Latencies(scenario.trials, total)

    def add(self, block: FrameBlock) -> None:
        """Take in a block of records; its trials must lie within this tally's."""
        start = block.trials.start - self.trials.start
        rows = slice(start, start + len(block.trials))
        for fate in _FATES:
            self.fates[rows, fate] += (block.fate == fate).sum(axis=1)
        self.sent[rows] += (block.fate != Fate.NOT_SENT).sum(axis=1)
        self.short[rows] += block.short_acquisition.sum(axis=1)
        self.timed_out[rows] += block.timed_out.sum(axis=1)
        self._times(rows, block)
        self._latencies(block)
        self._sampling(rows, block)
        self._filling(block)

    def _times(self, rows: slice, block: FrameBlock) -> None:
        last = block.trigger.max(axis=1)
        np.maximum(self.last_trigger[rows], last, out=self.last_trigger[rows])
        for times in (block.trigger, block.ready, block.release, block.read_end):
            np.maximum(self.end[rows], times.max(axis=1), out=self.end[rows])
        begun = np.where(block.service != NEVER, block.service, block.read_start)
        served = np.where(block.read_end != NEVER, block.read_end - begun, 0)
        self.busy[rows] += served.sum(axis=1)

    def _latencies(self, block: FrameBlock) -> None:
        for latencies, instants in (
            (self.to_release, block.release),
            (self.to_read, block.read_end),
        ):
            there = instants != NEVER
            whole = bool(there.all())
            values = instants - block.trigger
            latencies.add(block.trials, values, None if whole else there)

    def _sampling(self, rows: slice, block: FrameBlock) -> None:
        there = block.aperture != NEVER
        late = np.where(there, block.aperture - block.due, 0)
        first = self.sampling_first[rows]
        unset = (first == NEVER) & there.any(axis=1)
        place = there.argmax(axis=1)
        first[unset] = late[np.arange(len(late)), place][unset]
        off = np.where(there, late - first[:, np.newaxis], 0).astype(np.float64)
        self.sampled[rows] += there.sum(axis=1)
        self.sampling_sum[rows] += off.sum(axis=1)
        self.sampling_squares[rows] += np.einsum("ij,ij->i", off, off)

    def _filling(self, block: FrameBlock) -> None:
        found = block.found[block.found >= 0]
        if found.size:
            top = len(self.filling) - 1
            self.filling += np.bincount(np.minimum(found, top), minlength=top + 1)
            self.fullest = max(self.fullest, min(int(found.max()) + 1, self.depth))

    def merge(self, other: Tally) -> None:
        """Append the trials of another tally, which must follow this one's."""
        assert other.trials.start == self.trials.stop
        self.trials = range(self.trials.start, other.trials.stop)
        for name in (
            "fates",
            "sent",
            "short",
            "timed_out",
            "last_trigger",
            "end",
            "busy",
            "sampled",
            "sampling_first",
            "sampling_sum",
            "sampling_squares",
        ):
            setattr(self, name, np.concatenate([getattr(self, name), getattr(other, name)]))
        self.filling = self.filling + other.filling
        self.fullest = max(self.fullest, other.fullest)
        self.to_release.merge(other.to_release)
        self.to_read.merge(other.to_read)

    def of_fate(self, fate: Fate) -> Times:
        """Return the conversions of one fate in each trial, shape (T,)."""
        return self.fates[:, fate]

    def sampling_jitter(self) -> npt.NDArray[np.float64]:
        """Return the rms deviation of the sampling instant within each trial, shape (T,), fs.

        Against the instants at which the triggers were due, less the trial's own mean delay.
        """
        count = np.maximum(self.sampled, 1)
        mean = self.sampling_sum / count
        return np.sqrt(np.maximum(self.sampling_squares / count - mean**2, 0.0))
