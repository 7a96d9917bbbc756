"""Which engine runs a scenario, and why."""

from __future__ import annotations

from typing import TYPE_CHECKING

from simlink.base.errors import InputError
from simlink.engines.batch import BatchEngine
from simlink.engines.event import EventEngine

if TYPE_CHECKING:
    from simlink.records import Engine
    from simlink.scenario.schema import Scenario

ENGINES: dict[str, type[Engine]] = {"event": EventEngine, "batch": BatchEngine}


def make(name: str) -> Engine:
    """Return an engine by its name."""
    return ENGINES[name]()


def choose(name: str, scenario: Scenario) -> tuple[Engine, str]:
    """Return the engine to run a scenario on, and the reason.

    Parameters
    ----------
    name : str
        ``"auto"`` or the name of an engine.
    scenario : Scenario
        What is to be run.

    Raises
    ------
    InputError
        If there is no such engine, or it cannot do the scenario exactly.
    """
    if name == "auto":
        refusal = BatchEngine().refuses(scenario)
        if refusal is None:
            return BatchEngine(), "it gives the same records as the event engine, sooner"
        too_much = EventEngine().refuses(scenario)
        if too_much is not None:
            raise InputError(scenario.name, "conversions", str(scenario.conversions), too_much)
        return EventEngine(), f"the batch engine cannot do this scenario: {refusal}"
    if name not in ENGINES:
        raise InputError("--engine", None, name, f"one of auto, {', '.join(ENGINES)}")
    engine = make(name)
    refusal = engine.refuses(scenario)
    if refusal is not None:
        raise InputError("--engine", None, name, refusal)
    return engine, "asked for"
