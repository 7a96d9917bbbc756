"""Jitter at a bit-error ratio: deterministic and random parts, joined by the dual-Dirac rule.

The model takes all that is bounded for two Dirac pulses, DJ apart, and all that is not for one
Gaussian of standard deviation RJ. Seen from both sides of an eye, the total at a bit-error ratio
is TJ = DJ + 2 Q RJ with erfc(Q / sqrt(2)) / 2 = BER (ISO/IEC TR 14165-117, from memory). A
single margin is passed on one side only, so it loses the outer end of the bounded part plus
Q RJ: half of the Gaussian term, one-sided. The outer pulse is given its full weight, which is
exact when there is no bounded jitter and errs on the safe side when there is.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from simlink.base.errors import InputError
from simlink.scenario.composite import Mixture
from simlink.scenario.distributions import Distribution, Normal

#: The bit-error ratio that is meant when none is stated.
USUAL_BER = 1e-12


def q_factor(ber: float) -> float:
    """Return how many standard deviations of one tail leave a bit-error ratio up to 0.5.

    Q with erfc(Q / sqrt(2)) / 2 = ber; 7.0345 for 1e-12.
    """
    from scipy.special import ndtri

    if not 0.0 < ber <= 0.5:
        raise ValueError("a bit-error ratio lies above 0 and is at most 0.5")
    return -float(ndtri(ber))


def error_ratio(margin: float, rj: float) -> float:
    """Return the error ratio of one margin under Gaussian jitter, erfc(margin / (sqrt(2) rj)) / 2.

    The margin is what the mean edge leaves, `rj` the jitter's standard deviation in the same unit.
    """
    if rj == 0:
        return 0.0 if margin >= 0 else 1.0
    return 0.5 * math.erfc(margin / rj / math.sqrt(2))


@dataclass(frozen=True)
class Jitter:
    """One edge's jitter, in fs: where its bounded part begins and ends, and its Gaussian sigma."""

    earliest: float
    latest: float
    sigma: float


def split(law: Distribution, key: str) -> Jitter:
    """Split the law of an edge's jitter into its bounded and its Gaussian part.

    A mixture reaches from its earliest part to its latest, with its widest Gaussian.

    Raises
    ------
    InputError
        At its key, when it is neither bounded nor normal, for which the rule says nothing.
    """
    low, high = law.support
    if not (math.isinf(low) or math.isinf(high)):
        return Jitter(low, high, 0.0)
    if isinstance(law, Normal):
        return Jitter(float(law.given_mean), float(law.given_mean), float(law.sigma))
    if isinstance(law, Mixture):
        parts = [split(part.of, key) for part in law.parts]
        return Jitter(
            min(part.earliest for part in parts),
            max(part.latest for part in parts),
            max(part.sigma for part in parts),
        )
    raise InputError(
        key,
        None,
        type(law).__name__.lower(),
        "jitter without a bound has to be normal, or a mixture with normal parts, to be joined by "
        "the dual-Dirac rule",
    )


def ends(law: Distribution, ber: float) -> tuple[float, float]:
    """Return how early and how late an edge comes by its jitter at a bit-error ratio, in fs.

    The ratio is that of its Gaussian part, counted by itself; infinite where it is neither bounded
    nor normal.
    """
    try:
        found = split(law, "")
    except InputError:
        return law.support
    reach = random_part([found.sigma], ber)
    return found.earliest - reach, found.latest + reach


def random_part(sigmas: Iterable[float], ber: float) -> int:
    """Return what independent Gaussian jitter takes from one margin at a bit-error ratio, in fs.

    Q times the root of the sum of squares of the edges' standard deviations in fs, rounded up.
    """
    rms = math.sqrt(math.fsum(sigma * sigma for sigma in sigmas))
    return math.ceil(q_factor(ber) * rms) if rms else 0
