"""The ends of laws: how far a draw may reach, and what a proof that rests on them has to say.

A law with bounds ends at them. A normal law without bounds counts up to where its generator ends
(`HARD`: no draw of a simulation lies beyond), or to a stated probability a draw (`LIKELY`), which
the proof then has to say.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING

from simlink.budget.dual_dirac import USUAL_BER
from simlink.scenario.distributions import GENERATOR_REACH, reach

if TYPE_CHECKING:
    from collections.abc import Callable

    from simlink.scenario.distributions import Distribution


#: How a proof that rests on bounds alone is known.
EVERY_DRAW = "for every draw within the given laws"


class UnboundedError(Exception):
    """Raised where something that a bound needs has no bound of its own; says what."""


@dataclass(frozen=True)
class Ends:
    """Where laws end."""

    #: How many standard deviations of a normal law without bounds count.
    sigmas: float = GENERATOR_REACH
    #: What a proof has to add, empty if it holds for every draw.
    proviso: str = ""

    def high(self, law: Distribution, name: str) -> int:
        """Return the largest draw in base units, rounded up; UnboundedError if there is none."""
        found = reach(law, self.sigmas)[1]
        if math.isinf(found):
            raise UnboundedError(f"{name} has no upper bound")
        return math.ceil(found)

    def low(self, law: Distribution, name: str) -> int:
        """Return the smallest draw in base units, rounded down; UnboundedError if there is none."""
        found = reach(law, self.sigmas)[0]
        if math.isinf(found):
            raise UnboundedError(f"{name} has no lower bound")
        return math.floor(found)

    def spread(self, law: Distribution, name: str) -> int:
        """Return how far apart two draws may be, in base units."""
        return 0 if law.is_constant else self.high(law, name) - self.low(law, name)


HARD = Ends()
#: erfc(Q / sqrt(2)) / 2 = 1e-12 for Q = 7.0345, rounded up.
LIKELY = Ends(7.04, f", with each Gaussian draw counted to {USUAL_BER:g}")


def least(bound: Callable[[Ends], int], limit: Fraction) -> tuple[Fraction | None, str, str]:
    """Return the least value that is proven enough, by the strongest proof that there is.

    Parameters
    ----------
    bound : callable
        Gives it, or raises UnboundedError.
    limit : Fraction
        What is to be enough: a proof to a stated probability counts where the one that holds
        for every draw asks for more.

    Returns
    -------
    needed : Fraction or None
    said : str
        How it is known.
    why : str
        Why there is none.
    """
    needed, said, reason = None, "", ""
    for ends in (HARD, LIKELY):
        try:
            found = Fraction(bound(ends))
        except UnboundedError as why:
            reason = str(why)
            continue
        if needed is None or found < needed:
            needed, said = found, f"{EVERY_DRAW}{ends.proviso}"
        if needed <= limit:
            break
    return needed, said, reason
