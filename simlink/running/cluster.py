"""Work spread over a Dask cluster, whose scheduler and workers are started with Dask's commands.

What all jobs share, a scenario with its recordings, travels to each worker once. A job whose
worker ends is done by another one; results come back here, where all files are written.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import Executor, Future, InvalidStateError
from contextlib import contextmanager, suppress
from typing import Any, TypeVar

from simlink.base.errors import InputError
from simlink.base.version import __version__
from simlink.running.workers import WorkerDiedError

Result = TypeVar("Result")

#: What Dask raises where a worker ended with a job, or with what the job needs.
_LOST = ("KilledWorker", "CancelledError", "FutureCancelledError")
#: Seconds until a scheduler that does not answer is given up.
_PATIENCE = 10


class Cluster(Executor):
    """The workers of a Dask cluster.

    Parameters
    ----------
    client : distributed.Client
        Connected to the scheduler.

    Attributes
    ----------
    workers : int
        How many jobs the cluster does at once.
    """

    def __init__(self, client: Any) -> None:
        self._client = client
        self._jobs = client.get_executor(pure=False)
        self._shared: tuple[Any, Any] = (None, None)
        self.workers = max(1, sum(client.nthreads().values()))

    def submit(self, task: Callable[..., Result], /, *args: Any, **options: Any) -> Future[Result]:
        """Do a job on some worker; the task itself is sent to each worker once."""
        if self._shared[0] is not task:
            self._shared = task, self._client.scatter(task, broadcast=True, hash=False)
        shared = self._shared[1]
        return _Job(self, self._jobs.submit(_done, shared, *args, **options))

    def share_again(self) -> None:
        """Send the task again with the next job: who had it may be gone."""
        self._shared = None, None


class _Job(Future[Any]):
    """A job on the cluster, which fails as one of our own workers does."""

    def __init__(self, there: Cluster, job: Future[Any]) -> None:
        super().__init__()
        self._there, self._job = there, job
        job.add_done_callback(self._hand_over)

    def cancel(self) -> bool:
        """Give the job up."""
        found = super().cancel()
        self._job.cancel()
        return found

    def _hand_over(self, job: Future[Any]) -> None:
        error = None if job.cancelled() else job.exception()
        # It may be given up at any moment.
        with suppress(InvalidStateError):
            if job.cancelled() or type(error).__name__ in _LOST:
                self._there.share_again()
                self.set_exception(WorkerDiedError())
            elif error is not None:
                self.set_exception(error)
            else:
                self.set_result(job.result())


def _done(task: Callable[..., Result], /, *args: Any, **options: Any) -> Result:
    return task(*args, **options)


def _version() -> str:
    return __version__


@contextmanager
def cluster(address: str) -> Iterator[Cluster]:
    """Connect to the scheduler of a Dask cluster.

    Parameters
    ----------
    address : str
        Such as ``"tcp://192.168.1.7:8786"``.

    Yields
    ------
    Cluster

    Raises
    ------
    InputError
        If Dask is not installed, nobody answers, there is no worker, or a worker has another
        simlink or none.
    """
    try:
        import distributed
    except ImportError:
        said = "a Dask cluster needs: pip install 'simlink[cluster]'"
        raise InputError("--on", None, None, said) from None
    try:
        # Dask is not typed.
        dask: Any = distributed
        client = dask.Client(address, timeout=_PATIENCE, set_as_default=False)
    except (OSError, ValueError, TypeError):
        said = f"no Dask scheduler answers there within {_PATIENCE} s"
        raise InputError("--on", None, f'"{address}"', said) from None
    with client:
        if not client.nthreads():
            raise InputError("--on", None, f'"{address}"', "the cluster has no worker yet")
        try:
            versions = set(client.run(_version).values())
        except Exception as error:
            said = f"simlink {__version__} on every worker ({type(error).__name__} there)"
            raise InputError("--on", None, f'"{address}"', said) from None
        if versions != {__version__}:
            others = ", ".join(sorted(versions - {__version__}))
            said = f"simlink {__version__} on every worker; {others} is there"
            raise InputError("--on", None, f'"{address}"', said)
        yield Cluster(client)
