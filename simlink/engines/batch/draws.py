"""The draws of some trials, conversion by conversion, in rings that the compiled loops look into.

A column is one source: what is drawn once for each conversion, or the jitter of one bit, packet
or edge of a frame. Columns that never vary are kept as a single number.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from simlink.base.draws import Generators, Law, Sampler, part_of
from simlink.base.instants import Times
from simlink.scenario.distributions import Distribution, Simple, suffix
from simlink.scenario.schema import Scenario

#: Places of the columns that are drawn once for each conversion; those of edges come after.
TRIGGER_JITTER = 0
FORWARD_JITTER = 1
CONVERSION_TIME = 2
APERTURE_JITTER = 3
START_DELAY = 4
SYNC_DELAY = 5
SERVICE_LATENCY = 6
GAP = 7
BUSY_DELAY = 8
EDGES = 9
#: Apart from each other by an odd length, columns do not fall into the same cache lines.
_PAD = 8


@dataclass(frozen=True)
class Column:
    """One source; of one that is drawn ``stride`` times a frame, the draw number ``offset``."""

    source: str
    law: Distribution
    stride: int = 1
    offset: int = 0


def conversion_columns(scenario: Scenario) -> list[Column]:
    """Return the columns of what is drawn once for each conversion, in the order of the places."""
    trigger, converter, host = scenario.trigger, scenario.converter, scenario.host
    none = ZERO
    by_remote = scenario.link.scheme == "remote_master"
    forward = scenario.barrier.direction("forward").jitter
    return [
        Column("trigger.jitter", trigger.jitter),
        Column("barrier.forward.jitter", none if trigger.source == "remote" else forward),
        Column("converter.conversion_time", converter.conversion_time),
        Column("converter.aperture_jitter", converter.aperture_jitter),
        Column("remote_clock.start_delay", scenario.remote_clock.start_delay if by_remote else none),
        Column("fifo.sync_delay", scenario.fifo.sync_delay),
        Column("host.service_latency", host.service_latency),
        Column("trigger.gap", _gap(scenario)),
        Column("converter.busy_delay", none if by_remote else converter.busy_delay),
    ]


def edge_columns(law: Distribution, source: str, count: int) -> list[Column]:
    """Return the columns of a source that is drawn for each of ``count`` edges of a frame."""
    return [Column(source, law, count, edge) for edge in range(count)]


def _gap(scenario: Scenario) -> Distribution:
    loops = scenario.trigger.pattern == "after_read"
    gap = scenario.trigger.gap
    return gap if loops and gap is not None else ZERO


def _zero() -> Distribution:
    from simlink.scenario.distributions import Constant

    return Constant(value=0)


ZERO = _zero()


class Draws:
    """Rings of draws of some trials side by side.

    Parameters
    ----------
    scenario : Scenario
        Whose seed.
    columns : list of Column
        What is drawn.

    Attributes
    ----------
    ring : ndarray of int64, shape (T, varying, size + pad)
        The draw for conversion k stands at ``k % size``.
    place : ndarray of int64, shape (columns,)
        Which of the varying columns each column is, or -1.
    constant : ndarray of int64, shape (columns,)
        What the others always are, in base units.
    """

    def __init__(self, scenario: Scenario, columns: list[Column]) -> None:
        self._seed = scenario.seed
        self.place = np.full(len(columns), -1, dtype=np.int64)
        self.constant = np.zeros(len(columns), dtype=np.int64)
        self._varying: list[Column] = []
        for at, column in enumerate(columns):
            if column.law.is_constant:
                self.constant[at] = column.law.constant_value
            else:
                self.place[at] = len(self._varying)
                self._varying.append(column)
        self._names = [
            part_of(one.source, suffix(one.stride, one.offset)) for one in self._varying
        ]
        self._simple = [at for at, one in enumerate(self._varying) if one.law.is_simple]
        self._runs = _runs(self._varying)
        self._own: list[list[np.random.Generator]] = []
        self._samplers: dict[tuple[int, int], Sampler] = {}
        self.ring: Times = np.zeros((0, len(self._varying), 0), dtype=np.int64)

    @property
    def width(self) -> int:
        """How many columns vary."""
        return len(self._varying)

    def prepare(self, trials: range) -> None:
        """Seed the generators of a range of trials together."""
        names = [self._names[at] for at in self._simple]
        self._generators = Generators(self._seed, trials, names)

    def open(self, trials: range, size: int) -> None:
        """Begin some trials, with room for ``size`` conversions of each, a power of two."""
        self._trials = trials
        if self.ring.shape[0] != len(trials) or self.ring.shape[2] != size + _PAD:
            self.ring = np.zeros((len(trials), self.width, size + _PAD), dtype=np.int64)
        self._raw = np.empty((0, 0, 0))
        while len(self._own) < len(trials):
            self._own.append([np.random.Generator(np.random.SFC64(0)) for _ in self._varying])
        self._samplers = {
            (row, at): one.law.sampler(
                self._generators.streams(trial, one.source), one.stride, one.offset
            )
            for at, one in enumerate(self._varying)
            if not one.law.is_simple
            for row, trial in enumerate(trials)
        }

    def widen(self, low: int, high: int, size: int) -> None:
        """Make room for ``size`` conversions, keeping those from ``low`` to before ``high``."""
        ring = np.zeros((*self.ring.shape[:2], size + _PAD), dtype=np.int64)
        kept = np.arange(low, high)
        old = self.ring.shape[2] - _PAD
        ring[..., kept % size] = self.ring[..., kept % old]
        self.ring = ring

    def fill(self, first: int, count: int) -> None:
        """Draw for conversions ``first`` ... ``first + count - 1``, which follow the last ones.

        They stand side by side in the ring.
        """
        at = first % (self.ring.shape[2] - _PAD)
        there = slice(at, at + count)
        if self._simple:
            self._fill_simple(first, count, there)
        for (row, column), sampler in self._samplers.items():
            self.ring[row, column, there] = sampler.take(count)

    def _fill_simple(self, first: int, count: int, there: slice) -> None:
        if self._raw.shape[::2] != (len(self._trials), count):
            self._raw = np.empty((len(self._trials), self.width, count))
        raw = self._raw
        for row, trial in enumerate(self._trials):
            for at in self._simple:
                generator = self._own[row][at]
                if first == 0:
                    self._generators.restart(generator, trial, self._names[at])
                law: Any = self._varying[at].law
                law.draw_raw(generator, raw[row, at])
        for start, stop, simple in self._runs:
            self.ring[:, start:stop, there] = simple.from_raw(raw[:, start:stop])


def _runs(columns: list[Column]) -> list[tuple[int, int, Simple]]:
    """Return the stretches of neighbouring columns of one simple law."""
    found: list[tuple[int, int, Simple]] = []
    for at, one in enumerate(columns):
        if not isinstance(one.law, Simple):
            continue
        if found and found[-1][1] == at and found[-1][2] is one.law:
            found[-1] = (found[-1][0], at + 1, one.law)
        else:
            found.append((at, at + 1, one.law))
    return found


def fixed(law: Law) -> int | None:
    """Return the one value of a law, or None if it varies."""
    return law.constant_value if law.is_constant else None
