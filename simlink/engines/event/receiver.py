"""The receiver beside the FIFO, which makes frames of the bits that a strobe brings.

It counts. The bits of a frame take their places in the order in which the strobe brings them, so
that one that is lost moves those after it up. Where a gap ends a frame, one that is short is
closed; what comes after the gap begins another frame. A frame belongs to the conversion whose bit
it begins with; one that begins with a later bit than its conversion's first frame did is one that
no trigger asked for, and has no row in the ledger.
"""

from __future__ import annotations

from simlink.engines.event.clockwork import FREE, Clockwork, Instant
from simlink.engines.event.fifo import Fifo
from simlink.engines.event.frame import Frame, Trial
from simlink.link import strobe
from simlink.records import Cause

Places = list[tuple[Frame, int] | None]


class Receiver:
    """Puts the bits of each conversion into frames, as its clock starts.

    Parameters
    ----------
    fifo : Fifo
        Closes the frames that end short.
    """

    def __init__(self, env: Clockwork, trial: Trial, fifo: Fifo) -> None:
        self.env = env
        self.trial = trial
        self.fifo = fifo
        #: None where the receiver counts bits alone.
        self.gap = strobe.realign_gap(trial.scenario)
        #: The frame that is being filled.
        self.filling: Frame | None = None
        self.filled = 0

    def untouched(self) -> bool:
        """Tell whether a frame whose strobe comes whole is one of the receiver's."""
        return self.filling is None

    def place(self, frame: Frame, comes: list[int | None]) -> Places:
        """Say where each bit of a conversion goes.

        Parameters
        ----------
        frame : Frame
            The conversion's own, to be the first that begins with a bit of it.
        comes : list of int or None, fs
            When the strobe of each bit comes; None if it is lost.

        Returns
        -------
        list of (Frame, int) or None
            The frame and the place of each bit; None if no strobe brings it.
        """
        places: Places = []
        last, own = 0, False
        for bit, time in enumerate(comes):
            if time is None:
                places.append(None)
                frame.harmed().hit |= 1 << Cause.STROBE
                continue
            if self.gap is not None and self.filling is not None and time - last > self.gap:
                self.end(self.filling, last)
            last = time
            if self.filling is None:
                begun = frame
                if own:
                    begun = Frame(
                        frame.index, frame.ready, self.trial.lanes, self.trial.bits, self.trial.data
                    )
                    begun.extra, begun.clock_start = True, frame.clock_start
                own = True
                begun.harmed().sources = []
                self.filling, self.filled = begun, 0
            begun = self.filling
            harm = begun.harmed()
            assert harm.sources is not None
            harm.sources.append((frame.index, bit))
            if begun.index != frame.index or bit != self.filled:
                harm.slipped = True
                harm.hit |= 1 << Cause.SLIP
                begun.wrong = begun.wrong or self.filled < begun.data
            places.append((begun, self.filled))
            self.filled += 1
            if self.filled == self.trial.bits:
                self.filling = None
        if self.gap is not None and self.filling is not None:
            self.end(self.filling, last)
        return places

    def end(self, frame: Frame, last: int) -> None:
        """Have a gap after the last strobe of a frame end it short."""
        assert self.gap is not None
        frame.lose(range(self.filled, self.trial.bits), Cause.STROBE)
        self.filling = None
        Instant(self.env, last + self.gap, FREE, self.fifo.close, frame)
