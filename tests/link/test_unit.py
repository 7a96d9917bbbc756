"""What a unit is built of: drawn, added up and judged bit by bit."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from simlink.base.draws import once
from simlink.link import unit
from tests.engines.chain import NS, chain


def between(low, high, of="ns"):
    return {"shape": "uniform", "low": f"{low} {of}", "high": f"{high} {of}"}


VARIED = {
    "trials": 6,
    "frame.lanes": 3,
    "trigger.tolerance": between(-50, 50, "ppm"),
    "remote_clock.tolerance": between(-1, 1, "%"),
    "remote_clock.setup": between(0, 3),
    "remote_clock.hold": between(1, 2),
    "barrier.forward.part_to_part_skew": between(0, 9),
    "barrier.forward.channel_skew": between(0, 4),
    "barrier.forward.min_pulse": between(1, 2),
    "barrier.forward.pulse_width_distortion": between(-2, 2),
    "barrier.return.part_to_part_skew": between(0, 9),
    "barrier.return.channel_skew": between(0, 5),
    "barrier.return.pulse_width_distortion": between(-1, 1),
    "converter.msb_valid": between(2, 3),
    "converter.data_valid": between(0, 20),
    "converter.data_hold": between(1, 3),
    "converter.acquisition_time": {"shape": "exponential", "mean": "3 ns"},
    "converter.min_clock_period": between(12, 15),
    "converter.min_clock_high": between(4, 5),
    "converter.min_clock_low": between(5, 6),
    "host.setup": between(1, 2),
    "host.hold": {"shape": "gamma", "mean": "5 ns", "sigma": "7 ns"},
}
SHARED = ("host_rising", "host_falling", "host_captured")


@given(st.integers(0, 40), st.integers(0, 5))
def test_units_are_drawn_one_by_one_whatever_their_range(first, count):
    scenario = chain(VARIED)
    whole = unit.build(scenario, range(first, first + count))
    assert whole.trials == range(first, first + count)
    for row in range(count):
        one = unit.build(scenario, range(first + row, first + row + 1))
        for name, values in vars(one).items():
            if name in SHARED:
                assert np.array_equal(values, getattr(whole, name)), name
            elif isinstance(values, np.ndarray):
                assert np.array_equal(values[0], getattr(whole, name)[row]), name


def test_no_two_units_are_alike():
    found = unit.build(chain(VARIED), range(6))
    assert len({tuple(row) for row in found.lanes.tolist()}) == 6
    assert len(set(found.readout.tolist())) == 6
    assert 0 < found.wrong_later.any(axis=1).sum() < 6


def test_every_value_is_the_one_drawn_from_its_own_source():
    scenario = chain(VARIED)
    found = unit.build(scenario, range(2, 3))
    forward, back = (scenario.barrier.direction(name) for name in ("forward", "return"))
    sources = {
        "trigger_tolerance": {"trigger.tolerance": scenario.trigger.tolerance},
        "remote_tolerance": {"remote_clock.tolerance": scenario.remote_clock.tolerance},
        "remote_setup": {"remote_clock.setup": scenario.remote_clock.setup},
        "remote_hold": {"remote_clock.hold": scenario.remote_clock.hold},
        "host_setup": {"host.setup": scenario.host.setup},
        "host_hold": {"host.hold": scenario.host.hold},
        "msb_valid": {"converter.msb_valid": scenario.converter.msb_valid},
        "data_valid": {"converter.data_valid": scenario.converter.data_valid},
        "data_hold": {"converter.data_hold": scenario.converter.data_hold},
        "acquisition_time": {"converter.acquisition_time": scenario.converter.acquisition_time},
        "clock_distortion": {
            "barrier.forward.pulse_width_distortion": forward.pulse_width_distortion
        },
        "forward_pulse": {"barrier.forward.min_pulse": forward.min_pulse},
        "return_pulse": {"barrier.return.min_pulse": back.min_pulse},
    }
    for name in ("min_clock_period", "min_clock_high", "min_clock_low"):
        sources[name] = {f"converter.{name}": getattr(scenario.converter, name)}
    distortion = {"barrier.return.pulse_width_distortion": back.pulse_width_distortion}
    sources |= {f"{name}_distortion": distortion for name in ("returned", "busy", "strobe")}
    out = {
        "barrier.forward.delay": forward.delay,
        "barrier.forward.spread": forward.part_to_part_skew,
    }
    home = {
        "barrier.return.delay": back.delay,
        "barrier.return.spread": back.part_to_part_skew,
    }
    sources |= {
        # The trigger's own channel is the reference of the forward direction.
        "forward": out,
        "credit": out,
        "clock": out | {"barrier.forward.skew clock": forward.channel_skew},
        "returned": home | {"barrier.return.skew clock": back.channel_skew},
        "busy": home | {"barrier.return.skew busy": back.channel_skew},
        "strobe": home | {"barrier.return.skew strobe": back.channel_skew},
    }
    for name, laws in sources.items():
        drawn = [once(law, scenario.seed, 2, source) for source, law in laws.items()]
        assert getattr(found, name).tolist() == [sum(drawn)], name
    assert set(sources) | {"readout"} == set(unit.UNIT.names)
    for lane in range(3):
        laws = home | {f"barrier.return.skew lane {lane}": back.channel_skew}
        drawn = [once(law, scenario.seed, 2, source) for source, law in laws.items()]
        assert found.lanes[0, lane] == sum(drawn)
        (longer,) = (once(law, scenario.seed, 2, source) for source, law in distortion.items())
        assert found.lane_distortions[0, lane] == longer


def test_fixed_values_by_hand():
    """Forward 10 ns and 1 of spread, return 15 and 2; skews of 3 and 4 on all but the trigger."""
    changed = {
        "frame.lanes": 2,
        "barrier.forward.part_to_part_skew": "1 ns",
        "barrier.forward.channel_skew": {"shape": "constant", "value": "3 ns"},
        "barrier.return.part_to_part_skew": "2 ns",
        "barrier.return.channel_skew": {"shape": "constant", "value": "4 ns"},
    }
    found = unit.build(chain(changed), range(2))
    crossings = {"forward": 11, "credit": 11, "clock": 14, "returned": 21, "busy": 21, "strobe": 21}
    for name, takes in crossings.items():
        assert getattr(found, name).tolist() == [takes * NS] * 2, name
    assert found.lanes.tolist() == [[21 * NS, 21 * NS]] * 2


COVERED = {
    "frame.lanes": 2,
    "barrier.delay_covers": ["part_to_part_skew", "channel_skew", "pulse_width_distortion"],
    "barrier.forward.delay": between(9, 14),
    "barrier.return.delay": between(9, 14),
    "barrier.forward.part_to_part_skew": between(-4, 4),
    "barrier.return.part_to_part_skew": between(-4, 4),
    "barrier.channel_skew": "3 ns",
    "barrier.pulse_width_distortion": between(-2, 2),
}


def test_what_the_limits_of_a_delay_cover_is_held_within_them():
    """Channel by channel and edge by edge, of the same draws; some meet a limit, some do not."""
    held, free = (
        unit.build(chain(COVERED | {"barrier.delay_covers": covers}), range(40))
        for covers in (COVERED["barrier.delay_covers"], [])
    )

    def within(times):
        return np.clip(times, 9 * NS, 14 * NS)

    for name in ("forward", "credit", "clock", "returned", "busy", "lanes"):
        mine, theirs = getattr(held, name), getattr(free, name)
        assert np.array_equal(mine, within(theirs)), name
        assert 0 < (mine != theirs).sum() < mine.size, name
        longer = {"lanes": "lane_distortions"}.get(name, f"{name}_distortion")
        if hasattr(free, longer):
            falling = within(theirs + getattr(free, longer))
            assert np.array_equal(getattr(held, longer), falling - mine), name


def test_the_limits_of_one_direction_are_no_matter_of_the_other():
    changed = {"barrier.delay_covers": None, "barrier.return.delay_covers": ["part_to_part_skew"]}
    found = unit.build(chain(COVERED | changed), range(40))
    free = unit.build(chain(COVERED | {"barrier.delay_covers": []}), range(40))
    for name in ("forward", "credit", "clock", "clock_distortion"):
        assert np.array_equal(getattr(found, name), getattr(free, name))
    # The skew comes on top of the limit.
    assert 14 * NS < found.lanes.max() <= 17 * NS
    assert np.array_equal(found.lane_distortions, free.lane_distortions)


def test_a_plain_skew_is_shared_out_among_the_channels():
    """Each has from none to all of 3 ns of its own; the trigger is what skew is counted from."""
    shared, given = (
        unit.build(
            chain({"frame.lanes": 3, "trials": 200, "barrier.channel_skew": skew}), range(200)
        )
        for skew in ("3 ns", between(0, 3))
    )
    for name in ("forward", "clock", "returned", "busy", "lanes"):
        assert np.array_equal(getattr(shared, name), getattr(given, name)), name
    assert (shared.forward == 10 * NS).all()
    back = np.column_stack([shared.lanes, shared.returned, shared.busy])
    assert back.min() >= 15 * NS
    assert back.max() <= 18 * NS
    assert len(set(back.ravel().tolist())) == back.size
    # The mean of 1000 uniform draws: half of 3 ns, within four standard errors.
    error = 3 * NS / np.sqrt(12 * back.size)
    assert abs(back.mean() - 16.5 * NS) < 4 * error
    less = unit.build(chain({"barrier.return.channel_skew": "-3 ns"}), range(50)).lanes
    assert 12 * NS <= less.min() < less.max() <= 15 * NS


def test_long_delays_are_exact():
    """Of more femtoseconds than a float64 tells apart."""
    exact = 2**53 + 1
    changed = {"barrier.forward.delay": f"{exact} fs", "barrier.return.channel_skew": ["0 ns"]}
    changed["barrier.return.delay"] = f"{exact + 2} fs"
    found = unit.build(chain(changed), range(1))
    for name in ("forward", "credit", "clock"):
        assert getattr(found, name).tolist() == [exact], name
    for name in ("returned", "busy"):
        assert getattr(found, name).tolist() == [exact + 2], name


def test_a_list_of_skews_names_the_lanes_alone():
    changed = {"frame.lanes": 2, "barrier.return.channel_skew": ["-3 ns", "700 ps"]}
    found = unit.build(chain(changed), range(1))
    assert found.lanes.tolist() == [[12 * NS, 15_700_000]]
    assert (found.returned.tolist(), found.busy.tolist()) == ([15 * NS], [15 * NS])


def test_a_remote_timer_has_no_forward_crossing_but_its_credits_have():
    changed = {"trigger.source": "remote", "barrier.forward.part_to_part_skew": between(1, 9)}
    found = unit.build(chain(changed), range(3))
    assert found.forward.tolist() == [0, 0, 0]
    host = unit.build(chain(changed | {"trigger.source": "host"}), range(3))
    assert found.credit.tolist() == host.credit.tolist() == host.forward.tolist()
    assert (host.forward > 11 * NS).all()


def test_the_edges_of_both_clocks_by_hand():
    """50 MHz remotely, 25 MHz at the host, 4 bits; the readout ends with the last falling edge."""
    found = unit.build(chain(), range(2))
    assert found.rising.tolist() == [[one * NS for one in (10, 30, 50, 70)]] * 2
    assert found.falling.tolist() == [[one * NS for one in (20, 40, 60, 80)]] * 2
    assert found.captured.tolist() == found.rising.tolist()
    assert found.readout.tolist() == [80 * NS] * 2
    assert found.host_rising.tolist() == [one * NS for one in (20, 60, 100, 140)]
    assert found.host_falling.tolist() == [one * NS for one in (40, 80, 120, 160)]
    assert found.host_captured.tolist() == found.host_rising.tolist()


def test_captures_are_as_late_as_asked_for():
    changed = {"remote_clock.capture": "whole", "host.capture": "whole"}
    found = unit.build(chain(changed), range(1))
    assert found.captured.tolist() == found.falling.tolist()
    assert found.host_captured.tolist() == found.host_falling.tolist()


def test_a_trained_delay_counts_from_the_launching_edges():
    trained = {"link.scheme": "forwarded_clock", "host.capture": "7 ns"}
    found = unit.build(chain(trained), range(1))
    assert found.host_captured.tolist() == [one * NS for one in (7, 47, 87, 127)]


def test_edges_stretch_with_the_clocks_tolerance():
    """10 % fast: a period of 20 / 1.1 = 18.18 ns; 10 % slow: of 22.22 ns. Each rounded once."""
    for tolerance, falling in (
        ("10 %", [18_181_818, 36_363_636, 54_545_455, 72_727_273]),
        ("-10 %", [22_222_222, 44_444_444, 66_666_667, 88_888_889]),
    ):
        found = unit.build(chain({"remote_clock.tolerance": tolerance}), range(1))
        assert found.falling.tolist() == [falling]
        assert found.readout.tolist() == falling[-1:]
    some = unit.build(chain({"remote_clock.tolerance": between(-1, 1, "%")}), range(3))
    for row, tolerance in enumerate(some.remote_tolerance.tolist()):
        assert abs(some.readout[row] * (1 + tolerance / 1e12) - 80 * NS) < 1


def flags(changed):
    found = unit.build(chain(changed), range(1))
    return found.wrong_later.tolist()[0], found.past_hold.tolist()[0]


@pytest.mark.parametrize(("capture", "room"), [("half", 10), ("whole", 20)])
@pytest.mark.parametrize(("more", "early"), [(-1, False), (0, False), (1, True)])
def test_later_bits_have_from_their_launch_to_their_capture(capture, room, more, early):
    """Bit 0, launched by no edge, is judged by its frame. 3 ns of setup, all but it for valid."""
    changed = {
        "remote_clock.capture": capture,
        "remote_clock.setup": "3 ns",
        "converter.data_valid": f"{(room - 3) * NS + more} fs",
        "converter.msb_valid": "0 ns",
    }
    assert flags(changed) == ([False, early, early, early], [False] * 4)


@pytest.mark.parametrize(("more", "late"), [(-1, False), (0, False), (1, True)])
def test_a_bit_is_kept_from_its_capture_to_the_next_launch_and_its_hold(recording, more, late):
    """Half a period of 10 ns and 2 of hold are 12, for every bit.

    A hold that is always broken is refused, so that here it is broken in this unit alone.
    """
    needed = 12 * NS + more
    changed = {
        "remote_clock.hold": recording([needed, 0], "fs"),
        "converter.data_hold": "2 ns",
    }
    assert flags(changed) == ([late] * 4, [late] * 4)


def test_a_bit_may_be_early_or_past_its_hold(recording):
    """Early alone is no matter of hold; bit 0 is past its hold and never early here."""
    late = {"remote_clock.hold": recording([13 * NS, 0], "fs"), "converter.data_hold": "2 ns"}
    early = {"converter.data_valid": "11 ns"}
    assert flags(early) == ([False, True, True, True], [False] * 4)
    assert flags(late | early) == ([True] * 4, [True] * 4)


def test_units_are_judged_each_by_its_own_values():
    """Valid within 10 ns, or not."""
    found = unit.build(chain({"converter.data_valid": between(0, 20)}), range(20))
    wrong = (found.data_valid > 10 * NS).tolist()
    assert found.wrong_later.tolist() == [[False, one, one, one] for one in wrong]
    assert len(set(wrong)) == 2


def test_no_units_are_built_of_an_empty_range():
    found = unit.build(chain(VARIED), range(3, 3))
    assert found.lanes.shape == (0, 3)
    assert found.captured.shape == found.wrong_later.shape == (0, 4)
    assert found.rising.dtype == found.falling.dtype == np.int64


def test_a_unit_has_no_other_values():
    found = unit.build(chain(), range(1))
    with pytest.raises(AttributeError, match="a unit has no 'delay'"):
        _ = found.delay
