"""Shapes made of other shapes, and shapes with a memory."""

from __future__ import annotations

import math
from abc import abstractmethod
from typing import Annotated, Any, Literal

import numpy as np
from pydantic import BeforeValidator, Field, ValidationInfo, WithJsonSchema

from simlink.base.draws import Sampler, Streams
from simlink.scenario.law import Distribution, Ints, Moments, Table, suffix

_MOST = 10**12  # no run is as long; keeps sums of counts within int64


def _within(streams: Streams, part: str) -> Streams:
    """Return the streams of one part of a shape."""
    return lambda name, page=0: streams(f"{part} {name}".strip(), page)


def _read_as(what: str) -> BeforeValidator:
    """Have the one who reads a file read what stands inside of a shape."""

    def read(value: Any, info: ValidationInfo) -> Any:
        return info.context[what](value) if info.context else value

    return BeforeValidator(read)


Law = Annotated[Distribution, _read_as("law"), WithJsonSchema({"holds": "law"})]


class Part(Table):
    """One part of a mixture: how much it weighs, and what is drawn when it is chosen."""

    weight: float = Field(ge=1e-100, le=1e100, description="a number above zero, such as 0.9")
    of: Law


class _Pooled(Distribution):
    """A law whose draws come from several others in long-run shares."""

    @property
    @abstractmethod
    def laws(self) -> list[Distribution]:
        """The laws that the draws come from."""

    @property
    @abstractmethod
    def shares(self) -> list[float]:
        """The long-run share of the draws that each gives."""

    def _moments(self) -> Moments:
        pairs = list(zip(self.shares, self.laws, strict=True))
        mean = math.fsum(p * law.mean for p, law in pairs)
        # Variance within the laws plus variance between them.
        variance = math.fsum(p * (law.variance + (law.mean - mean) ** 2) for p, law in pairs)
        lows, highs = zip(*(law.support for law in self.laws), strict=True)
        return Moments(mean, variance, min(lows), max(highs))

    @property
    def constant_value(self) -> int:
        """The one value of all laws."""
        return self.laws[0].constant_value if self.is_constant else super().constant_value


class Mixture(_Pooled):
    """Each draw comes from one part, chosen anew by weight.

    A part gives its own next draw each time that it is chosen, so a recording inside keeps its
    order and skips nothing.
    """

    shape: Literal["mixture"] = Field(default="mixture", repr=False)
    parts: tuple[Part, ...] = Field(
        min_length=1,
        max_length=100,
        strict=False,
        description="a list of 1 to 100 parts, each { weight = 0.9, of = ... }",
    )

    @property
    def laws(self) -> list[Distribution]:
        """The law of each part."""
        return [part.of for part in self.parts]

    @property
    def shares(self) -> list[float]:
        """The probability of each part."""
        total = math.fsum(part.weight for part in self.parts)
        return [part.weight / total for part in self.parts]

    @property
    def is_random(self) -> bool:
        """Whether there is a choice, or the only part is random."""
        return not self.is_constant if len(self.parts) > 1 else self.parts[0].of.is_random

    def sampler(self, streams: Streams, stride: int = 1, offset: int = 0) -> Sampler:
        """Return a sampler with one stream for the choice and one or more for each part."""
        edges = np.cumsum(self.shares)[:-1]
        rng = streams(suffix(stride, offset, "choice"))
        parts = [
            law.sampler(_within(streams, f"part {i}"), stride, offset)
            for i, law in enumerate(self.laws)
        ]
        return Sampler(
            lambda n: _scattered(np.searchsorted(edges, rng.random(n), side="right"), parts)
        )


Whole = Annotated[int, Field(ge=1, le=10**10, description="a whole number from 1 to 10^10")]


class UniformCount(Table):
    """A whole number of draws, each from low to high equally likely; fixed where they agree."""

    shape: Literal["uniform"] = Field(default="uniform", repr=False)
    low: Whole
    high: Whole
    rising = ("low", "high")

    @property
    def mean(self) -> float:
        """The mean count."""
        return (self.low + self.high) / 2

    @property
    def is_random(self) -> bool:
        """Whether it varies."""
        return self.high > self.low

    def draw(self, rng: np.random.Generator | None, n: int) -> Ints:
        """Return `n` counts, shape (n,); one uniform number is used for each, if it varies."""
        if rng is None:
            return np.full(n, self.low, dtype=np.int64)
        return self.low + np.floor(rng.random(n) * (self.high - self.low + 1)).astype(np.int64)


class GeometricCount(Table):
    """A whole number of draws, 1, 2, ..., by the geometric law with a mean."""

    shape: Literal["geometric"] = Field(default="geometric", repr=False)
    mean: float = Field(ge=1, le=1e10, description="a number from 1 to 1e10")

    @property
    def is_random(self) -> bool:
        """Whether it varies."""
        return self.mean > 1

    def draw(self, rng: np.random.Generator | None, n: int) -> Ints:
        """Return `n` counts, shape (n,); one uniform number is used for each, if it varies."""
        if rng is None:
            return np.ones(n, dtype=np.int64)
        beyond = np.floor(np.log1p(-rng.random(n)) / math.log1p(-1 / self.mean))
        return 1 + np.minimum(beyond, float(_MOST)).astype(np.int64)


Count = Annotated[
    UniformCount | GeometricCount, _read_as("count"), WithJsonSchema({"holds": "count"})
]


class TwoState(_Pooled):
    """Runs of normal draws and runs of stalled draws, in turn.

    It starts in the normal state. `spacing` is how many draws a normal run has, `length` how many
    a stalled run has. The moments are the long-run ones: the share of stalled draws is
    E length / (E spacing + E length), by the renewal-reward theorem.
    """

    shape: Literal["two_state"] = Field(default="two_state", repr=False)
    normal: Law
    stalled: Law
    spacing: Count = Field(description="How many normal draws in a row.")
    length: Count = Field(
        default=UniformCount(low=1, high=1), description="How many stalled draws in a row."
    )

    @property
    def laws(self) -> list[Distribution]:
        """The law of a normal draw, and that of a stalled one."""
        return [self.normal, self.stalled]

    @property
    def shares(self) -> list[float]:
        """The long-run shares of normal and stalled draws."""
        total = self.spacing.mean + self.length.mean
        return [self.spacing.mean / total, self.length.mean / total]

    @property
    def is_random(self) -> bool:
        """Whether a state or a run is random."""
        if self.is_constant:
            return False
        parts = (self.normal, self.stalled, self.spacing, self.length)
        return any(part.is_random for part in parts)

    def sampler(self, streams: Streams, stride: int = 1, offset: int = 0) -> Sampler:
        """Return a sampler with streams for both runs and both states."""
        return Sampler(_Runs(self, streams, stride, offset).take)


class _Runs:
    """Runs of draws from two laws in turn."""

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
        self._runs = np.empty(0, dtype=np.int64)  # runs to come, normal and stalled in turn

    def take(self, n: int) -> Ints:
        while (short := n - int(self._runs.sum())) > 0:
            # Runs are drawn ahead, which changes no value: each has its own place in its stream.
            pairs = short / (self._counts[0].mean + self._counts[1].mean)
            self._runs = np.concatenate([self._runs, self._more(16 + int(1.1 * pairs))])
        ends = np.minimum(np.cumsum(self._runs), n)
        used = np.diff(ends, prepend=0)
        left = self._runs - used
        done = int(np.count_nonzero(np.cumsum(left) == 0))
        self._runs = left[done - done % 2 :]
        return _scattered(np.repeat(np.arange(len(used)) % 2, used), self._parts)

    def _more(self, n: int) -> Ints:
        pairs = zip(self._counts, self._rngs, strict=True)
        return np.stack([count.draw(rng, n) for count, rng in pairs], axis=1).reshape(-1)


def _scattered(chosen: Ints, parts: list[Sampler]) -> Ints:
    """Take each draw from the part chosen for it."""
    drawn = np.empty(len(chosen), dtype=np.int64)
    for i, part in enumerate(parts):
        here = np.flatnonzero(chosen == i)
        drawn[here] = part.take(len(here))
    return drawn
