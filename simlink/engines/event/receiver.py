"""The receiver beside the FIFO, which makes frames of the bits that a strobe brings.

It counts. The bits of a frame take their places in the order in which the strobe brings them, so
that one that is lost moves those after it up. Where a gap ends a frame, one that is short is
closed; what comes after the gap begins another frame. A frame belongs to the conversion whose bit
it begins with; one that begins with a later bit than its conversion's first frame did is one that
no trigger asked for, and has no row in the ledger.

A false strobe brings a bit of 0 on every lane, which takes its place like any other. One that
comes by itself begins a frame that no trigger asked for. Where a gap ends frames, it is that of
the conversion whose bits follow within the gap, unless the host has been told of it already; and
bits beyond those of a frame are ignored up to the gap.
"""

from __future__ import annotations

from collections.abc import Sequence

from simlink.base.instants import NEVER
from simlink.engines.event.clockwork import FREE, Instant
from simlink.engines.event.fifo import Fifo
from simlink.engines.event.frame import Frame, Part, Trial
from simlink.link import strobe
from simlink.link.false_edge import FalseEdges
from simlink.records import Cause

#: The conversion and the bit of a false strobe's bit, which is 0.
FALSE = (-1, 0)

#: The frame and the place of each bit; None if no strobe brings it, or none that is taken.
Places = list[tuple[Frame, int] | None]
#: After each bit, -1 for what is ahead of the first, the instant in fs of each false strobe whose
#: bit is taken, and where it goes.
Strays = dict[int, list[tuple[int, Frame, int]]]


class Receiver(Part):
    """Puts the bits of each conversion into frames, as its clock starts.

    ``among`` says whether false strobes may come.
    """

    def __init__(self, trial: Trial, fifo: Fifo, among: bool) -> None:
        super().__init__(trial)
        self.fifo, self.among = fifo, among
        #: None where the receiver counts bits alone.
        self.gap = strobe.realign_gap(trial.scenario)
        #: The frame that is being filled.
        self.filling: Frame | None = None
        self.filled = 0
        #: When the last strobe came, and, among false ones, whether it ended a frame that no gap
        #: has followed.
        self.last = NEVER
        self.full = False

    def untroubled(self, first: int) -> bool:
        """Tell whether a strobe that comes at an instant begins a frame, in fs."""
        after_gap = self.gap is not None and first - self.last > self.gap
        return self.filling is None and (not self.full or after_gap)

    def ended(self, last: int) -> None:
        """Note that a strobe, at an instant in fs, has ended a whole frame."""
        self.last, self.full = last, self.among and self.gap is not None

    def place(
        self, frame: Frame, came: list[int], comes: Sequence[int | None], false: list[int]
    ) -> tuple[Places, Strays]:
        """Say where each bit of a conversion goes, and those of false strobes ahead of its last.

        Parameters
        ----------
        frame : Frame
            The conversion's own, to be the first that begins with a bit of it.
        came : list of int, fs
            When the strobe of each bit comes, or would.
        comes : sequence of int or None, fs
            When it comes; None if it is lost.
        false : list of int, fs
            When false ones come.
        """
        places: Places = []
        made: Strays = {}
        waiting, own = list(false), False
        for bit, (when, time) in enumerate(zip(came, comes, strict=True)):
            while waiting and waiting[0] < when:
                stray = waiting.pop(0)
                taken = self.take(stray, frame.place - (not own))
                if taken is not None:
                    made.setdefault(bit - 1, []).append((stray, *taken))
            if time is None:
                places.append(None)
                frame.harmed().hit |= 1 << Cause.STROBE
                continue
            taken = self.take(time, frame.place, frame, own)
            places.append(taken)
            if taken is None:
                continue
            own = own or taken[0].place == frame.place
            begun, place = taken
            harm = begun.harmed()
            assert harm.sources is not None
            harm.sources[-1] = frame.index, bit
            if begun.index != frame.index or bit != place:
                harm.slipped = True
                harm.hit |= 1 << Cause.SLIP
                begun.wrong = begun.wrong or place < begun.data
        return places, made

    def take(
        self, time: int, after: int, frame: Frame | None = None, own: bool = True
    ) -> tuple[Frame, int] | None:
        """Take the bit of a strobe; return its place, None if it comes after a whole frame.

        Parameters
        ----------
        time : int, fs
            When the strobe comes.
        after : int
            The conversion that a frame comes after that begins with it, if none asked for it.
        frame : Frame or None
            That of the conversion whose bit it is; None of a false strobe.
        own : bool
            Whether a bit of that conversion has come already.
        """
        rested = self.gap is not None and time - self.last > self.gap
        if self.filling is not None and rested:
            self.end(self.filling, self.last)
        ignored = self.full and not rested
        self.last = time
        if ignored:
            return None
        self.full = False
        if self.filling is None:
            begun = frame
            if begun is None or own:
                index = self.trial.stray_index() if frame is None else frame.index
                begun = self.trial.frame(index, time)
                begun.clock_start = time if frame is None else frame.clock_start
                if frame is not None and frame.repeats is not None:
                    # Marked as a part of what is repeated, for which it comes too late.
                    begun.admitted, begun.extra = False, True
                else:
                    self.trial.unrequested(begun, after).stray = frame is None
            begun.harmed().sources = []
            self.filling, self.filled = begun, 0
        begun, place = self.filling, self.filled
        harm = begun.harmed()
        assert harm.sources is not None
        harm.sources.append(FALSE)
        if frame is None:
            harm.slipped = True
            begun.wrong = begun.wrong or place < begun.data
            harm.hit |= 1 << Cause.STROBE
        elif begun.apart is not None and begun.apart.stray and self.gap is not None and not own:
            self.adopt(begun, frame)
        self.filled += 1
        if self.filled == self.trial.bits:
            self.filling = None
            self.ended(time)
        return begun, place

    def adopt(self, begun: Frame, frame: Frame) -> None:
        """Make a frame that a false strobe began that of the conversion whose bits follow."""
        if begun.lanes_enough == self.trial.lanes:
            # The host has been told of it already.
            return
        apart = begun.apart
        assert apart is not None
        begun.index, begun.ready, begun.clock_start = frame.index, frame.ready, frame.clock_start
        begun.extra, begun.apart = frame.extra, frame.apart
        begun.record, begun.row = frame.record, frame.row
        self.trial.apart.remove(apart)
        self.fifo.adopted(begun, apart.record.occupancy_at_arrival.item(0))

    def rest(self, edges: FalseEdges | None) -> None:
        """End a frame that stays short, unless a false strobe comes soon enough to fill it."""
        if self.filling is None or self.gap is None:
            return
        if edges is not None and edges.comes_by(self.last + self.gap):
            self.rest_later()
        else:
            self.end(self.filling, self.last)

    def rest_later(self) -> None:
        """End a frame that is short, unless a strobe comes within the gap from now."""
        if self.filling is not None and self.gap is not None:
            Instant(self.env, self.last + self.gap, FREE, self.rested, self.filling, self.last)

    def rested(self, frame: Frame, last: int) -> None:
        """Find out whether a strobe has come since one."""
        if self.filling is frame and self.last == last:
            self.end(frame, last)

    def end(self, frame: Frame, last: int) -> None:
        """Have a gap after the last strobe of a frame end it short."""
        assert self.gap is not None
        frame.lose(range(self.filled, self.trial.bits), Cause.STROBE)
        self.filling = None
        Instant(self.env, last + self.gap, FREE, self.fifo.close, frame)
