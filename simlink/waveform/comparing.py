"""Measures the named intervals on a dump and sets them beside the simulation's."""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Callable, Container, Mapping
from dataclasses import dataclass
from functools import cache, partial
from pathlib import Path
from typing import TYPE_CHECKING

from simlink.base.instants import FS_PER_SECOND, period_of
from simlink.link.repeat import repeats
from simlink.link.transient import may_upset
from simlink.tracing.captured_for import captured_for_whole
from simlink.tracing.edges import rises
from simlink.tracing.fault_edges import fault_edges, fault_reads
from simlink.tracing.law_limits import Range, law_limits
from simlink.tracing.measured import RULES, Span, edges_of, in_order, measure
from simlink.tracing.run_limits import BY_BIT, FIRST, LATER, Limits, limits_of, traces
from simlink.waveform.capturing import MOST, Capture, capture
from simlink.waveform.deriving import Edges, Seen, complete
from simlink.waveform.faults import Complaint, check, first_whole, longest_high
from simlink.waveform.mapping import names_in

if TYPE_CHECKING:
    import pandas as pd

    from simlink.scenario.schema import Scenario
    from simlink.tracing.law_limits import LawLimit

#: What can be measured at the converter without its trigger, from the rise of its busy on.
_FROM_BUSY = frozenset(("t_BUSY", "t_BCK", "t_MSB", "t_DV", "t_DH", "t_SU", "t_H"))
#: Intervals that the change of a data line ends.
_HOLDS = frozenset(("t_DH", "t_H"))


@dataclass(frozen=True)
class Row:
    """One interval: what the dump shows and what the simulation does.

    Attributes
    ----------
    symbol, meaning : str
        As in `measured.RULES`.
    measured, simulated : Limits or None
        In fs; None where it was not seen.
    law : Range or None
        The limits that the scenario's laws leave; None where no single law fixes it.
    verdict : str
        ``"pass"``, ``"fail"`` or ``"within resolution"`` against those limits; empty without.
    """

    symbol: str
    meaning: str
    measured: Limits | None
    simulated: Limits | None
    law: Range | None = None
    verdict: str = ""

    @property
    def difference(self) -> int | None:
        """The typical value measured less the one simulated, fs."""
        if self.measured is None or self.simulated is None:
            return None
        return self.measured.typical - self.simulated.typical


@dataclass(frozen=True)
class Comparison:
    """A dump that has been measured.

    Attributes
    ----------
    dump : str
        The file.
    step : int
        Its timescale, fs.
    spans : list of Span
        Every interval that was measured.
    rows : list of Row
        Those of the dump beside those of the simulation.
    complaints : list of Complaint
        What is wrong with the dump; none with a clean one.
    whole : bool
        Whether all its conversions were measured.
    resolution : int
        To how many fs each of its intervals is known; 0 if they are exact.
    unseen : tuple of str
        Symbols of the intervals that the simulation has and the dump does not show.
    """

    dump: str
    step: int
    spans: list[Span]
    rows: list[Row]
    complaints: list[Complaint]
    whole: bool = True
    resolution: int = 0
    unseen: tuple[str, ...] = ()

    def to_pandas(self) -> pd.DataFrame:
        """Return one row an interval; lengths in seconds, NaN where it was not seen."""
        import pandas as pd

        rows = []
        for row in self.rows:
            values: dict[str, object] = {"symbol": row.symbol, "meaning": row.meaning}
            for side, limits in (("measured", row.measured), ("simulated", row.simulated)):
                for name in ("least", "typical", "largest"):
                    values[f"{side}_{name}"] = _seconds(getattr(limits, name, None))
            rows.append(values | {"difference": _seconds(row.difference)})
        return pd.DataFrame(rows)

    def _repr_html_(self) -> str:
        return self.to_pandas().to_html()

    @property
    def service_latencies(self) -> list[int]:
        """The service latencies that were seen, in the order of the services, fs."""
        return [span.length for span in self.spans if span.symbol == "t_SVC"]


def _seconds(time: int | None) -> float:
    return float("nan") if time is None else time / FS_PER_SECOND


def compare(
    scenario: Scenario,
    path: Path | str,
    names: Mapping[str, str] | None = None,
    most: int = MOST,
    progress: Callable[[int, int], object] | None = None,
) -> Comparison:
    """Measure a dump and compare it with the simulation of its scenario.

    Parameters
    ----------
    scenario : Scenario
        What the dump should show; its ``[dump]`` table says what the lines are called there.
    path : Path or str
        A waveform dump (IEEE Std 1364 VCD), its own or one that was captured on hardware.
    names : mapping of str to str, optional
        More names of lines, which win over the scenario's.
    most : int
        The most conversions that are measured, and simulated.
    progress : callable, optional
        Called now and then with the bytes that have been read, and of how many.

    Raises
    ------
    InputError
        If it is no dump, or lacks a line that is named.
    """
    found = capture(path, scenario, names or {}, most, progress, names_in(scenario))
    # Run when it is asked for, and once.
    simulated = cache(partial(_simulated, scenario, most))
    complaints = check(found, scenario, lambda name: simulated()[1].get(name))
    spans = spans_of(found, scenario)
    measured = limits_of(spans)
    beside = simulated()[0] if measured else {}
    laws = law_limits(scenario)
    rows = []
    for symbol in RULES:
        if symbol in measured:
            some = [span for span in spans if span.symbol == symbol]
            law, verdict = judged(some, laws, found.resolution, _wires(found))
            meaning = RULES[symbol].meaning
            seen, other = measured[symbol], beside.get(symbol)
            rows.append(Row(symbol, meaning, seen, other, law, verdict))
    unseen = tuple(symbol for symbol in RULES if symbol in beside and symbol not in measured)
    return Comparison(
        found.name, found.step, spans, rows, complaints, found.whole, found.resolution, unseen
    )


def judged(
    spans: list[Span],
    laws: Mapping[tuple[str, str], LawLimit],
    resolution: int,
    wires: Container[int] = (),
) -> tuple[Range | None, str]:
    """Judge the intervals of one symbol against the limits of its laws.

    Parameters
    ----------
    spans : list of Span
        As they were measured.
    laws : mapping
        From `simlink.tracing.law_limits.law_limits`.
    resolution : int
        By how much each may be off, fs.
    wires : container of int, optional
        The lanes whose data was seen on a plain wire. That keeps the old level until the next bit
        is there, so a hold on it has no upper limit.

    Returns
    -------
    law : Range or None
        The limits, of all its bits together.
    verdict : str
        ``"fail"`` if one is beyond them by more than the resolution, ``"within resolution"`` if
        one could be, else ``"pass"``; empty without limits.
    """
    ranges: list[Range] = []
    worst = 0
    for span in spans:
        part = "" if span.symbol not in BY_BIT else FIRST if span.bit == 0 else LATER
        law = laws.get((span.symbol, part)) or laws.get((span.symbol, ""))
        if law is None or law.range is None:
            return None, ""
        limits = law.range
        if span.symbol in _HOLDS and span.lane in wires:
            limits = Range(limits.low, limits.typical, math.inf)
        ranges.append(limits)
        over = max(limits.low - span.length, span.length - limits.high)
        worst = max(worst, 2 if over > resolution else 1 if over > -resolution else 0)
    low, high = min(one.low for one in ranges), max(one.high for one in ranges)
    if math.isinf(low) and math.isinf(high):
        return None, ""
    return Range(low, ranges[0].typical, high), ("pass", "within resolution", "fail")[worst]


def spans_of(found: Capture, scenario: Scenario) -> list[Span]:
    """Return every interval that a dump shows, from its first whole frame on."""
    every = complete(found, scenario)
    edges = first_whole(every) | fault_reads(every)
    if may_upset(scenario, "return") or repeats(scenario):
        edges |= captured_for_whole(edges, scenario.bits_per_lane)
    spans = _toggled(measure(edges), found, edges, scenario)
    if edges.get("remote.trigger") or not edges.get("remote.busy"):
        return spans
    # Without its trigger, a conversion is told by the rise of busy.
    edges = dict(edges)
    begun = enumerate(rises(edges, "remote.busy"))
    edges["remote.trigger"] = [(time, index) for index, time in begun]
    more = [span for span in measure(edges) if span.symbol in _FROM_BUSY]
    known = [span for span in spans if span.symbol not in _FROM_BUSY]
    return in_order(known + more)


def _wires(found: Capture) -> set[int]:
    """Return the lanes whose data at the converter is a plain wire in the dump."""
    return {int(name[12:-1]) for name in found.lines if name.startswith("remote.data[")}


def _toggled(spans: list[Span], found: Capture, edges: Edges, scenario: Scenario) -> list[Span]:
    """Leave out holds of bits after which a plain data line did not move.

    On a wire a bit that is like the one before it shows no edge; the change that comes some bits
    later ends the hold of none before.
    """
    plain = _wires(found)
    captured = [time for time, _ in edges.get("remote.capture", ())]
    longest = round(1.5 * period_of(scenario.remote_clock.frequency.value))
    kept = []
    for span in spans:
        if span.symbol == "t_H" and span.lane in plain:
            place = bisect_right(captured, span.start)
            following = captured[place] if place < len(captured) else span.end
            if span.end > min(following, span.start + longest):
                continue
        kept.append(span)
    return kept


def _simulated(scenario: Scenario, most: int) -> tuple[dict[str, Limits], dict[str, int]]:
    """Return what each interval is in the simulation, and the longest that each busy is high, fs.

    A busy that never is high is left out.
    """
    spans: list[Span] = []
    longest: dict[str, int] = {}
    for found in traces(scenario, most):
        edges = dict(traced(edges_of(found), scenario))
        spans += measure(edges | fault_edges(found))
        for name in ("host.busy", "remote.busy"):
            held = longest_high(edges.get(name, ()), found.changes[-1].time)
            if held is not None:
                longest[name] = max(held, longest.get(name, 0))
    return limits_of(spans), longest


def traced(edges: Edges, scenario: Scenario) -> Edges:
    """Return the edges of a trace with what is told from others filled in, as on a dump."""
    times = [line[i][0] for line in edges.values() if line for i in (0, -1)]
    begin, end = min(times, default=0), max(times, default=0)
    return complete(Seen(edges=edges, begin=begin, end=end), scenario)
