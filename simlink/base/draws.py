"""Chance: one named stream for each source, indexed by conversion, never consumed.

The draw of a source for conversion k (and bit i) depends on (seed, trial, source name, k, i)
alone. Adding a source, changing the law of another, missing a trigger or splitting the work
over processes moves no draw.

A source that is drawn once for each bit (or edge, or packet) of a frame is seeded anew every
`PAGE` draws, so that of one that matters seldom no more has to be drawn than a page.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any, ClassVar, NamedTuple, Protocol, cast

import numpy as np
import numpy.typing as npt

from simlink.base import seeding
from simlink.base.instants import FAR, Times
from simlink.base.sfc64 import numbered

#: Raised whenever a draw becomes another one: trials of an unfinished run that were kept before
#: are not to be mixed with those drawn now.
DRAWS = 2
#: How many draws of one bit of a frame come from one seed.
PAGE = 4096


def page_of(stride: int) -> int:
    """Return how many draws of a source come from one seed, by how many a frame there are."""
    return PAGE if stride > 1 else FAR


class Streams(Protocol):
    """Gives the generator for one part of a source, named by a suffix, and for one page of it."""

    def __call__(self, suffix: str, page: int = 0, /) -> np.random.Generator:
        """Return it at its start."""


class Sampler(NamedTuple):
    """Draws from a law, in order: `take` returns the next `n`, in base units, shape (n,)."""

    take: Callable[[int], Times]


class Law(Protocol):
    """What is asked of a distribution here."""

    @property
    def is_constant(self) -> bool:
        """Whether every draw is the same."""

    @property
    def constant_value(self) -> int:
        """The one value, in base units."""

    is_simple: ClassVar[bool]
    """Whether it is a `SimpleLaw`."""

    def sampler(self, streams: Any, stride: int = 1, offset: int = 0, /) -> Sampler:
        """Return a sampler of the law, or of one bit of a frame of ``stride`` bits."""


class SimpleLaw(Law, Protocol):
    """A law whose draw k depends on raw draw k alone."""

    def draw_raw(self, rng: np.random.Generator, out: Any, /) -> None:
        """Fill an array with raw draws."""

    def from_raw(self, raw: Any, /) -> Times:
        """Return the draws, in base units, that raw ones become."""


def generator(seed: int, trial: int, source: str, page: int = 0) -> np.random.Generator:
    """Return the random generator of one source, such as ``"host.service_latency"``, in one trial.

    Trials and pages count from 0. It is independent of the generator of any other (seed, trial,
    source, page).
    """
    return _begun(words_of(seed, trial, source), page)


def words_of(seed: int, trial: int, source: str) -> seeding.States:
    """Return the three words that seed the generator of a source: uint64, shape (3,)."""
    sequence = np.random.SeedSequence(seeding.entropy(seed, trial, source))
    return sequence.generate_state(3, np.uint64).astype(np.uint64)


class _Words(np.random.bit_generator.ISeedSequence):
    """Seeds a generator with words that are known, without hashing anything."""

    def __init__(self, words: seeding.States) -> None:
        self._words = words

    def generate_state(self, n_words: int, dtype: Any = np.uint32) -> Any:
        """Return the words."""
        return self._words


def _begun(words: seeding.States, page: int = 0) -> np.random.Generator:
    """Return the generator that three words seed, the page added to the last."""
    paged: Any = _Words(words + np.array([0, 0, page], dtype=np.uint64))
    return np.random.Generator(np.random.SFC64(paged))


def part_of(source: str, suffix: str) -> str:
    """Return the name of a part of a source; an empty suffix names the source itself."""
    return f"{source}/{suffix}" if suffix else source


def streams(seed: int, trial: int, source: str) -> Streams:
    """Return a maker of generators for one source and its parts.

    A law made of several (a mixture, bits of a frame) asks for one generator for each part.
    """
    return lambda suffix, page=0: generator(seed, trial, part_of(source, suffix), page)


class ByNumber:
    """The draws of one source in one trial by their numbers, each without those before it."""

    def __init__(self, seed: int, trial: int, source: str) -> None:
        self._words = words_of(seed, trial, source)

    def __call__(self, number: int) -> float:
        """Return a draw, from 0 to below 1."""
        with np.errstate(over="ignore"):
            return numbered(self._words, number)


class Generators:
    """The generators of a range of trials; what seeds them is hashed for all trials together.

    The sources named are hashed together, others when they are first asked for.
    """

    def __init__(self, seed: int, trials: range, sources: Sequence[str] = ()) -> None:
        self._seed = seed
        self._trials = trials
        self._passing = _begun(np.zeros(3, dtype=np.uint64))
        self._state = self._passing.bit_generator.state
        self._words: dict[str, seeding.States] = {}
        self._states: dict[str, seeding.States] = {}
        if sources:
            self._hash(sources)

    def _hash(self, sources: Sequence[str]) -> None:
        words = seeding.words(self._seed, self._trials, sources)
        self._words |= zip(sources, words, strict=True)
        self._states |= zip(sources, seeding.states(words), strict=True)

    def words(self, trials: range, sources: Sequence[str]) -> npt.NDArray[np.uint64]:
        """Return what seeds generators of some sources, uint64, shape (T, sources, 3)."""
        rows = slice(trials.start - self._trials.start, trials.stop - self._trials.start)
        found = [self._words[source][rows] for source in sources]
        return np.stack(found, axis=1) if found else np.zeros((len(trials), 0, 3), dtype=np.uint64)

    def passing(self, trial: int, source: str) -> np.random.Generator:
        """Return the generator of a source at its start, good until the next is asked for."""
        if source not in self._states:
            self._hash([source])
        self._state["state"]["state"] = self._states[source][trial - self._trials.start]
        self._passing.bit_generator.state = self._state
        return self._passing

    def streams(self, trial: int, source: str) -> Streams:
        """Return a maker of generators, as `streams` does."""

        def make(suffix: str, page: int = 0) -> np.random.Generator:
            name = part_of(source, suffix)
            if name not in self._words:
                self._hash([name])
            return _begun(self._words[name][trial - self._trials.start], page)

        return make


def once(law: Law, seed: int, trial: int, source: str) -> int:
    """Return the draw of a quantity that is fixed when a unit is built, in base units."""
    if law.is_constant:
        return law.constant_value
    return int(law.sampler(streams(seed, trial, source)).take(1)[0])


def once_each(laws: Mapping[str, Law], seed: int, trials: range) -> dict[str, Times]:
    """Return the draws of quantities that are fixed when a unit is built, for many units.

    The laws go by the names of their sources. Of each come the values that `once` gives, in base
    units, int64, shape (T,).
    """
    generators = Generators(seed, trials, [name for name in laws if not laws[name].is_constant])
    found = {}
    for source, law in laws.items():
        if law.is_constant:
            found[source] = np.full(len(trials), law.constant_value, dtype=np.int64)
        elif law.is_simple:
            simple, raw = cast("SimpleLaw", law), np.empty(len(trials))
            for row, trial in enumerate(trials):
                simple.draw_raw(generators.passing(trial, source), raw[row : row + 1])
            found[source] = simple.from_raw(raw)
        else:
            drawn = [law.sampler(generators.streams(one, source)).take(1)[0] for one in trials]
            found[source] = np.array(drawn, dtype=np.int64)
    return found


class Column:
    """The draws of one source in one trial, one for each conversion, handed out in order.

    For a source drawn once for each bit (or packet), `stride` is how many there are in a frame, and
    `offset` which of them this column is.
    """

    def __init__(
        self, law: Law, seed: int, trial: int, source: str, stride: int = 1, offset: int = 0
    ) -> None:
        self.constant: int | None = law.constant_value if law.is_constant else None
        self._sampler = None
        if not law.is_constant:
            self._sampler = law.sampler(streams(seed, trial, source), stride, offset)

    def take(self, count: int) -> Times:
        """Return the next ``count`` draws, int64 base units, shape (count,)."""
        if self._sampler is None:
            assert self.constant is not None
            return np.full(count, self.constant, dtype=np.int64)
        return self._sampler.take(count)
