"""A scenario as a queue that the chain can follow, or why it is none.

Frames arrive when their first bit is pushed: those of periodic triggers at a fixed spacing, each
moved by what is drawn for its conversion; those of Poisson triggers, of which the converter
misses some, a fixed and then a memoryless time after the frame before. What varies on the return
path (jitter, skew, synchroniser) is kept to its ends.
"""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING

from simlink.base.errors import UnsuitedError
from simlink.base.instants import FS_PER_SECOND, period_of
from simlink.base.wording import quantity
from simlink.figures.cycle import past_line
from simlink.figures.reader import reader_of
from simlink.link import unit
from simlink.link.transient import UPSETTING, upsets
from simlink.link.trigger import actual_frequency
from simlink.rare.survival import independent
from simlink.scenario.distributions import Distribution, reach
from simlink.scenario.needs import need_fifo

if TYPE_CHECKING:
    from simlink.scenario.schema import Scenario

#: Units whose timing is worked out; they stand for all.
MOST_UNITS = 1000
_MOST_DEPTH = 64


class NoQueueError(UnsuitedError):
    """Raised where the chain cannot follow a scenario; names the key that speaks against it."""


@dataclass(frozen=True)
class Timing:
    """One unit's times, in fs."""

    #: Between arrivals; of Poisson triggers, the least fixed part of it.
    spacing: float
    #: Of Poisson triggers, the mean of the memoryless part; else 0.
    waiting: float
    #: By how much jitter may move an arrival.
    loose: float
    #: From the earliest arrival to the release.
    soonest: float
    latest: float
    #: The share of triggers that the converter takes.
    taken: float


@dataclass(frozen=True)
class Queue:
    """Arrivals, releases and services."""

    #: Slots.
    depth: int
    #: Of the service, fs.
    latency: Distribution
    #: Of one frame, fs.
    read: float
    #: What arrivals of periodic triggers are moved by, fs.
    moved: tuple[Distribution, ...]
    #: The most that it comes to, fs; of Poisson triggers, by how much the fixed part of a spacing
    #: varies.
    width: float
    #: Kinds of boards, and how many there are of each.
    units: tuple[tuple[Timing, int], ...]


def queue_of(scenario: Scenario) -> Queue:
    """Return a scenario as a queue.

    Parameters
    ----------
    scenario : Scenario
        What is asked about.

    Raises
    ------
    InputError
        Where there is no FIFO.
    NoQueueError
        With the key that speaks against it.
    """
    need_fifo(scenario)
    _refuse_others(scenario)
    poisson = scenario.trigger.pattern == "poisson"
    laws = _moving(scenario, poisson)
    width = sum(high - low for low, high in map(reach, laws.values()))
    units = _units(scenario, poisson, laws, width)
    for one, _ in units:
        if one.latest + (0 if poisson else width) > one.spacing:
            raise _no(
                scenario,
                "fifo.release_bits",
                scenario.fifo.release_bits,
                "a release before the next frame comes",
                "a release that may come after the next frame's first bit",
            )
    moved = () if poisson else tuple(law for law in laws.values() if not law.is_constant)
    read = float(reader_of(scenario).read)
    return Queue(scenario.fifo.depth, scenario.host.service_latency, read, moved, width, units)


def _no(scenario: Scenario, key: str, value: object, wanted: str, what: str = "") -> NoQueueError:
    said = f"{wanted}, for a loss to be computed"
    return NoQueueError(scenario.name, key, f"{value}", said, what)


def _refuse_others(scenario: Scenario) -> None:
    """Refuse what is read in another way than frame by frame from a FIFO."""
    host, depth = scenario.host, scenario.fifo.depth
    if upsets(scenario):
        none = "none that can upset a channel, for a loss to be computed"
        raise NoQueueError(scenario.name, "transient", None, none, UPSETTING)
    if depth > _MOST_DEPTH:
        raise _no(scenario, "fifo.depth", depth, f"at most {_MOST_DEPTH}")
    wanted = (
        ("trigger.pattern", scenario.trigger.pattern, ("periodic", "poisson")),
        ("fifo.when_full", scenario.fifo.when_full, ("drop_new",)),
        ("host.drain", host.drain, (False,)),
        ("host.watermark", host.watermark, (1,)),
        ("host.interrupt", host.interrupt, ("level",)),
        ("check.on_failure", scenario.check.on_failure, ("flag", "drop")),
    )
    for key, value, allowed in wanted:
        if value not in allowed:
            said = str(value).lower() if isinstance(value, bool) else value
            raise _no(scenario, key, said, " or ".join(str(one).lower() for one in allowed))
    if not independent(host.service_latency):
        shape = getattr(host.service_latency, "shape", "")
        raise _no(scenario, "host.service_latency", shape, "latencies that do not hang together")


def _unbounded(scenario: Scenario, key: str) -> NoQueueError:
    return _no(scenario, key, "without bound", "a law with bounds", f"{key} without bound")


def _moving(scenario: Scenario, poisson: bool) -> dict[str, Distribution]:
    """Return what an arrival is moved by, by key."""
    trigger = scenario.trigger
    laws = {
        "converter.conversion_time": scenario.converter.conversion_time,
        "remote_clock.start_delay": scenario.remote_clock.start_delay,
    }
    jitters = {"trigger.jitter": trigger.jitter}
    if trigger.source == "host":
        jitters["barrier.forward.jitter"] = scenario.barrier.direction("forward").jitter
    for key, law in (laws | jitters).items():
        if not all(map(math.isfinite, reach(law))):
            raise _unbounded(scenario, key)
        if not law.is_constant and not independent(law):
            what = f"draws of {key} that hang together"
            raise _no(scenario, key, "a law with a memory", "independent draws", what)
        if poisson and key in jitters and not law.is_constant:
            what = f"Poisson triggers with {key}"
            raise _no(scenario, key, "random", "no jitter with Poisson triggers", what)
    return laws if poisson else laws | jitters


def _units(
    scenario: Scenario, poisson: bool, laws: dict[str, Distribution], width: float
) -> tuple[tuple[Timing, int], ...]:
    """Return the kinds of boards that are built, and how many there are of each."""
    count = min(scenario.trials, MOST_UNITS)
    built = unit.build(scenario, range(count))
    assert scenario.trigger.rate is not None
    cycle = ("converter.conversion_time", "remote_clock.start_delay")
    occupied = [sum(reach(laws[key])[end] for key in cycle) for end in (0, 1)]
    mean_occupied = sum(laws[key].mean for key in cycle)
    jitter, sync = (
        reach(scenario.barrier.direction("return").jitter),
        reach(scenario.fifo.sync_delay),
    )
    for key, law in (("barrier.return.jitter", jitter), ("fifo.sync_delay", sync)):
        if not all(map(math.isfinite, law)):
            raise _unbounded(scenario, key)
    crossing = built.lanes.min() + jitter[0]
    if scenario.trigger.source == "host":
        jitters = reach(scenario.barrier.direction("forward").jitter)
        crossing = min(crossing, built.forward.min() + jitters[0])
    if crossing < 0:
        raise _no(
            scenario,
            "barrier",
            "jitter above the delay",
            "crossings that take some time",
            "barrier jitter that may outweigh the delay",
        )
    loose, found = jitter[1] - jitter[0], Counter[Timing]()
    for row in range(count):
        rate = actual_frequency(scenario.trigger.rate.value, int(built.trigger_tolerance[row]))
        period, readout = float(period_of(rate)), float(built.readout[row])
        spacing = readout + occupied[0] if poisson else period
        free = period - readout - occupied[1]
        if not poisson and width > free:
            raise _busy(scenario, laws, width, free)
        arrived = past_line(scenario, built.captured[row])
        first, last = arrived.item(0), arrived.item(-1)
        enough = arrived.item(scenario.fifo.release_bits - 1)
        if last - first > spacing - width:
            raise _no(
                scenario,
                "barrier.return.line_rate",
                "too slow",
                "packets that find a free line",
                "packets that may find the return line taken",
            )
        lanes = built.lanes[row]
        after = float(enough - first + lanes.max() - lanes.min())
        timing = Timing(
            spacing,
            period if poisson else 0.0,
            loose,
            after + sync[0],
            after + loose + sync[1],
            period / (period + readout + mean_occupied) if poisson else 1.0,
        )
        found[timing] += 1
    return tuple(found.items())


def _busy(
    scenario: Scenario, laws: dict[str, Distribution], width: float, free: float
) -> NoQueueError:
    """Say what keeps the converter until the next trigger, or moves triggers and frames so far."""
    wanted = "a converter that is free before every trigger"
    if free < 0:
        what = "a converter that may still be busy when the next trigger comes"
        return _no(scenario, "converter.conversion_time", "too long", wanted, what)
    key = max(laws, key=lambda one: reach(laws[one])[1] - reach(laws[one])[0])
    moved, left = (quantity(time / FS_PER_SECOND, "s") for time in (width, free))
    what = (
        f"laws that move a frame by up to {moved}, {key} the most, where the longest conversion "
        f"and its readout leave {left} of the period"
    )
    return _no(scenario, key, f"laws that come to {moved}", wanted, what)
