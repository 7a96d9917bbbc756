"""What is drawn once for a unit that is read by the host's own clock.

Beside what `unit` draws: the clock's channel forward, and those of the returned clock and of
busy; both directions' pulse-width distortion and shortest pulse; the times of converter and host
that decide whether a bit is right. A list of skews names the lanes alone: the other channels of
its direction then have none.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from simlink.base.draws import once
from simlink.base.instants import Times
from simlink.link.host_clocked import capture_offsets

if TYPE_CHECKING:
    from simlink.scenario.distributions import Distribution
    from simlink.scenario.schema import Scenario
    from simlink.scenario.sections import Direction


@dataclass(frozen=True)
class SerialUnits:
    """Fixed values of the units of a range of trials, int64 fs, shape (T,) unless said.

    Attributes
    ----------
    clock, returned, busy : ndarray
        Delay, spread and skew of the clock's channel forward, of the returned clock's, of busy's.
    forward_distortion, return_distortion : ndarray
        Pulse-width distortion of each direction.
    forward_pulse, return_pulse : ndarray
        The shortest pulse that each direction passes.
    data_valid, data_hold, setup, hold : ndarray
        Of the converter and of the host.
    captured : ndarray, shape (N,)
        When the host's own clock captures each bit, counted from its start.
    """

    trials: range
    clock: Times
    returned: Times
    busy: Times
    forward_distortion: Times
    return_distortion: Times
    forward_pulse: Times
    return_pulse: Times
    data_valid: Times
    data_hold: Times
    setup: Times
    hold: Times
    captured: Times


def build(scenario: Scenario, trials: range) -> SerialUnits:
    """Draw the fixed values of the units of a range of trials."""

    def drawn(law: Distribution, source: str) -> Times:
        values = [once(law, scenario.seed, trial, source) for trial in trials]
        return np.array(values, dtype=np.int64)

    def channel(way: Direction, name: str, which: str) -> Times:
        shared = drawn(way.delay, f"barrier.{name}.delay") + drawn(
            way.spread, f"barrier.{name}.spread"
        )
        if isinstance(way.skew, tuple):
            return shared
        return shared + drawn(way.skew, f"barrier.{name}.skew {which}")

    forward = scenario.barrier.direction("forward")
    back = scenario.barrier.direction("return")
    host, converter = scenario.host, scenario.converter
    return SerialUnits(
        trials=trials,
        clock=channel(forward, "forward", "clock"),
        returned=channel(back, "return", "clock"),
        busy=channel(back, "return", "busy"),
        forward_distortion=drawn(
            forward.pulse_width_distortion, "barrier.forward.pulse_width_distortion"
        ),
        return_distortion=drawn(
            back.pulse_width_distortion, "barrier.return.pulse_width_distortion"
        ),
        forward_pulse=drawn(forward.min_pulse, "barrier.forward.min_pulse"),
        return_pulse=drawn(back.min_pulse, "barrier.return.min_pulse"),
        data_valid=drawn(converter.data_valid, "converter.data_valid"),
        data_hold=drawn(converter.data_hold, "converter.data_hold"),
        setup=drawn(host.setup, "host.setup"),
        hold=drawn(host.hold, "host.hold"),
        captured=capture_offsets(
            host.clock.value, scenario.bits_per_lane, host.capture.half_periods, host.capture.delay
        ),
    )
