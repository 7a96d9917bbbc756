"""Trials spread over workers: plain data goes out, tallies and ledger rows come back in order.

What comes back does not depend on how the trials were split, so any number of workers gives the
same bytes.
"""

from __future__ import annotations

import math
import multiprocessing
import os
import signal
import threading
from collections import deque
from collections.abc import Generator, Iterator
from concurrent.futures import Executor, Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from types import FrameType
from typing import TYPE_CHECKING, Any

from simlink.base.errors import OutputError
from simlink.engines.choice import make
from simlink.figures.tally import Tally
from simlink.running.ledger import table

if TYPE_CHECKING:
    import pyarrow as pa

    from simlink.scenario.schema import Scenario

#: How often work that died with its worker is tried again before any other job is finished.
TRIES = 3
#: About the most conversions in a job, unless its trials were then fewer than these.
_LONGEST_JOB = 5 * 10**8
_FEWEST = 128
#: After so many seconds without a finished job, see whether the workers are still alive.
_PATIENCE = 5.0


@dataclass
class Part:
    """What one job gives: the tally and the ledger rows of a range of trials."""

    trials: range
    tally: Tally
    rows: list[pa.Table]


def work(scenario: Scenario, engine: str, start: int, stop: int, keep: bool) -> Part:
    """Run a range of trials whole, so that an interruption loses all of them or none.

    Parameters
    ----------
    scenario : Scenario
        What to run.
    engine : str
        The name of the engine.
    start, stop : int
        The trials.
    keep : bool
        Whether ledger rows are kept.

    Returns
    -------
    Part
    """
    trials = range(start, stop)
    tally = Tally(scenario, trials)
    rows = []
    for block in make(engine).run(scenario, trials, words=keep):
        tally.add(block)
        if keep:
            rows.append((block.trials.start, block.first, table(block)))
    # A chunk's blocks interleave its trials; the ledger goes trial by trial.
    return Part(trials, tally, in_order([one for _, _, one in rows]))


def in_order(tables: list[pa.Table]) -> list[pa.Table]:
    """Return ledger rows ordered by trial and conversion, lanes and positions as they are."""
    if len(tables) < 2:
        return tables
    import pyarrow as pa

    whole = pa.concat_tables(tables)
    keys = [("trial", "ascending"), ("conversion", "ascending")]
    return [whole.sort_by([*keys, ("lane", "ascending"), ("position", "ascending")])]


def split(trials: list[range], size: int) -> list[range]:
    """Cut ranges of trials into jobs of at most ``size``."""
    return [
        range(start, min(start + size, one.stop))
        for one in trials
        for start in range(one.start, one.stop, size)
    ]


#: Conversions that make handing their part over a small matter; about two seconds of work.
_WORTH_A_JOB = 40_000_000


def job_size(engine: str, trials: int, workers: int, conversions: int) -> int:
    """Return how many trials a job takes: enough to be vectorised, few enough to be shared.

    Parameters
    ----------
    engine : str
        The name of the engine.
    trials, workers : int
        Of the run.
    conversions : int
        Of each trial. Very long trials make small jobs, so that not much is lost with one.
    """
    if engine == "event":
        return 1
    from simlink.engines.batch.engine import TRIALS

    few = max(_FEWEST, _LONGEST_JOB // conversions)
    if workers > 1 and few >= TRIALS:
        # Handing a part over costs as much as some thousands of trials: several chunks a job.
        chunks = min(_WORTH_A_JOB // (TRIALS * conversions), trials // (TRIALS * workers * 4))
        if chunks > 1:
            return TRIALS * chunks
    return max(1, min(TRIALS, few, math.ceil(trials / workers)))


def missing(trials: int, done: list[range]) -> list[range]:
    """Return the ranges of 0 ... trials - 1 that are not done."""
    gaps = []
    at = 0
    for one in sorted(done, key=lambda r: r.start):
        if one.start > at:
            gaps.append(range(at, one.start))
        at = max(at, one.stop)
    if at < trials:
        gaps.append(range(at, trials))
    return gaps


def spread(
    scenario: Scenario,
    engine: str,
    jobs: list[range],
    keep: bool,
    *,
    workers: int = 1,
    executor: Executor | None = None,
) -> Generator[Part, None, None]:
    """Run jobs and give their parts in order.

    Parameters
    ----------
    scenario : Scenario
        What to run.
    engine : str
        The name of the engine.
    jobs : list of range
        The trials of each job.
    keep : bool
        Whether ledger rows are kept.
    workers : int
        Processes; 1 runs everything in this one.
    executor : concurrent.futures.Executor, optional
        Where to run instead; it is left open.

    Yields
    ------
    Part
        In the order of ``jobs``. After Ctrl-C, those that were finished by then and follow one
        another, and then the KeyboardInterrupt.

    Raises
    ------
    OutputError
        If workers are killed again and again, with nothing finished in between.
    """
    if executor is None and (workers == 1 or len(jobs) < 2):
        for one in jobs:
            yield work(scenario, engine, one.start, one.stop, keep)
        return
    if executor is not None:
        yield from _through(executor, scenario, engine, deque(jobs), keep, 2 * workers, True)
        return
    left = deque(jobs)
    tries = 0
    while tries < TRIES:
        before = len(left)
        with ExitStack() as stack:
            pool = open_pool(min(workers, len(left)))
            # Its workers are idle or ended by then; a pool that is left behind may trip at exit.
            stack.callback(pool.shutdown, wait=True, cancel_futures=True)
            try:
                yield from _through(pool, scenario, engine, left, keep, 2 * workers, False)
                return
            except BrokenProcessPool:
                # Only the jobs in hand are lost; `left` still holds them.
                tries = tries + 1 if len(left) == before else 1
            except BaseException:
                end_pool(pool)
                raise
    raise OutputError(
        f"workers were killed {TRIES} times; {len(left)} of {len(jobs)} jobs are left"
    )


@contextmanager
def uninterrupted() -> Iterator[None]:
    """Put Ctrl-C off until the block is done, so that a finished part is taken in whole.

    What is started within inherits the block of the signal, and so is deaf to it from its birth.
    """
    if threading.current_thread() is not threading.main_thread():
        # Python interrupts its main thread alone.
        yield
        return
    came: list[tuple[int, FrameType | None]] = []
    before = signal.getsignal(signal.SIGINT)
    if before is None:
        # Somebody else's handler, which cannot be put back.
        yield
        return
    # Blocking it is not enough: another thread may take the signal, and this one is told.
    signal.signal(signal.SIGINT, lambda number, frame: came.append((number, frame)))
    mask: Any = None
    try:
        if hasattr(signal, "pthread_sigmask"):
            mask = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
        yield
    finally:
        if mask is not None:
            signal.pthread_sigmask(signal.SIG_SETMASK, mask)
        signal.signal(signal.SIGINT, before)
        if came and callable(before):
            before(*came[-1])


def open_pool(workers: int) -> ProcessPoolExecutor:
    """Return a pool of fresh processes that leave Ctrl-C to this one."""
    # A fresh interpreter for each worker: forking a process that has threads is not safe.
    context = multiprocessing.get_context("spawn")
    return ProcessPoolExecutor(workers, mp_context=context, initializer=_deaf)


def _deaf() -> None:
    """Leave Ctrl-C to the parent, which ends the workers itself."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)


def end_pool(pool: ProcessPoolExecutor) -> None:
    """End a pool's processes at once, whatever they are at."""
    for process in list((pool._processes or {}).values()):
        process.terminate()


def _result(job: Future[Any], executor: Executor) -> Any:
    """Wait for a job, and for no worker that died while it was handing over its part.

    The pool waits for ever for the rest of such a part, unless the pipe is closed.
    """
    while isinstance(executor, ProcessPoolExecutor):
        processes = list((executor._processes or {}).values())
        try:
            return job.result(timeout=_PATIENCE)
        except TimeoutError:
            if job.done() or all(process.is_alive() for process in processes):
                continue
            # A pool that is not stuck tells by itself; give it the time to.
            try:
                return job.result(timeout=_PATIENCE)
            except TimeoutError:
                end_pool(executor)
                executor._result_queue._writer.close()  # type: ignore[attr-defined]
    return job.result()


def _through(
    executor: Executor,
    scenario: Scenario,
    engine: str,
    left: deque[range],
    keep: bool,
    ahead: int,
    cancel: bool,
) -> Iterator[Part]:
    """Give the parts of ``left`` in order, taking each off it as it is given."""
    under_way: deque[Future[Any]] = deque()
    next_job = 0
    try:
        while left:
            while next_job < len(left) and len(under_way) < ahead:
                one = left[next_job]
                # So that a worker that this starts is deaf from its birth.
                with uninterrupted():
                    job = executor.submit(work, scenario, engine, one.start, one.stop, keep)
                under_way.append(job)
                next_job += 1
            part = _result(under_way[0], executor)
            under_way.popleft()
            left.popleft()
            next_job -= 1
            yield part
    except KeyboardInterrupt:
        while under_way and under_way[0].done() and under_way[0].exception() is None:
            left.popleft()
            yield under_way.popleft().result()
        raise
    finally:
        # Ending a pool's own workers fails what they had in hand, and a pool trips over failing
        # what was cancelled; only a foreign pool, which lives on, is told to drop it.
        for future in under_way if cancel else ():
            future.cancel()


def default_workers(engine: str, conversions: int) -> int:
    """Return how many workers a run of so many conversions is worth: 1 if it is short."""
    short = 20_000 if engine == "event" else 20_000_000
    if conversions < short:
        return 1
    return os.cpu_count() or 1
