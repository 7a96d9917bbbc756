"""The limits that a counterexample may be asked for: what proves each, and what breaks it."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

from simlink.base.errors import InputError
from simlink.engines.batch import BatchEngine
from simlink.proofs.bounds import depth_bound, keeps_rate
from simlink.proofs.ends import Ends, UnboundedError, least
from simlink.proofs.release import latest_release, release_bound
from simlink.records import Fate
from simlink.running.run import run
from simlink.scenario.needs import need_fifo
from simlink.scenario.schema import Scenario
from simlink.verdict import captures, cycle
from simlink.verdict.limit import Known, Limit
from simlink.verdict.seen import Seen

#: Limits that may be asked for, and what a conversion that breaks them is called.
LIMITS = {
    "fifo": "a frame finds no free slot",
    "early-read": "a bit is read before it has arrived",
    "period": "a trigger comes while the converter is busy or is read",
    "acquisition": "a sample has not settled",
    "timeout": "a conversion is released after its timeout",
    "setup": "a bit is captured before it is valid",
    "hold": "a bit is captured past its hold",
    "first-bit": "the first bit is captured before it is valid",
    "pulse": "a pulse is too short for its channel",
}
#: Those of the serial clock, which are rows of the verdict that a wrong bit may be laid to.
CAPTURES = ("setup", "hold", "first-bit", "pulse")

COUNTED = {"fifo": "fifo.depth", "early-read": "fifo.release_bits"}


def check(scenario: Scenario, limit: str) -> None:
    """Refuse a limit that there is not, or that a scenario has not."""
    if limit not in LIMITS:
        raise InputError("--limit", None, limit, f"one of {', '.join(LIMITS)}")
    if limit in COUNTED:
        need_fifo(scenario)
    if limit == "timeout" and scenario.host.timeout is None:
        raise InputError(scenario.name, "host.timeout", "left out", "a timeout, for this limit")
    acquisition = scenario.converter.acquisition_time
    if limit == "acquisition" and not acquisition.is_random and not acquisition.mean:
        said = "longer than 0 s, for this limit"
        raise InputError(scenario.name, "converter.acquisition_time", "0 s", said)
    if limit in CAPTURES and capture_row(scenario, limit) is None:
        rows = [name for name in CAPTURES if capture_row(scenario, name) is not None]
        raise InputError(
            scenario.name, "--limit", limit, f"of this scenario one of {', '.join(rows)}"
        )


def capture_row(scenario: Scenario, limit: str) -> Limit | None:
    """Return the row of a limit of the serial clock over one conversion; None if there is none."""
    return row_over(scenario.with_(trials=1, conversions=1), limit)


def row_over(scenario: Scenario, limit: str) -> Limit | None:
    """Return the row of a limit of the serial clock over a run."""
    seen = Seen(run(scenario, ledger=False, workers=1))
    key = limit.replace("-", "_")
    return next((row for row in captures.rows(seen) if row.key == key), None)


def proven_enough(scenario: Scenario, limit: str) -> tuple[int | None, str, str]:
    """Return what is proven enough and how (0 if the limit always holds), or why nothing is."""
    if limit in ("period", "acquisition"):
        # A run of one conversion is all that the row of a proof takes.
        seen = Seen(run(scenario.with_(trials=1, conversions=1), ledger=False, workers=1))
        for row in cycle.rows(seen):
            if row.key == limit and row.known is Known.PROVEN:
                return 0, row.evidence, ""
        return None, "", ""
    if limit in CAPTURES:
        found = capture_row(scenario, limit)
        if found is not None and found.known is Known.PROVEN:
            return 0, found.evidence, ""
        return None, "", ""

    def bound(ends: Ends) -> int:
        if limit == "fifo":
            return depth_bound(scenario, ends).depth
        if limit == "early-read":
            return release_bound(scenario, ends)
        timeout = scenario.host.timeout
        if scenario.link.scheme != "remote_master" or timeout is None:
            raise UnboundedError("each frame waits for the host's clock")
        if latest_release(scenario, ends) > timeout.constant_value:
            raise UnboundedError("a frame may be released after its timeout")
        if not keeps_rate(scenario, ends):
            raise UnboundedError("a conversion may be lost")
        return 0

    here = {"fifo": scenario.fifo.depth, "early-read": scenario.fifo.release_bits}.get(limit, 0)
    needed, said, why = least(bound, Fraction(here))
    return None if needed is None else int(needed), said, why


def broken(example: Scenario, limit: str, block: Any) -> Any:
    """Return which conversions of a block of records break a limit; bool, shape (1, n)."""
    if limit == "early-read":
        return block.fate == Fate.UNDERRUN
    if limit == "acquisition":
        return block.short_acquisition
    if limit == "timeout":
        # What is given up since it was lost before is no matter of the timeout.
        timeout = example.host.timeout
        assert timeout is not None
        late = block.release - block.trigger > timeout.constant_value
        return block.timed_out & (block.release >= 0) & late
    if limit in CAPTURES:
        # Which margin took the bit is asked of the row.
        return block.fate == Fate.CORRUPTED
    missed = itself = block.fate == Fate.MISSED_TRIGGER
    remote = example.link.scheme == "remote_master"
    if remote and example.fifo.when_full == "stall" and missed.any():
        # Those that a deep FIFO misses, too.
        deep = example.with_value("fifo.depth", example.conversions + 1)
        (other,) = BatchEngine().run(deep, range(1), words=False)
        itself = missed & (other.fate == Fate.MISSED_TRIGGER)
    if limit == "period":
        return itself if remote else itself | (block.fate == Fate.OVERRUN)
    lost = (block.fate == Fate.OVERRUN) | (block.fate == Fate.NOT_RECEIVED)
    return lost | (missed & ~itself)
