"""Named intervals, measured between the edges of signals: on a trace and on a dump by one rule.

Signals are plain lists of (instant in fs, value) under the names of the event engine's trace; a
signal that is not there leaves out the intervals that need it. Values mean what they mean there:
levels are 0 and 1; ``host.trigger``, ``remote.trigger``, ``remote.missed``, ``fifo.release``,
``host.release`` and ``fifo.overrun`` name a conversion; ``host.read`` names the conversion that
is being read, -1 for none; ``remote.data[l]`` is the bit that is valid, -1 while it changes, -2
while nothing drives the line; ``remote.capture``, ``fifo.push[l]`` and ``host.take[l]`` name a
bit, b or -1 - b.

Symbols are those of data sheets; setup, hold, clock high and low as JEDEC JESD100 has them (from
memory).
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from simlink.engines.event.trace import Trace
    from simlink.scenario.schema import Scenario

Edge = tuple[int, int]
Edges = Mapping[str, Sequence[Edge]]

UNDRIVEN = -2
CHANGING = -1
#: No frame is being read.
NO_FRAME = -1


@dataclass(frozen=True)
class Rule:
    """What a symbol means, and between which signals it is measured.

    Attributes
    ----------
    symbol : str
        Such as ``"t_CONV"``; what follows the underscore is its subscript.
    meaning : str
        In words.
    start, end : str
        The signals of its two edges; those of one lane without the lane.
    """

    symbol: str
    meaning: str
    start: str
    end: str


RULES = {
    rule.symbol: rule
    for rule in (
        Rule("t_CYC", "cycle: trigger to next trigger", "host.trigger", "host.trigger"),
        Rule("t_PD", "propagation, trigger to converter", "host.trigger", "remote.trigger"),
        Rule("t_CONV", "conversion: trigger to busy low", "remote.trigger", "remote.busy"),
        Rule("t_BUSY", "busy high at the converter", "remote.busy", "remote.busy"),
        Rule("t_ACQ", "acquisition: busy low to next trigger", "remote.busy", "remote.trigger"),
        Rule("t_MSB", "busy low to first bit valid", "remote.busy", "remote.data"),
        Rule("t_BCK", "busy low to first serial clock edge", "remote.busy", "remote.clock"),
        Rule("t_CH", "serial clock high", "remote.clock", "remote.clock"),
        Rule("t_CL", "serial clock low", "remote.clock", "remote.clock"),
        Rule("t_DV", "clock edge to data valid", "remote.clock", "remote.data"),
        Rule("t_DH", "data hold after the clock edge", "remote.clock", "remote.data"),
        Rule("t_SU", "setup: data valid to capture", "remote.data", "remote.capture"),
        Rule("t_H", "hold: capture to data change", "remote.capture", "remote.data"),
        Rule("t_PD,R", "capture to FIFO, return propagation", "remote.capture", "fifo.push"),
        Rule("t_REL", "trigger to release", "host.trigger", "fifo.release"),
        Rule("t_WAIT", "release to start of the read", "fifo.release", "host.read"),
        Rule("t_SVC", "service latency", "host.service", "host.read"),
        Rule("t_RCH", "read clock high", "host.clock", "host.clock"),
        Rule("t_RCL", "read clock low", "host.clock", "host.clock"),
        Rule("t_READ", "frame read", "host.read", "host.read"),
        Rule("t_LAT", "latency: trigger to last bit read", "host.trigger", "host.read"),
    )
}
"""dict of str to Rule: every interval that is measured, in the order of the signal's way."""


@dataclass(frozen=True)
class Span:
    """One interval, as it was measured.

    Attributes
    ----------
    symbol : str
        One of `RULES`.
    start, end : int
        Its instants in fs. The end may come before the start: a setup that was not met.
    conversion : int or None
        The conversion that it belongs to, if the signals tell.
    lane, bit : int or None
        For intervals of a bit.
    """

    symbol: str
    start: int
    end: int
    conversion: int | None = None
    lane: int | None = None
    bit: int | None = None

    @property
    def length(self) -> int:
        """How long it is, in fs; negative if the end comes first."""
        return self.end - self.start

    @property
    def rule(self) -> Rule:
        """What it means."""
        return RULES[self.symbol]


def edges_of(trace: Trace) -> dict[str, list[Edge]]:
    """Return the edges of every signal of a trace."""
    found: dict[str, list[Edge]] = {}
    for time, signal, value in trace.entries:
        found.setdefault(signal, []).append((time, value))
    return found


def measure(edges: Edges) -> list[Span]:
    """Measure every interval whose signals are there.

    Parameters
    ----------
    edges : mapping of str to sequence of (int, int)
        For each signal its (instant in fs, new value), in order.

    Returns
    -------
    list of Span
        Symbol by symbol in the order of `RULES`, each in the order of its starts.
    """
    found: list[Span] = []
    for measured in (_of_triggers, _of_conversions, _of_clocks, _of_data, _of_pushes, _of_reads):
        found.extend(measured(edges))
    order = {symbol: place for place, symbol in enumerate(RULES)}
    return sorted(found, key=lambda span: (order[span.symbol], span.start))


def first_after(times: Sequence[int], instant: int) -> int | None:
    """Return the first of some sorted instants that is not before a given one."""
    place = bisect_left(times, instant)
    return times[place] if place < len(times) else None


def _times(edges: Edges, signal: str, keep: Callable[[int], bool] = lambda _: True) -> list[int]:
    return [time for time, value in edges.get(signal, ()) if keep(value)]


def _rises(edges: Edges, signal: str) -> list[int]:
    return _times(edges, signal, lambda value: value == 1)


def _falls(edges: Edges, signal: str) -> list[int]:
    return _times(edges, signal, lambda value: value == 0)


def by_conversion(edges: Edges, signal: str) -> dict[int, int]:
    """Return when a signal that names conversions first named each of them."""
    found: dict[int, int] = {}
    for time, value in edges.get(signal, ()):
        if value >= 0:
            found.setdefault(value, time)
    return found


def _of_triggers(edges: Edges) -> Iterator[Span]:
    left = by_conversion(edges, "host.trigger")
    arrived = by_conversion(edges, "remote.trigger") | by_conversion(edges, "remote.missed")
    released = by_conversion(edges, "host.release") | by_conversion(edges, "fifo.release")
    reads = {frame: (start, end) for frame, start, end in reads_of(edges)}
    for index, time in left.items():
        if index + 1 in left:
            yield Span("t_CYC", time, left[index + 1], index)
        if index in arrived:
            yield Span("t_PD", time, arrived[index], index)
        if index in released:
            yield Span("t_REL", time, released[index], index)
        if index in reads:
            yield Span("t_LAT", time, reads[index][1], index)


def _of_conversions(edges: Edges) -> Iterator[Span]:
    taken = edges.get("remote.trigger", ())
    starts = [time for time, _ in taken]
    rises, falls = _rises(edges, "remote.busy"), _falls(edges, "remote.busy")
    clock = _rises(edges, "remote.clock")
    for place, (time, index) in enumerate(taken):
        ready = first_after(falls, time)
        following = starts[place + 1] if place + 1 < len(starts) else None
        if ready is None or (following is not None and ready > following):
            continue
        yield Span("t_CONV", time, ready, index)
        rise = first_after(rises, time)
        if rise is not None and rise <= ready:
            yield Span("t_BUSY", rise, ready, index)
        if following is not None:
            yield Span("t_ACQ", ready, following, index)
        first = first_after(clock, ready)
        if first is not None and (following is None or first <= following):
            yield Span("t_BCK", ready, first, index)


def _of_clocks(edges: Edges) -> Iterator[Span]:
    # A low between two frames is no low of the clock: a frame begins within it.
    frames = _falls(edges, "remote.busy")
    yield from _clock(edges.get("remote.clock", ()), frames, "t_CH", "t_CL")
    reads = [start for _, start, _ in reads_of(edges)]
    yield from _clock(edges.get("host.clock", ()), reads, "t_RCH", "t_RCL")


def _clock(clock: Sequence[Edge], frames: list[int], high: str, low: str) -> Iterator[Span]:
    for (start, level), (end, after) in pairwise(clock):
        if level == after:
            continue
        if level:
            yield Span(high, start, end)
        elif bisect_left(frames, start) == bisect_right(frames, end):
            yield Span(low, start, end)


@dataclass(frozen=True)
class Stretch:
    """A stretch in which one bit is valid on a line, in fs; ``end`` None if it was not seen."""

    bit: int
    start: int
    end: int | None


def stretches(line: Sequence[Edge]) -> list[Stretch]:
    """Return the stretches of valid data on a line."""
    found = []
    for place, (start, bit) in enumerate(line):
        if bit >= 0:
            end = line[place + 1][0] if place + 1 < len(line) else None
            found.append(Stretch(bit, start, end))
    return found


def lanes_of(edges: Edges, signal: str) -> list[tuple[int, Sequence[Edge]]]:
    """Return the lanes of a signal, such as ``fifo.push``, with their edges."""
    names = [name for name in edges if name.startswith(f"{signal}[")]
    return sorted((int(name[len(signal) + 1 : -1]), edges[name]) for name in names)


def captures(edges: Edges) -> list[tuple[int, int, int]]:
    """Return (conversion, bit, instant) of each capture by the remote master.

    A converter is read out before it takes its next trigger, so a capture belongs to the last
    trigger that was taken before it.
    """
    taken = edges.get("remote.trigger", ())
    starts = [time for time, _ in taken]
    found = []
    for time, value in edges.get("remote.capture", ()):
        place = bisect_right(starts, time) - 1
        # A frame without time between its last edge and the next trigger ends at that trigger.
        bit = bit_of(value)
        if place >= 1 and starts[place] == time and bit > 0:
            place -= 1
        if place >= 0:
            found.append((taken[place][1], bit, time))
    return found


def bit_of(value: int) -> int:
    """Return the bit that a capture or a take names, whether it was right or not."""
    return value if value >= 0 else -1 - value


def _of_data(edges: Edges) -> Iterator[Span]:
    falls = _falls(edges, "remote.clock")
    ready = _falls(edges, "remote.busy")
    taken = edges.get("remote.trigger", ())
    starts = [time for time, _ in taken]
    for lane, line in lanes_of(edges, "remote.data"):
        valid = stretches(line)
        frames: dict[int, dict[int, Stretch]] = {}
        for one in valid:
            place = bisect_right(starts, one.start) - 1
            if place < 0:
                continue
            index = taken[place][1]
            frames.setdefault(index, {})[one.bit] = one
            causes = ready if one.bit == 0 else falls
            cause = bisect_right(causes, one.start) - 1
            if cause >= 0:
                symbol = "t_MSB" if one.bit == 0 else "t_DV"
                yield Span(symbol, causes[cause], one.start, index, lane, one.bit)
            if one.end is not None and one.end > one.start:
                cause = bisect_right(falls, one.end) - 1
                if cause >= 0 and falls[cause] >= one.start:
                    yield Span("t_DH", falls[cause], one.end, index, lane, one.bit)
        for index, bit, time in captures(edges):
            held = frames.get(index, {}).get(bit)
            if held is None:
                continue
            yield Span("t_SU", held.start, time, index, lane, bit)
            if held.end is not None:
                yield Span("t_H", time, held.end, index, lane, bit)


def admitted(edges: Edges) -> list[int]:
    """Return the conversions whose frames got a slot in the FIFO, in the order of arrival.

    A conversion named by ``fifo.overrun`` before any bit of it was pushed was refused; one that
    is named later was discarded and had its slot.
    """
    waiting = [index for _, index in edges.get("remote.trigger", ())]
    firsts = _first_pushes(edges)
    happened = [(time, 0, index) for time, index in edges.get("fifo.overrun", ())]
    happened += [(time, 1, -1) for time in firsts]
    found: list[int] = []
    for _, kind, index in sorted(happened):
        if not waiting:
            break
        if kind:
            found.append(waiting.pop(0))
        elif waiting[0] == index:
            waiting.pop(0)
    return found


def _first_pushes(edges: Edges) -> list[int]:
    """Return when the first bit of each frame was pushed on any lane."""
    lanes = [[t for t, bit in line if bit == 0] for _, line in lanes_of(edges, "fifo.push")]
    if not lanes:
        return []
    return [min(times) for times in zip(*lanes, strict=False)]


def pushes(edges: Edges, line: Sequence[Edge]) -> list[tuple[int, int, int]]:
    """Return (conversion, bit, instant) of each push on one lane."""
    frames = admitted(edges)
    found = []
    place = -1
    for time, bit in line:
        if bit == 0:
            place += 1
        if 0 <= place < len(frames):
            found.append((frames[place], bit, time))
    return found


def _of_pushes(edges: Edges) -> Iterator[Span]:
    captured = {(index, bit): time for index, bit, time in captures(edges)}
    for lane, line in lanes_of(edges, "fifo.push"):
        for index, bit, time in pushes(edges, line):
            if (index, bit) in captured:
                yield Span("t_PD,R", captured[index, bit], time, index, lane, bit)


def reads_of(edges: Edges) -> list[tuple[int, int, int]]:
    """Return (conversion, start, end) of each frame that was read to its end."""
    line = edges.get("host.read", ())
    return [(frame, start, end) for (start, frame), (end, _) in pairwise(line) if frame >= 0]


def _of_reads(edges: Edges) -> Iterator[Span]:
    reads = reads_of(edges)
    released = by_conversion(edges, "fifo.release")
    for frame, start, end in reads:
        yield Span("t_READ", start, end, frame)
        if frame in released:
            yield Span("t_WAIT", released[frame], start, frame)
    starts = [start for _, start, _ in reads]
    for begun in _rises(edges, "host.service"):
        place = bisect_left(starts, begun)
        if place < len(starts):
            yield Span("t_SVC", begun, starts[place], reads[place][0])


@dataclass(frozen=True)
class Limits:
    """What one interval was over a run, in fs.

    Attributes
    ----------
    least, typical, largest : int
        The least, the median and the largest value seen.
    count : int
        How many were measured.
    """

    least: int
    typical: int
    largest: int
    count: int


#: The most conversions of a run that are traced to measure its intervals.
MOST_TRACED = 2000


def over_run(scenario: Scenario, most: int = MOST_TRACED) -> dict[str, Limits]:
    """Measure every interval over a run: its units in turn, until enough conversions are traced.

    Parameters
    ----------
    scenario : Scenario
        What is run.
    most : int
        The most conversions in all. Every unit gets its even share of them, one at the least;
        units beyond this many are left out.

    Returns
    -------
    dict of str to Limits
        By symbol, in the order of `RULES`; only those that were seen.
    """
    from simlink.engines.event.trace import trace

    units = min(scenario.trials, most)
    each = min(scenario.conversions, max(1, most // units))
    lengths: dict[str, list[int]] = {symbol: [] for symbol in RULES}
    for trial in range(units):
        for span in measure(edges_of(trace(scenario, range(each), trial))):
            lengths[span.symbol].append(span.length)
    found = {}
    for symbol, values in lengths.items():
        if values:
            values.sort()
            typical = values[(len(values) - 1) // 2]
            found[symbol] = Limits(values[0], typical, values[-1], len(values))
    return found
