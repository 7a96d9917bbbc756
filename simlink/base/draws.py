"""Chance: one named stream for each source, indexed by conversion, never consumed.

The draw of a source for conversion k (and bit i) depends on (seed, trial, source name, k, i)
alone. Adding a source, changing the law of another, missing a trigger or splitting the work
over processes moves no draw.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Protocol

import numpy as np

from simlink.base import seeding
from simlink.base.instants import Times

Streams = Callable[[str], np.random.Generator]


class Sampler(Protocol):
    """Draws from a law, in order."""

    def take(self, n: int, /) -> Times:
        """Return the next ``n`` draws in base units, shape (n,)."""


class Law(Protocol):
    """What is asked of a distribution here."""

    @property
    def is_constant(self) -> bool:
        """Whether every draw is the same."""

    @property
    def constant_value(self) -> int:
        """The one value, in base units."""

    def sampler(self, streams: Any, stride: int = 1, offset: int = 0, /) -> Sampler:
        """Return a sampler of the law, or of one bit of a frame of ``stride`` bits."""


def generator(seed: int, trial: int, source: str) -> np.random.Generator:
    """Return the random generator of one source in one trial.

    Parameters
    ----------
    seed : int
        The scenario's seed.
    trial : int
        The trial, from 0.
    source : str
        The name of the source of chance, such as ``"host.service_latency"``.

    Returns
    -------
    numpy.random.Generator
        Independent of the generator of any other (seed, trial, source).
    """
    entropy = seeding.entropy(seed, trial, source)
    return np.random.Generator(np.random.SFC64(np.random.SeedSequence(entropy)))


def part_of(source: str, suffix: str) -> str:
    """Return the name of a part of a source; an empty suffix names the source itself."""
    return f"{source}/{suffix}" if suffix else source


def streams(seed: int, trial: int, source: str) -> Streams:
    """Return a maker of generators for one source and its parts.

    A law made of several (a mixture, bits of a frame) asks for one generator for each part.
    """
    return lambda suffix: generator(seed, trial, part_of(source, suffix))


class Generators:
    """Generators of a range of trials, seeded together; each is good until the next is asked for.

    Parameters
    ----------
    seed : int
        The scenario's seed.
    trials : range
        The trials.
    sources : list of str
        The sources.
    """

    def __init__(self, seed: int, trials: range, sources: list[str]) -> None:
        self._trials = trials
        self._states = seeding.states(seed, trials, sources)
        self._bits = np.random.SFC64(0)
        self._generator = np.random.Generator(self._bits)
        self._state = self._bits.state

    def of(self, source: int, trial: int) -> np.random.Generator:
        """Return the generator of a source, by its place in the list, at its very start."""
        self._state["state"]["state"] = self._states[source, trial - self._trials.start]
        self._bits.state = self._state
        return self._generator

    def own(self, source: int, trial: int) -> np.random.Generator:
        """Return such a generator, to be kept."""
        self._state["state"]["state"] = self._states[source, trial - self._trials.start]
        bits = np.random.SFC64(0)
        bits.state = self._state
        return np.random.Generator(bits)


def once(law: Law, seed: int, trial: int, source: str) -> int:
    """Return the draw of a quantity that is fixed when a unit is built, in base units."""
    if law.is_constant:
        return law.constant_value
    return int(law.sampler(streams(seed, trial, source)).take(1)[0])


class Column:
    """The draws of one source in one trial, one for each conversion, handed out in order.

    Parameters
    ----------
    law : Law
        The law of the source.
    seed, trial : int
        Whose stream.
    source : str
        The name of the source.
    stride, offset : int
        For a source drawn once for each bit (or packet): how many there are in a frame, and
        which of them this column is.
    """

    def __init__(
        self, law: Law, seed: int, trial: int, source: str, stride: int = 1, offset: int = 0
    ) -> None:
        self.constant: int | None = law.constant_value if law.is_constant else None
        self._sampler = (
            None
            if self.constant is not None
            else law.sampler(streams(seed, trial, source), stride, offset)
        )

    def take(self, count: int) -> Times:
        """Return the next ``count`` draws, int64 base units, shape (count,)."""
        if self._sampler is None:
            assert self.constant is not None
            return np.full(count, self.constant, dtype=np.int64)
        return self._sampler.take(count)
