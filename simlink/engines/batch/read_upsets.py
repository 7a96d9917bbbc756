"""What transients do to a read by the host's own clock, and to the busy that it waits for.

The compiled loop finds what is lost or inverted. Of a read that lost clock pulses it keeps how
each bit was captured: how many bits that makes wrong depends on what was sent, and is worked out
as records are handed over. Such reads are rare.
"""

from __future__ import annotations

from typing import Any

from simlink.engines.batch.draws import ZERO, Source, edge_columns
from simlink.engines.batch.rings import draw
from simlink.engines.batch.windows import hits_trigger
from simlink.link.content import BitOutcome, lane_bits, misread
from simlink.link.transient import UPSET_PARTS, is_upset, may_upset, meets, upset_parts
from simlink.records import Cause
from simlink.scenario.distributions import Uniform
from simlink.scenario.schema import Scenario

#: Places of the columns, counted from the first: the trigger, busy's rise and fall, the clock's
#: pulses; then the returned clock's pulses and each lane's bits.
TRIGGER_UPSET = 0
BUSY_UPSETS = 1
CLOCK_UPSETS = 3

#: What of a frame was hit.
HIT_BUSY, HIT_CLOCK, HIT_DATA = 1 << Cause.BUSY, 1 << Cause.CLOCK, 1 << Cause.DATA

#: What is kept of each bit beside its `BitOutcome`: that it came inverted, or was never captured.
INVERTED = 4
EMPTY = 8


def upset_columns(scenario: Scenario) -> list[Source]:
    """Return the columns that say whether a symbol that meets a window is hit."""
    bits, lanes = scenario.bits_per_lane, range(scenario.frame.lanes)
    sure = upset_parts(scenario.barrier.upset) >= UPSET_PARTS
    chance = ZERO if sure else Uniform(low=0, high=UPSET_PARTS)
    forward, back = (chance if may_upset(scenario, way) else ZERO for way in ("forward", "return"))
    found = [Source("upset trigger", chance if hits_trigger(scenario) else ZERO)]
    found += edge_columns(back, "upset busy", 2)
    found += edge_columns(forward, "upset clock", bits)
    returns = scenario.link.scheme == "returned_clock"
    found += edge_columns(back if returns else ZERO, "upset returned", bits)
    for lane in lanes:
        found += edge_columns(back, f"upset lane {lane}", bits)
    return found


def takes_pulses(scenario: Scenario) -> bool:
    """Tell whether any clock pulse may be lost."""
    returns = scenario.link.scheme == "returned_clock"
    return may_upset(scenario, "forward") or (returns and may_upset(scenario, "return"))


def hits(
    law: Any,
    windows: Any,
    sent: int,
    arrives: int,
    draws: Any,
    place: Any,
    constant: Any,
    column: int,
    at: int,
) -> bool:
    """Tell whether a symbol is hit.

    Parameters
    ----------
    windows : (ndarray of int64, ndarray of int64), fs
        Starts and ends of those of its direction.
    sent, arrives : int, fs
    column : int
        The place of its draw among the columns of `upset_columns`.
    at : int
        The place of its conversion in the rings.
    """
    if not meets(windows[0], windows[1], sent, arrives):
        return False
    return is_upset(draw(draws, place, constant, law.upset_column + column, at), law.upset_parts)


def spare(
    law: Any,
    windows: Any,
    sent: Any,
    came: Any,
    count: int,
    draws: Any,
    place: Any,
    constant: Any,
    column: int,
    at: int,
) -> int:
    """Take the pulses that are hit out of a clock, each with both its edges.

    Parameters
    ----------
    sent, came : ndarray of int64, fs
        Rising edge 0, falling edge 0, ... as they go into the channel and as they come out; those
        that are spared are moved to the front of ``came``.
    count : int
        How many edges there are.
    column : int
        The place of the first pulse's draw.

    Returns
    -------
    int
        How many edges are spared.
    """
    kept = 0
    for rise in range(0, count, 2):
        own = column + rise // 2
        if not hits(law, windows, sent[rise], came[rise + 1], draws, place, constant, own, at):
            came[kept], came[kept + 1] = came[rise], came[rise + 1]
            kept += 2
    return kept


def wrong_bits(scenario: Scenario, trial: int, conversion: int, captures: Any) -> int:
    """Count the bits of a frame's words that a read without some of its pulses made wrong.

    Parameters
    ----------
    captures : ndarray of int8, shape (lanes x N,)
        How each bit was captured, lane by lane.
    """
    found = 0
    for lane, codes in enumerate(captures.reshape(scenario.frame.lanes, -1).tolist()):
        outcomes = {bit: BitOutcome(code % INVERTED) for bit, code in enumerate(codes)}
        inverted = {bit for bit, code in enumerate(codes) if code & INVERTED}
        came = sum(not code & EMPTY for code in codes)
        found += len(
            misread(lane_bits(scenario, trial, conversion, lane), outcomes, inverted, came)
        )
    return found
