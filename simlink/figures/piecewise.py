"""What trials that are walked piece by piece are added up with, and how one piece is."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import numpy as np

from simlink.figures.adding import add
from simlink.figures.associating import FEW, Association
from simlink.figures.association import associate, oldest_asked_for
from simlink.records import RECORD

if TYPE_CHECKING:
    from simlink.base.instants import Times
    from simlink.engines.batch.engine import Walk
    from simlink.figures.associating import Trials
    from simlink.figures.tally import Tally


class Piecewise:
    """Trials that are walked and added up piece by piece, some of one chunk of boards at a time.

    Parameters
    ----------
    one : Walk
        What walks them.
    tally : Tally
        What they are added up in.

    Attributes
    ----------
    undecided : ndarray of RECORD, shape (T, room)
        The records of each trial that are not associated yet, for which later ones are needed.
    held : ndarray of int64, shape (T,)
        How many those are.
    """

    def __init__(self, one: Walk, tally: Tally) -> None:
        self._one, self.tally = one, tally
        self._association = Association(one.scenario, keeps=False)
        self.undecided = np.zeros((0, 0), dtype=RECORD)

    def stretches(self) -> Iterator[tuple[range, int, int, bool, Times, Times]]:
        """Give stretches as `Walk.stretches` does, with trials that begin opened.

        Ahead of the due times stands whether a stretch is its trials' last.
        """
        total = self._one.scenario.conversions
        for trials, first, upto, due, later in self._one.stretches():
            if first == 0:
                self._open(trials)
            yield trials, first, upto, upto == total, due, later

    def _open(self, trials: range) -> None:
        if len(self.undecided) < len(trials):
            self.undecided = np.zeros((len(trials), 2 * self._one.records.shape[1]), dtype=RECORD)
        self.standing: Trials = self._association.begun(trials)
        self._of_trials = self.tally.sums_of(trials), self.tally.given(trials)
        self.held = np.zeros(len(trials), dtype=np.int64)

    def given(self) -> tuple[Any, ...]:
        """Return what `add_up` is given behind the most slots seen taken, ahead of it the sums."""
        sums, adding = self._of_trials
        associating = self._association.given(self.standing)
        return sums, self.tally.fullest, adding, associating, self.undecided, self.held

    def make_room(self, size: int) -> bool:
        """Make twice the room for what is undecided if it lacks any for ``size`` more records.

        Returns
        -------
        bool
            Whether it did.
        """
        if self.held.max() + size <= self.undecided.shape[1]:
            return False
        self.undecided = np.concatenate([self.undecided, np.zeros_like(self.undecided)], axis=1)
        return True


def add_up(
    rows: Any, t: int, first: int, last: bool, sums: Any, fullest: int, adding: Any,
    associating: Any, undecided: Any, held: Any,
) -> int:  # fmt: skip
    """Add up the next records of a trial, and associate what they decide.

    Parameters
    ----------
    rows : ndarray of RECORD, shape (1, n)
    t : int
        The row of the trial.
    first : int
        The first conversion.
    last : bool
        Whether no more are to come.
    sums, fullest, adding, associating, undecided, held
        As `Piecewise.given` gives them; there has to be room for them in ``undecided``.

    Returns
    -------
    int
        The most slots seen taken.
    """
    law, states, reached, known = associating[0][0], associating[1], associating[2], associating[6]
    count, before, upto = rows.shape[1], held[t], first + rows.shape[1]
    fullest = add(rows, t, fullest, sums, *adding)
    oldest = first
    if before > 0:
        # A few more records decide most of these: not all are copied for them.
        few = min(count, FEW)
        for one in range(few):
            undecided[t, before + one] = rows[0, one]
        known[t] = before + few
        some = undecided[t : t + 1, : before + few]
        associate(some, t, first - before, last and few == count, sums, *associating)
        oldest = oldest_asked_for(law.timeout, reached[t], states[t].next)
        if oldest < first and few < count:
            for one in range(few, count):
                undecided[t, before + one] = rows[0, one]
            known[t] = before + count
            some = undecided[t : t + 1, : before + count]
            associate(some, t, first - before, last, sums, *associating)
    if oldest >= first and reached[t] < upto:
        known[t] = count
        associate(rows, t, first, last, sums, *associating)
    held[t] = upto - min(upto, oldest_asked_for(law.timeout, reached[t], states[t].next))
    for one in range(held[t]):
        if held[t] <= count:
            undecided[t, one] = rows[0, count - held[t] + one]
        else:
            undecided[t, one] = undecided[t, before + count - held[t] + one]
    return fullest
