"""What harm to a frame whose bits come one by one comes to.

Of frames that carry nothing but words it is judged in the loop that walks: to go back and forth for
each would take longer than all else that an event asks for. Compiled as it stands. `harms` calls
the same rules for other frames, and has those in packets.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from simlink.base.instants import NEVER
from simlink.engines.batch.hits import CLOSED, INVERTED, LOST, PART
from simlink.engines.batch.rings import slot
from simlink.link.content import seed_of, value_of
from simlink.link.fate import NOT_RECEIVED, UNDERRUN
from simlink.link.transport import packets_of
from simlink.records import Cause

if TYPE_CHECKING:
    from simlink.scenario.schema import Scenario

#: The most bits of a word that is judged here, in a whole number of 64.
_MOST = 62
_DATA, _STROBE, _SLIP = 1 << Cause.DATA, 1 << Cause.STROBE, 1 << Cause.SLIP


def is_plain(scenario: Scenario) -> bool:
    """Tell whether frames are nothing but the bits of words, one by one."""
    bare = not scenario.check.sequence_bits and scenario.check.kind == "none"
    return bare and packets_of(scenario) is None and scenario.frame.word_bits <= _MOST


def contents_of(scenario: Scenario, trials: range) -> Any:
    """Return what the words of some trials are drawn by: uint64, shape (T,)."""
    return np.array([seed_of(scenario, trial) for trial in trials], dtype=np.uint64)


def judge_noted(
    law: Any, t: int, records: Any, low: int, content: Any, harms: Any, kept: Any
) -> int:
    """Finish the records of a trial's conversions before one, and let go what was noted of them.

    Parameters
    ----------
    t : int
        The row of the trial.
    records : ndarray of RECORD, shape (a power of two,)
        Its own.
    low : int
        The conversion from which on records may still change.
    content : uint64
        As `contents_of` gives it.
    harms : ndarray of int64, shape (1 + room, 6)
        As in `hits.inverted`.
    kept : ndarray of int64, shape (N,)
        Room to work in.

    Returns
    -------
    int
        How much is noted of later ones; -1 if a gap has parted a frame that nobody asked for, of
        which somebody else has to tell.
    """
    count, others, left, at = harms[0, 0], 0, 0, 1
    for one in range(1, count + 1):
        if harms[one, 1] == t and harms[one, 0] == PART:
            return -1
    while at <= count:
        note = harms[at]
        if note[1] == t and note[2] < low:
            first, conversion = at, note[2]
            while at <= count and harms[at, 1] == t and harms[at, 2] == conversion:
                at += 1
            record = records[slot(conversion, records)]
            judge(law, record, conversion, content, harms[first:at], kept)
            continue
        others += 1
        left += note[1] == t
        for one in range(harms.shape[1]):
            harms[others, one] = note[one]
        at += 1
    harms[0, 0] = others
    return left


def judge(law: Any, record: Any, conversion: int, content: Any, notes: Any, kept: Any) -> None:
    """Say what harm to a frame that carries nothing but words comes to; ``notes`` are all of it."""
    own, is_read = judge_bits(law.bits, record, notes, kept)
    if not is_read:
        return
    wrong, end = 0, record.read_end
    for lane in range(law.lanes):
        for place in range(law.bits):
            there = sent = bit_sent(law, content, conversion, lane, place)
            if place < own and kept[place] != place:
                there = bit_sent(law, content, conversion, lane, kept[place])
            wrong += bit_left(there, own, notes, lane, place, end) != sent
    record.wrong_bits = wrong
    if record.fate != UNDERRUN:
        record.counter_error = 0


def judge_bits(bits: int, record: Any, notes: Any, kept: Any) -> tuple[int, bool]:
    """Say what harm to a frame whose bits come one by one is due to, and whether it is short.

    Only what is there when its read ends is wrong with what was read.

    Parameters
    ----------
    bits : int
        Of a lane.
    record : record of RECORD
    notes : ndarray of int64, shape (n, 6)
        As `hits.note_harm` makes them.
    kept : ndarray of int64, shape (bits,)
        As `keep_own` fills it.

    Returns
    -------
    own : int
        How many bits of each lane come.
    is_read : bool
        Whether some of what was read may be wrong.
    """
    own, hit, short = keep_own(bits, notes, kept)
    end, came, turned, closed = record.read_end, False, False, False
    for one in range(len(notes)):
        kind, when = notes[one, 0], notes[one, 5]
        came = came or kind == INVERTED
        turned = turned or (kind == INVERTED and when < end)
        closed = closed or (kind == CLOSED and when <= end)
    if end == NEVER:
        if short:
            record.hit = hit | (_DATA if came and record.fate == NOT_RECEIVED else 0)
        return own, False
    if not turned and not short:
        return own, False
    record.hit = hit | (_DATA if turned else 0)
    if record.fate != UNDERRUN and short and closed:
        # Where nothing else is checked the host may use it, for all that it is told.
        record.check_failed = True
    return own, True


def keep_own(bits: int, notes: Any, kept: Any) -> tuple[int, int, bool]:
    """Fill in which bits come to a frame, in order.

    Returns
    -------
    own : int
        How many do.
    hit : int
        2 to the power of each cause that applies, added up.
    short : bool
        Whether any are lost.
    """
    short, closes, own, slipped = False, bits, 0, False
    kept[:] = 0
    for one in range(len(notes)):
        if notes[one, 0] == LOST:
            kept[notes[one, 4]], short = 1, True
        elif notes[one, 0] == CLOSED:
            closes = min(closes, notes[one, 4])
    for bit in range(bits):
        if kept[bit] == 0 and own < closes:
            slipped = slipped or own != bit
            kept[own] = bit
            own += 1
    return own, (_STROBE | (_SLIP if slipped else 0)) if short else 0, short


def bit_left(came: int, own: int, notes: Any, lane: int, place: int, end: int) -> int:
    """Return a bit as it is read, of the one that came in its place; where none did it is 0."""
    if place >= own:
        return 0
    return 1 - came if is_turned(notes, lane, place, end) else came


def is_turned(notes: Any, lane: int, place: int, end: int) -> bool:
    """Tell whether a bit came inverted, and before an instant."""
    for one in range(len(notes)):
        note = notes[one]
        if note[0] == INVERTED and note[3] == lane and note[4] == place and note[5] < end:
            return True
    return False


def bit_sent(law: Any, content: Any, conversion: int, lane: int, place: int) -> int:
    """Return a bit that a lane sends of a conversion, the most significant of its words first."""
    word = (conversion * law.lanes + lane) * law.words + place // law.word_bits
    value = value_of(law.random != 0, content, np.uint64(word))
    shift = np.uint64(law.word_bits - 1 - place % law.word_bits)
    return int(np.int64((value >> shift) & np.uint64(1)))
