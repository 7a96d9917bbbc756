"""Proofs about releases: early reads, the latest release, and whether the host learns of each."""

from __future__ import annotations

from itertools import permutations
from typing import TYPE_CHECKING

from simlink.base.instants import clock_edges
from simlink.figures.cycle import arrivals
from simlink.proofs import coming
from simlink.proofs.ends import HARD, Ends, UnboundedError

if TYPE_CHECKING:
    from simlink.scenario.schema import Scenario


def release_bound(scenario: Scenario, ends: Ends = HARD) -> int:
    """Return the smallest ``fifo.release_bits`` at which no bit is ever read too early.

    Parameters
    ----------
    scenario : Scenario
        Its ``fifo.release_bits`` is not looked at.
    ends : Ends
        Where laws end.

    Returns
    -------
    int
        Every bit has arrived when it is taken even if the remote clock is at its slowest, the
        latency at its shortest (none for a host that reads on), and jitter at its worst on both
        bits.

    Raises
    ------
    UnboundedError
        If the jitter has no bound.
    """
    coming.check_quiet(scenario)
    later = ends.spread(scenario.barrier.direction("return").jitter, "the return jitter")
    later += coming.loose(scenario)
    ahead = ends.low(scenario.fifo.sync_delay, "the synchroniser delay")
    if not scenario.host.drain:
        # A host that reads on may start on a frame at the instant of its release.
        ahead += ends.low(scenario.host.service_latency, "the service latency")
    bits, arrived = scenario.bits_per_lane, coming.arrived(scenario, ends)
    taken = clock_edges(scenario.host.clock.value, bits)[0]
    for release in range(1, bits):
        if all(
            arrived[bit] - arrived[release - 1] + later <= ahead + int(taken[bit])
            for bit in range(release, bits)
        ):
            return release
    return bits


def longest_hold(scenario: Scenario, ends: Ends) -> int:
    """Return the longest time from a frame's first bit of any lane to its release, in fs."""
    back = scenario.barrier.direction("return")
    # How much later than the first lane another one may be.
    pairs = permutations(back.lane_skews(scenario.frame.lanes), 2)
    apart = max((ends.high(a, "the skew") - ends.low(b, "the skew") for a, b in pairs), default=0)
    sync = ends.high(scenario.fifo.sync_delay, "the synchroniser delay")
    jitter = ends.spread(back.jitter, "the return jitter")
    arrived = coming.arrived(scenario, ends)
    taken = arrived[scenario.fifo.release_bits - 1] - arrived[0] + coming.loose(scenario)
    return taken + max(apart, 0) + jitter + sync


def start_to_release(scenario: Scenario, ends: Ends) -> int:
    """Return the longest time from the start of the remote clock to the release, in fs.

    Raises
    ------
    UnboundedError
        If something has no bound, or packets may wait for those of the frame before.
    """
    coming.check_line(scenario, ends)
    return (
        coming.arrived(scenario, ends)[scenario.fifo.release_bits - 1]
        + coming.latest_crossing(scenario, ends, "return")
        + ends.high(scenario.fifo.sync_delay, "the synchroniser delay")
    )


def latest_release(scenario: Scenario, ends: Ends = HARD) -> int:
    """Return the longest time from a trigger to the release of its frame, if it is received.

    Parameters
    ----------
    scenario : Scenario
        With a remote master that the host triggers and that never waits for a credit.
    ends : Ends
        Where laws end.

    Returns
    -------
    int, fs
        A trigger that jitter brings ahead of the one before arrives no earlier than that.

    Raises
    ------
    UnboundedError
        If something on the way has no bound.
    """
    coming.check_quiet(scenario)
    jitter = ends.spread(scenario.trigger.jitter, "the trigger jitter")
    overtaken = 0
    if scenario.trigger.pattern == "poisson":
        overtaken = jitter
    elif scenario.trigger.pattern != "after_read":
        overtaken = max(jitter - min(coming.trigger_gaps(scenario, ends)), 0)
    return (
        overtaken
        + coming.latest_crossing(scenario, ends, "forward")
        + ends.high(scenario.converter.conversion_time, "the conversion time")
        + ends.high(scenario.remote_clock.start_delay, "the start delay")
        + start_to_release(scenario, ends)
    )


def check_loop(scenario: Scenario, ends: Ends) -> None:
    """Raise UnboundedError unless a loop has one frame under way at a time and loses none.

    Each is released before the host gives it up, and the converter has been read by the time of
    the next trigger, which waits for the host.
    """
    timeout = scenario.host.timeout
    assert timeout is not None
    if scenario.fifo.when_full == "stall":
        raise UnboundedError("the remote master may wait for a credit")
    if latest_release(scenario, ends) > timeout.constant_value:
        raise UnboundedError("a frame may be released after its timeout")
    clock, last = coming.slowest(scenario, ends), scenario.bits_per_lane - 1
    captured = arrivals(scenario, clock)[0]
    ahead = int(clock_edges(clock, last + 1)[1][last])
    ahead += coming.loose(scenario) - int(captured[scenario.fifo.release_bits - 1])
    gap, jitter = scenario.trigger.gap, scenario.trigger.jitter
    assert gap is not None
    waits = max(ends.low(gap, "the gap") + ends.low(jitter, "the trigger jitter"), 0)
    waits += ends.low(scenario.fifo.sync_delay, "the synchroniser delay")
    waits += ends.low(scenario.host.service_latency, "the service latency")
    if ahead > waits + coming.read_time(scenario):
        raise UnboundedError("a trigger may come while the converter is still being read")


def check_interrupts(scenario: Scenario, ends: Ends = HARD) -> None:
    """Raise UnboundedError unless a host that is told by edges alone misses none that matters.

    Busy falls at each release if that comes before the next trigger leaves. All falls within one
    service are remembered as one, which is enough for a host that reads all that waits, and for
    one of a watermark of w if a service sees w releases at the most: then fewer than w frames
    stay behind without a fall that tells of them.

    Parameters
    ----------
    scenario : Scenario
        With a FIFO that is deep enough for the host that is told how many frames wait.
    ends : Ends
        Where laws end.
    """
    coming.check_quiet(scenario)
    trigger, host = scenario.trigger, scenario.host
    if trigger.pattern == "after_read":
        if host.watermark > 1:
            raise UnboundedError("triggers wait for the host")
        check_loop(scenario, ends)
        return
    if trigger.source == "host" and not falls_in_time(scenario, ends):
        raise UnboundedError("a release may come after the next trigger")
    if host.drain:
        return
    coming.check_line(scenario, ends)
    within = ends.high(host.service_latency, "the service latency")
    within += host.watermark * coming.read_time(scenario)
    moved = ends.spread(scenario.barrier.direction("return").jitter, "the return jitter")
    moved += ends.spread(scenario.fifo.sync_delay, "the synchroniser delay")
    found, _ = coming.ways(scenario, ends)
    if all(one.least(host.watermark) - moved < within for one in found):
        raise UnboundedError("more releases than one service reads may come while it lasts")


def falls_in_time(scenario: Scenario, ends: Ends) -> bool:
    """Tell whether each frame is released before the next trigger leaves the host."""
    jitter = ends.spread(scenario.trigger.jitter, "the trigger jitter")
    closest = min(coming.trigger_gaps(scenario, ends)) - jitter
    return latest_release(scenario, ends) <= closest
