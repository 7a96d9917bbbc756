"""The FIFO on the host side, and the release of busy."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from typing import Protocol

from simlink.base.instants import FAR, NEVER
from simlink.engines.event.channel import Channel
from simlink.engines.event.clockwork import PUSH, RELEASE, Instant
from simlink.engines.event.frame import Frame, Part, Trial, repeated_source
from simlink.link import fifo
from simlink.link.damage import Harm
from simlink.link.fate import NOT_RECEIVED, OVERRUN
from simlink.link.fifo import WhenFull
from simlink.link.repeat import repeats


class Listener(Protocol):
    """Whoever is told of a release."""

    def released(self, frame: Frame) -> None:
        """Busy may fall: the frame can be read."""

    def repeated(self, frame: Frame) -> None:
        """Hear that a repeated frame can be read."""


@dataclass(frozen=True, slots=True)
class Piece:
    """What a lane pushes at once: one bit, or those of a packet."""

    lane: int
    first: int
    last: int
    #: The words whose first, and whose last bit is among them.
    begun: tuple[int, ...]
    ended: tuple[int, ...]

    @classmethod
    def of(cls, trial: Trial, lane: int, first: int, last: int) -> Piece:
        """Return the piece that holds bits ``first`` to ``last`` of a lane."""
        width = trial.scenario.frame.word_bits
        places = range(first, last + 1)
        words = [bit for bit in places if bit < trial.data]
        begun = tuple(bit // width for bit in words if bit % width == 0)
        ended = tuple(bit // width for bit in words if bit % width == width - 1)
        return cls(lane, first, last, begun, ended)


def ends(harm: Harm) -> bool:
    """Tell whether the receiver knows a harmed frame for whole once its last bit has come."""
    return harm.closed or not harm.lost


class Fifo(Part):
    """Slots of frames: pushed bit by bit, released, read, freed, or discarded."""

    listener: Listener
    #: The channel on which a stalling master gets its credits.
    credit: Channel | None = None
    #: How many have been sent.
    credits = 0

    def __init__(self, trial: Trial) -> None:
        super().__init__(trial)
        signals = trial.signals
        self.depth = trial.depth
        self.refreshes = trial.scenario.fifo.credit_refresh
        self.replaces = trial.when_full is WhenFull.DROP_OLD
        self.release_bits = trial.scenario.fifo.release_bits
        self.sync_delay = trial.each(trial.scenario.fifo.sync_delay, "fifo.sync_delay")
        self.sync_delay_again = self.sync_delay
        if repeats(trial.scenario):
            source = repeated_source("fifo.sync_delay")
            self.sync_delay_again = trial.each(trial.scenario.fifo.sync_delay, source)
        self.last_release = NEVER
        #: Frames that hold a slot, oldest first.
        self.held: deque[Frame] = deque()
        #: Frames released and not yet read, oldest first.
        self.waiting: deque[Frame] = deque()
        self.keeps_words = self.record.first_bit is not None
        self.push = signals.lanes("fifo.push", trial.lanes)
        self.level = signals.make("fifo.level")
        self.release_signal = signals.make("fifo.release")
        self.repeat_signal = signals.make("fifo.repeat")
        self.overrun = signals.make("fifo.overrun")

    def store(self, frame: Frame, piece: Piece) -> None:
        """Push the bits of one lane that arrive at one instant."""
        if frame.admitted is None:
            self.judge(frame, piece)
        if not frame.admitted:
            return
        now = self.env._now
        before, count = piece.first, piece.last - piece.first + 1
        if frame.harm is not None:
            before = self.pad(frame, frame.harm, piece)
        frame.pushed[piece.lane] += (now,) * count
        frame.missing -= count
        if not frame.missing and (frame.harm is None or ends(frame.harm)):
            frame.whole = now
        if before < self.release_bits <= before + count:
            frame.lanes_enough += 1
            if frame.lanes_enough == self.trial.lanes:
                self.schedule_release(frame)
        if (piece.begun or piece.ended) and self.keeps_words and not frame.extra:
            self.note_words(frame, piece, now)
        if self.push[piece.lane].observers:
            self.show_push(frame, piece)
        if not frame.missing:
            self.settle(frame)

    def settle(self, frame: Frame) -> None:
        """Settle a frame that is whole, if it was read before."""
        if not frame.extra and self.record.read_end[frame.index] != NEVER:
            self.signals.settled.set(frame.index)

    def note_words(self, frame: Frame, piece: Piece, now: int) -> None:
        """Record which words begin and end with what is pushed."""
        for position in piece.begun:
            self.record.first_bit[frame.index, piece.lane, position] = now
        for position in piece.ended:
            self.record.last_bit[frame.index, piece.lane, position] = now

    def foresee(
        self, frame: Frame, pieces: list[list[Piece]], times: list[list[int]], enough: int
    ) -> None:
        """Take a frame that nothing damages, ahead of its pushes: each lane's, and their instants.

        Only those are events on which something depends: the first of all, the one that is enough
        for its release, and the last.
        """
        happens = (
            (min(one[0] for one in times), self.begun, (pieces, times)),
            (max(one[enough] for one in times), self.enough, None),
            (max(one[-1] for one in times), self.completed, None),
        )
        for time, act, part in happens:
            Instant(self.env, time, PUSH, act, frame, part)

    def begun(self, frame: Frame, foreseen: tuple[list[list[Piece]], list[list[int]]]) -> None:
        """Give a frame a slot or not, and its words the instants of their pushes."""
        pieces, times = foreseen
        self.judge(frame, pieces[0][0])
        if frame.admitted and self.keeps_words and not frame.extra:
            for lane, pushed in zip(pieces, times, strict=True):
                for piece, time in zip(lane, pushed, strict=True):
                    if piece.begun or piece.ended:
                        self.note_words(frame, piece, time)

    def enough(self, frame: Frame, _: None) -> None:
        """Have a frame released, enough of which is there."""
        if frame.admitted:
            self.schedule_release(frame)

    def completed(self, frame: Frame, _: None) -> None:
        """Know a frame for whole."""
        if frame.admitted:
            frame.missing, frame.whole = 0, self.env.now
            self.settle(frame)

    def damaged(self, frame: Frame, piece: Piece) -> None:
        """Push bits that arrive inverted."""
        frame.invert(piece.lane, range(piece.first, piece.last + 1))
        self.store(frame, piece)

    def pad(self, frame: Frame, harm: Harm, piece: Piece) -> int:
        """Fill the places of packets that never come, read as 0; return how many bits have come."""
        pushed = frame.pushed[piece.lane]
        pushed += (NEVER,) * (piece.first - len(pushed))
        return piece.first - sum((piece.lane, bit) in harm.lost for bit in range(piece.first))

    def close(self, frame: Frame, _: object = None) -> None:
        """End a frame that is short: its slot is freed, unless its release bits are in."""
        frame.harmed().closed = True
        if frame.discarded < FAR or frame.admitted is False:
            return
        if frame.lanes_enough == self.trial.lanes:
            frame.whole = self.env.now
            return
        if frame.repeats is not None:
            frame.admitted = False
            return
        if frame.admitted:
            self.held.remove(frame)
            self.give_credit(frame)
        frame.admitted = False
        frame.record.fate[frame.row] = NOT_RECEIVED
        frame.record.hit[frame.row] |= frame.harmed().hit
        if frame.apart is None:
            self.signals.settled.set(frame.index)
        self.show_level(frame, "fifo.push")

    def adopted(self, frame: Frame, occupancy: int) -> None:
        """Take a frame that has begun to arrive for one of a conversion."""
        if occupancy < 0:
            return
        frame.record.occupancy_at_arrival[frame.row] = occupancy
        if not frame.admitted:
            self.lose(frame, self.env.now, "fifo.push")

    def show_push(self, frame: Frame, piece: Piece) -> None:
        """Show the bits pushed."""
        captured = self.captured(frame, piece)
        for bit in range(piece.first, piece.last + 1):
            self.push[piece.lane].set(bit, frame.index, bit, captured, "remote.capture")

    def judge(self, frame: Frame, piece: Piece) -> None:
        """Give the arriving frame a slot, or not, at its first bit."""
        if frame.repeats is not None:
            # The host has kept that of the frame which it repeats, or has gone on without it.
            frame.admitted = frame.repeats in self.held
            return
        frame.record.occupancy_at_arrival[frame.row] = len(self.held)
        frame.admitted = fifo.admits(len(self.held), self.depth)
        if not frame.admitted and self.replaces:
            oldest = self.replaceable()
            if oldest is not None:
                self.discard(oldest)
                frame.admitted = True
        if not frame.admitted:
            self.lose(frame, self.captured(frame, piece), "remote.capture")
            return
        self.held.append(frame)
        self.show_level(frame, "fifo.push")

    def replaceable(self) -> Frame | None:
        """Return the oldest frame that no begun service has named, if it is whole."""
        for frame in self.held:
            if not frame.protected:
                # Frames become whole in order, so a younger one cannot be whole either.
                return frame if fifo.may_replace(frame.whole, self.env.now) else None
        return None

    def discard(self, frame: Frame) -> None:
        """Give up a frame that waits, for the sake of the one that arrives."""
        frame.discarded = self.env.now
        self.held.remove(frame)
        if frame.released:
            self.waiting.remove(frame)
        self.lose(frame, self.env.now, "fifo.push")

    def captured(self, frame: Frame, piece: Piece) -> int | None:
        """Return when the last bit of a piece was captured; None if that was another frame's."""
        place, harm = piece.last, frame.harm
        if harm is not None and harm.sources is not None and place < len(harm.sources):
            index, place = harm.sources[place]
            if index != frame.index:
                return None
        return frame.clock_start + self.trial.captured[place]

    def lose(self, frame: Frame, since: int | None, why: str) -> None:
        """Count an overrun."""
        frame.record.fate[frame.row] = OVERRUN
        if frame.apart is None:
            self.overrun.set(frame.index, frame.index, None, since, why)
            self.signals.settled.set(frame.index)

    def schedule_release(self, frame: Frame) -> None:
        """Let busy fall once the synchroniser has passed it on."""
        now = self.env.now
        if frame.repeats is not None:
            release = fifo.releases_at(now, self.sync_delay_again(frame.index), NEVER)
            Instant(self.env, release, RELEASE, self.repeated, frame, now)
            return
        self.last_release = fifo.releases_at(now, self.sync_delay(frame.index), self.last_release)
        Instant(self.env, self.last_release, RELEASE, self.release, frame, now)

    def release(self, frame: Frame, enough: int) -> None:
        """Tell the host that a frame can be read, unless it was discarded before."""
        now = self.env.now
        if not fifo.released_before(now, frame.discarded):
            return
        frame.released = True
        frame.record.release[frame.row] = now
        self.waiting.append(frame)
        self.release_signal.set(frame.index, frame.index, None, enough, "fifo.push")
        self.listener.released(frame)

    def repeated(self, frame: Frame, enough: int) -> None:
        """Tell the host that a repeated frame can be read."""
        self.repeat_signal.set(frame.index, frame.index, None, enough, "fifo.push")
        self.listener.repeated(frame)

    def free(self, frame: Frame) -> None:
        """Free the slot of a frame that has been read."""
        self.held.remove(frame)
        self.give_credit(frame)
        self.show_level(frame, "host.read")

    def give_credit(self, frame: Frame) -> None:
        """Send the credit of a frame's slot back, if the master gave one for it."""
        if self.credit is None or (frame.apart is not None and not frame.apart.paid):
            return
        refresh = self.credits + 1 if self.refreshes and not self.held else None
        self.credit.send(refresh, self.env.now, 0, self.env.now, self.credits)
        self.credits += 1

    def show_level(self, frame: Frame, why: str) -> None:
        """Show how many slots are taken."""
        self.level.set(len(self.held), frame.index, None, self.env.now, why)
