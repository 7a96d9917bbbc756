"""What harm to frames comes to, in the batch engine: of the few that transients hit."""

from __future__ import annotations

from functools import partial
from typing import Any

import numpy as np

from simlink.base.instants import FAR, NEVER
from simlink.engines.batch.hits import PART
from simlink.engines.batch.judging import bit_left, judge_bits
from simlink.link import check
from simlink.link.damage import Harm, Layout, Sent, damage, judged, packet_fails, syndromes
from simlink.link.fate import NOT_RECEIVED, UNDERRUN, fate_of_failed
from simlink.link.transport import packets_of, shape_of
from simlink.records import UNREQUESTED, Cause
from simlink.scenario.schema import Scenario

#: What is noted before the loop has to stop, beyond the most of one frame.
_ROOM = 1024

_DATA = 1 << Cause.DATA

#: Kind, row, conversion, lane, bit, and an instant in fs, as `hits.note_harm` notes them.
Note = list[int]
#: Lane and bit.
Place = tuple[int, int]


class Harms:
    """The harm to frames whose fate is not settled, by conversion and trial.

    Attributes
    ----------
    noted : ndarray of int64, shape (1 + room, 6)
        As `hits.note_harm` fills it.
    """

    def __init__(self, scenario: Scenario) -> None:
        self._scenario = scenario
        self._layout = Layout.of(scenario)
        self._packets = packets_of(scenario)
        most = (scenario.frame.lanes + 3) * scenario.bits_per_lane + 1
        if self._packets is not None:
            self._shapes = shape_of(scenario, self._packets)
            most = scenario.frame.lanes * int(self._shapes[1].sum())
        self.noted = np.zeros((1 + _ROOM + most, 6), dtype=np.int64)
        self._found: dict[int, dict[int, list[Note]]] = {}
        self._judged: list[tuple[int, int]] = []
        self._last: tuple[tuple[int, ...], list[int]] = (), []

    def open(self, trials: range) -> None:
        """Begin some trials."""
        self._trials = trials
        #: Frames that gaps have parted from others: how many of each row, and those not yet handed
        #: over, by row, conversion and fate.
        self.given = [0] * len(trials)
        self._parts: list[tuple[int, int, int]] = []
        #: Triggers that were lost on their way: the converter does not count them.
        self._lost = np.zeros(len(trials), dtype=np.int64)

    def collect(self) -> None:
        """Take what is noted."""
        count = int(self.noted[0, 0])
        for note in self.noted[1 : 1 + count].tolist():
            kind, row, conversion, fate, *_ = note
            if kind == PART:
                self.given[row] += 1
                self._parts.append((row, conversion, fate))
                continue
            self._found.setdefault(conversion, {}).setdefault(row, []).append(note)
        self.noted[0, 0] = 0

    def settle(self, records: Any, first: int) -> None:
        """Finish the records of conversions from ``first`` on, which nothing can change any more.

        Parameters
        ----------
        records : ndarray of RECORD, shape (T, n)
        """
        upto, records = first + records.shape[1], records.view(np.recarray)
        lost = None
        if self._layout.sequence:
            lost = (records["fate"] == NOT_RECEIVED) & (records["aperture"] == NEVER)
        for conversion in [one for one in self._found if one < upto]:
            at = conversion - first
            for row, notes in self._found.pop(conversion).items():
                came = conversion
                if lost is not None:
                    came -= int(self._lost[row] + lost[row, :at].sum())
                sent = partial(self._sent, self._trials[row], came)
                self._judge(records[row, at], conversion, notes, sent)
                self._judged.append((row, conversion))
        if lost is not None:
            self._lost += lost.sum(axis=1)

    def settle_row(self, row: int, records: Any, upto: int) -> int:
        """Finish the records of one trial's conversions before ``upto``, likewise.

        Their frames carry no counter, which would take all records in their order.

        Parameters
        ----------
        row : int
            Of the trial.
        records : ndarray of RECORD, shape (size,)
            That of conversion k stands at ``k % size``.

        Returns
        -------
        int
            The first of its conversions that is still to be finished; `FAR` if there is none.
        """
        left, records = FAR, records.view(np.recarray)
        for conversion, rows in self._found.items():
            if row in rows and conversion >= upto:
                left = min(left, conversion)
            elif row in rows:
                sent = partial(self._sent, self._trials[row], conversion)
                self._judge(records[conversion % len(records)], conversion, rows.pop(row), sent)
        self._found = {conversion: rows for conversion, rows in self._found.items() if rows}
        return left

    def forget(self, row: int) -> None:
        """Let go what has been noted of a trial that somebody else takes on."""
        for rows in self._found.values():
            rows.pop(row, None)

    def take_back(self, row: int) -> None:
        """Let go the frames that gaps have parted in a trial and that are not yet handed over."""
        kept = [one for one in self._parts if one[0] != row]
        self.given[row] -= len(self._parts) - len(kept)
        self._parts = kept

    def unrequested(self) -> list[Any]:
        """Return the frames that gaps have parted from others since this was last asked.

        Returns
        -------
        list of ndarray of UNREQUESTED
        """
        parts, self._parts = self._parts, []
        if not parts:
            return []
        found = np.zeros(len(parts), dtype=UNREQUESTED)
        for name in ("aperture", "ready", "release", "read_start", "read_end"):
            found[name] = NEVER
        found["counter"] = -1
        found["trial"] = [self._trials[row] for row, _, _ in parts]
        found["after"] = [conversion for _, conversion, _ in parts]
        found["fate"] = [fate for _, _, fate in parts]
        return [found]

    def mended(self) -> list[tuple[int, int]]:
        """Return the trial and the conversion of records judged since this was last asked."""
        found, self._judged = self._judged, []
        return found

    def _sent(self, trial: int, came: int, conversion: int, lane: int) -> list[int]:
        """Return what a lane sends of a frame, which is asked for twice in a row."""
        key = trial, came, conversion, lane
        if self._last[0] != key:
            self._last = key, check.sent(self._scenario, trial, conversion, lane, came)
        return self._last[1]

    def _judge(self, record: Any, conversion: int, notes: list[Note], sent: Sent) -> None:
        """Say what harm to a frame comes to."""
        if self._packets is None:
            hurt = self._hurt_bits(record, conversion, notes, sent)
        else:
            hurt = self._hurt_packets(record, conversion, notes, sent)
        if hurt is None:
            return
        found = judged(self._layout, hurt)
        record.wrong_bits = found.wrong
        if record.fate == UNDERRUN:
            return
        record.counter_error = found.counter_error
        if found.failed or record.check_failed:
            record.check_failed = True
            if self._layout.drops:
                record.fate = fate_of_failed(int(record.fate))

    def _hurt_bits(
        self, record: Any, conversion: int, notes: list[Note], sent: Sent
    ) -> set[Place] | None:
        """Return what is wrong with a frame whose bits come one by one; None if it is as it was."""
        kept, noted = np.empty(self._layout.bits, dtype=np.int64), np.array(notes)
        own, is_read = judge_bits(self._layout.bits, record, noted, kept)
        if not is_read:
            return None
        end, found = record.read_end, set()
        for lane in range(self._layout.lanes):
            bits = sent(conversion, lane)
            for place, bit in enumerate(bits):
                came = bits[kept[place]] if place < own else 0
                if bit_left(came, own, noted, lane, place, end) != bit:
                    found.add((lane, place))
        return found

    def _hurt_packets(
        self, record: Any, conversion: int, notes: list[Note], sent: Sent
    ) -> set[Place] | None:
        """Return what is wrong with a frame in packets; None if it is as it was."""
        harm = Harm()
        come = self._of_line(harm, notes)
        end = int(record.read_end)
        if end == NEVER:
            if harm.lost:
                record.hit = harm.hit | _DATA * (bool(come) and record.fate == NOT_RECEIVED)
            return None
        harm.inverted = {place for place, when in come.items() if when < end}
        if not harm.inverted and not harm.lost and not harm.packet_failed:
            return None
        record.hit = harm.hit | _DATA * bool(harm.inverted)
        if record.fate != UNDERRUN and harm.packet_failed:
            record.check_failed = True
        return damage(harm, conversion, self._layout.lanes, sent)

    def _of_line(self, harm: Harm, notes: list[Note]) -> dict[Place, int]:
        """Note lost packets and failed checks; return when each inverted bit came, by place."""
        assert self._packets is not None
        law, header = self._scenario.check, self._scenario.barrier.return_.header_bits
        firsts, sizes, ahead = self._shapes
        come = {}
        hit: dict[tuple[int, int], list[int]] = {}
        for _, _, _, lane, bit, when in notes:
            number = int(np.searchsorted(ahead, bit, side="right")) - 1
            hit.setdefault((lane, number), []).append(bit - int(ahead[number]) - header)
            come[lane, number] = when
        found: dict[Place, int] = {}
        for (lane, number), bits in hit.items():
            data = self._packets[number].last - self._packets[number].first + 1
            first = int(firsts[number])
            if min(bits) < 0:
                harm.lost |= {(lane, first + place) for place in range(data)}
                harm.hit |= 1 << Cause.PACKET
                continue
            inside = [bit for bit in bits if bit < data]
            if law.of_packet:
                does = syndromes(law, data)
                # Its check stands at its end.
                beyond = int(sizes[number]) - header - len(does)
                checked = inside + [bit - beyond for bit in bits if bit - beyond >= data]
                if packet_fails(does, checked):
                    harm.packet_failed = True
                    harm.hit |= 1 << Cause.DATA
            found |= {(lane, first + bit): come[lane, number] for bit in inside}
        return found
