"""What a run saw of each loss, in numbers and in sentences, and what a second look at it says."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property
from typing import Any

import numpy as np

from simlink.base.instants import FS_PER_SECOND
from simlink.base.wording import bound_percent, many
from simlink.budget.dual_dirac import USUAL_BER
from simlink.budget.scheme import SchemeBudget
from simlink.budget.terms import Term
from simlink.budget.units import BuiltUnits
from simlink.figures.figure import Figure, independent
from simlink.figures.intervals import nothing_seen
from simlink.link.transient import upsets
from simlink.records import Fate
from simlink.running.run import Run
from simlink.running.run import run as simulate
from simlink.scenario.distributions import Distribution
from simlink.verdict.limit import LIMITS, Known, Limit

#: Boards that are looked at one by one; a run of more has its first ones looked at.
MOST_BUILT = 2000
#: The share of boards, or of conversions, that a worst value stands for where nothing is bounded.
MOST_UNITS = 0.999
#: Conversions of a second look at the most.
_SECOND_LOOK = 200_000


@dataclass
class Seen:
    """A finished run, as the rows of the table of limits look at it."""

    run: Run

    def __post_init__(self) -> None:
        self.scenario = self.run.scenario
        self.figures: Mapping[str, Figure] = self.run.figures
        self.remote = self.scenario.link.scheme == "remote_master"

    def count(self, *names: str) -> int:
        """Return how many words suffered some kinds of loss."""
        found = (self.figures[name] for name in names if name in self.figures)
        return sum(figure.count or 0 for figure in found)

    def conversions(self, fate: Fate) -> int:
        """Return how many conversions had a fate."""
        return int(self.run.tally.of_fate(fate).sum())

    @cached_property
    def sent(self) -> int:
        """Triggers that were sent."""
        return int(self.run.tally.sent.sum())

    @property
    def words(self) -> int:
        """Words of all triggers that were sent."""
        return self.sent * self.scenario.words

    @property
    def boards(self) -> int:
        """Boards with any trigger, at least one."""
        return max(int((self.run.tally.sent > 0).sum()), 1)

    def lost(self, name: str, what: str = "") -> str:
        """Return a kind of loss by count and share, such as ``"overrun 45 of 12000 words ..."``."""
        figure = self.figures[name]
        between = "" if figure.count == figure.of else figure.interval()
        said = f"{what or name.replace('_', ' ')} {figure.count} of {many(figure.of or 0, 'word')}"
        return f"{said}, a share of {between}" if between else said

    def not_seen(self) -> str:
        """Return what it says that none of the words had it, by words and by boards."""
        words = self.words
        if not words:
            return "no word was sent"
        return (
            f"0 of {many(words, 'word')}: {independent(self.sent, words)}, "
            f"{bound_percent(nothing_seen(self.boards))} of boards"
        )

    @cached_property
    def built(self) -> BuiltUnits:
        """The units that ran, or the first of them."""
        return BuiltUnits(self.scenario.seed, min(max(self.run.tally.count, 1), MOST_BUILT))

    @cached_property
    def budget(self) -> SchemeBudget:
        """The budget of the scenario's own scheme over the units that ran."""
        scheme = self.scenario.link.scheme
        return SchemeBudget(self.scenario, scheme, USUAL_BER, self.built, MOST_UNITS)

    def corrupted_units(self) -> Any:
        """Tell which of the boards had a wrong bit, also if mended; bool, shape (units,)."""
        tally = self.run.tally
        wrong = tally.of_fate(Fate.CORRUPTED) + tally.of_fate(Fate.DROPPED) + tally.repeated
        return wrong[: self.built.count] > 0

    def drawn(self, law: Distribution, key: str) -> Any:
        """Return what each of the boards drew once of the law at a key; shape (boards,)."""
        term = Term(key, key, (law,), (key,))
        return np.broadcast_to(term.of(self.built.values([term])), (self.built.count,))

    def again(self, key: str, value: Any) -> Seen:
        """Return what the same draws give with another value of a key, as the file holds it."""
        scenario = self.scenario.with_value(key, value)
        total = scenario.trials * scenario.conversions
        if total > _SECOND_LOOK:
            trials = max(1, min(scenario.trials, _SECOND_LOOK // 1000))
            each = max(1, min(scenario.conversions, _SECOND_LOOK // trials))
            scenario = scenario.with_(trials=trials, conversions=each)
        return Seen(simulate(scenario, ledger=False, workers=1))

    @cached_property
    def calm(self) -> Seen:
        """What the same draws give without the transients; itself if they upset nothing."""
        if not upsets(self.scenario):
            return self
        scenario = self.scenario.with_value("transient", None).with_(trials=self.boards)
        return Seen(simulate(scenario, ledger=False, workers=1))

    @cached_property
    def missed_itself(self) -> float:
        """The share of triggers that the converter misses whether or not a FIFO is ever full."""
        if not self.conversions(Fate.MISSED_TRIGGER) or not self._stalls:
            return self._missed_share
        return self.again("fifo.when_full", "drop_new")._missed_share

    @property
    def missed_by_stall(self) -> float:
        """The share of triggers that are missed because a full FIFO held the remote clock back."""
        return max(0.0, self._missed_share - self.missed_itself) if self._stalls else 0.0

    @property
    def _stalls(self) -> bool:
        return self.remote and self.scenario.fifo.when_full == "stall"

    @property
    def _missed_share(self) -> float:
        return self.conversions(Fate.MISSED_TRIGGER) / self.sent if self.sent else 0.0

    @property
    def refused(self) -> float:
        """The share of conversions lost because the FIFO had no slot for them."""
        if not self.sent or not self.remote:
            return 0.0
        lost = self.conversions(Fate.OVERRUN) + self.conversions(Fate.NOT_RECEIVED)
        return lost / self.sent + self.missed_by_stall


def row(
    key: str,
    what: str = "",
    *,
    keys: tuple[str, ...],
    limit: Fraction | float | None = None,
    worst: Fraction | float | None = None,
    margin: Fraction | float | None = None,
    broken: str = "",
    proven: str = "",
    possible: str = "",
    otherwise: str = "",
    worst_seen: Fraction | None = None,
) -> Limit:
    """Return a row of the table of limits; times in fs, the margin limit less worst unless given.

    Parameters
    ----------
    key, keys, limit, worst, margin
        As of `Limit`, and `what`, if it is not called as in `LIMITS`.
    broken, proven, possible : str
        How the run broke it, what proves it, which draw breaks it; each empty if none does.
    otherwise : str
        What is to be said of a limit that was not seen broken.
    worst_seen : Fraction, optional
        What to show where the worst that is known would not agree with the status.
    """
    if margin is None and limit is not None and worst is not None:
        margin = limit - worst
    known, evidence = Known.NOT_SEEN, otherwise
    if broken:
        known, evidence = Known.VIOLATED, broken
    elif proven:
        known, evidence = Known.PROVEN, proven
    elif possible:
        known, evidence = Known.POSSIBLE, possible
    at_odds = margin is not None and (
        (known is Known.VIOLATED and margin >= 0)
        or (known in (Known.NOT_SEEN, Known.PROVEN) and margin < 0)
    )
    if at_odds:
        worst, margin = worst_seen, None
        if limit is not None and worst is not None:
            margin = limit - worst
        if margin is not None and (margin < 0) != (known is Known.VIOLATED):
            worst = margin = None
    usual, unit = LIMITS[key]
    scale = FS_PER_SECOND if unit == "s" else 1

    def exact(value: Fraction | float | None) -> Fraction | None:
        return None if value is None else Fraction(value) / scale

    numbers = exact(limit), exact(worst), exact(margin)
    return Limit(key, what or usual, unit, *numbers, known, evidence, keys)


def unique(*keys: str) -> tuple[str, ...]:
    """Return keys in their order, each once."""
    return tuple(dict.fromkeys(key for key in keys if key))


def largest(values: Any) -> Fraction | None:
    """Return the largest of some numbers exactly, None if there are none."""
    found = np.asarray(values)
    return Fraction(found.max().item()) if found.size else None
