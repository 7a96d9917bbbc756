"""Trials walked and added up piece by piece, so that their records stay near the processor.

Where nobody asks for the records, and little of a trial is open at a time, they are made, added up
and forgotten in one compiled loop over what draws, walks, adds up and associates everywhere else.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from simlink.base.compiled import compiled
from simlink.base.instants import FAR, NEVER
from simlink.engines.batch.engine import BatchEngine
from simlink.engines.batch.rings import slot
from simlink.engines.batch.settled import walk_noted, walk_settled
from simlink.engines.batch.streams import fill
from simlink.figures.adding import add
from simlink.figures.association import associate
from simlink.figures.between_windows import pass_between
from simlink.figures.piecewise import Piecewise, add_up
from simlink.link.fault_line import has_line
from simlink.records import FrameBlock

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
        elif one.upset_at_all:
            pass_between(one, tally)
        elif one.reaches_back:
            _pass_back(one, tally)
        else:
            _pass(one, tally)


def _pass(one: Walk, tally: Tally) -> None:
    """Have trials walked and added up."""
    some = Piecewise(one, tally)
    for _, first, upto, over, due, _ in some.stretches():
        if first == 0:
            (records, *walking), drawing = one.given_settled(), one.draws.given()
        while (one.state["next"] < upto).any():
            tally.fullest = walk_and_add(
                first, upto, over, due, records, one.state, tuple(walking), drawing,
                *some.given(),
            )  # fmt: skip
            some.make_room(records.shape[1])


@compiled
def walk_and_add(
    first: int, upto: int, over: bool, due: Any, records: Any, state: Any, walking: Any,
    drawing: Any, sums: Any, fullest: int, adding: Any, associating: Any, undecided: Any, held: Any,
) -> int:  # fmt: skip
    """Take trials on, to before conversion ``upto``, or to where one has no room for what it holds.

    Parameters
    ----------
    first, upto, over, due, records, state
        As `walk_settled` and `associate` take them.
    walking, drawing : tuple
        What else `walk_settled` and `streams.fill` are given.
    sums, fullest, adding, associating, undecided, held
        As `piecewise.add_up` takes them.

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
    some = Piecewise(one, tally)
    for _, first, upto, over, due, later in some.stretches():
        while True:
            records, *walking = one.given_settled()
            tally.fullest = walk_back_and_add(
                first, upto, over, due, later, records, one.state, tuple(walking),
                one.draws.given(), *some.given(),
            )  # fmt: skip
            if (one.state["next"] == upto).all():
                break
            if not some.make_room(records.shape[1]):
                one.widen(int(one.state["low"].min()), int(one.state["next"].max()))


@compiled
def walk_back_and_add(
    first: int, upto: int, over: bool, due: Any, later: Any, records: Any, state: Any,
    walking: Any, drawing: Any, sums: Any, fullest: int, adding: Any, associating: Any,
    undecided: Any, held: Any,
) -> int:  # fmt: skip
    """Take trials on as `walk_and_add` does, whose conversions reach back.

    Parameters
    ----------
    later
        As `walk_noted` takes it.
    records : ndarray of RECORD, shape (T, a power of two)
        Twice as long as a piece: what is still open of a trial stays in its place.
    first, upto, over, due, state, walking, drawing, sums, fullest, adding, associating, undecided,
    held
        As in `walk_and_add`.

    Returns
    -------
    int
        The most slots seen taken. A trial for which there is no room has stopped.
    """
    size = records.shape[1]
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
                ends = given + here
                fullest = add_up(
                    records[t : t + 1, at : at + here], t, given, over and ends == upto, sums,
                    fullest, adding, associating, undecided, held,
                )  # fmt: skip
                given = ends
    return fullest
