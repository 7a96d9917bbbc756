"""What comes of a dump that has been measured: a table, a CSV file, latencies to be replayed."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from simlink.base import latency_table
from simlink.base.errors import InputError
from simlink.base.wording import nanoseconds, short_time
from simlink.tracing.run_limits import Limits
from simlink.waveform.comparing import Comparison

if TYPE_CHECKING:
    from simlink.tracing.law_limits import Range


def write_latencies(path: Path | str, comparison: Comparison, command: str = "") -> int:
    """Write the service latencies seen on a dump as a file that a scenario replays.

    The file is laid out as that of ``simlink host-latency``: comments, then the columns index and
    latency_ns; times are exact.

    Parameters
    ----------
    path : Path or str
        The file; one that is there is replaced in one step.
    comparison : Comparison
        A dump that has been measured.
    command : str
        The command that made it.

    Returns
    -------
    int
        How many there are.

    Raises
    ------
    InputError
        If the dump shows none.
    OutputError
        If the file cannot be written.
    """
    latencies = comparison.service_latencies
    if not latencies:
        raise InputError(comparison.dump, None, None, "no service latency can be told from it")
    head = (
        "service latency: start of the read less the begin of the service, from a waveform dump",
        f"dump: {comparison.dump}",
        f"resolution: {short_time(comparison.resolution or comparison.step)}",
        f"command: {command or 'simlink.waveform'}",
        *(f"complaint: {complaint.line()}" for complaint in comparison.complaints),
    )
    latency_table.write_latencies(path, head, map(nanoseconds, latencies))
    return len(latencies)


def table(comparison: Comparison) -> str:
    """Return the comparison as text: measured and simulated limits, and their difference."""
    head = ["", "n", "measured", "simulated", "difference", "limits", "verdict", "meaning"]
    to = comparison.resolution
    rows = [head]
    for row in comparison.rows:
        count = "" if row.measured is None else str(row.measured.count)
        texts = [_limits(row.measured, to), _limits(row.simulated), _signed(row.difference, to)]
        texts += [_law(row.law), row.verdict or "-"]
        rows.append([row.symbol, count, *texts, row.meaning])
    widths = [max(len(row[column]) for row in rows) for column in range(len(head) - 1)]
    place: list[Callable[[str, int], str]] = [str.ljust, *[str.rjust] * 5, str.ljust]
    lines = []
    for cells in rows:
        parts = [at(cell, width) for at, cell, width in zip(place, cells, widths, strict=False)]
        lines.append("  ".join([*parts, cells[-1]]).rstrip())
    lines.append("min / typ / max in ns; typ is the median; difference: of typ")
    lines.append("limits: of the scenario's laws; verdict: of what was measured, against them")
    if comparison.unseen:
        lines.append(f"simulated, but not seen in the dump: {', '.join(comparison.unseen)}")
    if to:
        lines.append(f"resolution: {short_time(to)}, by the grid on which all edges lie")
    return "\n".join(lines) + "\n"


def _law(law: Range | None) -> str:
    if law is None:
        return "-"
    low, high = (_short(round(one)) if math.isfinite(one) else "" for one in (law.low, law.high))
    return low if low == high else f"{low} .. {high}"


def _limits(limits: Limits | None, resolution: int = 0) -> str:
    if limits is None:
        return "-"
    shown = [_short(one, resolution) for one in (limits.least, limits.typical, limits.largest)]
    return shown[0] if len(set(shown)) == 1 else " / ".join(shown)


def _signed(time: int | None, resolution: int = 0) -> str:
    if time is None:
        return "-"
    text = _short(time, resolution)
    return f"+{text}" if time > 0 and float(text) else text


def _short(time: int, resolution: int = 0) -> str:
    """Write a time in ns to the picosecond, or to its resolution; the CSV has it whole."""
    digits = len(str(max(resolution, 1000))) - 1
    return nanoseconds(round(time, -digits))


def as_csv(comparison: Comparison) -> str:
    """Return the comparison as CSV, times in ns."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    limits = ("min", "typ", "max")
    sides = [f"{side}_{name}_ns" for side in ("measured", "simulated") for name in limits]
    laws = ["limit_low_ns", "limit_high_ns", "verdict", "resolution_ns"]
    writer.writerow(["symbol", "meaning", "count", *sides, "difference_ns", *laws])
    for row in comparison.rows:
        cells: list[str] = []
        for side in (row.measured, row.simulated):
            values = () if side is None else (side.least, side.typical, side.largest)
            cells += [nanoseconds(value) for value in values] or [""] * 3
        count = 0 if row.measured is None else row.measured.count
        difference = "" if row.difference is None else nanoseconds(row.difference)
        ends = () if row.law is None else (row.law.low, row.law.high)
        bounds = [nanoseconds(round(one)) if math.isfinite(one) else "" for one in ends]
        last = [*(bounds or [""] * 2), row.verdict, nanoseconds(comparison.resolution)]
        writer.writerow([row.symbol, row.meaning, count, *cells, difference, *last])
    return out.getvalue()
