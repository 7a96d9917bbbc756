"""Writes a dump as the simulation goes on: nothing of a run is kept but what holds right now.

The format is that of IEEE Std 1364-2001, clause 18 (from memory): a header with the timescale,
scopes and variables, then instants (``#12``) and the values that change at each: scalars without
a space before the identifier code (``1!``), vectors and reals with one (``b101 "``, ``r0.5 #``).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from typing import IO, TYPE_CHECKING, ClassVar

from simlink.link import content
from simlink.waveform import timescale
from simlink.waveform.signals import CHANGING, NO_FRAME, UNDRIVEN, Kind, Signal, signals_of

if TYPE_CHECKING:
    from simlink.scenario.schema import Scenario

#: What an own dump ends with, so that one cut off is told from a whole one.
CLOSING = "$comment end of dump $end"
#: In the version of an own dump.
MAKER = "simlink"

_CODES = [chr(code) for code in range(33, 127) if chr(code) not in "#$"]
_LINES = 4096


def identifier(number: int) -> str:
    """Return the identifier code of a variable: printable characters, shortest first.

    # and $ would do too, but begin instants and keywords elsewhere.
    """
    code = ""
    number += 1
    while number:
        number, place = divmod(number - 1, len(_CODES))
        code += _CODES[place]
    return code


def vector(value: int) -> str:
    """Return a vector's value, without leading zeros: a reader extends it to the left."""
    return f"b{value:b}"


#: What stands for the values that are no numbers.
_NO_FRAME = {NO_FRAME: "bz "}
_NOT_VALID = {UNDRIVEN: "bz ", CHANGING: "bx "}


def _number(value: int, special: dict[int, str]) -> str:
    return special.get(value) or f"{vector(value)} "


def unspoilt(text: str) -> str:
    """Return text that fits in a comment: printable ASCII without anything like a keyword."""
    return "".join(c if " " <= c <= "~" and c != "$" else "?" for c in text)


class DumpWriter:
    """Writes the changes of some signals; its `note` is a sink for the trace.

    Parameters
    ----------
    file : text file
        Where it goes.
    scenario : Scenario
        What is simulated.
    trial : int
        Which unit.
    signals : iterable of Signal
        Those of its signals that are dumped.
    step : int
        The timescale in fs; instants are rounded to the nearest step, half a step up.
    first : int
        The conversion whose trigger opens the dump.
    constants : dict of str to float
        Reals that never change, by their references.
    comment : str
        What the header says about it.
    version : str
        Of the program.
    """

    def __init__(
        self,
        file: IO[str],
        scenario: Scenario,
        trial: int,
        signals: Iterable[Signal],
        *,
        step: int = 1,
        first: int = 0,
        constants: dict[str, float] | None = None,
        comment: str = "",
        version: str = "",
    ) -> None:
        self._file = file
        self._scenario = scenario
        self._trial = trial
        self._signals = list(signals)
        self._step = step
        self._first = first
        self._constants = constants or {}
        self._comment = comment
        self._version = version
        self._lines: list[str] = []
        self._started = False
        self._time: int | None = None
        self._origin = 0
        self._codes: dict[str, str] = {}
        self._values: dict[str, str] = {}
        every = (signal.name for signal in signals_of(scenario))
        self._change: dict[str, Callable[[int], None] | None] = dict.fromkeys(every)
        self._declared: list[tuple[str, str, int]] = []
        #: Triggers in the barrier, and the instants of those whose frames are not yet read.
        self._crossing = 0
        self._sent: dict[int, int] = {}
        self._reading: int | None = None
        #: The conversion that was taken last, and the one whose frame is on the lines.
        self._taken = 0
        self._shown: int | None = None
        self._line_bits: list[list[int]] = []
        self._declare()

    #: What makes the number of triggers in the barrier grow or shrink.
    _crosses: ClassVar = {"host.trigger": 1, "remote.trigger": -1, "remote.missed": -1}

    # --- what the simulation tells ---

    def note(self, time: int, signal: str, value: int) -> None:
        """Take one entry of a trace: instant in fs, signal, new value; instants never go back."""
        if not self._started and signal == "host.trigger" and value >= self._first:
            self._start(time)
        if self._started:
            now = (time - self._origin + self._step // 2) // self._step
            if now != self._time:
                self._time = now
                self._lines.append(f"#{now}\n")
        self._follow(time, signal, value)
        change = self._change[signal]
        if change is not None:
            change(value)
        if len(self._lines) > _LINES:
            self._flush()

    def close(self) -> None:
        """Write what is left, and that the dump is whole."""
        if not self._started:
            self._start(0)
        self._lines.append(f"{CLOSING}\n")
        self._flush()

    def _flush(self) -> None:
        self._file.write("".join(self._lines))
        self._lines.clear()

    # --- variables ---

    def _variable(self, reference: str, kind: str, width: int, value: str) -> str:
        """Declare a variable with the value it begins with; return its identifier code."""
        code = self._codes[reference] = identifier(len(self._codes))
        self._declared.append((reference, kind, width))
        if kind != "event":
            self._values[code] = value
        return code

    def _declare(self) -> None:
        for signal in self._signals:
            self._change[signal.name] = self._dumped(signal)
        names = {signal.name for signal in self._signals}
        for reference, value in self._constants.items():
            self._variable(reference, "real", 64, f"r{value!r} ")
        self._in_barrier: str | None = None
        if {"host.trigger", "remote.trigger", "remote.missed"} <= names:
            self._in_barrier = self._variable("barrier.triggers", "reg", 16, "b0 ")
        self._words: list[list[str]] = []
        if any(signal.name.startswith("remote.") for signal in self._signals):
            frame = self._scenario.frame
            self._words = [
                [
                    self._variable(f"remote.word_{lane}_{place}", "reg", frame.word_bits, "bx ")
                    for place in range(frame.words_per_lane)
                ]
                for lane in range(frame.lanes)
            ]
        self._latency: str | None = None
        if {"host.trigger", "host.read"} <= names:
            self._latency = self._variable("host.latency_ns", "real", 64, "r0 ")

    def _dumped(self, signal: Signal) -> Callable[[int], None]:
        """Declare a signal's variables; return what writes a new value."""
        if signal.kind is Kind.LEVEL:
            wire = self._variable(signal.reference, "wire", 1, str(signal.idle))
            return lambda value: self._put(wire, str(value))
        if signal.kind is Kind.NUMBER:
            assert signal.idle is not None
            begins = _number(signal.idle, _NO_FRAME)
            reg = self._variable(signal.reference, "reg", signal.width, begins)
            return lambda value: self._put(reg, _number(value, _NO_FRAME))
        return self._line(signal) if signal.kind is Kind.LINE else self._happening(signal)

    def _line(self, signal: Signal) -> Callable[[int], None]:
        wire = self._variable(signal.reference, "wire", 1, "z")
        which = self._variable(signal.number, "reg", signal.width, "bz ")
        lane = int(signal.name.partition("[")[2].rstrip("]"))
        idle = True

        def change(value: int) -> None:
            nonlocal idle
            if idle or value == 0:
                self._show()
            idle = value == UNDRIVEN
            self._put(which, _number(value, _NOT_VALID))
            if value < 0:
                self._put(wire, "z" if idle else "x")
            else:
                self._put(wire, str(self._line_bits[lane][value]))

        return change

    def _show(self) -> None:
        """Let the words of the conversion that was taken last be those that are sent."""
        if self._shown == self._taken:
            return
        self._shown = self._taken
        scenario, trial = self._scenario, self._trial
        self._line_bits = [
            content.lane_bits(scenario, trial, self._taken, lane)
            for lane in range(scenario.frame.lanes)
        ]
        for lane, words in enumerate(self._words):
            for place, code in enumerate(words):
                value = content.word(scenario, trial, self._taken, lane, place)
                self._put(code, f"{vector(value)} ")

    def _happening(self, signal: Signal) -> Callable[[int], None]:
        event = self._variable(signal.reference, "event", 1, "")
        which = self._variable(signal.number, "reg", signal.width, "bx ")
        if signal.kind is Kind.CONVERSION:

            def conversion(value: int) -> None:
                self._put(which, f"{vector(value)} ")
                self._occur(event)

            return conversion
        wrong = self._variable(signal.wrong, "wire", 1, "x") if signal.judged else None

        def bit(value: int) -> None:
            spoilt = value < 0
            self._put(which, f"{vector(-1 - value if spoilt else value)} ")
            if wrong is not None:
                self._put(wrong, "1" if spoilt else "0")
            self._occur(event)

        return bit

    def _put(self, code: str, value: str) -> None:
        """Write a value if it is a new one; a vector's or a real's ends with its space."""
        if self._values[code] != value:
            self._values[code] = value
            if self._started:
                self._lines.append(f"{value}{code}\n")

    def _occur(self, code: str) -> None:
        if self._started:
            self._lines.append(f"1{code}\n")

    def _follow(self, time: int, signal: str, value: int) -> None:
        """Keep count of the triggers in the barrier and of each frame's latency."""
        if signal == "remote.trigger":
            self._taken = value
        elif signal == "remote.busy" and not value:
            self._show()
        if self._in_barrier is not None and signal in self._crosses:
            self._crossing += self._crosses[signal]
            self._put(self._in_barrier, f"{vector(self._crossing)} ")
        if self._latency is None:
            return
        if signal == "host.trigger":
            self._sent[value] = time
        elif signal in ("remote.missed", "remote.lost", "fifo.overrun"):
            self._sent.pop(value, None)
        elif signal == "host.read":
            if self._reading is not None:
                sent = self._sent.pop(self._reading, None)
                if sent is not None:
                    self._put(self._latency, f"r{(time - sent) / 10**6!r} ")
            self._reading = value if value >= 0 else None

    # --- header ---

    def _start(self, time: int) -> None:
        """Write the header and the values that hold as the dump begins."""
        if time < 0:
            # The format knows no instant before 0.
            self._origin = time // self._step * self._step
        lines = [f"$version {MAKER} {unspoilt(self._version)} $end"]
        comment = unspoilt(self._comment)
        if self._origin:
            comment = f"{comment}; instant 0 is {timescale.shown(self._origin)} of the run"
        if comment:
            lines.append(f"$comment {comment} $end")
        lines.append(f"$timescale {timescale.written(self._step)} $end")
        lines += self._scopes()
        lines.append("$enddefinitions $end")
        self._time = (time - self._origin + self._step // 2) // self._step
        lines += [f"#{self._time}", "$dumpvars"]
        lines += [f"{value}{code}" for code, value in self._values.items()]
        lines.append("$end")
        self._lines = [f"{line}\n" for line in lines]
        self._started = True

    def _scopes(self) -> Iterator[str]:
        """Give the declarations, scope by scope, each scope once."""
        tree: dict[str, object] = {}
        for reference, kind, width in self._declared:
            *scopes, name = reference.split(".")
            inner = tree
            for scope in scopes:
                found = inner.setdefault(scope, {})
                assert isinstance(found, dict)
                inner = found
            bits = f" [{width - 1}:0]" if kind == "reg" else ""
            code = self._codes[reference]
            inner[f"{name} {kind}"] = f"$var {kind} {width} {code} {name}{bits} $end"
        for scope in ("host", "barrier", "remote"):
            if scope in tree:
                yield from _lines_of(scope, tree[scope], 0)


def _lines_of(name: str, inside: object, depth: int) -> Iterator[str]:
    indent = "  " * depth
    if isinstance(inside, str):
        yield indent + inside
        return
    assert isinstance(inside, dict)
    yield f"{indent}$scope module {name} $end"
    for inner, below in inside.items():
        yield from _lines_of(inner, below, depth + 1)
    yield f"{indent}$upscope $end"
