"""Edges of signals, and whose they are: which conversion and which bit each belongs to.

Signals are plain lists of (instant in fs, value) under the names of the event engine's trace, with
values that mean what they mean there: levels are 0 and 1; ``host.trigger``, ``remote.trigger``,
``remote.missed``, ``remote.lost``, ``fifo.release``, ``host.release`` and ``fifo.overrun`` name a
conversion; ``host.read`` names the conversion that is being read, -1 for none; ``remote.data[l]``
and ``host.data[l]`` are the bit that is valid, -1 while it changes, -2 while nothing drives the
line; ``remote.capture``, ``fifo.push[l]`` and ``host.capture[l]`` name a bit, b or -1 - b.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

from simlink.link.line import CHANGING

Edge = tuple[int, int]
Edges = Mapping[str, Sequence[Edge]]


def first_after(times: Sequence[int], instant: int) -> int | None:
    """Return the first of some sorted instants that is not before a given one."""
    place = bisect_left(times, instant)
    return times[place] if place < len(times) else None


def rises(edges: Edges, signal: str) -> list[int]:
    """Return when a level rose."""
    return [time for time, level in edges.get(signal, ()) if level == 1]


def falls(edges: Edges, signal: str) -> list[int]:
    """Return when a level fell."""
    return [time for time, level in edges.get(signal, ()) if level == 0]


def by_conversion(edges: Edges, signal: str) -> dict[int, int]:
    """Return when a signal that names conversions first named each of them."""
    found: dict[int, int] = {}
    for time, value in edges.get(signal, ()):
        if value >= 0:
            found.setdefault(value, time)
    return found


def lanes_of(edges: Edges, signal: str) -> list[tuple[int, Sequence[Edge]]]:
    """Return the lanes of a signal, such as ``fifo.push``, with their edges."""
    names = [name for name in edges if name.startswith(f"{signal}[")]
    return sorted((int(name[len(signal) + 1 : -1]), edges[name]) for name in names)


def bit_of(value: int) -> int:
    """Return the bit that a capture names, whether it was right or not."""
    return value if value >= 0 else -1 - value


# --- data lines ---


@dataclass(frozen=True)
class Stretch:
    """A stretch in which one bit is valid on a line, in fs; ``end`` None if it was not seen."""

    bit: int
    start: int
    end: int | None


def _stretch(line: Sequence[Edge], place: int) -> Stretch:
    start, bit = line[place]
    return Stretch(bit, start, line[place + 1][0] if place + 1 < len(line) else None)


def sent(edges: Edges, line: Sequence[Edge]) -> list[tuple[int, Stretch]]:
    """Return the stretches of a data line of the converter, each with its conversion.

    A bit on the line belongs to the last trigger that was taken before it.
    """
    taken = edges.get("remote.trigger", ())
    starts = [time for time, _ in taken]
    found = []
    for number, (time, bit) in enumerate(line):
        place = bisect_right(starts, time) - 1
        if bit >= 0 and place >= 0:
            found.append((taken[place][1], _stretch(line, number)))
    return found


def across(edges: Edges) -> Iterator[tuple[int, int, Stretch, int]]:
    """Give what the host sees of the converter's data lines.

    Yields
    ------
    lane, conversion : int
        Whose bit it is.
    seen : Stretch
        The stretch in which it is safe to capture at the host.
    left : int
        When it was valid at the converter, fs.
    """
    here = dict(lanes_of(edges, "remote.data"))
    for lane, line in lanes_of(edges, "host.data"):
        left = here.get(lane, ())
        whose = {one.start: index for index, one in sent(edges, left)}
        place = 0
        # A channel keeps the order: what is seen has left after all that was seen before it.
        for number, (time, value) in enumerate(line):
            if value == CHANGING:
                continue
            at = place
            while at < len(left) and left[at][1] != value and left[at][0] <= time:
                at += 1
            if at == len(left) or left[at][0] > time:
                continue
            place = at + 1
            if value >= 0 and left[at][0] in whose:
                yield lane, whose[left[at][0]], _stretch(line, number), left[at][0]


# --- captures and pushes ---


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


def host_captures(edges: Edges, line: Sequence[Edge]) -> Iterator[tuple[int, int, int]]:
    """Give (conversion, bit, instant) of each capture by the host on a lane.

    A capture belongs to the read in which it is made. Those of frames that were no longer there
    are left out.
    """
    place = 0
    lost = by_conversion(edges, "remote.lost")
    for index, start, end in _every_read(edges):
        last = -1
        while place < len(line) and line[place][0] < start:
            # Of a read of no conversion's frame.
            place += 1
        while place < len(line) and line[place][0] <= end:
            time, bit = line[place][0], bit_of(line[place][1])
            if bit <= last:
                # Of the next read, which starts at the very end of this one.
                break
            place, last = place + 1, bit
            if index not in lost:
                yield index, bit, time


def admitted(edges: Edges) -> list[int]:
    """Return the conversions whose frames got a slot in the FIFO, in the order of arrival.

    A conversion named by ``fifo.overrun`` before any bit of it was pushed was refused; one that
    is named later was discarded and had its slot.
    """
    waiting = [index for _, index in edges.get("remote.trigger", ())]
    lanes = [[t for t, bit in line if bit == 0] for _, line in lanes_of(edges, "fifo.push")]
    happened = [(time, 0, index) for time, index in edges.get("fifo.overrun", ())]
    # The first bit of a frame that is pushed on any lane.
    happened += [(min(times), 1, -1) for times in zip(*lanes, strict=False)]
    found: list[int] = []
    for _, kind, index in sorted(happened):
        if not waiting:
            break
        if kind:
            found.append(waiting.pop(0))
        elif waiting[0] == index:
            waiting.pop(0)
    return found


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


# --- releases, services and reads ---


def released(edges: Edges) -> dict[int, int]:
    """Return when each conversion was released."""
    return by_conversion(edges, "host.release") | by_conversion(edges, "fifo.release")


def _every_read(edges: Edges) -> list[tuple[int, int, int]]:
    line = edges.get("host.read", ())
    return [(frame, start, end) for (start, frame), (end, _) in pairwise(line) if frame >= 0]


def reads_of(edges: Edges) -> list[tuple[int, int, int]]:
    """Return (conversion, start, end) of each frame that was read to its end.

    A frame that the next conversion had overwritten before the host's clock came is not read,
    though the host clocks.
    """
    lost = by_conversion(edges, "remote.lost")
    return [read for read in _every_read(edges) if read[0] not in lost]


def services_of(edges: Edges) -> Iterator[tuple[int, int, int]]:
    """Give (conversion, begun, start) of each service: its first read and when that started.

    A service that ends without a read, or reads a frame that was no longer there, is left out.
    """
    reads = _every_read(edges)
    starts = [start for _, start, _ in reads]
    lost = by_conversion(edges, "remote.lost")
    line = edges.get("host.service", ())
    for number, (begun, level) in enumerate(line):
        place = bisect_left(starts, begun)
        if level != 1 or place == len(starts):
            continue
        index, start, _ = reads[place]
        ended = number + 1 < len(line) and line[number + 1][0] < start
        if not ended and index not in lost:
            yield index, begun, start
