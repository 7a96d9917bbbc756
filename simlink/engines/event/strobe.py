"""The strobe of the remote master, beside the lanes on which its bits cross one by one."""

from __future__ import annotations

import numpy as np

from simlink.base.instants import Times
from simlink.engines.event.channel import Channel
from simlink.engines.event.clockwork import PUSH
from simlink.engines.event.frame import EdgeJitter, Frame, Part, Trial
from simlink.engines.event.upsets import Hits, hits_of
from simlink.link import host_clocked
from simlink.link.strobe import taken_wrong


class Strobe(Part):
    """A channel of the return direction: its rising edges take the bits of every lane.

    What it takes is worked out as a frame's clock starts, since every edge is known by then; its
    edges are events only where somebody watches them.
    """

    def __init__(self, trial: Trial, lanes: list[Channel]) -> None:
        super().__init__(trial)
        self.lanes, unit = lanes, trial.unit
        distortion, min_pulse = unit.strobe_distortion, unit.return_pulse
        self.channel = Channel(trial.env, PUSH, unit.strobe, self.arrives, distortion, min_pulse)
        law, edges = trial.scenario.barrier.direction("return").jitter, 2 * trial.bits
        self.jitter = EdgeJitter(trial, law, ["barrier.return.jitter strobe"], edges)
        ends = [f"barrier.return.jitter lane {lane} end" for lane in range(trial.lanes)]
        self.end_jitter = EdgeJitter(trial, law, ends, 1)
        #: Whether nothing is drawn, and what the first frame came to: the bits taken wrong, and
        #: when the strobe's last edge came out, counted from the start of the clock.
        self.alike = law.is_constant
        self.first: tuple[list[tuple[int, int]], int] | None = None
        self.hits = hits_of(trial, "return", "strobe", trial.bits)
        #: When the strobe of each bit of the last frame came, None for one that was lost; None if
        #: all of them came.
        self.comes: list[int | None] | None = None
        #: When each was sent, and when it came or would have.
        self.spans: list[tuple[int, int]] = []
        self.signal = trial.signals.make("fifo.strobe")
        #: The bits that it took wrong, by conversion and lane, while it is watched.
        self.mistaken: dict[tuple[int, int], list[int]] = {}

    def mistakes(self, frame: Frame, jitter: list[list[int]]) -> list[tuple[int, int]]:
        """Send the strobe of a frame whose clock starts; return lane and bit of those taken wrong.

        None of its bits, of each of which the jitter is given, has entered a lane yet.
        """
        if self.signals.bursts is not None:
            # Who is told of whole frames has the edges worked out together (`edges_of`).
            return []
        start, channels = frame.clock_start, (self.channel, *self.lanes)
        if self.hits is not None:
            self.comes = self.arrivals(frame, self.hits)
        if not self.alike or self.signal.observers or max(one.ahead for one in channels) > start:
            return self.send(frame, jitter)
        # All that came before has come out, so that every frame is as the first is.
        if self.first is None:
            self.first = self.send(frame, jitter), self.channel.ahead - start
        mistaken, lasts = self.first
        self.channel.ahead = start + lasts
        return mistaken

    def edges_of(self, frames: list[Frame]) -> tuple[Times, Times]:
        """Return the edges that come of some frames in a row, and how many (`Channel.clocks`)."""
        starts: Times = np.array([[one.clock_start] for one in frames], dtype=np.int64)
        jitter = np.array([self.jitter.drawn(one.draws)[0] for one in frames])
        return self.channel.clocks(starts + np.array(self.trial.strobe_edges), jitter)

    def arrivals(self, frame: Frame, hits: Hits) -> list[int | None] | None:
        """Return when each rising edge comes, None for one that is lost; None if all come."""
        channel = self.channel
        sent = [frame.clock_start + offset for offset in self.trial.strobe_edges]
        came = list(sent)
        host_clocked.cross_edges(
            came, len(came), channel.static, channel.distortion, self.jitter(frame.draws)[0], 0,
            channel.ahead,
        )  # fmt: skip
        self.spans = list(zip(sent[::2], came[::2], strict=True))
        if not hits.meets(sent[0], came[-1]):
            return None
        found: list[int | None] = list(came[::2])
        for bit, time in enumerate(came[::2]):
            if hits(frame.draws, bit, sent[2 * bit], time):
                found[bit] = None
        return found if None in found else None

    def send(self, frame: Frame, jitter: list[list[int]]) -> list[tuple[int, int]]:
        """Send the strobe and judge every bit; see `mistakes`."""
        trial, start, bits = self.trial, frame.clock_start, range(self.trial.bits)
        edges = [start + offset for offset in trial.strobe_edges]
        watched = len(edges) if self.signal.observers else 0
        came = self.channel.send_clock(frame, edges, self.jitter(frame.draws)[0], watched)
        begins = [start + offset for offset in trial.captured]
        ends = [start + offset for offset in trial.bit_ends]
        last, mistaken = self.end_jitter(frame.draws), []
        for lane, channel in enumerate(self.lanes):
            wrong = list(bits)
            if len(came) == len(edges):
                whole = jitter[lane] + last[lane]
                valid, until = channel.carry(begins, ends, whole, channel.ahead)
                wrong = [bit for bit in bits if taken_wrong(came[2 * bit], valid[bit], until[bit])]
            # With a pulse too few, which bit is which is lost for all of them.
            mistaken += [(lane, bit) for bit in wrong]
            if watched and wrong and frame.repeats is None:
                self.mistaken[frame.index, lane] = wrong
        return mistaken

    def arrives(self, frame: Frame, number: int) -> None:
        """Show an edge that arrives."""
        self.signal.set(1 - number % 2, frame.index, number // 2, None, "remote.clock")
