"""How a key of the scenario file is declared: the base of its tables, needed or left out."""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel, ConfigDict, Field


def needed(description: str) -> Any:
    """Return the field of a key that has to be given."""
    return Field(description=description)


def left_out(default: Any, description: str) -> Any:
    """Return the field of a key that may be left out; `default` is as written in a file."""
    return Field(default=default, description=description)


def optional(description: str) -> Any:
    """Return the field of a key that means nothing when it is left out."""
    # validate_default is off: there is no way to write "nothing" in the file.
    return Field(default=None, validate_default=False, description=description)


class Section(BaseModel):
    """One table of the scenario file."""

    model_config = ConfigDict(
        extra="forbid",
        frozen=True,
        validate_default=True,
        arbitrary_types_allowed=True,
        allow_inf_nan=False,
    )
