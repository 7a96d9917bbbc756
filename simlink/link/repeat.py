"""Frames that are asked for once more, since their check failed as the host read them.

Where a remote master clocks the converter, it may keep the last frames that it has clocked out.
The host that finds that a check fails sends a request across the barrier, and waits: it reads
nothing else, and the frame keeps its slot. The remote side sends the frame once more out of its
memory as soon as its lanes are free, in the time that it took at first; a frame whose busy falls
meanwhile waits until then. The host reads what comes into the slot as it is released, with no new
service latency. If its check fails too, or nothing is released in time, the host uses no word of
the frame, knows, and goes on; what comes later finds nobody who waits for it. At the very instant
at which the wait is over, slots are freed first: a repeated frame that is released then comes too
late.

Choices where several would do. The check that fails is that of a frame that was read: one that
ended short ahead of its release is never read, and not asked for; nor is one that was read before
its bits had come, for then it is not known what failed. The request rides on the trigger's own
delay and spread, as a credit does. That a frame is a repeated one, and where it ends, is marked
beside it: in the header of packets, or by a line of its own, and taken to be never wrong. What the
remote master captured wrong it sends again as it is. The converter has no part in a repeat, and
converts on.
"""

from __future__ import annotations

from typing import Any

from simlink.scenario.schema import Scenario


def repeats(scenario: Scenario) -> bool:
    """Tell whether frames whose check fails are asked for once more."""
    return scenario.check.on_failure == "repeat"


def is_kept(turn: int, turns: int, kept: int) -> bool:
    """Tell whether the remote side still keeps a frame as the request for it comes.

    Parameters
    ----------
    turn : int
        Which frame it was that the remote master was given to clock out.
    turns : int
        The number of the newest of those; one that waits for its start has taken its place.
    kept : int
        How many it keeps.
    """
    return turns - turn < kept


def was_in_vain(asked: Any, ended: Any, wait: int) -> Any:
    """Tell whether the host went on without the repeated frame; of integers, and of arrays alike.

    Parameters
    ----------
    asked, ended : int, fs
        When it was asked for, and when the host was done with the frame.
    wait : int, fs
        How long the host waits for it at the most.
    """
    return ended == asked + wait


def starts_at(wanted: int, free: int) -> int:
    """Return when a frame starts on the lanes, in fs, if it is to start at an instant.

    Parameters
    ----------
    wanted : int, fs
        When it would: a repeated one as its request comes.
    free : int, fs
        When the last one that has been given a place there ends.
    """
    return max(wanted, free)
