"""Trials walked and added up piece by piece, so that their records stay near the processor.

Where nobody asks for the records, and little of a trial is open at a time, they are made, added up
and forgotten in one compiled loop over what draws, walks, adds up and associates everywhere else.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import numpy as np

from simlink.base.compiled import compiled
from simlink.base.instants import FAR, NEVER
from simlink.engines.batch.engine import BatchEngine
from simlink.engines.batch.rings import slot
from simlink.engines.batch.settled import walk_noted, walk_settled
from simlink.engines.batch.streams import fill
from simlink.figures.adding import add
from simlink.figures.association import FEW, Association, associate, oldest_asked_for
from simlink.link.fault_line import has_line
from simlink.records import RECORD, FrameBlock

if TYPE_CHECKING:
    from simlink.engines.batch.engine import Walk
    from simlink.figures.tally import Tally
    from simlink.scenario.schema import Scenario


def blocks_left(scenario: Scenario, trials: range, tally: Tally) -> Iterator[FrameBlock]:
    """Run trials on the batch engine; add up what can be here, and hand over the others' records.

    Parameters
    ----------
    scenario : Scenario
        What to run.
    trials : range
        Which trials.
    tally : Tally
        One that keeps nothing of each record.
    """
    for one in BatchEngine().walks(scenario, trials, words=False):
        if not one.passes or has_line(scenario):
            yield from one.run()
        elif one.reaches_back:
            _pass_back(one, tally)
        else:
            _pass(one, tally)


def _pass(one: Walk, tally: Tally) -> None:
    """Have trials walked and added up."""
    total = one.scenario.conversions
    undecided = np.zeros((0, 0), dtype=RECORD)
    for trials, first, upto, due, _ in one.stretches():
        if first == 0:
            (records, *walking), drawing = one.given_settled(), one.draws.given()
            sums, adding, associating, undecided, held = _begun(one, tally, trials, undecided)
        while (one.state["next"] < upto).any():
            tally.fullest = walk_and_add(
                first, upto, upto == total, due, records, one.state, sums, tally.fullest,
                tuple(walking), drawing, adding, associating, undecided, held,
            )  # fmt: skip
            if held.max() > undecided.shape[1] - records.shape[1]:
                undecided = np.concatenate([undecided, np.zeros_like(undecided)], axis=1)


def _begun(one: Walk, tally: Tally, trials: range, undecided: Any) -> tuple[Any, ...]:
    """Return what trials that begin are added up and associated with, as `walk_and_add` takes it.

    Room for what is undecided is made if there is none yet for so many.
    """
    if len(undecided) < len(trials):
        undecided = np.zeros((len(trials), 2 * one.records.shape[1]), dtype=RECORD)
    associating = Association(one.scenario, keeps=False).given(trials)
    held = np.zeros(len(trials), dtype=np.int64)
    return tally.sums_of(trials), tally.given(trials), associating, undecided, held


@compiled
def walk_and_add(
    first: int, upto: int, over: bool, due: Any, records: Any, state: Any, sums: Any,
    fullest: int, walking: Any, drawing: Any, adding: Any, associating: Any, undecided: Any,
    held: Any,
) -> int:  # fmt: skip
    """Take trials on, to before conversion ``upto``, or to where one has no room for what it holds.

    Parameters
    ----------
    first, upto, over, due, records, state
        As `walk_settled` and `associate` take them.
    sums, fullest
        As `adding.add` takes them.
    walking, drawing, adding, associating : tuple
        What else `walk_settled`, `streams.fill`, `add` and `associate` are given.
    undecided : ndarray of RECORD, shape (T, room)
        The records of each trial that are not associated yet, for which later ones are needed.
    held : ndarray of int64, shape (T,)
        How many those are.

    Returns
    -------
    int
        The most slots seen taken.
    """
    piece, reached, known = records.shape[1], associating[2], associating[6]
    for t in range(len(state)):
        while state[t].next < upto and held[t] + piece <= undecided.shape[1]:
            now, before = state[t].next, held[t]
            count = min(piece, upto - now)
            last = over and now + count == upto
            fill(t, t + 1, 0, count, *drawing)
            walk_settled(first, now + count, t, t + 1, due, records, *walking, NEVER, FAR)
            rows = records[:, :count]
            fullest = add(rows, t, fullest, sums, *adding)
            if before > 0:
                for one in range(count):
                    undecided[t, before + one] = records[0, one]
                rows = undecided[t : t + 1, : before + count]
            known[t] = before + count
            associate(rows, t, now - before, last, sums, *associating)
            held[t] = now + count - reached[t]
            for one in range(held[t]):
                undecided[t, one] = rows[0, before + count - held[t] + one]
    return fullest


def _pass_back(one: Walk, tally: Tally) -> None:
    """Have trials walked and added up whose conversions reach back."""
    total = one.scenario.conversions
    undecided = np.zeros((0, 0), dtype=RECORD)
    for trials, first, upto, due, later in one.stretches():
        if first == 0:
            sums, adding, associating, undecided, held = _begun(one, tally, trials, undecided)
        while True:
            records, *walking = one.given_settled()
            tally.fullest = walk_back_and_add(
                first, upto, upto == total, due, later, records, one.state, sums, tally.fullest,
                tuple(walking), one.draws.given(), adding, associating, undecided, held,
            )  # fmt: skip
            if (one.state["next"] == upto).all():
                break
            if held.max() + records.shape[1] > undecided.shape[1]:
                undecided = np.concatenate([undecided, np.zeros_like(undecided)], axis=1)
            else:
                one.widen()


@compiled
def walk_back_and_add(
    first: int, upto: int, over: bool, due: Any, later: Any, records: Any, state: Any, sums: Any,
    fullest: int, walking: Any, drawing: Any, adding: Any, associating: Any, undecided: Any,
    held: Any,
) -> int:  # fmt: skip
    """Take trials on as `walk_and_add` does, whose conversions reach back.

    Parameters
    ----------
    later
        As `walk_noted` takes it.
    records : ndarray of RECORD, shape (T, a power of two)
        Twice as long as a piece: what is still open of a trial stays in its place.
    first, upto, over, due, state, sums, fullest, walking, drawing, adding, associating, undecided,
    held
        As in `walk_and_add`.

    Returns
    -------
    int
        The most slots seen taken. A trial for which there is no room has stopped.
    """
    size = records.shape[1]
    law, states, reached, known = associating[0][0], associating[1], associating[2], associating[6]
    for t in range(len(state)):
        while state[t].next < upto:
            now, given = state[t].next, state[t].low
            at = slot(now, records[t])
            count = min(size // 2, upto - now, size - at)
            if now + count - given > size or held[t] + size > undecided.shape[1]:
                break
            last = over and now + count == upto
            fill(t, t + 1, at, count, *drawing)
            walk_noted(first, now + count, last, t, t + 1, due, later, records, *walking)
            while given < state[t].low:
                at = slot(given, records[t])
                here = min(state[t].low - given, size - at)
                rows, before, ends = records[t : t + 1, at : at + here], held[t], given + here
                last = over and ends == upto
                fullest = add(rows, t, fullest, sums, *adding)
                oldest = given
                if before > 0:
                    # A few more records decide most of these: not all are copied for them.
                    few = min(here, FEW)
                    for one in range(few):
                        undecided[t, before + one] = rows[0, one]
                    known[t] = before + few
                    some = undecided[t : t + 1, : before + few]
                    associate(
                        some, t, given - before, last and few == here, sums, *associating
                    )  # fmt: skip
                    oldest = oldest_asked_for(law.timeout, reached[t], states[t].next)
                    if oldest < given and few < here:
                        for one in range(few, here):
                            undecided[t, before + one] = rows[0, one]
                        known[t] = before + here
                        some = undecided[t : t + 1, : before + here]
                        associate(some, t, given - before, last, sums, *associating)
                if oldest >= given and reached[t] < ends:
                    known[t] = here
                    associate(rows, t, given, last, sums, *associating)
                held[t] = ends - min(
                    ends, oldest_asked_for(law.timeout, reached[t], states[t].next)
                )
                for one in range(held[t]):
                    if held[t] <= here:
                        undecided[t, one] = rows[0, here - held[t] + one]
                    else:
                        undecided[t, one] = undecided[t, before + here - held[t] + one]
                given = ends
    return fullest
