"""A figure: an estimate, its interval over independent trials, and how both are written."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np

from simlink.base import wording
from simlink.base.instants import Times
from simlink.figures import intervals
from simlink.figures.intervals import CONFIDENCE
from simlink.figures.rare import FEWEST, rare_draws

if TYPE_CHECKING:
    from simlink.scenario.law import Distribution

#: More significant digits than any figure has.
_EVERY = 17


@dataclass(frozen=True)
class Figure:
    """One figure.

    Attributes
    ----------
    value : float or None
        The estimate; None if the run gives none. A share of which no event was seen has no
        value, only an upper bound.
    low, high : float or None
        Its confidence interval; None where the run supports none. Where one end alone is None,
        the other bounds it with half the chance to be wrong.
    confidence : float or None
        The confidence of that interval.
    count, of : int or None
        Events, and among how many.
    unit : str
        ``"1"`` for a share, ``"s"``, ``"words/s"``, ``"frames"``, ``"triggers"``.
    conversions : int or None
        Of a share of words: in how many conversions they were. Words of one conversion are never
        independent of each other; conversions may be.
    note : str or None
        What the figure covers, where its name does not tell.
    instead : str or None
        What a table says in the interval's place: why the run is too short for one, or that the
        interval is but the bound of what was not seen.
    """

    value: float | None
    low: float | None = None
    high: float | None = None
    confidence: float | None = None
    count: int | None = None
    of: int | None = None
    unit: str = "1"
    conversions: int | None = None
    note: str | None = None
    instead: str | None = None
    place: int | None = None

    @property
    def none_or_all(self) -> bool:
        """Whether it is a share of which none was seen, or nothing else."""
        return self.unit == "1" and self.count is not None and self.count in (0, self.of)

    def text(self, fewest: int = 1) -> str:
        """Return the figure for a table, with no more digits than its interval supports.

        It has at least the `fewest`, for places where it is compared with what has more.
        """
        if self.none_or_all:
            return "0 seen" if self.count == 0 else "all"
        if self.value is None:
            return "-"
        if self.unit == "triggers":
            return f"{self.count}"
        if self.place is not None:
            return wording.quantity(wording.to_place(self.value, self.place), self.unit, _EVERY)
        said = wording.estimate(self.value, self._width(), self.unit, fewest)
        if self.count is not None and self.unit == "1" and float(said) == 1:
            # Nearly all is not all.
            rest = wording.estimate(1 - self.value, self._width(), self.unit, fewest)
            return f"all but {rest}"
        return said

    def _width(self) -> float | None:
        return None if self.low is None or self.high is None else self.high - self.low

    def interval(self) -> str:
        """Return the interval with the digits that its own width leaves meaning to.

        One end alone is said as a bound, and so is what is known of a share of which none was
        seen, or nothing else; `instead` stands before all.
        """
        low, high = self.low, self.high
        if self.none_or_all:
            return self.bounds()
        if self.instead is not None:
            return self.instead
        if low is None and high is None:
            return ""
        if low is None or high is None:
            end = low if high is None else high
            assert end is not None
            said = wording.estimate(end, None, self.unit)
            return f"{said} or more" if high is None else f"{said} or less"
        if self.unit == "1" and self.count is not None and high < 1:
            width = high - low
            if float(wording.estimate(high, width, "1")) == 1:
                return f"all but {wording.interval(1 - high, 1 - low, '1')}"
        return wording.interval(low, high, self.unit)

    def bounds(self) -> str:
        """Return how far none (or nothing else) seen bounds a share, by boards and by words.

        Returns
        -------
        str
            Such as ``"below 12 % of boards; below 2.5e-4 if words are independent"``: a thing that
            more boards have would not have spared all those that were run; a thing that happens
            to more words, one word independent of the other, would not have spared all of them.
            Rounded to the side that keeps them. Empty for any other figure, and where nothing
            was tried.
        """
        if not self.none_or_all or not self.of:
            return ""
        none = self.count == 0
        units = self.high if none else None if self.low is None else 1 - self.low
        if units is None:
            return ""
        said = [f"{wording.bound_percent(units, none)} of boards"]
        if self.conversions:
            said.append(independent(self.conversions, self.of, none))
        return "; ".join(said)


def independent(conversions: int, words: int, none: bool = True) -> str:
    """Return how far none (or nothing else) seen among some words bounds their share.

    Words of one conversion share its fate, so that it is at most conversions that are independent.
    """
    tries = "words" if conversions == words else "conversions"
    return f"{wording.bound(intervals.nothing_seen(conversions), none)} if {tries} are independent"


def share(counts: Times, of: Times, words: int = 1, confidence: float = CONFIDENCE) -> Figure:
    """Return a share of conversions whose events are clustered in trials.

    Parameters
    ----------
    counts, of : ndarray of int64, shape (T,)
        Events and conversions in each trial.
    words : int
        Words in a conversion; ``count`` and ``of`` are in words.
    confidence : float
        Of its interval.
    """
    total, tries = int(counts.sum()), int(of.sum())
    low, high = intervals.share(counts, of, confidence)
    return Figure(
        value=total / tries if total else None,
        low=low,
        high=high,
        confidence=None if low is None and high is None else confidence,
        count=total * words,
        of=tries * words,
        conversions=tries,
    )


def units(failing: Any, confidence: float = CONFIDENCE) -> Figure:
    """Return the share of boards in which a thing happened at all."""
    count, of = int(failing.sum()), len(failing)
    low, high = intervals.middle(count, of, confidence)
    return Figure(count / of if count else None, low, high, confidence, count, of)


def rate(above: Any, below: Any, unit: str, confidence: float = CONFIDENCE) -> Figure:
    """Return a ratio of two sums over trials, such as words over the time in which they came.

    Parameters
    ----------
    above, below : array_like, shape (T,)
        What each trial adds to either sum; nothing is below zero.
    unit : str
        Of the ratio; a share of time (``"1"``) is at most 1.
    confidence : float
        Of its interval.
    """
    total = float(np.sum(below))
    if total == 0:
        return Figure(None, unit=unit)
    low, high = intervals.ratio(above, below, confidence)
    if low is None or high is None:
        return Figure(float(np.sum(above)) / total, unit=unit)
    low, high = max(low, 0.0), min(high, 1.0) if unit == "1" else high
    return Figure(float(np.sum(above)) / total, low, high, confidence, unit=unit)


def in_order(figures: Sequence[Figure]) -> list[Figure]:
    """Return quantities, none of them below the one before, that read like that, too.

    Each has the digits that its own interval leaves meaning to, unless one would then read below
    the one before, or as another than its equal: both have the last digit of the finer one then.
    """
    found = list(figures)
    there = [number for number, one in enumerate(found) if one.value]
    values = [found[number].value or 0.0 for number in there]
    own = [wording.last_place(v, found[n]._width()) for n, v in zip(there, values, strict=True)]
    places = own.copy()
    before = None
    while places != before:
        before = places.copy()
        for low, high in pairwise(range(len(values))):
            ends = [wording.to_place(values[end], places[end]) for end in (low, high)]
            if ends[0] > ends[1] or (ends[0] != ends[1] and values[low] == values[high]):
                places[low] = places[high] = min(places[low], places[high])
    for number, place, first in zip(there, places, own, strict=True):
        if place != first:
            found[number] = replace(found[number], place=place)
    return found


def at_share(offered: Figure, delivered: Figure) -> Figure:
    """Return the rate of what is left of a rate when a share of it is delivered."""
    if offered.value is None or delivered.count is None or not delivered.of:
        return Figure(None, unit=offered.unit)
    values = offered.value, delivered.count / delivered.of
    known = (offered.low, offered.high), (delivered.low, delivered.high)
    low, high = intervals.product(*known, values)
    confidence = None if low is None else offered.confidence
    found = Figure(values[0] * values[1], low, high, confidence, unit=offered.unit)
    if delivered.count < delivered.of:
        return found
    # A lower end far below it would read as if words had been lost.
    note = "the lower end is the bound of what may be lost, by boards"
    return replace(found, note=note, instead="nothing lost: all that is offered")


def per_hour(offered: Figure, harmed: Figure) -> Figure:
    """Return how many words a share of what is offered makes in an hour."""
    count, of, unit = harmed.count, harmed.of, "words/h"
    if offered.value is None or count is None or not of:
        return Figure(None, count=count, of=of, unit=unit)
    hourly = [None if one is None else one * 3600 for one in (offered.low, offered.high)]
    values = offered.value * 3600, count / of
    low, high = intervals.product((hourly[0], hourly[1]), (harmed.low, harmed.high), values)
    value = values[0] * values[1] if count else None
    return Figure(
        value, low, high, None if low is None else harmed.confidence, count=count, of=of, unit=unit
    )


def per_event(harmed: Figure, events: float) -> Figure:
    """Return how many words a share of all makes for each of some common-mode events."""
    unit, note = "words/event", "whatever they are due to, for each event that comes"
    if not events or not harmed.of:
        return Figure(None, count=harmed.count, of=harmed.of, unit=unit, note=note)
    value, low, high = (
        None if one is None else one * harmed.of / events
        for one in (harmed.value, harmed.low, harmed.high)
    )
    return replace(harmed, value=value, low=low, high=high, unit=unit, conversions=None, note=note)


def root(figure: Figure, unit: str) -> Figure:
    """Return the square root of a figure that is not below zero."""
    ends = [None if one is None else one**0.5 for one in (figure.value, figure.low, figure.high)]
    return replace(figure, value=ends[0], low=ends[1], high=ends[2], unit=unit)


def if_enough(figure: Figure, draws: int, *laws: Distribution) -> Figure:
    """Return a figure, without its interval if the run is too short for the laws it rests on.

    Parameters
    ----------
    figure : Figure
        The figure.
    draws : int
        How often each law was drawn from.
    *laws : Distribution
        The laws that make it differ between trials.
    """
    fewest = min(rare_draws(law, draws) for law in laws)
    if figure.low is None or fewest >= FEWEST:
        return figure
    instead = f"too few rare draws: about {wording.share(fewest)} expected"
    return replace(figure, low=None, high=None, confidence=None, instead=instead)


def plain(found: dict[str, Figure]) -> dict[str, dict[str, Any]]:
    """Return figures as plain JSON-ready dictionaries, all but how they are written."""
    plainly = {name: asdict(figure) for name, figure in found.items()}
    for one in plainly.values():
        del one["place"]
    return plainly
