"""What comes of a dump that has been measured: a table, a CSV file, latencies to be replayed."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable
from pathlib import Path

from simlink.base import latency_table
from simlink.base.errors import InputError
from simlink.base.wording import nanoseconds
from simlink.tracing.measured import Limits
from simlink.waveform import timescale
from simlink.waveform.comparing import Comparison


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
        f"resolution: {timescale.written(comparison.step)}",
        f"command: {command or 'simlink.waveform'}",
        *(f"complaint: {complaint.line()}" for complaint in comparison.complaints),
    )
    latency_table.write_latencies(path, head, map(nanoseconds, latencies))
    return len(latencies)


def table(comparison: Comparison) -> str:
    """Return the comparison as text: measured and simulated limits, and their difference."""
    head = ["", "n", "measured", "simulated", "difference", "meaning"]
    rows = [head]
    for row in comparison.rows:
        count = "" if row.measured is None else str(row.measured.count)
        texts = [_limits(row.measured), _limits(row.simulated), _signed(row.difference)]
        rows.append([row.symbol, count, *texts, row.meaning])
    widths = [max(len(row[column]) for row in rows) for column in range(len(head) - 1)]
    place: list[Callable[[str, int], str]] = [str.ljust, *[str.rjust] * 4]
    lines = []
    for cells in rows:
        parts = [at(cell, width) for at, cell, width in zip(place, cells, widths, strict=False)]
        lines.append("  ".join([*parts, cells[-1]]).rstrip())
    lines.append("min / typ / max in ns; typ is the median; difference: of typ")
    return "\n".join(lines) + "\n"


def _limits(limits: Limits | None) -> str:
    if limits is None:
        return "-"
    shown = [_short(one) for one in (limits.least, limits.typical, limits.largest)]
    return shown[0] if len(set(shown)) == 1 else " / ".join(shown)


def _signed(time: int | None) -> str:
    if time is None:
        return "-"
    text = _short(time)
    return f"+{text}" if time > 0 and float(text) else text


def _short(time: int) -> str:
    """Write a time in ns to the picosecond; the CSV has it whole."""
    return nanoseconds(round(time, -3))


def as_csv(comparison: Comparison) -> str:
    """Return the comparison as CSV, times in ns."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    limits = ("min", "typ", "max")
    sides = [f"{side}_{name}_ns" for side in ("measured", "simulated") for name in limits]
    writer.writerow(["symbol", "meaning", "count", *sides, "difference_ns"])
    for row in comparison.rows:
        cells: list[str] = []
        for side in (row.measured, row.simulated):
            values = () if side is None else (side.least, side.typical, side.largest)
            cells += [nanoseconds(value) for value in values] or [""] * 3
        count = 0 if row.measured is None else row.measured.count
        difference = "" if row.difference is None else nanoseconds(row.difference)
        writer.writerow([row.symbol, row.meaning, count, *cells, difference])
    return out.getvalue()
