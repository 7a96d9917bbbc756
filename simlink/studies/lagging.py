"""Hosts that have no time to spare on average, for which an answer holds for a while only."""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction

from simlink.engines.choice import choose
from simlink.figures.cycle import periods
from simlink.figures.reader import reader_of
from simlink.records import Fate
from simlink.scenario.schema import Scenario

#: Conversions to look at.
_LOOKED_AT = 50_000
#: Standard deviations by which the share of triggers that give a frame may be below the one seen.
_SURELY = 4


@dataclass(frozen=True)
class Lag:
    """A host that takes at least as long for a frame as there is from one to the next."""

    #: Means, fs: what a frame takes at least, and the time that there is for it.
    takes: Fraction
    comes: Fraction
    #: The share of triggers that overrun in the long run, however deep the FIFO, at least.
    lost: float


def lag_of(scenario: Scenario, engine: str = "auto") -> Lag | None:
    """Return how a remote master's host lags in the long run; None if it has time to spare.

    Poisson triggers, and others that come too soon, find the converter busy: such are missed and
    leave the host more time. How many are, a quick look says.
    """
    average = periods(scenario)[1]
    reader = reader_of(scenario)
    # The further behind, the more frames a latency serves where all that wait are read.
    takes = reader.read if reader.reads_on else reader.least_period()
    if not average or takes < average:
        return None
    missed, sent = _missed(scenario, engine)
    frames = 1 - missed
    if missed:
        frames -= _SURELY * math.sqrt(missed * (1 - missed) / sent)
    if takes * Fraction(frames) < average:
        return None
    return Lag(takes, average / Fraction(frames), frames - float(average / takes))


def _missed(scenario: Scenario, engine: str) -> tuple[float, int]:
    """Return the share of triggers that are missed, and of how many."""
    units = math.ceil(_LOOKED_AT / scenario.conversions)
    chosen, _ = choose(engine, scenario.with_(trials=units))
    sent = missed = 0
    for block in chosen.passing(scenario, range(units), words=False):
        sent += int((block.fate != Fate.NOT_SENT).sum())
        missed += int((block.fate == Fate.MISSED_TRIGGER).sum())
    return (missed / sent if sent else 0.0), sent
