"""The shapes that a quantity may have when each draw takes one raw draw.

Every shape declares its mean, variance and support in base units and makes samplers whose draws
do not depend on how many are taken at a time: only generator methods that work through whole
64-bit words one after another are used. Shapes made of others are in `composite`, recordings in
`recorded`.
"""

from __future__ import annotations

import math
from functools import cached_property, lru_cache
from typing import Literal

import numpy as np
from pydantic import Field

from simlink.scenario.law import (
    Amount,
    Constant,
    Distribution,
    FineAmount,
    Floats,
    Ints,
    Moments,
    NotNegative,
    Positive,
    Simple,
    rounded,
    suffix,
)

__all__ = ["Constant", "Distribution", "Simple", "suffix"]  # from `law`


class Uniform(Simple):
    """Every value from low to high is equally likely."""

    shape: Literal["uniform"] = Field(default="uniform", repr=False)
    low: Amount
    high: Amount
    rising = ("low", "high")

    def _moments(self) -> Moments:
        variance = float(self.high - self.low) ** 2 / 12
        return Moments((self.low + self.high) / 2, variance, float(self.low), float(self.high))

    def from_raw(self, raw: Floats) -> Ints:
        """Stretch 0..1 over low..high."""
        raw *= self.high - self.low
        return rounded(raw, self.low, 0.0)


class Normal(Simple):
    """The normal law; values beyond low or high, where given, are set to it.

    The moments are those of the clipped law: with standardised bounds a and b, density f and
    distribution F, E z = a F(a) + b (1 - F(b)) + f(a) - f(b), and
    E z^2 = a^2 F(a) + b^2 (1 - F(b)) + F(b) - F(a) + a f(a) - b f(b).
    """

    shape: Literal["normal"] = Field(default="normal", repr=False)
    given_mean: Amount = Field(alias="mean")
    sigma: NotNegative
    low: Amount | None = None
    high: Amount | None = None
    rising = ("low", "high")

    standard = "standard_normal"

    def _moments(self) -> Moments:
        centre, sigma = self.given_mean, self.sigma
        bounds = (
            -math.inf if self.low is None else float(self.low),
            math.inf if self.high is None else float(self.high),
        )

        def clipped(value: float) -> float:
            return min(max(value, bounds[0]), bounds[1])

        if sigma == 0 or bounds[0] == bounds[1]:
            value = clipped(float(centre))
            return Moments(value, 0.0, *((value, value) if sigma == 0 else bounds))
        first, second, within = 0.0, 0.0, 1.0
        for bound, side in ((self.low, -1), (self.high, 1)):
            if bound is not None:
                z = (bound - centre) / sigma
                beyond = 0.5 * math.erfc(side * z / math.sqrt(2))
                density = side * math.exp(-z * z / 2) / math.sqrt(2 * math.pi)
                first += z * beyond - density
                second += z * z * beyond - z * density
                within -= beyond
        second += max(0.0, within)
        spread = max(0.0, second - first * first)
        return Moments(clipped(centre + sigma * first), sigma * sigma * spread, *bounds)

    def from_raw(self, raw: Floats) -> Ints:
        """Scale, shift and clip."""
        raw *= self.sigma
        drawn = rounded(raw, self.given_mean, 20.0 * self.sigma)
        if self.low is not None:
            np.maximum(drawn, self.low, out=drawn)
        if self.high is not None:
            np.minimum(drawn, self.high, out=drawn)
        return drawn


#: No standard normal draw reaches this: numpy's ziggurat takes its tail as
#: r - log1p(-u) / r with r = 3.654 and u at most 1 - 2^-53, so |z| < 13.8.
GENERATOR_REACH = 14.0


def reach(law: Distribution, sigmas: float = GENERATOR_REACH) -> tuple[float, float]:
    """Return bounds that no draw of a law passes, in base units.

    The support, and for a normal law without bounds so many standard deviations: unless given
    what its generator can give.
    """
    low, high = law.support
    if isinstance(law, Normal):
        least, most = (law.given_mean + way * sigmas * law.sigma for way in (-1, 1))
        # What lies beyond a bound is drawn at the bound.
        return min(max(low, least), high), max(min(high, most), low)
    return low, high


class Exponential(Simple):
    """The exponential law with this mean, moved up by the offset."""

    shape: Literal["exponential"] = Field(default="exponential", repr=False)
    given_mean: FineAmount = Field(alias="mean")
    offset: Amount = 0

    standard = "standard_exponential"

    def _moments(self) -> Moments:
        offset = float(self.offset)
        high = math.inf if self.given_mean else offset
        mean = float(self.offset + self.given_mean)
        return Moments(mean, float(self.given_mean) ** 2, offset, high)

    def from_raw(self, raw: Floats) -> Ints:
        """Scale and move."""
        raw *= self.given_mean
        return rounded(raw, self.offset, 100.0 * self.given_mean)


@lru_cache(maxsize=64)
def exponential_time(mean: float) -> Exponential:
    """Return the exponential law of the gaps in a Poisson stream; `mean` is in base units."""
    return Exponential(mean=mean)


class _Positive(Simple):
    """A law above zero with this mean and sigma of its own, moved up by the offset."""

    given_mean: Positive = Field(alias="mean")
    sigma: NotNegative
    offset: Amount = 0

    def _moments(self) -> Moments:
        mean = float(self.offset + self.given_mean)
        ends = (float(self.offset), math.inf) if self.sigma else (mean, mean)
        return Moments(mean, float(self.sigma) ** 2, *ends)


class Lognormal(_Positive):
    """The lognormal law with this mean and sigma of its own, moved up by the offset.

    Its logarithm has variance ln(1 + (sigma / mean)^2).
    """

    shape: Literal["lognormal"] = Field(default="lognormal", repr=False)
    standard = "standard_normal"

    @cached_property
    def log_moments(self) -> tuple[float, float]:
        """The mean and the sigma of its logarithm."""
        spread = math.log1p((self.sigma / self.given_mean) ** 2)
        return math.log(self.given_mean) - spread / 2, math.sqrt(spread)

    def from_raw(self, raw: Floats) -> Ints:
        """Scale, move and raise e to it."""
        centre, sigma = self.log_moments
        raw *= sigma
        raw += centre
        np.exp(raw, out=raw)
        return rounded(raw, self.offset, math.exp(min(700.0, centre + 20.0 * sigma)))


class Gamma(_Positive):
    """The gamma law with this mean and sigma of its own, moved up by the offset.

    Its shape parameter is (mean / sigma)^2 and its scale sigma^2 / mean.
    """

    shape: Literal["gamma"] = Field(default="gamma", repr=False)

    def draw_raw(self, rng: np.random.Generator, out: Floats) -> None:
        """Fill `out` with standard gamma numbers."""
        if self.sigma:
            rng.standard_gamma((self.given_mean / self.sigma) ** 2, out=out)
        else:
            out.fill(1.0)

    def from_raw(self, raw: Floats) -> Ints:
        """Scale and move."""
        raw *= self.sigma**2 / self.given_mean if self.sigma else self.given_mean
        most = self.given_mean + 100.0 * self.sigma * max(1.0, self.sigma / self.given_mean)
        return rounded(raw, self.offset, most)


class Limits(Simple):
    """Lowest, typical and highest value as a data sheet gives them: triangular.

    A data sheet that gives no lowest value promises none. It is then taken as far below typical
    as the highest is above, so that typical stays the mean of the parts; but not below zero,
    unless typical is, for such tables give sizes. Zero itself would be all that is certain of a
    delay, and would put nearly all parts below typical; typical itself would have no part faster
    than typical, and hide what a hold time has to fear. It is a guess, and listed as assumed.
    """

    shape: Literal["limits"] = Field(default="limits", repr=False)
    low: Amount | None = None
    typical: Amount
    high: Amount
    rising = ("low", "typical", "high")

    @property
    def least(self) -> int:
        """The lowest value, given or taken, in base units."""
        if self.low is not None:
            return self.low
        mirrored = 2 * self.typical - self.high
        return mirrored if self.typical < 0 else max(mirrored, 0)

    def _moments(self) -> Moments:
        mean = (self.least + self.typical + self.high) / 3
        # (l^2 + t^2 + h^2 - lt - lh - th) / 18, by differences so that nothing cancels.
        left, right = float(self.typical - self.least), float(self.high - self.typical)
        variance = (left * left + left * right + right * right) / 18
        return Moments(mean, variance, float(self.least), float(self.high))

    def from_raw(self, raw: Floats) -> Ints:
        """Invert the distribution function."""
        low = self.least
        span = self.high - low
        left, right = self.typical - low, self.high - self.typical
        if span == 0:
            return np.full(raw.shape, low, dtype=np.int64)
        # 1 on the falling side, else 0: sums and magnitudes are several times as quick as choices.
        falling = (raw * span > left).astype(np.float64)
        raw -= falling
        np.abs(raw, out=raw)
        factor = falling * (float(span) * (right - left))
        factor += float(span) * left
        raw *= factor
        np.sqrt(raw, out=raw)
        falling *= span
        raw -= falling
        np.abs(raw, out=raw)
        return rounded(raw, low, 0.0)
