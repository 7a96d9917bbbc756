"""The options and arguments that commands share, each declared once.

Numbers are taken as text, so that a bad one is told in one line like any other bad input.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from simlink.base.errors import InputError
from simlink.base.interrupts import uninterrupted
from simlink.commands.numbers import whole

if TYPE_CHECKING:
    from simlink.scenario.schema import Scenario


def option(name: str, what: str, metavar: str | None = "N") -> typer.models.OptionInfo:
    """Return an option; a flag has no metavar."""
    info: typer.models.OptionInfo = typer.Option(name, help=what, metavar=metavar)
    return info


ScenarioPath = Annotated[Path, typer.Argument(help="The scenario.", metavar="SCENARIO")]
Seed = Annotated[str | None, option("--seed", "What every draw derives from.")]
Trials = Annotated[str | None, option("--trials", "Boards built.")]
Conversions = Annotated[str | None, option("--conversions", "Triggers sent in each trial.")]
Engine = Annotated[str, option("--engine", "event, batch, or auto.", "ENGINE")]
Workers = Annotated[str | None, option("--workers", "Processes to spread the boards over.")]
On = Annotated[
    str | None,
    option("--on", "A Dask cluster to work on instead: its scheduler's address.", "ADDRESS"),
]
Out = Annotated[str | None, option("--out", "Folder for the results.", "DIR")]
Json = Annotated[bool, option("--json", "Print the result as JSON, and nothing else.", None)]
Trial = Annotated[str, option("--trial", "Of which board.", "N")]

PinNames = Annotated[
    str | None,
    option(
        "--names",
        "Pin names: a TOML file with a table [names] of names by signals, such as "
        'remote.clock = "SCK".',
        "FILE",
    ),
]


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
