"""Which stretch of which unit is shown: given conversions, or the worst one of a run."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from simlink.base.errors import InputError
from simlink.base.instants import NEVER
from simlink.figures.host_view import host_view
from simlink.link.transient import upsets
from simlink.records import Fate, FrameBlock
from simlink.tracing.association_told import remark
from simlink.tracing.edges import by_conversion, lanes_of
from simlink.tracing.fault_edges import EVENT, fault_edges
from simlink.tracing.finding import WORST, story
from simlink.tracing.measured import edges_of
from simlink.tracing.trace import Trace, check_window, trace

if TYPE_CHECKING:
    from simlink.scenario.loading import Scenario
    from simlink.tracing.edges import Edge

#: The most conversions of one picture.
MOST = 8
#: Conversions that are traced ahead of the window, so that levels are known when it opens.
_LEAD = 12


@dataclass
class View:
    """What is shown."""

    #: With some conversions ahead of those that are shown.
    trace: Trace
    #: Its edges.
    edges: dict[str, list[Edge]]
    #: Those that are shown.
    conversions: range
    #: The stretch of time, in fs.
    start: int
    end: int
    #: Conversion, instant and fate, of those that are shown.
    fates: list[tuple[int, int, Fate]]
    #: What is said besides of those that are harmed, by conversion.
    told: dict[int, str] = field(default_factory=dict)


def parse(text: str) -> range | str:
    """Read what the user wants to see: ``A:B`` (B excluded), one number, or a word of `WORST`.

    Raises
    ------
    InputError
        If it is none of these, or asks for more than `MOST` conversions.
    """
    allowed = f"A:B of at most {MOST} conversions (B not included), or {', '.join(WORST)}"
    if text in WORST:
        return text
    first, colon, last = text.partition(":")
    if not first.isdecimal() or (colon and not last.isdecimal()) or len(text) > 30:
        raise InputError("--conversions", None, f'"{text}"', allowed)
    start = int(first)
    stop = int(last) if colon else start + 1
    if not start < stop <= start + MOST:
        raise InputError("--conversions", None, f'"{text}"', allowed)
    return range(start, stop)


def view(scenario: Scenario, conversions: range | str, trial: int = 0, before: int = 0) -> View:
    """Trace what is shown: conversions of the unit ``trial``, or a word of `WORST`.

    Such a word finds its own unit and, of a frame that is taken for another conversion, begins
    with that one. ``before`` is how much is shown before the first trigger at the least, in fs.

    Raises
    ------
    InputError
        If they are not in the scenario, or too many.
    """
    if isinstance(conversions, str):
        trial, conversions = story(scenario, conversions)
    check_window(scenario, conversions)
    wanted = f"{conversions.start}:{conversions.stop}"
    if len(conversions) > MOST:
        raise InputError("--conversions", None, wanted, f"at most {MOST} conversions")
    lead = max(0, conversions.start - _LEAD)
    # One more than is shown, so that what it does within the stretch is shown too.
    stop = min(conversions.stop + 1, scenario.conversions)
    traced = trace(scenario, range(lead, stop), trial)
    edges = edges_of(traced) | fault_edges(traced)
    fates = _fates(traced, edges, conversions)
    triggers = by_conversion(edges, "host.trigger")
    sent = [triggers[index] for index in conversions if index in triggers]
    if not sent:
        said = f"conversions {wanted} of board {trial} were never triggered"
        raise InputError(scenario.name, "conversions", wanted, said)
    start = min(sent)
    end = max([time for _, time, _ in fates] + [start])
    # A symbol that is lost is drawn as far as it would have come.
    end = max([end, *_hits(traced, conversions).values()])
    # That it is told of belongs to an event.
    end = max([end, *(rise for event, rise in edges.get(EVENT, ()) if start <= event <= end)])
    pad = max(_pad(edges, start, end), 1)
    told = _told(traced, conversions)
    return View(traced, edges, conversions, start - max(pad, before), end + pad, fates, told)


def _pad(edges: dict[str, list[Edge]], start: int, end: int) -> int:
    """Return a little time before and after: two periods of the quickest clock."""
    steps = []
    for name in ("remote.clock", "host.clock"):
        times = np.array([time for time, _ in edges.get(name, ())])
        gaps = np.diff(times)
        steps += [int(gaps[gaps > 0].min())] if (gaps > 0).any() else []
    return 4 * min(steps) if steps else (end - start) // 20


def _told(traced: Trace, conversions: range) -> dict[int, str]:
    """Return what to say of conversions that are taken for others, or that transients harmed."""
    # Of a long run little may have been simulated when its window closed.
    sent = int(np.flatnonzero(traced.record.trigger[0] != NEVER).max()) + 1
    block = FrameBlock(traced.record.trials, 0, traced.record.records[:, :sent])
    outcome = host_view(traced.scenario.model_copy(update={"conversions": sent}), block)
    found: dict[int, str] = {}
    upset = upsets(traced.scenario)
    for index in conversions:
        if index >= sent:
            continue
        fate = Fate(int(traced.record.fate[0, index]))
        if said := remark(outcome[0, index], fate, upset):
            found[index] = said
    return found


def _hits(traced: Trace, conversions: range) -> dict[int, int]:
    """Return when the last symbol of each conversion that was hit arrived, or would have."""
    found: dict[int, int] = {}
    for one in traced.met:
        if one.hit and one.conversion in conversions:
            found[one.conversion] = max(found.get(one.conversion, one.arrives), one.arrives)
    return found


def _fates(
    traced: Trace, edges: dict[str, list[Edge]], conversions: range
) -> list[tuple[int, int, Fate]]:
    """Return when each conversion met its fate."""
    record = traced.record
    names = ("host.trigger", "remote.missed", "fifo.overrun", "remote.lost", "remote.trigger")
    named = {name: by_conversion(edges, name) for name in names}
    last_push = max((line[-1][0] for _, line in lanes_of(edges, "fifo.push") if line), default=None)
    hits = _hits(traced, conversions)
    found = []
    for index in conversions:
        fate = Fate(int(record.fate[0, index]))
        times = {
            Fate.MISSED_TRIGGER: named["remote.missed"].get(index),
            Fate.OVERRUN: (named["fifo.overrun"] | named["remote.lost"]).get(index),
            Fate.IN_FLIGHT: last_push,
            Fate.NOT_RECEIVED: hits.get(index),
        }
        time = times.get(fate)
        ends = [int(record.read_end[0, index]), int(record.release[0, index])]
        if time is None and fate in (Fate.DELIVERED, Fate.UNDERRUN, Fate.CORRUPTED, Fate.DROPPED):
            assert record.last_bit is not None
            time = max(ends[0], int(record.last_bit[0, index].max()))
        if time is None:
            seen = [t for name in named for t in [named[name].get(index)] if t is not None]
            seen += [end for end in ends if end != NEVER]
            time = max(seen) if seen else None
        if time is not None:
            found.append((index, time, fate))
    return found
