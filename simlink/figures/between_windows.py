"""Trials that transients may upset, walked and added up piece by piece.

The compiled loop takes on what no transient is of matter to, and frames that windows meet, too. It
comes back where something is wanted that it has not: windows, draws, what harm to frames comes to,
or the event engine for the rest of a trial.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from simlink.base.compiled import compiled
from simlink.base.instants import FAR
from simlink.engines.batch.between import walk_between
from simlink.engines.batch.hits import HARMS, WHOLE, WIDER
from simlink.engines.batch.judging import judge_noted
from simlink.engines.batch.rings import mend, slot
from simlink.engines.batch.streams import fill
from simlink.figures.adding import add
from simlink.figures.association import associate
from simlink.figures.piecewise import Piecewise, add_up
from simlink.records import BLANK

if TYPE_CHECKING:
    from simlink.engines.batch.engine import Walk
    from simlink.figures.tally import Tally

#: Where each trial stands. ``drawn``: up to which conversion it is drawn; ``added``: up to which it
#: is added up; ``noted``: whether harm is noted that nobody has looked at; ``hurt``: the first one
#: to whose frame harm is known that is not settled, `FAR` if there is none; ``dirty``: whether
#: records hold harm that is to be taken out of them.
_STANDING = np.dtype([(name, np.int64) for name in ("drawn", "added", "noted", "hurt", "dirty")])


def pass_between(one: Walk, tally: Tally) -> None:
    """Have trials walked and added up that transients may upset."""
    some = Piecewise(one, tally)
    for trials, first, upto, over, due, later in some.stretches():
        if first == 0:
            standing = np.zeros(len(trials), dtype=_STANDING)
            standing["hurt"] = FAR
        one.upset, lacks = one.windows.take(due, one.state), WIDER
        while True:
            if lacks != HARMS:
                records, *walking = one.given()
                _, *settling = one.given_settled()
            tally.fullest, row, lacks = walk_between_and_add(
                first, upto, over, due, later, records, one.law, one.state, *one.upset,
                tuple(walking), tuple(settling), one.draws.given(), standing, one.harms.noted,
                one.given_judging(), *some.given(),
            )  # fmt: skip
            if not lacks:
                break
            if one.harms.noted[0, 0]:
                one.harms.collect()
            _settle(one, some, trials, standing)
            if lacks == WHOLE:
                _leave(one, some, trials, standing[row], row)
            elif lacks not in (HARMS, WIDER):
                one.provide(row, lacks)
            elif lacks == WIDER and not some.make_room(records.shape[1]):
                one.widen(int(standing["added"].min()), int(standing["drawn"].max()))


def _settle(one: Walk, some: Piecewise, trials: range, standing: Any) -> None:
    """Say what harm to frames comes to that nothing can change any more."""
    for row in np.flatnonzero(standing["noted"] | (standing["hurt"] < FAR)).tolist():
        low = int(one.state["low"][row])
        standing["hurt"][row] = one.harms.settle_row(row, one.records[row], low)
        standing["noted"][row], standing["dirty"][row] = 0, 1
    _take_extras(some, trials, one.harms.unrequested())


def _take_extras(some: Piecewise, trials: range, extras: list[Any]) -> None:
    for these in extras:
        if len(these):
            some.standing.take_extras(these, trials)
            some.tally.add_unrequested(these)


def _leave(one: Walk, some: Piecewise, trials: range, stands: Any, row: int) -> None:
    """Have the rest of a trial from the event engine, and add it up."""
    one.leave(row)
    one.harms.forget(row)
    extras, one.unrequested = one.unrequested, []
    _take_extras(some, trials, [*one.harms.unrequested(), *extras])
    added, held = int(stands["added"]), int(some.held[row])
    # Of a long trial these are many: they are let go with it.
    rest = one.whole.pop(row).records[:, added:]
    one.records[row] = BLANK
    sums, fullest, adding, associating, undecided, _ = some.given()
    some.tally.fullest = add(rest, row, fullest, sums, *adding)
    every = np.concatenate([undecided[row : row + 1, :held], rest], axis=1)
    associating[6][row] = every.shape[1]
    associate(every, row, added - held, True, sums, *associating)
    stands["added"], stands["hurt"] = one.scenario.conversions, FAR


@compiled
def walk_between_and_add(
    first: int, upto: int, over: bool, due: Any, later: Any, records: Any, laws: Any, state: Any,
    windows: Any, bounds: Any, walking: Any, settling: Any, drawing: Any, standing: Any,
    harms: Any, judging: Any, sums: Any, fullest: int, adding: Any, associating: Any,
    undecided: Any, held: Any,
) -> tuple[int, int, int]:  # fmt: skip
    """Take trials on, to before conversion ``upto``, or to where something is wanted.

    Parameters
    ----------
    first, upto, over, due, later, laws, state, windows, bounds, walking, settling
        As `walk_between` takes them.
    records : ndarray of RECORD, shape (T, a power of two)
        Twice as long as a piece: what is still open of a trial stays in its place.
    drawing : tuple
        What `streams.fill` is given.
    standing : ndarray of _STANDING, shape (T,)
    harms
        As `remote_master.walk` takes it.
    judging : tuple
        As `Walk.given_judging` gives it.
    sums, fullest, adding, associating, undecided, held
        As `add_up` takes them.

    Returns
    -------
    fullest : int
        The most slots seen taken.
    trial, lacks : int
        A trial that has stopped, and for want of what, as in `hits.Wanted`, or none for harm, for
        which several may have; to be called again, until nothing is wanted.
    """
    size, asks, law = records.shape[1], False, laws[0]
    contents, kept = judging
    for t in range(len(state)):
        st, stands = state[t], standing[t]
        while True:
            waits = stands.noted != 0
            if waits and law.judges:
                left = judge_noted(law, t, records[t], st.low, contents[t], harms, kept)
                waits, stands.dirty = left < 0, 1
                if left == 0:
                    stands.noted = 0
            while stands.added < st.low and not waits and stands.hurt >= st.low:
                given = stands.added
                at = slot(given, records[t])
                ends = given + min(st.low - given, size - at)
                rows = records[t : t + 1, at : at + ends - given]
                fullest = add_up(
                    rows, t, given, over and ends == upto, sums, fullest, adding, associating,
                    undecided, held,
                )  # fmt: skip
                if stands.dirty:
                    for one in range(rows.shape[1]):
                        mend(rows[0, one])
                stands.added = ends
            if stands.added < st.low:
                # Others are taken on before somebody is asked what the harm comes to.
                asks = True
                break
            stands.dirty = 0
            now = st.next
            if now >= upto:
                break
            if now == stands.drawn:
                at = slot(now, records[t])
                count = min(size // 2, upto - now, size - at)
                if now + count - stands.added > size or held[t] + size > undecided.shape[1]:
                    return fullest, t, WIDER
                fill(t, t + 1, at, count, *drawing)
                stands.drawn = now + count
            ends, before = stands.drawn, harms[0, 0]
            row, lacks = walk_between(
                first, ends, over and ends == upto, t, t + 1, due, later, records, laws, state,
                windows, bounds, walking, settling,
            )  # fmt: skip
            stands.noted |= harms[0, 0] > before
            if lacks:
                return fullest, row, lacks
    return fullest, 0, HARMS if asks else 0
