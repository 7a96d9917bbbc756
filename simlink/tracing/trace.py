"""A trace of every signal over a window of conversions.

The traced parts are the plain ones with a note at each happening; a run without a trace is made
of the plain parts and pays nothing.

The signals, each noted with its instant and its new value, are listed beside the traced parts:
`remote_trace` for the remote master, `serial_trace` for the two other schemes.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from simlink.base.errors import InputError
from simlink.base.instants import NEVER
from simlink.engines.event.clockwork import Clockwork
from simlink.engines.event.frame import Trial
from simlink.engines.event.wiring import Chain
from simlink.link import content, unit
from simlink.link.content import BitOutcome
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
        from simlink.engines.event.remote_trace import TracedChain

        return TracedChain
    from simlink.engines.event.host_clocked_trace import TracedSerialChain

    return TracedSerialChain
