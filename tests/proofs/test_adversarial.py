"""Nothing that is proven is ever violated, even where draws are pushed to their limits.

Random scenarios of every scheme with bounded laws; each law replaced by its ends at random, and
by a small search that climbs towards fuller FIFOs and later releases. More scenarios by hand with
``SIMLINK_MANY``, as many as 2,000.
"""

import os

import numpy as np
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from simlink.base.errors import InputError
from simlink.running.run import run
from simlink.verdict.limit import Known
from simlink.verdict.rows import rows_of
from tests.engines.host_clocked_scenarios import serial_scenarios
from tests.proofs.bounded import bounded
from tests.proofs.pushed import at_random, mutated, replaced
from tests.strategies import scenarios

MANY = int(os.environ.get("SIMLINK_MANY", "25"))
TRIES = 4
CLIMBS = 4


def violated(found, proven, scenario):
    """Return which proven limits a run breaks."""
    figures, broken = found.figures, set()
    remote = scenario.link.scheme == "remote_master"

    def lost(name):
        return bool(figures[name].count)

    if lost("underrun"):
        broken.add("early_read")
    if lost("overrun"):
        broken.add("fifo_depth" if remote else "period")
    if lost("short_acquisition"):
        broken.add("acquisition")
    if lost("timed_out"):
        broken.add("timeout")
    if lost("missed_trigger"):
        stalls = remote and scenario.fifo.when_full == "stall"
        if not stalls or "fifo_depth" in proven:
            broken.add("period")
    if {"fifo_depth", "period"} <= proven and (lost("not_received") or lost("missed_trigger")):
        # Held back for ever, or for a while.
        broken.add("fifo_depth")
    if remote and scenario.host.interrupt == "edge" and "interrupt" in proven:
        told = run(scenario.with_value("host.interrupt", "level"), ledger=False, workers=1)
        for name in ("overrun", "delivered"):
            if told.figures[name].count != figures[name].count:
                broken.add("interrupt")
    return broken & proven


def height(found):
    figures = found.figures
    losses = ("overrun", "underrun", "missed_trigger", "timed_out")
    return (
        sum(figures[name].count or 0 for name in losses),
        figures["fifo_occupancy_max"].value or 0,
        found.tally.to_release.largest or 0,
    )


def push(scenario, folder, seed):
    first = run(scenario, ledger=False, workers=1)
    proven = {row.key for row in rows_of(first) if row.known is Known.PROVEN}
    proven &= {"early_read", "fifo_depth", "period", "acquisition", "timeout", "interrupt"}
    assert not violated(first, proven, scenario)
    if not proven:
        return 0
    rng = np.random.default_rng(seed)
    best = None
    for attempt in range(TRIES + CLIMBS):
        rows = (
            at_random(scenario, rng)
            if best is None or attempt < TRIES
            else mutated(scenario, best[1], rng)
        )
        try:
            pushed = replaced(scenario, rows, folder, f"{attempt}", trials=1)
        except InputError:
            continue
        found = run(pushed, ledger=False, workers=1)
        assert not violated(found, proven, pushed), (sorted(proven), rows)
        if best is None or height(found) > best[0]:
            best = height(found), rows
    return len(proven)


def test_nothing_proven_is_violated_where_most_is_proven(tmp_path):
    proven = 0
    for seed in range(MANY):
        folder = tmp_path / str(seed)
        folder.mkdir()
        rng = np.random.default_rng(seed)
        proven += push(bounded(rng), folder, seed)
    assert proven >= 2 * MANY


@settings(max_examples=MANY, suppress_health_check=list(HealthCheck))
@given(scenarios(), st.integers(0, 2**32))
def test_nothing_proven_is_violated_where_a_remote_master_reads(tmp_path_factory, scenario, seed):
    push(scenario, tmp_path_factory.mktemp("pushed"), seed)


@settings(max_examples=MANY // 2, suppress_health_check=list(HealthCheck))
@given(serial_scenarios(), st.integers(0, 2**32))
def test_nothing_proven_is_violated_where_the_host_reads(tmp_path_factory, scenario, seed):
    push(scenario, tmp_path_factory.mktemp("pushed"), seed)
