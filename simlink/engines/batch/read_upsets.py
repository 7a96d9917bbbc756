"""What transients do to a read by the host's own clock, and to the busy that it waits for.

The compiled loop finds what is lost or inverted, and keeps how each bit of such a read was
captured. How many bits are wrong, and whether a check fails, depends on what was sent, and is
worked out as records are handed over. Such reads are rare.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from simlink.base.instants import FAR, Times
from simlink.engines.batch.hits import chance_hits
from simlink.link import check
from simlink.link.content import BitOutcome, misread
from simlink.link.damage import Layout, judged
from simlink.link.fate import NOT_RECEIVED, fate_of_failed, fate_of_read
from simlink.link.transient import first_open, may_upset, meets
from simlink.records import Cause
from simlink.scenario.schema import Scenario

#: What of a frame was hit.
HIT_BUSY, HIT_CLOCK, HIT_DATA = 1 << Cause.BUSY, 1 << Cause.CLOCK, 1 << Cause.DATA

#: What is kept of each bit beside its `BitOutcome`: that it came inverted, or was never captured.
INVERTED = 4
EMPTY = 8
_OUTCOMES = [BitOutcome(code % INVERTED) for code in range(2 * EMPTY)]


def captures(scenario: Scenario) -> int:
    """Return of how many bits of a read it is kept how they were captured: of all, or of none."""
    returns = scenario.link.scheme == "returned_clock"
    loses = may_upset(scenario, "forward") or (returns and may_upset(scenario, "return"))
    inverts = scenario.check.tells and may_upset(scenario, "return")
    return scenario.bits_per_lane * scenario.frame.lanes if loses or inverts else 0


def calm(st: Any, going: Any, coming: Any, sent: int, arrives: int) -> bool:
    """Tell whether a symbol surely meets no window, of either direction, in little time.

    Parameters
    ----------
    st
        Of the trial. From ``st.since`` on nothing that is sent meets a window that opens before
        ``st.opens``; both are found anew where they do not answer.
    going, coming : (ndarray of int64, ndarray of int64), fs
        Starts and ends of the windows of each direction.
    sent, arrives : int, fs
    """
    if sent >= st.since and arrives < st.opens:
        return True
    st.since, st.opens = sent, FAR
    for starts, ends in (going, coming):
        at = first_open(ends, sent, len(ends))
        if at < len(ends):
            st.opens = min(st.opens, starts[at])
    found: bool = arrives < st.opens
    return found


def hits(
    law: Any, windows: Any, sent: int, arrives: int, seeds: Any, channel: int, number: int
) -> bool:
    """Tell whether a symbol is hit.

    Parameters
    ----------
    windows : (ndarray of int64, ndarray of int64), fs
        Starts and ends of those of its direction.
    sent, arrives : int, fs
    seeds, channel, number
        As in `hits.chance_hits`.
    """
    if not meets(windows[0], windows[1], sent, arrives):
        return False
    return chance_hits(law, seeds, channel, number)


def spare(
    law: Any, windows: Any, sent: Any, came: Any, count: int, seeds: Any, channel: int, k: int
) -> int:
    """Take the pulses that are hit out of a clock, each with both its edges.

    Parameters
    ----------
    sent, came : ndarray of int64, fs
        Rising edge 0, falling edge 0, ... as they go into the channel and as they come out; those
        that are spared are moved to the front of ``came``.
    count : int
        How many edges there are.
    seeds, channel
        As in `hits.chance_hits`.
    k : int
        The conversion.

    Returns
    -------
    int
        How many edges are spared.
    """
    kept = 0
    for rise in range(0, count, 2):
        number = k * law.bits + rise // 2
        if not hits(law, windows, sent[rise], came[rise + 1], seeds, channel, number):
            came[kept], came[kept + 1] = came[rise], came[rise + 1]
            kept += 2
    return kept


class Judge:
    """Says of each read that was hit what is wrong with it, and what the host is told."""

    def __init__(self, scenario: Scenario) -> None:
        self._scenario = scenario
        self._layout = Layout.of(scenario)

    def open(self, trials: range) -> None:
        """Begin some trials."""
        self._trials = trials
        #: Triggers that were lost on their way: the converter does not count them.
        self._lost = np.zeros(len(trials), dtype=np.int64)

    def settle(self, records: Any, kept: Any, first: int, hurt: Times) -> None:
        """Complete the records of the next conversions.

        Parameters
        ----------
        records : ndarray of RECORD, shape (T, n)
        kept : ndarray of int8, shape (T, n, lanes x N)
            How each bit was captured.
        first : int
            The first conversion.
        hurt : ndarray of int64, shape (T,)
            The last conversion, so far, of whose read anything was hit.
        """
        lost = records["fate"] == NOT_RECEIVED if self._layout.sequence else None
        for row in np.nonzero(hurt >= first)[0].tolist():
            some = records["hit"][row, : hurt[row] - first + 1]
            for at in np.nonzero(some & (HIT_CLOCK | HIT_DATA))[0].tolist():
                came = index = first + at
                if lost is not None:
                    came -= int(self._lost[row] + lost[row, :at].sum())
                self._judge(records[row, at], kept[row, at], self._trials[row], index, came)
        if lost is not None:
            self._lost += lost.sum(axis=1)

    def _judge(self, record: Any, kept: Any, trial: int, index: int, counter: int) -> None:
        """Complete the record of one conversion.

        Parameters
        ----------
        counter : int
            The triggers that came to the converter ahead of its own.
        """
        layout, damage, inverted = self._layout, set(), set()
        codes = kept.reshape(layout.lanes, layout.bits).tolist()
        for lane, some in enumerate(codes):
            outcomes = {bit: _OUTCOMES[code] for bit, code in enumerate(some)}
            turned = {bit for bit, code in enumerate(some) if code & INVERTED}
            came = sum(not code & EMPTY for code in some)
            sent = check.sent(self._scenario, trial, index, lane, counter)
            damage |= {(lane, bit) for bit in misread(sent, outcomes, turned, came)}
            inverted |= {(lane, bit) for bit in turned}
        found = judged(layout, damage)
        hurt = damage if record["hit"] & HIT_CLOCK else inverted
        record["wrong_bits"] = sum(bit < layout.data for _, bit in hurt)
        record["counter_error"], record["check_failed"] = found.counter_error, found.failed
        fate = fate_of_read(False, any(any(some[: layout.data]) for some in codes))
        record["fate"] = fate_of_failed(fate) if found.failed and layout.drops else fate
