"""Trials read by a remote master that transients may upset, taken on between their windows.

Conversions that no window touches are settled as they come, and others are walked one by one.
"""

from __future__ import annotations

from typing import Any

from simlink.base.compiled import compiled
from simlink.base.instants import FAR, NEVER
from simlink.engines.batch.remote_master import walk
from simlink.engines.batch.settled import walk_settled
from simlink.link.transient import first_open


@compiled
def walk_between(
    first: int, upto: int, over: bool, from_row: int, to_row: int, due: Any, later: Any,
    records: Any, laws: Any, state: Any, windows: Any, bounds: Any, walking: Any, settling: Any,
) -> tuple[int, int]:  # fmt: skip
    """Take trials on that transients may upset, to before conversion ``upto``.

    Conversions that meet no upset window are settled as they come, and others are taken on one by
    one.

    Parameters
    ----------
    first, upto, over, from_row, to_row, due, later, records, laws, state, windows, bounds
        As `remote_master.walk` takes them.
    walking, settling : tuple
        What else `remote_master.walk` is given, and `walk_settled`.

    Returns
    -------
    trial, lacks : int
        As of `remote_master.walk`.
    """
    for t in range(from_row, to_row):
        st, dues = state[t], due[t % len(due)]
        while st.next < upto:
            begun = st.next
            if st.closing == NEVER and st.short < 0 and not st.held:
                # Nothing of an earlier conversion is on its way but what it has been compared with.
                since, quiet = lull(windows, bounds[t], dues[begun - first] + laws[0].earliest)
                walk_settled(first, upto, t, t + 1, due, records, *settling, since, quiet)
            if st.next == begun:
                ends = over and begun + 1 == upto
                row, lacks = walk(
                    first, begun + 1, ends, t, t + 1, due, later, records, *walking
                )  # fmt: skip
                if lacks:
                    return row, lacks
    return 0, 0


def lull(windows: Any, bounds: Any, early: int) -> tuple[int, int]:
    """Return from when to when no window is open around an instant, or behind it, in fs.

    Parameters
    ----------
    windows : ndarray of int64, shape (2, windows), fs
    bounds : ndarray of int64, shape (3, 2)
        Of one trial, as `windows.Windows` gives them.
    """
    since, quiet = NEVER, FAR
    for way in range(len(bounds)):
        starts = windows[0, bounds[way, 0] : bounds[way, 1]]
        ends = windows[1, bounds[way, 0] : bounds[way, 1]]
        at = first_open(ends, early, len(ends) - 1)
        quiet = min(quiet, starts[at])
        if at > 0:
            since = max(since, ends[at - 1])
    return since, quiet
