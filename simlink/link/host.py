"""The host: its busy flag and timeout, when it serves, when it takes bits, and which too early.

Bit i of a frame is taken at its start + round((i + 1/2) / host clock); the read ends, and the
next of the same group starts, at start + round(N / host clock). A bit taken before it was
pushed is an underrun and spoils its frame; at the same instant it is there.
"""

from __future__ import annotations


def begins_at(idle: int, release: int) -> int:
    """Return when a service begins: the host is idle and what it waits for released, in fs."""
    return max(idle, release)


def reads_from(begun: int, service_latency: int) -> int:
    """Return when the first frame of a service starts to be clocked out, in fs."""
    return begun + service_latency


def is_read_on(release: int, now: int) -> bool:
    """Tell whether a host that reads all that waits goes on with a frame, at a read's end."""
    return release <= now


def underruns(taken: int, pushed: int) -> bool:
    """Tell whether a bit is taken before it has been pushed."""
    return taken < pushed


def busy_falls(release: int, next_trigger: int) -> bool:
    """Tell whether a release lets busy fall: no later trigger has been sent before it.

    Parameters
    ----------
    release : int, fs
        When the frame is released.
    next_trigger : int, fs
        When the first of all later triggers leaves; at that very instant busy falls first.
    """
    return release <= next_trigger


def gives_up(release: int, expires: int) -> bool:
    """Tell whether the host gives a conversion up: nothing is released by the end of its wait."""
    return release > expires


def struck_off(trigger: int, timeout: int, now: int) -> bool:
    """Tell whether a conversion that the host gives up is off its list as a read ends.

    At the instant at which the wait is over the read ends first.
    """
    return trigger + timeout < now


def counter_picks(oldest: int, counter: int, modulus: int) -> int:
    """Return the first number from the oldest unanswered one on that a frame's counter fits.

    Parameters
    ----------
    oldest : int
        A number.
    counter : int
        What the frame carries, or any number that is the same modulo ``modulus``.
    modulus : int
        How many values the counter has.
    """
    return oldest + (counter - oldest) % modulus


def ends_wait(release: int, arrival: int) -> int:
    """Return from when a release ends the host's wait for it, in fs.

    Where the host reads the converter itself, a timeout at the very instant of a trigger's arrival
    comes before what that trigger sets going.
    """
    return release + 1 if release == arrival else release
