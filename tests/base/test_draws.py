"""Draws belong to (seed, trial, source, conversion), and to nothing else."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simlink.base import draws, seeding
from simlink.scenario.loading import from_dict
from simlink.scenario.schema import distributions_in
from tests import strategies
from tests.engines.chain import chain, happened, record

LAWS = {
    "uniform": {"shape": "uniform", "low": "10 ns", "high": "90 ns"},
    "normal": {"shape": "normal", "mean": "50 ns", "sigma": "20 ns", "low": "0 ns"},
    "exponential": {"shape": "exponential", "mean": "50 ns"},
    "lognormal": {"shape": "lognormal", "mean": "50 ns", "sigma": "70 ns"},
    "gamma": {"shape": "gamma", "mean": "50 ns", "sigma": "70 ns"},
    "limits": {"shape": "limits", "low": "1 ns", "typical": "5 ns", "high": "90 ns"},
    "mixture": {
        "shape": "mixture",
        "parts": [
            {"weight": 0.7, "of": {"shape": "gamma", "mean": "50 ns", "sigma": "70 ns"}},
            {"weight": 0.3, "of": {"shape": "uniform", "low": "0 ns", "high": "1 ns"}},
        ],
    },
    "two_state": {
        "shape": "two_state",
        "normal": {"shape": "exponential", "mean": "5 ns"},
        "stalled": {"shape": "uniform", "low": "1 us", "high": "2 us"},
        "spacing": {"shape": "geometric", "mean": 7},
        "length": {"shape": "uniform", "low": 1, "high": 4},
    },
    "recorded": {
        "shape": "recorded",
        "file": str(strategies.RECORDINGS),
        "column": "fine_ns",
        "unit": "ns",
    },
}


def law(name):
    return chain({"host.service_latency": LAWS[name]}).host.service_latency


def column(name, seed=1, trial=0, source="host.service_latency", **bits):
    return draws.Column(law(name), seed, trial, source, **bits)


@pytest.mark.parametrize("name", LAWS)
@settings(max_examples=15)
@given(sizes=st.lists(st.integers(0, 90), min_size=1, max_size=8))
def test_draws_do_not_depend_on_how_many_are_taken_at_a_time(name, sizes):
    whole = column(name).take(sum(sizes))
    some = column(name)
    assert np.concatenate([some.take(size) for size in sizes]).tolist() == whole.tolist()


@pytest.mark.parametrize("name", LAWS)
def test_seeds_trials_and_sources_have_their_own_streams(name):
    """Of 60 draws, chance alone would hardly make two streams share the whole."""
    streams = [
        column(name).take(60),
        column(name, seed=2).take(60),
        column(name, trial=1).take(60),
        column(name, source="fifo.sync_delay").take(60),
        column(name, stride=2, offset=1).take(60),
    ]
    if name == "recorded":
        # Start rows may coincide by chance: only over many trials must they differ.
        starts = {int(column(name, trial=trial).take(1)[0]) for trial in range(50)}
        assert len(starts) == 7
        return
    assert len({tuple(stream.tolist()) for stream in streams}) == len(streams)


@pytest.mark.parametrize("other", ["seed", "trial", "source"])
def test_streams_are_uncorrelated(other):
    """The correlation of n independent pairs has a standard error of 1 / sqrt(n)."""
    count = 20_000
    for step in range(5):
        changed = {"seed": 2 + step, "trial": 1 + step, "source": f"trigger.jitter {step}"}[other]
        one = column("uniform").take(count)
        two = column("uniform", **{other: changed}).take(count)
        assert abs(np.corrcoef(one, two)[0, 1]) * np.sqrt(count) < 4


def test_trial_and_seed_do_not_stand_in_for_each_other():
    """Seed 1 trial 2 is not seed 2 trial 1, nor seed 3 trial 0."""
    pairs = [(1, 2), (2, 1), (3, 0), (0, 3)]
    found = {tuple(column("uniform", seed, trial).take(8).tolist()) for seed, trial in pairs}
    assert len(found) == len(pairs)


def test_a_constant_is_given_without_a_stream():
    found = draws.Column(chain().host.service_latency, 1, 0, "host.service_latency")
    assert found.constant == 100 * 10**6
    assert found.take(3).tolist() == [100 * 10**6] * 3


def test_a_value_of_a_unit_is_the_first_of_its_stream():
    assert draws.once(law("gamma"), 1, 0, "x") == column("gamma", source="x").take(1)[0]


GENERATED = ("a", "b", "c")


@pytest.mark.parametrize("together", [(), ("a",), GENERATED])
def test_generators_of_many_trials_are_those_of_each(together):
    """Whatever was hashed together, and in which order they are asked for."""
    made = draws.Generators(5, range(3, 7), together)
    for trial in (4, 6, 3, 4):
        for source in GENERATED:
            expected = draws.generator(5, trial, source).random(20).tolist()
            assert made.passing(trial, source).random(20).tolist() == expected


@given(st.integers(0, 2**40), st.integers(0, 2**40), st.integers(1, 4))
def test_generators_start_where_those_of_each_do(seed, first, count):
    made = draws.Generators(seed, range(first, first + count), GENERATED)
    found = made.words(range(first, first + count), GENERATED)
    assert found.shape == (count, 3, 3)
    for row, trial in enumerate(range(first, first + count)):
        for at, source in enumerate(GENERATED):
            state = draws.generator(seed, trial, source).bit_generator.state["state"]["state"]
            assert seeding.states(found)[row, at].tolist() == state.tolist()
    assert made.words(range(first, first + 1), []).shape == (1, 0, 3)
    assert (made.words(range(first + count - 1, first + count), ["c"]) == found[-1:, 2:]).all()


def test_generators_of_the_parts_of_a_source_do_not_disturb_each_other():
    made = draws.Generators(5, range(2), ["a"]).streams(1, "a")
    whole, part = made(""), made("part")
    found = [(whole.random(), part.random()) for _ in range(9)]
    one, other = draws.generator(5, 1, "a"), draws.generator(5, 1, "a/part")
    assert found == [(one.random(), other.random()) for _ in range(9)]


@pytest.mark.parametrize("name", LAWS)
@settings(max_examples=15)
@given(st.integers(0, 2**33), st.integers(0, 2**33), st.integers(0, 5))
def test_values_of_many_units_are_those_of_each(name, seed, first, count):
    trials = range(first, first + count)
    laws = {"a": law(name), "fixed": chain().host.service_latency, "b": law(name)}
    found = draws.once_each(laws, seed, trials)
    assert list(found) == list(laws)
    for source, one in laws.items():
        assert found[source].dtype == np.int64
        expected = [draws.once(one, seed, trial, source) for trial in trials]
        assert found[source].tolist() == expected


# In an engine: every source is random, one of them is changed.

RANDOM = {
    "seed": 3,
    "conversions": 40,
    "trigger.jitter": {"shape": "normal", "mean": "0 ns", "sigma": "3 ns"},
    "trigger.tolerance": {"shape": "uniform", "low": "-100 ppm", "high": "100 ppm"},
    "converter.conversion_time": LAWS["limits"],
    "converter.aperture_jitter": {"shape": "normal", "mean": "0 ns", "sigma": "1 ns"},
    "remote_clock.start_delay": LAWS["uniform"],
    "remote_clock.tolerance": {"shape": "uniform", "low": "-100 ppm", "high": "100 ppm"},
    "barrier.forward.delay": {"shape": "uniform", "low": "20 ns", "high": "30 ns"},
    "barrier.forward.jitter": {"shape": "uniform", "low": "0 ns", "high": "2 ns"},
    "barrier.return.delay": {"shape": "uniform", "low": "20 ns", "high": "30 ns"},
    "barrier.return.jitter": {"shape": "uniform", "low": "0 ns", "high": "2 ns"},
    "fifo.sync_delay": LAWS["uniform"],
    "host.service_latency": LAWS["exponential"],
}


def steps(scenario):
    """Return what each source alone decides of every conversion: differences along the chain."""
    found = record(scenario)
    return {
        "trigger": (found.trigger - found.due)[0].tolist(),
        "due": found.due[0].tolist(),
        "conversion": (found.ready - found.aperture)[0].tolist(),
        "return": (found.last_bit - found.first_bit)[0].ravel().tolist(),
        "service": (found.read_start - found.service)[0].tolist(),
    }


@pytest.mark.parametrize(
    ("key", "value", "moves"),
    [
        ("host.service_latency", LAWS["gamma"], {"service"}),
        ("fifo.sync_delay", "3 ns", set()),
        ("fifo.depth", 40, set()),
        ("fifo.when_full", "drop_old", set()),
        ("remote_clock.start_delay", "3 ns", set()),
        ("trigger.jitter", {"shape": "uniform", "low": "0 ns", "high": "1 ns"}, {"trigger"}),
        ("trigger.tolerance", "0 ppm", {"due"}),
        ("converter.conversion_time", LAWS["uniform"], {"conversion"}),
        ("barrier.return.jitter", "0 ns", {"return"}),
        ("barrier.return.delay", "20 ns", set()),
        ("barrier.forward.jitter", "1 ns", set()),
    ],
)
def test_changing_one_source_moves_no_other_draw(key, value, moves):
    """Services far apart, so that each frame is served by itself whatever came before."""
    before, after = chain(RANDOM), chain(RANDOM | {key: value})
    before, after = steps(before), steps(after)
    assert {name for name in before if before[name] != after[name]} == moves


def test_missed_triggers_do_not_shift_what_later_conversions_draw():
    """At 8 MHz most triggers are missed; those taken have the draws of their own index."""
    rare, often = record(chain(RANDOM)), record(chain(RANDOM | {"trigger.rate": "8 MHz"}))
    taken = [k for k, one in enumerate(happened(often.ready)) if one is not None]
    assert 5 < len(taken) < 35
    for one in (rare, often):
        one.kept = ((one.ready - one.aperture)[0, taken], (one.trigger - one.due)[0, taken])
    assert np.array_equal(rare.kept, often.kept)


def test_dropped_frames_do_not_shift_what_later_conversions_draw():
    """A deep FIFO and a shallow one: services that begin with the same frame take the same."""
    slow = RANDOM | {"host.service_latency": {"shape": "exponential", "mean": "1500 ns"}}
    deep, shallow = (
        record(chain(slow | {"fifo.depth": 40})),
        record(chain(slow | {"fifo.depth": 1})),
    )
    latency = [dict(enumerate(happened(one.read_start - one.service))) for one in (deep, shallow)]
    served = [k for k, one in enumerate(happened(shallow.read_end)) if one is not None]
    assert 5 < len(served) < 35
    assert [latency[0][k] for k in served] == [latency[1][k] for k in served]


def test_more_conversions_or_trials_move_no_draw():
    short, long = chain(RANDOM), chain(RANDOM | {"conversions": 300, "trials": 5})
    one, two = record(short), record(long)
    assert one.last_bit[0].tolist() == two.last_bit[0, :40].tolist()
    assert one.read_end[0].tolist() == two.read_end[0, :40].tolist()


def test_a_recording_gives_consecutive_rows(recording):
    """Conversion k takes row k of 5, wrapping; bit i of conversion k of a 4-bit frame 4 k + i."""
    latencies = [100, 200, 300, 400, 500]
    found = record(chain({"conversions": 12, "host.service_latency": recording(latencies)}))
    taken = (found.read_start - found.service)[0] // 10**6
    assert taken.tolist() == [latencies[k % 5] for k in range(12)]
    jitter = [1, 2, 3, 4, 5, 6]
    found = record(chain({"conversions": 6, "barrier.return.jitter": recording(jitter)}))
    first = (found.first_bit[0, :, 0, 0] - found.ready[0]) // 10**6 - 30
    assert first.tolist() == [jitter[4 * k % 6] for k in range(6)]


def test_every_random_law_of_a_scenario_is_drawn_from_a_stream_of_its_own(monkeypatch):
    """No two quantities ask for the generator, or the state, of one name."""
    asked = []
    real, real_words = draws.generator, seeding.words

    def noted(seed, trial, source, page=0):
        asked.append(source)
        return real(seed, trial, source, page)

    def noted_words(seed, trials, sources):
        asked.extend(sources)
        return real_words(seed, trials, sources)

    monkeypatch.setattr(draws, "generator", noted)
    monkeypatch.setattr(seeding, "words", noted_words)
    scenario = chain(RANDOM | {"frame.lanes": 2})
    record(scenario)
    assert len(asked) == len(set(asked))
    random = sum(one.is_random for one in distributions_in(scenario))
    # The return jitter has one for each of 4 bits on each of 2 lanes, one for the edge that takes
    # the last bit away from each, and one for each of the strobe's 8 edges.
    assert len(asked) == random - 1 + 8 + 2 + 8


def test_a_scenario_read_again_draws_the_same(tmp_path):
    scenario = chain(RANDOM)
    again = from_dict(scenario._raw)
    assert record(scenario).same_as(record(again))


class Words(np.random.bit_generator.ISeedSequence):
    """Seeds one of NumPy's generators with words that are given."""

    def __init__(self, words):
        self.words = words

    def generate_state(self, n_words, dtype=np.uint32):
        assert (n_words, dtype) == (3, np.uint64)
        return self.words


@pytest.mark.parametrize("name", ["uniform", "normal", "gamma", "limits"])
def test_each_page_of_a_bit_is_a_generator_of_its_own(name, monkeypatch):
    """NumPy's, seeded with the source's three words, the page added to the last."""
    monkeypatch.setattr(draws, "PAGE", 50)
    sequence = np.random.SeedSequence(seeding.entropy(1, 2, "host.service_latency/bit 3"))
    words, expected = sequence.generate_state(3, np.uint64), []
    for _ in range(4):
        raw = np.empty(50)
        law(name).draw_raw(np.random.Generator(np.random.SFC64(Words(words))), raw)
        expected += law(name).from_raw(raw).tolist()
        with np.errstate(over="ignore"):
            words = words + np.array([0, 0, 1], dtype=np.uint64)
    whole = column(name, trial=2, stride=4, offset=3)
    found = [whole.take(count) for count in (1, 49, 0, 7, 120, 23)]
    assert np.concatenate(found).tolist() == expected


def test_the_first_page_of_a_bit_is_the_generator_of_its_name():
    expected = np.empty(draws.PAGE)
    law("gamma").draw_raw(draws.generator(1, 0, "host.service_latency/bit 1"), expected)
    found = column("gamma", stride=3, offset=1).take(draws.PAGE)
    assert found.tolist() == law("gamma").from_raw(expected).tolist()


def test_of_two_draws_a_frame_each_begins_another_page_after_4096():
    """Were it elsewhere, every draw from there on would be another one."""
    raw = np.empty(2)
    law("uniform").draw_raw(draws.generator(1, 0, "host.service_latency/bit 1", 1), raw)
    found = column("uniform", stride=2, offset=1).take(4098)
    assert found[4096:].tolist() == law("uniform").from_raw(raw).tolist()


def test_what_is_drawn_once_a_frame_has_no_pages(monkeypatch):
    monkeypatch.setattr(draws, "PAGE", 50)
    raw = np.empty(200)
    law("gamma").draw_raw(draws.generator(1, 0, "host.service_latency"), raw)
    assert column("gamma").take(200).tolist() == law("gamma").from_raw(raw).tolist()


@settings(max_examples=15)
@given(sizes=st.lists(st.integers(0, 90), min_size=1, max_size=8))
@pytest.mark.parametrize("name", LAWS)
def test_draws_of_a_bit_do_not_depend_on_how_many_are_taken_at_a_time(name, sizes):
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(draws, "PAGE", 16)
        whole = column(name, stride=4, offset=1).take(sum(sizes))
        some = column(name, stride=4, offset=1)
        assert np.concatenate([some.take(size) for size in sizes]).tolist() == whole.tolist()


def test_generators_of_a_page_are_the_same_whoever_makes_them():
    made = draws.Generators(5, range(1, 3), ["a"]).streams(2, "a")
    for page in (0, 1, 7):
        expected = draws.generator(5, 2, "a/bit 1", page).random(9).tolist()
        assert made("bit 1", page).random(9).tolist() == expected
        assert draws.streams(5, 2, "a")("bit 1", page).random(9).tolist() == expected
