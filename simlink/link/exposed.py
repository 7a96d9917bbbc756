"""For how long an event that upsets may begin so as to hit a channel, in closed form.

A symbol that is sent at a and arrives at b is hit by an event that begins after a - w and before
b, where w is how long it upsets: for b - a + w. Symbols that follow one another no further apart
than that share some of it: n of them, T apart, are hit for (n - 1) T + b - a + w. Jitter, which
moves single edges by far less, is left out. Of a frame whose busy never falls at the host no bit
is read, so that to the lanes the time in which that edge is hit does not count.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from simlink.link.transport import packets_of, sent_at
from simlink.link.unit import Units
from simlink.scenario.schema import Scenario

#: When a symbol is sent and when it arrives, fs.
Symbol = tuple[int, int]


@dataclass(frozen=True)
class Exposed:
    """One channel, over one conversion."""

    #: As in the sources of its draws: ``"trigger"``, ``"clock"``, ``"lane 0"``, ...
    channel: str
    way: Literal["forward", "return"]
    #: That it carries for one conversion.
    symbols: int
    #: Into how many the time falls.
    stretches: int
    #: For how long an event may begin so as to hit one of them, in fs.
    time: int


def together(symbols: Iterable[Symbol], length: int, but: Symbol | None = None) -> tuple[int, int]:
    """Return into how many stretches the time falls, and how long it is, in fs.

    Parameters
    ----------
    symbols : iterable of (int, int), fs
        When each is sent and when it arrives.
    length : int, fs
        How long an event upsets.
    but : (int, int), fs, optional
        A symbol of another channel without which these are of no use: what hits it, too, is left
        out.
    """
    stretches: list[list[int]] = []
    for sent, arrives in sorted(symbols):
        start = sent - length
        if stretches and start <= stretches[-1][1]:
            stretches[-1][1] = max(arrives, stretches[-1][1])
        else:
            stretches.append([start, arrives])
    if but is not None:
        first, last = but[0] - length, but[1]
        pieces = [(x, min(y, first)) for x, y in stretches]
        pieces += [(max(x, last), y) for x, y in stretches]
        stretches = [[x, y] for x, y in pieces if x < y]
    return len(stretches), sum(end - start for start, end in stretches)


def exposed(
    scenario: Scenario, units: Units, length: int, read_after: int | None = None
) -> list[Exposed]:
    """Return the channels of one board.

    Parameters
    ----------
    scenario : Scenario
        What is exposed.
    units : Units
        The one unit.
    length : int, fs
        How long an event upsets.
    read_after : int, fs, optional
        From the fall of busy at the converter to the start of the host's clock, where that reads
        the converter; at the means of what lies between when left out.
    """
    if scenario.link.scheme == "remote_master":
        carried = _remote(scenario, units)
    else:
        carried = _host_clocked(scenario, units, read_after)
    falls = next((symbols[-1] for channel, _, symbols in carried if channel == "busy"), None)
    return [
        Exposed(
            channel,
            way,
            len(symbols),
            *together(symbols, length, falls if channel.startswith("lane") else None),
        )
        for channel, way, symbols in carried
    ]


Carried = list[tuple[str, Literal["forward", "return"], list[Symbol]]]


def _trigger(scenario: Scenario, units: Units) -> Carried:
    if scenario.trigger.source != "host":
        return []
    return [("trigger", "forward", [(0, int(units.forward[0]))])]


def _remote(scenario: Scenario, units: Units) -> Carried:
    """Return what the channels of a remote master carry, counted from the start of its clock."""
    found = _trigger(scenario, units)
    captured, lanes = units.captured[0].tolist(), units.lanes[0].tolist()
    packets = packets_of(scenario)
    for lane, delay in enumerate(lanes):
        symbols = [(at, at + delay) for at in captured]
        if packets is not None:
            symbols, free = [], -(2**62)
            for packet in packets:
                free = sent_at(captured[packet.last], free, packet.line_time)
                symbols.append((free - packet.line_time, free + delay))
        found.append((f"lane {lane}", "return", symbols))
    if scenario.barrier.return_.has_strobe:
        strobe, rises = int(units.strobe[0]), units.strobe_edges[0, ::2].tolist()
        found.append(("strobe", "return", [(at, at + strobe) for at in rises]))
    if scenario.fifo.when_full == "stall":
        found.append(("credit", "forward", [(0, int(units.credit[0]))]))
    return found


def _host_clocked(scenario: Scenario, units: Units, read_after: int | None) -> Carried:
    """Return what the channels carry where the host clocks the read, from the fall of busy on."""
    busy = int(units.busy[0])
    fell = busy + int(units.busy_distortion[0])
    waits = round(scenario.fifo.sync_delay.mean + scenario.host.service_latency.mean)
    start = fell + waits if read_after is None else read_after
    conversion = round(scenario.converter.conversion_time.mean)
    rising = [start + at for at in units.host_rising.tolist()]
    falling = [start + at for at in units.host_falling.tolist()]
    there, gone = int(units.clock[0]), int(units.clock[0] + units.clock_distortion[0])
    end = int(units.returned[0] + units.returned_distortion[0])
    found = _trigger(scenario, units)
    # A pulse is on its way from its rising edge sent to its falling edge arrived.
    pulses = list(zip(rising, falling, strict=True))
    found.append(("clock", "forward", [(up, down + gone) for up, down in pulses]))
    if scenario.link.scheme == "returned_clock":
        came = [(up + there, down + gone + end) for up, down in pulses]
        found.append(("returned", "return", came))
    # The first bit is there from the fall of busy on, each other one from the fall ahead of it.
    valid = [int(units.msb_valid[0])]
    valid += [down + gone + int(units.data_valid[0]) for down in falling[:-1]]
    found += [
        (f"lane {lane}", "return", [(at, at + delay) for at in valid])
        for lane, delay in enumerate(units.lanes[0].tolist())
    ]
    found.append(("busy", "return", [(-conversion, busy - conversion), (0, fell)]))
    return found
