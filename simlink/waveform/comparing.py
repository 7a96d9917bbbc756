"""Measures the named intervals on a dump and sets them beside the simulation's."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

from simlink.base.instants import FS_PER_SECOND
from simlink.tracing.measured import (
    RULES,
    Limits,
    Span,
    edges_of,
    in_order,
    limits_of,
    measure,
    traces,
)
from simlink.waveform.capturing import MOST, Capture, capture
from simlink.waveform.deriving import Edges, Seen, complete
from simlink.waveform.faults import Complaint, check, first_whole, longest_high
from simlink.waveform.mapping import names_in

if TYPE_CHECKING:
    import pandas as pd

    from simlink.scenario.schema import Scenario

#: What can be measured at the converter without its trigger, from the rise of its busy on.
_FROM_BUSY = frozenset(("t_BUSY", "t_BCK", "t_MSB", "t_DV", "t_DH", "t_SU", "t_H"))


@dataclass(frozen=True)
class Row:
    """One interval: what the dump shows and what the simulation does.

    Attributes
    ----------
    symbol, meaning : str
        As in `measured.RULES`.
    measured, simulated : Limits or None
        In fs; None where it was not seen.
    """

    symbol: str
    meaning: str
    measured: Limits | None
    simulated: Limits | None

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
    """

    dump: str
    step: int
    spans: list[Span]
    rows: list[Row]
    complaints: list[Complaint]
    whole: bool = True

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

    Raises
    ------
    InputError
        If it is no dump, or lacks a line that is named.
    """
    found = capture(path, scenario, names_in(scenario) | dict(names or {}), most)
    simulated = Simulated(scenario, most)
    complaints = check(found, scenario, simulated.longest_high)
    spans = spans_of(found, scenario)
    measured = limits_of(spans)
    beside = simulated.limits() if measured else {}
    rows = [
        Row(symbol, RULES[symbol].meaning, measured.get(symbol), beside.get(symbol))
        for symbol in RULES
        if symbol in measured
    ]
    return Comparison(found.name, found.step, spans, rows, complaints, found.whole)


def spans_of(found: Capture, scenario: Scenario) -> list[Span]:
    """Return every interval that a dump shows, from its first whole frame on."""
    seen = Seen(found.edges, found.pulses, found.lines, found.begin, found.end, found.step)
    edges = first_whole(complete(seen, scenario))
    spans = measure(edges)
    if edges.get("remote.trigger") or not edges.get("remote.busy"):
        return spans
    # Without its trigger, a conversion is told by the rise of busy.
    rises = [time for time, level in edges["remote.busy"] if level]
    edges = dict(edges)
    edges["remote.trigger"] = [(time, index) for index, time in enumerate(rises)]
    more = [span for span in measure(edges) if span.symbol in _FROM_BUSY]
    known = [span for span in spans if span.symbol not in _FROM_BUSY]
    return in_order(known + more)


class Simulated:
    """The simulation that a dump is compared with; run when it is asked for, and once."""

    def __init__(self, scenario: Scenario, most: int) -> None:
        self.scenario = scenario
        self.most = most

    def limits(self) -> dict[str, Limits]:
        """Return what each interval is in the simulation, over its units."""
        return limits_of(self._seen[0])

    def longest_high(self, signal: str) -> int | None:
        """Return the longest that a level is high, fs; None if it never is."""
        return self._seen[1].get(signal)

    @cached_property
    def _seen(self) -> tuple[list[Span], dict[str, int]]:
        spans: list[Span] = []
        longest: dict[str, int] = {}
        for found in traces(self.scenario, self.most):
            edges = traced(edges_of(found), self.scenario)
            spans += measure(edges)
            for name in ("host.busy", "remote.busy"):
                held = longest_high(edges.get(name, ()), found.changes[-1].time)
                if held is not None:
                    longest[name] = max(held, longest.get(name, 0))
        return spans, longest


def traced(edges: Edges, scenario: Scenario) -> Edges:
    """Return the edges of a trace with what is told from others filled in, as on a dump."""
    times = [line[i][0] for line in edges.values() if line for i in (0, -1)]
    return complete(Seen(edges, {}, {}, min(times, default=0), max(times, default=0)), scenario)
