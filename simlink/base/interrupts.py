"""Ctrl-C and SIGTERM: both interrupt, and both wait while something is done whole."""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType
from typing import Any, NoReturn

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


_terminated = False


def heed_terminate() -> None:
    """Let SIGTERM interrupt this program as Ctrl-C does, for one that owns its process."""

    def stop(number: int, frame: FrameType | None) -> NoReturn:
        global _terminated
        _terminated = True
        raise Terminated

    signal.signal(signal.SIGTERM, stop)


def status() -> int:
    """Return the exit status of a program that was interrupted: 130, after SIGTERM 143."""
    return TERMINATED if _terminated else INTERRUPTED


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
        for one, handler in before.items():
            signal.signal(one, handler)
        if came:
            last, frame = came[-1]
            before[last](last, frame)
