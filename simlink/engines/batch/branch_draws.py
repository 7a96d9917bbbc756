"""Draws of many branches of trials side by side, from laws whose memory can be copied.

A law draws one number a branch and conversion. What it remembers between two draws (how long a
stall still lasts, the row of a recording) is a few whole numbers a branch, which are copied with
the branch. Streams are named by the source and the stage, and what each branch draws follows from
the seed, the round and the levels alone.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from typing import Any

import numpy as np

from simlink.base.draws import generator, part_of
from simlink.base.instants import Times
from simlink.scenario.composite import GeometricCount, Mixture, TwoState, UniformCount
from simlink.scenario.distributions import Constant, Distribution, Simple
from simlink.scenario.recorded import Recorded

Rng = np.random.Generator

#: Draws that are made together, at the least.
_TOGETHER = 4096
_NONE = np.empty(0, dtype=np.int64)


class Stage:
    """The streams of one stage of a round, by the names of sources and parts.

    Parameters
    ----------
    seed : int
        The scenario's seed.
    round_ : int
        The round.
    name : str
        The stage's name.
    """

    def __init__(self, seed: int, round_: int, name: str) -> None:
        self._seed, self._round, self._name = seed, round_, name
        self._kept: dict[str, Rng] = {}
        self._drawn: dict[str, tuple[Times, int]] = {}

    def of(self, source: str) -> Rng:
        """Return the stream of a source, where it stands."""
        if source not in self._kept:
            self._kept[source] = self.anew(source)
        return self._kept[source]

    def draws(self, source: str, law: Simple, count: int) -> Times:
        """Return the next draws of a law, shape (count,).

        Many are made together, for the calls cost more than the numbers.
        """
        drawn, at = self._drawn.get(source, (_NONE, 0))
        if at + count > len(drawn):
            raw = np.empty(max(_TOGETHER, count))
            law.draw_raw(self.of(source), raw)
            drawn, at = np.concatenate([drawn[at:], law.from_raw(raw)]), 0
        self._drawn[source] = drawn, at + count
        return drawn[at : at + count]

    def anew(self, source: str) -> Rng:
        """Return the stream of a source at its start."""
        return generator(self._seed, self._round, part_of(source, self._name))


class Rows(ABC):
    """Draws of a law for many branches; `words` whole numbers are remembered for each."""

    words = 0

    def begin(self, stage: Stage, memory: Times) -> None:
        """Fill in what is remembered before the first draw, shape (n, words)."""
        memory.fill(0)

    def forget(self, stage: Stage, memory: Times) -> None:
        """Draw again what is remembered but has not shown yet in any draw, if there is such."""
        return

    @abstractmethod
    def take(self, stage: Stage, memory: Times, count: int) -> Times:
        """Return the next draws of each branch, shape (n, count), base units."""


def rows_of(law: Distribution, source: str, stride: int = 1, offset: int = 0) -> Rows:
    """Return the draws of a law, of one of ``stride`` columns of its source."""
    if isinstance(law, Mixture):
        return _Mixture(law, source, stride, offset)
    if isinstance(law, TwoState):
        return _TwoState(law, source, stride, offset)
    if isinstance(law, Recorded):
        return _Recorded(law, source, stride, offset)
    if isinstance(law, Simple):
        return _Simple(law, f"{source} {offset}" if stride > 1 else source)
    assert isinstance(law, Constant)
    return _Constant(law)


class _Constant(Rows):
    def __init__(self, law: Constant) -> None:
        self._value = law.constant_value

    def take(self, stage: Stage, memory: Times, count: int) -> Times:
        return np.full((len(memory), count), self._value, dtype=np.int64)


class _Simple(Rows):
    def __init__(self, law: Simple, source: str) -> None:
        self._law, self._source = law, source

    def take(self, stage: Stage, memory: Times, count: int) -> Times:
        return stage.draws(self._source, self._law, len(memory) * count).reshape(-1, count)


class _Recorded(Rows):
    words = 1

    def __init__(self, law: Recorded, source: str, stride: int, offset: int) -> None:
        self._values, self._start = law.values, law.start
        self._source, self._stride, self._offset = source, stride, offset

    def begin(self, stage: Stage, memory: Times) -> None:
        rows: Any = self._start
        if rows is None:
            drawn = stage.anew(f"{self._source}/row").random(len(memory))
            rows = (drawn * len(self._values)).astype(np.int64)
        memory[:, 0] = (rows + self._offset) % len(self._values)

    def take(self, stage: Stage, memory: Times, count: int) -> Times:
        steps = self._stride * np.arange(count + 1, dtype=np.int64)
        rows = (memory[:, :1] + steps) % len(self._values)
        memory[:, 0] = rows[:, -1]
        found: Times = self._values[rows[:, :-1]]
        return found


class _Pooled(Rows):
    """A law whose draws come from parts, each with a memory of its own."""

    def __init__(self, parts: list[Rows], own: int) -> None:
        self._parts, self._own = parts, own
        self.words = own + sum(part.words for part in parts)

    def _memories(self, memory: Times) -> list[Times]:
        found, at = [], self._own
        for part in self._parts:
            found.append(memory[:, at : at + part.words])
            at += part.words
        return found

    def begin(self, stage: Stage, memory: Times) -> None:
        for part, own in zip(self._parts, self._memories(memory), strict=True):
            part.begin(stage, own)

    def forget(self, stage: Stage, memory: Times) -> None:
        for part, own in zip(self._parts, self._memories(memory), strict=True):
            part.forget(stage, own)

    def _from(self, stage: Stage, memory: Times, which: Times) -> Times:
        memories = self._memories(memory)
        found = np.empty(len(memory), dtype=np.int64)
        for at, (part, own) in enumerate(zip(self._parts, memories, strict=True)):
            (here,) = (which == at).nonzero()
            if len(here) == len(which):
                # Usual, and quicker.
                return part.take(stage, own, 1)[:, 0]
            if len(here):
                some = own[here]
                found[here] = part.take(stage, some, 1)[:, 0]
                own[here] = some
        return found


class _Mixture(_Pooled):
    def __init__(self, law: Mixture, source: str, stride: int, offset: int) -> None:
        parts = [
            rows_of(one, f"{source}/part {at}", stride, offset) for at, one in enumerate(law.laws)
        ]
        super().__init__(parts, 0)
        self._edges = np.cumsum(law.shares)[:-1]
        self._choice = f"{source}/choice {offset}"

    def take(self, stage: Stage, memory: Times, count: int) -> Times:
        found = np.empty((len(memory), count), dtype=np.int64)
        for at in range(count):
            drawn = stage.of(self._choice).random(len(memory))
            which = np.searchsorted(self._edges, drawn, side="right")
            found[:, at] = self._from(stage, memory, which)
        return found


class _TwoState(_Pooled):
    """Remembers which state it is in, and how many draws that lasts, the next one included."""

    def __init__(self, law: TwoState, source: str, stride: int, offset: int) -> None:
        names = ("normal", "stalled")
        parts = [
            rows_of(one, f"{source}/{name}", stride, offset)
            for one, name in zip(law.laws, names, strict=True)
        ]
        super().__init__(parts, 2)
        self._counts: list[UniformCount | GeometricCount] = [law.spacing, law.length]
        self._sources = [f"{source}/{name} {offset}" for name in ("spacing", "length")]

    def _run(self, stage: Stage, state: int, count: int) -> Times:
        law = self._counts[state]
        return law.draw(stage.of(self._sources[state]) if law.is_random else None, count)

    def begin(self, stage: Stage, memory: Times) -> None:
        super().begin(stage, memory)
        memory[:, 0] = 0
        memory[:, 1] = self._run(stage, 0, len(memory))

    def forget(self, stage: Stage, memory: Times) -> None:
        super().forget(stage, memory)
        for state, law in enumerate(self._counts):
            # What is left of a geometric run is geometric, however long it has been.
            if isinstance(law, GeometricCount):
                here = memory[:, 0] == state
                memory[here, 1] = self._run(stage, state, len(memory))[here]

    def take(self, stage: Stage, memory: Times, count: int) -> Times:
        found = np.empty((len(memory), count), dtype=np.int64)
        for at in range(count):
            found[:, at] = self._from(stage, memory, memory[:, 0])
            memory[:, 1] -= 1
            (over,) = (memory[:, 1] == 0).nonzero()
            if not len(over):
                continue
            for state in (0, 1):
                some = over[memory[over, 0] == 1 - state]
                if len(some):
                    memory[some, 1] = self._run(stage, state, len(some))
            memory[over, 0] = 1 - memory[over, 0]
        return found
