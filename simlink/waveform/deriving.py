"""Fills in what a dump of plain wires does not name: conversions, captures, releases, reads.

Own dumps and traces name them, and pass unchanged but for the schemes without a FIFO, whose reads
are told by the host's clock in either. On wires:

- triggers are counted; one that arrives while the converter is busy or being read was missed;
- the remote master captures at the edges of its clock that the scenario says, N to a frame;
- a bit becomes valid at its data line's last change before its capture, and ends at the next
  change; a bit that is like the one before it shows nothing, nor does a first bit that is like the
  level at which the line rests between frames;
- busy at the host falls at a release, that of the last trigger which was taken before, unless the
  fall comes a timeout after its rise;
- reads come in the order of the conversions, each N pulses of the host's clock that begin half a
  period before the first rise; a service begins when the frames that it waits for are released
  and the read before has ended. An overrun cannot be seen on wires;
- a capture may begin while frames wait that were released before it: as few of its first reads
  belong to those as leave no read ahead of its own release.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from simlink.base.instants import clock_edges
from simlink.link.line import CHANGING
from simlink.tracing.edges import Edge, bit_of, rises
from simlink.waveform.clocks import ClockFrame, frames_of, period_of, pulses_of
from simlink.waveform.signals import NO_FRAME, UNSEEN

if TYPE_CHECKING:
    from simlink.scenario.schema import Scenario

Edges = dict[str, list[Edge]]


@dataclass(kw_only=True)
class Seen:
    """What is known of a stretch of time."""

    #: By signal, with values as in the trace.
    edges: Edges = field(default_factory=dict)
    #: The levels of triggers that are wires.
    pulses: Edges = field(default_factory=dict)
    #: The levels of data lines without word of which bit is on them.
    lines: Edges = field(default_factory=dict)
    #: The first and last instant, fs.
    begin: int = 0
    end: int = 0
    #: To how many fs instants are known.
    step: int = 1


def frames_on(seen: Seen, clock: str, bits: int) -> list[ClockFrame]:
    """Return the frames of a clock, none if it does not run."""
    pulses = pulses_of(seen.edges.get(clock, ()))
    period = period_of(pulses, bits)
    if period is None:
        return []
    return frames_of(pulses, bits, period, seen.begin, seen.end)


def complete(seen: Seen, scenario: Scenario) -> Edges:
    """Return the edges of every signal, those included that have to be told from others."""
    edges = dict(seen.edges)
    _triggers(edges, seen, scenario)
    if scenario.link.scheme == "remote_master":
        _captures(edges, seen, scenario)
        _valid_data(edges, seen)
    _releases(edges, scenario)
    _reads(edges, seen, scenario)
    _services(edges, seen, scenario)
    return edges


def _triggers(edges: Edges, seen: Seen, scenario: Scenario) -> None:
    if "host.trigger" in seen.pulses:
        left = rises(seen.pulses, "host.trigger")
        edges["host.trigger"] = [(time, index) for index, time in enumerate(left)]
    if "remote.trigger" not in seen.pulses:
        return
    sent = [time for time, _ in edges.get("host.trigger", ())]
    busy = edges.get("remote.busy", [])
    ends = [
        frame.pulses[-1][2] or frame.last_rise
        for frame in frames_on(seen, "remote.clock", scenario.bits_per_lane)
    ]
    taken, missed = [], []
    free = seen.begin
    number = -1
    for time in rises(seen.pulses, "remote.trigger"):
        number = bisect_right(sent, time) - 1 if "host.trigger" in edges else number + 1
        if number < 0:
            continue
        if time < free:
            missed.append((time, number))
            continue
        taken.append((time, number))
        ready = bisect_right(busy, (time, 2))
        fall = next((at for at, level in busy[ready : ready + 2] if level == 0), None)
        free = time
        if fall is not None:
            free = fall
            place = bisect_left(ends, fall)
            read = scenario.link.scheme == "remote_master" and place < len(ends)
            free = ends[place] if read else fall
    edges["remote.trigger"], edges["remote.missed"] = taken, missed


def _captures(edges: Edges, seen: Seen, scenario: Scenario) -> None:
    if "remote.capture" in edges or "remote.clock" not in edges:
        return
    half = scenario.remote_clock.capture == "half"
    edges["remote.capture"] = [
        (at, bit)
        for frame in frames_on(seen, "remote.clock", scenario.bits_per_lane)
        for bit, rise, fall in frame.pulses
        if (at := rise if half else fall) is not None
    ]


def _valid_data(edges: Edges, seen: Seen) -> None:
    captured = edges.get("remote.capture", [])
    begun = [time for time, _ in edges.get("remote.trigger", ())] or rises(edges, "remote.busy")
    for name, line in seen.lines.items():
        if not name.startswith("remote.data") or not captured:
            continue
        changes = [time for time, _ in line]
        found: list[Edge] = []
        before = seen.begin
        for at, bit in captured:
            if bit in (0, -1):
                # What the line did at the end of the frame before is none of the first bit's.
                before = max([before, *begun[: bisect_right(begun, at)][-1:]])
            place = bisect_right(changes, at) - 1
            if place >= 0 and changes[place] > before:
                found.append((changes[place], bit_of(bit)))
                found += [(end, CHANGING) for end in changes[place + 1 : place + 2]]
            before = at
        edges[name] = found


def _releases(edges: Edges, scenario: Scenario) -> None:
    if "fifo.release" in edges:
        return
    if "host.release" in edges:
        edges["fifo.release"] = edges["host.release"]
        return
    if "host.busy" not in edges:
        return
    taken = edges.get("remote.trigger") or edges.get("host.trigger") or []
    times = [time for time, _ in taken]
    timeout = scenario.host.timeout
    longest = None if timeout is None else timeout.constant_value
    found: list[Edge] = []
    rise: int | None = None
    for time, level in edges["host.busy"]:
        if level:
            rise = time
            continue
        place = bisect_right(times, time) - 1
        given_up = longest is not None and rise is not None and time - rise >= longest
        if not given_up and (place >= 0 or not times):
            found.append((time, taken[place][1] if times else len(found)))
    edges["fifo.release"] = found


def _reads(edges: Edges, seen: Seen, scenario: Scenario) -> None:
    if "host.read" in edges or "host.clock" not in edges:
        return
    bits = scenario.bits_per_lane
    half = clock_edges(scenario.host.clock.value, 1)[0].item(0)
    whole: list[tuple[int, int]] = []
    for frame in frames_on(seen, "host.clock", bits):
        last, _, end = frame.pulses[-1]
        if last == bits - 1 and end is not None:
            whole.append((frame.start - half, end))
    numbers = _read_numbers(edges, scenario, [start for start, _ in whole], seen.step)
    found: list[Edge] = []
    for (start, end), index in zip(whole, numbers, strict=True):
        if found and found[-1][0] >= start - seen.step:
            found[-1] = (found[-1][0], index)
        else:
            found.append((start, index))
        found.append((end, NO_FRAME))
    edges["host.read"] = found


def _read_numbers(edges: Edges, scenario: Scenario, starts: list[int], step: int) -> list[int]:
    """Return the conversion that each read is of, `UNSEEN` where its release was not seen."""
    released = sorted(edges.get("fifo.release", []))
    times = [time for time, _ in released]
    if scenario.link.scheme != "remote_master":
        # The newest frame is what the converter holds.
        places = [bisect_right(times, start) - 1 for start in starts]
        return [released[place][1] if place >= 0 else UNSEEN for place in places]
    taken = edges.get("remote.trigger") or edges.get("host.trigger") or []
    order = [index for _, index in taken] or [index for _, index in released]
    when = {index: time for time, index in released}
    ahead = 0
    for place, start in enumerate(starts):
        # None is read before it is released.
        while ahead <= place and (
            place - ahead < len(order) and when.get(order[place - ahead], start) > start + step
        ):
            ahead += 1
    own = [place - ahead for place in range(len(starts))]
    return [
        order[place] if 0 <= place < len(order) and order[place] in when else UNSEEN
        for place in own
    ]


def _services(edges: Edges, seen: Seen, scenario: Scenario) -> None:
    if edges.get("host.service") or "host.read" not in edges:
        return
    host = scenario.host
    released = [time for time, _ in edges.get("fifo.release", [])]
    times = {index: time for time, index in edges.get("fifo.release", [])}
    reads = edges["host.read"]
    found: list[Edge] = []
    free, left = _first_free(edges, reads, seen), 0
    for place, (start, index) in enumerate(reads):
        if index == NO_FRAME:
            free = start
            continue
        follows = place > 0 and start - reads[place - 1][0] <= seen.step
        chained = place > 0 and (reads[place - 1][1] != NO_FRAME or follows)
        if left > 0 or (host.drain and chained):
            left -= 1
        elif chained and not found and (host.drain or host.watermark > 1):
            # It may belong to a group that began before the capture.
            pass
        elif index in times:
            # A service waits for as many frames as it reads.
            first = bisect_left(released, times[index])
            last = min(first + host.watermark - 1, len(released) - 1)
            begun = max(released[last], free)
            if begun <= start + seen.step:
                found += [(min(begun, start), 1), (start, 0)]
            left = host.watermark - 1
        if place + 1 < len(reads):
            free = reads[place + 1][0]
    edges["host.service"] = found


def _first_free(edges: Edges, reads: list[Edge], seen: Seen) -> int:
    """Return when the host is first known to read nothing, in fs: a read may be cut in two."""
    first = reads[0][0] if reads else seen.end
    before = [time for time, _ in edges.get("host.clock", ()) if time < first]
    return before[-1] if before else seen.begin
