"""Shapes made of other shapes, and shapes with a memory."""

from __future__ import annotations

import math
from typing import Annotated

import numpy as np
from pydantic import BaseModel, ConfigDict, Field

from simlink.scenario.distributions import Distribution, Ints, Sampler, Streams, suffix

_MOST = 10**12  # no run is as long; keeps sums of counts within int64


def _within(streams: Streams, part: str) -> Streams:
    """Return the streams of one part of a shape."""
    return lambda name: streams(f"{part} {name}".strip())


class Part(BaseModel):
    """One part of a mixture: how much it weighs, and what is drawn when it is chosen."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)

    weight: Annotated[float, Field(gt=0, allow_inf_nan=False)]
    of: Distribution


class Mixture(Distribution):
    """Each draw comes from one part, chosen anew by weight.

    A part gives its own next draw each time that it is chosen, so a recording inside keeps its
    order and skips nothing.
    """

    parts: Annotated[tuple[Part, ...], Field(min_length=1)]

    @property
    def shares(self) -> list[float]:
        """The probability of each part."""
        total = math.fsum(part.weight for part in self.parts)
        return [part.weight / total for part in self.parts]

    @property
    def mean(self) -> float:
        """The weighted mean."""
        return math.fsum(p * part.of.mean for p, part in zip(self.shares, self.parts, strict=True))

    @property
    def variance(self) -> float:
        """Variance within the parts plus variance between them."""
        return _pooled(self.shares, [part.of for part in self.parts])

    @property
    def support(self) -> tuple[float, float]:
        """The widest of the parts'."""
        ends = [part.of.support for part in self.parts]
        return min(low for low, _ in ends), max(high for _, high in ends)

    @property
    def is_random(self) -> bool:
        """Whether there is a choice, or the only part is random."""
        if len(self.parts) == 1:
            return self.parts[0].of.is_random
        return not self.is_constant

    @property
    def constant_value(self) -> int:
        """The one value of all parts."""
        return self.parts[0].of.constant_value if self.is_constant else super().constant_value

    def sampler(self, streams: Streams, stride: int = 1, offset: int = 0) -> Sampler:
        """Return a sampler with one stream for the choice and one or more for each part."""
        return _MixtureSampler(
            np.cumsum(self.shares)[:-1],
            streams(suffix(stride, offset, "choice")),
            [
                part.of.sampler(_within(streams, f"part {i}"), stride, offset)
                for i, part in enumerate(self.parts)
            ],
        )


class _MixtureSampler:
    def __init__(
        self,
        edges: np.ndarray[tuple[int], np.dtype[np.float64]],
        rng: np.random.Generator,
        parts: list[Sampler],
    ) -> None:
        self._edges = edges
        self._rng = rng
        self._parts = parts

    def take(self, n: int) -> Ints:
        chosen = np.searchsorted(self._edges, self._rng.random(n), side="right")
        return _scattered(chosen, self._parts)


class Count(BaseModel):
    """A whole number of draws: fixed, uniform, or geometric (1, 2, ... with a given mean)."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)

    low: Annotated[int, Field(ge=1)] = 1
    high: int | None = None
    geometric_mean: float | None = None

    @property
    def mean(self) -> float:
        """The mean count."""
        if self.geometric_mean is not None:
            return self.geometric_mean
        return (self.low + (self.low if self.high is None else self.high)) / 2

    @property
    def is_random(self) -> bool:
        """Whether it varies."""
        if self.geometric_mean is not None:
            return self.geometric_mean > 1
        return self.high is not None and self.high > self.low

    def draw(self, rng: np.random.Generator | None, n: int) -> Ints:
        """Return `n` counts, shape (n,); one uniform number is used for each, if it varies."""
        if rng is None or not self.is_random:
            return np.full(n, min(self.low, _MOST), dtype=np.int64)
        u = rng.random(n)
        if self.geometric_mean is not None:
            beyond = np.floor(np.log1p(-u) / math.log1p(-1 / self.geometric_mean))
            return 1 + np.minimum(beyond, float(_MOST)).astype(np.int64)
        width = (self.high or self.low) - self.low + 1
        return self.low + np.floor(u * width).astype(np.int64)


class TwoState(Distribution):
    """Normal service with stalls: runs of draws from one shape, then from another, in turn.

    It starts in the normal state. `spacing` is how many draws a normal run has, `length` how many
    a stalled run has. The moments are the long-run ones: the share of stalled draws is
    E length / (E spacing + E length), by the renewal-reward theorem.
    """

    normal: Distribution
    stalled: Distribution
    spacing: Count
    length: Count = Count(low=1)

    @property
    def shares(self) -> list[float]:
        """The long-run shares of normal and stalled draws."""
        total = self.spacing.mean + self.length.mean
        return [self.spacing.mean / total, self.length.mean / total]

    @property
    def mean(self) -> float:
        """The long-run mean."""
        normal, stalled = self.shares
        return normal * self.normal.mean + stalled * self.stalled.mean

    @property
    def variance(self) -> float:
        """The long-run variance."""
        return _pooled(self.shares, [self.normal, self.stalled])

    @property
    def support(self) -> tuple[float, float]:
        """The wider of the two."""
        (a, b), (c, d) = self.normal.support, self.stalled.support
        return min(a, c), max(b, d)

    @property
    def is_random(self) -> bool:
        """Whether a state or a run is random."""
        if self.is_constant:
            return False
        parts = (self.normal, self.stalled, self.spacing, self.length)
        return any(part.is_random for part in parts)

    @property
    def constant_value(self) -> int:
        """The one value of both states."""
        return self.normal.constant_value if self.is_constant else super().constant_value

    def sampler(self, streams: Streams, stride: int = 1, offset: int = 0) -> Sampler:
        """Return a sampler with streams for both runs and both states."""
        return _TwoStateSampler(self, streams, stride, offset)


class _TwoStateSampler:
    def __init__(self, shape: TwoState, streams: Streams, stride: int, offset: int) -> None:
        self._counts = (shape.spacing, shape.length)
        self._rngs = tuple(
            streams(suffix(stride, offset, name)) if count.is_random else None
            for name, count in zip(("spacing", "length"), self._counts, strict=True)
        )
        self._parts = [
            part.sampler(_within(streams, name), stride, offset)
            for name, part in (("normal", shape.normal), ("stalled", shape.stalled))
        ]
        self._runs = np.empty(0, dtype=np.int64)  # runs to come, the states in turn
        self._state = 0  # of the first run to come

    def take(self, n: int) -> Ints:
        while (short := n - int(self._runs.sum())) > 0:
            # Runs are drawn ahead, which changes no value: each has its own place in its stream.
            pairs = short / (self._counts[0].mean + self._counts[1].mean)
            self._runs = np.concatenate([self._runs, self._more(16 + int(1.1 * pairs))])
        ends = np.minimum(np.cumsum(self._runs), n)
        used = np.diff(ends, prepend=0)
        states = (self._state + np.arange(len(used))) % 2
        drawn = _scattered(np.repeat(states, used), self._parts)
        left = self._runs - used
        whole = int(np.count_nonzero(np.cumsum(left) == 0))
        self._runs = left[whole:]
        self._state = (self._state + whole) % 2
        return drawn

    def _more(self, n: int) -> Ints:
        runs = np.empty((n, 2), dtype=np.int64)
        for i in range(2):
            runs[:, i] = self._counts[i].draw(self._rngs[i], n)
        return runs.reshape(-1)


def _scattered(chosen: Ints, parts: list[Sampler]) -> Ints:
    """Take each draw from the part chosen for it."""
    drawn = np.empty(len(chosen), dtype=np.int64)
    for i, part in enumerate(parts):
        here = np.flatnonzero(chosen == i)
        drawn[here] = part.take(len(here))
    return drawn


def _pooled(shares: list[float], shapes: list[Distribution]) -> float:
    """Return the variance of draws pooled from shapes in given shares."""
    mean = math.fsum(p * shape.mean for p, shape in zip(shares, shapes, strict=True))
    return math.fsum(
        p * (shape.variance + (shape.mean - mean) ** 2)
        for p, shape in zip(shares, shapes, strict=True)
    )
