"""The FIFO on the host side, and the release of busy."""

from __future__ import annotations

from collections import deque
from typing import TYPE_CHECKING, Protocol

from simlink.base.instants import NEVER
from simlink.engines.event.clockwork import CREDIT, RELEASE, Clockwork, Instant
from simlink.engines.event.frame import Frame, Trial
from simlink.link import fifo as rules
from simlink.link.fifo import WhenFull
from simlink.records import Fate

if TYPE_CHECKING:
    from simlink.engines.event.remote import RemoteMaster
    from simlink.records import FrameBlock


class Listener(Protocol):
    """Whoever is told of a release."""

    def released(self, frame: Frame) -> None:
        """Busy may fall: the frame can be read."""


class Fifo:
    """Slots of frames: pushed bit by bit, released, read, freed, or discarded."""

    def __init__(self, env: Clockwork, trial: Trial, record: FrameBlock) -> None:
        self.env = env
        self.trial = trial
        self.record = record
        self.depth = trial.depth
        self.when_full = trial.when_full
        self.release_bits = trial.scenario.fifo.release_bits
        self.word_bits = trial.scenario.frame.word_bits
        self.sync_delay = trial.each(trial.scenario.fifo.sync_delay, "fifo.sync_delay")
        self.last_release = NEVER
        #: Frames that hold a slot, oldest first.
        self.held: deque[Frame] = deque()
        #: Frames released and not yet read, oldest first.
        self.waiting: deque[Frame] = deque()
        self.listener: Listener
        self.master: RemoteMaster
        self.keeps_words = record.first_bit is not None

    def store(self, event: Instant) -> None:
        """Push the bits of one lane that arrive at one instant."""
        frame, lane, first, last = event.payload
        if frame.admitted is None:
            self.judge(frame)
        if not frame.admitted:
            return
        before = frame.pushed[lane]
        after = frame.pushed[lane] = last + 1
        frame.missing -= after - before
        if before < self.release_bits <= after:
            frame.lanes_enough += 1
            if frame.lanes_enough == self.trial.lanes:
                self.schedule_release(frame)
        if self.keeps_words:
            self.keep_words(frame, lane, first, last)

    def keep_words(self, frame: Frame, lane: int, first: int, last: int) -> None:
        """Note when the first and last bits of words are pushed."""
        bits, now = self.word_bits, self.env.now
        record = self.record
        assert record.first_bit is not None
        assert record.last_bit is not None
        for position in range(first // bits, last // bits + 1):
            if first <= position * bits:
                record.first_bit[0, frame.index, lane, position] = now
            if position * bits + bits - 1 <= last:
                record.last_bit[0, frame.index, lane, position] = now

    def judge(self, frame: Frame) -> None:
        """Give the arriving frame a slot, or not, at its first bit."""
        self.record.found[0, frame.index] = len(self.held)
        frame.admitted = True
        if len(self.held) >= self.depth:
            oldest = self.replaceable() if self.when_full is WhenFull.DROP_OLD else None
            if oldest is None:
                self.refuse(frame)
                return
            self.discard(oldest)
        self.held.append(frame)

    def replaceable(self) -> Frame | None:
        """Return the oldest frame that is whole and that no begun service has named."""
        for frame in self.held:
            if not frame.protected:
                # Frames become whole in order, so a younger one cannot be whole either.
                return frame if frame.missing == 0 else None
        return None

    def refuse(self, frame: Frame) -> None:
        """Let an arriving frame go: no slot is free."""
        frame.admitted = False
        self.record.fate[0, frame.index] = Fate.OVERRUN

    def discard(self, frame: Frame) -> None:
        """Give up a frame that waits, for the sake of the one that arrives."""
        frame.discarded = True
        self.held.remove(frame)
        if frame.released:
            self.waiting.remove(frame)
        self.record.fate[0, frame.index] = Fate.OVERRUN

    def schedule_release(self, frame: Frame) -> None:
        """Let busy fall once the synchroniser has passed it on."""
        self.last_release = int(
            rules.releases_at(self.env.now, self.sync_delay(frame.index), self.last_release)
        )
        Instant(self.env, self.last_release, RELEASE, self.release, frame)

    def release(self, event: Instant) -> None:
        """Tell the host that a frame can be read, unless it was discarded before."""
        frame = event.payload
        if frame.discarded:
            return
        frame.released = True
        self.record.release[0, frame.index] = self.env.now
        self.waiting.append(frame)
        self.listener.released(frame)

    def free(self, frame: Frame) -> None:
        """Free the slot of a frame that has been read."""
        assert self.held[0] is frame
        self.held.popleft()
        if self.when_full is WhenFull.STALL:
            back = rules.credit_at(self.env.now, self.trial.credit)
            Instant(self.env, back, CREDIT, self.master.credit)
