"""The fault line of a traced unit: its edges, the events that raised it, and the reads after that.

No part drives it: it follows from the events and from when the host's reads end. A trace does not
reach back to every read, its records do.
"""

from __future__ import annotations

from bisect import bisect_right
from itertools import pairwise
from typing import TYPE_CHECKING

from simlink.base.instants import FAR
from simlink.engines.event.host import NO_FRAME
from simlink.figures.flags import read_ends_of
from simlink.link.fault_line import has_line, highs
from simlink.tracing.edges import rises

if TYPE_CHECKING:
    from simlink.tracing.edges import Edge, Edges
    from simlink.tracing.trace import Trace

#: The line itself, as in dumps.
FAULT = "host.fault"
#: For each of its rises, in order: when the event began that raised it, and when the first read of
#: the host ended after that, if one did.
EVENT, READ = "event", "read that host.fault comes before"


def fault_edges(trace: Trace) -> dict[str, list[Edge]]:
    """Return the lines of a trace by their names; none where there is no fault line.

    They are known from the trial's start up to the last change of the trace.
    """
    if not has_line(trace.scenario) or not trace.changes:
        return {}
    last = trace.changes[-1].time
    reads = [time for time in read_ends_of(trace.scenario, trace.record) if time <= last]
    found = highs(trace.scenario, trace.trial, reads, last)
    lines: dict[str, list[Edge]] = {FAULT: [], EVENT: [], READ: []}
    for (risen, falls), event in zip(found.stretches, found.causes, strict=True):
        if risen > last:
            break
        lines[FAULT] += [(risen, 1)] + ([(falls, 0)] if falls < FAR else [])
        lines[EVENT].append((event, risen))
        lines[READ] += _read_after(risen, reads)
    return lines


def fault_reads(edges: Edges) -> dict[str, list[Edge]]:
    """Return which reads of the host the rises of a fault line come before, as a dump shows it.

    A rise is left out ahead of the first read whose frame is known, for then others may not be.
    """
    line = edges.get("host.read", ())
    known = next((time for time, index in line if index >= 0), FAR)
    reads = [time for (_, index), (time, _) in pairwise(line) if index != NO_FRAME]
    risen = [time for time in rises(edges, FAULT) if time >= known]
    return {READ: [one for time in risen for one in _read_after(time, reads)]}


def _read_after(time: int, reads: list[int]) -> list[Edge]:
    """Return the first read that ends after the line has risen, with that instant, if any does."""
    place = bisect_right(reads, time)
    return [(reads[place], time)] if place < len(reads) else []
