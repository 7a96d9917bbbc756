"""The record that a host holds, with one word lost, as computed by hand."""

import math

import numpy as np
import pytest

from simlink.analog.record import held, placed
from simlink.analog.sine_fit import three
from simlink.records import Fate

_N = 65_536
_F = 6007 / _N
_K = 20_011
_TONE = np.cos(2 * math.pi * _F * np.arange(_N) + 0.4)


def _there(*lost: int) -> np.ndarray:
    found = np.arange(_N)
    found[list(lost)] = -1
    return found


def test_repeated_the_lost_word_is_wrong_by_one_step() -> None:
    record = held(_TONE, _there(_K), "repeat")
    assert (record.missing, record.of, record.gaps) == (1, _N, 1)
    wrong = _TONE[_K - 1] - _TONE[_K]
    # A fit of three parameters takes 3 / N of one wrong word with it.
    power = wrong**2 * (1 - 3 / _N) / _N
    assert three(record.values, _F).rms ** 2 == pytest.approx(power, rel=1e-6)


def test_zeroed_it_is_wrong_by_itself() -> None:
    record = held(_TONE, _there(_K), "zero")
    power = _TONE[_K] ** 2 * (1 - 3 / _N) / _N
    assert three(record.values, _F).rms ** 2 == pytest.approx(power, rel=1e-6)
    assert held(_TONE, _there(_K), "zero", zero=0.5).values[_K] == 0.5


def test_joined_the_phase_steps_by_one_sample() -> None:
    record = held(_TONE, _there(_K), "join")
    assert len(record.values) == _N - 1
    # Ahead of the step a share a of the tone, after it the rest, turned by 2 pi f:
    # |a + (1 - a) e^ix|^2 = 1 - 4 a (1 - a) sin^2(x / 2) of the power is left in the fit.
    a = _K / (_N - 1)
    power = 0.5 * 4 * a * (1 - a) * math.sin(math.pi * _F) ** 2
    assert three(record.values, _F).rms ** 2 == pytest.approx(power, rel=1e-3)


def test_cut_the_longest_whole_stretch_is_left() -> None:
    record = held(_TONE, _there(_K, _K + 1, 60_000), "cut")
    assert (record.missing, record.gaps) == (3, 2)
    assert len(record.values) == 60_000 - _K - 2
    assert np.array_equal(record.values, _TONE[_K + 2 : 60_000])
    assert three(record.values, _F).ratio > 200


@pytest.mark.parametrize("gaps", ["cut", "join", "repeat", "zero"])
def test_a_whole_record_stays_as_it_is(gaps: str) -> None:
    record = held(_TONE, _there(), gaps)
    assert np.array_equal(record.values, _TONE)
    assert (record.missing, record.gaps, record.spacing) == (0, 0, None)


def test_ends_that_are_missing() -> None:
    values = np.arange(6.0)
    there = np.array([-1, 1, 2, -1, 4, -1])
    assert held(values, there, "repeat").values.tolist() == [1, 1, 2, 2, 4, 4]
    assert held(values, there, "zero", 9.0).values.tolist() == [9, 1, 2, 9, 4, 9]
    assert held(values, there, "join").values.tolist() == [1, 2, 4]
    assert held(values, there, "cut").values.tolist() == [1, 2]
    assert held(values, there, "cut").gaps == 3
    assert len(held(values, np.full(6, -1), "cut").values) == 0


def test_gaps_that_come_regularly_have_a_spacing() -> None:
    assert held(_TONE, _there(100, 1100, 2100, 3100), "zero").spacing == 1000
    assert held(_TONE, _there(100, 1100), "zero").spacing is None


def test_what_waits_at_the_end_is_no_gap() -> None:
    fates = np.array(
        [Fate.DELIVERED, Fate.OVERRUN, Fate.CORRUPTED, Fate.DELIVERED, Fate.IN_FLIGHT],
        dtype=np.int8,
    )
    believed = np.array([0, -1, 2, 3, -1])
    none, failed = np.zeros(5, dtype=np.bool_), np.arange(5) == 2
    assert placed(fates, believed, failed).tolist() == [0, -1, -1, 3]
    # A wrong word of which nobody tells is one that the host has.
    assert placed(fates, believed, none).tolist() == [0, -1, 2, 3]
    assert placed(fates[-1:], believed[-1:], none[-1:]).tolist() == []
    assert placed(fates[:1], believed[:1], none[:1]).tolist() == [0]


def test_a_word_stands_where_the_host_takes_it_to_belong() -> None:
    """The second trigger was missed, and nobody told the host: what follows moves ahead."""
    fates = np.array([Fate.DELIVERED, Fate.MISSED_TRIGGER, *3 * [Fate.DELIVERED]], dtype=np.int8)
    none = np.zeros(5, dtype=np.bool_)
    assert placed(fates, np.array([0, -1, 1, 2, 4]), none).tolist() == [0, 2, 3, -1, 4]
    # A frame that answers no trigger is thrown away.
    assert placed(fates, np.array([0, -1, -1, 3, 4]), none).tolist() == [0, -1, -1, 3, 4]


def test_a_record_ends_with_a_word_that_moved_ahead() -> None:
    """Conversions 1 and 4 are lost and nobody is told: three words, one after another."""
    values = np.arange(6.0)
    for gaps in ("cut", "join", "repeat", "zero"):
        record = held(values, np.array([0, 2, 3, 5, -1, -1]), gaps)
        assert record.values.tolist() == [0, 2, 3, 5]
        assert (record.missing, record.of, record.gaps) == (2, 6, 0)
    # Breaks that come regularly have a spacing without a gap.
    moved = np.delete(np.arange(40), [10, 20, 30])
    assert held(np.arange(40.0), moved, "cut").spacing == 9
