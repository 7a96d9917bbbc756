"""The same draws with other values: whether a limit that is broken would hold.

Draws belong to a source and a conversion, so that whatever is not changed stays as it was. A
stretch of the run is repeated, long enough to show what is broken and bounded in its length.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from simlink.base.errors import InputError
from simlink.running.run import run as simulate
from simlink.verdict.rows import rows_of

if TYPE_CHECKING:
    from simlink.running.run import Run
    from simlink.scenario.schema import Scenario
    from simlink.verdict.limit import Limit

#: Bits of the longest stretch at the most, over all lanes and conversions, by the engine that
#: ran: all of a run that takes a second or two.
_MOST = {"event": 250_000, "batch": 10_000_000}
#: Of those, what a first stretch has.
_FIRST = 40
_SHORTEST = 64
#: Limits that a few conversions show as well as many.
_STATIC = (
    "clock_period", "clock_high", "clock_low", "setup", "hold", "strobe_setup", "strobe_hold",
    "pulse", "line_rate", "signals", "packet_rate", "host_rate",
)  # fmt: skip

Values = Mapping[str, Any]


class WhatIf:
    """A stretch of a run that can be repeated with other values.

    Parameters
    ----------
    run : Run
        What was seen.
    key : str
        The limit that is asked about.

    Attributes
    ----------
    shown : bool
        Whether the stretch shows the limit broken, so that holding it says something.
    before : set of str
        The limits that hold in the stretch as it is.
    """

    def __init__(self, run: Run, key: str) -> None:
        self.key, self.engine = key, run.engine
        self.scenario = run.scenario
        self._tried: dict[str, dict[str, Limit] | None] = {}
        self._long: dict[str, dict[str, Limit] | None] = {}
        bits = run.scenario.bits_per_lane * run.scenario.frame.lanes
        self._most = max(_MOST[run.engine] // bits, _SHORTEST)
        first = _SHORTEST if key in _STATIC else max(self._most // _FIRST, _SHORTEST)
        self._shape = _shape(run.scenario, first)
        rows = self.rows({})
        for share in (_FIRST // 5, 1):
            if rows is None or not self._holds(rows):
                break
            self._shape, self._tried = _shape(run.scenario, self._most // share), {}
            rows = self.rows({})
        self.shown = rows is not None and not self._holds(rows)
        self.before = {name for name, row in (rows or {}).items() if row.holds}

    def lengthen(self) -> bool:
        """Take the longest stretch; tell whether it is longer."""
        longest = _shape(self.scenario, self._most)
        if longest == self._shape:
            return False
        self._shape, self._tried = longest, {}
        return True

    def _holds(self, rows: Mapping[str, Limit]) -> bool:
        return self.key not in rows or rows[self.key].holds

    def rows(self, values: Values) -> dict[str, Limit] | None:
        """Return the limits of the stretch with other values; None if they make no scenario."""
        name = repr(sorted(values.items()))
        if name not in self._tried:
            self._tried[name] = self._run(values)
        return self._tried[name]

    def _run(self, values: Values) -> dict[str, Limit] | None:
        trials, each = self._shape
        try:
            changed = self.scenario.with_values(values).with_(trials=trials, conversions=each)
        except InputError:
            return None
        found = simulate(changed, engine=self.engine, ledger=False, workers=1)
        return {row.key: row for row in rows_of(found)}

    @property
    def longest(self) -> str:
        """The longest stretch in words."""
        trials, each = _shape(self.scenario, self._most)
        if (trials, each) == (self.scenario.trials, self.scenario.conversions):
            return "the same draws"
        of = f" of {trials} units" if trials > 1 else ""
        return f"the same draws of the first {each} conversions{of}"

    def confirms(self, values: Values) -> bool:
        """Tell whether `cures` is so over the longest stretch, too."""
        if not self.cures(values):
            return False
        short, tried, before = self._shape, self._tried, self.before
        self._tried = self._long
        found = True
        if self.lengthen():
            self._tried = self._long
            found = self.cures(values)
        self._shape, self._tried, self.before = short, tried, before
        return found

    def mends(self, values: Values) -> bool:
        """Tell whether the limit holds with other values."""
        rows = self.rows(values)
        return rows is not None and self._holds(rows)

    def cures(self, values: Values) -> bool:
        """Tell whether the limit holds with other values, and all that held before hold still."""
        rows = self.rows(values)
        if rows is None or not self._holds(rows):
            return False
        return all(name not in rows or rows[name].holds for name in self.before)


def _shape(scenario: Scenario, most: int) -> tuple[int, int]:
    """Return how many units, and how many conversions of each, a stretch has at the most."""
    each = min(scenario.conversions, max(most // scenario.trials, _SHORTEST))
    return max(1, min(scenario.trials, most // each)), each
