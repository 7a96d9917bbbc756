from __future__ import annotations

from simlink.link import content
from simlink.link.content import BitOutcome
from tests.engines.chain import chain

TWO = {"frame.lanes": 2, "frame.words_per_lane": 3, "frame.word_bits": 5}
R, P, N, M = BitOutcome.RIGHT, BitOutcome.PREVIOUS, BitOutcome.NEXT, BitOutcome.METASTABLE


def test_a_counter_counts_words_over_lanes_and_conversions():
    """2 lanes of 3 words: conversion 1, lane 1, position 2 is word 6 + 3 + 2 = 11 of any trial."""
    scenario = chain(TWO | {"frame.content": "counter"})
    assert content.word(scenario, 0, 1, 1, 2) == 11
    assert content.word(scenario, 7, 1, 1, 2) == 11
    assert content.word(scenario, 0, 0, 0, 1) == 1
    # Word 6 * 5 + 3 = 33 in 5 bits starts again at 1, and word 31 is the largest.
    assert content.word(scenario, 0, 5, 1, 0) == 1
    assert content.word(scenario, 0, 5, 0, 1) == 31


def test_random_words_differ_by_seed_trial_and_place():
    """Of 60 bits, so that chance alone would hardly make two equal."""
    changed = {"frame.content": "random", "frame.word_bits": 60, "frame.lanes": 2}
    one, other = chain(changed), chain(changed | {"seed": 2})
    places = [(trial, k, lane, 0) for trial in (0, 1) for k in (0, 1) for lane in (0, 1)]
    found = {content.word(scenario, *place) for scenario in (one, other) for place in places}
    assert len(found) == 16
    assert max(found) < 2**60
    bits = content.lane_bits(other, 1, 0, 1)
    assert content.values(bits, 60) == [content.word(other, 1, 0, 1, 0)]


def test_the_spreading_of_numbers_is_splitmix64():
    """First three outputs of the generator seeded 0 and 1234567 (its authors' reference code;
    the values from memory). Output k is the finaliser of seed + k * gamma."""
    gamma = 0x9E3779B97F4A7C15
    first = [content.mixed(step * gamma % 2**64) for step in range(3)]
    assert first == [0xE220A8397B1DCDAF, 0x6E789E6AA1B965F4, 0x06C45D188009454F]
    assert content.mixed(1234567) == 6457827717110365317


def test_bits_are_on_the_line_most_significant_first():
    """Lane 1 of conversion 1: words 9, 10 and 11."""
    scenario = chain(TWO | {"frame.content": "counter"})
    bits = content.lane_bits(scenario, 0, 1, 1)
    assert bits == [0, 1, 0, 0, 1, 0, 1, 0, 1, 0, 0, 1, 0, 1, 1]
    assert content.values(bits, 5) == [9, 10, 11]


def test_a_wrong_bit_is_its_neighbour_or_the_opposite():
    """Sent 1 0 1 1: outside a frame the line is 0."""
    sent = [1, 0, 1, 1]
    assert content.received(sent, {}) == sent
    assert content.received(sent, dict(enumerate([R] * 4))) == sent
    assert content.received(sent, dict(enumerate([P] * 4))) == [0, 1, 0, 1]
    assert content.received(sent, dict(enumerate([N] * 4))) == [0, 1, 1, 0]
    assert content.received(sent, dict(enumerate([M] * 4))) == [0, 1, 0, 0]
    assert content.received(sent, {2: P}) == [1, 0, 0, 1]
    assert content.received([0, 0, 1, 1, 0], {1: P}) == [0, 0, 1, 1, 0]


def test_a_host_reads_what_came_and_0_for_what_did_not():
    """Sent 1 0 1 1: the second is taken for its neighbour, the third comes inverted."""
    sent = [1, 0, 1, 1]
    assert content.read(sent, {}, (), 4) == sent
    assert content.read(sent, {1: P}, {2}, 4) == [1, 1, 0, 1]
    assert content.read(sent, {1: P}, {2}, 2) == [1, 1, 0, 0]
    # What is taken for the opposite of what came inverted is what was sent.
    assert content.read(sent, {0: M}, {0}, 4) == sent
    assert content.misread(sent, {1: P}, {2}, 4) == {1, 2}
    assert content.misread(sent, {1: P}, {2}, 2) == {1, 2, 3}
    assert content.misread(sent, {}, (), 0) == {0, 2, 3}
