"""The runs that a search asks for, spread over one pool of workers that lives as long."""

from __future__ import annotations

import math
import os
from collections.abc import Callable, Iterator
from concurrent.futures import Executor
from functools import partial

from simlink.engines.choice import make
from simlink.running.jobs import split
from simlink.running.spread import spread
from simlink.running.workers import Workers
from simlink.scenario.schema import Scenario
from simlink.studies.cycles_seen import Counter, Losses

#: The most units of one job: what the batch engine works on side by side.
_JOB = 512
#: Conversions that are worth the start of worker processes.
_WORTH = 5 * 10**6


def count(
    scenario: Scenario, engine: str, counter: Callable[[range], Counter], trials: range
) -> Losses:
    """Simulate a range of boards and count what they lose; plain data in and out."""
    counted = counter(trials)
    for block in make(engine).passing(scenario, trials, words=False):
        counted.add(block)
    return counted.seen()


class Runs:
    """Where units are run: here, in processes of our own, or in an executor given and left open."""

    def __init__(
        self,
        engine: str,
        counter: Callable[[range], Counter],
        workers: int | None = None,
        executor: Executor | None = None,
    ) -> None:
        self._engine, self._counter = engine, counter
        self._given = executor
        self._own: Workers | None = None
        self._workers = max(1, workers or os.cpu_count() or 1)

    def spread(self, scenario: Scenario, start: int, stop: int) -> Iterator[Losses]:
        """Give the counts of boards start ... stop - 1, in jobs, in their order."""
        # At least a job a worker, and no more than the batch engine does side by side.
        step = max(1, min(_JOB, math.ceil((stop - start) / self._workers)))
        task = partial(count, scenario, self._engine, self._counter)
        conversions = (stop - start) * scenario.conversions
        jobs = split([range(start, stop)], step)
        executor = self._executor(conversions, len(jobs))
        workers = 1 if executor is None else self._workers
        return spread(task, jobs, workers=workers, executor=executor)

    def close(self) -> None:
        """End the worker processes at once, in the middle of what they do."""
        if self._own is not None:
            self._own.kill()
            self._own = None

    def _executor(self, conversions: int, jobs: int) -> Executor | None:
        """Return where to run so many conversions, None for here."""
        if self._given is not None:
            return self._given
        if self._workers == 1 or jobs < 2 or (self._own is None and conversions < _WORTH):
            return None
        if self._own is None:
            self._own = Workers(self._workers)
        return self._own
