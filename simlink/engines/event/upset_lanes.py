"""The lanes from the remote master to the FIFO where transients may hit what they carry."""

from __future__ import annotations

from typing import Any

from simlink.engines.event.channel import UpsetChannel
from simlink.engines.event.clockwork import PUSH, Instant
from simlink.engines.event.fifo import Fifo
from simlink.engines.event.frame import Frame, Trial
from simlink.engines.event.master import ReturnLanes
from simlink.engines.event.receiver import Places, Receiver, Strays
from simlink.engines.event.upsets import hits_of
from simlink.link.channel import arrives_at
from simlink.link.false_edge import FalseEdges, carries


class UpsetLanes(ReturnLanes):
    """Lanes whose bits may come inverted, beside a strobe that may be lost."""

    channels: list[UpsetChannel]  # type: ignore[assignment]
    #: Where there is a strobe.
    receiver: Receiver
    foreseen = False

    def __init__(self, trial: Trial, fifo: Fifo) -> None:
        super().__init__(trial, fifo)
        self.edges: FalseEdges | None = None
        if self.strobe is not None:
            self.edges = trial.false_edges("return", "strobe")
            self.receiver = Receiver(trial, fifo, self.edges is not None)
        #: False strobes' bits, and their places.
        self.strays: Strays = {}
        #: The frame whose clock started last.
        self.last_open = -1
        #: Where the bits of the frame that is clocked go, if not to their own places.
        self.places: Places | None = None

    def channel(self, lane: int, *args: Any) -> UpsetChannel:
        """Return the channel of a lane."""
        hits = hits_of(self.trial, "return", f"lane {lane}", self.trial.bits)
        assert hits is not None
        return UpsetChannel(hits, self.fifo.damaged, *args)

    def open(self, frame: Frame) -> None:
        """Take a frame whose clock starts, among false strobes up to its last one."""
        before = [] if self.strobe is None else self.strobe.spans
        super().open(frame)
        self.places, self.strays, self.last_open = None, {}, frame.place
        if self.strobe is None:
            return
        comes, spans, receiver = self.strobe.comes, self.strobe.spans, self.receiver
        came = [arrives for _, arrives in spans]
        false = [
            time
            for time in (self.edges.take_before(came[-1]) if self.edges is not None else ())
            if time >= self.env.now and not any(carries(time, *span) for span in before + spans)
        ]
        if not false and comes is None and receiver.untroubled(came[0]):
            receiver.ended(came[-1])
            return
        self.places, self.strays = receiver.place(frame, came, comes or came, false)
        taken = {time for some in self.strays.values() for time, _, _ in some}
        for time in false:
            self.trial.note_false("return", "strobe", time, time in taken)
        if frame.harm is not None and frame.repeats is None:
            frame.record.hit[frame.row] = frame.harm.hit
        receiver.rest(self.edges)
        self.push_strays(-1)

    def push_strays(self, bit: int) -> None:
        """Push the bits of false strobes that come after a bit, each after what is ahead of it."""
        for time, target, place in self.strays.get(bit, ()):
            self.push_false(time, target, place)

    def push_false(self, time: int, target: Frame, place: int) -> None:
        """Push a bit of 0 on every lane at an instant, after what is ahead of it."""
        for lane, channel in enumerate(self.channels):
            channel.ahead = max(time, channel.ahead)
            piece = self.pieces[lane][place]
            Instant(channel.env, channel.ahead, PUSH, self.fifo.store, target, piece)

    def false_strobe(self) -> None:
        """Take a false strobe that comes by itself."""
        assert self.strobe is not None
        now = self.env.now
        if any(carries(now, *span) for span in self.strobe.spans):
            return
        taken = self.receiver.take(now, self.last_open)
        self.trial.note_false("return", "strobe", now, taken)
        if taken is not None:
            self.push_false(now, *taken)
        self.receiver.rest_later()

    def enter(self, frame: Frame, bit: int, captured: int) -> None:
        """Take a bit of every lane, captured at an instant, to its place if it has one."""
        for lane, channel in enumerate(self.channels):
            off = self.jitter[lane][bit]
            there = (frame, bit) if self.places is None else self.places[bit]
            if there is None:
                # Without its strobe nobody takes it; on its way it is all the same.
                channel.ahead = time = arrives_at(captured, channel.static, off, channel.ahead)
                channel.hits(frame.draws, bit, captured, time)
                continue
            target, place = there
            channel.send(target, self.pieces[lane][place], off, captured, frame.draws, bit)
        if self.strays:
            self.push_strays(bit)
