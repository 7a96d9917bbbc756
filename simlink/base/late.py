"""The one place where a result finds who draws it, when it is asked to.

Pictures know results and not the other way round, so a result names its picture by a word.
"""

from __future__ import annotations

import importlib
from collections.abc import Callable
from typing import Any


def picture(module: str, name: str) -> Callable[..., Any]:
    """Return a function of ``simlink.pictures``, imported only now.

    Parameters
    ----------
    module : str
        The module below ``simlink.pictures``, such as "vary".
    name : str
        The function in it.
    """
    found: Callable[..., Any] = getattr(importlib.import_module(f"simlink.pictures.{module}"), name)
    return found
