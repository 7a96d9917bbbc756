"""What inverted bits come to, in the batch engine: of the few frames that transients harmed."""

from __future__ import annotations

from typing import Any

import numpy as np

from simlink.base.instants import NEVER
from simlink.link.damage import Layout, judged
from simlink.link.fate import UNDERRUN, fate_of_failed
from simlink.records import Cause
from simlink.scenario.schema import Scenario

#: Bits that are noted before the loop has to stop, beyond those of a frame.
_ROOM = 1024


class Harms:
    """The inverted bits of frames whose fate is not settled, by trial and conversion.

    Attributes
    ----------
    noted : ndarray of int64, shape (1 + room, 5)
        As `hits.inverted` fills it.
    """

    def __init__(self, scenario: Scenario) -> None:
        self._layout = Layout.of(scenario)
        room = _ROOM + scenario.frame.lanes * scenario.bits_per_lane
        self.noted = np.zeros((1 + room, 5), dtype=np.int64)
        self._found: dict[int, dict[int, list[tuple[int, int, int]]]] = {}

    def collect(self) -> None:
        """Take what is noted."""
        count = int(self.noted[0, 0])
        for row, conversion, lane, bit, came in self.noted[1 : 1 + count].tolist():
            frames = self._found.setdefault(conversion, {})
            frames.setdefault(row, []).append((lane, bit, came))
        self.noted[0, 0] = 0

    def settle(self, records: Any, first: int) -> None:
        """Finish the records of conversions from ``first`` on, which nothing can change any more.

        Parameters
        ----------
        records : ndarray of RECORD, shape (T, n)
        """
        upto = first + records.shape[1]
        for conversion in [one for one in self._found if one < upto]:
            for row, bits in self._found.pop(conversion).items():
                self._judge(records[row, conversion - first], bits)

    def _judge(self, record: Any, bits: list[tuple[int, int, int]]) -> None:
        """Say what inverted bits come to: those that are there when the read of a frame ends."""
        end = record["read_end"]
        there = [(lane, bit) for lane, bit, came in bits if came < end]
        if end == NEVER or not there:
            return
        found = judged(self._layout, there)
        record["wrong_bits"] = found.wrong
        record["hit"] = 1 << Cause.DATA
        if record["fate"] == UNDERRUN:
            return
        record["counter_error"] = found.counter_error
        if found.failed:
            record["check_failed"] = True
            if self._layout.drops:
                record["fate"] = fate_of_failed(int(record["fate"]))
