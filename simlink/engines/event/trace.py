"""A trace of every signal over a window of conversions.

The traced parts are the plain ones with a note at each happening; a run without a trace is made
of the plain parts and pays nothing.

Signals, all with the instant, the signal's name and its new value:

======================  =========================================================================
``host.trigger``        a trigger leaves; value: its conversion
``host.busy``           1 or 0 (a host timer alone; a remote timer raises no busy at the host)
``host.timeout``        the host gives a conversion up; value: the conversion
``host.service``        1 while the host serves, its latency included, else 0
``host.read``           the conversion whose frame is being read, -1 for none
``host.clock``          1 or 0, the clock that reads the FIFO
``host.take[l]``        a bit of lane l is taken; value: the bit, -1 - bit if it was not there
``fifo.push[l]``        a bit of lane l is pushed; value: the bit
``fifo.level``          slots taken
``fifo.release``        a frame is released; value: its conversion
``fifo.overrun``        a frame is refused or discarded; value: its conversion
``remote.trigger``      a trigger arrives and is taken; value: its conversion
``remote.missed``       a trigger arrives and is missed; value: its conversion
``remote.busy``         1 or 0, the converter's busy
``remote.clock``        1 or 0, the remote serial clock
``remote.data[l]``      the bit that is valid on lane l, -1 while it changes, -2 while undriven
``remote.capture``      the bit captured by the remote master, -1 - bit if it is wrong
``remote.credit``       credits of a stalling master after one has arrived
======================  =========================================================================
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from simlink.draws import once
from simlink.engines.event import fifo, host, remote
from simlink.engines.event.clockwork import EDGE, SERVICE, Clockwork, Instant
from simlink.engines.event.frame import Frame, Trial
from simlink.engines.event.wiring import Chain
from simlink.errors import InputError
from simlink.instants import NEVER
from simlink.parts import content, data_line, unit
from simlink.parts import host as host_rules
from simlink.parts.content import Taken
from simlink.records import FrameBlock

if TYPE_CHECKING:
    import pandas as pd

    from simlink.scenario.loading import Scenario


#: Takes an instant in fs, a signal and its new value.
Sink = Callable[[int, str, int], object]


@dataclass(repr=False)
class Trace:
    """What happened on every signal, in the order in which it happened.

    Attributes
    ----------
    scenario : Scenario
        What was traced.
    trial : int
        Which unit.
    window : range
        The conversions that the trace covers.
    entries : list of (int, str, int)
        Instant in fs, signal, new value; none are kept if there is a sink.
    sink : callable, optional
        What takes each entry as it happens.
    record : FrameBlock
        The records of the trial, complete for the window.
    """

    scenario: Scenario
    trial: int
    window: range
    record: FrameBlock
    entries: list[tuple[int, str, int]] = field(default_factory=list)
    #: How wrong bits were taken, by (conversion, lane) and bit.
    taken: dict[tuple[int, int], dict[int, Taken]] = field(default_factory=dict)
    sink: Sink | None = field(default=None, repr=False, compare=False)

    def keep(self, time: int, signal: str, value: int) -> None:
        """Keep one entry."""
        self.entries.append((time, signal, value))

    def of(self, signal: str) -> list[tuple[int, int]]:
        """Return the (instant in fs, value) pairs of one signal."""
        return [(time, value) for time, name, value in self.entries if name == signal]

    def words(self) -> pd.DataFrame:
        """Return one row a word of the window that was read: its value as sent and as received.

        Returns
        -------
        pandas.DataFrame
            Columns conversion, lane, position, sent, received, wrong_bits.
        """
        import pandas as pd

        frame, rows = self.scenario.frame, []
        for conversion in self.window:
            if self.record.read_end[0, conversion] == NEVER:
                continue
            for lane in range(frame.lanes):
                sent = content.lane_bits(self.scenario, self.trial, conversion, lane)
                taken = self.taken.get((conversion, lane), {})
                got = content.received(sent, taken)
                for position, (true, found) in enumerate(
                    zip(
                        content.values(sent, frame.word_bits),
                        content.values(got, frame.word_bits),
                        strict=True,
                    )
                ):
                    wrong = sum(bit // frame.word_bits == position for bit in taken)
                    rows.append((conversion, lane, position, true, found, wrong))
        names = ["conversion", "lane", "position", "sent", "received", "wrong_bits"]
        return pd.DataFrame(rows, columns=names)

    @property
    def signals(self) -> list[str]:
        """The names of the signals that moved, sorted."""
        return sorted({name for _, name, _ in self.entries})

    def to_pandas(self) -> pd.DataFrame:
        """Return one row an entry: time (int64 fs), signal, value."""
        import pandas as pd

        return pd.DataFrame(self.entries, columns=["time", "signal", "value"])

    def __repr__(self) -> str:
        found = f"{len(self.entries)} entries on {len(self.signals)} signals"
        return f"Trace of unit {self.trial}, conversions {self.window}: {found}"

    def _repr_html_(self) -> str:
        return self.to_pandas().to_html()


#: ``host.read`` while no frame is read.
NO_FRAME = -1


class Recorder:
    """Notes entries while the window is open."""

    def __init__(self, env: Clockwork, trace: Trace) -> None:
        self.env = env
        self.trace = trace
        self.sink: Sink = trace.sink or trace.keep
        self.open = False
        self.closed = False
        self.unsettled = set(trace.window)
        self._levels: dict[str, int] = {}

    def take(self, conversion: int, lane: int, bit: int, how: Taken) -> None:
        """Remember a bit that was not taken right, in a trace that keeps what it sees."""
        if self.trace.sink is not None:
            return
        if how is not Taken.RIGHT and conversion in self.trace.window:
            self.trace.taken.setdefault((conversion, lane), {})[bit] = how

    def level(self, signal: str, value: int) -> None:
        """Note that a line that idles at 0 is at a level now, if it was not before."""
        if self._levels.get(signal, 0) != value:
            self._levels[signal] = value
            self.note(signal, value)

    def note(self, signal: str, value: int) -> None:
        """Note that a signal takes a value now."""
        if self.open:
            self.sink(self.env.now, signal, value)

    def sent(self, index: int) -> None:
        """Open the window with its first trigger."""
        if index in self.trace.window:
            self.open = not self.closed

    def settled(self, index: int) -> None:
        """Close the window once every conversion in it has its fate."""
        self.unsettled.discard(index)
        if not self.unsettled:
            self.open, self.closed = False, True


class TracedTimer(host.TriggerTimer):
    """The trigger timer, noting triggers, busy and timeouts."""

    recorder: Recorder

    def _busy(self, level: bool) -> None:
        if self.from_host:
            self.recorder.level("host.busy", int(level))

    def leave(self, index: int) -> None:
        """Note the trigger and the rise of busy."""
        self.recorder.sent(index)
        self.recorder.note("host.trigger", index)
        self._busy(True)
        super().leave(index)

    def released(self, frame: Frame) -> bool:
        """Note the fall of busy."""
        falls = super().released(frame)
        if falls:
            self._busy(False)
        return falls

    def give_up(self, index: int) -> None:
        """Note the timeout."""
        self.recorder.note("host.timeout", index)
        if index >= self.last_sent:
            self._busy(False)
        super().give_up(index)


class TracedConverter(remote.Converter):
    """The converter, noting its triggers and busy."""

    recorder: Recorder

    def miss(self, index: int) -> None:
        """Note a missed trigger."""
        self.recorder.note("remote.missed", index)
        super().miss(index)
        self.recorder.settled(index)

    def accept(self, index: int) -> None:
        """Note a trigger that is taken."""
        self.recorder.note("remote.trigger", index)
        super().accept(index)

    def busy_rises(self, event: Instant) -> None:
        """Note busy rising, unless it would rise no earlier than its own fall."""
        if event.payload.ready > self.env.now:
            self.recorder.level("remote.busy", 1)


class TracedMaster(remote.RemoteMaster):
    """The remote master, noting its clock."""

    recorder: Recorder

    def ready(self, frame: Frame) -> None:
        """Note busy falling, if it had risen, and the first bit coming."""
        self.recorder.level("remote.busy", 0)
        assert isinstance(self.channels, TracedChannels)
        self.channels.ready()

    def rise(self, frame: Frame, bit: int) -> None:
        """Note a rising edge, and the capture if it is this one that captures."""
        self.recorder.note("remote.clock", 1)
        if self.half:
            self._captured(frame, bit)

    def fall(self, frame: Frame, bit: int) -> None:
        """Note a falling edge, and the capture if it is this one that captures."""
        self.recorder.note("remote.clock", 0)
        if not self.half:
            self._captured(frame, bit)

    def _captured(self, frame: Frame, bit: int) -> None:
        early = frame.wrong and bit == 0
        wrong = early or self.trial.wrong_later[bit]
        if wrong:
            # Too early is the bit before; past its hold, a bit is already the next one.
            past = not early and self.trial.past_hold[bit]
            for lane in range(self.trial.lanes):
                self.recorder.take(frame.index, lane, bit, Taken.NEXT if past else Taken.FORMER)
        self.recorder.note("remote.capture", -1 - bit if wrong else bit)

    def credit(self, event: Instant) -> None:
        """Note a credit."""
        super().credit(event)
        self.recorder.note("remote.credit", self.credits)


class TracedChannels(remote.ReturnChannels):
    """The return channels, noting the converter's data lines ahead of them."""

    recorder: Recorder
    #: Whether the first bit of the frame that is clocked out has gone from the line.
    launched = False
    data_valid: int
    data_hold: int

    def ready(self) -> None:
        """Note that the first bit is being put on the lines."""
        self.launched = False
        valid = self.trial.msb_valid
        self._line(data_line.CHANGING if valid else 0)
        if valid:
            Instant(self.env, self.env.now + valid, EDGE, self._first_bit)

    def _first_bit(self, event: Instant) -> None:
        if not self.launched:
            self._line(0)

    def open(self, frame: Frame, start: int) -> Callable[[int], None]:
        """Plan to note what the launching edges of the frame do to the lines."""
        bits = data_line.launched(np.array(self.trial.falling), self.data_valid, self.data_hold)
        for offset, now in data_line.line_changes(*bits):
            Instant(self.env, start + offset, EDGE, self._launched, now)
        return super().open(frame, start)

    def _launched(self, event: Instant) -> None:
        self.launched = True
        self._line(event.payload)

    def _line(self, now: int) -> None:
        for lane in range(self.trial.lanes):
            self.recorder.note(f"remote.data[{lane}]", now)


class TracedFifo(fifo.Fifo):
    """The FIFO, noting pushes, its filling, releases and overruns."""

    recorder: Recorder

    def store(self, event: Instant) -> None:
        """Note the bits pushed."""
        frame, lane, first, last = event.payload
        super().store(event)
        if frame.admitted:
            for bit in range(first, last + 1):
                self.recorder.note(f"fifo.push[{lane}]", bit)
            if frame.missing == 0 and self.record.read_end[0, frame.index] != NEVER:
                self.recorder.settled(frame.index)

    def judge(self, frame: Frame) -> None:
        """Note the filling after an arrival."""
        super().judge(frame)
        if frame.admitted:
            self.recorder.note("fifo.level", len(self.held))

    def refuse(self, frame: Frame) -> None:
        """Note an overrun."""
        super().refuse(frame)
        self.recorder.note("fifo.overrun", frame.index)
        self.recorder.settled(frame.index)

    def discard(self, frame: Frame) -> None:
        """Note an overrun."""
        super().discard(frame)
        self.recorder.note("fifo.overrun", frame.index)
        self.recorder.settled(frame.index)

    def release(self, event: Instant) -> None:
        """Note a release."""
        if not event.payload.discarded:
            self.recorder.note("fifo.release", event.payload.index)
        super().release(event)

    def free(self, frame: Frame) -> None:
        """Note the filling after a slot is freed."""
        super().free(frame)
        self.recorder.note("fifo.level", len(self.held))


class TracedReader(host.Reader):
    """The reader, noting its services, reads, clock and the bits it takes."""

    recorder: Recorder
    #: Frames of the group in hand whose read has not begun.
    to_read: deque[Frame]
    #: The end of a group that may be followed by another without a new service.
    reading_until = NEVER

    def group(self, size: int) -> list[Frame]:
        """Note a service that begins or ends, and the start of its first read."""
        now = self.env.now
        further = self.reading_until == now
        frames = super().group(size)
        self.recorder.level("host.service", int(bool(frames)))
        self.to_read = deque(frames)
        if frames:
            # A draw belongs to its frame, so asking for it here moves no other.
            latency = 0 if further else self.latency(frames[0].index)
            Instant(self.env, host_rules.reads_from(now, latency), SERVICE, self._starts)
        return frames

    def _starts(self, event: Instant) -> None:
        self.recorder.note("host.read", self.to_read.popleft().index)

    def take(self, frame: Frame, bit: int) -> None:
        """Note a rising clock edge and the bits taken."""
        self.recorder.note("host.clock", 1)
        for lane, pushed in enumerate(frame.pushed):
            self.recorder.note(f"host.take[{lane}]", bit if pushed > bit else -1 - bit)
        super().take(frame, bit)

    def fall(self, frame: Frame, bit: int) -> None:
        """Note a falling clock edge."""
        self.recorder.note("host.clock", 0)

    def finish(self, frame: Frame) -> None:
        """Note the last falling clock edge, and the end of a service that reads no further."""
        self.recorder.note("host.clock", 0)
        more = bool(self.to_read)
        following = self.to_read.popleft().index if more else NO_FRAME
        self.recorder.note("host.read", following)
        # With read_all the next group, fixed at this very instant, waits for no new latency.
        self.reading_until = self.env.now if self.read_all and not more else NEVER
        super().finish(frame)
        if not self.read_all and frame is self.last_frame:
            self.recorder.level("host.service", 0)
        if frame.missing == 0:
            self.recorder.settled(frame.index)


class TracedChain(Chain):
    """The chain made of traced parts."""

    timer_part = TracedTimer
    converter_part = TracedConverter
    master_part = TracedMaster
    channels_part = TracedChannels
    fifo_part = TracedFifo
    reader_part = TracedReader

    def __init__(self, trial: Trial, record: FrameBlock, trace: Trace) -> None:
        super().__init__(trial, record)
        self.recorder = Recorder(self.env, trace)
        parts: tuple[Any, ...] = (
            self.timer,
            self.converter,
            self.master,
            self.channels,
            self.fifo,
            self.reader,
        )
        for part in parts:
            part.recorder = self.recorder
        assert isinstance(self.channels, TracedChannels)
        law, seed = trial.scenario.converter, trial.scenario.seed
        for name in ("data_valid", "data_hold"):
            value = once(getattr(law, name), seed, trial.number, f"converter.{name}")
            setattr(self.channels, name, value)

    def run(self) -> None:
        """Run until the window has closed and its timeouts are decided, or to the end."""
        run_window(self, self.recorder)


def run_window(chain: Chain, recorder: Recorder) -> None:
    """Run a chain until its recorder's window has closed and its timeouts are decided."""
    env, timer = chain.env, chain.timer
    step: Callable[[], None] = env.step
    while not recorder.closed and env.peek() != float("inf"):
        step()
    if timer.timeout is not None:
        window = recorder.trace.window
        until = int(chain.record.trigger[0, window].max()) + timer.timeout
        while timer.last_released < window[-1] and env.peek() <= until:
            step()
    chain.settle()


def trace(
    scenario: Scenario,
    conversions: range | None = None,
    trial: int = 0,
    sink: Sink | None = None,
) -> Trace:
    """Simulate one unit and keep every signal over a window of conversions.

    Parameters
    ----------
    scenario : Scenario
        What to simulate.
    conversions : range, optional
        Which conversions; by default the first four.
    trial : int
        Which unit.
    sink : callable, optional
        Takes every entry as it happens; nothing is kept then, nor are the words' times recorded.

    Returns
    -------
    Trace
        From the first trigger of the window until each of its conversions has its fate.

    Raises
    ------
    InputError
        If the window or the trial is not in the scenario.
    """
    window = range(min(4, scenario.conversions)) if conversions is None else conversions
    if not (0 <= window.start < window.stop <= scenario.conversions) or window.step != 1:
        raise InputError(
            scenario.name,
            "conversions",
            f"{window.start}:{window.stop}",
            f"a window within 0:{scenario.conversions}",
        )
    if not 0 <= trial < scenario.trials:
        raise InputError(scenario.name, "trial", str(trial), f"0 to {scenario.trials - 1}")
    units = unit.build(scenario, range(trial, trial + 1))
    shape = (scenario.frame.lanes, scenario.frame.words_per_lane) if sink is None else None
    record = FrameBlock.blank(units.trials, 0, scenario.conversions, shape)
    found = Trace(scenario, trial, window, record, sink=sink)
    _traced_chain(scenario)(Trial(scenario, units, trial), record, found).run()
    return found


def _traced_chain(scenario: Scenario) -> Callable[[Trial, FrameBlock, Trace], Chain]:
    if scenario.link.scheme == "remote_master":
        return TracedChain
    from simlink.engines.event.serial_trace import TracedSerialChain

    return TracedSerialChain
