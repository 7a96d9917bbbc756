"""What is drawn: the table of signals, and the track of each over the stretch that is shown.

A signal is one line of `TABLE`: its name on the trace, the side of the barrier that it belongs
to, its kind and what it is called. A scheme with other signals adds lines.
"""

from __future__ import annotations

import re
from bisect import bisect_right
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from simlink.base.errors import InputError
from simlink.base.instants import FAR, NEVER, period_of
from simlink.link.fault_line import has_line
from simlink.link.line import UNDRIVEN
from simlink.tracing.edges import Edge, Edges, bit_of
from simlink.tracing.fault_edges import EVENT, FAULT

if TYPE_CHECKING:
    from simlink.tracing.trace import Trace

#: The most signals of one picture that may be asked for.
MOST = 12
#: The most lanes of one picture, unless more are asked for.
_LANES = 2


@dataclass(frozen=True)
class Signal:
    """One line of the table."""

    #: The signal on the trace; a family of lanes without the lane.
    name: str
    #: Where it is drawn: "remote", "barrier" or "host".
    side: str
    #: How: as a "level" of two, "bits" on a line, a "number" that is held, the "count" of a
    #: filling, or each "instant" alone.
    kind: str
    #: What it is called in the picture.
    label: str
    #: Its value before a trial's first trigger.
    rest: int = 0
    #: Whether there is one for each lane.
    lanes: bool = False
    #: Whether it is drawn unless signals are named.
    usual: bool = True
    #: The clocking schemes that have it; empty for all.
    schemes: tuple[str, ...] = ()


#: Rows whose edges set the scale.
CLOCKS = ("remote.clock", "host.clock", "host.returned")
_FIFO = ("remote_master",)
_HOST_CLOCK = ("forwarded_clock", "returned_clock")
TABLE = (
    Signal("remote.trigger", "remote", "instant", "trigger"),
    Signal("remote.busy", "remote", "level", "busy"),
    Signal("remote.credit", "remote", "instant", "credit", usual=False),
    Signal("remote.request", "remote", "instant", "request", schemes=_FIFO),
    Signal("remote.clock", "remote", "level", "serial clock"),
    Signal("remote.data", "remote", "bits", "data", UNDRIVEN, lanes=True),
    Signal("fifo.strobe", "host", "level", "strobe", usual=False, schemes=_FIFO),
    Signal("fifo.push", "host", "instant", "FIFO in", lanes=True, schemes=_FIFO),
    Signal("fifo.level", "host", "count", "FIFO level", schemes=_FIFO),
    Signal("host.trigger", "host", "instant", "trigger"),
    Signal("host.busy", "host", "level", "busy"),
    Signal("host.service", "host", "level", "service"),
    Signal("host.read", "host", "number", "frame read", -1),
    Signal("host.request", "host", "instant", "request", schemes=_FIFO),
    Signal("host.clock", "host", "level", "read clock"),
    Signal("host.returned", "host", "level", "returned clock", schemes=("returned_clock",)),
    Signal("host.data", "host", "bits", "data in", UNDRIVEN, lanes=True, schemes=_HOST_CLOCK),
    Signal("host.capture", "host", "bits", "data read", UNDRIVEN, lanes=True),
    Signal(FAULT, "host", "level", "fault line"),
)
#: Drawn where a frame is asked for once more.
_REQUESTS = ("remote.request", "host.request")
#: What is drawn as it comes across the barrier, if its cause is on the other side: in which order.
_ACROSS = {
    "remote.trigger": 0,
    "remote.missed": 0,
    "remote.request": 0,
    "fifo.push": 1,
    "fifo.overrun": 2,
    "host.data": 3,
    "remote.clock": 4,
    "host.returned": 5,
    "host.busy": 6,
}
_SIDES = ("remote", "barrier", "host")
#: Keeps bits that were captured before they were there apart from a line that nothing drives.
_BAD = -10
#: The track on which the instants of a signal without one of its own are found.
SHOWN_ON = {
    "remote.missed": "remote.trigger",
    "remote.capture": "remote.data",
    "remote.lost": "remote.data",
    "fifo.release": "host.busy",
    "fifo.repeat": "fifo.level",
    "host.release": "host.busy",
    "fifo.overrun": "fifo.level",
    "host.timeout": "host.busy",
    # An event is marked through all rows.
    EVENT: FAULT,
}
#: What is marked on a track besides its own edges: by which signals, in order, and how.
_NOTES = {
    "remote.trigger": {"remote.missed": "cross"},
    "remote.data": {"remote.capture": "capture", "remote.lost": "cross"},
    "host.data": {"host.capture": "capture"},
    "fifo.level": {"fifo.overrun": "cross", "fifo.release": "release", "fifo.repeat": "release"},
    "host.busy": {"host.timeout": "cross", "host.release": "release"},
}


#: What is written beside a conversion, or in a frame that is read, that no trigger asked for.
UNREQUESTED = "unrequested"


@dataclass(frozen=True)
class Cell:
    """A stretch of one value; ``value`` None when it is not known."""

    start: int
    end: int
    value: int | None
    #: Which run of bits it belongs to: the frame's first bit opens one.
    run: int = 0
    bad: bool = False


@dataclass(frozen=True)
class Mark:
    """A single instant on a track."""

    time: int
    shape: str
    label: str = ""


@dataclass
class Track:
    """One signal over the stretch that is shown."""

    #: Its line of the table.
    signal: Signal
    #: Which lane it is.
    lane: int | None
    label: str
    #: Without gaps over the stretch; empty for instants.
    cells: list[Cell] = field(default_factory=list)
    #: Triggers, pushes, captures, refusals and whatever else falls on it, in order.
    marks: list[Mark] = field(default_factory=list)

    @property
    def name(self) -> str:
        """The name on the trace."""
        return self.signal.name if self.lane is None else f"{self.signal.name}[{self.lane}]"

    @property
    def edges(self) -> list[int]:
        """The instants at which it changes, in order."""
        return self._moves(self.marks)

    @property
    def switching(self) -> list[int]:
        """When something switches on it: its own edges, without what is only noted."""
        return self._moves([mark for mark in self.marks if mark.shape in ("tick", "arrow")])

    def _moves(self, marks: list[Mark]) -> list[int]:
        return sorted({cell.start for cell in self.cells[1:]} | {mark.time for mark in marks})


@dataclass(frozen=True)
class Crossing:
    """A symbol on its way across the barrier, from one track to another."""

    start: int
    end: int
    source: str
    target: str
    lost: bool = False
    #: Whether it is the falling edge of a level.
    falling: bool = False
    #: Whether it is one of a burst, in which those ahead of it show the way.
    follows: bool = False


def choose(trace: Trace, names: list[str] | None, shown: range) -> list[tuple[Signal, int | None]]:
    """Return the signals to draw, in the order of the table.

    Parameters
    ----------
    trace : Trace
        Where they are taken from.
    names : list of str or None
        Signals by name, a lane in brackets (``fifo.push[1]``; without one: every lane). None:
        the usual ones, of the lanes those that show what befell the conversions.
    shown : range
        The conversions that are shown.

    Raises
    ------
    InputError
        If there is no such signal, or there are more than `MOST`.
    """
    lanes = trace.scenario.frame.lanes
    if names is None:
        drawn: list[int | None] = [*_lanes(trace, shown)]
        usual = [signal for signal in TABLE if _usual(trace, signal)]
        return [(one, lane) for one in usual for lane in (drawn if one.lanes else [None])]
    table = {signal.name: signal for signal in TABLE}
    wanted: dict[tuple[str, int | None], None] = {}
    for name in names:
        match = re.fullmatch(r"([a-z.]+)(?:\[([0-9]{1,3})\])?", name.strip())
        signal = table.get(match[1]) if match else None
        if match is None or signal is None or (match[2] is not None and not signal.lanes):
            raise InputError("--signals", None, f'"{name}"', f"some of {', '.join(table)}")
        if match[2] is not None and int(match[2]) >= lanes:
            raise InputError("--signals", None, f'"{name}"', f"lanes 0 to {lanes - 1}")
        some = [int(match[2])] if match[2] is not None else range(lanes) if signal.lanes else [None]
        wanted.update({(signal.name, lane): None for lane in some})
    if not 1 <= len(wanted) <= MOST:
        raise InputError("--signals", None, f"{len(wanted)} signals", f"1 to {MOST} of them")
    order = {signal.name: place for place, signal in enumerate(TABLE)}
    keys = sorted(wanted, key=lambda key: (order[key[0]], key[1] or 0))
    return [(table[name], lane) for name, lane in keys]


def _lanes(trace: Trace, shown: range) -> list[int]:
    """Return the lanes to draw unless some are named.

    Those of which a symbol was hit; else the first of which a bit was taken wrong; else the first.
    """
    hit = {
        int(one.channel.split()[1])
        for one in trace.met
        if one.hit and one.channel.startswith("lane") and one.conversion in shown
    }
    if hit:
        return sorted(hit)[:_LANES]
    wrong = {lane for (conversion, lane), bits in trace.mistaken.items()
             if bits and conversion in shown}  # fmt: skip
    wrong |= {
        one.lane
        for one in trace.changes
        if one.family in ("remote.capture", "host.capture")
        and one.why not in ("right", "missing")
        and one.conversion in shown
        and one.lane is not None
    }
    return [min(wrong, default=0)]


def _usual(trace: Trace, signal: Signal) -> bool:
    scenario = trace.scenario
    if signal.name in ("host.trigger", "host.busy") and scenario.trigger.source == "remote":
        return False
    if signal.name == FAULT and not has_line(scenario):
        return False
    if signal.name in _REQUESTS and not any(one.signal == "host.request" for one in trace.changes):
        return False
    return signal.usual and (not signal.schemes or scenario.link.scheme in signal.schemes)


def tracks(
    trace: Trace,
    edges: Edges,
    chosen: list[tuple[Signal, int | None]],
    start: int,
    end: int,
    pins: Mapping[str, str] | None = None,
) -> list[Track]:
    """Return the tracks of signals that were chosen over a stretch of time, in fs.

    ``edges`` are those of the trace (`simlink.tracing.measured.edges_of`). ``pins`` says what
    signals are called instead, by their names; a lane's own name goes before its family's.
    """
    found = []
    pins = pins or {}
    for signal, lane in chosen:
        several = lane is not None and trace.scenario.frame.lanes > 1
        label = pins.get(signal.name, signal.label)
        track = Track(signal, lane, f"{label} {lane}" if several else label)
        track.label = pins.get(track.name, track.label)
        marks = [*_notes(trace, edges, track), *_false(trace, chosen, track)]
        if signal.kind == "instant":
            marks = [*_instants(edges, track), *marks]
        else:
            line = edges.get(track.name, ())
            if signal.name == "host.capture":
                line = _captures(trace, edges, line)
            known = trace.window.start == 0 or signal.name == FAULT
            track.cells = _cells(list(line), signal, known, start, end)
        track.marks = [mark for mark in marks if start <= mark.time <= end]
        track.marks.sort(key=lambda mark: mark.time)
        found.append(track)
    return sorted(found, key=lambda track: _SIDES.index(track.signal.side))


def _cells(
    line: list[tuple[int, int]], signal: Signal, known: bool, start: int, end: int
) -> list[Cell]:
    """Cut a line of (instant, value) to the stretch; what came before is not always known."""
    times = [time for time, _ in line]
    first = bisect_right(times, start)
    value: int | None = line[first - 1][1] if first else (signal.rest if known else None)
    bits = signal.kind == "bits"
    cells: list[Cell] = []
    at, run = start, 0
    for time, after in [*line[first:], (end, 0)]:
        time = min(time, end)
        if time > at:
            bad = value is not None and value <= _BAD
            shown = bit_of(value - _BAD) if bad and value is not None else value
            cells.append(Cell(at, time, shown, run, bad))
        if time >= end:
            break
        if bits and after in (0, _BAD - 1):
            run += 1
        at, value = time, after
    return cells


def _captures(trace: Trace, edges: Edges, captures: Sequence[Edge]) -> list[Edge]:
    """Return the host's data: each bit from its capture to the next, none between reads."""
    line = [(time, bit if bit >= 0 else bit + _BAD) for time, bit in captures]
    if trace.scenario.link.scheme in _FIFO:
        ends = [(time, UNDRIVEN) for time, _ in edges.get("host.read", ())]
    else:
        # The read may end as its last bit is captured, which is shown for a period of the clock.
        begun = [place for place, (_, bit) in enumerate(captures) if bit_of(bit) == 0 and place]
        held = round(period_of(trace.scenario.host.clock.value))
        next_read = [*(captures[place][0] for place in begun), FAR]
        last_bits = [captures[place - 1][0] + held for place in [*begun, len(captures)] if place]
        ends = [(min(both), UNDRIVEN) for both in zip(last_bits, next_read, strict=False)]
    return sorted(line + ends, key=lambda one: (one[0], one[1] != UNDRIVEN))


#: On which signals the edges that no part drove are marked: on the first of each that is drawn.
_MADE_ON = {
    "trigger": ("remote.trigger",),
    "strobe": ("fifo.strobe", "fifo.push"),
    "clock": ("remote.clock",),
    "returned": ("host.returned",),
    "busy": ("host.busy",),
}


def _false(trace: Trace, chosen: list[tuple[Signal, int | None]], track: Track) -> Iterator[Mark]:
    """Give the marks of edges that no part drove."""
    drawn = {signal.name for signal, _ in chosen}
    for one in trace.made:
        on = next((name for name in _MADE_ON[one.channel] if name in drawn), None)
        if on == track.signal.name:
            yield Mark(one.time, "false")


def _instants(edges: Edges, track: Track) -> Iterator[Mark]:
    named = track.signal.name in ("host.trigger", "remote.trigger", *_REQUESTS)
    for time, value in edges.get(track.name, ()):
        # A conversion below 0 is one that no trigger of the host asked for.
        label = (str(value) if value >= 0 else UNREQUESTED) if named else ""
        yield Mark(time, "arrow" if named else "tick", label)


def _notes(trace: Trace, edges: Edges, track: Track) -> Iterator[Mark]:
    """Give what is marked on a track besides its own edges."""
    for signal, shape in _NOTES.get(track.signal.name, {}).items():
        if signal == "fifo.release" and trace.scenario.trigger.source == "host":
            continue
        name = f"{signal}[{track.lane}]" if signal == "host.capture" else signal
        for time, value in edges.get(name, ()):
            wrong = shape == "capture" and value < 0
            label = str(value) if signal == "remote.missed" else ""
            yield Mark(time, "wrong" if wrong else shape, label)
    if track.signal.name == "remote.trigger":
        for time in trace.record.aperture[0].tolist():
            if time != NEVER:
                yield Mark(time, "sample")


def crossings(trace: Trace, drawn: list[Track]) -> list[Crossing]:
    """Return what crosses the barrier between tracks that are drawn, each with its cause."""
    names = {track.name for track in drawn}
    # A frame that finds no slot has left on every lane.
    lines = [name for name in sorted(names) if name.startswith("remote.data[")]
    from_host = trace.scenario.trigger.source == "host"
    came = [change for change in trace.changes if change.family in _ACROSS]
    found: dict[Crossing, None] = {}
    for change in sorted(came, key=lambda one: (_ACROSS[one.family], one.lane or 0)):
        signal, since = change.family, change.since
        if since is None or signal.startswith("remote.") == change.why.startswith("remote."):
            continue
        if signal == "remote.trigger" and not from_host:
            continue
        if signal == "host.data" and change.bit is None:
            continue
        source, target = change.why, SHOWN_ON.get(signal, change.signal)
        if source == "remote.capture":
            source = next(iter(lines), "") if change.lane is None else f"remote.data[{change.lane}]"
        if {source, target} <= names:
            lost = signal in ("remote.missed", "fifo.overrun")
            falling = signal.endswith((".clock", ".returned", ".busy")) and not change.value
            # The bits of a packet cross as one.
            found[Crossing(since, change.time, source, target, lost, falling)] = None
    every = list(found)
    if trace.scenario.link.scheme in _HOST_CLOCK:
        return _in_bursts(every, round(2.5 * period_of(trace.scenario.host.clock.value)))
    return every


def _in_bursts(found: list[Crossing], apart: int) -> list[Crossing]:
    """Tell those that follow others of their kind from those that lead a burst."""
    before: dict[tuple[str, str], int] = {}
    told = []
    for one in sorted(found, key=lambda crossing: crossing.start):
        way = (one.source, one.target)
        clocks = way[0].partition(".")[2].startswith(("clock", "data"))
        follows = clocks and one.start - before.get(way, NEVER) < apart
        before[way] = one.start
        told.append(replace(one, follows=follows))
    return told
