"""What is drawn once, when a unit is built, for a range of trials.

Per unit: the tolerance of every clock, each channel's delay, skews, pulse-width distortion
and shortest pulse, and the data-sheet times of converter, remote master and host (``msb_valid``,
``data_valid``, ``data_hold``, ``setup``, ``hold``, ``acquisition_time``, and the ``min_clock_...``
times of the converter's serial clock, which change no record). Per conversion: trigger,
gap, jitter, ``busy_delay``, ``conversion_time``, ``start_delay``, ``sync_delay`` and
``service_latency``. Per bit or packet and lane: the jitter of the return direction; per edge that
of a clock.

The skew of a direction is drawn for each of its channels. The trigger's own channel is the
reference of the forward direction: of a plain skew it has no share, so that it is early and the
clock late, which is what a converter's cycle has to stand. The credit of a stalled master rides on
it with its delay and spread. A list of skews names the return lanes alone: the other channels then
have none. What the limits of the delay cover is held within them, channel by channel
(`channel.fixed_part`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from simlink.base.draws import Law, once_each
from simlink.base.instants import Times, clock_edges
from simlink.link import host_clocked, remote_clock, strobe
from simlink.link.channel import fixed_part, stream
from simlink.link.converter import captured_early, captured_past_hold
from simlink.link.trigger import actual_frequency
from simlink.scenario.schema import Scenario

#: The times of the converter that are drawn once a board.
CONVERTER = (
    "msb_valid",
    "data_valid",
    "data_hold",
    "acquisition_time",
    "min_clock_period",
    "min_clock_high",
    "min_clock_low",
)

#: A unit's single values, int64 fs (tolerances in parts per 10^12). ``forward``, ``credit``,
#: ``clock``, ``returned``, ``busy`` and ``strobe`` are the fixed part of a channel's crossing, and
#: what ends in ``distortion`` is how much longer a falling edge of it takes; ``readout`` is from
#: the start of the remote clock to its last falling edge.
UNIT = np.dtype(
    [
        (name, np.int64)
        for name in (
            "trigger_tolerance",
            "remote_tolerance",
            "forward",
            "credit",
            "clock",
            "returned",
            "busy",
            "strobe",
            "clock_distortion",
            "returned_distortion",
            "busy_distortion",
            "strobe_distortion",
            "forward_pulse",
            "return_pulse",
            *CONVERTER,
            "remote_setup",
            "remote_hold",
            "host_setup",
            "host_hold",
            "readout",
        )
    ]
)


@dataclass(frozen=True)
class Units:
    """The fixed values of the units of a range of trials."""

    #: Which trials.
    trials: range
    #: Their single values, of `UNIT`, shape (T,); each is an attribute, too.
    values: npt.NDArray[Any]
    #: The fixed part of each return lane's crossing; how much longer a falling edge of it takes,
    #: shape (T, lanes), fs.
    lanes: Times
    lane_distortions: Times
    #: Remote clock edges and captures, counted from the start of the clock, shape (T, N), fs.
    rising: Times
    falling: Times
    captured: Times
    #: Until when each bit is sent on its lane, counted likewise, shape (T, N), fs.
    bit_ends: Times
    #: The strobe's edges as they are sent, rising edge 0 first, counted likewise, shape (T, 2 N),
    #: fs.
    strobe_edges: Times
    #: Bits that the remote master captures wrong in every frame of the unit, and of them those past
    #: their hold, shape (T, N). Whether bit 0 is early depends on the frame.
    wrong_later: npt.NDArray[np.bool_]
    past_hold: npt.NDArray[np.bool_]
    #: Edges of the host's clock, and its own captures, counted from its start, shape (N,), fs.
    host_rising: Times
    host_falling: Times
    host_captured: Times

    def __getattr__(self, name: str) -> Any:
        """Return a single value of each board, shape (T,)."""
        if name in UNIT.fields:  # type: ignore[operator]
            return self.values[name]
        raise AttributeError(f"a unit has no {name!r}")


def _laws(scenario: Scenario) -> dict[str, Law]:
    """Return what is drawn, by the names of the sources."""
    remote, converter, host = scenario.remote_clock, scenario.converter, scenario.host
    laws: dict[str, Law] = {
        "trigger.tolerance": scenario.trigger.tolerance,
        "remote_clock.tolerance": remote.tolerance,
        "remote_clock.setup": remote.setup,
        "remote_clock.hold": remote.hold,
        "host.setup": host.setup,
        "host.hold": host.hold,
    }
    for name in CONVERTER:
        laws[f"converter.{name}"] = getattr(converter, name)
    for name, way, channels in (
        ("forward", scenario.barrier.direction("forward"), ("clock",)),
        ("return", scenario.barrier.direction("return"), ("clock", "busy", "strobe")),
    ):
        for key in ("delay", "part_to_part_skew", "pulse_width_distortion", "min_pulse"):
            laws[stream(name, key)] = getattr(way, key)
        # A list of skews names the lanes alone.
        if not isinstance(way.channel_skew, tuple):
            laws |= {stream(name, "channel_skew", one): way.channel_skew for one in channels}
    lanes = scenario.barrier.direction("return").lane_skews(scenario.frame.lanes)
    return laws | {
        stream("return", "channel_skew", f"lane {lane}"): skew for lane, skew in enumerate(lanes)
    }


def build(scenario: Scenario, trials: range) -> Units:
    """Draw the fixed values of the units of a range of trials."""
    drawn = once_each(_laws(scenario), scenario.seed, trials)
    none = np.zeros(len(trials), dtype=np.int64)

    def channel(name: Literal["forward", "return"], which: str, *, falling: bool = False) -> Times:
        fixed: Times = fixed_part(
            scenario.barrier.direction(name),
            drawn[f"barrier.{name}.delay"],
            drawn[stream(name, "part_to_part_skew")],
            drawn.get(stream(name, "channel_skew", which), none),
            drawn[f"barrier.{name}.pulse_width_distortion"] if falling else none,
        )
        return fixed

    values = np.zeros(len(trials), dtype=UNIT)
    values["trigger_tolerance"] = drawn["trigger.tolerance"]
    values["remote_tolerance"] = drawn["remote_clock.tolerance"]
    for name in CONVERTER:
        values[name] = drawn[f"converter.{name}"]
    for side, section in (("remote", "remote_clock"), ("host", "host")):
        for name in ("setup", "hold"):
            values[f"{side}_{name}"] = drawn[f"{section}.{name}"]
    for name in ("forward", "return"):
        values[f"{name}_pulse"] = drawn[f"barrier.{name}.min_pulse"]
    # A timer on the converter's side sends its trigger across no barrier.
    values["forward"] = 0 if scenario.trigger.source == "remote" else channel("forward", "")
    values["credit"] = channel("forward", "")
    values["clock"] = channel("forward", "clock")
    values["clock_distortion"] = channel("forward", "clock", falling=True) - values["clock"]
    for name, which in (("returned", "clock"), ("busy", "busy"), ("strobe", "strobe")):
        values[name] = channel("return", which)
        values[f"{name}_distortion"] = channel("return", which, falling=True) - values[name]
    lanes = np.empty((2, len(trials), scenario.frame.lanes), dtype=np.int64)
    for lane in range(scenario.frame.lanes):
        lanes[0, :, lane] = channel("return", f"lane {lane}")
        lanes[1, :, lane] = channel("return", f"lane {lane}", falling=True)
    bits, capture = scenario.bits_per_lane, scenario.remote_clock.capture
    # One cycle more than is clocked: the last bit stays on its lane for a whole period, too.
    longer = _remote_edges(scenario, values["remote_tolerance"], bits + 1)
    rising, falling = (edges[:, :-1].copy() for edges in longer)
    values["readout"] = falling[:, -1]
    captured = remote_clock.capture_offsets(rising, falling, capture)
    early, late = _always_wrong(values, captured, falling)
    # What stands beside the data the remote master makes itself.
    early[:, scenario.data_bits_per_lane :] = late[:, scenario.data_bits_per_lane :] = False
    host = scenario.host
    host_rising, host_falling = clock_edges(host.clock.value, bits)
    return Units(
        trials=trials,
        values=values,
        lanes=lanes[0],
        lane_distortions=lanes[1] - lanes[0],
        rising=rising,
        falling=falling,
        captured=captured,
        bit_ends=strobe.end_offsets(*longer, capture),
        strobe_edges=strobe.strobe_offsets(*longer, capture),
        wrong_later=early | late,
        past_hold=late,
        host_rising=host_rising,
        host_falling=host_falling,
        host_captured=host_clocked.capture_offsets(
            host.clock.value, bits, host.capture.half_periods, host.capture.delay
        ),
    )


def _remote_edges(scenario: Scenario, tolerances: Times, cycles: int) -> tuple[Times, Times]:
    """Return each unit's remote clock edges, shape (T, cycles) each."""
    frequency = scenario.remote_clock.frequency.value
    edges = {
        tolerance: clock_edges(actual_frequency(frequency, tolerance), cycles)
        for tolerance in sorted(set(tolerances.tolist()))
    }
    found = [edges[tolerance] for tolerance in tolerances.tolist()]
    shape = (len(tolerances), cycles)
    rising, falling = (
        np.array([one[which] for one in found], dtype=np.int64).reshape(shape) for which in (0, 1)
    )
    return rising, falling


def _always_wrong(
    values: npt.NDArray[Any], captured: Times, falling: Times
) -> tuple[npt.NDArray[np.bool_], npt.NDArray[np.bool_]]:
    """Tell which bits the remote master captures early, and which past their hold, (T, N) each."""
    each: Any = values[:, np.newaxis]
    late = np.asarray(
        captured_past_hold(captured, falling, each["data_hold"], each["remote_hold"])  # type: ignore[arg-type]
    )
    early = np.zeros_like(late)
    early[:, 1:] = captured_early(
        captured[:, 1:],  # type: ignore[arg-type]
        falling[:, :-1],  # type: ignore[arg-type]
        each["data_valid"],
        each["remote_setup"],
    )
    return early, late
