"""Confidence intervals over independent trials.

Words of one trial are correlated, so the trial is the unit that is counted: a binomial interval
over words would be too narrow.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import numpy.typing as npt

CONFIDENCE = 0.95

Interval = tuple[float | None, float | None]
#: Its ends.
LOW, HIGH = 0, 1
Floats = npt.NDArray[np.float64]


def one_sided(count: float, of: float, miss: float) -> tuple[float, float]:
    """Return a lower and an upper limit of a proportion, each wrong with the chance `miss`.

    Parameters
    ----------
    count, of : float
        Events among independent tries; fractions are taken for an effective number of tries.
    miss : float
        Such as 0.025.

    Returns
    -------
    (low, high) : tuple of float
        After Clopper and Pearson, Biometrika 26 (1934), through the beta distribution.
    """
    from scipy.special import betaincinv

    low = 0.0 if count <= 0 else float(betaincinv(count, of - count + 1, miss))
    high = 1.0 if count >= of else float(betaincinv(count + 1, of - count, 1 - miss))
    return low, high


def clopper_pearson(count: float, of: float, confidence: float = CONFIDENCE) -> tuple[float, float]:
    """Return the exact two-sided interval of a proportion; see `one_sided`."""
    return one_sided(count, of, (1 - confidence) / 2)


def middle(count: float, of: float, confidence: float = CONFIDENCE) -> Interval:
    """Return the mid-P interval of a proportion.

    Parameters
    ----------
    count, of : float
        Events among independent tries; fractions are taken for an effective number of tries.
    confidence : float
        Such as 0.95.

    Returns
    -------
    (low, high) : tuple of float
        The values at which half the probability of the count itself and that of all counts
        beyond it come to half the chance to be wrong (Lancaster, J. Am. Stat. Assoc. 56, 1961,
        from memory). It lies within the interval of Clopper and Pearson, which is wrong much
        less often than it says where there are few events. With no event its upper end is that
        of `nothing_seen`.
    """
    from scipy.special import betaincinv

    miss = (1 - confidence) / 2

    def reaches(chance: float) -> float:
        """Return where the two, of which one lies below the other, come to a chance together."""
        # Where each of them does by itself.
        least = float(betaincinv(count, of - count + 1, chance)) if count > 0 else 0.0
        most = float(betaincinv(count + 1, of - count, chance)) if count < of else 1.0
        return _crossing(lambda p: _beyond(count, of, p) - chance, least, most)

    return reaches(miss) if count > 0 else 0.0, reaches(1 - miss) if count < of else 1.0


def _beyond(count: float, of: float, p: float) -> float:
    """Return half the probability of a count and that of all above it, if each try has one of p."""
    from scipy.special import betainc

    def at_least(events: float) -> float:
        if events <= 0:
            return 1.0
        return float(betainc(events, of - events + 1, p)) if events < of + 1 else 0.0

    return (at_least(count) + at_least(count + 1)) / 2


#: A difference of probabilities below this is of no matter; rounding alone makes a tenth of it.
_NOTHING = 1e-13


def _crossing(above: Callable[[float], float], low: float, high: float) -> float:
    """Return where a rising function that is below 0 at one end, and not at the other, reaches it.

    By false position, in which an end that stays counts half (the "Illinois" rule, from memory),
    to where what is left is of no matter.
    """
    at_low, at_high, stays = above(low), above(high), 0
    for _ in range(60):
        guess = high - at_high * (high - low) / (at_high - at_low) if at_high > at_low else low
        if not low < guess < high:
            guess = (low + high) / 2
        if not low < guess < high:
            # No number lies between.
            break
        value = above(guess)
        if abs(value) < _NOTHING:
            return guess
        if value >= 0:
            high, at_high, at_low = guess, value, at_low / 2 if stays > 0 else at_low
            stays = 1
        else:
            low, at_low, at_high = guess, value, at_high / 2 if stays < 0 else at_high
            stays = -1
    return (low + high) / 2


def nothing_seen(tries: int, confidence: float = CONFIDENCE) -> float:
    """Return the one-sided upper bound of a probability after none of ``tries`` had the event.

    Solves (1 - p)^tries = 1 - confidence; for 95 % about 3 / tries, the rule of three.
    """
    return float(-math.expm1(math.log1p(-confidence) / tries))


def degrees(residuals: Floats) -> float:
    """Return the degrees of freedom of a variance that is taken from some residuals.

    Parameters
    ----------
    residuals : ndarray, shape (n,)
        Of n independent trials, n at least 2; they add up to about 0.

    Returns
    -------
    float
        2 V^2 / Var V of the sum V of their squares (Satterthwaite, Biometrics Bulletin 2, 1946,
        from memory), from 1 to n - 1. Normal residuals give about n - 1. Where a few trials
        have most of the sum, it is about twice as many as these: so little is known then of how
        much trials differ.
    """
    count = len(residuals)
    squares = residuals**2
    spread = count / (count - 1) * float(((squares - squares.mean()) ** 2).sum())
    if spread == 0:
        return count - 1.0
    return min(max(2 * float(squares.sum()) ** 2 / spread, 1.0), count - 1.0)


def mean(values: npt.ArrayLike, confidence: float = CONFIDENCE) -> Interval:
    """Return the interval of the mean of independent values; see `ratio`."""
    sample = np.asarray(values, dtype=np.float64)
    return ratio(sample, np.ones_like(sample), confidence)


def ratio(above: npt.ArrayLike, below: npt.ArrayLike, confidence: float = CONFIDENCE) -> Interval:
    """Return the interval of a ratio of two sums over independent trials.

    Parameters
    ----------
    above, below : array_like, shape (trials,)
        What each trial adds to either sum.
    confidence : float
        Such as 0.95.

    Returns
    -------
    (low, high)
        From the linearised ratio, with the degrees of freedom of `degrees`, and with its skewness
        taken out by Hall's monotone cubic transformation (J. R. Stat. Soc. B 54, 1992, from
        memory): rare and large values of a few trials pull the upper end up and leave the lower
        one near. Null for fewer than two trials.
    """
    from scipy.special import stdtrit

    above, below = np.asarray(above, dtype=np.float64), np.asarray(below, dtype=np.float64)
    count, total = len(above), float(below.sum())
    if count < 2 or total == 0:
        return None, None
    centre = float(above.sum()) / total
    residuals = (above - centre * below) * (count / total)
    deviation = math.sqrt(float((residuals**2).sum()) / (count - 1))
    if deviation <= abs(centre) * 1e-12:
        return centre, centre
    skewness = float((residuals**3).mean()) / deviation**3 / math.sqrt(count)
    reach = float(stdtrit(degrees(residuals), (1 + confidence) / 2))
    error = deviation / math.sqrt(count)
    low, high = (centre - error * _unskewed(one, skewness) for one in (reach, -reach))
    return low, high


def _unskewed(reach: float, skewness: float) -> float:
    """Return the studentised mean whose transform is `reach`, of a mean of that skewness.

    Hall's transform of T is T + s T^2 / 3 + s^2 T^3 / 27 + s / 6.
    """
    if abs(skewness) < 1e-6:
        return reach - skewness / 6
    return 3 / skewness * (math.cbrt(1 + skewness * (reach - skewness / 6)) - 1)


def product(one: Interval, other: Interval, values: tuple[float, float]) -> Interval:
    """Return the interval of a product of two independent estimates above zero.

    Parameters
    ----------
    one, other : (low, high)
        Their intervals.
    values : (float, float)
        The estimates.

    Returns
    -------
    (low, high)
        By the recovery of variances, on logarithms (Zou and Donner, Statistics in Medicine 27,
        2008, from memory); null where either has none.
    """
    if None in one or None in other:
        return None, None
    ends: list[float] = []
    for end, sign in ((0, -1), (1, 1)):
        pairs = [
            (float(x[end] or 0.0), value) for x, value in zip((one, other), values, strict=True)
        ]
        if min(limit for limit, _ in pairs) <= 0 or min(values) <= 0:
            ends.append(0.0 if end == 0 else math.prod(limit for limit, _ in pairs))
            continue
        reach = math.hypot(*(math.log(limit / value) for limit, value in pairs))
        ends.append(math.prod(values) * math.exp(sign * reach))
    return ends[0], ends[1]


def share(counts: Any, of: Any, confidence: float = CONFIDENCE) -> Interval:
    """Return the interval of a share whose events are clustered in trials.

    Parameters
    ----------
    counts, of : int array_like, shape (trials,)
        Events and tries in each trial.
    confidence : float
        Such as 0.95.

    Returns
    -------
    (low, high)
        The mid-P interval (`middle`) at the effective number of tries, which is what would give
        a binomial share the variance seen between trials (Korn and Graubard, Survey Methodology
        24, 1998, who take Clopper and Pearson's), with the degrees of freedom of `degrees`. With
        no event (or nothing but events) in any trial the bound counts trials alone and is
        one-sided. One trial with events gives no interval.
    """
    known, count, tries = _effective(counts, of, confidence)
    return known or middle(count, tries, confidence)


def side(counts: Any, of: Any, end: int, value: float, confidence: float) -> float:
    """Tell on which side of a value an end of the interval lies that `share` gives.

    Parameters
    ----------
    counts, of, confidence
        As in `share`; two trials at least.
    end : {LOW, HIGH}
    value : float

    Returns
    -------
    float
        Above zero if it lies above the value, which takes much less than the end itself; zero at
        it, and below zero below it.
    """
    known, count, tries = _effective(counts, of, confidence)
    if known is not None:
        found = known[end]
        assert found is not None
        return found - value
    miss = (1 - confidence) / 2
    return (miss if end == LOW else 1 - miss) - _beyond(count, tries, value)


def _effective(counts: Any, of: Any, confidence: float) -> tuple[Interval | None, float, float]:
    """Return the interval of a share, if it takes no `middle`, and the effective counts if so."""
    from scipy.special import stdtrit

    counts = np.asarray(counts, dtype=np.float64)
    of = np.asarray(of, dtype=np.float64)
    trials = int((of > 0).sum())
    total, tries = float(counts.sum()), float(of.sum())
    known: Interval | None = None
    if trials == 0:
        known = None, None
    elif total == 0:
        known = 0.0, nothing_seen(trials, confidence)
    elif total == tries:
        known = 1 - nothing_seen(trials, confidence), 1.0
    elif trials < 2:
        known = None, None
    if known is not None:
        return known, total, tries
    p = total / tries
    # Linearised variance of a ratio of two sums over independent trials.
    residuals = (counts - p * of)[of > 0]
    variance = trials / (trials - 1) * float((residuals**2).sum()) / tries**2
    effective = tries
    if variance > 0:
        upper = (1 + confidence) / 2
        thinner = float(stdtrit(tries - 1, upper) / stdtrit(degrees(residuals), upper)) ** 2
        effective = min(tries, p * (1 - p) / variance * thinner)
    return None, p * effective, effective
