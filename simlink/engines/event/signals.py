"""Signals hold state; observers watch them.

A part has the signals that it drives. What happens once a conversion is set always, which costs
little while nobody watches; what happens once an edge is set only if the list of ``observers``
is not empty. Edges that only an observer could see, and on which nothing depends, are not even
events while there is none (`Signals.every_edge`).

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
from dataclasses import dataclass
from typing import Any, Protocol

from simlink.base.instants import Times
from simlink.engines.event.clockwork import Clockwork

#: Works out the edges of the strobe that come of some frames in a row, and how many.
EdgesOf = Callable[[list[Any]], tuple[Times, Times]]
Observer = Callable[[int, "Signal", int, "int | None", "int | None", "int | None", str], object]


@dataclass(slots=True, eq=False)
class Signal:
    """One signal: its name, its value, and who watches it."""

    env: Clockwork
    #: Such as ``"fifo.push[0]"``.
    name: str
    #: What it was last set to.
    value: int
    #: Called at each change, in the order in which they came; the lanes of one signal share it.
    observers: list[Observer]
    #: Of one that each lane has.
    lane: int | None = None

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
            observer(now, self, value, conversion, bit, since, why)

    def move(self, value: int, *whose: Any) -> None:
        """Take a value now; one that it has already is no change."""
        if value != self.value:
            self.set(value, *whose)


class Bursts(Protocol):
    """Who is told of a remote master's edges a frame at a time, in place of seeing each.

    What the strobe takes wrong is not judged then. Trial and frames are those of
    `simlink.engines.event.frame`, which knows signals.
    """

    def attach(self, env: Clockwork, trial: Any, edges_of: EdgesOf | None) -> None:
        """Learn where it is, ahead of a run, and whom to ask for the edges of the strobe."""

    def starts(self, frame: Any, first_wrong: bool) -> None:
        """Learn that a frame's clock starts, and whether its first bit is captured too early."""

    def reads(self, frame: Any, start: int) -> None:
        """Learn from when on a frame is clocked out by the host, in fs."""

    def ended(self, conversion: int) -> None:
        """Learn that nothing is asked for after what settles a conversion now."""


class Signals:
    """The signals of one chain."""

    def __init__(self, env: Clockwork) -> None:
        self.env = env
        #: Whether every edge is an event, also one on which nothing depends.
        self.every_edge = False
        #: Who is told of edges a frame at a time.
        self.bursts: Bursts | None = None
        #: Names each conversion once it has its fate and no bit of it is on its way.
        self.settled = Signal(env, "settled", -1, [])
        self._observers: dict[str, list[Observer]] = {}

    def make(self, name: str, value: int = 0) -> Signal:
        """Make a signal that is at a value before anything has happened."""
        return Signal(self.env, name, value, self._observers.setdefault(name, []))

    def lanes(self, name: str, lanes: int, value: int = 0) -> list[Signal]:
        """Make a signal for each lane."""
        observers = self._observers.setdefault(name, [])
        return [
            Signal(self.env, f"{name}[{lane}]", value, observers, lane) for lane in range(lanes)
        ]

    def observe(self, observer: Observer, *names: str) -> None:
        """Have signals watched from the start of a run, every one if none is named.

        The lanes of a signal go by one name; a name that the chain does not have is never set.
        """
        self.every_edge = True
        for name in names or self._observers:
            self._observers.setdefault(name, []).append(observer)

    def leave(self) -> None:
        """Have nobody watch any more."""
        for observers in self._observers.values():
            observers.clear()
