"""Converter and host of the schemes without a FIFO, trigger by trigger.

The converter keeps one frame, so there is little to remember: the newest conversion, whose
release may still be to come; the release that the host will serve next, whose frame may already
be gone; and the busy edges on their way. At each trigger the host first takes every decision that
lies strictly before it.
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from typing import TYPE_CHECKING, Any

import numpy as np

from simlink.base.instants import FAR, NEVER, Times
from simlink.engines.batch.columns import Flags
from simlink.engines.batch.host_clocked_reads import Ahead, Jitter, Reader
from simlink.engines.batch.host_clocked_triggers import Conversion
from simlink.engines.batch.store import Store
from simlink.link import converter, fifo, host
from simlink.records import Fate

if TYPE_CHECKING:
    from collections.abc import Mapping

#: Conversions whose busy edges are kept in flight at first; more are made room for.
IN_FLIGHT = 4


@dataclass
class State:
    """Where the trials stand between two triggers; arrays have one row a trial.

    Attributes
    ----------
    newest, arrival, ready, release, latency : ndarray of int64, shape (T,)
        The last trigger that was taken (-1 before the first), when it arrived, when its busy
        falls, when it will be released (FAR once it has been), its service latency.
    first, last, end : ndarray of int64, shape (T,)
        Of its read: the clock's first and last edge at the converter, and when the host is done;
        FAR, NEVER and FAR until the read has started.
    pending, pending_ready, pending_release, pending_latency : ndarray of int64, shape (T,)
        The newest release that the host has not served (-1 for none).
    serving : ndarray of bool, shape (T,)
        Whether a service has begun whose read has not.
    begun, starts, free : ndarray of int64, shape (T,)
        When it began, when its read starts, when the read before ended.
    busy, released, clock, returned : ndarray of int64, shape (T,)
        When the last busy edge, release, clock edge and returned clock edge came out.
    lanes, changes : ndarray of int64, shape (T, lanes)
        When each lane last changed, but for the last read; when that one changes it.
    heard : ndarray of bool, shape (T,)
        Whether the converter takes the clock of the last read, as far as is known.
    rises, falls : ndarray of int64, shape (T, any)
        When busy rises and falls at the host, for all conversions whose fall may be to come, in
        no order.
    jitter, pending_jitter : dict of ndarray, shape (T, ...)
        Of the newest and of the pending frame's edges, where it varies.
    """

    newest: Times
    arrival: Times
    ready: Times
    release: Times
    latency: Times
    first: Times
    last: Times
    end: Times
    pending: Times
    pending_ready: Times
    pending_release: Times
    pending_latency: Times
    serving: Flags
    begun: Times
    starts: Times
    free: Times
    busy: Times
    released: Times
    clock: Times
    returned: Times
    lanes: Times
    changes: Times
    heard: Flags
    rises: Times
    falls: Times
    jitter: Jitter = field(default_factory=dict)
    pending_jitter: Jitter = field(default_factory=dict)

    @classmethod
    def fresh(cls, count: int, lanes: int, jitter: Mapping[str, tuple[int, ...]]) -> State:
        """Return trials in which nothing has happened."""
        shapes = {"lanes": (count, lanes), "changes": (count, lanes)}
        shapes |= {"rises": (count, IN_FLIGHT), "falls": (count, IN_FLIGHT)}
        start = {"newest": -1, "pending": -1, "release": FAR, "first": FAR, "end": FAR}
        found: dict[str, Any] = {}
        for one in fields(cls):
            if one.name in ("jitter", "pending_jitter"):
                found[one.name] = {
                    name: np.zeros((count, *shape), dtype=np.int64)
                    for name, shape in jitter.items()
                }
            elif one.name in ("serving", "heard"):
                found[one.name] = np.zeros(count, dtype=np.bool_)
            else:
                shape = shapes.get(one.name, (count,))
                found[one.name] = np.full(shape, start.get(one.name, NEVER), dtype=np.int64)
        return cls(**found)

    def part(self, some: Times) -> State:
        """Return a copy of some trials."""
        found: dict[str, Any] = {}
        for one in fields(self):
            value = getattr(self, one.name)
            if isinstance(value, dict):
                found[one.name] = {name: rows[some] for name, rows in value.items()}
            else:
                found[one.name] = value[some]
        return State(**found)

    def put(self, some: Times, part: State) -> None:
        """Take some trials back."""
        self.widen(part.rises.shape[1])
        for one in fields(self):
            mine, theirs = getattr(self, one.name), getattr(part, one.name)
            if isinstance(mine, dict):
                for name, rows in mine.items():
                    rows[some] = theirs[name]
            else:
                mine[some] = theirs

    def widen(self, width: int) -> None:
        """Make room for more busy edges in flight."""
        more = width - self.rises.shape[1]
        if more > 0:
            blank = np.full((len(self.newest), more), NEVER, dtype=np.int64)
            self.rises = np.concatenate([self.rises, blank], axis=1)
            self.falls = np.concatenate([self.falls, blank], axis=1)

    @property
    def rests(self) -> Flags:
        """Where nothing waits to be released, served or read, shape (T,)."""
        rests: Flags = (self.pending < 0) & (self.release == FAR) & ~self.serving
        return rests

    @property
    def lanes_ahead(self) -> Times:
        """When each lane last changed, shape (T, lanes), fs."""
        moved = self.heard[:, np.newaxis] & (self.changes < FAR)
        return np.where(moved, self.changes, self.lanes)

    def open(self, upto: Times) -> Flags:
        """Tell where a trigger from an instant on may still overwrite the newest frame."""
        known: Flags = (self.newest >= 0) & (upto < np.minimum(self.first, self.end))
        return known


class SerialHosts:
    """Takes some trials of a chunk from trigger to trigger.

    Parameters
    ----------
    state : State
        Where they stand; changed in place.
    who : ndarray of int64, shape (T,)
        Which trials of the chunk they are.
    reader : Reader
        Works out reads.
    constant : dict of ndarray
        The jitter that never varies.
    store : Store
        Where records go.
    """

    def __init__(
        self, state: State, who: Times, reader: Reader, constant: Jitter, store: Store
    ) -> None:
        self.state = state
        self.who = who
        self.reader = reader
        self.constant = {name: value[0, 0] for name, value in constant.items()}
        self.store = store

    def _put(self, name: str, index: Times, some: Times, values: object) -> None:
        self.store.put(name, index, self.who[some], values)

    def trigger(self, index: int, one: Conversion, alive: Flags | None = None) -> Times:
        """Judge one trigger of each trial.

        Parameters
        ----------
        index : int
            Which.
        one : Conversion
            What comes of it.
        alive : ndarray of bool, shape (T,), optional
            Where there is one.

        Returns
        -------
        ndarray of int64, shape (T,), fs
            When it will be released unless it is overwritten before; FAR where it was missed.
        """
        state, arrival = self.state, one.arrival
        self.advance(arrival)
        self._release(np.flatnonzero(state.release <= arrival))
        converting = arrival < state.ready
        being_read = (state.first <= arrival) & (arrival < state.last)
        taken = ~(converting | being_read)
        fate = np.where(taken, np.int8(Fate.IN_FLIGHT), np.int8(Fate.MISSED_TRIGGER))
        if alive is not None:
            taken &= alive
            fate[~alive] = Fate.NOT_SENT
        everywhere = np.arange(len(taken))
        self._put("fate", np.array(index), everywhere, fate)
        some = np.flatnonzero(taken)
        self._lose(some[state.open(arrival)[some]])
        release = np.full(len(taken), FAR, dtype=np.int64)
        release[some] = self._accept(index, some, one)
        return release

    def _accept(self, index: int, some: Times, one: Conversion) -> Times:
        """Start conversions, and return when they will be released."""
        state, arrival, ready = self.state, one.arrival[some], one.ready[some]
        # What is known of the read before: its clock was heard if it came first.
        undecided = state.end[some] == FAR
        state.heard[some] &= undecided | (state.first[some] <= arrival)
        before, settles = state.ready[some], self.reader.units.acquisition_time[self.who[some]]
        short = converter.short_acquisition(arrival, before, settles)
        at = np.array(index)
        self._put("short", at, some, short)
        self._put("aperture", at, some, one.aperture[some])
        self._put("ready", at, some, ready)
        rise = one.rises[some]
        rise = np.where(rise == NEVER, FAR, np.maximum(rise, state.busy[some]))
        fall = np.maximum(one.falls[some], state.busy[some])
        fall = np.where(rise == FAR, fall, np.maximum(fall, rise))
        state.busy[some] = fall
        self._fly(some, arrival, rise, fall)
        release = np.asarray(fifo.releases_at(fall, one.sync[some], state.released[some]))
        state.released[some] = release
        state.newest[some], state.ready[some], state.release[some] = index, ready, release
        state.arrival[some], state.latency[some] = arrival, one.latency[some]
        state.first[some], state.last[some], state.end[some] = FAR, NEVER, FAR
        for name, rows in state.jitter.items():
            rows[some] = one.jitter[name][some]
        return release

    def _fly(self, some: Times, now: Times, rise: Times, fall: Times) -> None:
        """Keep the busy edges of new conversions, in the place of ones that have arrived."""
        state = self.state
        if not len(some):
            return
        if bool((state.falls[some].min(axis=1) > now).any()):
            state.widen(2 * state.rises.shape[1])
        place = state.falls[some].argmin(axis=1)
        state.rises[some, place], state.falls[some, place] = rise, fall

    def _release(self, some: Times) -> None:
        """Tell hosts of the newest conversion."""
        if not len(some):
            return
        state = self.state
        index, release = state.newest[some], state.release[some]
        self._put("release", index, some, release)
        self._put("planned", index, some, ends_wait(release, state.arrival[some]))
        state.pending[some], state.pending_release[some] = index, release
        state.pending_ready[some], state.pending_latency[some] = (
            state.ready[some],
            state.latency[some],
        )
        state.release[some] = FAR
        for name, rows in state.pending_jitter.items():
            rows[some] = state.jitter[name][some]

    def _lose(self, some: Times) -> None:
        """Overwrite the newest frames, though the host may have started its clock."""
        if not len(some):
            return
        index = self.state.newest[some]
        self._put("fate", index, some, Fate.OVERRUN)
        for name in ("service", "read_start", "read_end"):
            self._put(name, index, some, NEVER)
        if self.store.words is not None:
            for name in ("first_bit", "last_bit"):
                self._put(name, index, some, NEVER)

    def advance(self, limit: Times) -> None:
        """Take every decision of the hosts that lies strictly before an instant, shape (T,)."""
        state = self.state
        while True:
            waits = np.where(state.pending >= 0, state.pending_release, state.release)
            begins = np.where(state.serving, FAR, np.maximum(state.free, waits))
            some = np.flatnonzero(begins < limit)
            if len(some):
                at = begins[some]
                self._release(some[state.release[some] <= at])
                state.serving[some], state.begun[some] = True, at
                state.starts[some] = host.reads_from(at, state.pending_latency[some])
            some = np.flatnonzero(state.serving & (state.starts < limit))
            if not len(some):
                return
            at = state.starts[some]
            self._release(some[state.release[some] <= at])
            high = (state.rises[some] <= at[:, np.newaxis]) & (
                at[:, np.newaxis] < state.falls[some]
            )
            # Where busy is high the host waits for the next release.
            self._read(some[~high.any(axis=1)])
            state.serving[some], state.pending[some] = False, -1

    def _read(self, some: Times) -> None:
        """Start clocks."""
        if not len(some):
            return
        state, start = self.state, self.state.starts[some]
        state.lanes[some] = state.lanes_ahead[some]
        ahead = Ahead(state.clock[some], state.returned[some], state.lanes[some])
        jitter = self.constant | {name: rows[some] for name, rows in state.pending_jitter.items()}
        reads = self.reader.read(start, state.pending_ready[some], self.who[some], jitter, ahead)
        state.free[some] = reads.end
        state.clock[some] = reads.clock
        state.returned[some] = np.maximum(state.returned[some], reads.returned)
        state.changes[some] = reads.changes
        there = state.pending[some] == state.newest[some]
        # The clock of a frame that is gone already is not heard.
        state.heard[some] = there
        new = some[there]
        index = state.newest[new]
        state.first[new], state.last[new] = reads.first[there], reads.last[there]
        state.end[new] = reads.end[there]
        self._put("service", index, new, state.begun[new])
        self._put("read_start", index, new, start[there])
        self._put("read_end", index, new, reads.end[there])
        fate = np.where(reads.wrong[there], Fate.CORRUPTED, Fate.DELIVERED)
        self._put("fate", index, new, fate)
        if self.store.words is not None:
            kept = np.ones(len(new), dtype=np.bool_)
            first, last = self.reader.words(reads.captured[there], kept)
            self._put("first_bit", index, new, first)
            self._put("last_bit", index, new, last)


def ends_wait(release: Times, arrival: Times) -> Times:
    """Return from when releases end the host's wait for them.

    A timeout at the instant of a trigger's arrival comes before what that trigger sets going.
    """
    return np.asarray(release + (release == arrival))
