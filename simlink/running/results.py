"""The folder of a run's results: all of the new ones, or the old ones as they were."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

from simlink.base.interrupts import Interrupted, uninterrupted
from simlink.base.late import picture
from simlink.base.safe_write import writing_set
from simlink.base.version import __version__
from simlink.running import checkpoint
from simlink.running.ledger import LedgerFile
from simlink.running.run import Progress, Run, keeps_ledger
from simlink.running.run import run as run_scenario

if TYPE_CHECKING:
    from simlink.scenario.schema import Scenario

LEDGER = "ledger.parquet"
PICTURES = ("latency", "occupancy", "period")
#: Every name that a run may write; what else lies in the folder is never touched.
NAMES = (
    "figures.json",
    "report.txt",
    LEDGER,
    "scenario.toml",
    *(f"{name}.{kind}" for name in PICTURES for kind in ("svg", "png")),
)
#: How the resolved scenario in a results folder begins.
_RESOLVED = "# Resolved by simlink"


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
        If the engine cannot do the scenario exactly, or the folder keeps finished trials of other
        runs alone where this one is to be resumed.
    Interrupted
        After Ctrl-C while the results were written; what was finished is kept.
    """
    keep = keeps_ledger(scenario, ledger)
    place = Path(folder)
    with writing_set(place, NAMES) as hidden, _ledger(hidden, keep) as rows:
        run = run_scenario(
            scenario, ledger=keep, ledger_file=rows, progress=progress, keep_in=place, **options
        )
        try:
            _fill(run, place, hidden, rows)
        except KeyboardInterrupt:
            if run.checkpoint is None or not run.tally.count:
                raise
            with uninterrupted():
                run.checkpoint.flush()
            raise Interrupted(run.tally.count) from None
    if not run.interrupted:
        checkpoint.forget(place)
    return run


def write(run: Run, folder: Path | str) -> None:
    """Write the results of a finished run into a folder, with its ledger, if it holds one.

    The folder is made if it is not there. Files of an earlier run that this one did not make are
    removed; files of other names are left alone.

    Raises
    ------
    OutputError
        If they cannot be written; old results are then as they were.
    """
    place = Path(folder)
    with writing_set(place, NAMES) as hidden, _ledger(hidden, run.rows is not None) as rows:
        for piece in run.rows or ():
            assert rows is not None
            rows.add(piece)
        _fill(run, place, hidden, rows)


@contextmanager
def _ledger(hidden: Path, keep: bool) -> Iterator[LedgerFile | None]:
    rows = LedgerFile(hidden / LEDGER) if keep else None
    try:
        yield rows
    except BaseException:
        if rows is not None:
            # A file that cannot be written cannot be closed in order either; its folder goes.
            with suppress(OSError):
                rows.abandon()
        raise


def _fill(run: Run, folder: Path, hidden: Path, rows: LedgerFile | None) -> None:
    """Write everything, the end of the ledger beside the pictures."""
    scenario = run.scenario
    first = f"{_RESOLVED} {__version__}, seed {scenario.seed}: every key, given or assumed.\n"
    with ThreadPoolExecutor(1) as beside:
        ledger = beside.submit(rows.finish) if rows is not None else None
        (hidden / "scenario.toml").write_text(first + scenario.to_toml(folder), encoding="utf-8")
        (hidden / "figures.json").write_text(run.to_json(), encoding="utf-8")
        (hidden / "report.txt").write_text(picture("report", "report")(run), encoding="utf-8")
        for name, content in picture("results", "files")(run, PICTURES):
            (hidden / name).write_bytes(content)
        if ledger is not None:
            ledger.result()
