"""The folder of a run's results: all of the new ones, or the old ones as they were."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

from simlink.base.errors import OutputError
from simlink.base.safe_write import make_folder
from simlink.base.version import __version__
from simlink.running import checkpoint
from simlink.running.ledger import LedgerFile
from simlink.running.run import MOST_WORDS, Progress, Run, words_of
from simlink.running.run import run as run_scenario

if TYPE_CHECKING:
    from simlink.scenario.schema import Scenario

LEDGER = "ledger.parquet"
PICTURES = ("latency", "occupancy", "period")
#: Every name that a run may write; what else lies in the folder is never touched.
NAMES = (
    "figures.json",
    LEDGER,
    "scenario.toml",
    *(f"{name}.{kind}" for name in PICTURES for kind in ("svg", "png")),
)


def run_into(
    folder: Path | str,
    scenario: Scenario,
    *,
    ledger: bool | None = None,
    progress: Progress | None = None,
    **options: Any,
) -> Run:
    """Run a scenario and write its results into a folder.

    Parameters
    ----------
    folder : Path or str
        Where the results go; made if it is not there.
    scenario : Scenario
        What to run.
    ledger : bool, optional
        Whether a ledger is kept; by default up to a million words. It is written while the run
        goes on, so that it takes no memory.
    progress : callable, optional
        Called with the number of trials finished.
    **options
        As for `simlink.run`.

    Returns
    -------
    Run
        Without a ledger in memory. An interrupted run's finished trials are written too, and
        kept, so that a run with ``resume=True`` goes on from them.

    Raises
    ------
    OutputError
        If the folder cannot be written, before the run starts where that can be told; old
        results are then as they were.
    InputError
        If the engine cannot do the scenario exactly.
    """
    keep = words_of(scenario) <= MOST_WORDS if ledger is None else ledger
    place = Path(folder)
    with _beside(place) as hidden:
        rows = LedgerFile(hidden / LEDGER) if keep else None
        try:
            run = run_scenario(
                scenario,
                ledger=keep,
                ledger_file=rows,
                progress=progress,
                keep_in=place,
                **options,
            )
            if rows is not None:
                rows.finish()
        except BaseException:
            if rows is not None:
                _give_up(rows)
            raise
        _fill(run, place, hidden)
        _move(place, hidden)
    if not run.interrupted:
        checkpoint.forget(place)
    return run


def write(run: Run, folder: Path | str, ledger_path: Path | str | None = None) -> None:
    """Write the results of a run into a folder.

    Parameters
    ----------
    run : Run
        A finished run.
    folder : Path or str
        Where they go; made if it is not there. Files of an earlier run that this one did not
        make are removed; files of other names are left alone.
    ledger_path : Path or str, optional
        A finished ledger file, which is moved into the folder; left out, the ledger that the
        run holds, if it holds one, is written.

    Raises
    ------
    OutputError
        If they cannot be written; old results are then as they were.
    """
    place = Path(folder)
    with _beside(place) as hidden:
        if ledger_path is not None:
            shutil.move(ledger_path, hidden / LEDGER)
        elif run.tables is not None:
            rows = LedgerFile(hidden / LEDGER)
            try:
                for table in run.tables:
                    rows.add(table)
                rows.finish()
            except BaseException:
                _give_up(rows)
                raise
        _fill(run, place, hidden)
        _move(place, hidden)


@contextmanager
def _beside(folder: Path) -> Iterator[Path]:
    """Give a hidden folder within the folder of the results, and take it away at the end.

    It lies within, so that a file moved from it stays on its disk and never has to be copied.
    """
    new = _not_there(folder)
    hidden: Path | None = None
    try:
        make_folder(folder)
        for name in NAMES:
            if (folder / name).is_dir():
                raise OutputError(f"{folder / name}: cannot be written: is a directory")
        hidden = Path(tempfile.mkdtemp(dir=folder, prefix=".results-", suffix=".part"))
        yield hidden
    except BaseException as error:
        if hidden is not None:
            shutil.rmtree(hidden, ignore_errors=True)
        for made in new:
            # What was made for nothing goes again; a folder in which something lies stays.
            try:
                made.rmdir()
            except OSError:
                break
        if isinstance(error, OSError):
            said = f"{folder}: cannot be written: {error.strerror or error}"
            raise OutputError("".join(c if c.isprintable() else " " for c in said)) from None
        raise
    shutil.rmtree(hidden, ignore_errors=True)


def _not_there(folder: Path) -> list[Path]:
    """Return the folder and those above it that do not exist yet, deepest first."""
    missing = []
    for place in (folder, *folder.parents):
        if os.path.lexists(place):
            break
        missing.append(place)
    return missing


def _give_up(rows: LedgerFile) -> None:
    # A file that cannot be written cannot be closed in order either; its folder goes.
    with suppress(OSError):
        rows.abandon()


def _fill(run: Run, folder: Path, hidden: Path) -> None:
    """Write everything but the ledger."""
    from simlink.pictures import plot, style

    scenario = run.scenario
    first = (
        f"# Resolved by simlink {__version__}, seed {scenario.seed}: every key, given or assumed.\n"
    )
    _whole(hidden / "scenario.toml", (first + scenario.to_toml(folder)).encode())
    _whole(hidden / "figures.json", run.to_json().encode())
    for name in PICTURES:
        if name == "occupancy" and scenario.link.scheme != "remote_master":
            continue  # the other schemes have no FIFO
        figure = getattr(plot, name)(run).get_figure(root=True)
        for kind in ("svg", "png"):
            _whole(hidden / f"{name}.{kind}", style.encode(figure, kind))


def _whole(path: Path, content: bytes) -> None:
    with path.open("wb") as file:
        file.write(content)
        file.flush()
        # A disk that is full may only say so here.
        os.fsync(file.fileno())


def _move(folder: Path, hidden: Path) -> None:
    made = [name for name in NAMES if (hidden / name).exists()]
    for name in made:
        os.replace(hidden / name, folder / name)
    for name in NAMES:
        if name not in made:
            (folder / name).unlink(missing_ok=True)
