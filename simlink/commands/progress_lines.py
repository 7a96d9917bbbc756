"""Lines on standard error while something long runs: none of them more than ten seconds apart."""

from __future__ import annotations

import sys
import time
from threading import Event, Lock, Thread
from typing import TextIO

#: Seconds without a line after which one is written, and how often that is looked at.
_SILENCE, _CHECKED = 8.0, 1.0


class ProgressLines:
    """Writes what it is told at once, and where things stand if it is told nothing for long.

    That is so many seconds of silence, looked at every `checked` seconds.
    """

    def __init__(
        self, stream: TextIO | None = None, silence: float = _SILENCE, checked: float = _CHECKED
    ) -> None:
        self._stream = stream or sys.stderr
        self._silence = silence
        self._checked = checked
        self._lock = Lock()
        self._over = Event()
        self._start = self._last = time.monotonic()
        self._standing = "starting"
        self._thread = Thread(target=self._watch, daemon=True)

    def say(self, text: str) -> None:
        """Write a line now."""
        with self._lock:
            self._write(text)

    def stand(self, text: str) -> None:
        """Say where things stand, for when nothing else is written for long."""
        self._standing = text

    def __enter__(self) -> ProgressLines:
        self._thread.start()
        return self

    def __exit__(self, *error: object) -> None:
        self._over.set()
        self._thread.join()

    def _watch(self) -> None:
        while not self._over.wait(self._checked):
            with self._lock:
                if time.monotonic() - self._last >= self._silence:
                    self._write(f"{self._standing}, {time.monotonic() - self._start:.0f} s")

    def _write(self, text: str) -> None:
        print(f"simlink: {text}", file=self._stream, flush=True)
        self._last = time.monotonic()
