"""What the host makes of each conversion of one block of records that covers whole trials."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from simlink.figures.associating import Association
from simlink.figures.association import COUNTS

if TYPE_CHECKING:
    from simlink.records import FrameBlock
    from simlink.scenario.schema import Scenario

#: Conversions for which it is not worth compiling.
_FEW = 100_000


def host_view(scenario: Scenario, *blocks: FrameBlock) -> Any:
    """Return to which trigger the host takes each frame to belong, and what it is told.

    Parameters
    ----------
    scenario : Scenario
        What was run.
    blocks : FrameBlock
        The records of some trials, from their first conversion to their last, in order.

    Returns
    -------
    ndarray of OUTCOME, shape (T, conversions)
        ``believed``, ``misaligned``, ``told`` and ``cause`` of each.
    """
    one = Association(scenario, keeps=True)
    for block in blocks:
        sums = np.zeros(len(block.trials), dtype=[(name, np.int64) for name in COUNTS])
        one.add(block, sums.view(np.recarray), block.records.size < _FEW)
    return one.outcomes[blocks[0].trials]
