"""Worker processes: each a fork or a fresh interpreter, on a pipe of its own.

The process pool of the standard library shares one queue, its locks and a thread among its
workers: one that ends while it hands over a result leaves the others, and the program's own end,
waiting for ever. Here a worker shares nothing with another. One that ends, at whatever moment,
closes its pipe, and whoever waits for it is told; this process's end closes the other side, and
the workers end by themselves.

A fork has all imported that this process has, where a fresh interpreter works for a second before
it can begin. But a process is safely forked only while it has no other thread, whose locks the fork
would find taken for ever.
"""

from __future__ import annotations

import gc
import multiprocessing
import os
import pickle
import signal
import sys
import threading
import traceback
import weakref
from collections.abc import Callable
from concurrent.futures import BrokenExecutor, Executor, Future, ThreadPoolExecutor
from contextlib import suppress
from multiprocessing import resource_tracker
from multiprocessing.connection import Connection
from types import TracebackType
from typing import Any, TypeVar

from simlink.base.errors import OutputError
from simlink.base.interrupts import at_once, uninterrupted

Result = TypeVar("Result")

#: Seconds that an idle worker is given to end by itself.
_PATIENCE = 2.0


class WorkerDiedError(BrokenExecutor):
    """A worker ended in the middle of a job; the job may be tried again."""


#: Those whose processes may be running.
_pools: weakref.WeakSet[Workers] = weakref.WeakSet()


class Workers(Executor):
    """Processes that do jobs; a thread of this one waits on each.

    Parameters
    ----------
    count : int
        The most processes; each is started when there is a job for it, unless `fork` was.
    """

    def __init__(self, count: int) -> None:
        self.count = count
        self._threads = ThreadPoolExecutor(count, "worker")
        self._lock = threading.Lock()
        self._all: set[_Worker] = set()
        self._idle: list[_Worker] = []
        self._ended = False
        _pools.add(self)

    def fork(self) -> None:
        """Start all of them now, as forks of this process, if it has no thread but this one.

        Otherwise, and in place of one that ends, fresh interpreters are started for the jobs.
        """
        if not _may_fork():
            return
        with uninterrupted(), self._lock, suppress(OutputError):
            for _ in range(self.count):
                self._idle.append(self._started("fork"))

    def submit(self, task: Callable[..., Result], /, *args: Any, **options: Any) -> Future[Result]:
        """Have a worker do a job; its future raises `WorkerDiedError` if the worker ends."""
        # An interrupt while a thread is started would leave one that nobody knows.
        with uninterrupted():
            return self._threads.submit(self._call, task, args, options)

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        """End the workers once they have done what they were given, or at once (`kill`)."""
        self._threads.shutdown(wait=wait, cancel_futures=cancel_futures)
        if wait:
            self._end()

    def kill(self) -> None:
        """End the workers at once, whatever they are at; none is left when this returns."""
        with uninterrupted(), self._lock:
            self._ended = True
            for worker in self._all:
                worker.process.kill()
        # Every thread has been told by its pipe, so none is waited for in vain.
        self._threads.shutdown(wait=True, cancel_futures=True)
        self._end()

    def kill_at_once(self) -> None:
        """End the workers' processes and wait for nothing: this program is about to end."""
        for worker in tuple(self._all):
            worker.process.kill()

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if error is None:
            self.shutdown()
        else:
            self.kill()

    def _end(self) -> None:
        with self._lock:
            self._ended = True
            ending, self._all, self._idle = self._all, set(), []
        for worker in ending:
            worker.connection.close()
        for worker in ending:
            worker.end()

    def _call(self, task: Callable[..., Any], args: Any, options: Any) -> Any:
        worker = self._take()
        try:
            good, value = worker.call(task, args, options)
        except WorkerDiedError:
            with self._lock:
                self._all.discard(worker)
            worker.end()
            raise
        except BaseException:
            # The job could not be written down; the worker never heard of it.
            self._give_back(worker)
            raise
        self._give_back(worker)
        if not good:
            raise value
        return value

    def _take(self) -> _Worker:
        with self._lock:
            if self._ended:
                raise WorkerDiedError("the workers were ended")
            if self._idle:
                return self._idle.pop()
            return self._started("spawn")

    def _started(self, way: str) -> _Worker:
        try:
            worker = _Worker(way, [other.connection for other in self._all])
        except OSError as error:
            raise OutputError(f"a worker cannot be started: {error.strerror}") from None
        self._all.add(worker)
        return worker

    def _give_back(self, worker: _Worker) -> None:
        with self._lock:
            self._idle.append(worker)


@at_once
def _kill_all() -> None:
    for pool in tuple(_pools):
        pool.kill_at_once()


class _Worker:
    """One process and this side of its pipe.

    Parameters
    ----------
    way : {"fork", "spawn"}
        How it is started.
    others : list of Connection
        This side of the pipes of all others, of which a fork has a copy.
    """

    def __init__(self, way: str, others: list[Connection]) -> None:
        context: Any = multiprocessing.get_context(way)
        connection, theirs = context.Pipe()
        self.connection: Connection = connection
        copied = [*others, connection] if way == "fork" else []
        self.process = context.Process(target=_serve, args=(theirs, copied), daemon=True)
        if way == "spawn" and os.name == "posix":
            # Started with the first process, this helper of it would unblock the signals.
            resource_tracker.ensure_running()
        _start(self.process)
        # So that the pipe is closed as soon as the process ends.
        theirs.close()

    def call(self, task: Callable[..., Any], args: Any, options: Any) -> tuple[bool, Any]:
        job = pickle.dumps((task, args, options))
        try:
            self.connection.send_bytes(job)
            answer = self.connection.recv_bytes()
        except (EOFError, OSError):
            raise WorkerDiedError("a worker ended in the middle of its job") from None
        found: tuple[bool, Any] = pickle.loads(answer)
        return found

    def end(self) -> None:
        self.connection.close()
        self.process.join(_PATIENCE)
        if self.process.is_alive():
            self.process.kill()
            self.process.join()


def _may_fork() -> bool:
    """Tell whether no other thread runs here, save those of linear algebra, which end at a fork."""
    if sys.platform != "linux" or threading.active_count() > 1:
        return False
    from threadpoolctl import threadpool_info

    pools = [one for one in threadpool_info() if one.get("threading_layer") == "pthreads"]
    try:
        running = len(os.listdir("/proc/self/task"))
    except OSError:
        return False
    return running in (1, 1 + sum(one["num_threads"] - 1 for one in pools))


def _start(process: Any) -> None:
    """Start a process that is born with Ctrl-C and SIGTERM blocked, for this one ends it."""
    if hasattr(signal, "pthread_sigmask"):
        before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT, signal.SIGTERM})
        process.start()
        signal.pthread_sigmask(signal.SIG_SETMASK, before)
    else:
        process.start()


def _serve(connection: Connection, copied: list[Connection]) -> None:
    """Do jobs until the pipe closes: the whole life of a worker."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    # A fork has what its parent does on SIGTERM.
    signal.signal(signal.SIGTERM, signal.SIG_DFL)
    if hasattr(signal, "pthread_sigmask"):
        signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGTERM})
    # And what its parent holds: nothing of it is to be closed or written from here.
    gc.freeze()
    for other in copied:
        other.close()
    threading.Thread(target=_end_with_parent, daemon=True).start()
    with suppress(EOFError, OSError):
        while True:
            connection.send_bytes(_answer(connection.recv_bytes()))


def _answer(job: bytes) -> bytes:
    try:
        task, args, options = pickle.loads(job)
        return pickle.dumps((True, task(*args, **options)), protocol=5)
    except Exception as error:
        error.add_note(f"in a worker:\n{traceback.format_exc()}")
        try:
            written = pickle.dumps((False, error))
            # Some errors can be written down and not read again.
            pickle.loads(written)
        except Exception:
            return pickle.dumps((False, RuntimeError(traceback.format_exc())))
        return written


def _end_with_parent() -> None:
    """End this process when its parent is gone, killed for instance, whatever it is at."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)
