"""The rows of the table of limits.

`captures` gives those of the serial clock, `channels` those of the barrier, `upset` that of
common-mode transients, `cycle` those of the converter's cycle, `load` and `flow` those of what
comes after it.
"""

from __future__ import annotations

from simlink.running.run import Run
from simlink.verdict import captures, channels, cycle, flow, load, upset
from simlink.verdict.limit import KEYS, Known, Limit
from simlink.verdict.seen import Seen


def rows_of(run: Run) -> tuple[Limit, ...]:
    """Return every limit that applies to a run, in the order of `KEYS`."""
    found = upset.rows(Seen(run))
    # What transients do is no fault of any other part: those are looked at without them.
    seen = Seen(run).calm
    found += [*captures.rows(seen), *channels.rows(seen), *cycle.rows(seen), *load.rows(seen)]
    broken = any(one.known is Known.VIOLATED for one in found)
    found += flow.rows(seen, broken)
    return tuple(sorted(found, key=lambda one: KEYS.index(one.key)))
