import os

import numpy as np
import pytest

from simlink.base.errors import InputError
from simlink.running.run import run
from simlink.scenario.loading import load
from simlink.studies.counterexample import counterexample
from tests.proofs.bounded import bounded
from tests.proofs.test_bounds import scenario

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


def test_examples_of_random_scenarios_break_them(tmp_path):
    names = ("overrun", "missed_trigger", "not_received")
    for seed in range(int(os.environ.get("SIMLINK_MANY", "3"))):
        rng = np.random.default_rng(seed)
        tried = bounded(rng)
        found = counterexample(tried.with_value("fifo.depth", tried.host.watermark), "fifo")
        if found.found:
            folder = tmp_path / str(seed)
            folder.mkdir()
            figures = run(found.save(folder), workers=1).figures
            assert sum(figures[name].count for name in names), seed


def test_what_does_not_apply_is_refused():
    with pytest.raises(InputError, match=r"host\.timeout"):
        counterexample(scenario(), "timeout")
    with pytest.raises(InputError, match="--limit"):
        counterexample(scenario(), "depth")
