"""The fault line of a traced unit: its edges, the events that raised it, and the reads after that.

No part drives it: it follows from the events and from when the host's reads end. A trace does not
reach back to every read, its records do.
"""

from __future__ import annotations

from bisect import bisect_right
from typing import TYPE_CHECKING

from simlink.base.instants import FAR
from simlink.figures.flags import read_ends_of
from simlink.link.fault_line import has_line, highs

if TYPE_CHECKING:
    from simlink.tracing.edges import Edge
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
    for (rises, falls), event in zip(found.stretches, found.causes, strict=True):
        if rises > last:
            break
        lines[FAULT] += [(rises, 1)] + ([(falls, 0)] if falls < FAR else [])
        lines[EVENT].append((event, rises))
        place = bisect_right(reads, rises)
        if place < len(reads):
            lines[READ].append((reads[place], rises))
    return lines
