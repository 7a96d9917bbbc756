"""Which conversion of a run is the one to look at: the first that met a fate, or the latest."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import numpy as np

from simlink.base.errors import InputError
from simlink.base.instants import NEVER
from simlink.engines.choice import choose
from simlink.figures.host_view import host_view
from simlink.records import Fate

if TYPE_CHECKING:
    from simlink.records import FrameBlock
    from simlink.scenario.loading import Scenario

#: What a conversion may be looked for by.
LATEST, TIMED_OUT = "latest", "timed_out"
#: What it may be looked for by that follows from what the host makes of the frames.
SILENT, MISALIGNED = "silent", "misaligned"
#: The fates of a conversion whose words do not reach the host as they should.
FATES = tuple(fate.word for fate in Fate if fate not in (Fate.NOT_SENT, Fate.DELIVERED))
#: Those fates by which a word is lost or wrong.
HARMED = tuple(one for one in FATES if one != Fate.IN_FLIGHT.word)
#: What has a picture of its own, and all that may be looked for.
WORST = (LATEST, *HARMED, TIMED_OUT, SILENT, MISALIGNED)
KINDS = (*WORST, Fate.IN_FLIGHT.word)
#: Trials that are simulated at a time, until one is found.
_TRIALS = 64
#: Conversions that a frame taken for another one is shown with at the most.
_TOGETHER = 4


def find(scenario: Scenario, kind: str) -> tuple[int, int]:
    """Find a conversion of a run.

    Parameters
    ----------
    scenario : Scenario
        What is run, all of its units.
    kind : str
        One of `KINDS`. ``"latest"`` is the longest from trigger to last bit read (to release, if
        none is read), the others the first that met that fate, or that the host gave up;
        `MISALIGNED` the first that is taken for another one, `SILENT` the first that is that, lost
        or wrong and told of by nothing.

    Returns
    -------
    (int, int)
        Trial and conversion.

    Raises
    ------
    InputError
        If there is none in the run.
    """
    if kind in (SILENT, MISALIGNED):
        trial, conversion, _ = _associated(scenario, kind)
        return trial, conversion
    engine, _ = choose("auto", scenario)
    best: tuple[int, int] | None = None
    longest = -1
    for block in engine.run(scenario, range(scenario.trials), words=False):
        if kind == LATEST:
            done = np.where(block.read_end != NEVER, block.read_end, block.release)
            late = np.where(done != NEVER, done - block.trigger, -1)
            row, column = divmod(int(late.argmax()), late.shape[1])
            if int(late[row, column]) > longest:
                longest = int(late[row, column])
                best = (block.trials.start + row, block.first + column)
            continue
        met = block.timed_out if kind == TIMED_OUT else block.fate == Fate[kind.upper()]
        for row, column in np.argwhere(met).tolist():
            found = (block.trials.start + row, block.first + column)
            best = found if best is None else min(best, found)
    if best is None:
        what = {LATEST: "was released", TIMED_OUT: "was given up"}.get(kind, f"ended as {kind}")
        raise _none(scenario, kind, what)
    return best


def story(scenario: Scenario, kind: str) -> tuple[int, range]:
    """Find trial and conversion as `find` does, with those that belong to what befell it.

    Of a frame that is taken for another conversion these are that one, if it is near, and all up
    to its own; of any other it is alone.
    """
    if kind not in (SILENT, MISALIGNED):
        trial, one = find(scenario, kind)
        return trial, range(one, one + 1)
    trial, one, taken_for = _associated(scenario, kind)
    first, last = min(one, taken_for), max(one, taken_for)
    if taken_for < 0 or last - first >= _TOGETHER:
        first = last = one
    return trial, range(first, last + 1)


def _associated(scenario: Scenario, kind: str) -> tuple[int, int, int]:
    """Return trial and conversion, and the conversion that the host takes it for.

    That is the conversion itself where its frame was not read.
    """
    engine, _ = choose("auto", scenario)
    for first in range(0, scenario.trials, _TRIALS):
        trials = range(first, min(first + _TRIALS, scenario.trials))
        found: list[tuple[int, int, int]] = []
        blocks: dict[range, list[FrameBlock]] = {}
        for block in engine.run(scenario, trials, words=False):
            blocks.setdefault(block.trials, []).append(block)
            if block.first + block.count == scenario.conversions:
                whole = blocks.pop(block.trials)
                found += _met(whole, host_view(scenario, *whole), kind)
        if found:
            return min(found)
    silent = "is lost, wrong or taken for another one without that anybody is told"
    raise _none(scenario, kind, silent if kind == SILENT else "is taken for another one")


def _met(blocks: list[FrameBlock], outcome: Any, kind: str) -> Iterator[tuple[int, int, int]]:
    """Give the conversions of some trials that are as asked for."""
    fates = np.concatenate([block.fate for block in blocks], axis=1)
    harmed = np.isin(fates, [Fate[name.upper()] for name in HARMED])
    met = outcome["misaligned"]
    if kind == SILENT:
        met = (harmed | met) & ~outcome["told"]
    for row, column in np.argwhere(met).tolist():
        believed = int(outcome["believed"][row, column])
        taken_for = believed if outcome["misaligned"][row, column] else column
        yield blocks[0].trials.start + row, column, taken_for


def _none(scenario: Scenario, kind: str, what: str) -> InputError:
    """Return the complaint that no conversion of a run is as asked for."""
    runs = f"{scenario.trials} x {scenario.conversions}"
    return InputError(scenario.name, "conversions", kind, f"none of the {runs} conversions {what}")
