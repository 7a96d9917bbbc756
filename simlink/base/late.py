"""The one place where a result finds who draws or judges it, when it is asked to.

Pictures and verdicts know results and not the other way round, so a result names them by a word.
"""

from __future__ import annotations

import importlib
from collections.abc import Callable
from typing import Any


def picture(module: str, name: str) -> Callable[..., Any]:
    """Return a function of a module of ``simlink.pictures``, imported only now."""
    found: Callable[..., Any] = getattr(importlib.import_module(f"simlink.pictures.{module}"), name)
    return found


def explanation_of(scenario: Any, **asked: Any) -> Any:
    """Return the `tracing.explain.Explanation` of a conversion of a scenario."""
    return importlib.import_module("simlink.tracing.explain").explain(scenario, **asked)


def verdict_of(run: Any) -> Any:
    """Return the `verdict.limit.Verdict` of a run."""
    return importlib.import_module("simlink.verdict.verdict").verdict_of(run)
