"""A trace of every signal over a window of conversions.

Signals hold their values, and observers see them change (`simlink.engines.event.signals`); a
trace is what one observer saw. Each change has the signal's new value:

======================  =========================================================================
``host.trigger``        a trigger leaves; value: its conversion
``host.busy``           1 or 0: made at the host where it triggers a remote master (a remote timer
                        raises no busy at the host), else the converter's busy as it arrives
``host.timeout``        the host gives a conversion up; value: the conversion
``host.service``        1 while the host serves, its latency included, else 0
``host.read``           the conversion whose frame is being read, -1 for none
``host.clock``          1 or 0, the host's clock, which reads the FIFO or is sent to the converter
``host.capture[l]``     a bit of lane l is captured; value: the bit, -1 - bit if it is wrong or was
                        not there
``barrier.lost``        a trigger that a transient hit would arrive, and does not; value: its
                        conversion
``remote.trigger``      a trigger arrives and is taken; value: its conversion
``remote.missed``       a trigger arrives and is missed; value: its conversion
``remote.ignored``      so does an edge that nobody sent; value: how many have come so far
``remote.busy``         1 or 0, the converter's busy
``remote.clock``        1 or 0, the serial clock at the converter
``remote.data[l]``      the bit that is valid on lane l, -1 while it changes, -2 while undriven; a
                        bit that no clock takes away stays until the next fall of busy
======================  =========================================================================

With a remote master, besides:

======================  =========================================================================
``fifo.push[l]``        a bit of lane l is pushed; value: the bit
``fifo.strobe``         1 or 0, the strobe beside the lanes as it arrives; no swallowed pulses
``fifo.level``          slots taken
``fifo.release``        a frame is released; value: its conversion
``fifo.overrun``        a frame is refused or discarded; value: its conversion
``remote.capture``      the bit captured by the remote master, -1 - bit if it is wrong
``remote.credit``       credits of a stalling master after one has arrived
``host.request``        a frame is asked for once more; value: its conversion
``remote.request``      that arrives; value: the conversion
``fifo.repeat``         a repeated frame is released; value: its conversion
======================  =========================================================================

Where the host's own clock reads the converter, besides:

======================  =========================================================================
``host.release``        a frame is released; value: its conversion
``host.returned``       1 or 0, the returned clock as it arrives at the host
``host.data[l]``        the bit of lane l that can be captured at the host, -1 while the line
                        changes, -2 while undriven
``remote.lost``         an unread frame is overwritten; value: its conversion
======================  =========================================================================
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, NamedTuple

from simlink.base.errors import InputError
from simlink.base.instants import NEVER
from simlink.engines.event.frame import Made, Met
from simlink.engines.event.signals import Bursts, Observer, Signal
from simlink.engines.event.wiring import Chain, blank
from simlink.link import content
from simlink.link.content import BitOutcome
from simlink.records import FrameBlock
from simlink.scenario.schema import Scenario

if TYPE_CHECKING:
    import pandas as pd


class Change(NamedTuple):
    """One change of a signal.

    Attributes
    ----------
    time : int
        When, in fs.
    signal : str
        Its name.
    value : int
        What it is from now on.
    conversion, lane, bit : int or None
        Whose edge it is.
    since : int or None
        When the edge came that caused it, in fs.
    why : str
        The signal of that edge; at a capture ``"right"``, ``"missing"`` or how the bit was
        captured wrong.
    """

    time: int
    signal: str
    value: int
    conversion: int | None
    lane: int | None
    bit: int | None
    since: int | None
    why: str

    @property
    def family(self) -> str:
        """The name of the signal without its lane."""
        return self.signal.partition("[")[0]


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
    record : FrameBlock
        The records of the trial, complete for the window.
    changes : list of Change
        Every change, with whose it is and what caused it; none are kept if others observe.
    mistaken : dict
        The bits that the strobe of a remote master took wrong, by (conversion, lane).
    met : list of Met
        The symbols that windows of common-mode events met, from the start of the trial.
    made : list of Made
        The edges that they made on channels that carried nothing, from the start of the trial.
    end : int or None
        When the last conversion of the window had its fate, in fs; None if one never has.
    """

    scenario: Scenario
    trial: int
    window: range
    record: FrameBlock
    changes: list[Change] = field(default_factory=list)
    mistaken: dict[tuple[int, int], list[int]] = field(default_factory=dict)
    met: list[Met] = field(default_factory=list)
    made: list[Made] = field(default_factory=list)
    end: int | None = None

    @cached_property
    def entries(self) -> list[tuple[int, str, int]]:
        """Instant in fs, signal and new value of every change."""
        return [change[:3] for change in self.changes]

    @cached_property
    def outcomes(self) -> dict[tuple[int, int], dict[int, BitOutcome]]:
        """How bits were captured wrong on their way, by (conversion, lane) and bit."""
        master = self.scenario.link.scheme == "remote_master"
        every = range(self.scenario.frame.lanes)
        found: dict[tuple[int, int], dict[int, BitOutcome]] = {}
        for _, signal, _, conversion, lane, bit, _, why in self.changes:
            if why == "right" or not signal.startswith(
                "remote.capture" if master else "host.capture"
            ):
                continue
            assert conversion is not None
            assert bit is not None
            if conversion in self.window:
                for one in every if lane is None else (lane,):
                    found.setdefault((conversion, one), {})[bit] = BitOutcome[why.upper()]
        for (conversion, lane), bits in self.mistaken.items():
            if conversion in self.window:
                wrongly = found.setdefault((conversion, lane), {})
                for bit in bits:
                    wrongly.setdefault(bit, BitOutcome.METASTABLE)
        return found

    def of(self, signal: str) -> list[tuple[int, int]]:
        """Return the (instant in fs, value) pairs of one signal."""
        return [(one.time, one.value) for one in self.changes if one.signal == signal]

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
                wrongly = self.outcomes.get((conversion, lane), {})
                got = content.received(sent, wrongly)
                for position, (true, found) in enumerate(
                    zip(
                        content.values(sent, frame.word_bits),
                        content.values(got, frame.word_bits),
                        strict=True,
                    )
                ):
                    wrong = sum(bit // frame.word_bits == position for bit in wrongly)
                    rows.append((conversion, lane, position, true, found, wrong))
        names = ["conversion", "lane", "position", "sent", "received", "wrong_bits"]
        return pd.DataFrame(rows, columns=names)

    @property
    def signals(self) -> list[str]:
        """The names of the signals that moved, sorted."""
        return sorted({change.signal for change in self.changes})

    def to_pandas(self) -> pd.DataFrame:
        """Return one row an entry: time (int64 fs), signal, value."""
        import pandas as pd

        return pd.DataFrame(self.entries, columns=["time", "signal", "value"])

    def __repr__(self) -> str:
        found = f"{len(self.changes)} entries on {len(self.signals)} signals"
        return f"Trace of board {self.trial}, conversions {self.window}: {found}"

    def _repr_html_(self) -> str:
        return self.to_pandas().to_html()


class _Window:
    """Watches a chain from the first trigger of a window until its conversions are settled."""

    def __init__(
        self,
        chain: Chain,
        trace: Trace,
        observers: Mapping[str, Observer] | None,
        bursts: Bursts | None,
    ) -> None:
        self.chain = chain
        self.trace = trace
        self.unsettled = set(trace.window)
        self.open = False
        self.trigger = chain.timer.trigger
        if chain.strobe is not None:
            trace.mistaken = chain.strobe.mistaken
        chain.trial.met, chain.trial.made = trace.met, trace.made
        # Signals are watched from the start, so that each change in the window is one.
        if observers is None:
            chain.signals.observe(self.keep)
        for name, observer in (observers or {}).items():
            chain.signals.observe(observer, name)
        if bursts is not None:
            chain.signals.bursts, chain.signals.every_edge = bursts, False
            edges_of = None if chain.strobe is None else chain.strobe.edges_of
            bursts.attach(chain.env, chain.trial, edges_of)
        chain.signals.settled.observers.append(self.settled)

    def keep(
        self,
        time: int,
        signal: Signal,
        value: int,
        conversion: int | None,
        bit: int | None,
        since: int | None,
        why: str,
    ) -> None:
        """Keep one change in the window, which its first trigger opens."""
        if signal is self.trigger and value in self.trace.window:
            self.open = True
        if self.open:
            self.trace.changes.append(
                Change(time, signal.name, value, conversion, signal.lane, bit, since, why)
            )

    def settled(self, time: int, signal: Signal, value: int, *_: object) -> None:
        """Close the window once every conversion in it has its fate."""
        if value in self.unsettled:
            self.unsettled.remove(value)
            if not self.unsettled:
                self.trace.end = time
                self.chain.signals.leave()
                if self.chain.signals.bursts is not None:
                    self.chain.signals.bursts.ended(value)
                self.chain.env.stop()

    def run(self) -> None:
        """Run until the window has closed and its timeouts are decided, or to the end."""
        chain, window = self.chain, self.trace.window
        env, timer = chain.env, chain.timer
        env.run()
        if timer.timeout is not None:
            until = int(chain.trial.record.trigger[window].max()) + timer.timeout
            while timer.last_released < window[-1] and env.peek() <= until:
                env.step()
        chain.settle()


def check_window(scenario: Scenario, window: range) -> None:
    """Refuse a window of conversions that is empty or not in the scenario."""
    if not 0 <= window.start < window.stop <= scenario.conversions or window.step != 1:
        allowed = f"a window within 0:{scenario.conversions}"
        wanted = f"{window.start}:{window.stop}"
        raise InputError(scenario.name, "conversions", wanted, allowed)


def trace(
    scenario: Scenario,
    conversions: range | None = None,
    trial: int = 0,
    observers: Mapping[str, Observer] | None = None,
    bursts: Bursts | None = None,
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
    observers : mapping of str to Observer, optional
        Who sees which signal, lanes under one name, until the window closes; nothing is kept
        then, nor are the words' times recorded.
    bursts : Bursts, optional
        Who is told of the edges of clocks and lines a frame at a time; nobody else may see them,
        and the records do not say what a strobe takes wrong.

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
    check_window(scenario, window)
    if not 0 <= trial < scenario.trials:
        raise InputError(scenario.name, "trial", str(trial), f"0 to {scenario.trials - 1}")
    found = Trace(scenario, trial, window, blank(scenario, trial, words=observers is None))
    _Window(Chain(scenario, trial, found.record), found, observers, bursts).run()
    return found
