"""Whether every bit that no transient hits is sure to come right, whatever is drawn.

Where others may come wrong, which of them are decides whether a check fails. The batch engine
does not say which, so that it leaves those scenarios to the event engine. What the remote master
captures wrong is of no matter: it makes the check of what it has. Bits that transients invert are
known one by one (`hits`).
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from simlink.engines.batch.strobe import certain
from simlink.link import unit
from simlink.link.unit import Units
from simlink.scenario.distributions import reach
from simlink.scenario.schema import Scenario

#: Trials whose units are drawn together.
_TRIALS = 512


def unjudged(scenario: Scenario) -> str | None:
    """Return why the checks of a scenario's frames cannot be judged here, or None if they can."""
    if not scenario.check.tells:
        return None
    if all_right(scenario):
        return None
    return (
        "the batch engine does not say which bits are taken wrong, so that it judges no check "
        "where jitter or a short margin may have one taken wrong"
    )


def all_right(scenario: Scenario) -> bool:
    """Tell whether no board takes a bit wrong on the host's side, as far as bounds say."""
    remote = scenario.link.scheme == "remote_master"
    if remote and not scenario.barrier.return_.has_strobe:
        return True
    for first in range(0, scenario.trials, _TRIALS):
        last = min(first + _TRIALS, scenario.trials)
        units = unit.build(scenario, range(first, last))
        right = certain(scenario, units)[0] if remote else reads_right(scenario, units)
        if not right.all():
            return False
    return True


def reads_right(scenario: Scenario, units: Units) -> Any:
    """Tell in which units the host's own clock reads every bit right.

    Returns
    -------
    ndarray of bool, shape (T,)
    """
    none = np.zeros(len(units.trials), dtype=np.bool_)
    jitters = [reach(scenario.barrier.direction(way).jitter) for way in ("forward", "return")]
    if math.inf in (abs(end) for ends in jitters for end in ends):
        return none
    (out_low, out_high), (low, high) = (
        (math.floor(least), math.ceil(most)) for least, most in jitters
    )
    rises, falls = units.host_rising, units.host_falling
    one: Any = {name: units.values[name][:, np.newaxis] for name in units.values.dtype.names or ()}
    there, shift = one["clock"], one["clock_distortion"]
    # Every pulse comes through whole, to the converter and, where it does, back.
    lengths = [falls - rises + shift, rises[1:] - falls[:-1] - shift, rises[:1] - shift]
    right = _long(lengths, np.maximum(one["forward_pulse"], 1), out_high - out_low)
    captured: Any = units.host_captured[np.newaxis, :]
    soonest = latest = captured
    if scenario.link.scheme == "returned_clock":
        back, longer = one["returned"], one["returned_distortion"]
        swing = out_high - out_low + high - low
        lengths = [
            falls - rises + shift + longer,
            rises[1:] - falls[:-1] - shift - longer,
            rises[:1] - shift - longer,
        ]
        right &= _long(lengths, np.maximum(one["return_pulse"], 1), swing)
        captured = rises + there + back
        if scenario.host.capture.half_periods != 1:
            captured = falls + there + shift + back + longer
        soonest, latest = captured + out_low + low, captured + out_high + high
    launched = falls + there + shift
    # The host starts no sooner after busy has fallen than its release and its latency allow.
    waits = one["busy"] + one["busy_distortion"] + low
    for law in (scenario.fifo.sync_delay, scenario.host.service_latency):
        waits = waits + math.floor(reach(law)[0])
    first = np.maximum(one["msb_valid"], one["data_hold"]) - waits
    begins = np.concatenate([first, launched[:, :-1] + out_high + one["data_valid"]], axis=1)
    ends = launched + out_low + one["data_hold"]
    for lane in range(scenario.frame.lanes):
        delay = units.lanes[:, lane : lane + 1]
        longer = units.lane_distortions[:, lane : lane + 1]
        valid = begins + delay + np.maximum(longer, 0) + high
        until = ends + delay + np.minimum(longer, 0) + low
        right &= (soonest - one["host_setup"] >= valid).all(axis=1)
        right &= (latest + one["host_hold"] < until).all(axis=1)
    return right


def _long(lengths: list[Any], shortest: Any, swing: int) -> Any:
    """Tell in which units all pulses are long enough, however jitter shortens them."""
    right = np.ones(len(shortest), dtype=np.bool_)
    for some in lengths:
        right &= (some - swing >= shortest).all(axis=1)
    return right
