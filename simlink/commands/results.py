"""How commands show their progress, tell what they found, and keep it."""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import typer

from simlink.base.interrupts import at_once, status

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from simlink.scenario.schema import Scenario

#: Seconds between two drawings of a bar.
_REDRAWN = 0.1


@contextmanager
def bar(noun: str, total: int) -> Iterator[Callable[[float], object] | None]:
    """Show a progress bar on a terminal while the block runs, and give what it is told progress by.

    That is None where standard error is no terminal. It is drawn when it is told of progress: no
    thread draws it, for then no worker could be a fork, and wake-ups would be late.
    """
    if not sys.stderr.isatty():
        yield None
        return
    from rich import progress as rich
    from rich.console import Console

    columns = (
        rich.TextColumn(noun),
        rich.BarColumn(),
        rich.MofNCompleteColumn(),
        rich.TaskProgressColumn(),
        rich.TimeRemainingColumn(),
    )
    at_once(_show_cursor)
    # What draws the bar is meant for the terminal, unlike all else that is written there.
    console = Console(file=sys.__stderr__)
    drawn_at = time.monotonic()
    with rich.Progress(*columns, console=console, auto_refresh=False, transient=True) as drawn:
        task = drawn.add_task(noun, total=total)

        def update(done: float) -> None:
            nonlocal drawn_at
            due = time.monotonic() - drawn_at >= _REDRAWN
            drawn.update(task, completed=done, refresh=due)
            if due:
                drawn_at = time.monotonic()

        yield update


def _show_cursor() -> None:
    """Make the cursor seen again, which is hidden while a bar is drawn."""
    os.write(2, b"\x1b[?25h\n")


def about_engine(name: str, scenario: Scenario, runs: int = 1) -> None:
    """Say what is to be said of the engine that will run, such as that it is compiled first."""
    from simlink.engines.choice import choose, remark

    said = remark(choose(name, scenario, runs)[0].name, scenario)
    if said is not None:
        say(said)


def answer(scenario: Scenario, sentence: str, *parts: str) -> str:
    """Return an answer for a terminal: of what, in a sentence, what it rests on, the cautions."""
    from simlink.base.cautions import CAUTIONS
    from simlink.base.errors import printable
    from simlink.pictures.text import wrapped

    head = f"{printable(scenario.title or scenario.name)}\n{wrapped(sentence)}"
    return "\n\n".join((head, *parts, wrapped(f"Cautions: {CAUTIONS}"))) + "\n"


def say(line: str) -> None:
    """Write a line about what is under way to standard error."""
    print(f"simlink: {line}", file=sys.stderr)


def tell(text: str, folder: Path | None, json: str | None) -> None:
    """Print what was found, and the folder where it is kept, if it is.

    When all of it is wanted as JSON, the text for people goes to standard error, if that is a
    terminal.
    """
    out = sys.stdout if json is None else sys.stderr
    if json is None or out.isatty():
        print(text, end="", file=out)
        if folder is not None:
            print(f"\nResults: {folder}", file=out)
    if json is not None:
        print(json, end="")


def prepare(folder: Path | None, names: Iterable[str]) -> None:
    """Make the folder for results, if they are kept, and prove that these can be written there."""
    from simlink.base.safe_write import make_folder

    if folder is not None:
        make_folder(folder, names)


def names_of(stem: str, *others: str) -> list[str]:
    """Return the names of the files that `keep` writes, a picture and others of these endings."""
    from simlink.pictures import style

    return [f"{stem}.{kind}" for kind in (*style.KINDS, *others)]


def keep(folder: Path, stem: str, drawn: Figure | Axes, **files: bytes) -> None:
    """Write a picture as SVG and PNG into a folder that is there, all files or none.

    Others of the same name hold what is given for their ending.
    """
    from simlink.base.safe_write import write_set
    from simlink.pictures import style

    figure = drawn.get_figure(root=True)
    assert figure is not None
    for kind in style.KINDS:
        files[kind] = style.encode(figure, kind)
    write_set(folder, {f"{stem}.{kind}": content for kind, content in files.items()})


#: Whether it was said that the program was interrupted.
_told = False


def interrupted(said: str = "") -> typer.Exit:
    """Say what an interruption left, if anything, and return what ends the command."""
    global _told
    _told = True
    say(f"interrupted{': ' if said else ''}{said}")
    return typer.Exit(status())


def interrupted_early() -> int:
    """Say that the program was interrupted, unless that is said; return its exit status."""
    return status() if _told else interrupted().exit_code
