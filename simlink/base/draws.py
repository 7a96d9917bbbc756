"""Chance: one named stream for each source, indexed by conversion, never consumed.

The draw of a source for conversion k (and bit i) depends on (seed, trial, source name, k, i)
alone. Adding a source, changing the law of another, missing a trigger or splitting the work
over processes moves no draw.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from typing import Protocol

import numpy as np

from simlink.base.instants import Times

Streams = Callable[[str], np.random.Generator]
"""Gives the generator for one part of a source, named by a suffix."""


class Sampler(Protocol):
    """Draws from a law, in order."""

    @property
    def take(self) -> Callable[[int], Times]:
        """Returns the next draws, as many as it is asked for, in base units."""


class Law(Protocol):
    """What a source draws from."""

    @property
    def is_constant(self) -> bool:
        """Whether every draw is the same."""

    @property
    def constant_value(self) -> int:
        """The one value of a constant law, in base units."""

    def sampler(self, streams: Streams, stride: int = 1, offset: int = 0) -> Sampler:
        """Return a new sampler; see `simlink.scenario.law.Distribution.sampler`."""


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
    digest = hashlib.blake2b(source.encode(), digest_size=16).digest()
    low, high = int.from_bytes(digest[:8], "little"), int.from_bytes(digest[8:], "little")
    return np.random.Generator(np.random.SFC64(np.random.SeedSequence([seed, trial, low, high])))


def streams(seed: int, trial: int, source: str) -> Streams:
    """Return a maker of generators for one source and its sub-streams.

    The sub-stream of an empty suffix is the source's own; a law made of several (a mixture,
    bits of a frame) asks for one generator for each suffix.
    """

    def make(suffix: str) -> np.random.Generator:
        return generator(seed, trial, f"{source}/{suffix}" if suffix else source)

    return make


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
        self,
        law: Law,
        seed: int,
        trial: int,
        source: str,
        stride: int = 1,
        offset: int = 0,
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
