"""The options and arguments that commands share, each declared once.

Numbers are taken as text, so that a bad one is told in one line like any other bad input.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, overload

import typer

from simlink.base.errors import InputError
from simlink.base.interrupts import uninterrupted

if TYPE_CHECKING:
    from simlink.scenario.schema import Scenario


def value(what: str, metavar: str | None = "N", *names: str) -> Any:
    """Return an option with a value, called like its parameter unless it is named."""
    return typer.Option(*names, help=what, metavar=metavar)


def flag(name: str, what: str) -> Any:
    """Return an option without a value."""
    return typer.Option(name, help=what)


ScenarioPath = Annotated[Path, typer.Argument(help="The scenario.", metavar="SCENARIO")]
Seed = Annotated[str | None, value("What every draw derives from.")]
Trials = Annotated[str | None, value("Boards built.")]
Conversions = Annotated[str | None, value("Triggers sent in each trial.")]
Engine = Annotated[str, value("event, batch, or auto.", "ENGINE")]
Workers = Annotated[str | None, value("Processes to spread the boards over.")]
On = Annotated[
    str | None, value("A Dask cluster to work on instead: its scheduler's address.", "ADDRESS")
]
Out = Annotated[str | None, value("Folder for the results.", "DIR")]
Json = Annotated[bool, flag("--json", "Print the result as JSON, and nothing else.")]
Trial = Annotated[str, value("Of which board.")]

PinNames = Annotated[
    str | None,
    value(
        "Pin names: a TOML file with a table [names] of names by signals, such as remote.clock = "
        '"SCK".',
        "FILE",
    ),
]


@overload
def whole(option: str, text: str, low: int, high: int) -> int: ...
@overload
def whole(option: str, text: str | None, low: int, high: int) -> int | None: ...
def whole(option: str, text: str | None, low: int, high: int) -> int | None:
    """Read a whole number, which may be written as ``1e9``; None stays None."""
    if text is None:
        return None
    match = re.fullmatch(r"([0-9]{1,20})(?:[eE]\+?([0-9]{1,2}))?", text)
    value = -1 if match is None else int(match[1]) * 10 ** int(match[2] or 0)
    if not low <= value <= high:
        raise InputError(option, None, f'"{text}"', f"a whole number from {low} to {high}")
    return value


def share(option: str, text: str | None, most: float | None = None) -> float:
    """Read a share above 0 and below 1, or a ratio of at most `most`."""
    value = _positive(text)
    if not 1e-300 <= value < 1 if most is None else not 1e-300 <= value <= most:
        allowed = "a share above 0 and below 1, such as 1e-6"
        if 0 < value < 1:
            allowed = "a share of at least 1e-300"
        if most is not None:
            allowed = f"a ratio above 0 and at most {most:g}"
        raise InputError(option, None, f'"{text}"', allowed)
    return value


def confidence(option: str, text: str) -> float:
    """Read how sure an answer shall be."""
    from simlink.scenario.require import CONFIDENCE, is_confidence

    value = _positive(text)
    if not is_confidence(value):
        raise InputError(option, None, f'"{text}"', CONFIDENCE)
    return value


def _positive(text: str | None) -> float:
    """Read a number without a sign; what is none is 0."""
    number = r"(?:[0-9]{1,40}\.?[0-9]{0,40}|\.[0-9]{1,40})(?:[eE][+-]?[0-9]{1,3})?"
    return float(text) if text is not None and re.fullmatch(number, text) else 0.0


def changed(
    path: Path, seed: str | None = None, trials: str | None = None, conversions: str | None = None
) -> Scenario:
    """Load a scenario, with what the options of the same names change in it."""
    with uninterrupted():
        # A schema that is interrupted as it is built prints a traceback of its own.
        from simlink.scenario.loading import load
        from simlink.scenario.sections import MOST_SEED

    numbers = {
        "seed": whole("--seed", seed, 0, MOST_SEED),
        "trials": whole("--trials", trials, 1, 10**7),
        "conversions": whole("--conversions", conversions, 1, 10**10),
    }
    return load(path).with_(**numbers)


def processes(workers: str | None) -> int | None:
    """Return the number of processes that ``--workers`` asks for."""
    return whole("--workers", workers, 1, 1024)


@contextmanager
def where(on: str | None, workers: str | None) -> Iterator[dict[str, Any]]:
    """Give the ``workers`` and ``executor`` that ``--workers`` or ``--on`` asks for."""
    many = processes(workers)
    if on is None:
        yield {"workers": many}
        return
    if many is not None:
        raise InputError("--workers", None, workers, "not with --on: the cluster has its own")
    from simlink.running.cluster import cluster

    with cluster(on) as there:
        yield {"workers": there.workers, "executor": there}


def folder(out: str | None) -> Path | None:
    """Return the folder that ``--out`` names."""
    if out == "":
        raise InputError("--out", None, '""', "the name of a folder")
    return None if out is None else Path(out)
