"""To which trigger the host takes each frame to belong, and whether anybody says what went wrong.

The host keeps a list of the triggers that are unanswered, oldest first, by the numbers that it
gives them itself. A frame that it reads is believed to answer the oldest; a conversion that it
gives up, or that the frames' counter tells it is lost, leaves the list. With a remote timer it
counts releases in place of triggers. All of it follows from what the engines hand over.

A conversion is damaged if its frame's value is wrong, if it is missing from the host's record, or
if it is taken for another one. It is told of if the host gave it up, if its frame was closed
short, if its check failed, if the counter shows a gap where it was lost, or right ahead of it, or
if the fault line flags it (`flags`). What is damaged and not told of is silent. A word of a frame
that is dropped, since its check failed, is missing.

Choices where several would do: triggers are numbered in the order in which they are due. The
counter counts what arrives at the converter, missed triggers too: of a missed one, nothing else
tells. Of a trigger that is lost on its way there the counter does not tell, for it was not counted;
but once the link is idle, and the frame that the host has just read was released to the newest
trigger that it sent, its own count of triggers and the counter have to agree. If they do not, it
knows how many were lost, modulo 2^n, and counts on from there. Before that nothing tells a frame
from that of the trigger before. What a frame whose check failed says of its counter is not
believed: it is taken to be the next. So is what the host reads in place of a frame that is gone,
and a frame that it reads too early, since what it finds in place of bits that are to come is not
known. The host cannot tell a frame that no trigger asked for from others: the same holds of it.
Where the counter tells of more losses than triggers are unanswered, all of these are struck off.
The host is busy from a trigger until that trigger's release, or until it gives it up, in
every scheme; its FIFO is empty if it has read the newest frame that it was told of. A frame read
while nothing is unanswered belongs to no conversion, and is misaligned.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from simlink.base.compiled import compiled
from simlink.base.instants import NEVER
from simlink.figures.facts import (
    CHECK_FAILED,
    FATE,
    NO_CAUSE,
    READ_END,
    RELEASE,
    TIMED_OUT,
    arrives,
    cause_of,
    ends_read,
    ends_short,
    is_counted,
    is_left_out,
    is_sent,
    is_struck,
    is_told,
    shows,
)
from simlink.link.fate import (
    CORRUPTED,
    DELIVERED,
    DROPPED,
    IN_FLIGHT,
    MISSED_TRIGGER,
    NOT_RECEIVED,
    NOT_SENT,
    OVERRUN,
    UNDERRUN,
)
from simlink.link.host import counter_picks

NEVER_AGAIN, IDLE, SEQUENCE = 0, 1, 2
REALIGN = {"never": NEVER_AGAIN, "idle": IDLE, "sequence": SEQUENCE}
NO_CONVERSION, UNKNOWN = -1, -2

#: Numbers that the host's list has room for; older ones fall off.
MOST_UNANSWERED = 2**16

#: How a host associates. ``realign``: as above; ``modulus``: of the counter, 1 if there is none;
#: ``timeout``: in fs, `NEVER` if it gives nothing up; ``counts_releases``: with a remote timer;
#: ``fifo``: whether there is one; ``stalls``: whether it
#: holds the master back where it is full; ``checks``: whether frames carry a check or a counter;
#: ``fault_line``: whether there is one.
LAW = np.dtype(
    [
        (one, np.int64)
        for one in (
            "realign",
            "modulus",
            "timeout",
            "counts_releases",
            "fifo",
            "stalls",
            "checks",
            "fault_line",
        )
    ]
)
#: Where a trial stands. ``next``: the oldest number that may be unanswered; ``released``: releases
#: so far; ``last``: the counter of the newest frame that the host has read, as it takes it, modulo
#: what it has values; ``arrived``: triggers that came to the converter so far; ``known``: triggers
#: that the host knows did not; ``run``: damaged conversions in a row up to here; ``extra``: frames
#: dealt with that no trigger asked for.
STATE = np.dtype(
    [(one, np.int64) for one in ("next", "released", "last", "arrived", "known", "run", "extra")]
)
#: Sums over a trial, in conversions. ``wrong_told``: with wrong bits, told of; ``damaged``,
#: ``spells``, ``longest``: damaged ones, runs of them without one that is not, the longest run;
#: ``unrequested``: frames that no trigger asked for; ``flagged``: by the fault line.
COUNTS = (
    "wrong_told", "lost_told", "lost_silent", "misaligned_told", "misaligned_silent", "silent",
    "damaged", "spells", "longest", "unrequested", "flagged",
)  # fmt: skip


def believes(law: Any, rows: Any, first: int, start: int, step: int, now: int, over: bool) -> int:
    """Return which number the host picks at the end of a read, from one on by steps.

    `NO_CONVERSION` if nothing fits, `UNKNOWN` if records that are still to come have to say.
    """
    number = start
    if number < first:
        # Sent long ago; where conversions can be given up, their records are still at hand.
        return number
    while number - first < len(rows):
        record = rows[number - first]
        if not is_sent(record, now):
            return NO_CONVERSION
        if not is_struck(law, record, now):
            return number
        number += step
    return NO_CONVERSION if over else UNKNOWN


def sent_upto(rows: Any, first: int, start: int, upto: int, now: int) -> int:
    """Return where triggers that are struck off end: what is not sent cannot be struck off."""
    number = start
    while number < upto and (
        number < first or (number - first < len(rows) and is_sent(rows[number - first], now))
    ):
        number += 1
    return number


def emptied(law: Any, rows: Any, first: int, k: int, now: int, over: bool) -> int:
    """Return the first number not sent after the read of a frame, if the link is idle then.

    `NO_CONVERSION` if the link is not idle; `UNKNOWN` if records that are still to come have to
    say.
    """
    newest = k
    while newest + 1 - first < len(rows):
        record = rows[newest + 1 - first]
        if not is_sent(record, now):
            break
        if is_told(law, record, now):
            return NO_CONVERSION
        newest += 1
    if newest + 1 - first >= len(rows) and not over:
        return UNKNOWN
    if newest > k and not law.counts_releases and not is_struck(law, rows[newest - first], now):
        return NO_CONVERSION
    return newest + 1


def pairs(law: Any, rows: Any, first: int, k: int) -> int:
    """Return the end of the delivered conversions from one on, each of which answers its trigger.

    For a host that has no counter, and whose oldest unanswered trigger is that conversion's:
    nothing else can come of them, and nearly all are of this kind. Where it gives conversions up,
    each is one that it has not, and behind which it does not find the link idle and a later one
    given up.
    """
    while k - first < len(rows):
        record = rows[k - first]
        if record[FATE] != DELIVERED:
            return k
        if law.timeout != NEVER:
            if record[TIMED_OUT]:
                return k
            if law.realign == IDLE:
                if k + 1 - first >= len(rows):
                    return k
                now, coming = ends_read(record), rows[k + 1 - first]
                if is_sent(coming, now) and not is_told(law, coming, now):
                    return k
        k += 1
    return k


def waits(law: Any, extras: Any, at: int, t: int, after: int, now: int) -> bool:
    """Tell whether the host has been told of a frame that no trigger asked for, and not read it.

    Of those of trial ``t``, ``at`` is the first that has not been dealt with; what comes after
    conversions before ``after`` has been read or lost; ``now`` is in fs.
    """
    told_upto = now if law.fifo else now + 1
    while at < len(extras) and extras[at].trial == t:
        one = extras[at]
        if one.release != NEVER:
            if one.release >= told_upto:
                # It is told of them in their order.
                return False
            if one.after >= after:
                return True
        at += 1
    return False


def idle_after(
    law: Any, rows: Any, first: int, number: int, now: int, over: bool, extras: Any, at: int, t: int
) -> int:  # fmt: skip
    """Return what `emptied` does of a frame's read, also if one waits that no trigger asked for.

    ``number`` is the frame's conversion, or the one that it comes after, and ``at`` the first of
    ``extras`` that comes after it.
    """
    if waits(law, extras, at, t, number, now):
        return NO_CONVERSION
    return emptied(law, rows, first, number, now, over)


def counted_next(
    rows: Any, first: int, extras: Any, t: int, ahead: int, came: int, uncounted: int, aside: int
) -> tuple[int, int, int, int, bool]:
    """Go on to the next frame whose counter the host believes; return where it ends, and of which.

    ``ahead`` and ``aside`` are the first conversion, and the first of ``extras``, to be looked at;
    ``came`` and ``uncounted`` count triggers that arrived ahead of it, and frames that were read
    and whose counter is not believed. The last that is returned says whether it is the one of
    ``extras``; else it is the conversion, if its record is there.
    """
    while True:
        if aside < len(extras) and extras[aside].trial == t and extras[aside].after < ahead:
            if extras[aside].counter >= 0:
                return ahead, came, uncounted, aside, True
            uncounted += is_left_out(extras[aside])
            aside += 1
        elif ahead - first < len(rows) and not is_counted(rows[ahead - first]):
            record = rows[ahead - first]
            if record[FATE] != NOT_SENT:
                came += arrives(record)
                uncounted += ends_read(record) != NEVER
            ahead += 1
        else:
            return ahead, came, uncounted, aside, False


def takes(
    law: Any, rows: Any, first: int, st: Any, extras: Any, at: int, t: int, over: bool,
    number: int, now: int, counter: int,
) -> tuple[int, bool]:  # fmt: skip
    """Take a frame that has been read for an answer to a trigger.

    ``number`` is its conversion, or the one that it comes after, and ``at`` the first of ``extras``
    that comes after it; ``now``, in fs, is when its read ended. ``counter`` is what its counter
    says, -1 if the host does not believe it or there is none.

    Returns
    -------
    believed : int
        Or `UNKNOWN`, and nothing has changed.
    told : bool
        Whether the counter tells that something is missing.
    """
    shown, gap, learnt = st.last + 1, 0, 0
    if counter >= 0:
        shown = counter
        gap = (shown - st.last - 1) % law.modulus
        missing = (number - st.known - shown) % law.modulus
        if missing > 0 and not law.counts_releases:
            idle = idle_after(law, rows, first, number, now, over, extras, at, t)
            if idle == UNKNOWN:
                return UNKNOWN, False
            if idle == number + 1:
                learnt = missing
    begins, after, step = st.next, NO_CONVERSION, 1
    if law.counts_releases:
        believed = begins + gap
        if law.realign == IDLE:
            after = idle_after(law, rows, first, number, now, over, extras, at, t)
            if after >= 0:
                after = max(believed, st.released) + 1
    else:
        if law.realign == SEQUENCE:
            shown += st.known + learnt
            begins, step = counter_picks(begins, shown, law.modulus), law.modulus
        else:
            begins += gap
        believed = believes(law, rows, first, begins, step, now, over)
        if believed == NO_CONVERSION and gap > 0 and step == 1:
            begins = sent_upto(rows, first, st.next, begins, now)
        settled = law.timeout == NEVER and believed == number
        if law.realign == IDLE and believed != UNKNOWN and not settled:
            after = idle_after(law, rows, first, number, now, over, extras, at, t)
    if believed == UNKNOWN or after == UNKNOWN:
        return UNKNOWN, False
    st.next = believed + 1 if believed >= 0 else begins if step == 1 else st.next
    st.next = max(st.next, after)
    st.last = (st.last + 1 + gap) % law.modulus
    st.known += learnt
    return believed, gap > 0 or learnt > 0


def reads_extra(
    law: Any, rows: Any, first: int, st: Any, extras: Any, beliefs: Any, t: int, over: bool
) -> bool:
    """Deal with the next frame that no trigger asked for; tell whether the records suffice."""
    one, place = extras[st.extra], st.extra
    if one.read_end != NEVER:
        believed, _ = takes(
            law, rows, first, st, extras, place + 1, t, over, one.after, one.read_end, one.counter
        )
        if believed == UNKNOWN:
            return False
        beliefs[place] = believed
    st.extra += 1
    st.released += one.release != NEVER
    return True


@compiled
def associate(
    rows_of: Any, row: int, first: int, over: bool, sums: Any, laws: Any, states: Any,
    reached: Any, outcomes: Any, extras: Any, flags: Any, known: Any, beliefs: Any,
) -> None:  # fmt: skip
    """Associate what was read with what was sent, as far as the records say.

    Parameters
    ----------
    rows_of : ndarray of RECORD, or nested lists of its tuples, shape (rows, n)
        Records from conversion ``first`` on.
    row : int
        The trial of their first row.
    first : int
        Their first conversion.
    over : bool
        Whether no more are to come.
    sums : ndarray with fields `COUNTS`, shape (T,)
    laws : ndarray of LAW, shape (1,)
    states : ndarray of STATE, shape (T,)
    reached : ndarray of int64, shape (T,)
        From which conversion on each trial has not been decided; brought up to date.
    outcomes : ndarray of OUTCOME, shape (T, total or 0)
        Filled where there is room.
    extras : ndarray of UNREQUESTED
        The frames that no trigger asked for, by trial, counted from the first, and in their order:
        of each trial all that come after the conversions of ``rows_of``, or ahead of them.
    flags : ndarray of bool, shape (T, n), or (T, 0) without a fault line
        Which conversions of ``rows_of`` it flags.
    known : ndarray of int64, shape (T,)
        Of how many of them that is known.
    beliefs : ndarray of int64, shape (frames,)
        The number that the host takes each frame of ``extras`` for, filled in if it was read.
    """
    law = laws[0]
    keeps = outcomes.shape[1] > 0
    plain = not law.checks and not law.counts_releases and not law.fault_line
    for t in range(row, row + len(rows_of)):
        rows, st, mine = rows_of[t - row], states[t], sums[t]
        ahead, k = reached[t], reached[t]
        while st.extra < len(extras) and extras[st.extra].trial < t:
            st.extra += 1
        more = st.extra < len(extras) and extras[st.extra].trial == t
        # Of the frames and triggers between here and there, and of those that nobody asked for.
        came, uncounted, aside = st.arrived, 0, st.extra
        while k - first < known[t]:
            while more and extras[st.extra].after < k:
                left_out = is_left_out(extras[st.extra])
                if not reads_extra(law, rows, first, st, extras, beliefs, t, over):
                    break
                mine.unrequested += 1
                uncounted -= left_out and st.extra <= aside
                more = st.extra < len(extras) and extras[st.extra].trial == t
            if more and extras[st.extra].after < k:
                break
            if plain and not more and st.next == k:
                k = pairs(law, rows, first, k)
                if k > st.next:
                    if keeps:
                        for one in range(st.next, k):
                            outcomes[t, one].believed = one
                            outcomes[t, one].cause = NO_CAUSE
                    st.next, st.run = k, 0
                    continue
            record = rows[k - first]
            fate = record[FATE]
            if fate == NOT_SENT:
                k += 1
                continue
            st.next = max(st.next, k + 1 - MOST_UNANSWERED)
            now = ends_read(record)
            gap = 0
            believed = NO_CONVERSION
            if law.modulus > 1 and fate != IN_FLIGHT and not is_counted(record):
                # The counter of the next frame that is read tells of it, or none does.
                if ahead <= k:
                    ahead, came, uncounted, aside = k, st.arrived, 0, st.extra
                ahead, came, uncounted, aside, apart = counted_next(
                    rows, first, extras, t, ahead, came, uncounted, aside
                )
                if apart or ahead - first < len(rows):
                    if apart:
                        extra = extras[aside]
                        number, shown, read = extra.after, extra.counter, extra.read_end
                    else:
                        coming = rows[ahead - first]
                        number, shown = ahead, shows(coming, came, law.modulus)
                        read = ends_read(coming)
                    gap = (shown - st.last - 1 - uncounted) % law.modulus
                    if gap == 0 and (number - st.known - shown) % law.modulus > 0:
                        # None is missing of what arrived; triggers may be, as an idle link tells.
                        idle = idle_after(
                            law, rows, first, number, read, over, extras, aside + apart, t
                        )
                        if idle == UNKNOWN:
                            break
                        gap = int(idle == number + 1)
                elif not over:
                    break
            told_gap = gap > 0
            if now != NEVER:
                counted = law.modulus > 1 and is_counted(record)
                counter = shows(record, st.arrived, law.modulus) if counted else -1
                believed, told = takes(
                    law, rows, first, st, extras, st.extra, t, over, k, now, counter
                )
                if believed == UNKNOWN:
                    break
                told_gap = told_gap or told
                uncounted -= not is_counted(record)
            st.arrived += arrives(record)
            if record[RELEASE] != NEVER:
                st.released += 1
            used = record[READ_END] != NEVER and fate != DROPPED
            misaligned = used and believed != k
            flagged = False
            if law.fault_line:
                flagged = flags[t, k - first]
                mine.flagged += flagged
            told = record[TIMED_OUT] or record[CHECK_FAILED] or told_gap or ends_short(record)
            told = told or flagged
            lost = fate in (MISSED_TRIGGER, OVERRUN, NOT_RECEIVED, DROPPED)
            wrong = fate in (CORRUPTED, UNDERRUN)
            damaged = lost or wrong or misaligned
            if fate == CORRUPTED and told:
                mine.wrong_told += 1
            if lost:
                mine.lost_told += told
                mine.lost_silent += not told
            if misaligned:
                mine.misaligned_told += told
                mine.misaligned_silent += not told
            if damaged:
                mine.silent += not told
                mine.damaged += 1
                mine.spells += st.run == 0
                st.run += 1
                mine.longest = max(mine.longest, st.run)
            elif fate != IN_FLIGHT:
                st.run = 0
            if keeps:
                one = outcomes[t, k]
                one.believed = believed if used else NO_CONVERSION
                one.misaligned = misaligned
                one.told = told
                one.cause = cause_of(record, law)
                one.flagged = flagged
            k += 1
        while more and over:
            # None of them waits for records that are still to come.
            reads_extra(law, rows, first, st, extras, beliefs, t, over)
            mine.unrequested += 1
            more = st.extra < len(extras) and extras[st.extra].trial == t
        reached[t] = k


def oldest_asked_for(timeout: int, reached: Any, unanswered: Any) -> Any:
    """Return from which conversion on records may still be asked for; of trials alike.

    Parameters
    ----------
    timeout : int, fs
        As in `LAW`: a host that gives conversions up still asks whether it did so.
    reached, unanswered : int
        Up to where conversions are associated; the oldest number that may be unanswered.
    """
    return reached if timeout == NEVER else np.minimum(reached, unanswered)
