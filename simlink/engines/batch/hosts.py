"""The hosts of a chunk of trials: waiting frames, services, and the slots that reads free."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from simlink.base.instants import FAR, NEVER, Times
from simlink.engines.batch.columns import Flags
from simlink.engines.batch.store import Store
from simlink.link import host
from simlink.records import Fate

if TYPE_CHECKING:
    from simlink.scenario.schema import Scenario


class Hosts:
    """What each host has to read, and when it does.

    Frames that wait stand in a ring of conversion numbers, oldest first. A service names the
    frames that it reads; their reads are then settled, and only the ends matter, as the instants
    at which slots are freed.
    """

    def __init__(self, scenario: Scenario, count: int, store: Store, read_time: int) -> None:
        law = scenario.host
        self.store = store
        self.count = count
        self.read_time = read_time
        self.watermark = law.watermark
        self.read_all = law.read_all
        self.by_edge = law.notice == "edge"
        self.size = 1 << scenario.fifo.depth.bit_length()
        self.waiting = np.zeros((self.size, count), dtype=np.int64)
        self.head = np.zeros(count, dtype=np.int64)
        self.tail = np.zeros(count, dtype=np.int64)
        self.ends = np.full((self.size, count), NEVER, dtype=np.int64)
        #: Frames named by services so far, and of them freed.
        self.named = np.zeros(count, dtype=np.int64)
        self.freed = np.zeros(count, dtype=np.int64)
        #: When the host falls idle, or fixes its next group.
        self.free_at = np.full(count, NEVER, dtype=np.int64)
        self.continues = np.zeros(count, dtype=np.bool_)
        self.begun = np.full(count, NEVER, dtype=np.int64)
        self.latch = np.full(count, FAR, dtype=np.int64)
        #: Hosts that will never come again, and whose waiting frames nothing can change.
        self.gone = np.zeros(count, dtype=np.bool_)

    @property
    def held(self) -> Times:
        """Slots taken, shape (T,)."""
        return self.tail - self.head + self.named - self.freed

    def enqueue(self, index: int, which: Flags) -> None:
        """Let a frame that has a slot wait."""
        some = np.nonzero(which)[0]
        self.waiting[self.tail[some] & (self.size - 1), some] = index
        self.tail[some] += 1

    def oldest(self, high: int) -> int:
        """Return the oldest conversion that a host may still read, or ``high``."""
        some = np.nonzero((self.tail > self.head) & ~self.gone)[0]
        if not len(some):
            return high
        return int(self.waiting[self.head[some] & (self.size - 1), some].min())

    def note_gone(self, high: int, closed: Flags) -> None:
        """Note the hosts that will never come again, so that nothing is kept for them.

        A host that is told of edges alone and missed the last one stands still for good once
        its FIFO is full of frames that cannot be discarded.

        Parameters
        ----------
        high : int
            One past the newest conversion.
        closed : ndarray of bool, shape (T,)
            Where no frame will be admitted before the host has come.
        """
        waiting = self.tail - self.head
        some = np.nonzero(closed & ~self.gone & ~self.continues & (waiting > 0))[0]
        # Whether busy fell behind the newest conversion of all may not be known yet.
        newest = self.waiting[(self.tail[some] - 1) & (self.size - 1), some]
        some = some[newest < high - 1]
        if len(some):
            self.gone[some[self._next_begin(some) == FAR]] = True

    def free(self, upto: Times) -> None:
        """Free the slots of reads that have ended by an instant, inclusive."""
        some = np.nonzero(self.named > self.freed)[0]
        while len(some):
            ended = self.ends[self.freed[some] & (self.size - 1), some] <= upto[some]
            some = some[ended]
            self.freed[some] += 1
            some = some[self.named[some] > self.freed[some]]

    def discard(self, full: Flags, now: Times) -> Flags:
        """Discard the oldest frame that is whole and that no service has named.

        Parameters
        ----------
        full : ndarray of bool, shape (T,)
            Where a slot is wanted.
        now : ndarray of int64, shape (T,), fs
            At which instant.

        Returns
        -------
        ndarray of bool, shape (T,)
            Where one was found.
        """
        some = np.nonzero(full & (self.tail > self.head))[0]
        index = self.waiting[self.head[some] & (self.size - 1), some]
        whole = self.store.at("whole", index, some) <= now[some]
        some, index = some[whole], index[whole]
        release = self.store.at("release", index, some)
        happened = release < now[some]
        if self.by_edge:
            self._latch_edges(some[happened], index[happened])
        self.store.put("release", index[~happened], some[~happened], NEVER)
        self.store.put("fate", index, some, Fate.OVERRUN)
        self.head[some] += 1
        found = np.zeros(self.count, dtype=np.bool_)
        found[some] = True
        return found

    def _latch_edges(self, some: Times, index: Times) -> None:
        """Remember the first fall of busy since the service in hand began."""
        release = self.store.at("release", index, some)
        counts = self.store.at("edge", index, some) & (release > self.begun[some])
        some, release = some[counts], release[counts]
        self.latch[some] = np.minimum(self.latch[some], release)

    def end_of(self, number: Times) -> Times:
        """Return when the read of the admitted frame of a number ends, advancing the host to it.

        Parameters
        ----------
        number : ndarray of int64, shape (T,)
            Which one, -1 for none. Nothing else may arrive before that read has ended.

        Returns
        -------
        ndarray of int64, shape (T,), fs
            NEVER where the host will never read it.
        """
        self.advance(np.where(number >= 0, FAR, NEVER), number)
        some = np.nonzero((number >= 0) & (self.named > number))[0]
        found = np.full(self.count, NEVER, dtype=np.int64)
        found[some] = self.ends[number[some] & (self.size - 1), some]
        return found

    def advance(self, limit: Times, goal: Times | None = None) -> None:
        """Take every decision that lies strictly before an instant.

        Parameters
        ----------
        limit : ndarray of int64, shape (T,), fs
            That instant.
        goal : ndarray of int64, shape (T,), optional
            Stop where the frame of this number has been named.
        """
        some = np.nonzero((self.tail > self.head) & (limit > self.free_at) & ~self.gone)[0]
        while len(some):
            if goal is not None:
                some = some[self.named[some] <= goal[some]]
                if not len(some):
                    break
            goes_on = self.continues[some]
            when = np.where(goes_on, self.free_at[some], self._next_begin(some))
            before = when < limit[some]
            some, when, goes_on = some[before], when[before], goes_on[before]
            if not len(some):
                break
            self._decide(some, when, goes_on)
            some = some[(self.tail[some] > self.head[some]) & (limit[some] > self.free_at[some])]

    def _next_begin(self, some: Times) -> Times:
        """Return when each idle host would begin a service, FAR if it would not."""
        enough = self.tail[some] - self.head[some] >= self.watermark
        nth = (self.head[some] + self.watermark - 1) & (self.size - 1)
        index = self.waiting[nth, some]
        release = self.store.at("planned", index, some)
        when = np.where(enough, np.maximum(self.free_at[some], release), FAR)
        if self.by_edge:
            when = np.maximum(when, self._latched(some))
        return when

    def _latched(self, some: Times) -> Times:
        """Return when the first fall of busy since the last service began is, FAR if none."""
        latch = self.latch[some].copy()
        for place in range(int((self.tail[some] - self.head[some]).max())):
            there = self.tail[some] - self.head[some] > place
            index = self.waiting[(self.head[some] + place) & (self.size - 1), some]
            release = self.store.at("planned", index, some)
            counts = there & self.store.at("edge", index, some) & (release > self.begun[some])
            latch = np.where(counts, np.minimum(latch, release), latch)
        return latch

    def _decide(self, some: Times, when: Times, goes_on: Flags) -> None:
        """Begin services, or fix the next groups of those that go on reading."""
        begin, at = some[~goes_on], when[~goes_on]
        if len(begin):
            index = self.waiting[self.head[begin] & (self.size - 1), begin]
            self.store.put("service", index, begin, at)
            self.begun[begin] = at
            self.latch[begin] = FAR
            start = host.reads_from(at, self.store.at("latency", index, begin))
            self._read(begin, start, np.full(len(begin), self.watermark))
            self.continues[begin] = self.read_all
        more, at = some[goes_on], when[goes_on]
        if len(more):
            quota = self._released_by(more, at)
            self.continues[more] = quota > 0
            self._read(more, at, quota)

    def _released_by(self, some: Times, when: Times) -> Times:
        """Count the waiting frames that are released by an instant, inclusive."""
        count = np.zeros(len(some), dtype=np.int64)
        looking = np.arange(len(some))
        while len(looking):
            who = some[looking]
            place = self.head[who] + count[looking]
            there = self.tail[who] > place
            looking, who, place = looking[there], who[there], place[there]
            index = self.waiting[place & (self.size - 1), who]
            released = self.store.at("planned", index, who) <= when[looking]
            looking = looking[released]
            count[looking] += 1
        return count

    def _read(self, some: Times, start: Times, quota: Times) -> None:
        """Read the next frames back to back."""
        start = start.copy()
        for place in range(int(quota.max())):
            now = quota > place
            who, at = some[now], start[now]
            index = self.waiting[self.head[who] & (self.size - 1), who]
            if self.by_edge:
                self._latch_edges(who, index)
            end = at + self.read_time
            store = self.store
            store.put("read_start", index, who, at)
            store.put("read_end", index, who, end)
            fate = np.where(store.at("wrong", index, who), Fate.CORRUPTED, Fate.DELIVERED)
            fate = np.where(at < store.at("need", index, who), Fate.UNDERRUN, fate)
            store.put("fate", index, who, fate)
            self.ends[self.named[who] & (self.size - 1), who] = end
            self.named[who] += 1
            self.head[who] += 1
            start[now] = end
        self.free_at[some] = start
