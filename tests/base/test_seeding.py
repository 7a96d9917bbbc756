"""States hashed many at a time are those that NumPy's own ``SeedSequence`` hashes one by one."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from simlink.base import seeding

WORDS = st.one_of(
    *(st.integers(2 ** (32 * width) >> 32, 2 ** (32 * width) - 1) for width in range(1, 9))
)
#: Sources of any name have digests of two words and two, but for one in 2^31 of them.
NAMES = st.lists(st.text(max_size=20), max_size=5, unique=True)


def numpys(entropy):
    """Return the state of a generator that NumPy seeds."""
    return np.random.SFC64(np.random.SeedSequence(entropy)).state["state"]["state"].tolist()


def states(seed, trials, sources):
    return seeding.states(seeding.words(seed, trials, sources))


def check(seed, trials, sources):
    found = states(seed, trials, sources)
    assert found.shape == (len(sources), len(trials), 4)
    assert found.dtype == np.uint64
    for source, rows in zip(sources, found.tolist(), strict=True):
        for trial, state in zip(trials, rows, strict=True):
            assert state == numpys(seeding.entropy(seed, trial, source)), (source, trial)


@given(WORDS, WORDS, st.integers(0, 9), NAMES)
def test_states_are_numpys(seed, first, count, sources):
    check(seed, range(first, first + count), sources)


@pytest.mark.parametrize("width", [1, 2, 3])
@pytest.mark.parametrize("before", [0, 1, 2, 5])
def test_states_are_numpys_where_trials_grow_by_a_word(width, before):
    first = 2 ** (32 * width) - before
    check(7, range(first, first + 4), ["trigger.jitter", "host.service_latency"])


@pytest.mark.parametrize("seed", [0, 1, 2**32 - 1, 2**32, 2**64 - 1, 2**64, 2**128, 2**160 - 1])
def test_states_are_numpys_for_seeds_of_every_length(seed):
    check(seed, range(3), ["trigger.jitter", ""])


@given(
    st.lists(st.tuples(WORDS, WORDS), min_size=1, max_size=4),
    st.sampled_from([0, 5, 2**32, 2**96]),
    st.sampled_from([0, 3, 2**32 - 1, 2**32, 2**70]),
)
def test_sources_whose_digests_differ_in_length_are_hashed_together(digests, seed, first):
    """One digest in 2^32 has a half of a single word; two that small need no filling up."""

    def entropy(seed, trial, source):
        return [seed, trial, *map(int, source.split())]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(seeding, "entropy", entropy)
        check(seed, range(first, first + 3), [f"{one} {other}" for one, other in digests])


def test_a_source_has_the_same_states_whatever_it_is_asked_with():
    whole = states(3, range(10, 20), ["a", "b", "c"])
    for at, source in enumerate("abc"):
        for trial in range(10, 20):
            alone = states(3, range(trial, trial + 1), [source])
            assert alone[0, 0].tolist() == whole[at, trial - 10].tolist()


def test_the_entropy_of_a_source_is_its_seed_trial_and_digest():
    """BLAKE2b of "abc" in 16 bytes, by Python's own hashlib: the halves, lowest byte first."""
    import hashlib

    digest = hashlib.blake2b(b"abc", digest_size=16).digest()
    seed, trial, low, high = seeding.entropy(4, 5, "abc")
    assert (seed, trial) == (4, 5)
    assert low.to_bytes(8, "little") + high.to_bytes(8, "little") == digest
    assert seeding.entropy(4, 5, "abd")[2:] != [low, high]
