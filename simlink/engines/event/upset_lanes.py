"""The lanes from the remote master to the FIFO where transients may hit what they carry."""

from __future__ import annotations

from typing import Any

from simlink.engines.event.channel import UpsetChannel
from simlink.engines.event.clockwork import PUSH, Clockwork, Instant
from simlink.engines.event.fifo import Fifo
from simlink.engines.event.frame import Frame, Trial
from simlink.engines.event.master import ReturnLanes
from simlink.engines.event.receiver import Places, Receiver
from simlink.engines.event.signals import Signals
from simlink.engines.event.upsets import hits_of
from simlink.link.channel import arrives_at
from simlink.link.false_edge import FalseEdges, carries


class UpsetLanes(ReturnLanes):
    """Lanes whose bits may come inverted, beside a strobe that may be lost."""

    channels: list[UpsetChannel]  # type: ignore[assignment]
    foreseen = False

    def __init__(self, env: Clockwork, trial: Trial, signals: Signals, fifo: Fifo) -> None:
        super().__init__(env, trial, signals, fifo)
        self.receiver = None if self.strobe is None else Receiver(env, trial, fifo)
        self.edges: FalseEdges | None = None
        if self.strobe is not None:
            self.edges = trial.false_edges("return", "strobe")
            self.strobe.keeps_spans = self.edges is not None
        #: After each bit of that frame, -1 for those ahead of all, false strobes' and their places.
        self.strays: dict[int, list[tuple[int, Frame, int]]] = {}
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
        """Take a frame whose clock starts."""
        before = [] if self.strobe is None else self.strobe.spans
        super().open(frame)
        self.places, self.last_open = None, frame.place
        if self.strobe is None or self.receiver is None:
            return
        if self.edges is not None:
            self.open_among(frame, before)
            return
        if self.strobe.comes is not None or not self.receiver.untouched():
            comes = self.strobe.comes or [0] * len(self.pieces[0])
            self.places = self.receiver.place(frame, comes)
            if frame.harm is not None and frame.repeats is None:
                self.trial.record.hit[frame.index] = frame.harm.hit

    def open_among(self, frame: Frame, before: list[tuple[int, int]]) -> None:
        """Take a frame whose clock starts, among false strobes up to its last one.

        Parameters
        ----------
        before : list of (int, int), fs
            When each strobe of the frame before was sent, and came.
        """
        strobe, receiver, edges = self.strobe, self.receiver, self.edges
        assert strobe is not None
        assert receiver is not None
        assert edges is not None
        spans, now = strobe.spans, receiver.env.now
        came = [arrives for _, arrives in spans]
        false = [
            time
            for time in edges.take_before(came[-1])
            if time >= now and not any(carries(time, *span) for span in before + spans)
        ]
        self.strays = {}
        if not false and strobe.comes is None and receiver.untroubled(came[0]):
            receiver.last, receiver.full = came[-1], receiver.gap is not None
            return
        comes = strobe.comes or list(came)
        self.places, self.strays = receiver.place_among(frame, came, comes, false)
        taken = {time for some in self.strays.values() for time, _, _ in some}
        for time in false:
            self.trial.note_false("return", "strobe", time, time in taken)
        if frame.harm is not None and frame.apart is None:
            self.trial.record.hit[frame.index] = frame.harm.hit
        receiver.rest(edges)
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
        assert self.receiver is not None
        now = self.receiver.env.now
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
