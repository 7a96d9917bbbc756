"""The pulse and the bursts of IEC 61000-4-4 (figures from memory): 5 ns, 50 ns, 75, 15,000."""

import math

import pytest

from simlink.base.instants import FS_PER_SECOND
from simlink.link import eft
from simlink.link.common_mode import instants
from tests.engines.chain import chain

NS = 1e6


def crossing(level, low, high):
    """Return when the pulse passes a level between two instants, in fs."""
    rising = eft.voltage(low) < eft.voltage(high)
    while high - low > 1e-3:
        middle = (low + high) / 2
        if (eft.voltage(middle) < level) is rising:
            low = middle
        else:
            high = middle
    return low


def test_the_pulse_has_the_standard_s_rise_and_width():
    top = eft.PEAK_AT
    rise = crossing(0.9, 0, top) - crossing(0.1, 0, top)
    width = crossing(0.5, top, 1e9) - crossing(0.5, 0, top)
    assert rise == pytest.approx(5 * NS, rel=1e-6)
    assert width == pytest.approx(50 * NS, rel=1e-6)
    assert eft.voltage(top) == pytest.approx(1)
    assert eft.voltage(top) >= max(eft.voltage(top - NS / 10), eft.voltage(top + NS / 10))
    assert eft.voltage(0) == 0


def test_the_slope_is_that_of_the_voltage():
    for time in (0.5 * NS, 3 * NS, eft.PEAK_AT, 40 * NS, 200 * NS):
        step = 100.0
        difference = (eft.voltage(time + step) - eft.voltage(time - step)) / (2 * step)
        assert eft.slope(time) == pytest.approx(difference, rel=1e-4, abs=1e-15)


@pytest.mark.parametrize("volts", [500, 1000, 2000, 4000])
@pytest.mark.parametrize("share", [0.9, 0.3, 0.06, 0.05, 0.01])
def test_the_windows_are_where_it_slews_faster(volts, share):
    slew = share * eft.steepest(volts)
    windows = eft.above(volts, slew)
    fastest_fall = -eft.slope(eft.STEEPEST_FALL) / eft.slope(0)
    assert len(windows) == (2 if fastest_fall > share else 1)

    def faster(time):
        return abs(eft.slope(time)) * volts * FS_PER_SECOND > slew

    for start, end in windows:
        assert faster((start + end) / 2)
        assert faster(end - 1.5)
        assert not faster(end + 0.5)
        assert start == 0 or not faster(start - 1.5)
    assert windows[0][0] == 0


def test_what_is_not_faster_does_nothing():
    assert eft.above(1000, eft.steepest(1000)) == []
    assert eft.above(1000, eft.steepest(1000) * 2) == []
    assert math.isclose(eft.steepest(4000), 4000 * 0.363001759e9, rel_tol=1e-6)


@pytest.mark.parametrize(("repetition", "gap"), [("5 kHz", 200e9), ("100 kHz", 10e9)])
def test_bursts(repetition, gap):
    scenario = chain({"transient": [
        {"kind": "eft", "peak": "2 kV", "coupling": 0.05, "repetition": repetition, "start": "7 ms"}
    ]})  # fmt: skip
    given, times = instants(scenario, 0, 0), []
    while not times or times[-1] < 60 * FS_PER_SECOND + 7 * 10**12:
        times += next(given).tolist()
    minute = [one for one in times if one < 60 * FS_PER_SECOND + 7 * 10**12]
    assert len(minute) == 15_000
    assert times[0] == 7 * 10**12
    assert times[1] - times[0] == gap
    assert times[74] - times[0] == 74 * gap
    assert times[75] - times[0] == 300 * 10**12


def test_the_first_burst_comes_at_a_uniform_phase():
    scenario = chain({"trials": 400, "transient": [{"kind": "eft", "peak": "2 kV"}]})
    starts = [int(next(instants(scenario, 0, trial))[0]) for trial in range(400)]
    share = sum(starts) / len(starts) / eft.BURST_PERIOD
    assert max(starts) <= eft.BURST_PERIOD
    assert abs(share - 0.5) < 4 * math.sqrt(1 / 12 / 400)
