"""Runs: a scenario and a seed in, a ledger and figures out.

`run` is the whole of it; ``simlink.load(path).run()`` is the public way in.
"""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Iterator, Mapping
from contextlib import closing, suppress
from dataclasses import dataclass, field
from functools import cached_property, partial
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any

from simlink.base.cautions import CAUTIONS
from simlink.base.errors import OutputError
from simlink.base.interrupts import uninterrupted
from simlink.base.json_text import json_text
from simlink.base.late import explanation_of, verdict_of
from simlink.base.version import __version__
from simlink.engines.choice import choose
from simlink.figures import summary
from simlink.figures.cycle import Cycle, cycles
from simlink.figures.figure import Figure, plain
from simlink.figures.tally import Tally
from simlink.running import jobs
from simlink.running.checkpoint import Checkpoint
from simlink.running.ledger import LedgerFile, Rows, frame
from simlink.running.spread import default_workers, spread
from simlink.scenario.loading import Scenario

if TYPE_CHECKING:
    from concurrent.futures import Executor

    import pandas as pd

#: The most words of which a ledger is kept unless it is asked for.
MOST_WORDS = 10**6

Progress = Callable[[int], None]


class Figures(Mapping[str, Figure]):
    """The figures of a run by name; shows itself as a table in a notebook."""

    def __init__(self, found: dict[str, Figure]) -> None:
        self._found = found

    def __getitem__(self, name: str) -> Figure:
        return self._found[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._found)

    def __len__(self) -> int:
        return len(self._found)

    def to_dict(self) -> dict[str, dict[str, Any]]:
        """Return the figures as plain dictionaries, as figures.json holds them."""
        return plain(self._found)

    def to_pandas(self) -> pd.DataFrame:
        """Return one row a figure: value, low, high, confidence, count, of, unit."""
        import pandas as pd

        rows = self.to_dict()
        table = pd.DataFrame.from_dict(rows, orient="index").rename_axis("figure")
        table.attrs["units"] = {name: figure.unit for name, figure in self._found.items()}
        return table

    def _repr_html_(self) -> str:
        return self.to_pandas().to_html()

    def __repr__(self) -> str:
        return "\n".join(f"{name:28} {figure.text()}" for name, figure in self._found.items())


@dataclass(repr=False)
class Run:
    """A finished run.

    Attributes
    ----------
    scenario : Scenario
        What was run, as resolved.
    engine : str
        The engine that ran it.
    tally : Tally
        What its records add up to.
    figures : Figures
        The figures.
    interrupted : bool
        Whether it was stopped before its last trial; the figures are those of the finished ones.
    why : str
        Why that engine.
    resumed : int
        Trials taken over from an interrupted run.
    set_aside : list of str
        A line for each file of such trials that could not be used.
    rows : list of ndarray, or None
        The ledger's rows, if it was kept in memory.
    checkpoint : Checkpoint or None
        Where its finished trials are kept until its results are written.
    look : int or None
        Of several looks at a growing run, which, from 0; see `verdict.required.required`.
    """

    scenario: Scenario
    engine: str
    tally: Tally
    figures: Figures
    interrupted: bool = False
    why: str = ""
    resumed: int = 0
    set_aside: list[str] = field(default_factory=list)
    rows: list[Rows] | None = None
    checkpoint: Checkpoint | None = None
    look: int | None = None

    @property
    def ledger(self) -> pd.DataFrame:
        """The ledger, one row a word.

        Returns
        -------
        pandas.DataFrame
            Instants in int64 femtoseconds, missing ones ``<NA>``.

        Raises
        ------
        ValueError
            If the run kept none.
        """
        if self.rows is None:
            raise ValueError("this run kept no ledger; run it with ledger=True")
        return frame(self.rows)

    @cached_property
    def verdict(self) -> Any:
        """Whether every limit holds, each with its margin: a `verdict.limit.Verdict`."""
        return verdict_of(self)

    def explain(self, word: int | None = None, *, trial: int = 0, first: str | None = None) -> Any:
        """Explain what became of one conversion; see `simlink.tracing.explain.explain`."""
        return explanation_of(self.scenario, word=word, trial=trial, first=first)

    @property
    def cycles(self) -> list[Cycle]:
        """How each side fills the trigger period."""
        return cycles(self.scenario)

    def to_dict(self) -> dict[str, Any]:
        """Return the run as figures.json holds it."""
        return {
            "scenario": tomllib.loads(self.scenario.to_toml(self.scenario.base)),
            "engine": self.engine,
            "engine_why": self.why,
            "seed": self.scenario.seed,
            "version": __version__,
            "interrupted": self.interrupted,
            **self.verdict.to_dict(),
            "figures": self.figures.to_dict(),
            "assumed": [
                {"key": one.key, "value": one.value, "why": one.why}
                for one in self.scenario.assumed
            ],
            "notes": list(self.scenario.notes),
            "cautions": CAUTIONS,
        }

    def to_json(self) -> str:
        """Return the run as JSON text, the same bytes for the same scenario and seed."""
        return json_text(self.to_dict())

    def __repr__(self) -> str:
        return f"{self.verdict.sentence}\n{self.verdict.because}\n{self.figures!r}"

    def _repr_html_(self) -> str:
        head = f"<p><b>{self.verdict.sentence}</b><br>{self.verdict.because}</p>"
        return head + self.figures._repr_html_()


def keeps_ledger(scenario: Scenario, asked: bool | None) -> bool:
    """Tell whether a run keeps a ledger: as asked, else up to `MOST_WORDS`."""
    if asked is not None:
        return asked
    return scenario.trials * scenario.conversions * scenario.words <= MOST_WORDS


def _load_intervals() -> None:
    """Load what the intervals of figures need, which takes its time."""
    with uninterrupted():
        import_module("scipy.special")


def run(
    scenario: Scenario,
    *,
    engine: str = "auto",
    ledger: bool | None = None,
    ledger_file: LedgerFile | None = None,
    workers: int | None = None,
    executor: Executor | None = None,
    keep_in: Path | None = None,
    resume: bool = False,
    progress: Progress | None = None,
) -> Run:
    """Run a scenario.

    Parameters
    ----------
    scenario : Scenario
        What to run.
    engine : {"auto", "event", "batch"}
        Which engine; ``auto`` takes the batch engine whenever it is exact.
    ledger : bool, optional
        Whether a ledger is kept; by default up to a million words.
    ledger_file : LedgerFile, optional
        Where the ledger is written while the run goes on; it is then not kept in memory.
    workers : int, optional
        Processes to spread the trials over; by default as many as there are processors if the
        run is long, else this one alone. The result does not depend on it.
    executor : concurrent.futures.Executor, optional
        Where to run the trials instead.
    keep_in : Path, optional
        A results folder in which finished trials are kept, for a run that does not come to its
        end, until complete results are written there.
    resume : bool
        Whether to take up the trials kept there.
    progress : callable, optional
        Called with the number of trials finished.

    Returns
    -------
    Run
        An interrupted run (Ctrl-C) holds the trials that were finished.

    Raises
    ------
    InputError
        If the engine cannot do the scenario exactly, or the trials that are to be taken up are
        those of other runs alone.
    OutputError
        If something cannot be written, or workers die again and again.
    """
    chosen, why = choose(engine, scenario)
    keep = keeps_ledger(scenario, ledger)
    if workers is None:
        workers = default_workers(chosen.name, scenario.trials * scenario.conversions)
    saved = None
    if keep_in is not None:
        saved = Checkpoint(keep_in, scenario, chosen.name, keep, resume=resume)
    before = saved.finished() if saved is not None and resume else []
    words = scenario.words if keep else 0
    size = jobs.job_size(chosen.name, scenario.trials, workers, scenario.conversions, words)
    todo = jobs.split(jobs.missing(scenario.trials, before), size)
    pieces: list[Rows] | None = [] if keep and ledger_file is None else None
    whole = Tally(scenario, range(0))
    parts = spread(
        partial(jobs.work, scenario, chosen.name, keep),
        sorted([*before, *todo], key=lambda trials: trials.start),
        workers=workers,
        executor=executor,
        earlier=saved.earlier if saved is not None and before else None,
        meanwhile=_load_intervals,
    )
    interrupted = False
    try:
        with closing(parts):
            for part in parts:
                with uninterrupted():
                    whole.merge(part.tally)
                    if ledger_file is not None:
                        for rows in part.rows:
                            ledger_file.add(rows)
                    elif pieces is not None:
                        pieces.extend(part.rows)
                    if saved is not None:
                        saved.add(part)
                del part
                if progress is not None:
                    progress(whole.count)
    except KeyboardInterrupt:
        interrupted = True
        if saved is not None:
            with uninterrupted():
                saved.flush()
    except OutputError:
        if saved is not None:
            with suppress(OutputError):
                saved.flush()
        raise
    if interrupted and whole.count == 0:
        raise KeyboardInterrupt
    done = scenario.with_(trials=whole.count) if interrupted else scenario
    return Run(
        done,
        chosen.name,
        whole,
        Figures(summary.figures(done, whole)),
        interrupted,
        why,
        *((0, []) if saved is None else (saved.resumed, saved.set_aside)),
        pieces,
        saved,
    )
