"""Sizing: the first value of a ladder whose losses are shown to meet a target, and how sure.

A ladder is a row of whole numbers, each at least as safe as the one before: FIFO depths, release
thresholds, or trigger rates from fast to slow.

How the confidence is kept:

- A rough search on units of its own names a candidate. Its units are used for nothing else, so
  it may look at them as often as it likes.
- The candidate is then tested on further units, of which more are taken until its answer is
  settled. At look i of a budget of n conversions the error is spent as
  miss x (sqrt(t_i) - sqrt(t_(i-1))), t the share of the budget used, so that all looks together
  err at most as often as one (the union bound). A value that loses far too much is dropped at
  looks before the first of these: they spend the lower limit's error, and can show nothing met.
- From a candidate that meets the target the test steps down the ladder until one does not. This
  costs no error: if a value that does not meet it is to be passed, the safest such value has to
  be passed first (a fixed sequence of tests). Each step up halves the error that is left.
"""

from __future__ import annotations

import math
from collections.abc import Callable

from simlink.figures.intervals import one_sided
from simlink.studies.cycles_seen import Losses
from simlink.studies.ladder import Ladder, Point, Verdict
from simlink.studies.sizing_limits import (
    FEW,
    LEAST_UNITS,
    conversions_needed,
    early_looks,
    limits,
    looks,
)

#: Losing units from which the rough search trusts an estimate.
_ENOUGH = 5
#: Losing units, and a span of shares, from which it draws a line to where it sees too few.
_MANY, _DECADE = 40, 10.0
#: A share so many times the target is plainly above it; with such a share of all lost no line is
#: drawn through it.
_PLAINLY, _MOST_OF_USE = 10, 0.05
#: Conversions of each look of the rough search, in expected losses at the target.
_ROUGH_LOOK = 8
#: How much more each early look of the rough search takes than the one before it.
_ROUGHLY = 4
_MOST_STEPS_UP = 12
#: Values that the whole budget left undecided before the search gives up.
_MOST_UNDECIDED = 2
#: Values of a ladder that a search usually has to do with.
_USUAL_SPAN = 64

Observe = Callable[[int, int, int], Losses]
Decided = Callable[[Point], object]


class Search:
    """Find the first value of a ladder whose losses are shown to meet a target.

    Parameters
    ----------
    observe : callable
        ``observe(at, start, stop)`` simulates units start ... stop - 1 of a value.
    target, confidence : float
        The share of conversions that may be lost, and how sure the answer shall be.
    conversions, most_units : int
        Of each unit; the budget for one value, of which an eighth goes to the rough search.
    by_cycle, exact : bool
        Whether what `observe` counts are cycles; whether nothing is left to chance, so that one
        unit tells all.
    beyond : bool
        Whether to search for a less safe value than the one that is proven.
    decided : callable, optional
        Told of each value as soon as all is known of it that the search wants to know.

    Attributes
    ----------
    answer : int or None
        The first value that meets the target; None if none was shown to.
    settled : bool
        Whether the value before it was shown to exceed the target, or there is none.
    points : dict of int to Point
        Every value that was looked at.
    guess : int or None
        Where the rough search expects the answer; `expected` is the share lost it expects there.
    """

    def __init__(
        self,
        observe: Observe,
        ladder: Ladder,
        *,
        target: float,
        confidence: float,
        conversions: int,
        most_units: int,
        by_cycle: bool,
        exact: bool = False,
        beyond: bool = True,
        decided: Decided | None = None,
    ) -> None:
        self.observe = observe
        self.ladder = ladder
        self.target = target
        self.miss = 1 - confidence
        self.conversions = conversions
        self.by_cycle = by_cycle
        self.exact = exact
        self.beyond = beyond
        self._decided = decided
        first = max(LEAST_UNITS, math.ceil(_ROUGH_LOOK / target / conversions))
        self.rough = 0 if exact else max(1, min(first, most_units // 8))
        self.looks = [1] if exact else looks(target, conversions, max(1, most_units - self.rough))
        #: The looks before, at which a value may be found to lose too much but not little enough.
        self.early = [] if exact else early_looks(conversions, self.looks[0])
        # Past a value that is proven to lose nothing there is nothing to look for.
        proven = ladder.proven
        self._high = ladder.high if proven is None else min(ladder.high, proven)
        self.points: dict[int, Point] = {}
        self.rough_seen: dict[int, Losses] = {}
        self.answer: int | None = None
        self.settled = False
        self.guess: int | None = None
        self.expected = 0.0

    def run(self) -> None:
        """Search; what was found so far is kept if it is interrupted."""
        proven = self.ladder.proven
        if proven is not None and not self.beyond:
            self._test(proven, self.miss)
            self.answer, self.settled = proven, proven <= self.ladder.low
            return
        self.guess = self._rough_search()
        if self.guess is None or not self.supported:
            return
        at = self._step_up(self.guess)
        if at is None:
            return
        miss = self.miss / 2 ** (at - self.guess)
        while True:
            self.answer = at
            if at <= self.ladder.low:
                self.settled = True
                return
            at -= 1
            if at not in self.points or self.points[at].verdict is Verdict.ROUGH:
                self._test(at, miss)
            if self.points[at].verdict not in (Verdict.MEETS, Verdict.PROVEN):
                self.settled = self.points[at].verdict is Verdict.EXCEEDS
                return

    def _step_up(self, at: int) -> int | None:
        """Return the first value from here on that is shown to meet the target."""
        miss, undecided = self.miss, 0
        for _ in range(_MOST_STEPS_UP):
            if self._test(at, miss):
                return at
            point = self.points[at]
            undecided += point.verdict is Verdict.OPEN
            # Where too few boards lose nothing, no safer value will do better.
            hopeless = point.verdict is Verdict.OPEN and not point.seen.lost
            if at >= self._high or hopeless or undecided > _MOST_UNDECIDED:
                return None
            at, miss = at + 1, miss / 2
        return None

    @property
    def cost(self) -> int:
        """About how many conversions the search will take, 0 if a proof is the answer."""
        if self.ladder.proven is not None and not self.beyond:
            return 0
        span = min(self._high - self.ladder.low + 1, _USUAL_SPAN)
        values = 2 * math.ceil(math.log2(span + 1))
        if self.exact:
            return values * self.conversions
        # Two values are tested; most are settled at an early look.
        return self.conversions * (values * self.rough + 2 * self.looks[:2][-1])

    @property
    def supported(self) -> bool:
        """Whether the budget could show the target to be met at all, if losses were few."""
        if self.exact or self.ladder.proven == self.guess:
            return True
        units = self.looks[-1]
        sent = units * self.conversions
        independent = sent if self.by_cycle else units
        none_lost = limits(Losses(independent, sent), self.miss, self.by_cycle)[1]
        few_lost = one_sided(FEW, float(sent), self.miss)[1]
        return min(none_lost, few_lost) <= self.target

    @property
    def needed(self) -> int | None:
        """About how many conversions would show that the value expected, or the next, meets it."""
        if self.guess is None:
            return None
        point = self.points.get(self.guess)
        tested = point is not None and point.verdict is not Verdict.ROUGH and point.seen.lost
        share = point.seen.share if point is not None and tested else self.expected
        # How losses cluster is taken from the value nearest by where some were seen.
        known = [one.seen for one in self.points.values() if one.seen.lost]
        seen = min(known, key=lambda one: abs(math.log(one.share / self.target)), default=Losses())
        if not seen.lost:
            seen = next((one.seen for one in self.points.values() if one.seen.sent), seen)
        # What the last of several looks may spend.
        miss = self.miss * (1 - math.sqrt(0.5))
        for supposed in (share, share / 2):
            found = conversions_needed(seen, supposed, self.target, miss, self.by_cycle)
            if found is not None:
                return found
        return None

    # The rough search.

    def _rough_search(self) -> int | None:
        """Return where the answer is to be expected; None if not even the safest value will do."""
        if self.exact:
            return self._bracket(self._exceeds_exactly)
        found = self._bracket(self._exceeds_roughly)
        if found is None:
            return None
        return self._beyond(found)

    def _bracket(self, exceeds: Callable[[int], bool]) -> int | None:
        """Return the first value that does not exceed, by doubling steps and then halving."""
        low, high, proven = self.ladder.low, self._high, self.ladder.proven

        def over(at: int) -> bool:
            return (proven is None or at < proven) and exceeds(at)

        at, step = min(max(self.ladder.start, low), high), 1
        if over(at):
            bad = at
            while at == bad:
                if at >= high:
                    return None
                at, step = min(high, at + step), 2 * step
                if over(at):
                    bad = at
            good = at
        else:
            good, bad = at, low - 1
            while at > low:
                at, step = max(low, at - step), 2 * step
                if over(at):
                    bad = at
                    break
                good = at
        while good - bad > 1:
            middle = (good + bad) // 2
            if over(middle):
                bad = middle
            else:
                good = middle
        return good

    def _look(self, at: int) -> Losses:
        if at not in self.rough_seen:
            self.rough_seen[at] = seen = Losses()
            done = 0
            # Where much is lost a part of the units tells enough.
            part = max(1, min(self.rough, max(LEAST_UNITS, self.rough // 32)))
            for units in [*early_looks(self.conversions, part, _ROUGHLY), part, self.rough]:
                if units > done:
                    seen.merge(self.observe(at, done, units))
                done = units
                if seen.losing >= 10 * _MANY or self._is_plain(seen):
                    break
            low, high = limits(seen, self.miss, self.by_cycle)
            self._tell(Point(at, Verdict.ROUGH, seen, low, high))
        return self.rough_seen[at]

    def _is_plain(self, seen: Losses) -> bool:
        """Tell whether so much is lost that more boards would tell the rough search nothing."""
        useful = seen.losing < _MANY and seen.share < _MOST_OF_USE
        return seen.losing >= _ENOUGH and seen.share > _PLAINLY * self.target and not useful

    def _tell(self, point: Point) -> None:
        self.points[point.at] = point
        if self._decided is not None:
            self._decided(point)

    def _exceeds_roughly(self, at: int) -> bool:
        seen = self._look(at)
        return seen.losing >= _ENOUGH and seen.share > self.target

    def _exceeds_exactly(self, at: int) -> bool:
        return not self._test(at, self.miss)

    def _beyond(self, first: int) -> int:
        """Extend the trusted estimates to where the target is met.

        Losses fall about geometrically along a ladder, so their logarithms lie on a line.
        """
        ladder = self.ladder
        if ladder.proven is not None and first >= ladder.proven:
            return first
        seen = self._look(first)
        self.expected = seen.share
        anchor = self._back(first, lambda one: one.losing >= _MANY)
        if anchor is None or anchor == first:
            return first
        here = self._look(anchor).share
        far = self._back(anchor - 1, lambda one: one.share >= _DECADE * here)
        far = ladder.low if far is None else far
        slope = math.log(self._look(far).share / here) / max(anchor - far, 1)
        if slope <= 0:
            return first
        foreseen = here * math.exp(-slope * (first - anchor)) * seen.sent
        if foreseen >= _ENOUGH and 3 * seen.lost < foreseen:
            # They fall off faster than that.
            return first
        steps = max(math.ceil(math.log(here / self.target) / slope), 1)
        at = min(anchor + steps, self._high)
        self.expected = here * math.exp(-slope * (at - anchor))
        return at

    def _back(self, at: int, enough: Callable[[Losses], bool]) -> int | None:
        """Return a value at or before one where enough was seen, going back in doubling steps."""
        step = 1
        while at >= self.ladder.low:
            if enough(self._look(at)):
                return at
            if at == self.ladder.low:
                break
            at, step = max(at - step, self.ladder.low), 2 * step
        return None

    # The test.

    def _test(self, at: int, miss: float) -> bool:
        """Test one value; tell whether it was shown to meet the target."""
        ladder = self.ladder
        if ladder.proven is not None and at >= ladder.proven:
            self._tell(Point(at, Verdict.PROVEN, low=0.0, high=0.0))
            return True
        if self.exact:
            seen = self.observe(at, 0, 1)
            verdict = Verdict.MEETS if seen.share <= self.target else Verdict.EXCEEDS
            self._tell(Point(at, verdict, seen, seen.share, seen.share, 1))
            return verdict is Verdict.MEETS
        # Kept from the start, so that an interruption loses none of it.
        self.points[at] = point = Point(at, Verdict.OPEN)
        self._take_looks(point, miss)
        self._tell(point)
        return point.verdict is Verdict.MEETS

    def _take_looks(self, point: Point, miss: float) -> None:
        """Simulate more and more boards of a value until it is settled or the budget is used."""
        spent_low = spent_high = 0.0
        weight = self._weight()
        done = 0
        for number, units in enumerate([*self.early, *self.looks], start=1):
            point.seen.merge(self.observe(point.at, self.rough + done, self.rough + units))
            done = units
            upto = miss * math.sqrt(units / self.looks[-1])
            point.low = limits(point.seen, upto - spent_low, self.by_cycle, weight)[0]
            point.high = limits(point.seen, upto - spent_high, self.by_cycle, weight)[1]
            point.looks = number
            spent_low = upto
            if point.low > self.target:
                point.verdict = Verdict.EXCEEDS
                return
            if number <= len(self.early):
                continue
            spent_high = upto
            if point.high <= self.target:
                point.verdict = Verdict.MEETS
                return
            if self._hopeless(point.seen):
                return

    def _hopeless(self, seen: Losses) -> bool:
        """Tell whether none is lost, few will be, and the units that lose none are too few."""
        last = self.looks[-1]
        if self.by_cycle or seen.lost or last * self.conversions > FEW * seen.sent:
            return False
        return limits(Losses(last, last * self.conversions), self.miss, False)[1] > self.target

    def _weight(self) -> float:
        """Return the mean losses of a losing unit where enough of them were seen, the most."""
        known = [seen for seen in self.rough_seen.values() if seen.losing >= FEW]
        return max((seen.lost / seen.losing for seen in known), default=1.0)
