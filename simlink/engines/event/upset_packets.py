"""The lanes from the remote master to the FIFO where transients may hit packets on their way.

A line bit that a window meets, on the line or in the barrier, is inverted half the time. One of the
header's loses the packet whole: its bits never come, and their places are known, since the packets
after it say which they are. A frame with a packet too few is ended by the first packet that comes
of a later frame. An overhead bit behind the data that is inverted harms nothing. A check of its own
follows all other bits of a packet, and fails if those that are wrong of its data and of the check
itself do not cancel out.
"""

from __future__ import annotations

from simlink.engines.event.clockwork import FREE, PUSH, Instant
from simlink.engines.event.fifo import Fifo, Piece
from simlink.engines.event.frame import Frame, Trial
from simlink.engines.event.master import ReturnLanes
from simlink.engines.event.upsets import hits_of
from simlink.link import transport
from simlink.link.channel import arrives_at
from simlink.link.damage import packet_fails, syndromes
from simlink.records import Cause


class UpsetPackets(ReturnLanes):
    """Lanes whose packets may come damaged, or not at all."""

    foreseen = False

    def __init__(self, trial: Trial, fifo: Fifo) -> None:
        super().__init__(trial, fifo)
        assert self.packets is not None
        back = trial.scenario.barrier.return_
        self.header = back.header_bits
        law = trial.scenario.check
        #: Line bits of each packet, and of all those ahead of it in the frame.
        _, self.sizes, self.ahead = transport.shape_of(trial.scenario, self.packets).tolist()
        #: What a wrong bit of each packet's data and check does to that check; empty without one.
        self.does = [
            syndromes(law, one.last - one.first + 1) if law.of_packet else ()
            for one in self.packets
        ]
        lanes, bits = range(trial.lanes), sum(self.sizes)
        share = transport.SHARE_INVERTED
        self.hits = [hits_of(trial, "return", f"lane {lane}", bits, share) for lane in lanes]
        #: Of each lane, the places that come inverted in each packet; None for one that is lost.
        self.plan: list[list[list[int] | None]] = []
        #: Frames with a packet too few that nothing has ended.
        self.short: list[Frame] = []

    def open(self, frame: Frame) -> None:
        """Take a frame whose clock starts: work out what becomes of each of its packets."""
        super().open(frame)
        assert self.packets is not None
        self.plan, first = [], None
        for lane, channel in enumerate(self.channels):
            free, out, found = self.line_free[lane], channel.ahead, []
            for number, packet in enumerate(self.packets):
                captured = frame.clock_start + self.trial.captured[packet.last]
                sent = free = transport.sent_at(captured, free, packet.line_time)
                out = arrives_at(sent, channel.static, self.jitter[lane][number], out)
                inverted = self.judged(frame, lane, number, sent, out)
                found.append(inverted)
                if inverted is not None:
                    first = out if first is None else min(first, out)
            self.plan.append(found)
        if first is not None:
            for one in self.short:
                Instant(self.env, first, FREE, self.fifo.close, one)
            self.short = []
        for lane, found in enumerate(self.plan):
            for number, inverted in enumerate(found):
                if inverted is None:
                    packet = self.packets[number]
                    frame.lose(range(packet.first, packet.last + 1), Cause.PACKET, lane)
        if frame.harm is not None and frame.harm.lost:
            if not frame.extra:
                self.trial.record.hit[frame.index] = frame.harm.hit
            self.short.append(frame)

    def judged(
        self, frame: Frame, lane: int, number: int, sent: int, arrives: int
    ) -> list[int] | None:
        """Return the places of a packet's bits that come inverted; None if it is lost.

        Its last line bit enters the barrier, and has crossed, at two instants, in fs. A check of
        its own that fails is noted of the frame.
        """
        hits = self.hits[lane]
        assert hits is not None
        assert self.packets is not None
        packet, size = self.packets[number], self.sizes[number]
        if not hits.meets(sent - packet.line_time, arrives):
            return []
        inverted, crossing = [], arrives - sent
        for bit in range(size):
            begins, ends = (
                transport.line_bit_begins(sent, packet.line_time, size, bit + more)
                for more in (0, 1)
            )
            if hits(frame.draws, self.ahead[number] + bit, begins, ends + crossing):
                inverted.append(bit)
        if any(bit < self.header for bit in inverted):
            return None
        places = range(packet.first, packet.last + 1)
        if does := self.does[number]:
            data, end = len(places), size - len(does) + len(places)
            wrong = [bit - self.header for bit in inverted if bit - self.header < data]
            wrong += [data + bit - end for bit in inverted if bit >= end]
            if packet_fails(does, wrong):
                frame.harmed().packet_failed = True
                frame.harmed().hit |= 1 << Cause.DATA
        return [place for place in places if place - packet.first + self.header in inverted]

    def enter(self, frame: Frame, bit: int, captured: int) -> None:
        """Take a bit of every lane, captured at an instant; a full packet sets out."""
        number = self.full.get(bit)
        if number is None:
            return
        for lane, channel in enumerate(self.channels):
            sent = self.packet_sent(lane, number, captured)
            off, inverted = self.jitter[lane][number], self.plan[lane][number]
            channel.ahead = arrives_at(sent, channel.static, off, channel.ahead)
            if inverted is not None:
                piece = self.pieces[lane][number], inverted
                Instant(self.env, channel.ahead, PUSH, self.arrive, frame, piece)

    def arrive(self, frame: Frame, arrived: tuple[Piece, list[int]]) -> None:
        """Push the bits of a packet, some of them inverted."""
        piece, inverted = arrived
        if inverted:
            frame.invert(piece.lane, inverted)
        self.fifo.store(frame, piece)
