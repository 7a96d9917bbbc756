"""Named intervals, measured between the edges of signals: on a trace and on a dump by one rule.

A signal that is not there leaves out the intervals that need it; `edges` says what the values
of signals mean and whose edge is whose. Setup and hold are measured where data is captured: at
the converter by the remote master, at the host where the host's own clock reads the converter.

Symbols are those of data sheets; setup, hold, clock high and low as JEDEC JESD100 has them (from
memory).
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

from simlink.base.instants import NEVER
from simlink.link.repeat import repeats
from simlink.tracing.captured_for import CAPTURED_FOR, captured_for
from simlink.tracing.edges import (
    Edge,
    Edges,
    Stretch,
    across,
    by_conversion,
    captures,
    falls,
    first_after,
    host_captures,
    lanes_of,
    pushes,
    reads_of,
    released,
    rises,
    sent,
    services_of,
)
from simlink.tracing.fault_edges import EVENT, FAULT, READ

if TYPE_CHECKING:
    from simlink.tracing.trace import Trace


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
    host_clocked : (str, str), optional
        Where the host's own clock reads the converter, if those are others.
    """

    symbol: str
    meaning: str
    start: str
    end: str
    host_clocked: tuple[str, str] | None = None

    def between(self, scheme: str) -> tuple[str, str]:
        """Return the signals of its two edges in a clocking scheme."""
        here = None if scheme == "remote_master" else self.host_clocked
        return here or (self.start, self.end)


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
        Rule(
            "t_SU",
            "setup: data valid to capture",
            "remote.data",
            "remote.capture",
            ("host.data", "host.capture"),
        ),
        Rule(
            "t_H",
            "hold: capture to data change",
            "remote.capture",
            "remote.data",
            ("host.capture", "host.data"),
        ),
        Rule(
            "t_PD,R",
            "return propagation of a bit",
            "remote.capture",
            "fifo.push",
            ("remote.data", "host.data"),
        ),
        Rule("t_REL", "trigger to release", "host.trigger", "fifo.release"),
        Rule("t_WAIT", "release to start of the read", "fifo.release", "host.read"),
        Rule("t_SVC", "service latency", "host.service", "host.read"),
        Rule("t_RCH", "read clock high", "host.clock", "host.clock"),
        Rule("t_RCL", "read clock low", "host.clock", "host.clock"),
        Rule("t_READ", "frame read", "host.read", "host.read"),
        Rule("t_LAT", "latency: trigger to last bit read", "host.trigger", "host.read"),
        Rule("t_FLT", "common-mode event to fault line high", EVENT, FAULT),
        Rule("t_FRD", "fault line high to the end of the next read", FAULT, "host.read"),
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
    if trace.made or any(one.hit for one in trace.met) or repeats(trace.scenario):
        found |= captured_for(trace)
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
    return in_order(span for measured in _MEASURED for span in measured(edges))


def in_order(spans: Iterable[Span]) -> list[Span]:
    """Return intervals symbol by symbol in the order of `RULES`, each in that of its starts."""
    order = {symbol: place for place, symbol in enumerate(RULES)}
    return sorted(spans, key=lambda span: (order[span.symbol], span.start))


def _of_triggers(edges: Edges) -> Iterator[Span]:
    left = by_conversion(edges, "host.trigger")
    arrived = by_conversion(edges, "remote.trigger") | by_conversion(edges, "remote.missed")
    told = released(edges)
    reads = {frame: (start, end) for frame, start, end in reads_of(edges)}
    for index, time in left.items():
        if index + 1 in left:
            yield Span("t_CYC", time, left[index + 1], index)
        if index in arrived:
            yield Span("t_PD", time, arrived[index], index)
        if index in told:
            yield Span("t_REL", time, told[index], index)
        if index in reads:
            yield Span("t_LAT", time, reads[index][1], index)


def _of_conversions(edges: Edges) -> Iterator[Span]:
    taken = edges.get("remote.trigger", ())
    starts = [time for time, _ in taken]
    high, low = rises(edges, "remote.busy"), falls(edges, "remote.busy")
    clock = rises(edges, "remote.clock")
    for place, (time, index) in enumerate(taken):
        # A trigger may be taken at the very fall of the busy before.
        ready = first_after(low, time + 1)
        following = starts[place + 1] if place + 1 < len(starts) else None
        if ready is None or (following is not None and ready > following):
            continue
        yield Span("t_CONV", time, ready, index)
        rise = first_after(high, time)
        if rise is not None and rise <= ready:
            yield Span("t_BUSY", rise, ready, index)
        if following is not None:
            yield Span("t_ACQ", ready, following, index)
        first = first_after(clock, ready)
        if first is not None and (following is None or first <= following):
            yield Span("t_BCK", ready, first, index)


def _of_clocks(edges: Edges) -> Iterator[Span]:
    # A low between two frames is no low of the clock: a frame begins within it.
    frames = falls(edges, "remote.busy") + [time for time, _ in edges.get("remote.trigger", ())]
    if lanes_of(edges, "host.data"):
        frames += [time for time, _ in edges.get("host.read", ())]
    frames.sort()
    yield from _clock(edges.get("remote.clock", ()), frames, "t_CH", "t_CL")
    # Those that find no frame left to read are reads, too.
    reads = [time for time, _ in edges.get("host.read", ())]
    yield from _clock(edges.get("host.clock", ()), reads, "t_RCH", "t_RCL")


def _clock(clock: Sequence[Edge], frames: list[int], high: str, low: str) -> Iterator[Span]:
    for (start, level), (end, after) in pairwise(clock):
        if level == after:
            continue
        if level:
            yield Span(high, start, end)
        elif bisect_left(frames, start) == bisect_right(frames, end):
            yield Span(low, start, end)


def _of_data(edges: Edges) -> Iterator[Span]:
    launches = falls(edges, "remote.clock")
    ready = falls(edges, "remote.busy")
    taken = [time for time, _ in edges.get("remote.trigger", ())]
    for lane, line in lanes_of(edges, "remote.data"):
        for index, one in sent(edges, line):
            causes = ready if one.bit == 0 else launches
            cause = bisect_right(causes, one.start) - 1
            # A conversion shorter than busy's own delay shows no busy: the fall is another's.
            shown = (
                one.bit
                or cause < 0
                or (bisect_left(taken, causes[cause]) == bisect_right(taken, one.start))
            )
            if cause >= 0 and shown:
                symbol = "t_MSB" if one.bit == 0 else "t_DV"
                yield Span(symbol, causes[cause], one.start, index, lane, one.bit)
            if one.end is not None and one.end > one.start:
                cause = bisect_right(launches, one.end) - 1
                if cause >= 0 and launches[cause] >= one.start:
                    yield Span("t_DH", launches[cause], one.end, index, lane, one.bit)


def _of_captures(edges: Edges) -> Iterator[Span]:
    for lane, line in lanes_of(edges, "remote.data"):
        frames: dict[int, dict[int, Stretch]] = {}
        for index, one in sent(edges, line):
            frames.setdefault(index, {})[one.bit] = one
        for index, bit, time in captures(edges):
            yield from _margins(frames.get(index, {}).get(bit), time, index, lane)
    seen = {(lane, index, one.bit): one for lane, index, one, _ in across(edges)}
    for lane, captured in lanes_of(edges, "host.capture") if seen else ():
        for index, bit, time in host_captures(edges, captured):
            yield from _margins(seen.get((lane, index, bit)), time, index, lane)


def _margins(held: Stretch | None, captured: int, index: int, lane: int) -> Iterator[Span]:
    """Give the setup and the hold of a bit that is captured, as far as it was seen on its line."""
    if held is None:
        return
    yield Span("t_SU", held.start, captured, index, lane, held.bit)
    if held.end is not None:
        yield Span("t_H", captured, held.end, index, lane, held.bit)


def _of_returns(edges: Edges) -> Iterator[Span]:
    captured = {(index, bit): time for index, bit, time in captures(edges)}
    for lane, line in lanes_of(edges, "fifo.push"):
        known = edges.get(CAPTURED_FOR.format(lane))
        if known is not None:
            for (time, bit), (left, index) in zip(line, known, strict=True):
                if left != NEVER:
                    yield Span("t_PD,R", left, time, index, lane, bit)
            continue
        for index, bit, time in pushes(edges, line):
            if (index, bit) in captured:
                yield Span("t_PD,R", captured[index, bit], time, index, lane, bit)
    for lane, index, one, left in across(edges):
        yield Span("t_PD,R", left, one.start, index, lane, one.bit)


def _of_reads(edges: Edges) -> Iterator[Span]:
    told = released(edges)
    for frame, start, end in reads_of(edges):
        yield Span("t_READ", start, end, frame)
        # One that is asked for once more is read again.
        if (time := told.pop(frame, None)) is not None:
            yield Span("t_WAIT", time, start, frame)
    for frame, begun, start in services_of(edges):
        yield Span("t_SVC", begun, start, frame)


def _of_fault_line(edges: Edges) -> Iterator[Span]:
    for event, rise in edges.get(EVENT, ()):
        yield Span("t_FLT", event, rise)
    for end, rise in edges.get(READ, ()):
        yield Span("t_FRD", rise, end)


_MEASURED = (
    _of_triggers,
    _of_conversions,
    _of_clocks,
    _of_data,
    _of_captures,
    _of_returns,
    _of_reads,
    _of_fault_line,
)
