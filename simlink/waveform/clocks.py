"""Clocks as a dump shows them: their pulses, their period, and the frames that they clock out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from statistics import median_low

from simlink.tracing.edges import Edge

#: (rise, fall) in fs; the fall of the last one is None if it was not seen.
Pulse = tuple[int, int | None]


@dataclass
class ClockFrame:
    """The pulses of one frame."""

    #: Each one's bit, its rise and its fall, fs.
    pulses: list[tuple[int, int, int | None]] = field(default_factory=list)
    #: Pulses that did not come: near which instant, fs, and how many.
    missing: list[Edge] = field(default_factory=list)
    #: Whether it ended within the dump, as it should or short.
    ended: bool = False

    @property
    def start(self) -> int:
        """Its first rise."""
        return self.pulses[0][1]

    @property
    def last_rise(self) -> int:
        """Its last rise."""
        return self.pulses[-1][1]


def pulses_of(edges: Sequence[Edge]) -> list[Pulse]:
    """Return the pulses of a line; one that was high as the dump began is left out."""
    found: list[Pulse] = []
    for place, (time, level) in enumerate(edges):
        if level:
            found.append((time, edges[place + 1][0] if place + 1 < len(edges) else None))
    return found


def period_of(pulses: Sequence[Pulse], bits: int) -> int | None:
    """Return the period of a clock that clocks frames of so many bits, fs; None if it shows none.

    The spacing of most rises; where most are the first of their frames, twice the usual pulse.
    """
    if bits >= 3:
        spacings = [after - before for (before, _), (after, _) in pairwise(pulses)]
        return (median_low(spacings) if spacings else 0) or None
    widths = [fall - rise for rise, fall in pulses if fall is not None]
    return (2 * median_low(widths) if widths else 0) or None


def bursts_of(pulses: Sequence[Pulse], period: int, begin: int, end: int) -> list[tuple[int, int]]:
    """Return the first rise of each burst, fs, and its pulses: frames one after another are one.

    A clock rests for more than one and a half periods ahead of a burst and behind it; one that the
    dump shows no whole rest of is left out. Instants as in `frames_of`.
    """
    found: list[tuple[int, int]] = []
    before = begin
    for rise, _ in pulses:
        if 2 * (rise - before) > 3 * period:
            found.append((rise, 1))
        elif found:
            found[-1] = (found[-1][0], found[-1][1] + 1)
        before = rise
    return found if 2 * (end - before) > 3 * period else found[:-1]


def frames_of(
    pulses: Sequence[Pulse], bits: int, period: int, begin: int, end: int
) -> list[ClockFrame]:
    """Tell the frames of a clock apart, from the first whole one on.

    Pulses of a frame follow one another within one and a half periods; the first whole frame is
    that ahead of which the clock rested for longer than that.

    Parameters
    ----------
    pulses : sequence of pulses
        From `pulses_of`.
    bits : int
        Pulses in a frame.
    period : int
        Of the clock, fs.
    begin, end : int
        The first and last instant that were seen, fs.
    """
    frames: list[ClockFrame] = []
    frame: ClockFrame | None = None
    before, place = begin, bits
    for rise, fall in pulses:
        rested = 2 * (rise - before) > 3 * period
        if frame is not None and place < bits and rested:
            # Half a period is no whole one too many.
            steps = (2 * (rise - before) + period) // (2 * period)
            gone = min(steps - 1, bits - place)
            frame.missing.append((before + period, gone))
            if place + gone >= bits:
                frame.ended = True
            place += gone
        if place >= bits:
            if frame is None and not rested:
                before = rise
                continue
            frame, place = ClockFrame(), 0
            frames.append(frame)
        assert frame is not None
        frame.pulses.append((place, rise, fall))
        before, place = rise, place + 1
        frame.ended = place == bits
    if frame is not None and not frame.ended and 2 * (end - before) > 3 * period + 2 * period:
        frame.missing.append((before + period, bits - place))
        frame.ended = True
    return frames
