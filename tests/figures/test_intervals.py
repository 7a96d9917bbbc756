"""Confidence intervals, against published values and against their own promise."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from simlink.figures import intervals


def test_the_interval_of_a_proportion_is_the_published_one():
    """4 of 20 at 90 %: (0.071354, 0.401029). NIST/SEMATECH e-Handbook 7.2.4.2."""
    low, high = intervals.clopper_pearson(4, 20, 0.90)
    assert low == pytest.approx(0.071354, abs=2e-6)
    assert high == pytest.approx(0.401029, abs=2e-6)


def test_zero_events_give_a_bound_and_the_rule_of_three():
    """0 of 1500, 95 % one-sided: 0.0019952; rule of three 0.002 (textbook)."""
    bound = intervals.nothing_seen(1500)
    assert bound == pytest.approx(0.0019952, abs=1e-6)
    assert bound == pytest.approx(3 / 1500, rel=0.003)
    assert (1 - bound) ** 1500 == pytest.approx(0.05, rel=1e-9)


@pytest.mark.parametrize(("count", "ends"), [(0, (0.0, None)), (20, (None, 1.0))])
def test_a_proportion_at_an_end_keeps_to_it(count, ends):
    found = intervals.clopper_pearson(count, 20)
    for one, end in zip(found, ends, strict=True):
        assert 0 < one < 1 if end is None else one == end


@pytest.mark.parametrize("of", [5, 20, 60])
@pytest.mark.parametrize("p", [0.01, 0.2, 0.5, 0.9])
def test_the_interval_of_a_proportion_covers_at_least_what_it_says(of, p):
    """Summed over every count: the exact interval never covers less (Clopper and Pearson, 1934)."""
    covered = 0.0
    for count in range(of + 1):
        low, high = intervals.clopper_pearson(count, of, 0.9)
        if low <= p <= high:
            covered += stats.binom.pmf(count, of, p)
    assert covered >= 0.9


def test_the_interval_of_a_mean_is_students():
    """1, 2, 3: 2 +- t sigma / sqrt(3) = 2 +- 4.302653 x 0.5773503 (t tables, 2 degrees)."""
    low, high = intervals.mean([1, 2, 3])
    assert low == pytest.approx(2 - 2.4841377, abs=1e-6)
    assert high == pytest.approx(2 + 2.4841377, abs=1e-6)


@pytest.mark.parametrize("values", [[], [1.0]])
def test_fewer_than_two_values_support_no_interval_of_a_mean(values):
    assert intervals.mean(values) == (None, None)


def test_no_event_in_any_trial_is_bounded_by_trials_not_by_words():
    """Ten trials of a million words: the bound is that of ten tries."""
    low, high = intervals.share([0] * 10, [10**6] * 10)
    assert low == 0.0
    assert high == intervals.nothing_seen(10)
    assert intervals.share([7] * 10, [7] * 10) == (1 - high, 1.0)


def test_one_trial_with_events_gives_no_interval():
    assert intervals.share([3], [100]) == (None, None)
    assert intervals.share([], []) == (None, None)
    assert intervals.share([0, 0], [0, 0]) == (None, None)


def test_clustered_events_widen_the_interval():
    """100 of 2000, spread evenly, and the same number in two of twenty trials."""
    even = intervals.share([5] * 20, [100] * 20)
    lumped = intervals.share([50, 50] + [0] * 18, [100] * 20)
    assert even == intervals.clopper_pearson(100, 2000)
    assert lumped[0] < even[0] < 0.05 < even[1] < lumped[1]
    assert lumped[1] - lumped[0] > 3 * (even[1] - even[0])


@pytest.mark.parametrize("clustered", [False, True])
def test_the_interval_of_a_share_covers_about_what_it_says(clustered):
    """1000 runs of 30 trials of 200 words; the share of a trial is drawn if they are clustered.

    The count of runs that are covered is binomial. Korn and Graubard's interval is conservative
    (Survey Methodology 24, 1998, from memory), so only falling short is a fault: 4 standard
    errors below 95 % at the least. A binomial interval over words would cover about half.
    """
    rng = np.random.default_rng(31)
    runs, covered, naive = 1000, 0, 0
    for _ in range(runs):
        share = rng.beta(2, 38, 30) if clustered else np.full(30, 0.05)
        counts = rng.binomial(200, share)
        low, high = intervals.share(counts, [200] * 30)
        covered += low <= 0.05 <= high
        low, high = intervals.clopper_pearson(int(counts.sum()), 6000)
        naive += low <= 0.05 <= high
    least = 0.95 - 4 * math.sqrt(0.95 * 0.05 / runs)
    assert covered / runs > least
    assert (naive / runs > least) != clustered


def test_the_reach_of_a_rank_is_that_of_a_mean_of_trials():
    """Trials of one size: the rank's interval is Student's of the trials' own shares.

    Woodruff, J. Am. Stat. Assoc. 47, 1952 (from memory); derived for equal sizes.
    """
    below, of = np.array([40.0, 55.0, 52.0, 61.0]), np.full(4, 100.0)
    low, high = intervals.mean(below / of)
    assert intervals.rank_reach(below, of) == pytest.approx((high - low) / 2, rel=1e-12)


def test_one_group_gives_no_reach():
    assert intervals.rank_reach(np.array([5.0]), np.array([10.0])) is None
    assert intervals.rank_reach(np.array([5.0, 0.0]), np.array([10.0, 0.0])) is None


@pytest.mark.parametrize("of", [2, 20, 1e6])
@pytest.mark.parametrize("share", [0.001, 0.4, 0.9])
def test_a_proportion_is_that_of_the_beta_distribution(of, share):
    """Against the quantiles of scipy.stats, which the special functions stand for."""
    count = share * of
    low, high = intervals.clopper_pearson(count, of, 0.95)
    assert low == pytest.approx(stats.beta.ppf(0.025, count, of - count + 1), rel=1e-12)
    assert high == pytest.approx(stats.beta.ppf(0.975, count + 1, of - count), rel=1e-12)


@pytest.mark.parametrize("count", [2, 3, 30, 1000])
def test_a_mean_is_that_of_the_t_distribution(count):
    values = np.linspace(1.0, 2.0, count)
    low, high = intervals.mean(values, 0.99)
    at = stats.t.interval(0.99, count - 1, values.mean(), stats.sem(values))
    assert (low, high) == pytest.approx(at, rel=1e-12)
