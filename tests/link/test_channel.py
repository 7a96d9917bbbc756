"""A channel's delay, order, cut-off and shortest pulse, by hand; all in femtoseconds."""

from __future__ import annotations

import itertools
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from simlink.base.instants import NEVER
from simlink.link import channel
from simlink.scenario.distributions import Constant, Limits
from simlink.scenario.sections import Direction


@pytest.mark.parametrize(
    ("static", "jitter", "takes"),
    [(14, 0, 14), (14, 3, 17), (14, -3, 11), (14, -13, 1), (14, -14, 0), (14, -15, 0), (0, 0, 0)],
)
def test_no_symbol_arrives_before_it_was_sent(static, jitter, takes):
    """14 of delay and 13 less leave 1, 14 less leave nothing; 15 less would make it early."""
    assert channel.arrives_at(100, static, jitter, 0) == 100 + takes


@given(
    st.lists(st.tuples(st.integers(0, 9), st.integers(0, 5), st.integers(-9, 9)), min_size=1),
    st.integers(0, 30),
)
def test_symbols_that_follow_one_another_come_out_as_each_by_itself(symbols, ahead):
    """Gaps of 0 to 9 between them; a rule for one, and the same for many at once."""
    gaps, static, jitter = np.array(symbols).T
    sent, expected, before = np.cumsum(gaps), [], ahead
    for symbol in zip(sent.tolist(), static.tolist(), jitter.tolist(), strict=True):
        before = channel.arrives_at(*symbol, before)
        expected.append(before)
    assert channel.arrive_at(sent, static, jitter, ahead).tolist() == expected


@pytest.mark.parametrize(
    ("distortion", "takes"), [(0, 10), (3, 13), (-3, 7), (-9, 1), (-10, 0), (-11, 0)]
)
def test_a_falling_edge_takes_the_distortion_on_top(distortion, takes):
    """A rising edge takes 10."""
    assert channel.falling_delay(10, distortion) == takes


@pytest.mark.parametrize(
    ("crossing", "comes_to"),
    [(8, 9), (9, 9), (10, 10), (13, 13), (14, 14), (15, 14), (-99, 9), (99, 14)],
)
def test_a_crossing_is_held_within_its_limits(crossing, comes_to):
    """9 to 14, both included; of numbers, fractions and arrays alike."""
    assert channel.held(crossing, 9, 14) == comes_to
    assert channel.held(Fraction(crossing), 9, 14) == comes_to
    assert channel.held(np.array([crossing]), 9, 14).tolist() == [comes_to]


def way(*covers):
    """A direction whose delay lies within 9 to 14 fs."""
    limits = Limits(low=9, typical=11, high=14)
    zero = Constant(value=0)
    return Direction(limits, zero, zero, zero, zero, covers, zero, None)


SPREAD, SKEW, DISTORTION = "part_to_part_skew", "channel_skew", "pulse_width_distortion"


@pytest.mark.parametrize(
    ("covers", "spread", "skew", "distortion", "takes"),
    [
        # 12 and all that comes on top.
        ((), 3, 2, 1, 18),
        ((), -3, -2, -1, 6),
        # 12 and 2 are the limit, and one more is beyond.
        ((SPREAD,), 1, 0, 0, 13),
        ((SPREAD,), 2, 0, 0, 14),
        ((SPREAD,), 3, 0, 0, 14),
        ((SPREAD,), -3, 0, 0, 9),
        ((SPREAD,), -4, 0, 0, 9),
        # What is not covered comes on top of the limit.
        ((SPREAD,), 3, 2, 1, 17),
        ((SKEW,), 3, 2, 1, 18),
        ((SKEW,), 3, 5, 1, 18),
        ((DISTORTION,), 3, 2, 2, 19),
        ((DISTORTION,), 3, 2, 3, 19),
        # Together they are held, not each: 3 more and 2 less are 1 more.
        ((SPREAD, SKEW), 3, -2, 0, 13),
        ((SPREAD, SKEW, DISTORTION), 3, -2, 1, 14),
        ((SPREAD, SKEW, DISTORTION), 3, -2, 2, 14),
        ((SPREAD, SKEW, DISTORTION), 9, 9, -9, 14),
    ],
)
def test_what_the_limits_cover_is_held_within_them(covers, spread, skew, distortion, takes):
    """Of a delay of 12 in this unit."""
    assert channel.fixed_part(way(*covers), 12, spread, skew, distortion) == takes


SOME = st.integers(-9, 9)


@given(st.integers(9, 14), SOME, SOME, SOME, SOME)
def test_two_channels_differ_by_no_more_than_skew_and_limits(delay, spread, a, b, distortion):
    all_covered = way(SPREAD, SKEW, DISTORTION)
    one, other = (channel.fixed_part(all_covered, delay, spread, skew) for skew in (a, b))
    assert abs(one - other) <= min(abs(a - b), 14 - 9)
    assert (one - other) * (a - b) >= 0
    falling = channel.fixed_part(all_covered, delay, spread, a, distortion)
    assert abs(falling - one) <= min(abs(distortion), 14 - 9)
    assert (falling - one) * distortion >= 0


@pytest.mark.parametrize(
    ("jitter", "ahead", "arrives"),
    [
        (0, NEVER, 1014),
        (3, NEVER, 1017),
        (-3, NEVER, 1011),
        # The one ahead came out just before, at the same instant, and just after.
        (-3, 1010, 1011),
        (-3, 1011, 1011),
        (-3, 1012, 1012),
        # Cut off where it was sent, and still behind the one ahead.
        (-13, NEVER, 1001),
        (-14, NEVER, 1000),
        (-15, NEVER, 1000),
        (-15, 1000, 1000),
        (-15, 1001, 1001),
    ],
)
def test_a_symbol_is_delayed_and_overtakes_none(jitter, ahead, arrives):
    """Sent at 1000 through 14 of delay."""
    assert channel.arrives_at(1000, 14, jitter, ahead) == arrives


def test_a_credit_takes_one_crossing():
    """A slot freed at 3366, 10 across: no jitter, and nothing ahead of it."""
    assert channel.arrives_at(3366, 10, 0, NEVER) == 3376


@given(st.lists(st.tuples(st.integers(0, 10**9), st.integers(-(10**9), 10**9))), st.integers())
def test_symbols_keep_their_order_and_are_delayed_no_more_than_that_takes(symbols, ahead):
    """Each comes out at the latest of what it and all before it would have taken alone."""
    came_out = latest = ahead
    for sent, jitter in symbols:
        came_out = channel.arrives_at(sent, 10**6, jitter, came_out)
        latest = max(latest, sent, sent + 10**6 + jitter)
        assert came_out == latest


@pytest.mark.parametrize(
    ("edges", "passed"),
    [
        ([], []),
        # A single high pulse one longer than the shortest that passes, that one, one shorter.
        ([0, 11], [0, 11]),
        ([0, 10], [0, 10]),
        ([0, 9], []),
        # The same among others.
        ([0, 10, 20, 31, 41, 51], [0, 10, 20, 31, 41, 51]),
        ([0, 10, 20, 30, 40, 50], [0, 10, 20, 30, 40, 50]),
        ([0, 10, 20, 29, 40, 50], [0, 10, 40, 50]),
        # A low pulse that is too short joins the two high ones beside it.
        ([0, 10, 20, 30], [0, 10, 20, 30]),
        ([0, 10, 19, 30], [0, 30]),
        ([0, 10, 19, 29, 38, 48], [0, 48]),
        # Runs of short pulses: 5 up, 5 down. Each high one is gone before the next comes.
        ([0, 5, 10, 15, 20, 25], []),
        # Then 0 to 5 is gone, and 10 to 25 stands: its gap of 3 is too short to be seen.
        ([0, 5, 10, 20, 23, 25], [10, 25]),
        # A short one at the end, high and low.
        ([0, 10, 20, 30, 40, 49], [0, 10, 20, 30]),
        ([0, 10, 20, 30, 39, 49], [0, 10, 20, 49]),
        ([0, 10, 19, 20], [0, 20]),
        # A short low pulse (10 to 19) is gone; from 0 on the line is then high until 22.
        ([0, 10, 19, 22, 40, 60], [0, 22, 40, 60]),
        # The low pulse is judged from the edge that passed: 30 - 10, though 30 - 22 is short.
        ([0, 10, 20, 22, 30, 40], [0, 10, 30, 40]),
        # Edges of the same instant.
        ([0, 10, 10, 20], [0, 20]),
        ([7, 7], []),
    ],
)
def test_a_channel_swallows_pulses_shorter_than_10(edges, passed):
    """Rising, falling, rising, ... of a line that idles low; each pulse goes with both edges."""
    line = [*edges]
    assert line[: channel.surviving(line, len(line), 10)] == passed


def test_a_channel_without_a_shortest_pulse_passes_all():
    line = [0, 0, 1, 1]
    assert channel.surviving(line, 4, 0) == 4
    assert line == [0, 0, 1, 1]


def test_no_more_edges_are_judged_than_are_asked_for():
    line = [0, 20, 40, 60, 80, 81]
    assert channel.surviving(line, 4, 10) == 4
    assert line == [0, 20, 40, 60, 80, 81]


@given(st.lists(st.integers(0, 30), max_size=20), st.integers(0, 20))
def test_what_a_channel_passes_has_no_short_pulse(widths, shortest):
    """Pulses are at least as long as the shortest, whole, and of the edges that went in."""
    edges = [sum(widths[: end + 1]) for end in range(len(widths) // 2 * 2)]
    line = [*edges]
    passed = line[: channel.surviving(line, len(line), shortest)]
    assert len(passed) % 2 == 0
    assert set(passed) <= set(edges)
    assert all(b - a >= shortest for a, b in itertools.pairwise(passed))
