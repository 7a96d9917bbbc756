"""Writes a dump as the simulation goes on: nothing of a run is kept but what holds right now.

The format is that of IEEE Std 1364-2001, clause 18 (from memory): a header with the timescale,
scopes and variables, then instants (``#12``) and the values that change at each: scalars without
a space before the identifier code (``1!``), vectors and reals with one (``b101 "``, ``r0.5 #``).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from functools import cached_property
from heapq import merge
from operator import itemgetter
from typing import IO, TYPE_CHECKING, Any

from simlink.link import check, content
from simlink.link.line import CHANGING, UNDRIVEN
from simlink.link.repeat import repeats
from simlink.link.transient import Upsets
from simlink.waveform import timescale
from simlink.waveform.header import CLOSING, Variable, header, identifier
from simlink.waveform.signals import FAULT, NO_FRAME, UPSET, Kind, Signal
from simlink.waveform.undriven import FaultWire, UpsetWire, Wire

if TYPE_CHECKING:
    from simlink.engines.event.signals import Observer
    from simlink.engines.event.signals import Signal as Moving
    from simlink.scenario.schema import Scenario

#: What a wire shows of what is on a data line: the bit itself, or that none is valid.
_WIRE = {0: "0", 1: "1", CHANGING: "x", UNDRIVEN: "z"}
#: What stands for the values that are no numbers.
_NO_FRAME = {NO_FRAME: "bz "}
_NOT_VALID = {UNDRIVEN: "bz ", CHANGING: "bx "}

#: Gives the lines by which a new value differs from the one before.
Lines = Callable[[Any], str]


def vector(value: int) -> str:
    """Return a vector's value, without leading zeros: a reader extends it to the left.

    A frame that no trigger asked for, below 0, is of no conversion: x.
    """
    return f"b{value:b} " if value >= 0 else "bx "


def _number(value: int, special: dict[int, str]) -> str:
    return special.get(value) or vector(value)


class DumpWriter:
    """Writes the changes of some signals.

    A change is kept as its instant and its text, most of which is made once and looked up after
    that; a block of them is put together at a time.

    ``step`` is the timescale in fs; instants are rounded to the nearest step, half a step up. The
    trigger of the conversion ``first`` opens the dump. ``constants`` are reals that never change,
    by their references; ``comment`` is what the header says about the dump, ``version`` that of
    the program.

    Attributes
    ----------
    observers : dict of str to Observer
        Who is to see which signal of the simulation, lanes under one name: those that are dumped
        and those from which something is counted.
    """

    #: Changes that are held back, to be written in one block.
    block = 4096

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
        self._comment = comment
        self._version = version
        #: Instant in fs and lines of each change that is not yet written.
        self._changes: list[tuple[int, str]] = self._none_yet()
        self._started = False
        self._time = 0
        self._origin = 0
        self._declared: list[Variable] = []
        #: What each variable shows now, for the dump to begin with.
        self._shows: list[Callable[[], str]] = []
        #: The conversion that was taken last, and the one whose frame is on the lines.
        self._taken = 0
        #: Triggers that have come to the converter, and had come before that conversion's.
        self._came = self._counter = 0
        self._shown: int | None = None
        self._line_bits: list[list[int]] = []
        #: What is told from a signal, ahead of its own change; of an instant and a value.
        self._told: dict[str, list[Callable[[int, int], str]]] = {}
        #: Wires that no part drives, each with what gives its lines.
        self._beside: list[tuple[Wire, Callable[[int], str]]] = []
        dumped = self._dumped()
        for reference, value in (constants or {}).items():
            self._held(reference, "real", 64, f"r{value!r} ")
        self._count_crossing()
        self._show_words()
        self._time_frames()
        self._open_with_trigger()
        self.observers = {
            name: self._observer(name, dumped.get(name, {})) for name in {**dumped, **self._told}
        }

    def _none_yet(self) -> list[tuple[int, str]]:
        """Return where changes are held back."""
        return []

    def close(self, end: int | None = None) -> None:
        """Write what is left, up to an instant in fs if that is known, and that it is whole."""
        if not self._started:
            self._start(0)
        if end is not None:
            self._changes.append((end, ""))
        self._flush(last=True)
        self._file.write(f"{CLOSING}\n")

    def _flush(self, *, last: bool = False) -> None:
        """Write the changes that are held back, with an instant ahead of all that happen at it."""
        step, before, lines = self._step, self._time, []
        shift = step // 2 - self._origin
        for time, text in self._with_others():
            now = (time + shift) // step
            if now == before:
                lines.append(text)
            else:
                before = now
                lines.append(f"#{now}\n{text}")
        self._time = before
        self._file.write("".join(lines))
        self._changes.clear()

    def _with_others(self) -> Iterable[tuple[int, str]]:
        """Give the changes that are held back, with what no part drives among them."""
        if not self._beside or not self._changes:
            return self._changes
        last = self._changes[-1][0]
        moved = [
            [(time, lines(level)) for time, level in wire.edges(last)]
            for wire, lines in self._beside
        ]
        return merge(*moved, self._changes, key=itemgetter(0))

    # --- variables ---

    def _variable(self, reference: str, kind: str, width: int = 1) -> str:
        """Declare a variable; return its identifier code."""
        code = identifier(len(self._declared))
        self._declared.append(Variable(reference, kind, width, code))
        return code

    def _held(self, reference: str, kind: str, width: int, value: str) -> Lines:
        """Declare a variable that holds a value; that of a vector or real ends with a space."""
        code = self._variable(reference, kind, width)
        held = value

        def lines(value: str) -> str:
            nonlocal held
            if value == held:
                return ""
            held = value
            return f"{value}{code}\n"

        self._shows.append(lambda: f"{held}{code}\n")
        return lines

    @staticmethod
    def _difference(shown: Callable[[Any], list[str]], before: object, after: object) -> str:
        """Return the lines of a state that differ from those of the one before."""
        pairs = zip(shown(before), shown(after), strict=True)
        return "".join(line for former, line in pairs if line != former)

    def _looked_up(self, shown: Callable[[Any], list[str]], state: object, step: int = 1) -> Lines:
        """Return what gives the lines between any two of a few states, made once each.

        ``shown`` gives all lines of a state as they change; ``step`` is -1 where they are declared
        the other way round.
        """
        held = state
        known: dict[tuple[object, object], str] = {}

        def lines(state: object) -> str:
            nonlocal held
            change = held, state
            text = known.get(change)
            if text is None:
                text = known[change] = self._difference(shown, *change)
            held = state
            return text

        self._shows.append(lambda: "".join(shown(held)[::step]))
        return lines

    # --- signals that are dumped ---

    def _dumped(self) -> dict[str, dict[int | None, Lines]]:
        """Return what gives the lines of the values of every signal that is dumped, by lane."""
        kinds = {
            Kind.LEVEL: self._level,
            Kind.NUMBER: self._numbered,
            Kind.CONVERSION: self._conversion,
            Kind.BIT: self._bit,
            Kind.LINE: self._line,
        }
        families: dict[str, dict[int | None, Lines]] = {}
        for signal in self._signals:
            if signal.name in UPSET.values():
                self._upsets(signal)
            elif signal.name == FAULT:
                self._fault(signal)
            else:
                lines = kinds[signal.kind](signal)
                if lines is not None:
                    families.setdefault(signal.family, {})[signal.lane] = lines
        return families

    def _observer(self, name: str, family: dict[int | None, Lines]) -> Observer:
        """Return what keeps the lines that are told from a signal, and its own if it is dumped."""
        keep, told = self._changes.append, self._told.get(name)
        if told is not None:
            lines = family.get(None)

            def tells(time: int, moving: Moving, value: int, *_: object) -> None:
                text = "".join([tell(time, value) for tell in told])
                if lines is not None:
                    keep((time, text + lines(value)))
                elif text:
                    keep((time, text))

            return tells
        if self._scenario.frame.lanes == 1 or None in family:
            (only,) = family.values()
            return lambda time, moving, value, *_: keep((time, only(value)))

        def by_lane(time: int, moving: Moving, value: int, *_: object) -> None:
            one = family.get(moving.lane)
            if one is not None:
                keep((time, one(value)))

        return by_lane

    def _level(self, signal: Signal) -> Lines | None:
        code = self._variable(signal.reference, "wire")
        return self._looked_up(lambda level: [f"{level}{code}\n"], signal.idle)

    def _upsets(self, signal: Signal) -> None:
        """Have a direction's upsets written among the changes of signals."""
        (way,) = (way for way, name in UPSET.items() if name == signal.name)
        self._stands_beside(signal, UpsetWire(self._windows, way))

    @cached_property
    def _windows(self) -> Upsets:
        return Upsets(self._scenario, self._trial)

    def _stands_beside(self, signal: Signal, wire: Wire) -> None:
        lines = self._held(signal.reference, "wire", 1, "0")
        self._beside.append((wire, lambda level: lines(str(level))))

    def _fault(self, signal: Signal) -> None:
        """Have the fault line written among the changes of signals."""
        wire, before = FaultWire(self._scenario, self._trial), NO_FRAME
        self._stands_beside(signal, wire)

        def watch(time: int, value: int) -> str:
            nonlocal before
            if before != NO_FRAME:
                wire.read_ended(time)
            before = value
            return ""

        self._before("host.read", watch)

    def _numbered(self, signal: Signal) -> Lines:
        assert signal.idle is not None
        begins = _number(signal.idle, _NO_FRAME)
        lines = self._held(signal.reference, "reg", signal.width, begins)
        return lambda value: lines(_number(value, _NO_FRAME))

    def _conversion(self, signal: Signal) -> Lines:
        event = f"1{self._variable(signal.reference, 'event')}\n"
        which = self._held(signal.number, "reg", signal.width, "bx ")
        return lambda value: which(vector(value)) + event

    def _bit(self, signal: Signal) -> Lines | None:
        event, shown = self._declare_bit(signal)
        lines = self._looked_up(shown, None)
        return lambda value: lines(value) + event

    def _declare_bit(self, signal: Signal) -> tuple[str, Callable[[int | None], list[str]]]:
        """Declare a bit's variables; return its event, and what gives the lines of a value."""
        event = f"1{self._variable(signal.reference, 'event')}\n"
        which = self._variable(signal.number, "reg", signal.width)
        wrong = self._variable(signal.wrong, "wire") if signal.judged else None

        def shown(value: int | None) -> list[str]:
            number, spoilt = "bx ", "x"
            if value is not None:
                number, spoilt = (vector(value), "0") if value >= 0 else (vector(-1 - value), "1")
            lines = [f"{number}{which}\n"]
            return lines if wrong is None else [*lines, f"{spoilt}{wrong}\n"]

        return event, shown

    def _declare_line(self, signal: Signal) -> Callable[[tuple[int, int]], list[str]]:
        """Declare a line's variables; return what gives the lines of a value and a level."""
        wire = self._variable(signal.reference, "wire")
        which = self._variable(signal.number, "reg", signal.width)

        def shown(state: tuple[int, int]) -> list[str]:
            value, level = state
            return [f"{_number(value, _NOT_VALID)}{which}\n", f"{_WIRE[level]}{wire}\n"]

        return shown

    def _line(self, signal: Signal) -> Lines | None:
        lane, held = signal.lane or 0, UNDRIVEN
        lines = self._looked_up(self._declare_line(signal), (UNDRIVEN, UNDRIVEN), -1)

        def change(value: int) -> str:
            nonlocal held
            words = self._show() if held == UNDRIVEN or value == 0 else ""
            held = value
            level = value if value < 0 else self._line_bits[lane][value]
            return words + lines((value, level))

        return change

    # --- what is told from several signals ---

    def _before(self, name: str, lines: Callable[[int, int], str]) -> None:
        """Have something told from a signal ahead of its own change, and of what else is."""
        self._told.setdefault(name, []).insert(0, lines)

    def _dumps(self, *names: str) -> bool:
        return {*names} <= {signal.name for signal in self._signals}

    def _count_crossing(self) -> None:
        """Count the triggers in the barrier."""
        if not self._dumps("host.trigger", "remote.trigger", "remote.missed"):
            return
        lines = self._held("barrier.triggers", "reg", 16, "b0 ")
        crossing = 0

        def counts(more: int) -> Callable[[int, int], str]:
            def count(time: int, value: int) -> str:
                nonlocal crossing
                # One that nobody sent has not crossed.
                crossing += more if value >= 0 else 0
                return lines(vector(crossing))

            return count

        self._before("host.trigger", counts(1))
        for name in ("remote.trigger", "remote.missed", "barrier.lost"):
            self._before(name, counts(-1))

    def _show_words(self) -> None:
        """Show the words that are sent, from the fall of busy at the converter on."""
        frame = self._scenario.frame
        self._words: list[list[Lines]] = []
        remote = any(signal.name.startswith("remote.") for signal in self._signals)
        if remote:
            self._words = [
                [
                    self._held(f"remote.word_{lane}_{place}", "reg", frame.word_bits, "bx ")
                    for place in range(frame.words_per_lane)
                ]
                for lane in range(frame.lanes)
            ]
        if not remote and not any(signal.kind is Kind.LINE for signal in self._signals):
            return

        def taken(time: int, value: int) -> str:
            self._taken, self._counter = value, self._came
            return came(time, value)

        def came(time: int, value: int) -> str:
            self._came += 1
            return ""

        self._before("remote.trigger", taken)
        if self._scenario.check.sequence_bits:
            self._before("remote.missed", came)
            self._before("remote.ignored", came)
        self._before("remote.busy", lambda time, level: "" if level else self._show())

    def _show(self) -> str:
        """Let the words of the conversion that was taken last be those that are sent."""
        if self._shown == self._taken:
            return ""
        self._shown = taken = self._taken
        scenario, trial = self._scenario, self._trial
        self._line_bits = [
            check.sent(scenario, trial, taken, lane, self._counter)
            for lane in range(scenario.frame.lanes)
        ]
        return "".join(
            lines(vector(content.word(scenario, trial, taken, lane, place)))
            for lane, words in enumerate(self._words)
            for place, lines in enumerate(words)
        )

    def _time_frames(self) -> None:
        """Tell each frame's latency as its read ends."""
        if not self._dumps("host.trigger", "host.read"):
            return
        lines = self._held("host.latency_ns", "real", 64, "r0 ")
        #: The instants of triggers whose frames are not yet read.
        sent: dict[int, int] = {}
        reading, again = NO_FRAME, repeats(self._scenario)

        def left(time: int, value: int) -> str:
            sent[value] = time
            return ""

        def lost(time: int, value: int) -> str:
            sent.pop(value, None)
            return ""

        def read(time: int, value: int) -> str:
            nonlocal reading
            # One that is asked for once more is read again.
            begun, reading = sent.get(reading) if again else sent.pop(reading, None), value
            return "" if begun is None else lines(f"r{(time - begun) / 10**6!r} ")

        self._before("host.trigger", left)
        for name in ("remote.missed", "remote.lost", "fifo.overrun", "barrier.lost"):
            self._before(name, lost)
        self._before("host.read", read)

    def _open_with_trigger(self) -> None:
        """Open the dump with the trigger of its first conversion, and write it block by block."""

        def opens(time: int, value: int) -> str:
            if not self._started and value >= self._first:
                self._start(time)
            if len(self._changes) > self.block:
                if self._started:
                    self._flush()
                else:
                    self._changes.clear()
            return ""

        self._before("host.trigger", opens)

    def _start(self, time: int) -> None:
        """Write the header and the values that hold as the dump begins."""
        step, comment = self._step, self._comment
        if time < 0:
            # The format knows no instant before 0.
            self._origin = time // step * step
            comment += f"; instant 0 is {timescale.shown(self._origin)} of the run"
        self._time = (time - self._origin + step // 2) // step
        for wire, lines in self._beside:
            lines(wire.level_at(time))
        self._file.write(header(self._version, comment, timescale.written(step), self._declared))
        self._file.write(f"#{self._time}\n$dumpvars\n")
        self._file.write("".join(shows() for shows in self._shows))
        self._file.write("$end\n")
        self._changes.clear()
        self._started = True
