"""Signals hold state; observers watch them.

A part has the signals that it drives. It sets them only while somebody observes, which it asks
once (`Signals.observed`); with nobody there, edges on which nothing depends are not even events.

An observer is called for each change with::

    observer(time, signal, value, conversion, bit, since, why)

time : int, fs
    Now.
signal : Signal
    What changes; its name and lane are attributes.
value : int
    Its new value, as listed in `simlink.tracing.trace`.
conversion, bit : int or None
    Whose edge it is, in truth; the parts themselves may take it for another.
since : int or None, fs
    When the edge came that caused this one.
why : str
    The signal of that edge; at a capture, how the bit was captured (a `BitOutcome` in lower
    case).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from simlink.engines.event.clockwork import Clockwork

Observer = Callable[[int, "Signal", int, "int | None", "int | None", "int | None", str], object]


class Signal:
    """One signal: its name, its value, and who watches it.

    Attributes
    ----------
    name : str
        Such as ``"fifo.push[0]"``.
    lane : int or None
        Of one that each lane has.
    value : int
        What it was last set to.
    observers : list of Observer
        Called at each change, in the order in which they came.
    """

    __slots__ = ("env", "lane", "name", "observers", "value")

    def __init__(self, env: Clockwork, name: str, lane: int | None, value: int) -> None:
        self.env = env
        self.name = name if lane is None else f"{name}[{lane}]"
        self.lane = lane
        self.value = value
        self.observers: list[Observer] = []

    def set(
        self,
        value: int,
        conversion: int | None = None,
        bit: int | None = None,
        since: int | None = None,
        why: str = "",
    ) -> None:
        """Take a value now, and tell the observers."""
        self.value = value
        now = self.env._now
        for observer in self.observers:
            observer(now, self, value, conversion, bit, since, why)  # type: ignore[arg-type]

    def move(self, value: int, *whose: Any) -> None:
        """Take a value now; one that it has already is no change."""
        if value != self.value:
            self.set(value, *whose)


class Signals:
    """The signals of one chain.

    Attributes
    ----------
    observed : bool
        Whether anybody watches: parts set their signals only then.
    settled : Signal
        Names each conversion once it has its fate and no bit of it is on its way.
    """

    def __init__(self, env: Clockwork) -> None:
        self.env = env
        self.observed = False
        self.settled = Signal(env, "settled", None, -1)
        self._signals: dict[str, Signal] = {}

    def make(self, name: str, value: int = 0, lane: int | None = None) -> Signal:
        """Make a signal that is at a value before anything has happened."""
        signal = Signal(self.env, name, lane, value)
        self._signals[signal.name] = signal
        return signal

    def lanes(self, name: str, lanes: int, value: int = 0) -> list[Signal]:
        """Make a signal for each lane."""
        return [self.make(name, value, lane) for lane in range(lanes)]

    def __getitem__(self, name: str) -> Signal:
        """Return a signal by its name."""
        return self._signals[name]

    def observe(self, observer: Observer) -> None:
        """Have every signal watched by an observer."""
        self.observed = True
        for signal in self._signals.values():
            signal.observers.append(observer)

    def forget(self, observer: Observer) -> None:
        """Let an observer go; parts keep setting their signals."""
        for signal in self._signals.values():
            signal.observers.remove(observer)
