import os

import numpy as np
import pytest

from simlink.base.errors import InputError
from simlink.running.run import run
from simlink.scenario.loading import load
from simlink.studies.counterexample import counterexample
from simlink.studies.counterexample_search import Search
from simlink.verdict.limit import Known
from tests.budget.budget_cases import made
from tests.proofs.bounded import bounded, law
from tests.proofs.test_bounds import scenario
from tests.verdict.bottlenecks import BASES

LATENCY = {"shape": "uniform", "low": "0 ns", "high": "2500 ns"}


def test_the_smallest_case_of_a_full_fifo(tmp_path):
    """One latency above 1660 ns keeps frame 0 until frame 2 comes at 2000: two slots are taken.

    Read out 200 ns after 140 + latency, which is as near to the median of 1250 as can be.
    """
    tried = scenario(host__service_latency=LATENCY, host__drain=True, fifo__depth=2)
    found = counterexample(tried, "fifo")
    assert found.conversions == 3
    (latency,) = {max(drawn) for drawn in found.rows.values()}
    assert 1_660_000_000 < latency < 1_720_000_000
    assert found.sentence == (
        "3 slots: proven enough; 2: after 3 conversions a frame finds no free slot, example; "
        "nothing undecided."
    )
    example = found.save(tmp_path)
    assert load(tmp_path / "counterexample.toml") == example
    assert run(example, workers=1).figures["overrun"].count == 1
    assert run(load(tmp_path / "counterexample.toml"), engine="event").figures["overrun"].count == 1


def test_what_is_proven_has_no_example():
    tried = scenario(host__service_latency=LATENCY, host__drain=True, fifo__depth=3)
    found = counterexample(tried, "fifo")
    assert not found.found
    assert found.sentence == (
        "There is no counterexample: 3 slots of 3: proven enough, for every draw within the given "
        "laws."
    )


def test_a_gap_is_told():
    tried = scenario(host__service_latency=LATENCY, host__drain=True, fifo__depth=1)
    assert "2: can be broken, too" in counterexample(tried, "fifo").sentence


@pytest.mark.parametrize(
    ("limit", "figure", "changes"),
    [
        ("early-read", "underrun", {"fifo__release_bits": 3, "host__clock": "200 MHz",
                                    "host__service_latency": LATENCY}),
        ("period", "missed_trigger", {"converter__conversion_time": LATENCY}),
        ("period", "missed_trigger", {"trigger__pattern": "poisson"}),
        ("acquisition", "short_acquisition", {
            "converter__acquisition_time": "600 ns",
            "converter__conversion_time": {"shape": "uniform", "low": "0 ns", "high": "500 ns"}}),
        ("timeout", "timed_out", {"host__timeout": "450 ns", "converter__conversion_time":
                                  {"shape": "uniform", "low": "0 ns", "high": "400 ns"}}),
        # Frames come of no triggers that are closer together than 200 + 8 x 20 ns.
        ("fifo", "overrun", {"trigger__pattern": "poisson", "fifo__depth": 2,
                             "host__service_latency": LATENCY}),
        ("fifo", "overrun", {"trigger__pattern": "burst", "trigger__burst_length": 1,
                             "trigger__gap": {"shape": "exponential", "mean": "3 us"},
                             "fifo__depth": 2, "host__service_latency": LATENCY}),
        ("fifo", "missed_trigger", {"fifo__when_full": "stall", "fifo__depth": 1,
                                    "host__service_latency": LATENCY}),
    ],
)  # fmt: skip
def test_each_example_breaks_its_limit(tmp_path, limit, figure, changes):
    found = counterexample(scenario(**changes), limit)
    assert found.found, found.sentence
    found.save(tmp_path)
    again = load(tmp_path / "counterexample.toml")
    assert again.conversions == found.conversions
    assert run(again, workers=1).figures[figure].count


def test_gaps_are_tried_that_the_converter_keeps_up_with():
    """200 ns, and eight cycles of 20 ns; jitter may bring two triggers 100 ns closer together."""
    poisson = scenario(trigger__pattern="poisson")
    law = Search(poisson, "fifo").laws["trigger.gap"]
    assert law.ends == [law.values[0], law.values[-1], 360 * 10**6]
    assert law.values == sorted(law.values)
    jitter = {"shape": "uniform", "low": "-50 ns", "high": "50 ns"}
    moved = Search(poisson.with_value("trigger.jitter", jitter), "fifo").laws["trigger.gap"]
    assert moved.between == 460 * 10**6
    # Nothing bounds either: 200 ns are the mean.
    free = {"shape": "exponential", "mean": "200 ns"}
    unbounded = poisson.with_values({"trigger.jitter": free, "converter.conversion_time": free})
    assert Search(unbounded, "fifo").laws["trigger.gap"].between == 360 * 10**6
    # A law of longer gaps has its own ends.
    long = {"shape": "uniform", "low": "400 ns", "high": "900 ns"}
    changes = {"trigger.pattern": "burst", "trigger.burst_length": 2, "trigger.gap": long}
    assert Search(scenario().with_values(changes), "fifo").laws["trigger.gap"].between is None


def test_of_two_draws_that_break_nothing_the_one_with_less_left_is_nearer(tmp_path):
    """Bits are valid 3 ns or 9 ns after the edge, and captured half a period of 20 ns later."""
    valid = {"shape": "uniform", "low": "0 ns", "high": "12 ns"}
    search = Search(scenario(converter__data_valid=valid), "setup")
    search.folder = tmp_path
    far, near = (search._run({"converter.data_valid": [ns * 10**6]}, 3) for ns in (3, 9))
    assert far[0] is near[0] is None
    assert near[1] > far[1]


def host_clocked(rng):
    """Return a random scenario without a FIFO, of which the longest cycles do not fit."""
    changes = {
        "conversions": 24,
        "trials": 1,
        "converter.conversion_time": law(rng, 300, 900),
        "converter.acquisition_time": law(rng, 0, int(rng.choice([500, 3600]))),
        "host.service_latency": law(rng, 0, int(rng.choice([300, 2500]))),
    }
    if rng.integers(2):
        changes["host.timeout"] = f"{int(rng.integers(500, 4000))} ns"
    kind = int(rng.integers(4))
    if kind == 0:
        changes["trigger.pattern"] = "poisson"
    elif kind == 1:
        jitter = {"shape": "uniform", "low": "-200 ns", "high": "200 ns"}
        changes["trigger.jitter"] = jitter
    return made(changes, BASES[str(rng.choice(["forwarded_clock", "returned_clock"]))])


ROWS = {"fifo": "fifo_depth", "early-read": "early_read"}


def test_examples_of_random_scenarios_break_them(tmp_path):
    """Each example, saved and run, has the row of its limit broken."""
    found = 0
    for seed in range(int(os.environ.get("SIMLINK_MANY", "4"))):
        rng = np.random.default_rng(seed)
        tried = bounded(rng) if seed % 3 else host_clocked(rng)
        for limit in ("fifo", "early-read", "period", "acquisition", "timeout"):
            try:
                asked = tried
                if limit == "fifo":
                    asked = tried.with_value("fifo.depth", tried.host.watermark)
                example = counterexample(asked, limit)
            except InputError:
                # The limit does not apply.
                continue
            if not example.found:
                continue
            folder = tmp_path / f"{seed}-{limit}"
            folder.mkdir()
            example.save(folder)
            verdict = run(load(folder / "counterexample.toml"), workers=1).verdict
            assert verdict[ROWS.get(limit, limit)].known is Known.VIOLATED, (seed, limit)
            found += 1
    assert found


def test_what_does_not_apply_is_refused():
    with pytest.raises(InputError, match=r"host\.timeout"):
        counterexample(scenario(), "timeout")
    with pytest.raises(InputError, match="--limit"):
        counterexample(scenario(), "depth")
    for limit in ("fifo", "early-read"):
        with pytest.raises(InputError, match="remote_master, the one scheme with a FIFO"):
            counterexample(scenario(link__scheme="returned_clock"), limit)
    with pytest.raises(InputError) as error:
        counterexample(scenario(), "acquisition")
    said = "<scenario>: converter.acquisition_time: got 0 s; longer than 0 s, for this limit"
    assert str(error.value) == said
    # Without a strobe that has to be some width there is no shortest pulse.
    with pytest.raises(InputError) as error:
        counterexample(scenario(), "pulse")
    assert str(error.value).startswith("<scenario>: --limit: got pulse; of this scenario one of ")
    assert str(error.value).endswith("setup, hold, first-bit")


NORMAL = {"shape": "normal", "mean": "500 ns", "sigma": "20 ns", "low": "0 ns"}


@pytest.mark.parametrize(
    ("limit", "changes", "said"),
    [
        ("fifo", {"fifo__depth": 5}, "4 slots of 5: proven enough"),
        ("fifo", {"fifo__depth": 4}, "4 slots of 4: proven enough"),
        ("early-read", {"fifo__release_bits": 4}, "1 bit of 4: proven enough"),
        ("period", {}, "the limit is proven never to be broken"),
        ("setup", {}, "the limit is proven never to be broken"),
        # 500 ns and 7.04 x 20 ns, to which 340 ns of clock, crossings and read come: 1.98 slots.
        ("fifo", {"host__service_latency": NORMAL, "fifo__sync_delay": "0 ns", "fifo__depth": 1},
         "1 slot of 1: proven enough"),
    ],
)  # fmt: skip
def test_where_a_proof_is_enough_nothing_is_searched(limit, changes, said, monkeypatch):
    monkeypatch.setattr("simlink.studies.counterexample.Search", lambda *args: pytest.fail("ran"))
    late = {"host__service_latency": "790 ns", "fifo__sync_delay": "2500 ns"}
    late = scenario(**{**late, **changes})
    found = counterexample(late, limit)
    assert not found.found
    assert found.sentence.startswith(f"There is no counterexample: {said}, ")
