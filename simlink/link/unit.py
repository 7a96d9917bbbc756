"""What is drawn once, when a unit is built, for a range of trials.

Per unit: the tolerance of every clock, each channel's delay, spread, skew and pulse-width
distortion, and the converter's and remote master's data-sheet times (``msb_valid``,
``data_valid``, ``data_hold``, ``setup``, ``hold``, ``acquisition_time``). Per conversion:
trigger, gap, jitter, ``busy_delay``, ``conversion_time``, ``start_delay``, ``sync_delay`` and
``service_latency``. Per bit or packet and lane: the jitter of the return direction.

The skew of a direction is drawn for each of its channels; the trigger's own channel is the
reference of the forward direction, so skew moves the lanes of the return direction alone. The
credit of a stalled master rides on the forward direction with its delay and spread.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING

import numpy as np

from simlink.base.draws import once
from simlink.base.instants import Times, clock_edges
from simlink.link import remote_clock, transport
from simlink.link.trigger import actual_frequency

if TYPE_CHECKING:
    from simlink.scenario.distributions import Distribution
    from simlink.scenario.schema import Scenario


@dataclass(frozen=True)
class Units:
    """The fixed values of the units of a range of trials; arrays are int64 fs.

    Attributes
    ----------
    trials : range
        Which trials.
    trigger_tolerance : ndarray, shape (T,)
        In parts per 10^12.
    rising, falling, captured : ndarray, shape (T, N)
        Remote clock edges and captures, counted from the start of the clock.
    wrong_later, past_hold : ndarray of bool, shape (T, N)
        Bits that are wrong in every frame of the unit, and of them those past their hold.
    forward, credit : ndarray, shape (T,)
        Fixed part of the trigger's and of the credit's crossing.
    lanes : ndarray, shape (T, lanes)
        Fixed part of each return lane's crossing.
    """

    trials: range
    trigger_tolerance: Times
    rising: Times
    falling: Times
    captured: Times
    wrong_later: remote_clock.Flags
    past_hold: remote_clock.Flags
    forward: Times
    credit: Times
    lanes: Times
    msb_valid: Times
    setup: Times
    acquisition_time: Times

    @property
    def readout(self) -> Times:
        """From the start of the remote clock to its last falling edge, shape (T,), fs."""
        return self.falling[:, -1]


def build(scenario: Scenario, trials: range) -> Units:
    """Draw the fixed values of the units of a range of trials."""

    def drawn(law: Distribution, source: str) -> Times:
        if law.is_constant:
            return np.full(len(trials), law.constant_value, dtype=np.int64)
        values = [once(law, scenario.seed, trial, source) for trial in trials]
        return np.array(values, dtype=np.int64)

    remote, converter = scenario.remote_clock, scenario.converter
    forward = scenario.barrier.direction("forward")
    back = scenario.barrier.direction("return")
    edges: dict[int, tuple[Times, Times]] = {}
    tolerances = drawn(remote.tolerance, "remote_clock.tolerance")
    for tolerance in set(tolerances.tolist()):
        frequency = actual_frequency(remote.frequency.value, tolerance)
        edges[tolerance] = clock_edges(frequency, scenario.bits_per_lane)
    shape = (len(trials), scenario.bits_per_lane)
    if len(edges) == 1:
        rising, falling = (np.broadcast_to(one, shape) for one in edges[int(tolerances[0])])
    else:
        rising = np.array([edges[t][0] for t in tolerances.tolist()]).reshape(shape)
        falling = np.array([edges[t][1] for t in tolerances.tolist()]).reshape(shape)
    setup = drawn(remote.setup, "remote_clock.setup")
    data_hold = drawn(converter.data_hold, "converter.data_hold")
    hold = drawn(remote.hold, "remote_clock.hold")
    past_hold = remote_clock.past_hold(rising, falling, remote.capture, data_hold, hold)
    wrong_later = remote_clock.wrong_later_bits(
        rising,
        falling,
        remote.capture,
        drawn(converter.data_valid, "converter.data_valid"),
        data_hold,
        setup,
        hold,
    )
    shared = drawn(back.delay, "barrier.return.delay") + drawn(back.spread, "barrier.return.spread")
    skews = [
        drawn(skew, f"barrier.return.skew lane {lane}")
        for lane, skew in enumerate(back.lane_skews(scenario.frame.lanes))
    ]
    crossing = drawn(forward.delay, "barrier.forward.delay") + drawn(
        forward.spread, "barrier.forward.spread"
    )
    remote_timer = scenario.trigger.source == "remote"
    return Units(
        trials=trials,
        trigger_tolerance=drawn(scenario.trigger.tolerance, "trigger.tolerance"),
        rising=rising,
        falling=falling,
        captured=remote_clock.capture_offsets(rising, falling, remote.capture),
        wrong_later=wrong_later,
        past_hold=past_hold,
        forward=np.zeros_like(crossing) if remote_timer else crossing,
        credit=np.maximum(crossing, 0),
        lanes=shared[:, np.newaxis] + np.stack(skews, axis=-1),
        msb_valid=drawn(converter.msb_valid, "converter.msb_valid"),
        setup=setup,
        acquisition_time=drawn(converter.acquisition_time, "converter.acquisition_time"),
    )


def packets_of(scenario: Scenario) -> list[transport.Packet] | None:
    """Return the packets of a lane's frame, or None in bits style."""
    back = scenario.barrier.direction("return")
    style = scenario.barrier.return_
    if style.style == "bits":
        return None
    assert style.packet_bits is not None
    assert back.line_rate is not None
    rate: Fraction = back.line_rate.value
    return transport.split(scenario.bits_per_lane, style.packet_bits, style.overhead_bits, rate)
