from __future__ import annotations

import numpy as np

from simlink.base.draws import once
from simlink.link import unit
from tests.engines.chain import NS, chain

VARIED = {
    "trials": 6,
    "frame.lanes": 3,
    "trigger.tolerance": {"shape": "uniform", "low": "-50 ppm", "high": "50 ppm"},
    "remote_clock.tolerance": {"shape": "uniform", "low": "-1 %", "high": "1 %"},
    "barrier.forward.spread": {"shape": "uniform", "low": "0 ns", "high": "9 ns"},
    "barrier.return.spread": {"shape": "uniform", "low": "0 ns", "high": "9 ns"},
    "barrier.return.skew": {"shape": "uniform", "low": "0 ns", "high": "5 ns"},
    "converter.data_valid": {"shape": "uniform", "low": "0 ns", "high": "20 ns"},
}


def test_units_are_drawn_one_by_one_whatever_their_range():
    scenario = chain(VARIED)
    whole = unit.build(scenario, range(6))
    for trial in range(6):
        one = unit.build(scenario, range(trial, trial + 1))
        for name, values in vars(one).items():
            if isinstance(values, np.ndarray):
                assert np.array_equal(values[0], getattr(whole, name)[trial]), name
    assert len({tuple(row) for row in whole.lanes.tolist()}) == 6
    assert len(set(whole.readout.tolist())) == 6
    assert 0 < whole.wrong_later.any(axis=1).sum() < 6


def test_a_lane_has_the_delay_and_spread_of_its_unit_and_a_skew_of_its_own():
    scenario = chain(VARIED)
    found = unit.build(scenario, range(2, 3))
    back = scenario.barrier.direction("return")
    spread = once(back.spread, scenario.seed, 2, "barrier.return.spread")
    skews = (found.lanes[0] - 15 * NS - spread).tolist()
    assert all(0 <= skew <= 5 * NS for skew in skews)
    assert len(set(skews)) == 3


def test_fixed_skews_are_one_a_lane():
    scenario = chain({"frame.lanes": 2, "barrier.return.skew": ["-3 ns", "700 ps"]})
    assert unit.build(scenario, range(1)).lanes.tolist() == [[12 * NS, 15_700_000]]


def test_a_remote_timer_has_no_crossing_but_its_credits_have():
    found = unit.build(chain({"trigger.source": "remote"}), range(1))
    assert (found.forward.tolist(), found.credit.tolist()) == ([0], [10 * NS])


def test_the_readout_ends_with_the_last_falling_edge():
    assert unit.build(chain(), range(1)).readout.tolist() == [80 * NS]


def test_packets_are_those_of_the_style():
    assert unit.packets_of(chain()) is None
    changed = {
        "barrier.return.style": "packets",
        "barrier.return.packet_bits": 3,
        "barrier.line_rate": "100 Mbit/s",
    }
    assert [one.line_time for one in unit.packets_of(chain(changed))] == [30 * NS, 10 * NS]
