"""The names that an engineer gives to signals: those of his own pins."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Any

from pydantic import Field

from simlink.scenario.faults import FaultError, written
from simlink.scenario.fields import Section, optional
from simlink.scenario.kinds import Kind, several

#: The longest name, in characters.
LONGEST = 24
_ALLOWED = f"1 to {LONGEST} printable characters in quotes, none of them $"
_TEXT = {"type": "string", "minLength": 1, "maxLength": LONGEST}


def _pin(value: Any, base: Path) -> str:
    fits = isinstance(value, str) and 0 < len(value) <= LONGEST and value.isprintable()
    # A dump ends its own commands with $.
    if not fits or "$" in value:
        raise FaultError(_ALLOWED, written(value))
    return str(value)


_PIN = Kind(_ALLOWED, _TEXT, _pin)
# How many there are to be is known with the lanes alone.
_PINS = several(f"{_ALLOWED}, or a list of one a lane", sys.maxsize, _PIN)
PinName = Annotated[str, _PIN]
PinNames = Annotated[
    str | tuple[str, ...],
    Kind(
        _PINS.allowed,
        {"anyOf": [_TEXT, {"type": "array", "items": _TEXT, "minItems": 1}]},
        lambda value, base: (_PINS if isinstance(value, list) else _PIN).taken(value, base),
    ),
]


class HostNames(Section):
    """What the host's signals are called."""

    trigger: PinName | None = optional("The trigger at the host.")
    busy: PinName | None = optional("Busy at the host.")
    service: PinName | None = optional("The host's service.")
    read: PinName | None = optional("The frame that the host reads.")
    clock: PinName | None = optional("The clock that the host reads with.")
    returned: PinName | None = optional("The returned clock at the host.")
    data: PinNames | None = optional("The data lanes at the host.")
    capture: PinNames | None = optional("What the host captures of each lane.")
    fault: PinName | None = optional("The fault line at the host.")


class FifoNames(Section):
    """What the FIFO's signals are called."""

    push: PinNames | None = optional("The bits that arrive on each lane.")
    strobe: PinName | None = optional("The strobe beside the lanes.")
    level: PinName | None = optional("How many slots are taken.")


class RemoteNames(Section):
    """What the signals on the converter's side are called."""

    trigger: PinName | None = optional("The trigger at the converter.")
    busy: PinName | None = optional("Busy at the converter.")
    clock: PinName | None = optional("The serial clock at the converter.")
    data: PinNames | None = optional("The data lanes at the converter.")
    credit: PinName | None = optional("The remote master's credits.")


class Names(Section):
    """What signals are called in diagrams, timing tables and dumps; changes no simulation.

    Of a signal that each lane has, one name for all, or a list of one for each lane.
    """

    host: HostNames = Field(default_factory=HostNames, description="On the host's side.")
    fifo: FifoNames = Field(default_factory=FifoNames, description="At the FIFO.")
    remote: RemoteNames = Field(default_factory=RemoteNames, description="On the converter's side.")

    def lists(self) -> Iterator[tuple[str, tuple[str, ...]]]:
        """Give the signals of which each lane has its own name, with these."""
        for signal, value in self._given():
            if isinstance(value, tuple):
                yield signal, value

    def pins(self) -> dict[str, str]:
        """Return the names by signal: ``"remote.clock"``, ``"remote.data[1]"``."""
        found: dict[str, str] = {}
        for signal, value in self._given():
            if isinstance(value, tuple):
                found |= {f"{signal}[{lane}]": one for lane, one in enumerate(value)}
            else:
                found[signal] = value
        return found

    def _given(self) -> Iterator[tuple[str, str | tuple[str, ...]]]:
        for side in ("host", "fifo", "remote"):
            for name, value in getattr(self, side):
                if value is not None:
                    yield f"{side}.{name}", value
