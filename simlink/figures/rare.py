"""Whether a run is long enough to have seen the rare draws that a figure rests on.

Trials that have not met a rare long latency yet agree with each other, and an interval that is
taken from how much they differ would leave out what the next one may bring. The law itself says
how rare that is.
"""

from __future__ import annotations

import math

from simlink.scenario.composite import Mixture, TwoState
from simlink.scenario.distributions import Exponential, Gamma, Limits, Lognormal
from simlink.scenario.law import Distribution
from simlink.scenario.recorded import Recorded

#: With fewer rare draws than this on average, one run in twenty or more has none at all.
FEWEST = 3


def third_moment(law: Distribution) -> float:
    """Return the third central moment of a law, in base units cubed; 0 for a clipped normal one."""
    deviation = math.sqrt(law.variance)
    match law:
        case TwoState() | Mixture():
            off = [one.mean - law.mean for one in law.laws]
            parts = zip(law.shares, law.laws, off, strict=True)
            return sum(p * (third_moment(x) + 3 * x.variance * d + d**3) for p, x, d in parts)
        case Recorded():
            return float(((law.values - law.mean) ** 3).mean())
        case Exponential():
            return 2 * deviation**3
        case Gamma():
            return 2 * deviation**4 / law.given_mean
        case Lognormal():
            relative = law.sigma / law.given_mean
            return (3 * relative + relative**3) * deviation**3
        case Limits():
            low, high = law.least - law.mean, law.high - law.mean
            # Of three numbers that add up to 0, as those of a triangular law do.
            return low * (law.typical - law.mean) * high / 10
        case _:
            return 0.0


def rare_draws(law: Distribution, draws: int) -> float:
    """Return about how many of some draws of a law are those that make its spread.

    Parameters
    ----------
    law : Distribution
        Such as a service latency.
    draws : int
        How many are taken.

    Returns
    -------
    float
        Draws over the squared skewness, after Cochran's rule for the mean of a skewed law
        (Sampling Techniques, 3rd ed., 1977, section 2.15, from memory): of draws that are large
        with a small probability p it is their number times p. Those that come in a row count
        once. Infinite where the law has no skewness.
    """
    third = third_moment(law)
    if third == 0 or law.variance == 0:
        return math.inf
    row = law.length.mean if isinstance(law, TwoState) else 1.0
    return float(draws * law.variance**3 / third**2 / row)
