"""How many common-mode events a run had, for figures that are told for each of them."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from simlink.base.instants import FS_PER_SECOND, Times
from simlink.link.common_mode import instants

if TYPE_CHECKING:
    from simlink.figures.tally import Tally
    from simlink.scenario.schema import Scenario


def events(scenario: Scenario, tally: Tally, span: npt.NDArray[np.float64]) -> float:
    """Return how many events the sources gave, whether they upset anything or not.

    Of random instants (``poisson``) and of a switch, as many as come on average; of the others,
    which depend on little that is drawn, those of these very trials.

    Parameters
    ----------
    span : ndarray, shape (T,), fs
        How long each trial took.
    """
    seconds, found = float(span.sum()) / FS_PER_SECOND, 0.0
    for number, source in enumerate(scenario.transient):
        if source.kind == "poisson":
            assert source.rate is not None
            found += seconds * float(source.rate.value)
        elif source.kind == "switching":
            assert source.frequency is not None
            found += 2 * seconds * float(source.frequency.value)
        elif source.kind == "locked":
            found += float(np.maximum(-(-(tally.sent - source.first) // source.every), 0).sum())
        else:
            found += sum(
                _come(instants(scenario, number, trial), end)
                for trial, end in zip(tally.trials, tally.end.tolist(), strict=True)
            )
    return found


def _come(some: Iterator[Times], end: int) -> int:
    """Return how many instants come up to one, of pulses or of a list."""
    found = 0
    for times in some:
        found += int(np.searchsorted(times, end, side="right"))
        if len(times) and times[-1] > end:
            break
    return found
