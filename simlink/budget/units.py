"""Boards: how a margin spreads over them, and the share of them that work at a clock.

The units are those that a run of the same scenario and seed would build: each quantity comes
from the stream of its own name, so unit 7 here is trial 7 there. Per-edge jitter counts with what
it takes at the bit-error ratio, what is drawn for each conversion with its worst.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
import numpy.typing as npt

from simlink.base.draws import once, streams
from simlink.base.instants import FS_PER_SECOND, Times
from simlink.budget.terms import Margin, Term, taken
from simlink.figures.intervals import clopper_pearson
from simlink.scenario.distributions import Distribution, Normal
from simlink.scenario.quantities import PARTS

#: Draws that the moments of a term that enters crooked are taken from.
_SAMPLED = 2**16
#: The trapezoid rule's reach in standard deviations, and its least number of points.
_REACH, _STEPS = 9.0, 200


class BuiltUnits:
    """What units, trials 0 ... count - 1, drew, each source drawn when it is first asked for."""

    def __init__(self, seed: int, count: int) -> None:
        self.seed = seed
        self.count = count
        self._drawn: dict[str, Times] = {}

    def values(self, terms: Iterable[Term]) -> dict[str, Times]:
        """Return what the units drew for some terms, by source, int64, shape (count,)."""
        for term in terms:
            for law, source in zip(term.laws, term.sources, strict=bool(term.sources)):
                if source not in self._drawn and not law.is_constant:
                    drawn = [once(law, self.seed, trial, source) for trial in range(self.count)]
                    self._drawn[source] = np.array(drawn, dtype=np.int64)
        return self._drawn

    def left(self, margin: Margin, clock: Fraction, ber: float) -> npt.NDArray[np.float64]:
        """Return a margin of each board at a clock in Hz, in fs, shape (count,)."""
        terms = [term for term in margin.terms if term.drawn == "unit"]
        tolerance = [] if margin.tolerance is None else [margin.tolerance]
        drawn = self.values([*terms, *tolerance])
        period = float(margin.periods * FS_PER_SECOND / clock)
        left = np.full(self.count, period)
        if margin.tolerance is not None:
            left /= 1 + np.asarray(margin.tolerance.of(drawn)) / PARTS
        left += margin.fixed - float(_apart(margin, ber))
        for term in terms:
            left -= term.of(drawn)
        return left


def _apart(margin: Margin, ber: float) -> Fraction | float:
    """Return what is taken alike on every board: jitter, and the worst of a conversion."""
    total: Fraction | float = Fraction(margin.random(ber))
    for term in margin.terms:
        if term.drawn != "unit":
            total = total + term.worst
    return total


@dataclass(frozen=True)
class Spread:
    """How a margin lies over boards, by its moments, in fs.

    Attributes
    ----------
    mean, sigma : float
        Of the part that all lanes share, and of the whole where there is one lane.
    lanes : int
        Lanes whose skew is drawn apart.
    lane_sigma : float
        The standard deviation of one such skew; already in `sigma` where there is one lane.
    exact : bool
        Whether every spread is normal and enters straight, so that the tail is exact.
    """

    mean: float
    sigma: float
    lanes: int
    lane_sigma: float
    exact: bool

    def working(self) -> float:
        """Return the share of boards that keep the margin in every lane, by the normal law.

        With lanes of their own skew: the mean over the shared part z of
        Phi((mean + sigma z) / lane_sigma) ^ lanes, by the trapezoid rule, which is all but exact
        for so smooth a law.
        """
        from scipy.special import ndtr

        if self.lanes == 1 or self.lane_sigma == 0:
            if self.sigma == 0:
                return float(self.mean >= 0)
            return float(ndtr(self.mean / self.sigma))
        # Fine enough for a skew that is narrow beside what the lanes share.
        steps = math.ceil(_STEPS * max(1.0, self.sigma / self.lane_sigma))
        at = np.linspace(-_REACH, _REACH, steps)
        weight = np.exp(-at * at / 2)
        kept = ndtr((self.mean + self.sigma * at) / self.lane_sigma) ** self.lanes
        return float((weight * kept).sum() / weight.sum())


@dataclass(frozen=True)
class Moments:
    """What the terms of a margin come to over boards, at any clock.

    `taken` is the mean of what is taken in every lane alike, in fs, `variance` its variance, in fs
    squared; the rest is as in `Spread`.
    """

    margin: Margin
    taken: float
    variance: float
    lanes: int
    lane_sigma: float
    exact: bool

    def at(self, clock: Fraction) -> Spread:
        """Return the margin's spread at a clock in Hz."""
        margin = self.margin
        period = float(margin.periods * FS_PER_SECOND / clock)
        mean, variance, exact = period + margin.fixed - self.taken, self.variance, self.exact
        if margin.tolerance is not None:
            law = margin.tolerance.laws[0]
            # 1 / (1 + t) is 1 - t to first order, and tolerances are small.
            mean -= period * law.mean / PARTS
            variance += period**2 * law.variance / PARTS**2
            exact = exact and (period == 0 or law.is_constant)
        return Spread(mean, math.sqrt(variance), self.lanes, self.lane_sigma, exact)


def moments(margin: Margin, ber: float, seed: int = 1) -> Moments:
    """Return mean and variance of what is taken from a margin, over boards, at a bit-error ratio.

    The seed is that of the draws that stand in for the moments of a term that enters crooked.
    """
    total, variance, exact = float(_apart(margin, ber)), 0.0, True
    lanes, lane_sigma = 1, 0.0
    for term in margin.terms:
        if term.drawn != "unit":
            continue
        straight = term.enters in ("plus", "minus")
        exact = exact and all(_normal(law) for law in term.laws)
        exact = exact and (straight or not term.is_random)
        if not term.is_random:
            total += float(term.nominal)
        elif straight and all(law == term.laws[0] for law in term.laws):
            total += float(taken(term.enters, term.laws[0].mean))
            if len(term.laws) == 1:
                variance += term.laws[0].variance
            else:
                lanes, lane_sigma = len(term.laws), math.sqrt(term.laws[0].variance)
        else:
            drawn = _sampled(term, seed)
            total += float(drawn.mean())
            variance += float(drawn.var())
    return Moments(margin, total, variance, lanes, lane_sigma, exact)


def _normal(law: Distribution) -> bool:
    return law.is_constant or (isinstance(law, Normal) and law.low is None and law.high is None)


def _sampled(term: Term, seed: int) -> npt.NDArray[np.float64]:
    """Return draws of a term whose moments have no simple form."""
    drawn = {
        source: law.sampler(streams(seed, 0, f"moments of {source}")).take(_SAMPLED)
        for law, source in zip(term.laws, term.sources, strict=True)
    }
    return np.asarray(term.of(drawn), dtype=np.float64)


@dataclass(frozen=True)
class Yield:
    """The share of boards that work at a clock.

    Attributes
    ----------
    clock : Fraction
        The clock in Hz.
    working, units : int
        Of so many boards, so many keep every margin.
    low, high : float
        The confidence interval of their share, 95 % (Clopper and Pearson).
    normal : dict of str to float
        By the normal law, the share that keeps each margin.
    exact : bool
        Whether all spreads are normal, so that those shares are exact.
    """

    clock: Fraction
    working: int
    units: int
    low: float
    high: float
    normal: dict[str, float]
    exact: bool

    @property
    def share(self) -> float:
        """The share that works."""
        return self.working / self.units

    @property
    def normal_least(self) -> float:
        """The least share of boards that keep all margins, by the normal law (Bonferroni)."""
        return max(0.0, 1.0 - sum(1.0 - share for share in self.normal.values()))


def units_that_work(
    margins: Iterable[Margin], units: BuiltUnits, clock: Fraction, ber: float
) -> Yield:
    """Return the share of boards that keep all of some margins at a clock in Hz."""
    margins = list(margins)
    kept = np.ones(units.count, dtype=np.bool_)
    normal, exact = {}, True
    for margin in margins:
        kept &= units.left(margin, clock, ber) >= 0
        found = moments(margin, ber, units.seed).at(clock)
        normal[margin.name] = found.working()
        exact = exact and found.exact
    working = int(kept.sum())
    low, high = clopper_pearson(working, units.count)
    return Yield(clock, working, units.count, low, high, normal, exact)


def clock_for_yield(
    margins: Iterable[Margin],
    wanted: float,
    ber: float,
    start: Fraction,
    most: Fraction | None = None,
) -> Fraction | None:
    """Return the highest clock in Hz at which, by the normal law, enough boards work.

    Enough is the wanted share, above 0 and below 1. It is looked for from a hundredth to a
    hundredfold of `start`. Where `most` is given none above it will do, and it is the answer if it
    does. To a hundredth of a per cent, from below; None when no clock of that range will do, or the
    highest of it does.
    """
    known = [moments(margin, ber) for margin in margins]

    def enough(clock: Fraction) -> bool:
        if most is not None and clock > most:
            return False
        return sum(1 - one.at(clock).working() for one in known) <= 1 - wanted

    if most is not None and enough(most):
        return most
    # A slow clock may fail as well (a capture several half periods late), so a coarse ladder
    # finds the highest clock that works and bisection the edge above it.
    ladder = [start * Fraction(10) ** 2 / Fraction(21, 20) ** step for step in range(190)]
    good = next((i for i, clock in enumerate(ladder) if enough(clock)), None)
    if good is None or good == 0:
        return None
    low, high = ladder[good], ladder[good - 1]
    while high / low > Fraction(10001, 10000):
        middle = Fraction(round((low + high) / 2))
        if not low < middle < high:
            break
        if enough(middle):
            low = middle
        else:
            high = middle
    return low
