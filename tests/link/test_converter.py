"""The converter's rules at their boundaries and a femtosecond either side."""

from __future__ import annotations

import pytest

from simlink.link import converter


def test_the_sample_is_taken_at_the_aperture():
    assert converter.samples_at(1010, -3) == 1007
    assert converter.samples_at(1010, 3) == 1013


def test_busy_falls_a_conversion_time_after_the_trigger():
    assert converter.ready_at(1010, 200) == 1210


@pytest.mark.parametrize(("arrival", "taken"), [(509, False), (510, True), (511, True)])
def test_a_trigger_is_taken_from_the_last_falling_edge_on(arrival, taken):
    """The readout of the conversion before ends at 510; at that very instant it is free."""
    assert converter.accepts(arrival, 510) is taken


@pytest.mark.parametrize(("arrival", "short"), [(509, True), (510, False), (511, False)])
def test_an_acquisition_is_short_before_its_end(arrival, short):
    """Busy fell at 425, and 85 is what the sample takes to settle: from 510 on it has."""
    assert converter.short_acquisition(arrival, 425, 85) is short


@pytest.mark.parametrize(("rises", "shown"), [(1209, True), (1210, False), (1211, False)])
def test_busy_rises_only_before_it_falls(rises, shown):
    """It falls at 1210; a busy that would rise and fall at one instant does not show."""
    assert converter.shows_rise(rises, 1210) is shown


@pytest.mark.parametrize(("captured", "early"), [(1224, True), (1225, False), (1226, False)])
def test_a_bit_is_early_until_it_is_valid_and_set_up(captured, early):
    """Launched at 1210, valid 12 after, 3 of setup: from 1225 on it is captured right."""
    assert converter.captured_early(captured, 1210, 12, 3) is early


@pytest.mark.parametrize(("captured", "late"), [(1217, False), (1218, False), (1219, True)])
def test_a_bit_is_late_when_it_does_not_last_for_its_hold(captured, late):
    """Taken away at 1220 and kept for 2: gone after 1222. 4 of hold: captured by 1218."""
    assert converter.captured_past_hold(captured, 1220, 2, 4) is late
