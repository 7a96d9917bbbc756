"""Tasks for workers to do."""

from __future__ import annotations

import os
import signal
import time
from pathlib import Path

from simlink.base.errors import InputError
from simlink.running.spread import TRIES


def square(number):
    return number * number


def about_me(number):
    """Return the process's command line and what SIGTERM does to it."""
    return Path("/proc/self/cmdline").read_bytes(), signal.getsignal(signal.SIGTERM)


def slow_first(number):
    time.sleep(0.3 if number == 0 else 0.0)
    return number


def mark(folder, number):
    """Note that this was begun, and end this process at an odd number, but for the last try."""
    tries = len(list(folder.glob(f"{number}-*")))
    (folder / f"{number}-{tries}").touch()
    if number % 2 and tries < TRIES - 1:
        os.kill(os.getpid(), signal.SIGKILL)
    return number


def end_at_once(*_):
    os.kill(os.getpid(), signal.SIGKILL)


def refuse(number):
    raise InputError("s.toml", "seed", str(number), "a whole number")


class UnreadableError(Exception):
    """Can be written down and not read again."""

    def __init__(self, one, two):
        super().__init__(one + two)


def fail_unreadably(number):
    raise UnreadableError("no", "good")
