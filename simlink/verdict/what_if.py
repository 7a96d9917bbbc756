"""The same draws with other values: whether a limit that is broken would hold.

Draws belong to a source and a conversion, so that whatever is not changed stays as it was. A
stretch of the run is repeated, long enough to show what is broken and bounded in its length.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from simlink.base.errors import InputError
from simlink.running.run import Run
from simlink.running.run import run as simulate
from simlink.scenario.schema import Scenario
from simlink.verdict.limit import EASED_BY_CLOCK, Known, Limit
from simlink.verdict.rows import rows_of

#: Bits of the longest stretch at the most, over all lanes and conversions, by the engine that
#: ran: all of a run that takes a second or two.
_MOST = {"event": 250_000, "batch": 10_000_000}
#: Of those, what a first stretch has.
_FIRST = 40
#: Conversions of the shortest stretch, and bits of it where frames are long.
_SHORTEST = 64
_FEW_BITS = 2**15
#: Limits that a few conversions show as well as many.
_STATIC = {*EASED_BY_CLOCK, "channels", "packet_rate", "host_rate"} - {"first_bit"}

Values = Mapping[str, Any]
#: Units, and conversions of each.
Shape = tuple[int, int]


class WhatIf:
    """A stretch of a run that can be repeated with other values, about one limit.

    `shown` says whether the stretch shows it broken, so that holding it says something; `before`
    are the limits that hold in the stretch as it is.
    """

    def __init__(self, run: Run, key: str) -> None:
        self.key, self.engine = key, run.engine
        self.scenario = run.scenario
        bits = run.scenario.bits_per_lane * run.scenario.frame.lanes
        shortest = min(_SHORTEST, max(_FEW_BITS // bits, 1))
        most = max(_MOST[run.engine] // bits, shortest)
        first = shortest if key in _STATIC else max(most // _FIRST, shortest)
        self._longest = _shape(run.scenario, most)
        self._tried: dict[tuple[Shape, str], dict[str, Limit] | None] = {}
        rows: dict[str, Limit] | None = None
        for some in (first, max(most // (_FIRST // 5), first), most):
            self._shape = _shape(run.scenario, some)
            rows = self._rows({}, self._shape)
            if rows is None or not self._holds(rows):
                break
        self.shown = rows is not None and not self._holds(rows)
        self.before = {name for name, row in (rows or {}).items() if row.holds}

    def _holds(self, rows: Mapping[str, Limit]) -> bool:
        return self.key not in rows or rows[self.key].holds

    def _rows(self, values: Values, shape: Shape) -> dict[str, Limit] | None:
        """Return the limits of a stretch with other values; None if they make no scenario."""
        name = shape, repr(sorted(values.items()))
        if name not in self._tried:
            self._tried[name] = self._run(values, *shape)
        return self._tried[name]

    def _run(self, values: Values, trials: int, each: int) -> dict[str, Limit] | None:
        try:
            changed = self.scenario.with_values(values).with_(trials=trials, conversions=each)
        except InputError:
            return None
        found = simulate(changed, engine=self.engine, ledger=False, workers=1)
        return {row.key: row for row in rows_of(found)}

    @property
    def longest(self) -> str:
        """The longest stretch in words."""
        trials, each = self._longest
        if self._longest == (self.scenario.trials, self.scenario.conversions):
            return "the same draws"
        of = f" of {trials} boards" if trials > 1 else ""
        return f"the same draws of the first {each} conversions{of}"

    def mends(self, values: Values) -> bool:
        """Tell whether the limit holds with other values."""
        rows = self._rows(values, self._shape)
        return rows is not None and self._holds(rows)

    def proves(self, values: Values) -> bool:
        """Tell whether the limit is proven with other values."""
        rows = self._rows(values, self._shape)
        return rows is not None and self.key in rows and rows[self.key].known is Known.PROVEN

    def cures(self, values: Values) -> bool:
        """Tell whether the limit holds, and all that held before, over the longest stretch, too."""
        return all(self._cures(values, shape) for shape in (self._shape, self._longest))

    def _cures(self, values: Values, shape: Shape) -> bool:
        rows = self._rows(values, shape)
        if rows is None or not self._holds(rows):
            return False
        return all(name not in rows or rows[name].holds for name in self.before)


def value_at(scenario: Scenario, key: str) -> Any:
    """Return what a scenario has at a dotted key, as it is used."""
    *path, last = key.split(".")
    value: Any = scenario
    if path[:1] == ["barrier"]:
        if len(path) == 1:
            return getattr(scenario.barrier, last, None)
        way = scenario.barrier.direction(path[1])  # type: ignore[arg-type]
        if hasattr(way, last):
            return getattr(way, last)
        path = [path[0], path[1].replace("return", "return_")]
    for step in (*path, last):
        value = getattr(value, step, None)
    return value


def _shape(scenario: Scenario, most: int) -> Shape:
    """Return how many units, and how many conversions of each, a stretch has at the most."""
    each = min(scenario.conversions, max(most // scenario.trials, _SHORTEST))
    return max(1, min(scenario.trials, most // each)), each
