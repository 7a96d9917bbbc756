"""Numbers drawn in the batch engine's compiled loop are NumPy's own, to the last bit.

Compared are far more than a million of each law, so that the rare branches of the ziggurats are
taken: the tail of the normal law once in 4000 draws, that of the exponential law once in 2200,
wedges once in a hundred.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from simlink.base import draws
from simlink.base.compiled import why_plain
from simlink.engines.batch import BatchEngine, streams
from simlink.engines.batch.draws import Draws, Source
from simlink.scenario.distributions import Exponential, Gamma, Limits, Lognormal, Normal, Uniform
from simlink.scenario.law import CEILING
from tests.engines.agreement import differences, records_of, short_stretches, unlike
from tests.engines.chain import chain
from tests.engines.host_clocked_scenarios import serial

MANY = 2**19
SEEDS = (1, 7, 2**63)
MIDDLE = {
    "uniform": Uniform(low=-(10**9), high=10**12),
    "uniform, one apart": Uniform(low=5, high=6),
    "uniform, all times": Uniform(low=-(4 * 10**18), high=4 * 10**18),
    "normal": Normal(mean=300_000_000, sigma=10**6),
    "normal, finer than a unit": Normal(mean=-3, sigma=1),
    "normal, above": Normal(mean=0, sigma=10**9, low=-(10**8)),
    "normal, below": Normal(mean=0, sigma=10**9, high=2 * 10**8),
    "normal, between": Normal(mean=10**9, sigma=10**9, low=0, high=10**10),
    "normal, wide": Normal(mean=10**15, sigma=2 * 10**17),
    "exponential": Exponential(mean=250_000_000),
    "exponential, moved": Exponential(mean=10**6, offset=10**12),
    "exponential, wide": Exponential(mean=4 * 10**16),
    "limits": Limits(low=10**8, typical=3 * 10**8, high=10**9),
    "limits, typical lowest": Limits(low=0, typical=0, high=10**12),
    "limits, typical highest": Limits(low=-(10**12), typical=10**6, high=10**6),
}
needs_numba = pytest.mark.skipif(why_plain() is not None, reason="nothing can be compiled")


def numpys(law, seed, count):
    """Return NumPy's draws and the state that its generator is left in."""
    bits = np.random.SFC64(seed)
    raw = np.empty(count)
    law.draw_raw(np.random.Generator(bits), raw)
    return law.from_raw(raw), bits.state["state"]["state"]


def starts(count):
    """Return generators that have drawn nothing, so many of each seed."""
    words = [np.random.SeedSequence(seed).generate_state(3, np.uint64) for seed in SEEDS]
    return streams.unbegun(np.stack([np.stack([one] * count) for one in words]))


@needs_numba
@pytest.mark.parametrize("name", MIDDLE)
def test_draws_are_numpys_own(name):
    """Three streams side by side, filled in pieces; each is left where NumPy's is."""
    law = MIDDLE[name]
    laws = np.array([streams.law_of(law)], dtype=streams.LAWS)
    states = starts(1)
    ring = np.full((len(SEEDS), 2, MANY + 8), -1, dtype=np.int64)
    at = 0
    for count in (1, 0, 1000, MANY - 1001):
        streams.fill(0, len(states), at, count, laws, np.array([1]), states, streams.tables(), ring)
        at += count
    for row, seed in enumerate(SEEDS):
        expected, state = numpys(law, seed, MANY)
        assert np.array_equal(ring[row, 1, :MANY], expected)
        assert np.array_equal(states[row, 0, :4], state)
    assert (ring[:, 0] == -1).all()
    assert (ring[:, 1, MANY:] == -1).all()


@needs_numba
@pytest.mark.parametrize("name", MIDDLE)
def test_a_draw_ahead_is_the_one_that_numpy_comes_to(name):
    """Tails and the edges of strips lie between, and take more bits than others."""
    law = MIDDLE[name]
    laws = np.array([streams.law_of(law)], dtype=streams.LAWS)
    for row, seed in enumerate(SEEDS):
        kept, at = starts(1)[row, 0], 0
        expected, state = numpys(law, seed, MANY)
        for count in (1, 1, 2, 7, 1000, MANY - 1011):
            at += count
            assert streams.draw_ahead(laws, kept, at - 1, streams.tables()) == expected[at - 1]
        assert np.array_equal(kept[:4], state)


@needs_numba
@pytest.mark.parametrize("name", ["normal", "uniform", "exponential", "limits"])
def test_pages_are_those_of_the_samplers(name, monkeypatch):
    """Draws one after the other in pieces, and single ones with whole pages left out between."""
    monkeypatch.setattr(draws, "PAGE", 64)
    law, source = MIDDLE[name], "barrier.return.jitter lane 0"
    expected = draws.Column(law, 7, 3, source, 5, 2).take(1000)
    laws = np.array([streams.law_of(law, 5)], dtype=streams.LAWS)
    words = draws.words_of(7, 3, f"{source}/bit 2")
    ring = np.zeros((1, 1, 1000), dtype=np.int64)
    states, at = streams.unbegun(words[np.newaxis, np.newaxis]), 0
    for count in (1, 63, 0, 64, 30, 300, 542):
        streams.fill(0, 1, at, count, laws, np.array([0]), states, streams.tables(), ring)
        at += count
    assert ring[0, 0].tolist() == expected.tolist()
    kept = streams.unbegun(words)
    for number in (0, 1, 5, 63, 64, 200, 255, 256, 700, 701, 999):
        assert streams.draw_ahead(laws, kept, number, streams.tables()) == expected[number]


@needs_numba
def test_columns_of_several_laws_do_not_mix():
    laws = [MIDDLE["normal"], MIDDLE["exponential"], MIDDLE["limits"], MIDDLE["uniform"]]
    rows = np.array([streams.law_of(one) for one in laws], dtype=streams.LAWS)
    ring = np.zeros((len(SEEDS), 4, 500), dtype=np.int64)
    streams.fill(
        0, len(SEEDS), 0, 500, rows, np.array([2, 0, 3, 1]), starts(4), streams.tables(), ring
    )
    for row, seed in enumerate(SEEDS):
        for place, law in zip((2, 0, 3, 1), laws, strict=True):
            assert np.array_equal(ring[row, place], numpys(law, seed, 500)[0])


#: Where the tails begin in NumPy's ziggurats.
NORMAL_TAIL, EXPONENTIAL_TAIL = 3.6541528853610088, 7.697117470131050


@pytest.mark.parametrize(("count", "least"), [(MANY, 80), (streams._COMPARED, 2)])
def test_the_rare_branches_are_among_them(count, least):
    """Both here and in what a run itself compares before it draws."""
    normal = abs(np.random.Generator(np.random.SFC64(1)).standard_normal(count)) > NORMAL_TAIL
    tail = np.random.Generator(np.random.SFC64(1)).standard_exponential(count) > EXPONENTIAL_TAIL
    assert normal.sum() > least
    assert tail.sum() > least
    expected = math.erfc(NORMAL_TAIL / math.sqrt(2)), math.exp(-EXPONENTIAL_TAIL)
    for found, share in zip((normal, tail), expected, strict=True):
        assert abs(found.sum() - share * count) < 4 * math.sqrt(share * count)


@pytest.mark.parametrize(
    "law",
    [
        Lognormal(mean=10**6, sigma=10**6),
        Gamma(mean=10**6, sigma=10**5),
        Limits(low=7, typical=7, high=7),
        # What NumPy's draws are clipped at, so that they stay whole numbers of 64 bits.
        Normal(mean=0, sigma=int(CEILING // 40) + 1000),
        Normal(mean=int(CEILING // 2) + 1000, sigma=1),
        Exponential(mean=int(CEILING // 200) + 1000),
    ],
)
def test_other_laws_are_left_to_numpy(law):
    assert streams.law_of(law) is None


@needs_numba
def test_it_agrees_here():
    """Were it not so, a run would be right all the same and slow."""
    assert streams.agrees()


@needs_numba
def test_a_disagreement_is_noticed(monkeypatch):
    found = [one.copy() for one in streams.tables()]
    # The least that could be wrong: how high one of the 256 wedges of the normal law is.
    found[2][200] *= 1.1
    monkeypatch.setattr(streams, "tables", lambda: tuple(found))
    assert not streams.agrees.__wrapped__()


#: A source of each law, and one that is never drawn in the compiled loop.
LAWS = {
    "trials": 5,
    "conversions": 150,
    "seed": 3,
    "fifo.when_full": "drop_old",
    "trigger.jitter": {"shape": "normal", "mean": "0 ns", "sigma": "40 ns", "low": "-9 ns"},
    "converter.conversion_time": {
        "shape": "limits",
        "low": "180 ns",
        "typical": "200 ns",
        "high": "230 ns",
    },
    "barrier.return.jitter": {"shape": "uniform", "low": "0 ns", "high": "7 ns"},
    "host.service_latency": {"shape": "exponential", "mean": "600 ns"},
    "fifo.sync_delay": {"shape": "lognormal", "mean": "6 ns", "sigma": "3 ns"},
}


@needs_numba
@pytest.mark.parametrize("numbers", [0, 2**17])
def test_the_same_records_where_numpy_has_to_draw(monkeypatch, numbers):
    scenario = chain(LAWS)
    with short_stretches(16 if numbers == 0 else 256, numbers=numbers):
        drawn_here = records_of(BatchEngine(), scenario)
        monkeypatch.setattr(streams, "agrees", lambda: False)
        drawn_there = records_of(BatchEngine(), scenario)
    assert unlike(drawn_there, drawn_here) == []
    assert len(set(drawn_here["service"].ravel().tolist())) > 100


def columns():
    some = {"host.service_latency": MIDDLE["exponential"], "a": MIDDLE["limits"]}
    some |= {"b": MIDDLE["normal, between"], "c": Lognormal(mean=10**6, sigma=10**6)}
    some |= {"d": MIDDLE["uniform"], "e": Uniform(low=4, high=4)}
    found = [Source(source, law) for source, law in some.items()]
    return [*found, *(Source("lane 0", MIDDLE["normal"], 8, bit) for bit in (0, 3, 7))]


@needs_numba
def test_rings_hold_the_same_bytes_whoever_draws(monkeypatch):
    """Filled around the ring, widened between, for trials opened one group after another."""
    scenario = chain({"seed": 5})
    rings = []
    for agree in (True, False):
        monkeypatch.setattr(streams, "agrees", lambda agree=agree: agree)
        draws = Draws(scenario, columns())
        assert bool(draws._together.compiled) is agree
        draws.prepare(range(3, 8))
        kept = []
        for trials in (range(3, 6), range(6, 8)):
            draws.open(trials, 16, len(trials))
            for first in (0, 8, 16):
                draws.fill(first, 8)
                kept.append(draws.ring[..., :16].copy())
            before = draws.ring.copy()
            draws.widen(8, 24, 32)
            for conversion in range(8, 24):
                assert np.array_equal(draws.ring[..., conversion], before[..., conversion % 16])
            draws.fill(24, 8)
            kept.append(draws.ring[..., :32].copy())
        rings.append(kept)
    for mine, theirs in zip(*rings, strict=True):
        assert mine.tobytes() == theirs.tobytes()
    assert draws.constant.tolist()[5] == 4
    assert draws.place.tolist() == [0, 1, 2, 3, 4, -1, 5, 6, 7]


LOOP = {"trigger.pattern": "after_read", "trigger.rate": None, "host.timeout": "50 us"}


ALONE = [
    "trigger.jitter", "trigger.gap", "barrier.forward.jitter", "barrier.return.jitter",
    "converter.conversion_time", "converter.busy_delay", "fifo.sync_delay", "host.service_latency",
]  # fmt: skip


@pytest.mark.parametrize(
    ("made", "key"),
    [*((made, key) for made in (chain, serial) for key in ALONE),
     (chain, "remote_clock.start_delay")],
)  # fmt: skip
def test_both_engines_draw_each_law_from_the_same_stream(made, key):
    """It is all that varies, so that a stream of another name would show."""
    law = {"shape": "uniform", "low": "1 ns", "high": "9 ns"}
    loop = LOOP if key == "trigger.gap" else {}
    scenario = made({"conversions": 8, "trials": 2, **loop, key: law})
    assert scenario.is_random
    assert differences(scenario) == []
