"""The pass map, worked by hand; what it simulates is beside the closed form in its picture."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest

from simlink.base.cautions import CAUTIONS
from simlink.base.errors import InputError
from simlink.studies import pass_map as maps
from simlink.studies.pass_map import PassMap, at, clock_key, pass_map, usual_axes
from tests.proofs.test_bounds import scenario

NS = 10**6
MHZ = 10**6


def test_the_map_as_json_holds_it():
    """Two clocks and one delay of 15 ns; the second clock is refused."""
    made = scenario(seed=7, title="Some link")
    found = PassMap(
        made, [Fraction(20 * MHZ), Fraction(40 * MHZ)], [15 * NS], np.array([[0.75], [np.nan]]),
        np.array([[8], [0]]), {(1, 0): "too fast"}, [Fraction(30 * MHZ)], [None],
        [Fraction(35 * MHZ)], [("hold",)],
    )  # fmt: skip
    assert found.to_dict() == {
        "title": "Some link",
        "scheme": "remote_master",
        "seed": 7,
        "clocks": [20e6, 40e6],
        "delays": [15e-9],
        "good_frames": [[0.75], [None]],
        "frames": [[8], [0]],
        "refused": [{"clock": 40e6, "delay": 15e-9, "why": "too fast"}],
        "highest_clock_worst": [30e6],
        "lowest_clock_worst": [None],
        "highest_clock_nominal": [35e6],
        "no_clock_keeps": [["hold"]],
        "cautions": CAUTIONS,
    }
    assert not found.interrupted
    table = found.to_pandas()
    assert (table.index.name, table.columns.name) == ("clock", "delay")
    assert (list(table.index), list(table.columns)) == ([20e6, 40e6], [15e-9])
    assert len(found.plot().collections[0].get_array().ravel()) == 2


@pytest.mark.parametrize(
    ("scheme", "key", "rate"),
    [
        # 200 and 8 bits at 20 MHz, 600 ns; 300 and 8 bits at 40 MHz; 4 crossings of 10 ns: a
        # quarter of 1 / (600 + 500 + 40) ns.
        ("remote_master", "remote_clock.frequency", 10**9 // (4 * 1140)),
        # 200, busy and clock across 5 each, as they are given, 300 and 8 bits at 20 MHz.
        ("returned_clock", "host.clock", 10**9 // (4 * (200 + 5 + 5 + 300 + 400 + 40))),
    ],
)
def test_a_point_takes_its_clock_and_its_delay_and_is_slow(scheme, key, rate):
    made = scenario(
        link__scheme=scheme, frame__word_bits=8, converter__conversion_time="200 ns",
        remote_clock__frequency="50 MHz", host__clock="40 MHz", host__service_latency="300 ns",
        barrier={"forward": {"delay": "5 ns"}, "return": {"delay": "5 ns"}},
    )  # fmt: skip
    assert clock_key(made) == key
    point = at(made, Fraction(20 * MHZ), 10 * NS)
    assert point.trigger.rate.value == rate
    clocks = (point.remote_clock.frequency.value, point.host.clock.value)
    assert clocks == ((20 * MHZ, 40 * MHZ) if scheme == "remote_master" else (50 * MHZ, 20 * MHZ))
    ways = [point.barrier.direction(way).delay.mean for way in ("forward", "return")]
    assert ways == [10 * NS, 10 * NS]


def test_the_usual_delays_begin_where_no_symbol_arrives_before_it_was_sent():
    """Spread from -2, jitter from -3 and skew from -1 ns: 6 at the least, up to twice 20 ns."""

    def upwards(low):
        return {"shape": "uniform", "low": f"{low} ns", "high": "4 ns"}

    back = {
        "delay": "20 ns",
        "part_to_part_skew": upwards(-2),
        "jitter": upwards(-3),
        "channel_skew": upwards(-1),
    }
    clocks, delays = usual_axes(scenario(barrier={"return": back}), 3)
    assert delays == [6 * NS, 23 * NS, 40 * NS]
    assert clocks[0] == Fraction(round(clocks[2] / 10))
    # Nothing comes too early where nothing falls below its delay.
    _, delays = usual_axes(
        scenario(barrier={"return": {"delay": "20 ns", "part_to_part_skew": upwards(2)}}), 2
    )
    assert delays == [0, 40 * NS]
    # What the delay covers takes nothing from it: the jitter and the skew alone.
    _, delays = usual_axes(
        scenario(barrier={"return": back | {"delay_covers": ["part_to_part_skew"]}}), 2
    )
    assert delays == [4 * NS, 40 * NS]
    # Where there is next to none, up to twice 5 ns.
    short = {"forward": {"delay": "1 ns"}, "return": {"delay": "2 ns"}}
    assert usual_axes(scenario(barrier=short), 2)[1] == [0, 10 * NS]


def test_a_delay_of_the_map_is_all_there_is_of_what_it_covers():
    """2 x 10 + 5 + 4 ns make half a period, whatever the spread; on top it would be 6 more."""
    way = {
        "delay": "9 ns",
        "part_to_part_skew": {"shape": "uniform", "low": "-3 ns", "high": "3 ns"},
    }
    made = scenario(
        link__scheme="forwarded_clock", converter__data_valid="5 ns", host__setup="4 ns",
        host__service_latency="300 ns",
        barrier={"forward": way, "return": way, "delay_covers": ["part_to_part_skew"]},
    )  # fmt: skip
    for covers, chain in ((["part_to_part_skew"], 29), ([], 35)):
        worst, _ = maps._window(made.with_value("barrier.delay_covers", covers), 10 * NS)
        assert worst.highest == Fraction(10**15, 2 * chain * NS)


def test_work_is_spread_by_the_conversions_of_all_points(monkeypatch):
    """2 clocks, 3 delays, 4 boards of 5 conversions."""
    asked = []

    def one(*given):
        asked.append(given)
        return 1

    monkeypatch.setattr(maps, "default_workers", one)
    done = []
    clocks, delays = [Fraction(20 * MHZ), Fraction(30 * MHZ)], [0, NS, 2 * NS]
    found = pass_map(scenario(), clocks, delays, trials=4, conversions=5, progress=done.append)
    assert asked == [("event", 120)]
    assert done == [3, 6]
    assert (found.clocks, found.delays) == (clocks, delays)
    assert found.frames.tolist() == [[20] * 3] * 2
    assert found.good.tolist() == [[1.0] * 3] * 2
    assert (found.refused, found.interrupted) == ({}, False)


def test_interrupted_it_holds_the_rows_that_were_finished():
    def stop(done):
        raise KeyboardInterrupt

    clocks = [Fraction(20 * MHZ), Fraction(30 * MHZ)]
    found = pass_map(scenario(), clocks, [0], trials=1, conversions=2, workers=1, progress=stop)
    assert found.interrupted
    assert found.good[0, 0] == 1
    assert np.isnan(found.good[1, 0])


def test_a_map_of_refused_points_alone_says_why_the_first_was():
    early = {
        "delay": "5 ns",
        "part_to_part_skew": {"shape": "uniform", "low": "-4 ns", "high": "0 ns"},
    }
    made = scenario(barrier={"return": early})
    with pytest.raises(
        InputError, match=r"^pass map: no point can be simulated: .*part-to-part skew"
    ):
        pass_map(made, [Fraction(20 * MHZ)], [NS], trials=1, conversions=1)
