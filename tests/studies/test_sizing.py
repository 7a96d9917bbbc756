import itertools
import math

import numpy as np
import pytest

from simlink.figures.intervals import one_sided
from simlink.records import Fate, FrameBlock
from simlink.studies.cycles_seen import Counter, Losses, cycles_are_independent
from simlink.studies.ladder import Ladder, Verdict
from simlink.studies.sizing import Search
from simlink.studies.sizing_limits import FEW, conversions_needed, limits, looks
from tests.proofs.test_bounds import scenario

LOST = (Fate.OVERRUN,)


def block(trials, first, found, fate):
    made = FrameBlock.blank(trials, first, found.shape[1], None)
    made.occupancy_at_arrival[:] = found
    made.fate[:] = fate
    return made


@pytest.fixture
def record():
    """Return what conversions found and their fates, shape (5, 60)."""
    rng = np.random.default_rng(3)
    found = rng.integers(0, 4, (5, 60))
    found[:, 0] = 0
    fate = np.where((found == 3) & (rng.random((5, 60)) < 0.8), Fate.OVERRUN, Fate.DELIVERED)
    return found, fate


def by_hand(found, fate):
    """Count cycles and their losses one conversion at a time."""
    losses = []
    for row, fates in zip(found, fate, strict=True):
        for taken, what in zip(row, fates, strict=True):
            if taken == 0:
                losses.append(0)
            losses[-1] += what == Fate.OVERRUN
    return losses


@pytest.mark.parametrize("cut", [1, 7, 60])
def test_cycles_are_counted_across_blocks(record, cut):
    found, fate = record
    counter = Counter(range(10, 15), LOST, by_cycle=True)
    for first in range(0, 60, cut):
        part = slice(first, first + cut)
        counter.add(block(range(10, 12), first, found[:2, part], fate[:2, part]))
        counter.add(block(range(12, 15), first, found[2:, part], fate[2:, part]))
    seen, losses = counter.seen(), by_hand(found, fate)
    assert seen.units == len(losses)
    assert seen.sent == 300
    assert sorted(seen.losses) == sorted(one for one in losses if one)
    assert seen.losing >= 5


def test_trials_are_counted_across_blocks(record):
    found, fate = record
    fate = np.where(np.arange(60) > 55, Fate.NOT_SENT, fate)
    counter = Counter(range(5), LOST, by_cycle=False)
    for first in (0, 30):
        part = slice(first, first + 30)
        counter.add(block(range(5), first, found[:, part], fate[:, part]))
    seen = counter.seen()
    assert (seen.units, seen.sent) == (5, 280)
    assert sorted(seen.losses) == sorted(one for one in (fate == Fate.OVERRUN).sum(axis=1) if one)


@pytest.mark.parametrize(
    ("changes", "independent"),
    [
        ({}, True),
        ({"host__service_latency": {"shape": "exponential", "mean": "1 us"}}, True),
        ({"trigger__pattern": "poisson"}, True),
        ({"trigger__pattern": "burst", "trigger__burst_length": 2, "trigger__gap": "9 us"}, False),
        ({"trigger__jitter": {"shape": "uniform", "low": "0 ns", "high": "1 ns"}}, False),
        ({"barrier__return_.delay": {"shape": "uniform", "low": "0 ns", "high": "1 ns"}}, False),
        ({"fifo__when_full": "drop_old"}, False),
        ({"host__watermark": 2}, False),
        ({"host__service_latency": {
            "shape": "two_state", "normal": "1 us", "stalled": "9 us", "spacing": 50}}, False),
        ({"host__service_latency": {"shape": "mixture", "parts": [
            {"weight": 1, "of": "1 us"}, {"weight": 1, "of": {
                "shape": "two_state", "normal": "1 us", "stalled": "9 us", "spacing": 50}}]}},
         False),
    ],
)  # fmt: skip
def test_where_cycles_may_serve_as_units(changes, independent):
    assert cycles_are_independent(scenario(**changes)) is independent


def test_looks_double_up_to_the_budget():
    assert looks(1e-3, 100, 4000) == [64, 128, 256, 512, 1024, 2048, 4000]
    assert looks(1e-3, 100, 2100) == [64, 128, 256, 512, 1024, 2100]
    assert looks(1e-6, 1, 10) == [10]


@pytest.mark.parametrize(("by_cycle", "tries"), [(False, 759), (True, 460)])
def test_clusters_make_the_tries_fewer(by_cycle, tries):
    """40 of 100 boards lose 2 of 10 conversions each: 80 of 1000.

    Their squares add up to 160; less 80^2 / 100 for the mean, by 100 / 99, 9600 / 99. Of tries
    there are 0.08 x 0.92 x 1000^2 over that.
    """
    seen = Losses(100, 1000, np.full(40, 2))
    low, high = one_sided(0.08 * tries, tries, 0.025)
    found = limits(seen, 0.025, by_cycle)
    assert found == (pytest.approx(low, rel=1e-9), pytest.approx(high, rel=1e-9))


@pytest.mark.parametrize(
    ("target", "number", "spent"),
    [
        # Of 1024 boards 64 may spend a quarter of the error, 128 the root of an eighth.
        (0.1, 1, 0.05 / 4),
        (0.06, 2, 0.05 / math.sqrt(8) - 0.05 / 4),
    ],
)
def test_a_look_spends_what_the_ones_before_have_left(target, number, spent):
    """None lost in n units is at most 1 - spent^(1 / n): 0.066 at the first look, then 0.040."""
    asked = []

    def observe(at, first, stop):
        asked.append((at, first, stop))
        return Losses(stop - first, 100 * (stop - first))

    search = Search(
        observe, Ladder(0, 9, 0), target=target, confidence=0.95, conversions=100,
        most_units=1024 + 64, by_cycle=False,
    )  # fmt: skip
    assert (search.rough, search.looks[-1]) == (64, 1024)
    assert search._test(3, 0.05)
    point = search.points[3]
    assert (point.verdict, point.looks, point.low) == (Verdict.MEETS, number, 0.0)
    assert point.high == pytest.approx(1 - spent ** (1 / (64 * number)), rel=1e-9)
    assert (point.seen.units, point.seen.sent) == (64 * number, 6400 * number)
    # The units of the rough search are not looked at again.
    assert asked == [(3, 64, 128), (3, 128, 192)][:number]


@pytest.mark.parametrize(("by_cycle", "tries"), [(False, 759), (True, 460)])
def test_a_look_at_what_is_lost_knows_whether_it_counts_cycles(by_cycle, tries):
    """As of `test_clusters_make_the_tries_fewer`: the 100 of its first look may spend half of 5 %.

    0.08 are lost, and at least 0.062 by boards, 0.057 by cycles: more than the target.
    """

    def observe(at, first, stop):
        units = stop - first
        return Losses(units, 10 * units, np.full(2 * units // 5, 2))

    search = Search(
        observe, Ladder(0, 9, 0), target=0.004, confidence=0.95, conversions=10,
        most_units=457, by_cycle=by_cycle,
    )  # fmt: skip
    assert (search.early, search.looks) == ([], [100, 200, 400])
    assert not search._test(3, 0.05)
    point = search.points[3]
    assert (point.verdict, point.looks) == (Verdict.EXCEEDS, 1)
    found = one_sided(0.08 * tries, tries, 0.025)
    assert (point.low, point.high) == (
        pytest.approx(found[0], rel=1e-9),
        pytest.approx(found[1], rel=1e-9),
    )


def test_none_lost_is_an_upper_limit_by_units():
    # Solves (1 - p)^1500 = 0.05: the rule of three (textbook).
    assert limits(Losses(1500, 10**9), 0.05, by_cycle=False)[1] == pytest.approx(
        0.0019952, abs=1e-6
    )
    # By cycles, times what a losing cycle was seen to lose over the mean length.
    high = limits(Losses(1500, 3000), 0.05, by_cycle=True, weight=6.0)[1]
    assert high == pytest.approx(3 * 0.0019952, abs=3e-6)
    assert limits(Losses(), 0.05, by_cycle=True) == (0.0, 1.0)


@pytest.mark.parametrize("by_cycle", [False, True])
def test_a_losing_unit_may_have_lost_a_single_conversion(by_cycle):
    """4 of 20 at 90 %: (0.071354, 0.401029), NIST/SEMATECH e-Handbook 7.2.4.2. Of ten conversions
    each, a tenth of the lower limit is lost at the least."""
    low, high = limits(Losses(20, 200, np.full(4, 3)), 0.05, by_cycle)
    assert low == pytest.approx(0.0071354, abs=2e-7)
    assert high == pytest.approx(0.401029, abs=2e-6)


@pytest.mark.parametrize(("mean", "heavy"), [(30, 0.2), (30, 0.6), (200, 0.6)])
def test_limits_hold_where_losses_come_in_clusters(mean, heavy):
    """Losing cycles are Poisson, losses within one geometric: the law that rare events take."""
    rng = np.random.default_rng(20)
    truth, runs, cycles = mean / (1 - heavy), 4000, 10**7
    wrong = np.zeros(2)
    for _ in range(runs):
        seen = Losses(cycles, cycles, rng.geometric(1 - heavy, max(rng.poisson(mean), 1)))
        low, high = limits(seen, 0.05, by_cycle=True)
        wrong += low > truth / cycles, high < truth / cycles
    # The effective number of losses is itself estimated: a little over is allowed for that.
    assert (wrong / runs < 0.065).all()


def test_limits_by_units_take_the_spread_between_them():
    """With everything lost in few units the interval is wide; spread evenly it is narrow."""
    even = limits(Losses(1000, 10**6, np.full(1000, 3)), 0.05, by_cycle=False)
    few = limits(Losses(1000, 10**6, np.full(FEW, 150)), 0.05, by_cycle=False)
    assert even[0] <= 0.003 <= even[1]
    assert even[1] - even[0] < (few[1] - few[0]) / 5


def observer(shares, conversions, seed):
    """Return a made-up simulator in which each conversion is lost by itself."""

    def observe(at, start, stop):
        # Indexed draws: unit k has the same ones whoever asks, whatever the value.
        rng = np.random.default_rng([seed, start, stop])
        sent = (stop - start) * conversions
        lost = rng.binomial(sent, shares(at))
        return Losses(sent, sent, np.ones(lost, dtype=np.int64))

    return observe


def search(shares, target, ladder=None, seed=0, units=10**5, **more):
    made = Search(
        observer(shares, 1000, seed),
        ladder or Ladder(1, 10**6, 1),
        target=target,
        confidence=0.95,
        conversions=1000,
        most_units=units,
        by_cycle=True,
        **more,
    )
    made.run()
    return made


@pytest.mark.parametrize("ratio", [0.1, 0.4, 0.6])
@pytest.mark.parametrize("first", [1, 2, 7, 30])
def test_the_search_finds_the_first_that_meets(ratio, first):
    # The target lies midway between the shares at `first` - 1 and `first`.
    target = 1e-4
    found = search(lambda at: min(1.0, target * ratio ** (at - first + 0.5)), target)
    assert (found.answer, found.settled) == (first, True)


@pytest.mark.parametrize("start", [-40, 0, 40])
def test_the_search_may_start_anywhere(start):
    ladder = Ladder(-100, 100, start)
    found = search(lambda at: min(1.0, 1e-4 * 0.5 ** (at - 3.5)), 1e-4, ladder)
    assert (found.answer, found.settled) == (4, True)


def test_it_looks_no_longer_than_it_takes():
    clear = search(lambda at: 10.0 ** -(at + 1.5), 1e-4)
    close = search(lambda at: 1e-4 * 0.7 ** (at - 4.5), 1e-4)
    assert clear.points[clear.answer].looks < close.points[close.answer].looks
    assert clear.points[clear.answer].seen.sent < 10**6


def test_no_value_that_exceeds_is_passed_more_often_than_allowed():
    """A share just above the target, looked at many times: passed in under 5 % of searches."""
    target, runs = 1e-3, 400
    passed = 0
    for seed in range(runs):
        found = search(lambda at: target * (1.02 if at < 5 else 0.2), target, seed=seed, units=2000)
        passed += found.answer is not None and found.answer < 5
    # 5 % of 400 is 20; four standard errors above it is 38, and the union bound is below.
    assert passed <= 20


def test_a_budget_too_small_says_so_and_how_many_would():
    found = search(lambda at: 0.2**at, 1e-6, units=200)
    assert not found.supported
    assert found.answer is None
    assert 2e6 < found.needed < 5e7
    again = search(lambda at: 0.2**at, 1e-6, units=math.ceil(2 * found.needed / 1000))
    assert again.answer in (9, 10)


def test_no_search_past_what_is_proven():
    found = search(lambda at: 0.9, 1e-3, Ladder(1, 10**6, 1, proven=6))
    assert (found.answer, found.settled) == (6, True)
    assert found.points[6].verdict is Verdict.PROVEN
    assert found.points[5].verdict is Verdict.EXCEEDS


def test_none_meets():
    found = search(lambda at: 0.9, 1e-3, Ladder(1, 16, 1))
    assert found.answer is None


def test_units_of_the_rough_search_are_used_for_nothing_else():
    asked = []

    def observe(at, start, stop):
        asked.append((at, start, stop))
        return observer(lambda one: 0.3**one, 1000, 0)(at, start, stop)

    made = Search(
        observe, Ladder(1, 100, 1), target=1e-4, confidence=0.95, conversions=1000,
        most_units=10**5, by_cycle=True,
    )  # fmt: skip
    made.run()
    rough = [one for one in asked if one[2] <= made.rough]
    tested = asked[len(rough) :]
    assert rough
    assert all(start >= made.rough for _, start, _ in tested)
    for (at, _, stop), (then, start, _) in itertools.pairwise(tested):
        assert at != then or start == stop


@pytest.mark.parametrize(
    ("seen", "share", "by_cycle", "needed"),
    [
        # ln(20) / 1e-3 = 2995.7, to two figures upwards, of what was seen none of.
        (Losses(), 0, True, 3000),
        (Losses(5, 500), 0, True, 300_000),
        (Losses(5, 500), 0, False, 300_000),
        # Those that were seen came 40 together: cycles that lose are as long, boards are not.
        (Losses(50, 500, np.array([40])), 0, True, 120_000),
        (Losses(50, 500, np.array([40])), 0, False, 30_000),
        (Losses(50, 500, np.array([40])), 0.0098e-3, False, 30_000),
        # From a hundredth of the target on, at least as many as lose once: 40 / 1.01e-5.
        (Losses(50, 500, np.array([40])), 0.0101e-3, False, 4_000_000),
        (Losses(5, 500), 0.97e-3, False, None),
    ],
)
def test_conversions_that_a_proof_by_counting_needs(seen, share, by_cycle, needed):
    assert conversions_needed(seen, share, 1e-3, 0.05, by_cycle) == needed


@pytest.mark.parametrize("share", [0.3e-3, 0.5e-3, 0.96e-3])
def test_a_share_below_the_target_needs_as_many_as_show_it(share):
    """Losses of 1 and 3 come as if 2.5 together: (1 + 9) / 4."""
    plain = conversions_needed(Losses(9, 90, np.array([1])), share, 1e-3, 0.05, True)
    for conversions, shows in ((plain, True), (0.9 * plain, False)):
        assert (one_sided(share * conversions, conversions, 0.05)[1] <= 1e-3) == shows
    clustered = conversions_needed(Losses(9, 90, np.array([1, 3])), share, 1e-3, 0.05, True)
    assert clustered / plain == pytest.approx(2.5, rel=0.1)
