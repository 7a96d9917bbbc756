"""What is wrong with a dump, told with the instant and the signal."""

from __future__ import annotations

from bisect import bisect_left
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from heapq import heapify, heappop, heappush
from itertools import pairwise
from typing import TYPE_CHECKING

from simlink.base.errors import printable
from simlink.base.instants import period_of as exact_period
from simlink.base.wording import many
from simlink.link.transient import WAYS, Way
from simlink.tracing.edges import Edge
from simlink.waveform.capturing import Capture
from simlink.waveform.clocks import bursts_of, frames_of, period_of, pulses_of
from simlink.waveform.signals import NO_CONVERSION
from simlink.waveform.timescale import shown, written

if TYPE_CHECKING:
    from fractions import Fraction

    from simlink.scenario.schema import Scenario


#: Complaints of one kind about one signal that are told one by one.
MOST_ALIKE = 10
#: Bursts of another length than the frame's that are no longer a fault of each.
_SEVERAL = 3
#: A busy that is high at the end of a dump for this many times its longest in the simulation.
_STUCK = 3


@dataclass(frozen=True, order=True)
class Complaint:
    """One thing that is wrong."""

    #: When, in fs of the dump.
    time: int
    #: On which signal, under its name in the trace.
    signal: str
    #: ``missing_edge``, ``frame_length``, ``glitch``, ``swapped``, ``wide``, ``stuck``,
    #: ``inverted``, ``cut_off`` or ``coarse``.
    kind: str
    #: What it is.
    text: str

    def line(self) -> str:
        """Return the whole complaint as one line."""
        return printable(f"{self.signal} at {shown(self.time)}: {self.text}")


@dataclass(frozen=True)
class Clock:
    """A clock that a scenario has: its nominal frequency and its shortest honest pulse."""

    name: str
    frequency: Fraction
    shortest: int
    lines: str


def clocks_of(scenario: Scenario) -> list[Clock]:
    """Return the clocks of a scenario.

    A clock as its own master makes it has no pulse below a quarter of its period, nor below what
    the channel ahead of it passes, unless the clock itself is too fast for it; one that has
    crossed the barrier has none that the channel does not pass.
    """
    host = scenario.host.clock.value
    forward, back = (_shortest(scenario, way) for way in WAYS)

    def made(frequency: Fraction, passed: int) -> int:
        period = exact_period(frequency)
        return max(int(period / 4), passed if 5 * passed <= 2 * period else 0)

    if scenario.link.scheme == "remote_master":
        remote = scenario.remote_clock.frequency.value
        return [
            Clock("remote.clock", remote, made(remote, back), "remote.data"),
            Clock("host.clock", host, made(host, 0), "none"),
        ]
    return [
        Clock("host.clock", host, made(host, forward), "host.data"),
        Clock("remote.clock", host, forward, "none"),
        Clock("host.returned", host, back, "host.data"),
    ]


def _shortest(scenario: Scenario, way: Way) -> int:
    return int(scenario.barrier.direction(way).min_pulse.support[0])


def check(
    found: Capture, scenario: Scenario, longest_busy: Callable[[str], int | None]
) -> list[Complaint]:
    """Say what is wrong with a dump, and take its glitches out of it.

    Parameters
    ----------
    found : Capture
        What it shows; pulses that are complained of as glitches are taken out of its edges.
    scenario : Scenario
        What it should show.
    longest_busy : callable
        Gives the longest that a busy is high in the simulation, fs; None if it is not.

    Returns
    -------
    list of Complaint
        In the order of time; none for a clean dump.
    """
    told = [
        Complaint(
            time,
            name,
            "swapped" if ".clock" in name or ".data" in name else "wide",
            f"a vector of {width} bits where a wire is wanted; are two names swapped?",
        )
        for name, (time, width) in found.wide.items()
    ]
    kept = [edges[-1][0] for edges in found.edges.values() if edges]
    until = found.end if found.whole else max(kept, default=found.begin)
    bits = scenario.bits_per_lane
    for name, levels in found.pulses.items():
        told += _glitches(levels, name, _shortest(scenario, "forward"), found.step)
    for clock in clocks_of(scenario):
        edges = found.edges.get(clock.name)
        if not edges:
            continue
        wrong = _swapped(found, clock, edges)
        if wrong is None and 4 * found.step > exact_period(clock.frequency):
            wrong = Complaint(
                edges[0][0],
                clock.name,
                "coarse",
                f"steps of {written(found.step)} are too coarse to tell its edges apart",
            )
        if wrong is not None:
            told.append(wrong)
            del found.edges[clock.name]
            continue
        told += _glitches(edges, clock.name, clock.shortest, found.step)
        pulses = pulses_of(edges)
        period = period_of(pulses, bits)
        if period is None:
            continue
        other = _other_length(bursts_of(pulses, period, found.begin, until), bits, clock.name)
        if other is not None:
            told.append(other)
            continue
        frames = frames_of(pulses, bits, period, found.begin, until)
        for frame in frames:
            for time, count in frame.missing:
                gone = "an edge is" if count == 1 else f"{count} pulses are"
                text = (
                    f"{gone} missing: {len(frame.pulses)} of {bits} pulses in the frame that "
                    f"begins at {shown(frame.start)}"
                )
                told.append(Complaint(time, clock.name, "missing_edge", text))
        is_open = not found.ending.closed and found.ending.torn is None
        if found.whole and frames and not frames[-1].ended and is_open:
            told.append(_cut(found, f"{len(frames[-1].pulses)} of {bits} pulses of a frame"))
    told += _stuck(found, longest_busy)
    told += _inverted(found, scenario)
    told += _torn(found)
    first: dict[tuple[str, str, int], Complaint] = {}
    for one in sorted(told):
        first.setdefault((one.kind, one.signal, one.time), one)
    return _shortened(list(first.values()))


def _other_length(bursts: list[tuple[int, int]], bits: int, name: str) -> Complaint | None:
    """Complain once where most bursts of a clock are no whole number of frames, and all alike."""
    wrong = [(start, count) for start, count in bursts if count % bits]
    if len(wrong) < _SEVERAL:
        return None
    ((usual, alike),) = Counter(count for _, count in wrong).most_common(1)
    if 2 * alike <= len(bursts):
        return None
    first = next(start for start, count in wrong if count == usual)
    text = (
        f"{alike} of {len(bursts)} bursts have {many(usual, 'pulse')}, where a frame has {bits}: "
        f"{'are pulses lost, or ' if usual < bits else ''}is it the dump of another scenario?"
    )
    return Complaint(first, name, "frame_length", text)


def _shortened(complaints: list[Complaint]) -> list[Complaint]:
    """Leave all but the first of each kind of each signal to one complaint, where they are many."""
    alike: dict[tuple[str, str], list[Complaint]] = {}
    for one in complaints:
        alike.setdefault((one.kind, one.signal), []).append(one)
    told = []
    for some in alike.values():
        told += some[:MOST_ALIKE]
        rest = some[MOST_ALIKE:]
        if len(rest) == 1:
            told += rest
        elif rest:
            text = f"{len(rest)} more like it ({rest[0].kind}) from here to {shown(rest[-1].time)}"
            told.append(replace(rest[0], text=text))
    return sorted(told)


def _glitches(edges: list[Edge], name: str, shortest: int, step: int) -> list[Complaint]:
    """Complain of pulses that are surely too short, and take them out.

    A pulse as long as it has to be may look one step shorter. A glitch leaves short pieces of
    what it breaks on either side of itself, so the shortest goes first.
    """
    limit = shortest - step
    told, kept = [], list[Edge]()
    place = 0
    while place < len(edges):
        near = [edges[place]]
        while place + len(near) < len(edges) and edges[place + len(near)][0] - near[-1][0] <= limit:
            near.append(edges[place + len(near)])
        place += len(near)
        left, glitches = _without_short(near, limit)
        kept += left
        for (start, level), width in glitches:
            text = f"a glitch: {'high' if level else 'low'} for {shown(width)}"
            told.append(Complaint(start, name, "glitch", f"{text}, less than {shown(shortest)}"))
    edges[:] = kept
    return told


def _without_short(near: list[Edge], limit: int) -> tuple[list[Edge], list[tuple[Edge, int]]]:
    """Take pulses up to a limit out, the shortest first; return the rest, and each with its width.

    Where one is taken out, the levels on either side of it become one.
    """
    count = len(near)
    before, after = list(range(-1, count - 1)), list(range(1, count + 1))
    there = [True] * count
    widths = [(end[0] - start[0], i) for i, (start, end) in enumerate(pairwise(near))]
    heapify(widths)
    taken = []
    while widths and widths[0][0] <= limit:
        width, i = heappop(widths)
        end = after[i]
        if not there[i] or end == count or near[end][0] - near[i][0] != width:
            continue
        taken.append((near[i], width))
        there[i] = there[end] = False
        left, right = before[i], after[end]
        if left >= 0:
            after[left] = right
        if right < count:
            before[right] = left
        if left >= 0 and right < count:
            heappush(widths, (near[right][0] - near[left][0], left))
    return [edge for i, edge in enumerate(near) if there[i]], taken


def _swapped(found: Capture, clock: Clock, edges: list[Edge]) -> Complaint | None:
    """Complain if a data line moves more often than the clock that it is clocked by."""
    for name, line in found.lines.items():
        if name.startswith(clock.lines) and len(line) > len(edges) > 0:
            text = (
                f"moves less often than {name} ({len(edges)} edges, {len(line)} there): the names "
                "of clock and data are swapped"
            )
            return Complaint(edges[0][0], clock.name, "swapped", text)
    return None


def _stuck(found: Capture, longest_busy: Callable[[str], int | None]) -> list[Complaint]:
    told = []
    for name in ("host.busy", "remote.busy"):
        since, level = found.last.get(name, (found.begin, found.begins.get(name, 0)))
        if not level or name not in found.edges:
            continue
        longest = longest_busy(name)
        held = found.end - since
        if longest is not None and held > _STUCK * longest:
            text = f"never falls: it is high for {shown(held)}, to the end of the dump"
            told.append(Complaint(since, name, "stuck", text))
    return told


def _inverted(found: Capture, scenario: Scenario) -> list[Complaint]:
    """Complain of a line that looks inverted.

    A clock that rests high between its frames, and a busy that falls after a trigger and rises
    when it should fall.
    """
    told = []
    for clock in clocks_of(scenario):
        edges = found.edges.get(clock.name, [])
        if len(edges) < 4:
            continue
        lows = [b - a for (a, level), (b, _) in pairwise(edges) if not level]
        highs = [b - a for (a, level), (b, _) in pairwise(edges) if level]
        # The rest between two frames is the longest level.
        if highs and lows and max(highs) > 2 * max(lows):
            text = f"looks inverted: it rests high; name it {clock.name}=!NAME if it is active low"
            told.append(Complaint(edges[0][0], clock.name, "inverted", text))
    for name, trigger in (("host.busy", "host.trigger"), ("remote.busy", "remote.trigger")):
        edges, sent = found.edges.get(name, []), found.pulses.get(trigger, [])
        times = [time for time, _ in edges]
        first = [
            edges[place][1]
            for time, level in sent
            if level and (place := bisect_left(times, time - found.step)) < len(edges)
        ]
        if len(first) >= 4 and first.count(0) > 0.8 * len(first):
            text = f"looks inverted: it falls after a trigger; name it {name}=!NAME"
            told.append(Complaint(times[0], name, "inverted", text))
    return told


def longest_high(edges: Sequence[Edge], end: int) -> int | None:
    """Return the longest that a level is high, up to an instant, fs; None if it never is."""
    ended = [*edges, (end, 0)]
    held = [after - before for (before, level), (after, _) in pairwise(ended) if level]
    return max(held, default=None)


def _cut(found: Capture, what: str) -> Complaint:
    time, signal = found.latest or (found.end, "dump")
    text = f"the file is cut off after this edge: {what}"
    return Complaint(time, signal, "cut_off", text)


def _torn(found: Capture) -> list[Complaint]:
    if found.ending.torn is not None:
        torn = found.ending.torn
        torn = torn if len(torn) <= 40 else torn[:37] + "..."
        return [_cut(found, f'it ends within "{torn}"')]
    if found.own and not found.ending.closed:
        return [_cut(found, "the closing comment is missing")]
    return []


def first_whole(edges: dict[str, list[Edge]]) -> dict[str, list[Edge]]:
    """Leave out what belongs to conversions whose trigger was not seen.

    Frames that were on their way as the dump began are told by their numbers, those that no trigger
    asked for by their instants, and bits pushed by their coming before the first capture that is
    seen.
    """
    sent = edges.get("host.trigger")
    if not sent:
        return edges
    first, since = min(index for _, index in sent), sent[0][0]
    kept = dict(edges)
    for name in ("remote.trigger", "remote.missed", "fifo.release", "fifo.overrun"):
        if name in kept:
            kept[name] = [
                (time, index)
                for time, index in kept[name]
                if index >= first or (index <= NO_CONVERSION and time > since)
            ]
    if "host.read" in kept:
        kept["host.read"] = [
            (time, index if index >= first else -1) for time, index in kept["host.read"]
        ]
    taken = kept.get("remote.trigger")
    captures = kept.get("remote.capture")
    if not taken or not captures:
        return kept
    times = [time for time, bit in captures if bit in (0, -1)]
    place = bisect_left(times, taken[0][0])
    if place < len(times):
        for name, line in kept.items():
            if name.startswith("fifo.push["):
                firsts = [time for time, bit in line if bit == 0]
                begin = bisect_left(firsts, times[place])
                pushed = firsts[begin] if begin < len(firsts) else None
                at = bisect_left(line, (pushed, 0)) if pushed is not None else len(line)
                kept[name] = line[at:]
    return kept
