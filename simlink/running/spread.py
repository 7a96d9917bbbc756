"""Work spread over processes or over any executor: what comes back comes in order.

Whatever is spread, trials of a run, units of a search, points of a sweep, rows of a map, the rules
are the same: nothing finished is lost to Ctrl-C, a worker that ends costs the job in its hands and
no more, and what an earlier run kept is taken up.
"""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Callable, Generator, Iterable
from concurrent.futures import BrokenExecutor, Executor, Future
from typing import Any, TypeVar

from simlink.base.errors import OutputError
from simlink.running.workers import WorkerDiedError, Workers

Item = TypeVar("Item")
Result = TypeVar("Result")

#: How often a job is given to a worker, if it ends each time.
TRIES = 3


class _Here(Executor):
    """Does each job at once, in this process and thread."""

    def submit(self, task: Callable[..., Result], /, *args: Any, **options: Any) -> Future[Result]:
        """Do a job; its future is finished."""
        future: Future[Result] = Future()
        try:
            future.set_result(task(*args, **options))
        except Exception as error:
            future.set_exception(error)
        return future


def spread(
    task: Callable[[Item], Result],
    items: Iterable[Item],
    *,
    workers: int = 1,
    executor: Executor | None = None,
    earlier: Callable[[Item], Result | None] | None = None,
    meanwhile: Callable[[], object] | None = None,
) -> Generator[Result, None, None]:
    """Do a task for each item and give the results in the order of the items.

    Parameters
    ----------
    task : callable
        Of one item. For processes it must be picklable, as are items and results.
    items : iterable
        What to do, in order. At most twice as many jobs as there are workers are under way, or
        finished and not yet given.
    workers : int
        Processes; 1 does everything in this one. With an executor, how many jobs it does at once.
    executor : concurrent.futures.Executor, optional
        Where to work instead; it is left open.
    earlier : callable, optional
        Gives the result that an earlier program kept of an item, or None; called shortly before
        the item's turn.
    meanwhile : callable, optional
        Called once while workers of this process's own do the first jobs.

    Yields
    ------
    object
        After Ctrl-C, the results that were finished by then and follow one another, and then
        the KeyboardInterrupt.

    Raises
    ------
    OutputError
        If a job's worker was killed each of `TRIES` times, or the executor no longer works.
    """
    todo = list(items)
    if executor is not None:
        yield from _through(executor, task, todo, 2 * workers, earlier)
    elif workers == 1 or len(todo) < 2:
        yield from _through(_Here(), task, todo, 1, earlier)
    else:
        with Workers(min(workers, len(todo))) as pool:
            pool.fork()
            yield from _through(pool, task, todo, 2 * workers, earlier, meanwhile)


def _through(
    executor: Executor,
    task: Callable[[Item], Result],
    items: list[Item],
    ahead: int,
    earlier: Callable[[Item], Result | None] | None,
    meanwhile: Callable[[], object] | None = None,
) -> Generator[Result, None, None]:
    """Give the results in order, with at most so many jobs under way."""
    under_way: deque[Future[Result]] = deque()
    begun = given = tries = 0
    try:
        while given < len(items):
            while begun < len(items) and len(under_way) < ahead:
                before = None if earlier is None else earlier(items[begun])
                under_way.append(
                    executor.submit(task, items[begun]) if before is None else _finished(before)
                )
                begun += 1
            try:
                if meanwhile is not None:
                    meanwhile()
                    meanwhile = None
                result = under_way[0].result()
            except WorkerDiedError:
                tries += 1
                if tries == TRIES:
                    left = f"{len(items) - given} of {len(items)} jobs are left"
                    raise OutputError(f"workers were killed {TRIES} times; {left}") from None
                under_way[0] = executor.submit(task, items[given])
                continue
            except BrokenExecutor as error:
                raise OutputError(f"the executor no longer works: {error}") from None
            # Forgotten here, for it may be large.
            under_way.popleft()
            given, tries = given + 1, 0
            yield result
            del result
    except KeyboardInterrupt:
        while under_way and under_way[0].done() and under_way[0].exception() is None:
            yield under_way.popleft().result()
        raise
    finally:
        # An executor of somebody else's lives on.
        for future in under_way:
            future.cancel()


def _finished(result: Result) -> Future[Result]:
    future: Future[Result] = Future()
    future.set_result(result)
    return future


def default_workers(engine: str, conversions: int) -> int:
    """Return how many workers so many conversions in all are worth: 1 if they are few."""
    short = 20_000 if engine == "event" else 20_000_000
    if conversions < short:
        return 1
    return os.cpu_count() or 1
