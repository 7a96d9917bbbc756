"""A timing table to go under a diagram: symbol, meaning, min, typ, max, unit."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping
from decimal import Decimal
from typing import TYPE_CHECKING

from simlink.base.wording import in_unit, unit_of
from simlink.tracing.measured import RULES

if TYPE_CHECKING:
    from simlink.tracing.measured import Limits

KINDS = ("md", "csv", "tex")
HEADINGS = ("symbol", "meaning", "min", "typ", "max", "unit")
_DIGITS = 5
_SAID = "Min, typ and max: least, median and largest over"


def timing_table(
    limits: Mapping[str, Limits],
    kind: str = "md",
    symbols: Iterable[str] | None = None,
    over: str = "",
) -> str:
    """Return a timing table as text.

    Parameters
    ----------
    limits : mapping of str to Limits
        From `simlink.tracing.measured.over_run`.
    kind : {"md", "csv", "tex"}
        Markdown, CSV (every digit that was measured), or a LaTeX tabular that needs no package.
    symbols : iterable of str, optional
        Which rows, in the order of the signal's way; all of them when left out.
    over : str
        What they are the limits of (`simlink.tracing.measured.RunLimits.over`), for a line below
        the table; CSV has none, so that it stays a table.

    Returns
    -------
    str
        Ends with a line break. Min, typ and max are the least, median and largest value seen.
    """
    wanted = set(limits if symbols is None else symbols)
    rows = [
        _row(symbol, limits[symbol], kind) for symbol in RULES if symbol in wanted & set(limits)
    ]
    if kind == "csv":
        text = io.StringIO()
        out = csv.writer(text, lineterminator="\n")
        out.writerows([HEADINGS, *rows])
        return text.getvalue()
    if kind == "md":
        lines = [HEADINGS, ("---", "---", "---:", "---:", "---:", "---"), *rows]
        below = f"\n{_SAID} {over}.\n" if over else ""
        return "".join(f"| {' | '.join(line)} |\n" for line in lines) + below
    tex = [r"\begin{tabular}{llrrrl}", r"\hline"]
    tex += [" & ".join(line) + r" \\" for line in (HEADINGS, *rows)]
    tex.insert(3, r"\hline")
    tex.append(r"\hline")
    if over:
        tex.append(rf"\multicolumn{{6}}{{l}}{{{_SAID} {over}.}}")
    return "\n".join([*tex, r"\end{tabular}", ""])


def _row(symbol: str, law: Limits, kind: str) -> tuple[str, ...]:
    scale, unit = unit_of(max(abs(law.largest), abs(law.least)))
    values = [_number(one, scale, kind) for one in (law.least, law.typical, law.largest)]
    meaning = RULES[symbol].meaning
    if kind == "tex":
        letter, _, index = symbol.partition("_")
        unit = r"$\mu$s" if unit == "us" else unit
        return (f"${letter}_{{\\mathrm{{{index}}}}}$", meaning, *values, unit)
    if kind == "md":
        letter, _, index = symbol.partition("_")
        return (f"{letter}<sub>{index}</sub>", meaning, *values, unit.replace("us", "µs"))
    return (symbol, meaning, *values, unit)


def _number(value: int, scale: int, kind: str) -> str:
    if kind == "csv":
        return f"{Decimal(value) / Decimal(scale):f}"
    text = in_unit(value, scale, _DIGITS)
    return f"${text}$" if kind == "tex" and text.startswith("-") else text
