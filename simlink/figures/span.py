"""The time that the triggers of a trial stand for: from the first one to the last one's period end.

Rates are over this time, so that a link that loses nothing delivers exactly what it is offered,
however short the run. Instants are those at which triggers were due: what jitter does to the
first and the last of them belongs to no rate.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from simlink.base.instants import FS_PER_SECOND

if TYPE_CHECKING:
    from simlink.figures.tally import Tally
    from simlink.scenario.schema import Scenario


def spans(scenario: Scenario, tally: Tally) -> npt.NDArray[np.float64]:
    """Return the time from the first trigger to the last one's period end in each trial.

    Parameters
    ----------
    scenario : Scenario
        What was run.
    tally : Tally
        What its records add up to.

    Returns
    -------
    ndarray, shape (T,), fs
        ``periodic``, ``poisson``: a trial starts one spacing ahead of its first trigger, so that
        as many spacings as triggers lie between its start and its last trigger. ``burst``: the
        last trigger's period is that of its place, within a burst the rate's, at its end the
        mean gap. ``after_read``: nobody knows when the host would have triggered again, so the
        last period is taken as long as the trial's others are on average; a lone one ends a mean
        gap after the last thing that happened. 0 where no trigger was sent.
    """
    trigger = scenario.trigger
    sent, first = tally.sent, np.where(tally.sent > 0, tally.first_due, 0)
    if trigger.pattern in ("periodic", "poisson"):
        return np.array(tally.last_due, dtype=np.float64)
    between = (tally.last_due - first).astype(np.float64)
    assert trigger.gap is not None
    if trigger.pattern == "burst":
        assert trigger.rate is not None
        period = FS_PER_SECOND / float(trigger.rate.value)
        whole = sent % trigger.burst_length == 0
        return np.where(sent > 0, between + np.where(whole, trigger.gap.mean, period), 0.0)
    alone = tally.end - first + trigger.gap.mean
    others = between * sent / np.maximum(sent - 1, 1)
    return np.where(sent > 1, others, np.where(sent == 1, alone, 0.0))
