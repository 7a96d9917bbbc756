"""A timing table to go under a diagram: symbol, meaning, min, typ, max, unit."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping
from decimal import Decimal
from typing import TYPE_CHECKING

from simlink.tracing.measured import RULES

if TYPE_CHECKING:
    from simlink.tracing.measured import Limits

KINDS = ("md", "csv", "tex")
HEADINGS = ("symbol", "meaning", "min", "typ", "max", "unit")
_UNITS = ((10**15, "s"), (10**12, "ms"), (10**9, "us"), (10**6, "ns"), (10**3, "ps"), (1, "fs"))
_DIGITS = 5


def timing_table(
    limits: Mapping[str, Limits], kind: str = "md", symbols: Iterable[str] | None = None
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
        return "".join(f"| {' | '.join(line)} |\n" for line in lines)
    body = [" & ".join(line) + r" \\" for line in rows]
    head = " & ".join(HEADINGS) + r" \\"
    return (
        "\n".join(
            [
                r"\begin{tabular}{llrrrl}",
                r"\hline",
                head,
                r"\hline",
                *body,
                r"\hline",
                r"\end{tabular}",
            ]
        )
        + "\n"
    )


def _row(symbol: str, law: Limits, kind: str) -> tuple[str, ...]:
    scale, unit = next(
        (s, u) for s, u in _UNITS if max(abs(law.largest), abs(law.least)) >= s or s == 1
    )
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
    exact = Decimal(value) / Decimal(scale)
    if kind == "csv":
        return f"{exact:f}"
    decimals = max(_DIGITS - len(str(int(abs(exact)))), 0) if scale > 1 else 0
    text = f"{exact:.{decimals}f}"
    return f"${text}$" if kind == "tex" and text.startswith("-") else text
