"""What a run's records add up to, trial by trial, in memory that does not grow with its length."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from simlink.base.instants import NEVER, Times
from simlink.figures.latencies import Latencies
from simlink.records import Fate, FrameBlock

if TYPE_CHECKING:
    from simlink.scenario.schema import Scenario

#: FIFO fillings above this are counted together with it.
_MOST_FILLINGS = 4096
#: Up to so many levels, comparing bytes is quicker than counting bins.
_FEW = 16
_FATES = [fate for fate in Fate if fate >= 0]
#: Attributes that hold a row for each trial.
_BY_TRIAL = (
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
)


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
        # Without jitter on its way, a trigger is sampled a fixed time after it was due.
        self._samples_evenly = (
            scenario.trigger.jitter.is_constant
            and scenario.barrier.direction("forward").jitter.is_constant
            and scenario.converter.aperture_jitter.is_constant
            and scenario.trigger.pattern != "after_read"
        )
        #: Whether a frame may be read without a service of its own.
        self._reads_on = scenario.host.read_all or scenario.host.watermark > 1
        total = scenario.trials * scenario.conversions
        self.to_release = Latencies(scenario.trials, total)
        self.to_read = Latencies(scenario.trials, total)

    def add(self, block: FrameBlock) -> None:
        """Take in a block of records; its trials must lie within this tally's."""
        start = block.trials.start - self.trials.start
        rows = slice(start, start + len(block.trials))
        self.sent[rows] += block.count
        plain = not np.count_nonzero(block.fate.T)
        if plain:
            self.fates[rows, Fate.DELIVERED] += block.count
        else:
            # In the batch engine's own order, in which a block lies in one piece.
            fates = block.fate.T
            for fate in Fate:
                # A plain number, or numpy compares in 64 bits.
                these = fates == int(fate)
                if not np.count_nonzero(these):
                    continue
                if fate == Fate.NOT_SENT:
                    self.sent[rows] -= np.count_nonzero(these, axis=0)
                else:
                    self.fates[rows, fate] += np.count_nonzero(these, axis=0)
        if block.short_acquisition.any():
            self.short[rows] += block.short_acquisition.sum(axis=1)
        if block.timed_out.any():
            self.timed_out[rows] += block.timed_out.sum(axis=1)
        self._times(rows, block, plain)
        self._latencies(block, plain)
        self._sampling(rows, block, plain)
        self._filling(block)

    def _times(self, rows: slice, block: FrameBlock, plain: bool) -> None:
        # Triggers that leave at the same time in all trials are one row, repeated.
        common = block.trigger.strides[0] == 0
        last = block.trigger[: 1 if common else None].max(axis=1)
        np.maximum(self.last_trigger[rows], last, out=self.last_trigger[rows])
        # Reads end in order, after all else that befalls a frame that is read.
        ends = (block.read_end,) if plain else (block.ready, block.release, block.read_end)
        for times in (*ends, last[:, np.newaxis]):
            np.maximum(self.end[rows], times.max(axis=1), out=self.end[rows])
        begun = block.service
        if self._reads_on:
            begun = np.where(begun != NEVER, begun, block.read_start)
        # What was never read has neither instant, and their difference is 0.
        self.busy[rows] += (block.read_end - begun).sum(axis=1)

    def _latencies(self, block: FrameBlock, plain: bool) -> None:
        for latencies, instants in (
            (self.to_release, block.release),
            (self.to_read, block.read_end),
        ):
            missing = None if plain else instants == NEVER
            if missing is not None and not missing.any():
                missing = None
            latencies.add(block.trials, instants - block.trigger, missing)

    def _sampling(self, rows: slice, block: FrameBlock, plain: bool) -> None:
        there = np.True_ if plain else block.aperture != NEVER
        self.sampled[rows] += block.count if plain else there.sum(axis=1)
        if self._samples_evenly:
            return
        late = np.where(there, block.aperture - block.due, 0)
        first = self.sampling_first[rows]
        there = np.broadcast_to(there, late.shape)
        unset = (first == NEVER) & there.any(axis=1)
        place = there.argmax(axis=1)
        first[unset] = late[np.arange(len(late)), place][unset]
        off = np.where(there, late - first[:, np.newaxis], 0).astype(np.float64)
        _add_in_turn(self.sampling_sum[rows], off)
        _add_in_turn(self.sampling_squares[rows], off * off)

    def _filling(self, block: FrameBlock) -> None:
        found = block.found
        top = len(self.filling) - 1
        most = int(found.max())
        if most < 0:
            return
        self.fullest = max(self.fullest, min(most + 1, self.depth))
        if most <= _FEW:
            for level in range(most + 1):
                self.filling[level] += np.count_nonzero(found == level)
        else:
            levels = np.minimum(found[found >= 0], top)
            self.filling += np.bincount(levels, minlength=top + 1)

    def merge(self, other: Tally) -> None:
        """Append the trials of another tally, which must come after this one's."""
        assert other.trials.start >= self.trials.stop
        self.trials = range(self.trials.start, other.trials.stop)
        for name in _BY_TRIAL:
            setattr(self, name, np.concatenate([getattr(self, name), getattr(other, name)]))
        self.filling = self.filling + other.filling
        self.fullest = max(self.fullest, other.fullest)
        self.to_release.merge(other.to_release)
        self.to_read.merge(other.to_read)

    def state(self) -> dict[str, Any]:
        """Return all that it holds as arrays, whole numbers and None, by name."""
        found = {name: getattr(self, name) for name in (*_BY_TRIAL, "filling", "fullest")}
        for end in ("to_release", "to_read"):
            held = getattr(self, end).state()
            found |= {f"{end}.{name}": value for name, value in held.items()}
        return found

    @classmethod
    def restore(cls, scenario: Scenario, trials: range, state: Mapping[str, Any]) -> Tally:
        """Return the tally that gave a state.

        Raises
        ------
        ValueError
            If no tally of these trials could have given it.
        """
        tally = cls(scenario, trials)
        for name in (*_BY_TRIAL, "filling"):
            value, blank = state.get(name), getattr(tally, name)
            if not isinstance(value, np.ndarray) or value.shape != blank.shape:
                raise ValueError(f"{name} has another shape")
            if value.dtype != blank.dtype:
                raise ValueError(f"{name} is of another kind")
            setattr(tally, name, value)
        tally.fullest = int(state.get("fullest", -1))
        if not 0 <= tally.fullest <= tally.depth:
            raise ValueError("fullest is out of range")
        for end in ("to_release", "to_read"):
            prefix = f"{end}."
            getattr(tally, end).restore(
                {key.removeprefix(prefix): state[key] for key in state if key.startswith(prefix)}
            )
        return tally

    @property
    def count(self) -> int:
        """How many trials it holds."""
        return len(self.sent)

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


def _add_in_turn(sums: npt.NDArray[np.float64], values: npt.NDArray[np.float64]) -> None:
    """Add the values of each row to its sum one by one, whatever block they come in.

    A sum of floats depends on its order, and numpy's depends on the shape of the array.
    """
    both = np.concatenate([sums[np.newaxis], values.T])
    sums[:] = np.add.accumulate(both, axis=0)[-1]
