"""``simlink start``: write a first scenario from the numbers of a data sheet."""

from __future__ import annotations

import inspect
import shlex
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Annotated

import typer

from simlink.base.errors import InputError
from simlink.commands import options as opt
from simlink.commands.results import interrupted
from simlink.scenario.questions import QUESTIONS

#: What `simlink budget` takes unless told otherwise.
_BER, _UNITS, _YIELD = 1e-12, 1000, 0.999


def _with_questions(command: Callable[..., None]) -> Callable[..., None]:
    """Give a command one option for each number that a scenario needs."""
    options = []
    for one in QUESTIONS:
        what = f"{one.asks[0].upper()}{one.asks[1:]}: {one.form}."
        kind = Annotated[str | None, opt.value(what, None)]
        name = one.name.replace("-", "_")
        keyword = inspect.Parameter.KEYWORD_ONLY
        options.append(inspect.Parameter(name, keyword, default=None, annotation=kind))
    whole = inspect.signature(command, eval_str=True)
    *own, _ = whole.parameters.values()  # the last one gathers the answers
    command.__signature__ = whole.replace(parameters=[*own, *options])  # type: ignore[attr-defined]
    return command


@_with_questions
def start(
    path: Annotated[Path, typer.Argument(help="The scenario to write.", metavar="FILE")],
    yes: Annotated[bool, opt.flag("--yes", "Ask nothing: assume what was not given.")] = False,
    force: Annotated[bool, opt.flag("--force", "Replace a file that is there.")] = False,
    **given: str | None,
) -> None:
    """Write a first scenario, asking for the numbers of the data sheet.

    A number is one value, "low / high" or "low / typical / high", with its unit, or as a data
    sheet prints it: "1 MSPS", "18 bit", "530 ns max", "9 ns typ, 14 ns max", "2-8 us". What is
    left out is assumed, and marked in the file. What cannot work is said at once.
    """
    from simlink.scenario import starter

    answers = {name.replace("_", "-"): said for name, said in given.items() if said is not None}
    # All that can be refused is refused before the first question.
    starter.refuse_existing(path, force)
    starter.render(answers, path.parent)

    missing = starter.needed(answers)
    if missing and not yes:
        if not sys.stdin.isatty():
            names = " ".join("--" + question.name for question in missing)
            raise InputError(
                "start", None, None, f"nobody to ask: give {names}, or --yes to assume them"
            )
        answers = _ask(answers, path.parent)
    text = starter.write(path, answers, force)
    print(f"written: {path}")
    _judge(text, path.parent, answers)
    print(f"{text.count('# ASSUMED:')} values are assumed; look for ASSUMED in the file.")
    print(f"next: simlink run {shlex.quote(str(path))}")


def _judge(text: str, folder: Path, answers: dict[str, str]) -> None:
    """Say what is out of the ordinary, and what cannot work and which number is at fault."""
    from simlink.budget.scheme import SchemeBudget
    from simlink.budget.units import BuiltUnits
    from simlink.budget.verdict import complaints
    from simlink.scenario import starter
    from simlink.scenario.loading import loads

    for remark in starter.unusual(answers, folder):
        print(remark)
    scenario = loads(text, folder)
    budget = SchemeBudget(
        scenario, scenario.link.scheme, _BER, BuiltUnits(scenario.seed, _UNITS), _YIELD
    )
    for refusal in budget.refusals() or complaints(budget):
        source = starter.source_of(refusal, answers, folder)
        told = f" ({source})" if source else ""
        print(f"this cannot work: {refusal}{told}")


def _ask(answers: dict[str, str], folder: Path) -> dict[str, str]:
    from simlink.scenario import starter

    print("A number is one value, low / high or low / typical / high, with its unit.")
    print("Enter alone takes the value in brackets and marks it as assumed.")
    try:
        return starter.ask(answers, folder, input, print)
    except (EOFError, KeyboardInterrupt):
        print(file=sys.stderr)
        raise interrupted("nothing written") from None
