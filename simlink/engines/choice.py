"""Which engine runs a scenario, and why."""

from __future__ import annotations

from simlink.base.compiled import is_kept, why_plain
from simlink.base.errors import InputError
from simlink.engines.batch import BatchEngine, host_clocked, remote_master
from simlink.engines.batch.between import walk_between
from simlink.engines.batch.settled import (
    reaches_back,
    settles,
    walk_noted,
    walk_settled,
)
from simlink.engines.event import EventEngine
from simlink.link.transient import upsets
from simlink.records import Engine
from simlink.scenario.schema import Scenario

ENGINES: dict[str, type[Engine]] = {"event": EventEngine, "batch": BatchEngine}
#: Up to so many bits, over all lanes and conversions, the event engine takes less time than the
#: batch engine takes to load its compiled code, or to make it.
_SMALL = 250_000


def make(name: str) -> Engine:
    """Return an engine by its name."""
    return ENGINES[name]()


def choose(name: str, scenario: Scenario, runs: int = 1) -> tuple[Engine, str]:
    """Return the engine to run a scenario on, and the reason.

    Parameters
    ----------
    name : str
        ``"auto"`` or the name of an engine.
    scenario : Scenario
        What is to be run.
    runs : int
        How many runs of about that length are to come.

    Raises
    ------
    InputError
        If there is no such engine, or it cannot do the scenario exactly.
    """
    if name == "auto":
        bits = scenario.bits_per_lane * scenario.frame.lanes
        refusal = BatchEngine().refuses(scenario)
        if refusal is not None:
            event = EventEngine()
            if (too_much := event.refuses(scenario)) is not None:
                raise InputError("--engine", None, name, too_much)
            return event, refusal
        if runs * scenario.trials * scenario.conversions * bits <= _SMALL:
            return EventEngine(), "for a small run it needs no compiled code"
        return BatchEngine(), "it gives the same records as the event engine, sooner"
    if name not in ENGINES:
        raise InputError("--engine", None, name, f"one of auto, {', '.join(ENGINES)}")
    engine = make(name)
    refusal = engine.refuses(scenario)
    if refusal is not None:
        raise InputError("--engine", None, name, refusal)
    return engine, "asked for"


def remark(name: str, scenario: Scenario) -> str | None:
    """Return what is to be said before an engine of that name starts, or None."""
    if name != BatchEngine.name:
        return None
    plain = why_plain()
    if plain is not None:
        return f"the batch engine runs uncompiled, about a hundred times slower: {plain}"
    if settles(scenario):
        walk = walk_noted if reaches_back(scenario) else walk_settled
        walk = walk_between if upsets(scenario) else walk
    else:
        remote = scenario.link.scheme == "remote_master"
        walk = remote_master.walk if remote else host_clocked.walk
    if not is_kept(walk):
        return "compiling the batch engine for this kind of read, once: ten seconds or so"
    return None
