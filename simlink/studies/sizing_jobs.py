"""The runs that a search asks for, spread over one pool of workers that lives as long."""

from __future__ import annotations

import math
import os
from collections import deque
from collections.abc import Iterator
from concurrent.futures import Executor, Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from typing import TYPE_CHECKING

from simlink.base.errors import OutputError
from simlink.engines.choice import make
from simlink.running import spread as jobs
from simlink.studies.cycles_seen import Counter, Losses

if TYPE_CHECKING:
    from simlink.records import Fate
    from simlink.scenario.schema import Scenario

#: The most units of one job: what the batch engine works on side by side.
_JOB = 512
#: Conversions that are worth the start of worker processes.
_WORTH = 5 * 10**6


def count(
    scenario: Scenario,
    engine: str,
    start: int,
    stop: int,
    fates: tuple[Fate, ...],
    by_cycle: bool,
) -> Losses:
    """Simulate a range of units and count what they lose; plain data in and out.

    Parameters
    ----------
    scenario : Scenario
        What to run.
    engine : str
        The name of the engine.
    start, stop : int
        The units.
    fates : tuple of Fate
        What counts as lost.
    by_cycle : bool
        Whether cycles are told apart.
    """
    trials = range(start, stop)
    counter = Counter(trials, fates, by_cycle)
    for block in make(engine).run(scenario, trials, words=False):
        counter.add(block)
    return counter.seen()


class Runs:
    """Where units are run: here, in worker processes of our own, or in an executor given.

    Parameters
    ----------
    engine : str
        The name of the engine.
    fates : tuple of Fate
        What counts as lost.
    by_cycle : bool
        Whether cycles are told apart.
    workers : int, optional
        Processes; as many as there are processors when left out.
    executor : concurrent.futures.Executor, optional
        Where to run instead; it is left open.
    """

    def __init__(
        self,
        engine: str,
        fates: tuple[Fate, ...],
        by_cycle: bool,
        workers: int | None = None,
        executor: Executor | None = None,
    ) -> None:
        self._engine = engine
        self._fates = fates
        self._by_cycle = by_cycle
        self._given = executor
        self._own: ProcessPoolExecutor | None = None
        self._workers = max(1, workers or os.cpu_count() or 1)

    def spread(self, scenario: Scenario, start: int, stop: int) -> Iterator[Losses]:
        """Give the counts of units start ... stop - 1, in jobs, in their order."""
        # At least a job a worker, and no more than the batch engine does side by side.
        step = max(1, min(_JOB, math.ceil((stop - start) / self._workers)))
        left = deque((at, min(at + step, stop)) for at in range(start, stop, step))
        if self._given is None and self._here(scenario, stop - start, len(left)):
            for first, last in left:
                yield self._count(scenario, first, last)
            return
        for _ in range(jobs.TRIES):
            try:
                yield from self._through(self._executor(), scenario, left)
                return
            except BrokenProcessPool:
                # Only what was in hand is lost; `left` still holds it.
                if self._given is not None:
                    raise
                self.close()
        raise OutputError(f"workers were killed {jobs.TRIES} times")

    def stop(self) -> None:
        """End the worker processes at once, in the middle of what they do."""
        if self._own is not None:
            jobs.end_pool(self._own)

    def close(self) -> None:
        """End the worker processes."""
        if self._own is not None:
            self._own.shutdown(wait=False, cancel_futures=True)
            self._own = None

    def _count(self, scenario: Scenario, start: int, stop: int) -> Losses:
        return count(scenario, self._engine, start, stop, self._fates, self._by_cycle)

    def _here(self, scenario: Scenario, units: int, parts: int) -> bool:
        if self._workers == 1 or parts < 2:
            return True
        return self._own is None and units * scenario.conversions < _WORTH

    def _executor(self) -> Executor:
        if self._given is not None:
            return self._given
        if self._own is None:
            self._own = jobs.open_pool(self._workers)
        return self._own

    def _through(
        self, executor: Executor, scenario: Scenario, left: deque[tuple[int, int]]
    ) -> Iterator[Losses]:
        under_way: deque[Future[Losses]] = deque()
        submitted = 0
        try:
            while left:
                while submitted < len(left) and len(under_way) < 2 * self._workers:
                    first, last = left[submitted]
                    with jobs.uninterrupted():
                        job = executor.submit(
                            count,
                            scenario,
                            self._engine,
                            first,
                            last,
                            self._fates,
                            self._by_cycle,
                        )
                    under_way.append(job)
                    submitted += 1
                part = under_way.popleft().result()
                left.popleft()
                submitted -= 1
                yield part
        finally:
            for job in under_way if self._given is not None else ():
                job.cancel()
