"""``simlink explain``: why one word was lost, late, wrong or read too early."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

from simlink.base.errors import InputError
from simlink.base.json_text import json_text
from simlink.commands import options as opt


def explain(
    path: opt.ScenarioPath,
    word: Annotated[
        str | None, opt.value("The conversion whose words are to be explained.", "K")
    ] = None,
    first: Annotated[
        str | None,
        opt.value(
            "Instead the latest of the run, or its first that is overrun, missed_trigger, "
            "underrun, corrupted, dropped, not_received, in_flight, timed_out, misaligned "
            "(taken for another one) or silent (harmed, and nobody is told).",
            "FATE",
        ),
    ] = None,
    trial: opt.Trial = "0",
    seed: opt.Seed = None,
    out: Annotated[
        str | None,
        opt.value("Draw that stretch too: a name ending with .svg, .pdf or .png.", "FILE"),
    ] = None,
    json: opt.Json = False,
) -> None:
    """Explain one word: what happened to it, in instants and margins, and what is at fault."""
    from simlink.base.safe_write import check_place, write_whole
    from simlink.pictures.diagram import kind_of
    from simlink.pictures.text import wrapped
    from simlink.tracing.explain import explain as explained

    if (word is None) == (first is None):
        raise InputError("--word", None, None, "one of --word K and --first FATE is wanted")
    kind = None if out is None else kind_of(out)
    if out is not None:
        check_place(Path(out))
    number = opt.whole("--trial", trial, 0, 10**7)
    index = opt.whole("--word", word, 0, 10**10)
    found = explained(opt.changed(path, seed), index, trial=number, first=first)
    told = "\n".join(wrapped(line, "  ", "  ") for line in (*found.steps, found.because) if line)
    head = f"Board {found.trial}, conversion {found.conversion}: {found.fate}{found.beside}"
    print(f"{head}\n{told}", file=sys.stderr if json else sys.stdout)
    if json:
        print(json_text(found.to_dict()), end="")
    if out is not None and kind is not None:
        write_whole(Path(out), found.diagram().encode(kind))
        shown = found.shown
        which = f"{shown[0]} to {shown[-1]}" if len(shown) > 1 else f"{shown[0]}"
        print(f"Diagram: {out} (conversions {which})", file=sys.stderr if json else sys.stdout)
