"""The converter: what it does with a trigger that arrives, its busy, and its data lines."""

from __future__ import annotations

from typing import Protocol

from simlink.base.instants import FAR, Times
from simlink.engines.event.clockwork import ARRIVE, EDGE, Instant
from simlink.engines.event.frame import Frame, Part, Trial
from simlink.engines.event.signals import Signals
from simlink.link import check, converter, line
from simlink.link.fate import MISSED_TRIGGER, NOT_RECEIVED


class Master(Protocol):
    """Whoever sees busy fall at the converter, and clocks the frame out."""

    def ready(self, frame: Frame) -> None:
        """Busy falls."""


class SamplingConverter(Part):
    """Takes or misses each arriving trigger, and starts the conversion of one that it takes.

    Attributes
    ----------
    occupied_until : int, fs
        When conversion and readout end, or ended; `FAR` as long as that is open.
    """

    def __init__(self, trial: Trial) -> None:
        super().__init__(trial)
        law, signals = trial.scenario.converter, trial.signals
        self.aperture_jitter = trial.each(law.aperture_jitter, "converter.aperture_jitter")
        self.busy_delay = trial.each(law.busy_delay, "converter.busy_delay")
        self.conversion_time = trial.each(law.conversion_time, "converter.conversion_time")
        self.acquisition_time: int = trial.unit.acquisition_time
        self.occupied_until = -FAR
        #: The last trigger that has come, or would have.
        self.arrived = -1
        #: Triggers that have come, missed ones too, and how many of them nobody sent.
        self.arrivals = self.false = 0
        self.ready_before = -FAR
        self.trigger = signals.make("remote.trigger")
        self.missed = signals.make("remote.missed")
        self.ignored = signals.make("remote.ignored")
        self.never_came = signals.make("barrier.lost")
        self.busy = signals.make("remote.busy")

    def arrive(self, index: int, sent: int) -> None:
        """Judge a trigger at the instant it arrives."""
        self.arrived = index
        if self.trial.counters is not None:
            self.count(index, self.trial.counters)
        self.arrivals += 1
        if converter.accepts(self.env._now, self.occupied_until):
            self.trigger.set(index, index, None, sent, "host.trigger")
            self.accept(index)
        else:
            self.miss(index, sent)

    def count(self, index: int, counters: Times) -> None:
        """Have the counter of a trigger's frame show what has come ahead of it."""
        counters[index] = self.arrivals
        width, sent = self.trial.layout.sequence, self.arrivals - self.false
        error = check.counter(width, self.arrivals) ^ check.counter(width, sent)
        self.record.counter_error[index] = error

    def lose(self, index: int, sent: int) -> None:
        """Never see a trigger that was lost on its way."""
        self.arrived = index
        self.record.fate[index] = NOT_RECEIVED
        self.never_came.set(index, index, None, sent, "host.trigger")
        self.signals.settled.set(index)

    def miss(self, index: int, sent: int) -> None:
        """Let a trigger go by."""
        self.record.fate[index] = MISSED_TRIGGER
        self.missed.set(index, index, None, sent, "host.trigger")
        self.signals.settled.set(index)

    def false_trigger(self) -> bool:
        """Take an edge that nobody sent for a trigger, if free; return whether it does.

        The counter of frames counts it like any other.
        """
        free, ahead = converter.accepts(self.env.now, self.occupied_until), self.arrivals
        self.arrivals, self.false = self.arrivals + 1, self.false + 1
        if free:
            index = self.trial.stray_index()
            self.trial.counters_apart[index] = ahead
            self.trigger.set(index, index, None, None, "host.trigger")
            self.accept(index)
        else:
            self.ignored.set(self.false)
        return free

    def accept(self, index: int) -> None:
        """Take a trigger."""
        raise NotImplementedError

    def sample(self, index: int) -> Frame:
        """Take the sample now; return its frame, which knows when busy will fall."""
        trial, now = self.trial, self.env.now
        ready = converter.ready_at(now, self.conversion_time(index))
        frame = trial.frame(index, ready)
        if index < 0:
            trial.unrequested(frame, self.arrived).paid = True
        record, row = frame.record, frame.row
        if converter.short_acquisition(now, self.ready_before, self.acquisition_time):
            record.short_acquisition[row] = True
        record.aperture[row] = aperture = converter.samples_at(now, self.aperture_jitter(index))
        record.ready[row] = self.ready_before = ready
        if index < 0 and trial.words is not None:
            trial.words.apertures[index] = aperture
        self.occupied_until = FAR
        return frame

    def plan_rise(self, frame: Frame) -> None:
        """Have busy rise, if the conversion is not over before."""
        rises = self.env.now + self.busy_delay(frame.index)
        if converter.shows_rise(rises, frame.ready):
            Instant(self.env, rises, ARRIVE, self.busy_rises, frame, self.env.now)

    def busy_rises(self, frame: Frame, arrived: int) -> None:
        """Busy rises at the converter."""
        self.busy.set(1, frame.index, None, arrived, "remote.trigger")

    def show_fall(self, frame: Frame) -> None:
        """Show the fall of busy, if it had risen."""
        arrived = frame.ready - self.conversion_time(frame.index)
        self.busy.move(0, frame.index, None, arrived, "remote.trigger")


class Converter(SamplingConverter):
    """The converter of a remote master: busy rises, and falls when the word is ready."""

    def __init__(self, trial: Trial, master: Master) -> None:
        super().__init__(trial)
        self.master = master
        self.lines = ConverterLines(trial)

    def accept(self, index: int) -> None:
        """Take the sample and start the conversion."""
        frame = self.sample(index)
        if self.signals.every_edge or self.busy.observers:
            # Nobody else sees this edge: the remote master waits for the fall.
            self.plan_rise(frame)
        Instant(self.env, frame.ready, EDGE, self.busy_falls, frame)

    def busy_falls(self, frame: Frame, _: None) -> None:
        """Busy falls: the frame can be clocked out."""
        self.show_fall(frame)
        if self.lines.observers:
            self.lines.ready(frame)
        self.master.ready(frame)

    def clocked_from(self, frame: Frame, start: int) -> None:
        """Be clocked from an instant on, until the last falling edge."""
        self.occupied_until = start + self.trial.unit.readout
        if self.lines.observers:
            launches = [start + falling for falling in self.trial.falling]
            self.lines.launched(frame, launches)


class DataLines:
    """Data lines at one place, shown to observers as what is on them changes.

    Every frame has its own bits put on the lines in order; once a later frame has come to a line,
    nothing more of an earlier one shows on it.
    """

    def __init__(self, signals: Signals, name: str, lanes: int) -> None:
        self.lines = signals.lanes(name, lanes, line.UNDRIVEN)
        self.observers = self.lines[0].observers
        self.frames = [-1] * lanes
        #: Of conversions, and of frames of none, the last that has come to each line.
        self.latest = [[-1, -1] for _ in range(lanes)]
        #: Whether the first bit of the frame that is on the line has been taken away.
        self.first_gone = [False] * lanes

    def comes(self, lane: int, index: int, value: int, *cause: object) -> None:
        """Bring a frame's first bit to a line, or let the line change ahead of it."""
        number, apart = max(index, -1 - index), index < 0
        if number > self.latest[lane][apart]:
            self.latest[lane][apart] = number
            self.frames[lane], self.first_gone[lane] = index, False
            if self.lines[lane].value != line.UNDRIVEN:
                # The same bit of the next frame is another one.
                self.show(lane, index, line.CHANGING, *cause)
        if index == self.frames[lane] and not self.first_gone[lane]:
            self.show(lane, index, value, *cause)

    def moves(self, lane: int, index: int, value: int, *cause: object) -> None:
        """Let a launching edge have its way on a line."""
        if index == self.frames[lane]:
            self.first_gone[lane] = True
            self.show(lane, index, value, *cause)

    def show(self, lane: int, index: int, value: int, *cause: object) -> None:
        """Show what is on a line now."""
        self.lines[lane].move(value, index, value if value >= 0 else None, *cause)


class ConverterLines(DataLines):
    """The data lines as the converter drives them."""

    def __init__(self, trial: Trial) -> None:
        super().__init__(trial.signals, "remote.data", trial.lanes)
        self.env, self.unit = trial.env, trial.unit

    def ready(self, frame: Frame) -> None:
        """Put the first bit on the lines, as busy falls."""
        valid = self.unit.msb_valid
        self.first_bit(frame, line.CHANGING if valid else 0)
        if valid:
            Instant(self.env, frame.ready + valid, EDGE, self.first_bit, frame, 0)

    def first_bit(self, frame: Frame, value: int) -> None:
        """Bring the first bit, or let the lines change ahead of it."""
        for lane in range(len(self.lines)):
            self.comes(lane, frame.index, value, frame.ready, "remote.busy")

    def launched(self, frame: Frame, launches: list[int]) -> None:
        """Plan what launching edges do to the lines."""
        unit = self.unit
        bits = line.launched(launches, unit.data_valid, unit.data_hold, frame.ready)
        for time, value, edge in line.line_changes(*bits):
            Instant(self.env, time, EDGE, self.launch, frame.index, (value, launches[edge]))

    def launch(self, index: int, change: tuple[int, int]) -> None:
        """Let a launching edge have its way on the lines."""
        value, edge = change
        for lane in range(len(self.lines)):
            self.moves(lane, index, value, edge, "remote.clock")
