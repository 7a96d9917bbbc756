"""Cycle-level simulation of a SAR converter that is read across an isolation barrier.

>>> import simlink
>>> run = simlink.load("scenarios/bench-supply.toml").run()  # doctest: +SKIP
>>> run.figures["overrun"].high, run.ledger  # doctest: +SKIP
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"
__all__ = ["InputError", "OutputError", "Run", "Study", "load", "plot", "run", "trace"]

if TYPE_CHECKING:
    from simlink.engines.event.trace import trace
    from simlink.errors import InputError, OutputError
    from simlink.pictures import plot
    from simlink.runs import Run, run
    from simlink.study import Study, load

_HOME = {
    "InputError": "simlink.errors",
    "OutputError": "simlink.errors",
    "Run": "simlink.runs",
    "Study": "simlink.study",
    "load": "simlink.study",
    "run": "simlink.runs",
    "trace": "simlink.engines.event.trace",
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
    return sorted({*globals(), *__all__})
