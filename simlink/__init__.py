"""Cycle-level simulation of a SAR converter that is read across an isolation barrier.

>>> import simlink
>>> run = simlink.load("scenarios/bench-supply.toml").run()  # doctest: +SKIP
>>> run.figures["overrun"].high, run.ledger  # doctest: +SKIP
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from simlink.base.version import __version__

__all__ = [
    "InputError",
    "OutputError",
    "Run",
    "Scenario",
    "Study",
    "__version__",
    "load",
    "plot",
    "run",
    "trace",
]

if TYPE_CHECKING:
    from simlink.base.errors import InputError, OutputError
    from simlink.pictures import plot
    from simlink.running.run import Run, run
    from simlink.scenario.schema import Scenario
    from simlink.study import Study, load
    from simlink.tracing.trace import trace

_HOME = {
    "InputError": "simlink.base.errors",
    "OutputError": "simlink.base.errors",
    "Run": "simlink.running.run",
    "Scenario": "simlink.scenario.schema",
    "Study": "simlink.study",
    "load": "simlink.study",
    "run": "simlink.running.run",
    "trace": "simlink.tracing.trace",
}


def __getattr__(name: str) -> Any:
    """Import what is asked for, when it is asked for, so that ``import simlink`` is quick."""
    import importlib

    if name == "plot":
        return importlib.import_module("simlink.pictures.plot")
    if name in _HOME:
        return getattr(importlib.import_module(_HOME[name]), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted(__all__)
