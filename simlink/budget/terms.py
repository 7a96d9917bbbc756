"""A margin and its terms: what a chain of delays takes from the time that a clock leaves.

A margin is ``periods * T + fixed`` less the sum of its terms, T being the period of the serial
clock. Each term is a quantity of the scenario and the way it enters; worst cases are taken at
the ends of its support, which is exact because every way of entering is convex.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property
from typing import Any, Literal

import numpy as np

from simlink.base.instants import FS_PER_SECOND, Times
from simlink.budget import dual_dirac
from simlink.scenario.distributions import Constant, Distribution
from simlink.scenario.quantities import PARTS

#: How a quantity v is taken from a margin: v, -v, max(0, v) (the slower of a line's two edges),
#: max(0, -v) (what its faster edge comes early), or together with others (`held.Held`).
Enters = Literal["plus", "minus", "slower", "faster", "held"]

ZERO = Constant(value=0)


def taken(enters: Enters, value: Any) -> Any:
    """Return what a value takes from a margin; works on numbers and on arrays."""
    if enters == "plus":
        return value
    if enters == "minus":
        return -value
    return np.maximum(0, value if enters == "slower" else -value)


def exact(value: float) -> Fraction | float:
    """Return a number as a fraction; an infinite one as it is."""
    return value if math.isinf(value) else Fraction(value)


@dataclass(frozen=True)
class Term:
    """One quantity of a chain.

    Attributes
    ----------
    name : str
        What it is, in words.
    key : str
        Where the scenario gives it.
    laws : tuple of Distribution
        Its law; for the lanes' skew one law a lane, and the worst lane counts.
    sources : tuple of str
        The stream that a unit draws each law from; empty when it is not drawn once a board.
    enters : {"plus", "minus", "slower", "faster", "held"}
        How it is taken from the margin.
    drawn : {"unit", "edge", "conversion"}
        Once a unit, for each edge (jitter), or for each conversion.
    """

    name: str
    key: str
    laws: tuple[Distribution, ...]
    sources: tuple[str, ...] = ()
    enters: Enters = "plus"
    drawn: Literal["unit", "edge", "conversion"] = "unit"

    @property
    def nominal(self) -> Fraction:
        """What it takes at the mean of its law, in fs; of the lane that takes most."""
        return max(Fraction(float(taken(self.enters, law.mean))) for law in self.laws)

    @property
    def worst(self) -> Fraction | float:
        """The most that it takes, in fs; infinite when nothing bounds it.

        Of jitter with a Gaussian part it is the bounded part alone (`Margin.random`).
        """
        if self.drawn == "edge":
            jitter = self.jitter
            ends = (jitter.earliest, jitter.latest)
            return Fraction(max(float(taken(self.enters, end)) for end in ends))
        return exact(
            max(float(taken(self.enters, end)) for law in self.laws for end in law.support)
        )

    @cached_property
    def jitter(self) -> dual_dirac.Jitter:
        """The split of an edge's jitter."""
        return dual_dirac.split(self.laws[0], self.key)

    @property
    def is_random(self) -> bool:
        """Whether two units may differ in it."""
        return self.drawn == "unit" and any(law.is_random for law in self.laws)

    def of(self, units: Mapping[str, Times]) -> Times | int:
        """Return what it takes in each unit, int64 fs, shape (T,) or a number for all.

        The units say what they drew by the name of the source.
        """
        each = [
            taken(self.enters, law.constant_value if law.is_constant else units[source])
            for law, source in zip(self.laws, self.sources, strict=True)
        ]
        most: Times | int = each[0]
        for one in each[1:]:
            most = np.maximum(most, one)
        return most


@dataclass(frozen=True)
class Reach:
    """Which clocks keep a margin from being negative.

    Attributes
    ----------
    highest : Fraction or None
        The highest clock in Hz, None when nothing limits it.
    lowest : Fraction or None
        The lowest clock in Hz, None when nothing limits it.
    short : Fraction, float or None
        How far, in fs, it is from being kept by any clock at all; None when a clock keeps it.
    """

    highest: Fraction | None = None
    lowest: Fraction | None = None
    short: Fraction | float | None = None


@dataclass(frozen=True)
class Margin:
    """What is left of a time between two edges.

    Attributes
    ----------
    name : str
        Such as ``"setup"``.
    means : str
        What goes wrong when it is negative.
    periods : Fraction
        Periods of the serial clock that it has; negative where a slower clock is the worse one.
    terms : tuple of Term
        What is taken from it.
    fixed : int
        What it has beside, in fs: a trained delay.
    tolerance : Term or None
        How far the clock is off, when it has a tolerance.
    """

    name: str
    means: str
    periods: Fraction
    terms: tuple[Term, ...]
    fixed: int = 0
    tolerance: Term | None = None

    def interval(self, clock: Fraction, off: float = 0.0) -> Fraction:
        """Return the time it has at a clock in Hz that is off by a ratio in 1e-12, in fs."""
        actual = clock * (1 + Fraction(off) / PARTS)
        return self.periods * FS_PER_SECOND / actual + self.fixed

    @property
    def worst_off(self) -> float:
        """The end of the clock's tolerance that leaves less time, in 1e-12."""
        if self.tolerance is None:
            return 0.0
        low, high = self.tolerance.laws[0].support
        return high if self.periods >= 0 else low

    @property
    def mean_off(self) -> float:
        """The mean of the clock's tolerance, in 1e-12."""
        return 0.0 if self.tolerance is None else self.tolerance.laws[0].mean

    def random(self, ber: float) -> int:
        """Return what Gaussian jitter takes at a bit-error ratio, in fs."""
        return dual_dirac.random_part(self._sigmas, ber)

    @property
    def _sigmas(self) -> list[float]:
        return [term.jitter.sigma for term in self.terms if term.drawn == "edge"]

    @property
    def rms_jitter(self) -> float:
        """The standard deviation of all its Gaussian jitter together, in fs."""
        return math.sqrt(math.fsum(sigma**2 for sigma in self._sigmas))

    @property
    def nominal(self) -> Fraction:
        """The sum of its terms at their means, in fs."""
        return sum((term.nominal for term in self.terms), Fraction(0))

    def worst(self, ber: float) -> Fraction | float:
        """Return the arithmetic worst case of its sum at a bit-error ratio, in fs."""
        total: Fraction | float = Fraction(self.random(ber))
        for term in self.terms:
            total = total + term.worst
        return total

    @property
    def unbounded(self) -> list[Term]:
        """The terms without a bound, for which there is no worst case."""
        return [term for term in self.terms if math.isinf(term.worst)]

    @property
    def largest(self) -> Term | None:
        """The term that takes the most in the worst case, None if none takes anything."""
        best = max(self.terms, key=lambda term: term.worst, default=None)
        return best if best is not None and best.worst > 0 else None

    def left(self, clock: Fraction) -> Fraction:
        """Return the nominal margin at a clock in Hz, in fs."""
        return self.interval(clock, self.mean_off) - self.nominal

    def left_at_worst(self, clock: Fraction, ber: float) -> Fraction | float:
        """Return the worst-case margin at a clock in Hz, in fs."""
        return self.interval(clock, self.worst_off) - self.worst(ber)

    def reach(self, ber: float | None = None) -> Reach:
        """Return the clocks that keep it: at worst at a bit-error ratio; without one, nominally."""
        if ber is None:
            return reach(self.periods, self.fixed, self.nominal, self.mean_off)
        return reach(self.periods, self.fixed, self.worst(ber), self.worst_off)


def reach(periods: Fraction, fixed: int, total: Fraction | float, off: float = 0.0) -> Reach:
    """Return the clocks that leave a total, in fs, of so many periods and a fixed time in fs.

    The clock may be off by a ratio in 1e-12.
    """
    wanted = total - fixed
    if math.isinf(wanted):
        return Reach(short=math.inf) if wanted > 0 else Reach()
    if periods * wanted > 0:
        clock = periods * FS_PER_SECOND / Fraction(wanted) / (1 + Fraction(off) / PARTS)
        return Reach(highest=clock) if periods > 0 else Reach(lowest=clock)
    # Time that does not grow with the period, or shrinks, has to be there from the start.
    if wanted > 0 or periods < 0:
        return Reach(short=Fraction(wanted))
    return Reach()
