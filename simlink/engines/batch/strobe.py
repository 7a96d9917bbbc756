"""The strobe of the remote master: what is certain of a unit, and what each frame has to be asked.

Where the bounds of what is drawn leave no doubt, every frame of a unit is right, or every one is
wrong, and nothing has to be drawn. Where they do, `spoils` judges a frame bit by bit; it is
compiled as it stands.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import numpy.typing as npt

from simlink.base.instants import Times
from simlink.engines.batch.draws import EDGES, Source, edge_columns
from simlink.engines.batch.rings import draw
from simlink.link.host_clocked import cross_clock, valid_at_host, valid_until_at_host
from simlink.link.strobe import taken_wrong
from simlink.link.unit import Units
from simlink.scenario.distributions import reach
from simlink.scenario.schema import Scenario


def strobe_columns(scenario: Scenario) -> list[Source]:
    """Return the columns of the strobe's edges, and of what takes each lane's last bit away."""
    law, bits = scenario.barrier.direction("return").jitter, scenario.bits_per_lane
    found = edge_columns(law, "barrier.return.jitter strobe", 2 * bits)
    for lane in range(scenario.frame.lanes):
        found += edge_columns(law, f"barrier.return.jitter lane {lane} end", 1)
    return found


class Crossing:
    """The least and the most that edges take across the barrier, whatever their jitter.

    Parameters
    ----------
    static : ndarray of int64, fs
        The fixed part, of each board or of each board and lane.
    low, high : int, fs
        Bounds of the jitter.
    """

    def __init__(self, static: Times, low: int, high: int) -> None:
        self.least = np.maximum(static + low, 0)
        self.most = np.maximum(static + high, 0)


def certain(
    scenario: Scenario, units: Units
) -> tuple[npt.NDArray[np.bool_], npt.NDArray[np.bool_]]:
    """Tell in which units the strobe takes every bit right, and in which none of the frames.

    Parameters
    ----------
    scenario : Scenario
        With a strobe.
    units : Units
        The units.

    Returns
    -------
    right, wrong : ndarray of bool, shape (T,)
        Whatever is drawn. An edge that comes with the one ahead of it, since its own jitter would
        have it overtake that one, is counted for: of the frame before, too.
    """
    bounds = reach(scenario.barrier.direction("return").jitter)
    if math.inf in map(abs, bounds):
        none = np.zeros(len(units.trials), dtype=np.bool_)
        return none, none
    low, high = math.floor(bounds[0]), math.ceil(bounds[1])
    rise = Crossing(units.strobe, low, high)
    fall = Crossing(np.maximum(units.strobe + units.strobe_distortion, 0), low, high)
    each = units.lane_distortions
    slow = Crossing(units.lanes + np.maximum(each, 0), low, high)
    fast = Crossing(units.lanes + np.minimum(each, 0), low, high)
    plain = Crossing(units.lanes, low, high)
    shortest = np.maximum(units.return_pulse, 1)
    rises, falls = units.strobe_edges[:, 0::2], units.strobe_edges[:, 1::2]
    begins, ends = units.captured, units.bit_ends
    # The next frame's clock starts when this one's has ended, or later.
    before = falls[:, -1] - units.readout

    high_pulses, low_pulses = falls - rises, rises[:, 1:] - falls[:, :-1]
    gap = rises[:, 0] - before
    right = _least(high_pulses) + fall.least - rise.most >= shortest
    wrong = _least(high_pulses) + fall.most - rise.least < shortest
    if low_pulses.size:
        right &= _least(low_pulses) + rise.least - fall.most >= shortest
        wrong |= _least(low_pulses) + rise.most - fall.least < shortest
    # Then no edge of the strobe waits for another.
    right &= gap + rise.least - fall.most >= 0
    right &= (_least(rises - begins) + rise.least >= slow.most.T).all(axis=0)
    right &= (_least(ends - rises) - rise.most >= -fast.least.T).all(axis=0)

    held = np.concatenate([before[:, np.newaxis], falls[:, :-1]], axis=1)
    latest = np.maximum(rises + _column(rise.most), held + _column(fall.most))
    last = begins[:, -1] - units.readout
    for lane in range(scenario.frame.lanes):
        valid = begins + _column(slow.least[:, lane])
        until = np.maximum(ends + _column(fast.most[:, lane]), _column(last + plain.most[:, lane]))
        wrong |= ((latest < valid) | (rises + _column(rise.least) > until)).any(axis=1)
    return right, wrong


def _least(times: Times) -> Times:
    """Return the least of each board's times."""
    found: Times = times.min(axis=1)
    return found


def _column(values: Times) -> Times:
    """Return one value a unit as a column beside those of its bits."""
    return values[:, np.newaxis]


def send(
    law: Any, start: int, draws: Any, place: Any, constant: Any, at: int, edges: Any, room: Any
) -> None:
    """Fill the two rows of room with the instants at which a strobe's edges are sent, and jitter.

    Parameters
    ----------
    start, edges, room
        As in `spoils`.
    """
    own = EDGES + law.lanes * law.bits
    for edge in range(2 * law.bits):
        room[0, edge] = start + edges[edge]
        room[1, edge] = draw(draws, place, constant, own + edge, at)


def spoils(
    law: Any,
    st: Any,
    unit: Any,
    start: int,
    draws: Any,
    place: Any,
    constant: Any,
    at: int,
    lanes: Any,
    distortions: Any,
    captured: Any,
    ends: Any,
    edges: Any,
    ahead: Any,
    room: Any,
) -> bool:
    """Send a frame's strobe; tell whether it takes a bit wrong.

    Parameters
    ----------
    start : int, fs
        When the frame's clock starts.
    lanes, distortions : ndarray of int64, shape (lanes,), fs
        The fixed part of each lane's crossing; how much longer a falling edge of it takes.
    captured, ends : ndarray of int64, shape (N,), fs
        From when and until when each bit is sent, counted from the start.
    edges : ndarray of int64, shape (2 N,), fs
        The strobe's as they are sent, counted likewise.
    ahead : ndarray of int64, shape (lanes,), fs
        When the last bit of the frame before came out.
    room : ndarray of int64, shape (2, 2 N)
        Room to work in.
    """
    bits = law.bits
    came, jitter = room[0], room[1]
    send(law, start, draws, place, constant, at, edges, room)
    passed, st.strobe = cross_clock(
        came, 2 * bits, unit.strobe, unit.strobe_distortion, jitter, unit.return_pulse, st.strobe
    )
    if passed < 2 * bits:
        return True
    last = EDGES + law.lanes * bits + 2 * bits
    for lane in range(law.lanes):
        delay, longer = lanes[lane], distortions[lane]
        valid, until = ahead[lane], ahead[lane]
        off = draw(draws, place, constant, EDGES + lane * bits, at)
        for bit in range(bits):
            valid = valid_at_host(start + captured[bit], delay, longer, off, valid)
            column = EDGES + lane * bits + bit + 1 if bit + 1 < bits else last + lane
            off = draw(draws, place, constant, column, at)
            until = valid_until_at_host(start + ends[bit], delay, longer, off, until)
            if taken_wrong(came[2 * bit], valid, until):
                return True
    return False
