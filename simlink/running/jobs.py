"""What one worker does of a run: a range of trials, whole, and how a run is cut into such jobs."""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING

from simlink.engines.choice import make
from simlink.figures.tally import Tally
from simlink.link.repeat import repeats
from simlink.running.ledger import Rows, fill_in, in_order, rows_of

if TYPE_CHECKING:
    from simlink.scenario.schema import Scenario

#: About the most conversions in a job, unless its trials were then fewer than these.
_LONGEST_JOB = 5 * 10**8
_FEWEST = 128
#: Conversions that make handing their part over a small matter; a few tenths of a second of work.
_WORTH_A_JOB = 8_000_000
#: About the most rows of a ledger in a job, so that memory does not grow with the run.
_MOST_ROWS = 2**18


@dataclass
class Part:
    """What one job gives: the tally and the ledger rows, in order, of a range of trials."""

    trials: range
    tally: Tally
    rows: list[Rows]


def work(scenario: Scenario, engine: str, keep: bool, trials: range) -> Part:
    """Run a range of trials whole, so that an interruption loses all of them or none.

    Parameters
    ----------
    scenario : Scenario
        What to run.
    engine : str
        The name of the engine.
    keep : bool
        Whether ledger rows are kept.
    trials : range
        The trials.

    Returns
    -------
    Part
    """
    tally = Tally(scenario, trials, keeps=keep)
    asks = repeats(scenario)
    # Blocks interleave trials and conversions; the ledger goes trial by trial.
    rows: defaultdict[int, list[Rows]] = defaultdict(list)
    if engine == "batch" and tally.is_flat:
        from simlink.figures.in_passing import blocks_left

        blocks = blocks_left(scenario, trials, tally)
    else:
        blocks = make(engine).passing(scenario, trials, words=keep)
    for block in blocks:
        tally.add(block)
        if keep:
            rows[block.trials.start].append(rows_of(block, asks))
    for group, outcomes in tally.closed().items():
        fill_in(rows[group.start], outcomes)
    return Part(trials, tally, [one for first in sorted(rows) for one in in_order(rows[first])])


def split(trials: list[range], size: int) -> list[range]:
    """Cut ranges of trials into jobs of at most ``size``."""
    return [
        range(start, min(start + size, one.stop))
        for one in trials
        for start in range(one.start, one.stop, size)
    ]


def job_size(engine: str, trials: int, workers: int, conversions: int, words: int = 0) -> int:
    """Return how many trials a job takes: enough to be vectorised, few enough to be shared.

    Parameters
    ----------
    engine : str
        The name of the engine.
    trials, workers : int
        Of the run.
    conversions : int
        Of each trial. Very long trials make small jobs, so that not much is lost with one.
    words : int
        Words of each conversion that have a row in the ledger.
    """
    if engine == "event":
        return 1
    from simlink.engines.batch.engine import TRIALS

    few = max(_FEWEST, _LONGEST_JOB // conversions)
    if words:
        few = max(1, _MOST_ROWS // (conversions * words))
    if workers > 1 and few >= TRIALS and not words:
        # Handing a part over costs as much as some thousands of trials: several chunks a job.
        chunks = min(_WORTH_A_JOB // (TRIALS * conversions), trials // (TRIALS * workers * 4))
        if chunks > 1:
            return TRIALS * chunks
    return max(1, min(TRIALS, few, math.ceil(trials / workers)))


def missing(trials: int, done: list[range]) -> list[range]:
    """Return the ranges of 0 ... trials - 1 that are not done."""
    gaps = []
    at = 0
    for one in sorted(done, key=lambda r: r.start):
        if one.start > at:
            gaps.append(range(at, one.start))
        at = max(at, one.stop)
    if at < trials:
        gaps.append(range(at, trials))
    return gaps
