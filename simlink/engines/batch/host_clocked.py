"""The forwarded and the returned clock, block by block.

Where each read is over before the next trigger arrives, nothing that a read does reaches any
other, and a whole block of conversions follows from its triggers at once. Trials for which that
does not hold throughout a block are taken through it trigger by trigger (`SerialHosts`).
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np

from simlink.base.instants import FAR, NEVER, Times
from simlink.engines.batch.columns import Draws, Flags
from simlink.engines.batch.host_clocked_hosts import SerialHosts, State, ends_wait
from simlink.engines.batch.host_clocked_reads import EdgeDraws, Reader, Reads
from simlink.engines.batch.host_clocked_triggers import Block, SerialTriggers
from simlink.engines.batch.store import Store
from simlink.link import converter, fifo, host, trigger, unit
from simlink.link import host_clocked_unit as serial_unit
from simlink.records import Fate, FrameBlock

if TYPE_CHECKING:
    from simlink.scenario.schema import Scenario

#: Conversions worked on, and handed over, at a time.
ROWS = 64
#: The most jittering edges of one conversion in all the trials of a chunk: of each, about a
#: thousand conversions are drawn ahead.
DRAWS = 2**13
#: Earlier than any instant, with room for what is added to it.
_LONG_AGO = -(2**60)


def beside(scenario: Scenario, most: int) -> int:
    """Return how many trials, ``most`` at the most, are simulated side by side."""
    return max(1, min(most, DRAWS // max(1, EdgeDraws.drawn(scenario))))


class Serial:
    """One chunk of trials of a scheme in which the host's clock reads the converter."""

    def __init__(self, scenario: Scenario, chunk: range, words: bool) -> None:
        self.scenario = scenario
        self.count = len(chunk)
        self.units = unit.build(scenario, chunk)
        self.serial = serial_unit.build(scenario, chunk)
        self.reader = Reader(scenario, self.units, self.serial)
        shape = (scenario.frame.lanes, scenario.frame.words_per_lane) if words else None
        self.store = Store(chunk, shape, ROWS)
        self.edges = EdgeDraws(scenario, chunk)
        self.triggers = SerialTriggers(scenario, self.units, self.serial, self.edges)
        self.state = State.fresh(self.count, self.reader.lanes, self.edges.of_reads)
        timeout = scenario.host.timeout
        self.timeout = None if timeout is None else timeout.constant_value
        self.loops = scenario.trigger.pattern == "after_read"
        self.now = np.full(self.count, NEVER, dtype=np.int64)
        self._fix()

    def _fix(self) -> None:
        """Work out one read for all, if jitter never varies: each then hangs on its start alone."""
        self.fixed: Reads | None = None
        if self.edges.of_reads:
            return
        none = np.zeros(self.count, dtype=np.int64)
        jitter = {name: value[0, 0] for name, value in self.edges.constant.items()}
        ahead, all_trials = self.reader.nothing_ahead(), slice(None)
        # When bit 0 is valid hangs on the fall of busy, all else on the start of the read.
        self.fixed = self.reader.read(none, none + _LONG_AGO, all_trials, jitter, ahead)
        self.first_valid = self.reader.read(none, none, all_trials, jitter, ahead).valid
        fixed = self.fixed
        missing = (fixed.captured >= FAR).any(axis=-1) | (fixed.first >= FAR)
        #: Units whose clock is swallowed in part.
        self.uneven = missing | (fixed.changes >= FAR).any(axis=-1)
        # They are taken trigger by trigger, and these only must not overflow.
        far = (fixed.first, fixed.comes_back, fixed.captured, fixed.until, fixed.changes)
        for values in far:
            values[self.uneven] = 0

    def run(self) -> Iterator[FrameBlock]:
        """Run all conversions and hand over blocks of records as they settle."""
        yield from self._loop() if self.loops else self._planned()
        self._hosts().advance(np.full(self.count, FAR, dtype=np.int64))
        self._expire(self.store.high, over=True)
        while self.store.low < self.store.high:
            yield self.store.hand_over(min(ROWS, self.store.high - self.store.low))
        # Loops that have all stopped leave conversions that were never sent.
        for first in range(self.store.low, self.scenario.conversions, ROWS):
            count = min(ROWS, self.scenario.conversions - first)
            yield FrameBlock.blank(self.store.trials, first, count, self.store.words)

    def _hosts(self) -> SerialHosts:
        everyone = np.arange(self.count)
        return SerialHosts(self.state, everyone, self.reader, self.edges.constant, self.store)

    def _planned(self) -> Iterator[FrameBlock]:
        """Run triggers that do not wait for the host, knowing the first of the next block."""
        blocks = self.triggers.planned(ROWS)
        block: Block | None = next(blocks)
        while block is not None:
            following = next(blocks, None)
            upto = np.full(self.count, FAR) if following is None else following.arrival[0]
            undisturbed = self._undisturbed(block, upto)
            if undisturbed is not None and undisturbed.all() and self.store.low == self.store.high:
                self.store.low = self.store.high = block.first + block.rows
                yield self.quiet
            else:
                self._write(block, undisturbed)
                self._disturbed(block, upto, undisturbed)
            self.now = block.arrival[-1]
            yield from self._settled(upto)
            block = following

    def _undisturbed(self, block: Block, upto: Times) -> Flags | None:
        """Read a block as if nothing overlapped.

        Parameters
        ----------
        block : Block
            The triggers.
        upto : ndarray of int64, shape (T,), fs
            When the trigger after them arrives.

        Returns
        -------
        ndarray of bool, shape (T,), or None
            For which trials that holds; they are taken past the block, and their records kept
            in ``quiet``.
        """
        state = self.state
        rests = state.rests
        if not rests.any():
            return None
        busy = np.maximum(block.rises, block.falls)
        busy = np.maximum.accumulate(np.maximum(busy, state.busy), axis=0)
        release = np.asarray(fifo.releases_at(busy, block.sync, state.released))
        if self.triggers.sync_delay.constant is None:
            release = np.maximum.accumulate(release, axis=0)
        start = np.asarray(host.reads_from(release, block.latency))
        reads = self._reads(block, start)
        gone = reads.clock
        idle = np.where(state.first == FAR, state.end, NEVER)
        idle = np.where(state.newest < 0, NEVER, np.maximum(state.clock, idle))
        if self.fixed is None:
            gone = np.maximum(gone, np.where(reads.first == FAR, reads.end, NEVER))
        well = (block.arrival >= _after(idle, gone)) & (release >= _after(state.free, reads.end))
        if self.reader.returns:
            well &= reads.comes_back >= _after(state.returned, reads.returned)
        soonest = np.minimum(reads.valid.min(axis=-1), reads.until.min(axis=-1))
        well &= soonest >= _after(state.lanes_ahead.max(axis=-1), reads.changes.max(axis=-1))
        found: Flags = rests & well.all(axis=0) & (upto >= gone[-1])
        if self.fixed is not None:
            found &= ~self.uneven
        some = np.flatnonzero(found)
        if len(some):
            self.quiet = self._quiet(block, release, start, reads)
            self._pass(block, some, busy, release, reads)
        return found

    def _reads(self, block: Block, start: Times) -> Reads:
        """Return reads with nothing ahead of them."""
        fixed = self.fixed
        if fixed is None:
            ahead = self.reader.nothing_ahead()
            return self.reader.read(start, block.ready, slice(None), block.jitter, ahead)
        valid = block.ready[..., np.newaxis] + self.first_valid
        # A late bit 0 spoils its own capture first.
        margin = start + (fixed.captured[:, 0] - self.serial.setup)
        lanes = start[..., np.newaxis]
        words, returns = self.store.words is not None, self.reader.returns
        return Reads(
            first=start + fixed.first,
            last=start + fixed.last,
            end=start + fixed.end,
            captured=lanes + fixed.captured if words else fixed.captured,
            wrong=fixed.wrong | (margin < valid.max(axis=-1)),
            clock=start + fixed.clock,
            returned=start + fixed.returned if returns else fixed.returned,
            comes_back=start + fixed.comes_back if returns else fixed.comes_back,
            valid=valid,
            until=lanes + fixed.until,
            changes=lanes + fixed.changes,
        )

    def _quiet(self, block: Block, release: Times, start: Times, reads: Reads) -> FrameBlock:
        """Return the records of undisturbed reads."""
        state, shape = self.state, release.shape
        settles = self.units.acquisition_time
        before = _after(state.ready, block.ready)
        short = converter.short_acquisition(block.arrival, before, settles)
        late: Flags = np.broadcast_to(np.False_, shape)
        if self.timeout is not None:
            late = ends_wait(release, block.arrival) > block.left + self.timeout
        first_bit = last_bit = None
        if self.store.words is not None:
            everyone = np.ones(shape, dtype=np.bool_)
            first_bit, last_bit = (
                np.moveaxis(times, 0, 1) for times in self.reader.words(reads.captured, everyone)
            )
        fate = np.where(reads.wrong, np.int8(Fate.CORRUPTED), np.int8(Fate.DELIVERED))
        return FrameBlock(
            trials=self.store.trials,
            first=block.first,
            due=block.due.T,
            trigger=block.left.T,
            aperture=block.aperture.T,
            ready=block.ready.T,
            release=release.T,
            service=release.T,
            read_start=start.T,
            read_end=reads.end.T,
            found=np.broadcast_to(np.int8(-1), shape).T,
            fate=fate.T,
            short_acquisition=short.T,
            timed_out=late.T,
            first_bit=first_bit,
            last_bit=last_bit,
        )

    def _pass(self, block: Block, some: Times, busy: Times, release: Times, reads: Reads) -> None:
        """Take undisturbed trials past a block."""
        state = self.state
        state.newest[some] = block.first + block.rows - 1
        state.lanes[some] = state.lanes_ahead[some]
        state.heard[some] = True
        for mine, rows in (
            (state.arrival, block.arrival),
            (state.ready, block.ready),
            (state.first, reads.first),
            (state.last, reads.last),
            (state.end, reads.end),
            (state.free, reads.end),
            (state.busy, busy),
            (state.released, release),
            (state.clock, reads.clock),
            (state.changes, reads.changes),
        ):
            mine[some] = rows[-1][some]
        if self.reader.returns:
            state.returned[some] = reads.returned[-1][some]

    def _write(self, block: Block, undisturbed: Flags | None) -> None:
        """Write down a block's triggers, and all else of its undisturbed trials."""
        store = self.store
        for row in range(block.rows):
            store.open(block.first + row)
        rows = np.arange(block.first, block.first + block.rows) & (store.size - 1)
        store.columns["due"][rows] = block.due
        store.columns["trigger"][rows] = block.left
        if undisturbed is None or not undisturbed.any():
            return
        some = np.flatnonzero(undisturbed)
        there, quiet = np.ix_(rows, some), self.quiet
        for name in ("aperture", "ready", "release", "service", "read_start", "read_end", "fate"):
            store.columns[name][there] = getattr(quiet, name).T[:, some]
        store.columns["short"][there] = quiet.short_acquisition.T[:, some]
        if store.words is not None:
            for name in ("first_bit", "last_bit"):
                store.columns[name][there] = np.moveaxis(getattr(quiet, name), 0, 1)[:, some]
        planned = ends_wait(quiet.release.T, block.arrival)
        store.columns["planned"][there] = planned[:, some]

    def _disturbed(self, block: Block, upto: Times, undisturbed: Flags | None) -> None:
        """Take the other trials through a block, trigger by trigger."""
        everyone = np.ones(self.count, dtype=np.bool_)
        some = np.flatnonzero(everyone if undisturbed is None else ~undisturbed)
        if not len(some):
            return
        state = self.state.part(some)
        hosts = SerialHosts(state, some, self.reader, self.edges.constant, self.store)
        for row in range(block.rows):
            hosts.trigger(block.first + row, block.one(row, some))
        hosts.advance(upto[some])
        self.state.put(some, state)

    def _settled(self, upto: Times) -> Iterator[FrameBlock]:
        """Hand over the blocks that nothing can change any more."""
        store = self.store
        waits = self.state.open(upto)
        oldest = min(store.high, int(self.state.newest[waits].min(initial=store.high)))
        oldest = self._expire(oldest, over=False)
        while store.low + ROWS <= oldest:
            yield store.hand_over(ROWS)

    def _expire(self, upto: int, over: bool) -> int:
        """Judge the timeouts of settled rows; return up to where that could be done."""
        store = self.store
        low, count = store.low, store.high - store.low
        if self.timeout is None or self.loops or not count:
            return upto
        release = store.rows("planned", low, count)
        expires = store.rows("trigger", low, count) + self.timeout
        # The release of a later conversion ends the wait for an earlier one too.
        future = np.where(release == NEVER, FAR, release)
        nearest = np.minimum.accumulate(future[::-1], axis=0)[::-1]
        known = (nearest != FAR) | over | (self.now > expires)
        unknown = np.flatnonzero(~known.all(axis=1))
        if len(unknown):
            upto = min(upto, low + int(unknown[0]))
        if upto > low:
            rows = np.arange(low, upto) & (store.size - 1)
            store.columns["timed_out"][rows] = (nearest > expires)[: upto - low]
        return upto

    def _loop(self) -> Iterator[FrameBlock]:
        """Run a loop: each trigger waits until the host has read a frame or given it up."""
        law, store = self.scenario.trigger, self.store
        assert law.gap is not None
        assert self.timeout is not None
        seed, chunk = self.scenario.seed, store.trials
        gaps = Draws(law.gap, seed, chunk, "trigger.gap")
        jitters = Draws(law.jitter, seed, chunk, "trigger.jitter")
        hosts = self._hosts()
        cue = np.zeros(self.count, dtype=np.int64)
        alive = np.ones(self.count, dtype=np.bool_)
        everyone = np.arange(self.count)
        for index in range(self.scenario.conversions):
            if not alive.any():
                break
            due = cue + gaps.take(1)[0]
            left = np.maximum(trigger.leaves(due, jitters.take(1)[0]), cue)
            block = self.triggers.one(index, due, left, alive)
            store.open(index)
            store.row("due", index)[:] = np.where(alive, due, NEVER)
            store.row("trigger", index)[:] = np.where(alive, left, NEVER)
            release = hosts.trigger(index, block.one(0, everyone), alive)
            expires = left + self.timeout
            in_time = alive & (ends_wait(release, block.arrival[0]) <= expires)
            store.row("timed_out", index)[:] = alive & ~in_time
            # Nothing else arrives until this frame is read, so the host may go on alone.
            hosts.advance(np.where(in_time, FAR, NEVER))
            read = store.row("read_end", index)
            cue = np.where(in_time, read, expires)
            alive &= ~in_time | (read != NEVER)
            if (index + 1) % ROWS == 0:
                yield from self._settled(cue)


def _after(before: Times, rows: Times) -> Times:
    """Return what holds ahead of each row: ``before``, shape (T,), then the rows but the last."""
    return np.concatenate([np.broadcast_to(before, (1, *rows.shape[1:])), rows[:-1]])
