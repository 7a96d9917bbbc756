"""Text for a terminal: columns, and paragraphs of a width."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

#: Characters of a line, unless a table needs more.
WIDTH = 78


def columns(rows: Sequence[tuple[str, ...]], *, right: bool = False, apart: int = 2) -> str:
    """Return rows of cells, so many blanks apart and indented by two, flush left or right."""
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    put = str.rjust if right else str.ljust
    lines = (
        (" " * apart).join(put(c, w) for c, w in zip(row, widths, strict=True)) for row in rows
    )
    return "\n".join(f"  {line}".rstrip() for line in lines)


def wrapped(text: str, first: str = "", later: str = "", width: int = WIDTH) -> str:
    """Return a text in lines of a width, with indents of the first and of later ones."""
    return textwrap.fill(
        text, width, initial_indent=first, subsequent_indent=later, break_on_hyphens=False
    )
