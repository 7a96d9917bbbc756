"""What a run's records add up to, trial by trial, in memory that does not grow with its length."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt

from simlink.base.instants import NEVER, Times
from simlink.figures.adding import FATES, SUMS, add
from simlink.figures.associating import Association
from simlink.figures.latencies import Latencies
from simlink.link.fate import Fate
from simlink.records import FrameBlock
from simlink.scenario.schema import Scenario

#: FIFO fillings above this are counted together with it.
_MOST_FILLINGS = 4096
#: Runs of fewer conversions are added up uncompiled: that takes less time than to load the code.
SHORT = 50_000


class Tally:
    """Counts and sums over a range of trials.

    Parameters
    ----------
    scenario : Scenario
        The scenario of the run.
    trials : range
        Which of its trials.
    keeps : bool
        Whether what follows from each record is kept, for the ledger.

    Attributes
    ----------
    sums : ndarray of SUMS, shape (T,)
        Each of its columns is an attribute, too.
    fates : ndarray of int64, shape (T, fates)
        Conversions of each fate.
    filling : ndarray of int64, shape (depth + 1,)
        How many slots an arriving frame found taken.
    fullest : int
        The most slots seen taken.
    to_release, to_read : Latencies
        From the trigger to the release, of every frame that was released, and to the end of the
        read, of every frame that was read but those read before their bits had come.
    """

    def __init__(self, scenario: Scenario, trials: range, *, keeps: bool = False) -> None:
        self.trials = trials
        self.depth = scenario.fifo.depth
        self.sums = np.zeros(len(trials), dtype=SUMS)
        self.sums["first_due"] = self.sums["sampling_first"] = NEVER
        self.fates = np.zeros((len(trials), len(FATES)), dtype=np.int64)
        self.filling = np.zeros(min(self.depth, _MOST_FILLINGS) + 1, dtype=np.int64)
        self.fullest = 0
        #: Without jitter on its way, a trigger is sampled a fixed time after it was due.
        self._evenly = (
            scenario.trigger.jitter.is_constant
            and scenario.barrier.direction("forward").jitter.is_constant
            and scenario.converter.aperture_jitter.is_constant
            and scenario.trigger.pattern != "after_read"
        )
        self._reads_on = scenario.host.drain or scenario.host.watermark > 1
        total = scenario.trials * scenario.conversions
        self._short = total < SHORT
        self._scenario, self._keeps = scenario, keeps
        #: While trials are under way.
        self._association: Association | None = None
        self.to_release = Latencies(scenario.trials, total)
        self.to_read = Latencies(scenario.trials, total)

    def __getattr__(self, name: str) -> Any:
        """Return a sum of each trial, shape (T,)."""
        if name != "sums" and name in SUMS.fields:  # type: ignore[operator]
            return self.sums[name]
        raise AttributeError(f"a tally has no {name!r}")

    @property
    def is_flat(self) -> bool:
        """Whether it keeps nothing of each record."""
        return not (self._keeps or self.to_release.exact)

    def sums_of(self, trials: range) -> Any:
        """Return the sums of some trials, to be added to."""
        return self.sums[self._rows(trials)]

    def given(self, trials: range, *kept: Any) -> tuple[Any, ...]:
        """Return what `adding.add` is given behind the sums; ``kept`` where latencies are kept."""
        kept = kept or (np.empty((2, 0), dtype=np.int64), np.empty((2, 0), dtype=np.int8))
        return (
            self._reads_on,
            self._evenly,
            self.depth,
            self.fates[self._rows(trials)],
            self.filling,
            np.arange(trials.start, trials.stop) % self.to_release.groups,
            self.to_release.counted(),
            self.to_read.counted(),
            self.to_release.reach,
            self.to_read.reach,
            *kept,
        )

    def _rows(self, trials: range) -> slice:
        return slice(trials.start - self.trials.start, trials.stop - self.trials.start)

    def add(self, block: FrameBlock) -> None:
        """Take in a block of records; its trials must lie within this tally's."""
        laws, short = (self.to_release, self.to_read), self._short
        room = block.records.size if self.to_release.exact else 0
        kept, groups = np.empty((2, room), dtype=np.int64), np.empty((2, room), dtype=np.int8)
        before = [law.count for law in laws]
        sums = self.sums_of(block.trials)
        self.fullest = (add.uncompiled if short else add)(
            block.records.tolist() if short else block.records,
            0,
            self.fullest,
            sums,
            *self.given(block.trials, kept, groups),
        )
        for law, values, of, known in zip(laws, kept, groups, before, strict=True):
            law.keep(of, values, law.count - known)

        if self._association is None:
            self._association = Association(self._scenario, self._keeps)
        if block.unrequested is not None:
            self.add_unrequested(block.unrequested)
        self._association.add(block, sums, short)
        if self._association.done and not self._keeps:
            self._association = None

    def add_unrequested(self, extras: Any) -> None:
        """Add how long the host served for frames that no trigger asked for, of UNREQUESTED."""
        rows = extras["trial"] - self.trials.start
        np.add.at(self.sums["busy"], rows, extras["served"])
        np.maximum.at(self.sums["until"], rows, extras["read_end"])

    def closed(self) -> dict[range, Any]:
        """Take no more blocks; return what followed from the records, if it was kept.

        Returns
        -------
        dict of range to ndarray of OUTCOME, shape (T, conversions)
            By the trials of the blocks.
        """
        found, self._association = self._association, None
        return {} if found is None else found.outcomes

    def merge(self, other: Tally) -> None:
        """Append the trials of another tally, which must come after this one's."""
        assert other.trials.start >= self.trials.stop
        self.trials = range(self.trials.start, other.trials.stop)
        self.sums = np.concatenate([self.sums, other.sums])
        self.fates = np.concatenate([self.fates, other.fates])
        self.filling = self.filling + other.filling
        self.fullest = max(self.fullest, other.fullest)
        self.to_release.merge(other.to_release)
        self.to_read.merge(other.to_read)

    def state(self) -> dict[str, Any]:
        """Return all that it holds as arrays and whole numbers, by name."""
        found: dict[str, Any] = {name: np.array(self.sums[name]) for name in SUMS.names or ()}
        found |= {"fates": self.fates, "filling": self.filling, "fullest": int(self.fullest)}
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
        blanks = {name: tally.sums[name] for name in SUMS.names or ()}
        for name, blank in {**blanks, "fates": tally.fates, "filling": tally.filling}.items():
            value = state.get(name)
            if not isinstance(value, np.ndarray) or value.shape != blank.shape:
                raise ValueError(f"{name} has another shape")
            if value.dtype != blank.dtype:
                raise ValueError(f"{name} is of another kind")
            blank[...] = value
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
        return len(self.sums)

    def of_fate(self, fate: Fate) -> Times:
        """Return the conversions of one fate in each trial, shape (T,)."""
        return self.fates[:, fate]

    def sampling_squares_within(self) -> npt.NDArray[np.float64]:
        """Return the sum of squared deviations of each trial's sampling instants, (T,), fs^2.

        Against the instants at which the triggers were due, less the trial's own mean delay.
        """
        count = np.maximum(self.sampled, 1)
        found: npt.NDArray[np.float64] = np.maximum(
            self.sampling_squares - self.sampling_sum**2 / count, 0.0
        )
        return found
