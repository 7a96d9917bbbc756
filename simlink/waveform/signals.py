"""The signals of a dump: what the event engine notes, and the variables that stand for it.

Names of signals are those of the engine's trace. A lane becomes a suffix of its variable
(``remote.data[0]`` is ``remote.data_0_bit``) and the FIFO, which is on the host's side, a scope of
its own within the host's (``fifo.level`` is ``host.fifo.level``).
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from functools import partial
from typing import TYPE_CHECKING

from simlink.link.fault_line import has_line
from simlink.link.line import UNDRIVEN
from simlink.link.transient import WAYS, Way, may_upset

if TYPE_CHECKING:
    from simlink.scenario.schema import Scenario


class Kind(Enum):
    """How a signal is dumped.

    ``LEVEL``: a wire. ``NUMBER``: a vector that holds until it changes, z for no frame and x for
    one that no trigger asked for.
    ``CONVERSION`` and ``BIT``: a happening, dumped as an event beside a vector that says which
    conversion or bit it was; a bit that is judged has a wire as well, 1 for a wrong one. ``LINE``:
    a wire with the data on it, x while it changes and z while nothing drives it, beside a vector
    that says which bit it is.
    """

    LEVEL = "level"
    NUMBER = "number"
    CONVERSION = "conversion"
    BIT = "bit"
    LINE = "line"


@dataclass(frozen=True)
class Signal:
    """One signal of a scenario."""

    #: As in the trace, such as ``"fifo.push[0]"``.
    name: str
    #: How it is dumped.
    kind: Kind
    #: Bits of its vector; 1 for a level.
    width: int
    #: Its variable in a dump, scopes and all: the event of a happening, whose vector and wire have
    #: suffixes of their own.
    reference: str
    #: What it is before anything has happened; None for a happening.
    idle: int | None

    @property
    def family(self) -> str:
        """The name without its lane."""
        return self.name.partition("[")[0]

    @property
    def lane(self) -> int | None:
        """Which lane it is of, if each has one."""
        lane = self.name.partition("[")[2].rstrip("]")
        return int(lane) if lane else None

    @property
    def number(self) -> str:
        """The variable that says which conversion or bit it is."""
        return f"{self.reference}_{'conversion' if self.kind is Kind.CONVERSION else 'bit'}"

    @property
    def judged(self) -> bool:
        """Whether its bits can be wrong ones."""
        return self.name.startswith(("host.capture[", "remote.capture"))

    @property
    def wrong(self) -> str:
        """The variable that says whether a bit was a wrong one."""
        return f"{self.reference}_wrong"


#: High while common-mode events upset the channels of a direction; no part drives it.
UPSET: dict[Way, str] = {way: f"barrier.upset_{way}" for way in WAYS}
#: The fault line at the host; no part drives it either.
FAULT = "host.fault"
#: ``host.read`` while no frame is read; while one is that was released before a dump began; while
#: one is that no trigger asked for.
NO_FRAME, UNSEEN, NO_CONVERSION = -1, -2, -3


def reference_of(name: str) -> str:
    """Return the variable that stands for a signal, scopes and all."""
    place, _, lane = name.rstrip("]").partition("[")
    if place.startswith("fifo."):
        place = f"host.{place}"
    return f"{place}_{lane}" if lane else place


def signals_of(scenario: Scenario) -> list[Signal]:
    """Return every signal that a scenario can move, in the order of a frame's way."""
    bits = max(1, (scenario.bits_per_lane - 1).bit_length())
    conversions = max(1, (scenario.conversions - 1).bit_length())
    slots = scenario.fifo.depth.bit_length()
    lanes = range(scenario.frame.lanes)
    found: list[Signal] = []

    def add(name: str, kind: Kind, width: int, idle: int | None = None) -> None:
        found.append(Signal(name, kind, width, reference_of(name), idle))

    level = partial(add, kind=Kind.LEVEL, width=1, idle=0)
    number = partial(add, kind=Kind.NUMBER)
    conversion = partial(add, kind=Kind.CONVERSION, width=conversions)
    bit = partial(add, kind=Kind.BIT, width=bits)
    line = partial(add, kind=Kind.LINE, width=bits, idle=UNDRIVEN)
    master = scenario.link.scheme == "remote_master"
    conversion("host.trigger")
    level("host.busy")
    if scenario.host.timeout is not None:
        conversion("host.timeout")
    level("host.service")
    number("host.read", width=conversions, idle=NO_FRAME)
    if has_line(scenario):
        level(FAULT)
    if not master:
        conversion("host.release")
    level("host.clock")
    if scenario.link.scheme == "returned_clock":
        level("host.returned")
    for lane in lanes:
        if not master:
            line(f"host.data[{lane}]")
        bit(f"host.capture[{lane}]")
    if master:
        for lane in lanes:
            bit(f"fifo.push[{lane}]")
        if scenario.barrier.return_.has_strobe:
            level("fifo.strobe")
        number("fifo.level", width=slots, idle=0)
        conversion("fifo.release")
        conversion("fifo.overrun")
    for way in WAYS:
        if may_upset(scenario, way):
            level(UPSET[way])
    conversion("remote.trigger")
    conversion("remote.missed")
    level("remote.busy")
    level("remote.clock")
    for lane in lanes:
        line(f"remote.data[{lane}]")
    if not master:
        conversion("remote.lost")
        return found
    bit("remote.capture")
    if scenario.fifo.when_full == "stall":
        number("remote.credit", width=slots, idle=scenario.fifo.depth)
    return found
