"""How likely a law is to exceed a value, to full relative precision far out in its tail."""

from __future__ import annotations

import math
from functools import singledispatch
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import special

from simlink.scenario.composite import Mixture
from simlink.scenario.distributions import (
    Constant,
    Distribution,
    Exponential,
    Gamma,
    Limits,
    Lognormal,
    Normal,
    Uniform,
)

Floats = npt.NDArray[np.float64]


@singledispatch
def survival(law: Any, at: Floats) -> Floats:
    """Return the probability that a draw of a law exceeds each value.

    Parameters
    ----------
    law : Distribution
        One whose draws are independent of each other.
    at : ndarray of float64
        Values in base units.

    Returns
    -------
    ndarray of float64
        Of the law as it is defined, before a draw is rounded to a whole base unit.

    Raises
    ------
    NotImplementedError
        If draws depend on the ones before.
    """
    raise NotImplementedError(f"draws of the shape {law.shape} depend on the ones before")


@survival.register
def _(law: Constant, at: Floats) -> Floats:
    return np.where(at < law.value, 1.0, 0.0)


@survival.register
def _(law: Uniform, at: Floats) -> Floats:
    if law.low == law.high:
        return np.where(at < law.low, 1.0, 0.0)
    return np.clip((law.high - at) / (law.high - law.low), 0.0, 1.0)


@survival.register
def _(law: Normal, at: Floats) -> Floats:
    if law.is_constant:
        return np.where(at < law.mean, 1.0, 0.0)
    # scipy's own ufuncs are not typed.
    above: Floats = np.asarray(special.ndtr((law.given_mean - at) / law.sigma), dtype=np.float64)
    if law.low is not None:
        above[at < law.low] = 1.0
    if law.high is not None:
        above[at >= law.high] = 0.0
    return above


@survival.register
def _(law: Exponential, at: Floats) -> Floats:
    if not law.given_mean:
        return np.where(at < law.offset, 1.0, 0.0)
    return np.exp(-np.maximum(at - law.offset, 0.0) / law.given_mean)


@survival.register
def _(law: Lognormal, at: Floats) -> Floats:
    if not law.sigma:
        return np.where(at < law.mean, 1.0, 0.0)
    spread = math.log1p((law.sigma / law.given_mean) ** 2)
    centre = math.log(law.given_mean) - spread / 2
    with np.errstate(divide="ignore"):
        logs = np.log(np.maximum(at - law.offset, 0.0))
    return np.asarray(special.ndtr((centre - logs) / math.sqrt(spread)), dtype=np.float64)


@survival.register
def _(law: Gamma, at: Floats) -> Floats:
    if not law.sigma:
        return np.where(at < law.mean, 1.0, 0.0)
    shape, scale = (law.given_mean / law.sigma) ** 2, law.sigma**2 / law.given_mean
    beyond = special.gammaincc(shape, np.maximum(at - law.offset, 0.0) / scale)
    return np.asarray(beyond, dtype=np.float64)


@survival.register
def _(law: Limits, at: Floats) -> Floats:
    low, typical, high = float(law.least), float(law.typical), float(law.high)
    span = high - low
    if not span:
        return np.where(at < low, 1.0, 0.0)
    at = np.clip(at, low, high)
    with np.errstate(divide="ignore", invalid="ignore"):
        falling = (high - at) ** 2 / (span * (high - typical))
        rising = 1.0 - (at - low) ** 2 / (span * (typical - low))
    return np.where(at >= typical, np.where(high > typical, falling, 0.0), rising)


@survival.register
def _(law: Mixture, at: Floats) -> Floats:
    parts = zip(law.shares, law.laws, strict=True)
    found = np.zeros(len(at))
    for share, part in parts:
        found += share * survival(part, at)
    return found


def independent(law: Distribution) -> bool:
    """Tell whether every draw of a law is independent of the ones before."""
    if isinstance(law, Mixture):
        return all(independent(part) for part in law.laws)
    return survival.dispatch(type(law)) is not survival.dispatch(object)


def reached_with(law: Distribution, probability: float) -> float:
    """Return a value that a draw exceeds at most with a small probability, in base units."""
    low, high = law.support
    if math.isfinite(high):
        return high
    step = max(law.mean, math.sqrt(law.variance), 1.0)
    high = low + step
    while survival(law, np.array([high]))[0] > probability:
        step *= 1.5
        high = low + step
    return high
