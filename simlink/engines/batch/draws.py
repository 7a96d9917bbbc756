"""The draws of some trials, conversion by conversion, in rings that the compiled loops look into.

A column is one source: what is drawn once for each conversion, or the jitter of one bit, packet
or edge of a frame. Columns that never vary are kept as a single number.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from simlink.base.compiled import why_plain
from simlink.base.draws import Generators, Sampler, part_of
from simlink.base.instants import Times
from simlink.engines.batch import streams
from simlink.scenario.distributions import Constant, Distribution, Simple, suffix
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
class Source:
    """One source; of one that is drawn ``stride`` times a frame, the draw number ``offset``."""

    source: str
    law: Distribution
    stride: int = 1
    offset: int = 0


def conversion_columns(scenario: Scenario) -> list[Source]:
    """Return the columns of what is drawn once for each conversion, in the order of the places."""
    trigger, converter, host = scenario.trigger, scenario.converter, scenario.host
    none = ZERO
    by_remote = scenario.link.scheme == "remote_master"
    forward = scenario.barrier.direction("forward").jitter
    return [
        Source("trigger.jitter", trigger.jitter),
        Source("barrier.forward.jitter", none if trigger.source == "remote" else forward),
        Source("converter.conversion_time", converter.conversion_time),
        Source("converter.aperture_jitter", converter.aperture_jitter),
        Source(
            "remote_clock.start_delay", scenario.remote_clock.start_delay if by_remote else none
        ),
        Source("fifo.sync_delay", scenario.fifo.sync_delay),
        Source("host.service_latency", host.service_latency),
        Source("trigger.gap", _gap(scenario)),
        Source("converter.busy_delay", none if by_remote else converter.busy_delay),
    ]


def edge_columns(law: Distribution, source: str, count: int) -> list[Source]:
    """Return the columns of a source that is drawn for each of ``count`` edges of a frame."""
    return [Source(source, law, count, edge) for edge in range(count)]


def _gap(scenario: Scenario) -> Distribution:
    loops = scenario.trigger.pattern == "after_read"
    gap = scenario.trigger.gap
    return gap if loops and gap is not None else ZERO


ZERO = Constant(value=0)


class _Together:
    """Columns of a ring that are drawn together.

    Parameters
    ----------
    varying : list of Source
        All columns of the ring.
    names : list of str
        The generator of each.
    """

    def __init__(self, varying: list[Source], names: list[str]) -> None:
        self._varying, self._names = varying, names
        #: Columns that are drawn compiled; others are by samplers of their own.
        self.compiled: list[int] = []
        self._others: list[int] = []
        laws = []
        for at, one in enumerate(varying):
            law = streams.law_of(one.law, one.stride) if isinstance(one.law, Simple) else None
            if law is not None and streams.agrees():
                self.compiled.append(at)
                laws.append(law)
            else:
                self._others.append(at)
        self._laws = np.array(laws, dtype=streams.LAWS)
        self._columns = np.array(self.compiled, dtype=np.int64)
        self._samplers: dict[tuple[int, int], Sampler] = {}

    def open(self, generators: Generators, trials: range) -> None:
        """Begin some trials."""
        words = generators.words(trials, [self._names[at] for at in self.compiled])
        self._states = streams.unbegun(words)
        self._samplers = {
            (row, at): self._varying[at].law.sampler(
                generators.streams(trial, self._varying[at].source),
                self._varying[at].stride,
                self._varying[at].offset,
            )
            for at in self._others
            for row, trial in enumerate(trials)
        }

    @property
    def all_compiled(self) -> bool:
        """Whether all of them are drawn compiled."""
        return why_plain() is None and not self._others

    def given(self, ring: Times) -> tuple[Any, ...]:
        """Return what `streams.fill` is given of the open trials."""
        return self._laws, self._columns, self._states, streams.tables(), ring

    def fill(self, ring: Times, rows: range, at: int, count: int) -> None:
        """Draw the next numbers of some trials, side by side in the ring from a place on."""
        if self.compiled:
            streams.fill(rows.start, rows.stop, at, count, *self.given(ring))
        for (row, column), sampler in self._samplers.items():
            if row in rows:
                ring[row, column, at : at + count] = sampler.take(count)


class Draws:
    """Rings of draws of some trials side by side.

    Parameters
    ----------
    scenario : Scenario
        Whose seed.
    columns : list of Source
        What is drawn.

    Attributes
    ----------
    ring : ndarray of int64, shape (T or 1, varying, size + pad)
        The draw for conversion k stands at ``k % size``; trials may share one row.
    place : ndarray of int64, shape (columns,)
        Which of the varying columns each column is, or -1.
    constant : ndarray of int64, shape (columns,)
        What the others always are, in base units.
    varying : list of Source
        The columns that vary.
    """

    def __init__(self, scenario: Scenario, columns: list[Source]) -> None:
        self._seed = scenario.seed
        self.place = np.full(len(columns), -1, dtype=np.int64)
        self.constant = np.zeros(len(columns), dtype=np.int64)
        self.varying: list[Source] = []
        for at, column in enumerate(columns):
            if column.law.is_constant:
                self.constant[at] = column.law.constant_value
            else:
                self.place[at] = len(self.varying)
                self.varying.append(column)
        self._names = [part_of(one.source, suffix(one.stride, one.offset)) for one in self.varying]
        self._together = _Together(self.varying, self._names)
        self.ring: Times = np.zeros((0, len(self.varying), 0), dtype=np.int64)

    @property
    def size(self) -> int:
        """How many conversions of a trial the ring has room for."""
        return self.ring.shape[2] - _PAD

    @property
    def width(self) -> int:
        """How many columns vary."""
        return len(self.varying)

    @property
    def all_compiled(self) -> bool:
        """Whether all of them are drawn compiled."""
        return self._together.all_compiled

    def given(self) -> tuple[Any, ...]:
        """Return what `streams.fill` is given of the open trials."""
        return self._together.given(self.ring)

    def prepare(self, trials: range) -> None:
        """Seed the generators of a range of trials together."""
        self._generators = Generators(self._seed, trials, self._names)

    def open(self, trials: range, size: int, rows: int) -> None:
        """Begin some trials, with room for ``size`` conversions, a power of two, of some rows."""
        if self.ring.shape[0] != rows or self.ring.shape[2] != size + _PAD:
            self.ring = np.zeros((rows, self.width, size + _PAD), dtype=np.int64)
        self._together.open(self._generators, trials)

    def widen(self, low: int, high: int, size: int) -> None:
        """Make room for ``size`` conversions, keeping those from ``low`` to before ``high``."""
        ring = np.zeros((*self.ring.shape[:2], size + _PAD), dtype=np.int64)
        kept = np.arange(low, high)
        old = self.size
        ring[..., kept % size] = self.ring[..., kept % old]
        self.ring = ring

    def fill(self, first: int, count: int) -> None:
        """Draw for conversions ``first`` ... ``first + count - 1``, which follow the last ones.

        They stand side by side in the ring.
        """
        at = first % self.size
        self._together.fill(self.ring, range(len(self.ring)), at, count)
