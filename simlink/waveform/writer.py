"""Writes a dump as the simulation goes on: nothing of a run is kept but what holds right now.

The format is that of IEEE Std 1364-2001, clause 18 (from memory): a header with the timescale,
scopes and variables, then instants (``#12``) and the values that change at each: scalars without
a space before the identifier code (``1!``), vectors and reals with one (``b101 "``, ``r0.5 #``).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import IO, TYPE_CHECKING

from simlink.link import content
from simlink.link.line import CHANGING, UNDRIVEN
from simlink.waveform import timescale
from simlink.waveform.signals import NO_FRAME, Kind, Signal

if TYPE_CHECKING:
    from simlink.engines.event.signals import Observer
    from simlink.engines.event.signals import Signal as Moving
    from simlink.scenario.schema import Scenario

#: What an own dump ends with, so that one cut off is told from a whole one.
CLOSING = "$comment end of dump $end"
#: In the version of an own dump.
MAKER = "simlink"

_CODES = [chr(code) for code in range(33, 127) if chr(code) not in "#$"]
#: Changes that are held back, to be written in one block.
_BLOCK = 4096
#: What a wire shows of what is on a data line: the bit itself, or that none is valid.
_WIRE = {0: "0", 1: "1", CHANGING: "x", UNDRIVEN: "z"}


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
    """Writes the changes of some signals.

    A change is kept as its instant and its text, most of which is made once and looked up after
    that; a block of them is put together at a time.

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

    Attributes
    ----------
    observers : dict of str to Observer
        Who is to see which signal of the simulation, lanes under one name: those that are dumped
        and those from which something is counted.
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
        self._comment = comment
        self._version = version
        #: Instant in fs and lines of each change that is not yet written.
        self._changes: list[tuple[int, str]] = []
        self._started = False
        self._time = 0
        self._origin = 0
        self._declared: list[tuple[str, str, int, str]] = []
        #: What each variable shows now, for the dump to begin with.
        self._shows: list[Callable[[], str]] = []
        #: The conversion that was taken last, and the one whose frame is on the lines.
        self._taken = 0
        self._shown: int | None = None
        self._line_bits: list[list[int]] = []
        self.observers: dict[str, Observer] = {}
        self._observe_dumped()
        for reference, value in (constants or {}).items():
            self._held(reference, "real", 64, f"r{value!r} ")
        self._count_crossing()
        self._show_words()
        self._time_frames()
        self._open_with_trigger()

    def close(self) -> None:
        """Write what is left, and that the dump is whole."""
        if not self._started:
            self._start(0)
        self._flush()
        self._file.write(f"{CLOSING}\n")

    def _flush(self) -> None:
        """Write the changes that are held back, with an instant ahead of all that happen at it."""
        step, last, lines = self._step, self._time, []
        shift = step // 2 - self._origin
        for time, text in self._changes:
            now = (time + shift) // step
            if now == last:
                lines.append(text)
            else:
                last = now
                lines.append(f"#{now}\n{text}")
        self._time = last
        self._file.write("".join(lines))
        self._changes.clear()

    # --- variables ---

    def _variable(self, reference: str, kind: str, width: int) -> str:
        """Declare a variable; return its identifier code."""
        code = identifier(len(self._declared))
        self._declared.append((reference, kind, width, code))
        return code

    def _held(self, reference: str, kind: str, width: int, value: str) -> Callable[[str], str]:
        """Declare a variable that holds a value; return what gives the lines of a new one.

        The value of a vector or a real ends with a space.
        """
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

    def _observe_dumped(self) -> None:
        """Have every signal that is dumped seen."""
        kinds = {
            Kind.LEVEL: self._level,
            Kind.NUMBER: self._numbered,
            Kind.CONVERSION: self._conversion,
            Kind.BIT: self._bit,
            Kind.LINE: self._line,
        }
        families: dict[str, dict[int | None, Observer]] = {}
        for signal in self._signals:
            name, _, lane = signal.name.rstrip("]").partition("[")
            family = families.setdefault(name, {})
            family[int(lane) if lane else None] = kinds[signal.kind](signal)
        for name, family in families.items():
            alone = self._scenario.frame.lanes == 1 or None in family
            self.observers[name] = next(iter(family.values())) if alone else _by_lane(family)

    def _level(self, signal: Signal) -> Observer:
        code = self._variable(signal.reference, "wire", 1)
        lines = f"0{code}\n", f"1{code}\n"
        held, keep = signal.idle or 0, self._changes.append
        self._shows.append(lambda: lines[held])

        def level(time: int, moving: Moving, value: int, *_: object) -> None:
            nonlocal held
            keep((time, "" if value == held else lines[value]))
            held = value

        return level

    def _numbered(self, signal: Signal) -> Observer:
        assert signal.idle is not None
        begins = _number(signal.idle, _NO_FRAME)
        lines = self._held(signal.reference, "reg", signal.width, begins)
        keep = self._changes.append
        return lambda time, moving, value, *_: keep((time, lines(_number(value, _NO_FRAME))))

    def _conversion(self, signal: Signal) -> Observer:
        event = f"1{self._variable(signal.reference, 'event', 1)}\n"
        which = self._held(signal.number, "reg", signal.width, "bx ")
        keep = self._changes.append
        return lambda time, moving, value, *_: keep((time, which(f"{vector(value)} ") + event))

    def _bit(self, signal: Signal) -> Observer:
        event = f"1{self._variable(signal.reference, 'event', 1)}\n"
        which = self._variable(signal.number, "reg", signal.width)
        wrong = self._variable(signal.wrong, "wire", 1) if signal.judged else ""
        held: int | None = None
        known: dict[tuple[int | None, int], str] = {}
        keep = self._changes.append

        def shown(value: int | None) -> list[str]:
            number, spoilt = "bx", "x"
            if value is not None:
                number, spoilt = (vector(value), "0") if value >= 0 else (vector(-1 - value), "1")
            lines = [f"{number} {which}\n", f"{spoilt}{wrong}\n"]
            return lines if signal.judged else lines[:1]

        self._shows.append(lambda: "".join(shown(held)))

        def bit(time: int, moving: Moving, value: int, *_: object) -> None:
            nonlocal held
            change = held, value
            text = known.get(change)
            if text is None:
                text = known[change] = _new(shown(held), shown(value)) + event
            held = value
            keep((time, text))

        return bit

    def _line(self, signal: Signal) -> Observer:
        wire = self._variable(signal.reference, "wire", 1)
        which = self._variable(signal.number, "reg", signal.width)
        lane = int(signal.name.partition("[")[2].rstrip("]"))
        held = on_wire = UNDRIVEN
        known: dict[tuple[int, int, int, int], str] = {}
        keep = self._changes.append

        def shown(value: int, level: int) -> list[str]:
            return [f"{_number(value, _NOT_VALID)}{which}\n", f"{_WIRE[level]}{wire}\n"]

        self._shows.append(lambda: "".join(reversed(shown(held, on_wire))))

        def change(time: int, moving: Moving, value: int, *_: object) -> None:
            nonlocal held, on_wire
            if held == UNDRIVEN or value == 0:
                words = self._show()
                if words:
                    keep((time, words))
            level = value if value < 0 else self._line_bits[lane][value]
            moved = held, on_wire, value, level
            text = known.get(moved)
            if text is None:
                text = known[moved] = _new(shown(held, on_wire), shown(value, level))
            held, on_wire = value, level
            keep((time, text))

        return change

    # --- what is told from several signals ---

    def _before(self, name: str, lines: Callable[[int, int], str]) -> None:
        """Have something told from an instant and a value of a signal, ahead of its own change."""
        dumped, keep = self.observers.get(name), self._changes.append

        def observer(time: int, moving: Moving, value: int, *whose: object) -> None:
            text = lines(time, value)
            if text:
                keep((time, text))
            if dumped is not None:
                dumped(time, moving, value, *whose)  # type: ignore[arg-type]

        self.observers[name] = observer

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
                crossing += more
                return lines(f"{vector(crossing)} ")

            return count

        self._before("host.trigger", counts(1))
        self._before("remote.trigger", counts(-1))
        self._before("remote.missed", counts(-1))

    def _show_words(self) -> None:
        """Show the words that are sent, from the fall of busy at the converter on."""
        frame = self._scenario.frame
        self._words: list[list[Callable[[str], str]]] = []
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
            self._taken = value
            return ""

        self._before("remote.trigger", taken)
        self._before("remote.busy", lambda time, level: "" if level else self._show())

    def _show(self) -> str:
        """Let the words of the conversion that was taken last be those that are sent."""
        if self._shown == self._taken:
            return ""
        self._shown = taken = self._taken
        scenario, trial = self._scenario, self._trial
        self._line_bits = [
            content.lane_bits(scenario, trial, taken, lane) for lane in range(scenario.frame.lanes)
        ]
        return "".join(
            lines(f"{vector(content.word(scenario, trial, taken, lane, place))} ")
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
        reading = NO_FRAME

        def left(time: int, value: int) -> str:
            sent[value] = time
            return ""

        def lost(time: int, value: int) -> str:
            sent.pop(value, None)
            return ""

        def read(time: int, value: int) -> str:
            nonlocal reading
            begun, reading = sent.pop(reading, None), value
            return "" if begun is None else lines(f"r{(time - begun) / 10**6!r} ")

        self._before("host.trigger", left)
        for name in ("remote.missed", "remote.lost", "fifo.overrun"):
            self._before(name, lost)
        self._before("host.read", read)

    def _open_with_trigger(self) -> None:
        """Open the dump with the trigger of its first conversion, and write it block by block."""

        def opens(time: int, value: int) -> str:
            if not self._started and value >= self._first:
                self._start(time)
            if len(self._changes) > _BLOCK:
                if self._started:
                    self._flush()
                self._changes.clear()
            return ""

        self._before("host.trigger", opens)

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
        lines += [f"#{self._time}", "$dumpvars", ""]
        self._file.write("\n".join(lines))
        self._file.write("".join(shows() for shows in self._shows))
        self._file.write("$end\n")
        self._changes.clear()
        self._started = True

    def _scopes(self) -> Iterator[str]:
        """Give the declarations, scope by scope, each scope once."""
        tree: dict[str, object] = {}
        for reference, kind, width, code in self._declared:
            *scopes, name = reference.split(".")
            inner = tree
            for scope in scopes:
                found = inner.setdefault(scope, {})
                assert isinstance(found, dict)
                inner = found
            bits = f" [{width - 1}:0]" if kind == "reg" else ""
            inner[f"{name} {kind}"] = f"$var {kind} {width} {code} {name}{bits} $end"
        for scope in ("host", "barrier", "remote"):
            if scope in tree:
                yield from _lines_of(scope, tree[scope], 0)


def _new(before: Sequence[str], after: Sequence[str]) -> str:
    """Return those lines that have changed."""
    return "".join(line for old, line in zip(before, after, strict=True) if line != old)


def _by_lane(family: dict[int | None, Observer]) -> Observer:
    """Return what hands each lane's changes to the lane's own observer."""

    def observer(time: int, moving: Moving, *change: object) -> None:
        one = family.get(moving.lane)
        if one is not None:
            one(time, moving, *change)  # type: ignore[arg-type]

    return observer


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
