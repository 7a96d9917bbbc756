"""A timing table to go under a diagram: symbol, meaning, conditions, min, typ, max, unit, seen.

Min, typ and max are what the scenario's laws leave; what was seen stands apart from them.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING

from simlink.base.wording import in_unit, unit_of
from simlink.tracing.measured import RULES
from simlink.tracing.run_limits import split

if TYPE_CHECKING:
    from simlink.tracing.law_limits import LawLimit, Range
    from simlink.tracing.run_limits import Limits

KINDS = ("md", "csv", "tex")
HEADINGS = ("symbol", "meaning", "conditions", "min", "typ", "max", "seen from", "seen to", "unit")
_DIGITS = 5
_LAWS = "Min, typ and max: what the laws of the scenario leave; none where no single law fixes it."
_SEEN = "Seen: least and largest over"
_NONE = {"md": "–", "csv": "", "tex": "--"}


@dataclass(frozen=True)
class _Row:
    symbol: str
    meaning: str
    conditions: str
    law: Range | None
    seen: Limits

    @property
    def largest(self) -> float:
        """The largest time of the row, by which its unit is chosen."""
        ends: list[float] = [self.seen.least, self.seen.largest]
        if self.law is not None:
            ends += [end for end in (self.law.low, self.law.high) if math.isfinite(end)]
        return max(abs(end) for end in ends)


def timing_table(
    limits: Mapping[str, Limits],
    kind: str = "md",
    symbols: Iterable[str] | None = None,
    over: str = "",
    laws: Mapping[tuple[str, str], LawLimit] | None = None,
    pins: Mapping[str, str] | None = None,
    scheme: str = "remote_master",
) -> str:
    """Return a timing table as text.

    Parameters
    ----------
    limits : mapping of str to Limits
        From `simlink.tracing.run_limits.over_run`.
    kind : {"md", "csv", "tex"}
        Markdown, CSV (every digit that was measured), or a LaTeX tabular that needs no package.
    symbols : iterable of str, optional
        Which rows, in the order of the signal's way; all of them when left out.
    over : str
        What they are the limits of (`simlink.tracing.run_limits.RunLimits.over`), for a line below
        the table; CSV has none, so that it stays a table.
    laws : mapping, optional
        From `simlink.tracing.law_limits.law_limits`.
    pins : mapping of str to str, optional
        Names of signals, added to the meaning of each interval between two of them.
    scheme : str
        The clocking scheme, which says between which signals some intervals are measured.

    Returns
    -------
    str
        Ends with a line break. Min, typ and max are those of the laws, an empty cell where there
        is none; the least and the largest value seen stand beside.
    """
    rows = list(_rows(limits, symbols, laws or {}, pins or {}, scheme))
    cells = [_cells(row, kind) for row in rows]
    below = [_LAWS, f"{_SEEN} {over}."] if over else []
    if kind == "csv":
        text = io.StringIO()
        out = csv.writer(text, lineterminator="\n")
        out.writerows([HEADINGS, *cells])
        return text.getvalue()
    if kind == "md":
        rule = ("---", "---", "---", "---:", "---:", "---:", "---:", "---:", "---")
        lines = [HEADINGS, rule, *cells]
        table = "".join(f"| {' | '.join(line)} |\n" for line in lines)
        return table + "".join(f"\n{line}\n" for line in below)
    tex = [r"\begin{tabular}{lllrrrrrl}", r"\hline"]
    tex += [" & ".join(line) + r" \\" for line in (HEADINGS, *cells)]
    tex.insert(3, r"\hline")
    tex.append(r"\hline")
    tex += [rf"\multicolumn{{9}}{{l}}{{{line}}} \\" for line in below]
    return "\n".join([*tex, r"\end{tabular}", ""])


def _rows(
    limits: Mapping[str, Limits],
    symbols: Iterable[str] | None,
    laws: Mapping[tuple[str, str], LawLimit],
    pins: Mapping[str, str],
    scheme: str,
) -> Iterator[_Row]:
    wanted = set(limits if symbols is None else symbols)
    for symbol, rule in RULES.items():
        if symbol not in wanted or symbol not in limits:
            continue
        meaning = rule.meaning
        first, last = (pins.get(signal) for signal in rule.between(scheme))
        if first is not None and last is not None:
            meaning += f" ({first})" if first == last else f" ({first} to {last})"
        for part, seen in split(limits, symbol).items():
            law = laws.get((symbol, part)) or laws.get((symbol, ""))
            told = [part, law.conditions if law is not None else ""]
            conditions = ", ".join(one for one in told if one)
            yield _Row(symbol, meaning, conditions, law.range if law else None, seen)


def _cells(row: _Row, kind: str) -> tuple[str, ...]:
    scale, unit = unit_of(row.largest)
    law = row.law
    ends = (None, None, None) if law is None else (law.low, law.typical, law.high)
    values = [_number(one, scale, kind) for one in (*ends, row.seen.least, row.seen.largest)]
    letter, _, index = row.symbol.partition("_")
    symbol = row.symbol
    texts = [row.meaning, row.conditions or _NONE[kind]]
    if kind == "tex":
        symbol = f"${letter}_{{\\mathrm{{{index}}}}}$"
        unit = r"$\mu$s" if unit == "us" else unit
        texts = [_for_tex(one) for one in texts]
    elif kind == "md":
        symbol, unit = f"{letter}<sub>{index}</sub>", unit.replace("us", "µs")
        texts = [one.replace("|", r"\|") for one in texts]
    return (symbol, *texts, *values, unit)


def _for_tex(text: str) -> str:
    for sign in "&%#_{}":
        text = text.replace(sign, f"\\{sign}")
    return text


def _number(value: float | None, scale: int, kind: str) -> str:
    if value is None or not math.isfinite(value):
        return _NONE[kind]
    if kind == "csv":
        return f"{Decimal(round(value)) / Decimal(scale):f}"
    text = in_unit(value, scale, _DIGITS)
    return f"${text}$" if kind == "tex" and text.startswith("-") else text
