"""What every distribution can do, the constant one, and the base of the simple ones."""

from __future__ import annotations

from abc import ABC, abstractmethod
from functools import cached_property, partial
from itertools import pairwise
from typing import Annotated, Any, ClassVar, Literal, NamedTuple, Self

import numpy as np
from numpy.typing import NDArray
from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    ValidationInfo,
    WithJsonSchema,
    model_validator,
)

from simlink.base.draws import Sampler, Streams, page_of
from simlink.scenario.faults import FaultError, written
from simlink.scenario.quantities import whole

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

CEILING = 9.0e18  # below the largest int64, and no shorter than the longest run


class Moments(NamedTuple):
    """What a law comes to, in base units."""

    mean: float
    variance: float
    low: float
    high: float


def _amount(value: Any, info: ValidationInfo, least: int | None = None) -> Any:
    """Read an amount: text with a unit from a file, base units from the program itself."""
    noun = "a quantity"
    if info.context:
        dimension = info.context["dimension"]
        value, found, noun = whole(value, dimension), written(value), dimension.noun
    else:
        found = written(value)
    if least is not None and value < least:
        limit = "above zero" if least else "not below zero"
        raise FaultError(f"{noun} {limit} is wanted", found)
    return value


# What the schema of a quantity puts there depends on what the quantity measures.
_QUANTITY = WithJsonSchema({"holds": "quantity"})
Amount = Annotated[int, BeforeValidator(_amount), _QUANTITY]
NotNegative = Annotated[int, BeforeValidator(partial(_amount, least=0)), _QUANTITY]
Positive = Annotated[int, BeforeValidator(partial(_amount, least=1)), _QUANTITY]
FineAmount = Annotated[int | float, BeforeValidator(partial(_amount, least=0)), _QUANTITY]
"""An amount not below zero that the program itself need not round."""


class Table(BaseModel):
    """A table of the scenario file inside a quantity."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False)

    rising: ClassVar[tuple[str, ...]] = ()
    """Keys whose values, where given, may not fall."""

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        given = [key for key in self.rising if getattr(self, key) is not None]
        for low, high in pairwise(given):
            if getattr(self, high) < getattr(self, low):
                raise FaultError(f"{high} may not be below {low}", path=(high,))
        return self


class Distribution(Table, ABC):
    """A quantity in base units (femtoseconds, or 1e-12 for ratios)."""

    is_simple: ClassVar[bool] = False
    """Whether the shape has `draw_raw` and `from_raw`."""

    @abstractmethod
    def _moments(self) -> Moments:
        """Return the moments and the support."""

    @cached_property
    def moments(self) -> Moments:
        """The mean, the variance, and the lowest and highest value that can occur."""
        return self._moments()

    @property
    def mean(self) -> float:
        """The mean, in base units."""
        return self.moments.mean

    @property
    def variance(self) -> float:
        """The variance, in base units squared."""
        return self.moments.variance

    @property
    def support(self) -> tuple[float, float]:
        """The lowest and highest value that can occur, in base units; may be infinite."""
        return self.moments.low, self.moments.high

    @property
    def is_constant(self) -> bool:
        """Whether every draw is the same."""
        low, high = self.support
        return low == high

    @property
    def is_random(self) -> bool:
        """Whether two trials may draw differently."""
        return not self.is_constant

    @property
    def constant_value(self) -> int:
        """The one value, in base units; ValueError when there is more than one."""
        if not self.is_constant:
            raise ValueError("not a constant")
        return round(self.mean)

    @abstractmethod
    def sampler(self, streams: Streams, stride: int = 1, offset: int = 0) -> Sampler:
        """Return a new sampler.

        Parameters
        ----------
        streams : callable
            Gives the generator for a suffix.
        stride, offset : int
            For one of `stride` interleaved samplers (one a bit), which of them this is.
        """


def suffix(stride: int, offset: int, part: str = "") -> str:
    """Return the name of a stream within its source: the part, then the bit if there are any."""
    bit = f"bit {offset}" if stride > 1 else ""
    return f"{part} {bit}".strip()


class Constant(Distribution):
    """The same value every time."""

    shape: Literal["constant"] = Field(default="constant", repr=False)
    value: Amount

    def _moments(self) -> Moments:
        value = float(self.value)
        return Moments(value, 0.0, value, value)

    @property
    def constant_value(self) -> int:
        """The value, exactly."""
        return self.value

    def sampler(self, streams: Streams, stride: int = 1, offset: int = 0) -> Sampler:
        """Return a sampler that repeats the value and asks for no stream."""
        return Sampler(lambda n: np.full(n, self.value, dtype=np.int64))


class Simple(Distribution):
    """A shape whose draw k depends on raw draw k alone."""

    is_simple = True
    standard: ClassVar[str] = "random"
    """The method of a generator that gives the raw draws."""

    def draw_raw(self, rng: np.random.Generator, out: Floats) -> None:
        """Fill `out` (1-D, contiguous) with the standard draws that `from_raw` wants."""
        getattr(rng, self.standard)(out=out)

    @abstractmethod
    def from_raw(self, raw: Floats) -> Ints:
        """Return draws in base units, of the shape of `raw`, which may be overwritten."""

    def sampler(self, streams: Streams, stride: int = 1, offset: int = 0) -> Sampler:
        """Return a sampler with its own stream."""
        name, most = suffix(stride, offset), page_of(stride)
        rng, drawn = streams(name), 0

        def take(n: int) -> Ints:
            nonlocal rng, drawn
            raw, done = np.empty(n), 0
            while done < n:
                page, at = divmod(drawn, most)
                if at == 0 and page > 0:
                    rng = streams(name, page)
                count = min(n - done, most - at)
                self.draw_raw(rng, raw[done : done + count])
                done, drawn = done + count, drawn + count
            return self.from_raw(raw)

        return Sampler(take)


def rounded(values: Floats, origin: int, most: float) -> Ints:
    """Round half to even, then add a whole origin; `most` is an all but certain upper bound."""
    np.rint(values, out=values)
    if most + abs(origin) > CEILING / 2:
        np.clip(values, -CEILING - min(origin, 0), CEILING - max(origin, 0), out=values)
    drawn = values.astype(np.int64)
    if origin:
        drawn += origin
    return drawn
