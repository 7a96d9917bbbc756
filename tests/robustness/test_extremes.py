"""Valid-looking extremes together: refused by name, or done within 2 GB and 20 s, alike by both.

`SIMLINK_MUTATIONS` says how many are tried: 100 unless said, which go through the engines alone.
"""

from __future__ import annotations

import os
import resource
import time
from pathlib import Path

from hypothesis import Phase, given, settings

import simlink
from simlink.base.errors import InputError
from simlink.scenario.loading import from_dict
from tests.robustness.extremes import extreme
from tests.robustness.limited import ROOM, SECONDS
from tests.robustness.test_mutations import in_one_line, many, simulated

BY_HAND = "SIMLINK_MUTATIONS" in os.environ


def peak():
    """Return the most memory that this process has had, in bytes."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024


def looked_at(scenario):
    """Simulate, budget and draw a scenario; each may be refused."""
    study = simlink.Study(scenario)
    for look in (lambda: study.run()._repr_html_(), study.budget, lambda: study.diagram("0:2")):
        try:
            look()
        except InputError as error:
            in_one_line(error)


@settings(many, phases=[Phase.generate])
@given(extreme())
def test_extremes_together(raw):
    before, begun = peak(), time.process_time()
    try:
        scenario = from_dict(raw, base=Path.cwd())
    except InputError as error:
        in_one_line(error)
        return
    simulated(scenario)
    if BY_HAND:
        looked_at(scenario)
    assert time.process_time() - begun < SECONDS
    assert peak() - before < ROOM
