"""The general way through the FIFO: every policy when full, watermark, notice and loop.

Time is advanced trigger by trigger. At a frame's first push every decision of the host that
lies strictly before it is taken, slots are freed up to it, and then the frame is admitted,
refused, or put in the place of one that waits. What a begun service has named is read back to
back at known instants, so only the frames not yet named have to be queued.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np

from simlink.base.instants import FAR, NEVER, Times, clock_edges
from simlink.engines.batch.columns import Draws, Flags, Triggers
from simlink.engines.batch.hosts import Hosts
from simlink.engines.batch.remote import Arrivals, Readouts, Remote, Return
from simlink.engines.batch.store import Store
from simlink.link import channel as barrier
from simlink.link import fifo, trigger, unit
from simlink.link.fifo import WhenFull
from simlink.records import Fate, FrameBlock

if TYPE_CHECKING:
    from simlink.scenario.schema import Scenario

#: Conversions handed over, and worked out ahead where nothing feeds back, at a time.
ROWS = 64


class Queued:
    """One chunk of trials, run the general way."""

    def __init__(self, scenario: Scenario, chunk: range, words: bool) -> None:
        self.scenario = scenario
        self.units = units = unit.build(scenario, chunk)
        self.count = len(chunk)
        take, take_end = clock_edges(scenario.host.clock.value, scenario.bits_per_lane)
        self.when_full = WhenFull.of(scenario.fifo.when_full)
        self.depth = scenario.fifo.depth
        shape = (scenario.frame.lanes, scenario.frame.words_per_lane) if words else None
        self.store = Store(chunk, shape, ROWS)
        self.hosts = Hosts(scenario, self.count, self.store, int(take_end[-1]))
        self.remote = Remote(scenario, units)
        self.back = Return(scenario, units, take, words)
        seed = scenario.seed
        forward = scenario.barrier.direction("forward")
        self.forward_jitter = Draws(forward.jitter, seed, chunk, "barrier.forward.jitter")
        self.sync_delay = Draws(scenario.fifo.sync_delay, seed, chunk, "fifo.sync_delay")
        self.latency = Draws(scenario.host.service_latency, seed, chunk, "host.service_latency")
        timeout = scenario.host.timeout
        self.timeout = None if timeout is None else timeout.constant_value
        self.from_host = scenario.trigger.source == "host"
        self.last_release = np.full(self.count, NEVER, dtype=np.int64)
        self.last_arrival = np.full(self.count, NEVER, dtype=np.int64)
        #: The newest conversion that was released for good, by trial.
        self.released = np.full(self.count, -1, dtype=np.int64)
        #: A stalled master that no credit will ever reach.
        self.held = np.zeros(self.count, dtype=np.bool_)
        self.admitted = np.zeros(self.count, dtype=np.int64)
        self.now = np.full(self.count, NEVER, dtype=np.int64)

    def run(self) -> Iterator[FrameBlock]:
        """Run all conversions and hand over blocks of records as they settle."""
        if self.scenario.trigger.pattern == "after_read":
            yield from self._loop()
        else:
            yield from self._planned()
        self.hosts.advance(np.full(self.count, FAR, dtype=np.int64))
        self._expire(self.store.high, over=True)
        while self.store.low < self.store.high:
            yield self.store.hand_over(min(ROWS, self.store.high - self.store.low))
        # Loops that have all stopped leave conversions that were never sent.
        for first in range(self.store.low, self.scenario.conversions, ROWS):
            count = min(ROWS, self.scenario.conversions - first)
            yield FrameBlock.blank(self.store.trials, first, count, self.store.words)

    def _planned(self) -> Iterator[FrameBlock]:
        """Run triggers that do not wait for the host."""
        scenario, total = self.scenario, self.scenario.conversions
        triggers = Triggers(scenario, self.units)
        stalls = self.when_full is WhenFull.STALL
        for first in range(0, total, ROWS):
            rows = min(ROWS, total - first)
            due, left, later = (self._wide(times) for times in triggers.take(rows))
            arrival = left
            if self.from_host:
                jitter = self.forward_jitter.take(rows)
                arrival = left + barrier.crossing(self.units.forward, jitter)
            arrival = barrier.in_order(self._wide(arrival).T, self.last_arrival).T
            self.last_arrival = arrival[-1]
            latency = self._wide(self.latency.take(rows), rows)
            sync = self._wide(self.sync_delay.take(rows), rows)
            if not stalls:
                out = self.remote.read_out(arrival, rows)
                arrived = self.back.cross(out.start, out.accepted)
            for row in range(rows):
                index = first + row
                if stalls:
                    out = self._read_out_stalling(arrival[row])
                    arrived = self.back.cross(out.start, out.accepted)
                here = 0 if stalls else row
                self._sent(index, due[row], left[row], latency[row])
                edge = left[row] > NEVER if not self.from_host else None
                self._one(index, here, out, arrived, sync[row], later[row], edge)
            yield from self._settled()

    def _wide(self, times: Times, rows: int | None = None) -> Times:
        return np.broadcast_to(times, (len(times) if rows is None else rows, self.count))

    def _loop(self) -> Iterator[FrameBlock]:
        """Run a loop: each trigger waits until the host has read a frame or given it up."""
        law = self.scenario.trigger
        assert law.gap is not None
        assert self.timeout is not None
        chunk, seed = self.store.trials, self.scenario.seed
        gaps = Draws(law.gap, seed, chunk, "trigger.gap")
        jitters = Draws(law.jitter, seed, chunk, "trigger.jitter")
        cue = np.zeros(self.count, dtype=np.int64)
        alive = np.ones(self.count, dtype=np.bool_)
        for index in range(self.scenario.conversions):
            if not alive.any():
                break
            due = cue + gaps.take(1)[0]
            left = np.maximum(trigger.leaves(due, jitters.take(1)[0]), cue)
            crossing = barrier.crossing(self.units.forward, self.forward_jitter.take(1)[0])
            arrival = np.where(
                alive, np.maximum(left + crossing, self.last_arrival), self.last_arrival
            )
            self.last_arrival = arrival
            latency = np.broadcast_to(self.latency.take(1)[0], (self.count,))
            sync = np.broadcast_to(self.sync_delay.take(1)[0], (self.count,))
            if index:
                # The frame before is now known to be followed, or not, by this trigger in time.
                before = self.store.row("planned", index - 1)
                self.store.row("edge", index - 1)[:] = (before != NEVER) & (before <= left)
            self._sent(index, due, left, latency, alive)
            stalls = self.when_full is WhenFull.STALL
            if stalls:
                out = self._read_out_stalling(arrival, alive)
            else:
                out = self.remote.read_out_some(arrival, alive)
            arrived = self.back.cross(out.start, out.accepted)
            far = np.full(self.count, FAR, dtype=np.int64)
            self._one(index, 0, out, arrived, sync, far, None, alive)
            cue, alive = self._next_cue(index, left, alive)
            if (index + 1) % ROWS == 0:
                yield from self._settled()

    def _next_cue(self, index: int, left: Times, alive: Flags) -> tuple[Times, Flags]:
        """Return when the host has read a frame or given it up, and which loops go on."""
        assert self.timeout is not None
        store = self.store
        expires = left + self.timeout
        planned = store.row("planned", index)
        in_time = alive & (planned != NEVER) & (planned <= expires)
        store.row("timed_out", index)[:] = alive & ~in_time
        # Nothing else arrives until this frame is read, so the host may go on alone.
        self.hosts.advance(np.where(in_time, FAR, NEVER))
        read = store.row("read_end", index)
        cue = np.where(in_time, read, expires)
        return cue, alive & (~in_time | (read != NEVER))

    def _sent(
        self, index: int, due: Times, left: Times, latency: Times, alive: Flags | None = None
    ) -> None:
        store = self.store
        store.open(index)
        for name, values in (("due", due), ("trigger", left), ("latency", latency)):
            store.row(name, index)[:] = values if alive is None else np.where(alive, values, NEVER)

    def _read_out_stalling(self, arrival: Times, alive: Flags | None = None) -> Readouts:
        """Judge one trigger of each trial and hold its readout until the master has a credit."""
        able = ~self.held if alive is None else alive & ~self.held
        out = self.remote.read_out_some(arrival, able, ends=False)
        taken = out.accepted[0]
        wait = taken & (self.admitted >= self.depth)
        start = out.start
        if wait.any():
            goal = np.where(wait, self.admitted - self.depth, -1)
            freed = self.hosts.end_of(goal)
            stuck = wait & (freed == NEVER)
            back = fifo.credit_at(np.where(wait & ~stuck, freed, 0), self.units.credit)
            start = np.where(wait & ~stuck, np.maximum(start, back), start)
            if stuck.any():
                self.held |= stuck
        self.admitted += taken
        gone = taken & self.held
        out.start = start
        out.wrong = self.remote.wrong(out.ready, start)
        self.remote.ends_at(start[0] + self.units.readout, taken & ~gone)
        # A frame whose clock never starts has been sampled and is never received.
        out.stuck = gone[np.newaxis]
        return out

    def _one(
        self,
        index: int,
        row: int,
        out: Readouts,
        arrived: Arrivals,
        sync: Times,
        later: Times,
        edge: Flags | None,
        alive: Flags | None = None,
    ) -> None:
        """Take one conversion of each trial to the FIFO."""
        store = self.store
        taken = out.accepted[row]
        fate = store.row("fate", index)
        fate[:] = np.where(taken, Fate.NOT_RECEIVED, Fate.MISSED_TRIGGER)
        if alive is not None:
            fate[~alive] = Fate.NOT_SENT
        store.row("aperture", index)[:] = np.where(taken, out.aperture[row], NEVER)
        store.row("ready", index)[:] = np.where(taken, out.ready[row], NEVER)
        store.row("short", index)[:] = out.short[row]
        store.row("wrong", index)[:] = out.wrong[row]
        if out.stuck is not None:
            taken = taken & ~out.stuck[row]
        self._admit(index, row, taken, arrived)
        kept = store.row("fate", index) == Fate.IN_FLIGHT
        planned = np.asarray(fifo.releases_at(arrived.enough[row], sync, self.last_release))
        self.last_release = np.where(kept, planned, self.last_release)
        store.row("planned", index)[:] = np.where(kept, planned, NEVER)
        store.row("release", index)[:] = np.where(kept, planned, NEVER)
        if edge is None:
            edge = planned <= later
        store.row("edge", index)[:] = kept & edge

    def _admit(self, index: int, row: int, taken: Flags, arrived: Arrivals) -> None:
        """Free slots up to the first push, then give the frame one, or not."""
        store, hosts = self.store, self.hosts
        first = arrived.first[row]
        self.now = np.where(taken, first, self.now)
        hosts.advance(np.where(taken, first, NEVER))
        hosts.free(np.where(taken, first, NEVER))
        held = hosts.held
        store.row("found", index)[:] = np.where(taken, held, -1)
        fate = store.row("fate", index)
        room = taken & (held < self.depth)
        full = taken & ~room
        if full.any():
            if self.when_full is WhenFull.DROP_OLD:
                room = room | hosts.discard(full, first)
            fate[taken & ~room] = Fate.OVERRUN
        fate[room] = Fate.IN_FLIGHT
        store.row("need", index)[:] = arrived.need[row]
        store.row("whole", index)[:] = arrived.whole[row]
        hosts.enqueue(index, room)
        if store.words is not None:
            assert arrived.first_bit is not None
            assert arrived.last_bit is not None
            kept = room[:, np.newaxis, np.newaxis]
            store.row("first_bit", index)[...] = np.where(kept, arrived.first_bit[row], NEVER)
            store.row("last_bit", index)[...] = np.where(kept, arrived.last_bit[row], NEVER)

    def _settled(self) -> Iterator[FrameBlock]:
        """Hand over the blocks that nothing can change any more."""
        store, hosts = self.store, self.hosts
        if self.when_full is WhenFull.DROP_NEW and hosts.by_edge:
            hosts.note_gone(store.high, hosts.tail - hosts.head == self.depth)
        elif self.held.any():
            hosts.note_gone(store.high, self.held)
        oldest = min(store.high - 1, hosts.oldest(store.high))
        if self.timeout is not None and self.scenario.trigger.pattern != "after_read":
            oldest = self._expire(oldest, over=False)
        while store.low + ROWS <= oldest:
            yield store.hand_over(ROWS)

    def _expire(self, upto: int, over: bool) -> int:
        """Judge the timeouts of settled rows; return up to where that could be done."""
        store = self.store
        if self.timeout is None or self.scenario.trigger.pattern == "after_read":
            return upto
        low, high = store.low, store.high
        if high == low:
            return upto
        release = store.rows("release", low, high - low)
        expires = store.rows("trigger", low, high - low) + self.timeout
        # The release of a later conversion ends the wait for an earlier one too.
        future = np.where(release == NEVER, FAR, release)
        nearest = np.minimum.accumulate(future[::-1], axis=0)[::-1]
        known = (nearest != FAR) | over | (self.now > expires) | self.hosts.gone
        open_rows = np.nonzero(~known.all(axis=1))[0]
        if len(open_rows):
            upto = min(upto, low + int(open_rows[0]))
        count = upto - low
        if count > 0:
            late = nearest[:count] > expires[:count]
            store.columns["timed_out"][np.arange(low, upto) & (store.size - 1)] = late
        return upto
