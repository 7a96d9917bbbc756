"""The law of a latency: exact while it is small, within a bin when it is not."""

from __future__ import annotations

import json
import pickle

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from simlink.base.instants import NEVER
from simlink.figures import latencies
from simlink.figures.adding import BINS, bin_of
from simlink.figures.latencies import EXACT, Latencies
from simlink.figures.tally import Tally
from simlink.records import Fate, FrameBlock
from tests.engines.chain import chain

#: A bin is a relative 2^-10 wide.
WIDTH = 2**-10


def tally_of(rows, exact=True):
    """Return an empty tally for latencies of trials by conversions."""
    scenario = chain({"trials": rows.shape[0], "conversions": rows.shape[1]})
    with pytest.MonkeyPatch.context() as patch:
        if not exact:
            patch.setattr(latencies, "EXACT", 0)
        tally = Tally(scenario, range(len(rows)))
    assert tally.to_read.exact == exact
    return tally


def take(tally, trials, first, rows, missing=None):
    """Add records whose triggers leave at 0 and that are read after a latency each."""
    block = FrameBlock.blank(trials, first, rows.shape[1], None)
    block.fate[:] = Fate.DELIVERED
    block.trigger[:] = block.service[:] = 0
    block.release[:] = block.read_end[:] = rows
    if missing is not None:
        block.fate[missing] = Fate.OVERRUN
        block.release[missing] = block.read_end[missing] = block.service[missing] = NEVER
    tally.add(block)


def gathered(rows, missing=None, exact=True, chunk=None):
    """Return the latencies of an array of trials by conversions."""
    rows = np.asarray(rows, dtype=np.int64)
    tally = tally_of(rows, exact)
    chunk = chunk or rows.shape[1]
    for first in range(0, rows.shape[1], chunk):
        part = slice(first, first + chunk)
        gone = None if missing is None else missing[:, part]
        take(tally, range(len(rows)), first, rows[:, part], gone)
    assert tally.to_release.state().keys() == tally.to_read.state().keys()
    return tally.to_read


def test_quantiles_of_a_small_run_are_values_that_were_seen():
    """Of 1 to 1000 in any order: the smallest value that a share q is at or below."""
    rows = np.random.default_rng(1).permutation(np.arange(1, 1001)).reshape(4, 250)
    found = gathered(rows)
    assert found.quantile(0.5)[0] == 500
    assert found.quantile(0.99)[0] == 990
    assert found.quantile(0.999)[0] == 999
    assert found.quantile(1)[0] == 1000
    assert (found.count, found.least, found.largest) == (1000, 1, 1000)


@given(st.lists(st.integers(0, 10**12), min_size=1, max_size=50), st.floats(0.01, 1))
def test_quantiles_are_those_of_the_definition(values, q):
    found, _ = gathered([values]).quantile(q)
    ranked = sorted(values)
    assert found == next(v for v in ranked if sum(w <= v for w in values) >= q * len(values))


@pytest.mark.parametrize("q", [0.05, 0.5, 0.9, 0.99, 0.999])
def test_binned_quantiles_are_within_a_bin(q):
    rng = np.random.default_rng(2)
    rows = rng.lognormal(20, 1.5, (8, 5000)).astype(np.int64)
    binned, exact = gathered(rows, exact=False), gathered(rows)
    (value, ends), (true, true_ends) = binned.quantile(q), exact.quantile(q)
    assert value == pytest.approx(true, rel=WIDTH)
    for end, true_end in zip(ends, true_ends, strict=True):
        assert end is None if true_end is None else end == pytest.approx(true_end, rel=0.02)
    assert binned.largest == exact.largest == rows.max()
    assert binned.least == exact.least == rows.min()


@pytest.mark.parametrize("exact", [True, False])
@pytest.mark.parametrize("chunk", [None, 7])
def test_missing_values_are_left_out(exact, chunk):
    rng = np.random.default_rng(3)
    rows = rng.integers(1000, 10**6, (3, 400))
    missing = rng.random((3, 400)) < 0.4
    found = gathered(np.where(missing, -(2**63), rows), missing, exact, chunk)
    kept = rows[~missing]
    assert (found.count, found.least, found.largest) == (kept.size, kept.min(), kept.max())
    assert found.quantile(0.5)[0] == pytest.approx(np.sort(kept)[kept.size // 2], rel=2 * WIDTH)


@pytest.mark.parametrize("exact", [True, False])
def test_nothing_there_gives_no_quantile(exact):
    found = gathered(np.zeros((2, 5)), np.ones((2, 5), dtype=bool), exact)
    assert found.quantile(0.5) == (None, (None, None))
    assert (found.count, found.least, found.largest) == (0, None, None)
    # A picture can show an empty bin that has a width, and no other.
    edges, counts = found.histogram()
    assert edges[0] < edges[1]
    assert counts.tolist() == [0]


@pytest.mark.parametrize("exact", [True, False])
@pytest.mark.parametrize("value", [0, 1, 306_000_000])
def test_one_value_over_and_over(exact, value):
    found = gathered(np.full((4, 100), value), exact=exact)
    assert found.quantile(0.5) == (value, (value, value))
    edges, counts = found.histogram(10)
    assert counts.sum() == 400
    assert edges[0] < value < edges[-1] or value in (edges[0], edges[-1])


@pytest.mark.parametrize("order", [range(6), [3, 5, 0, 1, 4, 2]], ids=["upwards", "mixed"])
@pytest.mark.parametrize("exact", [True, False])
def test_parts_merge_to_the_whole(exact, order):
    """Trials taken in one at a time, each with its own range of bins, then counted further."""
    rng = np.random.default_rng(4)
    rows = (rng.lognormal(15, 1, (6, 300)) * np.arange(1, 7)[:, np.newaxis] ** 3).astype(np.int64)
    whole = gathered(rows, exact=exact)
    total = tally_of(rows, exact).to_read
    for trial in order:
        part = tally_of(rows, exact)
        take(part, range(trial, trial + 1), 0, rows[trial : trial + 1])
        total.merge(part.to_read)
    counts = total.counted()
    assert counts.shape == (0 if exact else 6, BINS)
    assert counts.sum(axis=1).tolist() == ([] if exact else [300] * 6)
    for q in (0.1, 0.5, 0.99):
        assert total.quantile(q) == whole.quantile(q)
    edges = np.linspace(0, float(rows.max()) + 1, 20)
    assert total.counts_in(edges).tolist() == whole.counts_in(edges).tolist()
    assert (total.count, total.least, total.largest) == (whole.count, whole.least, whole.largest)


def test_one_trial_gives_no_interval_and_few_trials_no_far_end():
    rows = np.arange(1, 101).reshape(1, 100)
    assert gathered(rows).quantile(0.5) == (50, (None, None))
    rng = np.random.default_rng(5)
    value, (low, high) = gathered(rng.exponential(1e6, (4, 100))).quantile(0.999)
    assert low is not None
    assert low <= value
    assert high is None


def test_the_interval_of_a_median_covers_about_what_it_says():
    """400 runs of 20 trials, each trial's values scaled by a law with a median of 1.

    The count of covered runs is binomial; 4 standard errors below 95 % would be a fault.
    """
    rng = np.random.default_rng(6)
    runs, covered = 400, 0
    for _ in range(runs):
        scale = rng.lognormal(0, 0.5, (20, 1))
        rows = 1e6 * scale * rng.lognormal(0, 0.5, (20, 50))
        _, (low, high) = gathered(rows).quantile(0.5)
        covered += low <= 1e6 <= high
    assert covered / runs > 0.95 - 4 * np.sqrt(0.95 * 0.05 / runs)


@pytest.mark.parametrize("exact", [True, False])
def test_a_histogram_counts_every_value_once(exact):
    rows = np.random.default_rng(7).exponential(1e8, (3, 1000)).astype(np.int64)
    edges, counts = gathered(rows, exact=exact).histogram(37)
    assert len(edges) == 38
    assert counts.sum() == rows.size
    if exact:
        assert counts.tolist() == np.histogram(rows, edges)[0].tolist()


def equal(one, other):
    """Tell whether two latencies hold the same."""
    mine, theirs = one.state(), other.state()
    return (
        mine.keys() == theirs.keys()
        and (one.groups, one.exact) == (other.groups, other.exact)
        and all(np.array_equal(mine[name], theirs[name]) for name in mine)
    )


@pytest.mark.parametrize("exact", [True, False])
@pytest.mark.parametrize("share", [0.0, 0.4, 1.0])
def test_a_state_is_restored_and_sent_whole(exact, share):
    """In a file of finished trials, whose numbers are JSON, and from a worker."""
    rng = np.random.default_rng(8)
    rows = rng.lognormal(18, 2, (5, 300)).astype(np.int64)
    found = gathered(rows, rng.random(rows.shape) < share, exact)
    state = found.state()
    plain = {name: one for name, one in state.items() if not isinstance(one, np.ndarray)}
    assert json.loads(json.dumps(plain)) == plain
    again = Latencies(5, EXACT if exact else EXACT + 1)
    again.restore(state)
    sent = pickle.loads(pickle.dumps(found))
    for one in (again, sent):
        assert equal(one, found)
        assert one.quantile(0.7) == found.quantile(0.7)
        # And it goes on from there.
        one.merge(found)
        assert one.count == 2 * found.count
        assert (one.least, one.largest) == (found.least, found.largest)


def spoilt(found, **values):
    return found.state() | values


@pytest.mark.parametrize("exact", [True, False])
def test_a_state_that_cannot_be_is_refused(exact):
    rows = np.random.default_rng(9).integers(10**6, 10**9, (3, 50))
    found = gathered(rows, exact=exact)
    arrays = {"values": found.state()["values"]} if exact else {"bins": found.state()["bins"]}
    wrong = [{"count": found.count + 1}, {"count": -1}, {"least": 1}, {"largest": 10**12}]
    wrong += [{name: None} for name in found.state()]
    wrong += [{"count": 1.0}, {"least": True}]
    for name, array in arrays.items():
        wrong += [{name: array[..., 1:]}, {name: array.astype(np.float64)}, {name: array.tolist()}]
    if exact:
        group = found.state()["group"]
        wrong += [{"group": group + np.int8(1)}, {"group": group - np.int8(1)}]
    else:
        bins, base = found.state()["bins"], found.state()["base"]
        wrong += [{"base": base + 1}, {"base": base - 1}, {"bins": bins + 1}, {"bins": bins[:2]}]
    for values in wrong:
        with pytest.raises(ValueError, match=r"latencies"):
            Latencies(3, EXACT if exact else EXACT + 1).restore(spoilt(found, **values))


def test_bins_are_a_relative_thousandth_wide_up_to_the_longest_time():
    """Exponent and ten bits of the mantissa: the bin of 2^n (1 + m / 1024) is 1024 n + m."""
    for power in range(63):
        for step in (0, 1, 511, 1023) if power >= 10 else (0,):
            value = 2**power + (step << max(0, power - 10))
            assert bin_of(value) == 1024 * power + step
    assert bin_of(2**40 + 2**30 - 1) == 1024 * 40
    assert bin_of(2**40 - 2**29) == 1024 * 40 - 1
    assert [bin_of(value) for value in (-5, 0, 1)] == [0, 0, 0]
    assert bin_of(2**63 - 1) < BINS
