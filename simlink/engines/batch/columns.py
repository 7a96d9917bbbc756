"""Draws of many trials at once: rows are conversions, columns are trials."""

from __future__ import annotations

from typing import TYPE_CHECKING, cast

import numpy as np
import numpy.typing as npt

from simlink.base.draws import Column, streams
from simlink.base.instants import FAR, Times
from simlink.link.trigger import DueTimes
from simlink.scenario.distributions import Simple, suffix
from simlink.scenario.distributions import reach as reach  # its former place

if TYPE_CHECKING:
    from simlink.link.unit import Units
    from simlink.scenario.distributions import Distribution
    from simlink.scenario.schema import Scenario

#: Rows drawn at once from each trial's generator.
_DRAWN = 1024


class Draws:
    """The draws of one source for all trials of a chunk, handed out in rows.

    Parameters
    ----------
    law : Distribution
        The law of the source.
    seed : int
        The scenario's seed.
    trials : range
        The trials of the chunk.
    source : str
        The name of the source.
    stride, offset : int
        For a source drawn once for each bit or packet.
    """

    def __init__(
        self,
        law: Distribution,
        seed: int,
        trials: range,
        source: str,
        stride: int = 1,
        offset: int = 0,
    ) -> None:
        self.constant: Times | None = None
        self._trials = len(trials)
        self._law = law
        self._rows = np.empty((0, self._trials), dtype=np.int64)
        self._at = 0
        self._generators: list[np.random.Generator] = []
        self._columns: list[Column] = []
        if law.is_constant:
            self.constant = np.array([[law.constant_value]], dtype=np.int64)
        elif law.is_simple:
            name = suffix(stride, offset)
            self._generators = [streams(seed, trial, source)(name) for trial in trials]
        else:
            self._columns = [Column(law, seed, trial, source, stride, offset) for trial in trials]

    def take(self, rows: int) -> Times:
        """Return the next rows of draws, int64 base units, shape (rows, T) or (1, 1)."""
        if self.constant is not None:
            return self.constant
        if self._at + rows <= len(self._rows):
            found = self._rows[self._at : self._at + rows]
            self._at += rows
            return found
        left = self._rows[self._at :]
        missing = rows - len(left)
        drawn = self._draw(max(missing, _DRAWN))
        self._rows, self._at = drawn, missing
        return np.concatenate([left, drawn[:missing]]) if len(left) else drawn[:missing]

    @property
    def is_zero(self) -> bool:
        """Whether every draw is 0, so that adding them changes nothing."""
        return self.constant is not None and not self.constant.any()

    def _draw(self, rows: int) -> Times:
        if self._generators:
            law = cast("Simple", self._law)
            # The odd row length keeps the transposition out of one cache set.
            raw = np.empty((self._trials, rows + 8))[:, :rows]
            for row, generator in enumerate(self._generators):
                law.draw_raw(generator, raw[row])
            return law.from_raw(np.ascontiguousarray(raw.T))
        return np.stack([column.take(rows) for column in self._columns], axis=1)


class Triggers:
    """When the triggers of a chunk are due and leave, with a look ahead; not for loops.

    Jitter wider than the spacing lets a later trigger leave first, so what is asked of the
    triggers still to come (`later`) is settled by looking ahead until no later one can matter.
    """

    def __init__(self, scenario: Scenario, units: Units) -> None:
        trigger = scenario.trigger
        trials = units.trials
        tolerances = units.trigger_tolerance.tolist()
        common = (
            trigger.pattern == "periodic"
            or (trigger.pattern == "burst" and trigger.gap is not None and trigger.gap.is_constant)
        ) and trigger.tolerance.is_constant
        self._sources = [
            DueTimes(scenario, trial, tolerance)
            for trial, tolerance in list(zip(trials, tolerances, strict=True))[
                : 1 if common else None
            ]
        ]
        self._trials = len(trials)
        self._jitter = Draws(trigger.jitter, scenario.seed, trials, "trigger.jitter")
        self._least = reach(trigger.jitter)[0]
        self._due = np.empty((0, 1), dtype=np.int64)
        self._left = np.empty((0, 1), dtype=np.int64)
        #: From each row on, the first of all the triggers still to come; one row past the end.
        self._soon = np.full((1, 1), FAR, dtype=np.int64)
        self._remaining = scenario.conversions

    def _more(self, rows: int) -> None:
        rows = min(max(rows, _DRAWN), self._remaining)
        self._remaining -= rows
        due = np.stack([source.take(rows) for source in self._sources], axis=1)
        left = due + self._jitter.take(rows)
        if len(self._due):
            due = np.concatenate([self._due, due])
            left = np.concatenate([self._left, left])
        self._due, self._left, self._soon = due, left, _soonest(left)

    def take(self, rows: int) -> tuple[Times, Times, Times]:
        """Return due, left and later for the next rows, shape (rows, 1 or T) each, fs.

        ``later`` is when the first of all the triggers still to come leaves; a far future after
        the last.
        """
        if len(self._due) < rows + 1 and self._remaining:
            self._more(rows + 1 - len(self._due))
        while self._remaining and bool((self._due[-1] + self._least < self._soon[rows]).any()):
            self._more(_DRAWN)
        due, left, later = self._due[:rows], self._left[:rows], self._soon[1 : rows + 1]
        self._due, self._left = self._due[rows:], self._left[rows:]
        self._soon = self._soon[rows:]
        return due, left, later


def _soonest(left: Times) -> Times:
    """Return the earliest leaving from each row on, with one row past the end."""
    past = np.full((1, left.shape[1]), FAR, dtype=np.int64)
    rows = np.concatenate([left, past])
    return np.minimum.accumulate(rows[::-1], axis=0)[::-1]


Flags = npt.NDArray[np.bool_]
