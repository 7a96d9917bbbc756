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


def test_the_interval_of_a_mean_without_skewness_is_students():
    """1, 3, 1, 3: 2 +- t sigma / sqrt(4) = 2 +- 3.182446 x 0.5773503 (t tables, 3 degrees)."""
    low, high = intervals.mean([1, 3, 1, 3])
    assert low == pytest.approx(2 - 1.8373862, abs=1e-6)
    assert high == pytest.approx(2 + 1.8373862, abs=1e-6)


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
    assert even == intervals.middle(100, 2000)
    assert lumped[0] < even[0] < 0.05 < even[1] < lumped[1]
    assert lumped[1] - lumped[0] > 3 * (even[1] - even[0])


def test_few_trials_widen_the_interval_of_a_share_as_students_quantiles_do():
    """1, 3, 1, 3 of 100: p = 0.02, residuals -1 and 1, variance 4/3 x 4 / 400^2 = 1/30000. That of
    588 tries, 0.02 x 0.98 x 30000, times (1.965927 / 3.182446)^2 (t tables, 399 and 3 degrees)."""
    tries = 588 * (1.965927 / 3.182446) ** 2
    expected = intervals.middle(0.02 * tries, tries)
    assert intervals.share([1, 3, 1, 3], [100] * 4) == pytest.approx(expected, rel=1e-5)


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


@pytest.mark.parametrize(
    ("counts", "of"),
    [
        ([5] * 20, [100] * 20),
        ([50, 50] + [0] * 18, [100] * 20),
        ([1, 3, 1, 3], [100] * 4),
        ([0, 0, 1], [40, 30, 50]),
        ([0] * 6, [40] * 6),
        ([40] * 6, [40] * 6),
        ([40, 40, 39], [40] * 3),
    ],
)
@pytest.mark.parametrize("confidence", [0.95, 0.5])
def test_a_value_lies_on_the_side_of_an_end_that_the_interval_says(counts, of, confidence):
    ends = intervals.share(counts, of, confidence)
    for which, end in enumerate(ends):
        for value in (end * (1 - 1e-9), max(end - 0.01, 0.0), end / 2):
            assert intervals.side(counts, of, which, value, confidence) > 0 or end == 0
        for value in (min(end * (1 + 1e-9) + 1e-12, 1.0), min(end + 0.01, 1.0), (1 + end) / 2):
            assert intervals.side(counts, of, which, value, confidence) < 0 or end == 1
    if ends[0] == 0:
        assert intervals.side(counts, of, intervals.LOW, 0.0, confidence) == 0


@pytest.mark.parametrize(("count", "of"), [(1, 20), (4, 20), (19, 20), (30, 6000), (0.4, 3.2)])
def test_the_middle_interval_halves_the_chance_of_the_count_itself(count, of):
    """P(more) + P(as many) / 2 is half the chance to be wrong at either end (Lancaster, 1961)."""
    low, high = intervals.middle(count, of, 0.9)
    outer = intervals.clopper_pearson(count, of, 0.9)
    assert outer[0] < low < count / of < high < outer[1]
    if isinstance(count, int):
        for end, tail in ((low, stats.binom.sf), (high, stats.binom.cdf)):
            beyond = tail(count, of, end) if end == low else tail(count - 1, of, end)
            assert beyond + stats.binom.pmf(count, of, end) / 2 == pytest.approx(0.05, rel=1e-9)
    mirrored = intervals.middle(of - count, of, 0.9)
    assert mirrored == pytest.approx((1 - high, 1 - low), rel=1e-9)


@pytest.mark.parametrize("of", [1, 24, 5000])
def test_the_middle_interval_of_nothing_ends_where_nothing_seen_does(of):
    assert intervals.middle(0, of) == pytest.approx((0.0, intervals.nothing_seen(of)), rel=1e-9)
    assert intervals.middle(of, of) == pytest.approx((1 - intervals.nothing_seen(of), 1.0))
    # Exactly, for nothing lies beyond.
    assert (intervals.middle(0, of)[0], intervals.middle(of, of)[1]) == (0.0, 1.0)


def test_degrees_of_freedom_are_those_of_trials_that_differ_alike():
    """Two values as often each: squares that do not differ, n - 1. One of n that is off: 2 or so.

    By hand: residuals (n - 1, -1, ...) / n have the squares ((n - 1)^2, 1, ...) / n^2.
    """
    assert intervals.degrees(np.array([1.0, -1.0] * 12)) == 23
    lone = np.full(24, -1 / 24) + np.eye(24)[0]
    squares = lone**2
    expected = 2 * squares.sum() ** 2 / (24 * squares.var(ddof=1))
    assert intervals.degrees(lone) == pytest.approx(expected, rel=1e-12)
    assert 1.5 < expected < 2.5
    assert intervals.degrees(np.zeros(5)) == 4


def test_degrees_of_freedom_of_normal_trials_are_about_all_of_them():
    rng = np.random.default_rng(3)
    found = [intervals.degrees(rng.standard_normal(2000)) for _ in range(50)]
    assert np.mean(found) == pytest.approx(1999, rel=0.05)


def test_the_interval_of_a_mean_undoes_halls_transform():
    """At either end, Hall's transform of the studentised distance is a quantile of t."""
    values = np.array([0.0, 0.1, 0.3, 0.2, 0.0, 2.5, 0.1, 1.2])
    low, high = intervals.mean(values, 0.9)
    off = values - values.mean()
    skewness = (off**3).mean() / values.std(ddof=1) ** 3 / math.sqrt(8)
    quantile = stats.t.ppf(0.95, intervals.degrees(off))
    for end, expected in ((low, quantile), (high, -quantile)):
        far = (values.mean() - end) / stats.sem(values)
        curved = far + skewness * far**2 / 3 + skewness**2 * far**3 / 27 + skewness / 6
        assert curved == pytest.approx(expected, rel=1e-9)
    assert high - values.mean() > values.mean() - low > 0


@pytest.mark.parametrize("lumps", [3.6, 30])
def test_the_interval_of_a_mean_of_rare_lumps_covers_about_what_it_says(lumps):
    """2000 runs of 24 trials with a Poisson number of lumps of 6 to 14 in a run, and some noise.

    Student's interval holds the mean in 89 % of these runs with 3.6 lumps (computed).
    """
    rng = np.random.default_rng(5)
    runs, covered = 2000, 0
    for _ in range(runs):
        counts = rng.poisson(lumps / 24, 24)
        values = [float(rng.uniform(6, 14, count).sum()) for count in counts]
        low, high = intervals.mean(values + rng.normal(0, 0.3, 24))
        covered += low <= lumps * 10 / 24 <= high
    assert 0.92 - 4 * math.sqrt(0.92 * 0.08 / runs) < covered / runs < 0.98


def test_a_ratio_is_of_sums_and_its_interval_that_of_a_mean_where_all_are_alike():
    rng = np.random.default_rng(7)
    values = rng.exponential(1, 30)
    assert intervals.ratio(3 * values, np.full(30, 2.0)) == pytest.approx(
        intervals.mean(1.5 * values)
    )
    # What is in proportion leaves nothing open, however much trials differ.
    low, high = intervals.ratio(3 * values, values)
    assert (low, high) == pytest.approx((3, 3))
    assert intervals.ratio([1.0], [2.0]) == intervals.ratio([0, 0], [0, 0]) == (None, None)


def test_the_interval_of_a_product_adds_reaches_on_logarithms_as_squares():
    """Zou and Donner, 2008: 2 (1 to 4) by 3 (3/2 to 6) is 6, a factor of 2^sqrt(2) either way."""
    factor = 2 ** math.sqrt(2)
    found = intervals.product((1.0, 4.0), (1.5, 6.0), (2.0, 3.0))
    assert found == pytest.approx((6 / factor, 6 * factor))
    assert intervals.product((2.0, 2.0), (1.5, 6.0), (2.0, 3.0)) == pytest.approx((3, 12))
    assert intervals.product((-1.0, 4.0), (1.5, 6.0), (2.0, 3.0))[0] == 0
    assert intervals.product((2.0, 2.0), (0.0, 0.1), (2.0, 0.0)) == (0.0, 0.2)
    assert intervals.product((None, None), (0.0, 0.1), (2.0, 0.0)) == (None, None)


@pytest.mark.parametrize("of", [2, 20, 1e6])
@pytest.mark.parametrize("share", [0.001, 0.4, 0.9])
def test_a_proportion_is_that_of_the_beta_distribution(of, share):
    """Against the quantiles of scipy.stats, which the special functions stand for."""
    count = share * of
    low, high = intervals.clopper_pearson(count, of, 0.95)
    assert low == pytest.approx(stats.beta.ppf(0.025, count, of - count + 1), rel=1e-12)
    assert high == pytest.approx(stats.beta.ppf(0.975, count + 1, of - count), rel=1e-12)


@pytest.mark.parametrize("count", [2, 30, 1000])
def test_a_mean_of_two_equal_halves_is_that_of_the_t_distribution(count):
    """No skewness, and squares that do not differ: Student's interval."""
    values = np.repeat([1.0, 2.0], count // 2)
    low, high = intervals.mean(values, 0.99)
    at = stats.t.interval(0.99, count - 1, values.mean(), stats.sem(values))
    assert (low, high) == pytest.approx(at, rel=1e-12)
