"""Ctrl-C and SIGTERM: both interrupt, and both wait while something is done whole.

The first interrupts; a second ends the program at once, whatever it is at: only its workers,
its hidden files and what it did to the terminal are seen to (`at_once`).
"""

from __future__ import annotations

import atexit
import os
import signal
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from types import FrameType
from typing import Any, TypeVar

Task = TypeVar("Task", bound=Callable[[], object])

#: Exit statuses by the convention of shells: 128 and the number of the signal.
INTERRUPTED = 128 + signal.SIGINT
TERMINATED = 128 + signal.SIGTERM


class Terminated(KeyboardInterrupt):
    """SIGTERM came; what is finished is kept, as after Ctrl-C."""


class Interrupted(KeyboardInterrupt):
    """Ctrl-C or SIGTERM came while finished trials lay on disk.

    Attributes
    ----------
    kept : int
        How many a run with ``resume=True`` takes up.
    """

    def __init__(self, kept: int) -> None:
        super().__init__(kept)
        self.kept = kept


#: The signal that came first; 0 as long as none has come.
_came = 0
#: What is done before the program ends at once.
_last: list[Callable[[], object]] = []


#: The exit status that was decided, if it was.
_decided: int | None = None


def heed() -> None:
    """Let Ctrl-C and SIGTERM interrupt this program, for one that owns its process.

    A second of either ends it at once.
    """
    signal.signal(signal.SIGINT, _stop)
    signal.signal(signal.SIGTERM, _stop)
    # Where the interpreter takes itself down it heeds no handler: a second Ctrl-C would end it
    # with another status.
    atexit.unregister(_end_interrupted)
    atexit.register(_end_interrupted)


def forget() -> None:
    """Take this process for one that was never interrupted, for a program that ran within it."""
    global _came, _decided
    _came, _decided = 0, None
    atexit.unregister(_end_interrupted)


def ends_with(status: int) -> None:
    """Say with which exit status this program ends, whatever comes now."""
    global _decided
    _decided = status


def _stop(number: int, frame: FrameType | None) -> None:
    global _came
    if _came:
        for task in _last:
            with suppress(BaseException):
                task()
        os._exit(status())
    _came = number
    if number == signal.SIGTERM:
        raise Terminated
    raise KeyboardInterrupt


def _end_interrupted() -> None:
    if _came:
        for stream in (sys.stdout, sys.stderr):
            with suppress(Exception):
                stream.flush()
        os._exit(status() if _decided is None else _decided)


def at_once(task: Task) -> Task:
    """Have something done before a second Ctrl-C or SIGTERM ends this program at once.

    It may come between any two steps of the program, and any lock may be held: the task waits
    for nothing.
    """
    if task not in _last:
        _last.append(task)
    return task


def status() -> int:
    """Return the exit status of a program that was interrupted: 130, after SIGTERM 143."""
    return TERMINATED if _came == signal.SIGTERM else INTERRUPTED


@contextmanager
def uninterrupted() -> Iterator[None]:
    """Put Ctrl-C and SIGTERM off until the block is done, so that it is done whole.

    Blocking the signals would not be enough: another thread may take one, and Python then tells
    this one.
    """
    if threading.current_thread() is not threading.main_thread():
        # Python interrupts its main thread alone.
        yield
        return
    came: list[tuple[int, FrameType | None]] = []
    before: dict[int, Any] = {}
    try:
        for number in (signal.SIGINT, signal.SIGTERM):
            handler = signal.getsignal(number)
            # What ends the process at once, is ignored or is not Python's own stays as it is.
            if callable(handler) and not isinstance(handler, signal.Handlers):
                before[number] = handler
                signal.signal(number, lambda number, frame: came.append((number, frame)))
        yield
    finally:
        try:
            _restore(before)
        except KeyboardInterrupt:
            # It came between the two.
            _restore(before)
            raise
        for last, frame in came[:-1]:
            # A second ends the program at once, if it ends it at all.
            with suppress(KeyboardInterrupt):
                before[last](last, frame)
        if came:
            last, frame = came[-1]
            before[last](last, frame)


def _restore(handlers: dict[int, Any]) -> None:
    for number, handler in handlers.items():
        signal.signal(number, handler)
