"""Rows of what has to keep up on average: the host, and a line that carries packets."""

from __future__ import annotations

import math
from dataclasses import replace
from fractions import Fraction

from simlink.base.wording import count, many, percent, short_time
from simlink.figures.cycle import periods
from simlink.figures.reader import reader_of
from simlink.link.repeat import repeats
from simlink.link.transport import packets_of
from simlink.scenario.quantities import PARTS
from simlink.scenario.schema import Scenario
from simlink.verdict.limit import Limit
from simlink.verdict.seen import Seen, row
from simlink.verdict.wording import boards_that

#: A depth that no shared latency fills.
_DEEP = 10**9


def rows(seen: Seen) -> list[Limit]:
    """Return the rows of the packets' line and of the host; none where triggers wait for it."""
    _, average = periods(seen.scenario)
    if not seen.remote or average is None:
        return []
    if not average:
        said = "triggers leave no time between them"
        return [row("host_rate", keys=("trigger.gap",), broken=said)]
    # That of the fastest timer that the tolerance allows.
    fastest = periods(seen.scenario, fastest=True)[1] or average
    return [*_packets(seen, average, fastest), _host(seen, average, fastest)]


def is_overloaded(seen: Seen) -> bool:
    """Tell whether the host is asked for more than all of its time, on average."""
    _, average = periods(seen.scenario)
    return average is not None and (not average or host_load(seen) > 1)


def ends_in_time(seen: Seen) -> bool:
    """Tell whether a FIFO of twice the depth holds the whole run, with the same draws.

    A host that lags on average needs time to fill a FIFO. A run that ends before says nothing of
    that; what it loses it loses for want of depth, whatever a longer one would lose besides.
    """
    deeper = seen.again("fifo.depth", 2 * seen.scenario.fifo.depth)
    return deeper.sent >= seen.sent and not deeper.refused


def lags_by_depth(seen: Seen) -> str:
    """Say how a host lags on average since its FIFO is too shallow for one latency to serve more.

    Of triggers that come evenly, for which it is exact; empty where it keeps up.
    """
    scenario = seen.scenario
    spacing, average = periods(scenario)
    reader = reader_of(scenario)
    if average is None or not reader.reads_on or scenario.trigger.pattern != "periodic":
        return ""
    mean = reader.mean(spacing)
    if mean <= average or scenario.host.interrupt == "edge":
        return ""
    return (
        f"on average a frame takes {short_time(mean)} of {short_time(average)}, since "
        f"a FIFO of {scenario.fifo.depth} lets a latency serve no more"
    )


def host_load(seen: Seen) -> Fraction:
    """Return the share of its time that the host needs in the long run, whatever the depth.

    Of a host that reads all that waits, one latency serves the more frames the further it is
    behind, so that more than 1 is asked of it only where its reads alone take longer.
    """
    scenario = seen.scenario
    spacing, average = periods(scenario)
    assert spacing is not None
    assert average is not None
    reader = replace(reader_of(scenario), depth=_DEEP)
    if scenario.host.drain and reader.read < average:
        found = reader.mean(spacing) / average
        return min(found, Fraction(1))
    return reader.mean(spacing if reader.read < spacing else average) / average


def keys_of_host(scenario: Scenario) -> tuple[str, ...]:
    """Return what the flow of frames through the host rests on, what takes most first."""
    reader = reader_of(scenario)
    two = ("host.service_latency", "host.clock")
    if scenario.host.drain or reader.read > Fraction(reader.law.mean) / reader.watermark:
        two = two[::-1]
    more = ("trigger.gap",) if scenario.trigger.pattern == "burst" else ()
    return (*two, "trigger.rate", *more, "host.watermark", "host.drain")


def _packets(seen: Seen, average: Fraction, soonest: Fraction) -> list[Limit]:
    packets = packets_of(seen.scenario)
    if packets is None:
        return []
    line = Fraction(sum(packet.line_time for packet in packets))
    load, fastest = line / average, line / soonest
    broken, possible = _over(seen, load, fastest, "line")
    if load > 1:
        broken += f"; each frame comes {short_time(line - average)} later than the one before"
    fits = fastest <= 1 and not repeats(seen.scenario)
    way = "barrier.return"
    return [
        row(
            "packet_rate",
            keys=(f"{way}.line_rate", f"{way}.overhead_bits", f"{way}.packet_bits", "trigger.rate"),
            limit=Fraction(1),
            worst=max(load, fastest),
            broken=broken,
            proven="on average, at the fastest trigger rate" if fits else "",
            possible=possible,
            otherwise=_asked(seen),
        )
    ]


def _host(seen: Seen, average: Fraction, soonest: Fraction) -> Limit:
    scenario = seen.scenario
    load = host_load(seen)
    fastest = load * average / soonest
    if scenario.host.drain and load < 1:
        read = reader_of(scenario).read / soonest
        fastest = min(fastest, Fraction(1)) if read <= 1 else read
    broken, possible = _over(seen, load, fastest, "host")
    later = False
    if load > 1 and (not seen.count("missed_trigger") or seen.missed_by_stall):
        # The frame that is being read holds a slot all the time.
        frames = (scenario.fifo.depth - 1) / (1 - 1 / load)
        broken += (
            f": a FIFO of {scenario.fifo.depth} is full after about "
            f"{count(max(1.0, float(frames)))} conversions, {short_time(frames * average)}"
        )
        later = frames > scenario.conversions
        broken += ", which is after the end of this run" if later else ""
    varies = not scenario.host.service_latency.is_constant and not scenario.host.drain
    if load == 1 and varies and not broken:
        possible = "it needs all of its time, and whatever a long service delays is never caught up"
    steady = fastest < 1 or (fastest == 1 and not varies)
    # Nothing says how often a frame is asked for once more.
    steady = steady and not repeats(scenario)
    found = row(
        "host_rate",
        keys=keys_of_host(scenario),
        limit=Fraction(1),
        worst=max(load, fastest),
        broken=broken,
        proven="on average, by the means of its laws" if steady else "",
        possible=possible,
        otherwise=_asked(seen),
    )
    return replace(found, later=later)


def _asked(seen: Seen) -> str:
    """Say what a load leaves out; empty if it leaves out nothing."""
    if not repeats(seen.scenario):
        return ""
    return f"{seen.not_seen()}; not proven: frames that are asked for once more are left out"


def _over(seen: Seen, load: Fraction, fastest: Fraction, who: str) -> tuple[str, str]:
    """Return how a load is above 1, in the mean unit or in some, and whether one could be."""
    if load > 1:
        return f"on average the {who} needs {percent(float(load), 3)} of its time", ""
    law = seen.scenario.trigger.tolerance
    if fastest <= 1 or not law.is_random or not math.isfinite(law.support[1]):
        return "", ""
    drawn = seen.drawn(law, "trigger.tolerance")
    over = float(load) * (1 + (drawn - law.mean) / PARTS) > 1
    if over.any():
        return f"{boards_that('trigger', over)} faster than it can follow", ""
    none = f"which none of {many(len(drawn), 'board')} has"
    return "", f"it is too slow for the fastest trigger rate, {none}"
