from __future__ import annotations

import numpy as np
import pytest

from simlink.link import converter, fifo, host
from simlink.link.fifo import WhenFull


def test_the_sample_is_taken_at_the_aperture():
    assert converter.samples_at(1010, -3) == 1007
    assert converter.ready_at(np.array([10, 20]), np.array([5, 6])).tolist() == [15, 26]


@pytest.mark.parametrize(("arrival", "taken"), [(509, False), (510, True), (511, True)])
def test_a_trigger_is_taken_from_the_last_falling_edge_on(arrival, taken):
    assert converter.accepts(arrival, 510) == taken


@pytest.mark.parametrize(("arrival", "short"), [(509, True), (510, False)])
def test_an_acquisition_is_short_before_its_end(arrival, short):
    assert converter.short_acquisition(arrival, 425, 85) == short


def test_releases_wait_for_the_one_ahead():
    found = fifo.releases_at(np.array([100, 200, 300]), 6, np.array([0, 250, 306]))
    assert found.tolist() == [106, 250, 306]


def test_a_credit_takes_one_crossing():
    assert fifo.credit_at(3366, 10) == 3376


@pytest.mark.parametrize("policy", WhenFull)
def test_policies_go_by_their_words(policy):
    assert WhenFull.of(policy.name.lower()) is policy


def test_a_read_starts_a_latency_after_its_service():
    assert host.reads_from(1306, 100) == 1406


def test_the_earliest_start_finds_every_bit_there_and_none_earlier_does():
    """Bits of two lanes pushed at 100, 120, 160 and 101, 130, 140, taken 5, 15, 25 on.

    The third bit of lane 0 decides: 160 - 25 = 135.
    """
    pushed = np.array([[100, 120, 160], [101, 130, 140]])
    offsets = np.array([5, 15, 25])
    start = int(host.earliest_start(pushed, offsets))
    assert start == 135
    assert (start + offsets >= pushed).all()
    assert not (start - 1 + offsets >= pushed).all()
