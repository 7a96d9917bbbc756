"""Takes what a dump shows of a scenario's signals: edges in fs, as far as they are wanted."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from contextlib import closing
from dataclasses import dataclass, field
from functools import partial
from math import gcd
from pathlib import Path
from typing import TYPE_CHECKING

from simlink.link.line import CHANGING, UNDRIVEN
from simlink.tracing.edges import Edge
from simlink.waveform.deriving import Seen
from simlink.waveform.mapping import Source, sources_in
from simlink.waveform.reader import Dump, Ending
from simlink.waveform.signals import NO_CONVERSION, NO_FRAME, Kind

if TYPE_CHECKING:
    from simlink.scenario.schema import Scenario

#: Conversions of a dump that are measured unless said otherwise.
MOST = 2000

#: Changes between two reports of how far a dump has been read.
_OFTEN = 1 << 16
_Handler = Callable[[int, str, bool], None]


@dataclass(kw_only=True)
class Capture(Seen):
    """What a dump shows; its timescale is its `step`."""

    #: The file.
    name: str
    #: Whether this program wrote it.
    own: bool
    #: The levels that the dump begins with, where they are known.
    begins: dict[str, int] = field(default_factory=dict)
    #: The last edge of each level in the whole dump.
    last: dict[str, Edge] = field(default_factory=dict)
    #: The last edge of all, and its signal.
    latest: tuple[int, str] | None = None
    #: Signals whose variable is no wire though one is wanted: its first change and its width.
    wide: dict[str, tuple[int, int]] = field(default_factory=dict)
    #: Whether all of the dump was wanted.
    whole: bool = True
    #: How it ends.
    ending: Ending = field(default_factory=Ending)
    #: The largest step, fs, on a grid of which all its edges lie; its timescale at the least, 0 if
    #: it is exact.
    resolution: int = 0


#: What conversions are counted by, the first of them that a dump has.
_COUNTED = ("host.trigger", "remote.trigger", "remote.busy", "host.busy", "host.read")


def capture(
    path: Path | str,
    scenario: Scenario,
    names: Mapping[str, str],
    most: int = MOST,
    progress: Callable[[int, int], object] | None = None,
    board: Mapping[str, str] | None = None,
) -> Capture:
    """Read a dump to its end and keep what its first conversions show.

    Parameters
    ----------
    path : Path or str
        The dump.
    scenario : Scenario
        Whose signals.
    names : mapping of str to str
        Variables by the names of signals.
    most : int
        The most conversions that are kept: what memory is taken depends on them, not on the dump.
    progress : callable, optional
        Called now and then with the bytes that have been read, and of how many.
    board : mapping of str to str, optional
        What the board calls its lines, which an own dump need not follow; ``names`` win over it.
    """
    with closing(Dump(path)) as dump:
        lines = dict(board or {})
        if dump.own:
            there = [f".{variable.reference}" for variable in dump.variables]
            lines = {
                name: said
                for name, said in lines.items()
                if any(one.endswith(f".{said.removeprefix('!')}") for one in there)
            }
        return _Reading(dump, sources_in(dump, scenario, lines | dict(names)), most).read(progress)


class _Reading:
    """One dump being read."""

    def __init__(self, dump: Dump, sources: list[Source], most: int) -> None:
        self.dump = dump
        self.found = Capture(name=dump.name, step=dump.step, own=dump.own, ending=dump.ending)
        self.handlers: dict[str, list[_Handler]] = {}
        self.values: dict[str, str] = {}
        self.full = False
        self.left = most
        self.apart = NO_CONVERSION
        names = [source.signal.name for source in sources]
        self.counted = next((name for name in _COUNTED if name in names), None)
        for source in sources:
            self.add(source)

    def on(self, code: str, handler: _Handler) -> None:
        self.handlers.setdefault(code, []).append(handler)

    def read(self, progress: Callable[[int, int], object] | None) -> Capture:
        found, step = self.found, self.dump.step
        begun = False
        at, grid = -1, 0
        for number, change in enumerate(self.dump.changes()):
            if progress is not None and number % _OFTEN == 0:
                progress(*self.dump.position())
            if not begun:
                found.begin, begun = change.time * step, True
            if change.time != at and not change.first:
                grid = gcd(grid, change.time - at) if at >= 0 else grid
                at = change.time
            for handler in self.handlers.get(change.code, ()):
                handler(change.time * step, change.value, change.first)
        found.end = (self.dump.ending.time or 0) * step
        found.whole = not self.full
        # Own dumps are rounded to their timescale and to nothing coarser.
        exact = 0 if step == 1 else step
        found.resolution = exact if found.own else max(step, grid * step)
        return found

    def add(self, source: Source) -> None:
        """Have a signal's changes taken."""
        signal, variable = source.signal, source.variable
        kind = signal.kind
        if kind is Kind.LINE and source.number is not None:
            self.numbers(signal.name, source.number.code, {"x": CHANGING, "z": UNDRIVEN})
        elif kind is Kind.NUMBER:
            self.numbers(signal.name, variable.code, {"z": NO_FRAME, "x": NO_CONVERSION})
        elif variable.kind == "event":
            self.happenings(source)
        elif variable.width > 1:
            self.on(variable.code, lambda time, value, first: self.too_wide(source, time, first))
        else:
            self.level(source)

    def too_wide(self, source: Source, time: int, first: bool) -> None:
        if not first:
            self.found.wide.setdefault(source.signal.name, (time, source.variable.width))

    def level(self, source: Source) -> None:
        name, found = source.signal.name, self.found
        kinds = {Kind.CONVERSION: found.pulses, Kind.LEVEL: found.edges}
        into = kinds.get(source.signal.kind, found.lines).setdefault(name, [])
        levels = {"0": 0, "1": 1, "l": 0, "h": 1}
        if source.inverted:
            levels = {text: 1 - level for text, level in levels.items()}
        now: int | None = None

        def take(time: int, value: str, first: bool) -> None:
            nonlocal now
            level = levels.get(value[-1])
            if level is None or level == now:
                return
            if now is None and name not in found.begins:
                found.begins[name] = level if first else 1 - level
            known, now = now is not None or not first, level
            if first or not known:
                return
            if level and name == self.counted:
                self.count()
            if not self.full:
                into.append((time, level))
            found.last[name] = (time, level)
            found.latest = (time, name)

        self.on(source.variable.code, take)

    def numbers(self, name: str, code: str, special: dict[str, int]) -> None:
        into = self.found.edges.setdefault(name, [])
        now: str | None = None

        def take(time: int, value: str, first: bool) -> None:
            nonlocal now
            if value == now:
                return
            now = value
            if first or self.full:
                return
            if name == self.counted:
                self.count()
            digits = value.lstrip("b")
            into.append((time, special[digits] if digits in special else _whole(digits)))

        self.on(code, take)

    def happenings(self, source: Source) -> None:
        signal, found = source.signal, self.found
        into = found.edges.setdefault(signal.name, [])
        number = None if source.number is None else source.number.code
        wrong = None if source.wrong is None else source.wrong.code
        for code in (number, wrong):
            if code is not None:
                self.on(code, partial(self.keep, code))
        counted = 0

        def take(time: int, value: str, first: bool) -> None:
            nonlocal counted
            if first:
                return
            if signal.name == self.counted:
                self.count()
            which = counted if number is None else _whole(self.values[number].lstrip("b"))
            counted += 1
            if which == NO_FRAME:
                # Of a frame that no trigger asked for, and of no other one.
                self.apart -= 1
                which = self.apart
            if wrong is not None and self.values.get(wrong) == "1":
                which = -1 - which
            if not self.full:
                into.append((time, which))
            found.latest = (time, signal.name)

        self.on(source.variable.code, take)

    def keep(self, code: str, time: int, value: str, first: bool) -> None:
        self.values[code] = value

    def count(self) -> None:
        self.full = self.full or not self.left
        self.left -= 1


def _whole(digits: str) -> int:
    return int(digits, 2) if digits.strip("01") == "" and digits else NO_FRAME
