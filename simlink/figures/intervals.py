"""Confidence intervals over independent trials.

Words of one trial are correlated, so the trial is the unit that is counted: a binomial interval
over words would be too narrow.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import numpy.typing as npt

CONFIDENCE = 0.95

Interval = tuple[float | None, float | None]
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


def nothing_seen(tries: int, confidence: float = CONFIDENCE) -> float:
    """Return the one-sided upper bound of a probability after none of ``tries`` had the event.

    Solves (1 - p)^tries = 1 - confidence; for 95 % about 3 / tries, the rule of three.
    """
    return float(-math.expm1(math.log1p(-confidence) / tries))


def mean(values: npt.ArrayLike, confidence: float = CONFIDENCE) -> Interval:
    """Return Student's interval of the mean of independent values; null for fewer than two."""
    from scipy.special import stdtrit

    sample = np.asarray(values, dtype=np.float64)
    count = len(sample)
    if count < 2:
        return None, None
    centre = float(sample.mean())
    error = float(sample.std(ddof=1)) / math.sqrt(count)
    reach = float(stdtrit(count - 1, (1 + confidence) / 2)) * error
    return centre - reach, centre + reach


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
        The Clopper-Pearson interval at the effective number of tries, which is what would give
        a binomial share the variance seen between trials (Korn and Graubard, Survey Methodology
        24, 1998). With no event (or nothing but events) in any trial the bound counts trials
        alone and is one-sided. One trial with events gives no interval.
    """
    from scipy.special import stdtrit

    counts = np.asarray(counts, dtype=np.float64)
    of = np.asarray(of, dtype=np.float64)
    trials = int((of > 0).sum())
    total, tries = float(counts.sum()), float(of.sum())
    if trials == 0:
        return None, None
    if total == 0:
        return 0.0, nothing_seen(trials, confidence)
    if total == tries:
        return 1 - nothing_seen(trials, confidence), 1.0
    if trials < 2:
        return None, None
    p = total / tries
    # Linearised variance of a ratio of two sums over independent trials.
    variance = trials / (trials - 1) * float(((counts - p * of) ** 2).sum()) / tries**2
    effective = tries
    if variance > 0:
        upper = (1 + confidence) / 2
        thinner = float(stdtrit(tries - 1, upper) / stdtrit(trials - 1, upper)) ** 2
        effective = min(tries, p * (1 - p) / variance * thinner)
    return clopper_pearson(p * effective, effective, confidence)


def rank_reach(below: Floats, of: Floats, confidence: float = CONFIDENCE) -> float | None:
    """Return how far the rank of a sample quantile may be off, as a share of the sample.

    Parameters
    ----------
    below, of : ndarray, shape (groups,)
        Values at or below the quantile, and all values, in each independent group.
    confidence : float
        Such as 0.95.

    Returns
    -------
    float or None
        Half the width of the interval of the quantile's rank (Woodruff, J. Am. Stat. Assoc. 47,
        1952), with the variance between groups; None for fewer than two groups.
    """
    from scipy.special import stdtrit

    used = of > 0
    groups = int(used.sum())
    if groups < 2:
        return None
    below, of = below[used], of[used]
    p = float(below.sum() / of.sum())
    total = float(of.sum())
    variance = groups / (groups - 1) * float(((below - p * of) ** 2).sum()) / total**2
    # A few groups may agree by luck; independent values would still differ so much.
    variance = max(variance, p * (1 - p) / total)
    return float(stdtrit(groups - 1, (1 + confidence) / 2)) * math.sqrt(variance)
