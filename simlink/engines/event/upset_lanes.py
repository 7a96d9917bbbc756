"""The lanes from the remote master to the FIFO where transients may hit what they carry."""

from __future__ import annotations

from typing import Any

from simlink.engines.event.channel import UpsetChannel
from simlink.engines.event.clockwork import Clockwork
from simlink.engines.event.fifo import Fifo
from simlink.engines.event.frame import Frame, Trial
from simlink.engines.event.master import ReturnLanes
from simlink.engines.event.receiver import Places, Receiver
from simlink.engines.event.signals import Signals
from simlink.engines.event.upsets import hits_of
from simlink.link.channel import arrives_at


class UpsetLanes(ReturnLanes):
    """Lanes whose bits may come inverted, beside a strobe that may be lost."""

    channels: list[UpsetChannel]  # type: ignore[assignment]

    def __init__(self, env: Clockwork, trial: Trial, signals: Signals, fifo: Fifo) -> None:
        self.fifo = fifo
        super().__init__(env, trial, signals, fifo)
        self.receiver = None if self.strobe is None else Receiver(env, trial, fifo)
        #: Where the bits of the frame that is clocked go, if not to their own places.
        self.places: Places | None = None

    def channel(self, lane: int, *args: Any) -> UpsetChannel:
        """Return the channel of a lane."""
        hits = hits_of(self.trial, "return", f"lane {lane}", self.trial.bits)
        assert hits is not None
        return UpsetChannel(hits, self.fifo.damaged, *args)

    def open(self, frame: Frame) -> None:
        """Take a frame whose clock starts."""
        super().open(frame)
        self.places = None
        if self.strobe is None or self.receiver is None:
            return
        if self.strobe.comes is not None or not self.receiver.untouched():
            comes = self.strobe.comes or [0] * len(self.pieces[0])
            self.places = self.receiver.place(frame, comes)
            if frame.harm is not None:
                self.trial.record.hit[frame.index] = frame.harm.hit

    def enter(self, frame: Frame, bit: int, captured: int) -> None:
        """Take a bit of every lane, captured at an instant, to its place if it has one."""
        for lane, channel in enumerate(self.channels):
            off = self.jitter[lane][bit]
            there = (frame, bit) if self.places is None else self.places[bit]
            if there is None:
                # Without its strobe nobody takes it; on its way it is all the same.
                channel.ahead = time = arrives_at(captured, channel.static, off, channel.ahead)
                channel.hits(frame.index, bit, captured, time)
                continue
            target, place = there
            channel.send(target, self.pieces[lane][place], off, captured, frame.index, bit)
