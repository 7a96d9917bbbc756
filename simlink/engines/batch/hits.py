"""Which symbols of a conversion transients hit, in the batch engine: compiled as it stands.

What is drawn for nothing else is drawn where an upset window makes it matter, and what windows
there are is worked out as far as trials have come. Where either is wanted and not there, the loop
stops and says what it wants (`Wanted`); it goes on from that conversion once it has been given.
"""

from __future__ import annotations

from enum import IntEnum
from typing import TYPE_CHECKING, Any

import numpy as np

from simlink.base import seeding
from simlink.base.instants import NEVER
from simlink.base.sfc64 import numbered
from simlink.engines.batch.draws import EDGES
from simlink.engines.batch.rings import draw
from simlink.link.channel import arrives_at
from simlink.link.transient import UPSET_PARTS, chance_source, first_open, is_hit, is_upset

if TYPE_CHECKING:
    from simlink.scenario.schema import Scenario


class Wanted(IntEnum):
    """What a loop stops for."""

    NOTHING = 0
    #: Windows that start up to an instant, which its trial's state names.
    WINDOWS = 1
    #: Draws that are made where they matter.
    DRAWS = 2
    #: Room to note harm in.
    ROOM = 3
    #: The event engine: something has happened that this loop does not do.
    WHOLE = 4
    #: That it is said what harm to frames comes to, before their records are taken further.
    HARMS = 5
    #: Room for what is still open of a trial.
    WIDER = 6


WINDOWS, DRAWS, ROOM = int(Wanted.WINDOWS), int(Wanted.DRAWS), int(Wanted.ROOM)
WHOLE, HARMS, WIDER = int(Wanted.WHOLE), int(Wanted.HARMS), int(Wanted.WIDER)
#: Channels by the place of what seeds their draws; the return lanes come last, one by one.
(
    TRIGGER_SEED, CREDIT_SEED, STROBE_SEED, BUSY_SEED, CLOCK_SEED, RETURNED_SEED, LANE_SEEDS,
) = range(7)  # fmt: skip
_CHANNELS = ["trigger", "credit", "strobe", "busy", "clock", "returned"]


def seeds_of(scenario: Scenario, trials: range) -> Any:
    """Return what seeds the draws that say what is hit: uint64, shape (T, channels, 3)."""
    names = [*_CHANNELS, *(f"lane {lane}" for lane in range(scenario.frame.lanes))]
    found = seeding.words(scenario.seed, trials, [chance_source(name) for name in names])
    return np.ascontiguousarray(np.moveaxis(found, 0, 1))


def met(starts: Any, ends: Any, sent: int, arrives: int) -> int:
    """Tell whether a symbol meets a window: 0 or 1, or 2 if that is not known yet.

    Parameters
    ----------
    starts, ends : ndarray of int64, fs
        In order; the last stands for all that is not known yet.
    """
    last = len(ends) - 1
    at = first_open(ends, sent, last)
    if not is_hit(sent, arrives, starts[at], ends[at]):
        return 0
    return 2 if at == last else 1


def want(asked: Any, column: int, index: int) -> None:
    """Ask for a draw."""
    for one in range(1, asked[0, 0] + 1):
        if asked[one, 0] == column:
            return
    asked[0, 0] += 1
    asked[asked[0, 0], 0] = column
    asked[asked[0, 0], 1] = index


def late_draw(late: Any, asked: Any, column: int, index: int) -> int:
    """Return a draw that is made where it matters, 0 if it has to be asked for.

    Parameters
    ----------
    late : ndarray of int64, shape (columns, 2)
        What was drawn last of each, and for which index.
    asked : ndarray of int64, shape (1 + columns, 2)
        How many are asked for, and behind it the column and the index of each.
    """
    if late[column, 1] != index:
        want(asked, column, index)
        return 0
    return late[column, 0]


def chance_hits(law: Any, seeds: Any, channel: int, number: int) -> bool:
    """Tell whether a symbol that meets a window is hit, by its number in its channel.

    ``seeds``, as `seeds_of` gives them, are of its trial.
    """
    if law.upset_parts >= UPSET_PARTS:
        return True
    return is_upset(numbered(seeds[channel], number), law.upset_parts)


#: What is noted of harm: a bit of a lane that came inverted, by its place; a strobe that was lost;
#: of how many bits a gap made the frame, and when; a bit of a line that was inverted, counted over
#: the frame's packets; in place of a lane, the fate of a frame that gaps have parted from it.
INVERTED, LOST, CLOSED, LINE_BIT, PART = range(5)


def note_harm(harms: Any, kind: int, t: int, k: int, lane: int, bit: int, came: int) -> None:
    """Note harm to a conversion's frame; there has to be room for it (`harms.Harms.noted`)."""
    harms[0, 0] += 1
    note = harms[harms[0, 0]]
    note[0], note[1], note[2], note[3], note[4], note[5] = kind, t, k, lane, bit, came


def meets_at(
    law: Any,
    sent: int,
    static: int,
    starts: Any,
    ends: Any,
    late: Any,
    asked: Any,
    column: int,
    k: int,
) -> tuple[int, int, int]:
    """Tell whether a symbol meets a window that waits for none and whose jitter is not drawn.

    Nothing but the very edge of a window takes its jitter to decide.

    Parameters
    ----------
    sent, static : int, fs
        When it is sent; the fixed part of its crossing.
    starts, ends
        As in `met`.
    late, asked, column, k
        As in `late_draw`: its jitter.

    Returns
    -------
    soonest, latest : int, fs
        When it may come.
    meets : int
        As in `met`.
    """
    soonest = arrives_at(sent, static, law.low, NEVER)
    latest = arrives_at(sent, static, law.high, NEVER)
    meets = met(starts, ends, sent, latest)
    if meets == 1 and met(starts, ends, sent, soonest) != 1:
        off = late_draw(late, asked, column, k)
        soonest = latest = arrives_at(sent, static, off, NEVER)
        meets = met(starts, ends, sent, latest)
    return soonest, latest, meets


def inverted(
    law: Any,
    t: int,
    k: int,
    start: int,
    draws: Any,
    place: Any,
    constant: Any,
    at: int,
    lanes: Any,
    captured: Any,
    ahead: Any,
    starts: Any,
    ends: Any,
    late: Any,
    asked: Any,
    seeds: Any,
    harms: Any,
) -> tuple[int, bool]:
    """Note which bits of a frame come inverted.

    Parameters
    ----------
    start : int, fs
        When the frame's clock starts.
    captured : ndarray of int64, shape (N,), fs
        When each bit is sent, counted from the start.
    lanes, ahead : ndarray of int64, shape (lanes,), fs
        The fixed part of each crossing; when the last bit of the frame before came out.
    starts, ends
        As in `met`.
    late, asked
        As in `late_draw`.
    seeds
        As in `chance_hits`.
    harms : ndarray of int64, shape (1 + room, 6)
        How many bits are noted, and behind it of each the kind, the trial, the conversion, the
        lane, the bit, and when it comes, which is of matter only where all are drawn.

    Returns
    -------
    lacks : int
        What it lacks, as in `Wanted`; nothing is noted then.
    wrong : bool
        Whether a bit of a word is inverted.
    """
    noted, wrong, unknown = harms[0, 0], False, False
    if noted + law.lanes * law.bits >= len(harms):
        return ROOM, False
    for lane in range(law.lanes):
        out = ahead[lane] if law.all_drawn else NEVER
        for bit in range(law.bits):
            sent, column = start + captured[bit], lane * law.bits + bit
            if law.all_drawn:
                off = draw(draws, place, constant, EDGES + column, at)
                out = arrives_at(sent, lanes[lane], off, out)
                meets = met(starts, ends, sent, out)
            else:
                _, _, meets = meets_at(law, sent, lanes[lane], starts, ends, late, asked, column, k)
            unknown = unknown or meets == 2
            if meets == 1 and chance_hits(law, seeds, LANE_SEEDS + lane, k * law.bits + bit):
                note_harm(harms, INVERTED, t, k, lane, bit, out)
                wrong = wrong or bit < law.data_bits
    lacks = WINDOWS if unknown else DRAWS if asked[0, 0] > 0 else 0
    if lacks:
        harms[0, 0] = noted
    return lacks, wrong
