"""SFC64 step by step against NumPy's own, and draws by their number."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.random.bit_generator import ISeedSequence

from simlink.base import seeding
from simlink.base.draws import ByNumber
from simlink.base.sfc64 import advanced, started, uniform


class Given(ISeedSequence):
    """Seeds a generator with three words that are given."""

    def __init__(self, words):
        self.words = words

    def generate_state(self, n_words, dtype=np.uint32):
        assert (n_words, dtype) == (3, np.uint64)
        return self.words


def words_of(number=0):
    found = np.random.SeedSequence(seeding.entropy(7, 3, "upset lane 0")).generate_state(
        3, np.uint64
    )
    return found + np.array([0, 0, number], dtype=np.uint64)


def test_steps_are_those_of_numpy():
    numpys = np.random.SFC64(Given(words_of()))
    with np.errstate(over="ignore"):
        state = started(*words_of())
        assert [int(one) for one in state] == numpys.state["state"]["state"].tolist()
        for _ in range(100):
            bits, state = advanced(state)
            assert int(bits) == numpys.random_raw()
        share, _ = uniform(state)
    assert share == np.random.Generator(numpys).random()


@pytest.mark.parametrize("number", [0, 1, 2, 12345, 2**40])
def test_a_draw_is_the_first_of_a_generator_seeded_with_its_number(number):
    expected = np.random.Generator(np.random.SFC64(Given(words_of(number)))).random()
    assert ByNumber(7, 3, "upset lane 0")(number) == expected


def test_all_words_of_many_trials_are_hashed_as_one_by_one():
    found = seeding.words(7, range(2, 5), ["upset busy", "upset lane 0"])
    assert found.shape == (2, 3, 3)
    assert np.array_equal(found[1, 1], words_of())


def test_neighbouring_numbers_give_draws_that_are_uniform_and_do_not_depend_on_each_other():
    """Of 4,000 each: the mean, and the correlation with the next, within four sigma."""
    draws = ByNumber(1, 0, "upset lane 0")
    shares = np.array([draws(number) for number in range(4000)])
    others = np.array([ByNumber(1, 1, "upset lane 0")(number) for number in range(1000)])
    sigma = 1 / np.sqrt(12)
    assert abs(shares.mean() - 0.5) < 4 * sigma / np.sqrt(4000)
    assert 0 <= shares.min() < 0.01 < 0.99 < shares.max() < 1
    for one, other in (
        (shares[1:], shares[:-1]),
        (shares[16:], shares[:-16]),
        (shares[:1000], others),
    ):
        assert abs(np.corrcoef(one, other)[0, 1]) < 4 / np.sqrt(len(one))
    counts = np.histogram(shares, bins=20, range=(0, 1))[0]
    assert ((counts - 200) ** 2 / 200).sum() < 43.8, "chi square of 19 degrees, 99.9 %, from memory"
