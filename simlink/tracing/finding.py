"""Which conversion of a run is the one to look at: the first that met a fate, or the latest."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from simlink.base.errors import InputError
from simlink.base.instants import NEVER
from simlink.engines.choice import choose
from simlink.records import Fate

if TYPE_CHECKING:
    from simlink.scenario.loading import Scenario

#: What a conversion may be looked for by.
LATEST, TIMED_OUT = "latest", "timed_out"
#: The fates of a conversion whose words do not reach the host as they should.
FATES = tuple(fate.word for fate in Fate if fate not in (Fate.NOT_SENT, Fate.DELIVERED))
KINDS = (*FATES, TIMED_OUT, LATEST)


def find(scenario: Scenario, kind: str) -> tuple[int, int]:
    """Find a conversion of a run.

    Parameters
    ----------
    scenario : Scenario
        What is run, all of its units.
    kind : str
        One of `KINDS`. ``"latest"`` is the longest from trigger to last bit read (to release, if
        none is read), the others the first that met that fate, or that the host gave up.

    Returns
    -------
    (int, int)
        Trial and conversion.

    Raises
    ------
    InputError
        If there is none in the run.
    """
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
        runs = f"{scenario.trials} x {scenario.conversions}"
        what = {LATEST: "was released", TIMED_OUT: "was given up"}.get(kind, f"ended as {kind}")
        raise InputError(
            scenario.name, "conversions", kind, f"none of the {runs} conversions {what}"
        )
    return best
