import json
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import numpy as np
import pytest

from simlink.base.errors import InputError
from simlink.pictures.sizing_table import table
from simlink.studies import size as sizes
from simlink.studies.size import size
from simlink.studies.sizing import Search, Verdict
from tests.proofs.test_bounds import scenario

LATENCY = {"shape": "exponential", "mean": "400 ns"}


def queue(**changes):
    return scenario(conversions=4000, frame__word_bits=1, host__service_latency=LATENCY, **changes)


def test_the_same_bytes_however_it_is_spread():
    plain = size(queue(), at_most=1e-3, workers=1)
    with ThreadPoolExecutor(2) as executor:
        spread = size(queue(), at_most=1e-3, executor=executor)
        assert executor.submit(int, "1").result() == 1
    assert plain.to_json() == spread.to_json()
    assert plain.meets


def test_processes_give_the_same_bytes(monkeypatch):
    monkeypatch.setattr("simlink.studies.sizing_jobs._WORTH", 0)
    assert (
        size(queue(), at_most=1e-2, workers=2).to_json()
        == size(queue(), at_most=1e-2, workers=1).to_json()
    )


def test_a_bounded_latency_has_its_bound_beside_it():
    found = size(scenario(host__service_latency="790 ns", fifo__sync_delay="2500 ns"), at_most=1e-3)
    assert found.units == "exact"
    assert found.bound.depth == found.answer == 4
    assert found.to_dict()["bound"]["value"] == 4
    assert found.points[-1].verdict is Verdict.PROVEN


def test_what_is_drawn_once_a_unit_makes_trials_the_units():
    spread = {"shape": "uniform", "low": "0 ns", "high": "5 ns"}
    found = size(queue(barrier__return_={"delay": "9 ns", "spread": spread}), at_most=1e-2)
    assert found.units == "trials"
    assert found.meets


def test_the_smallest_release_threshold():
    latency = {"shape": "uniform", "low": "0 ns", "high": "150 ns"}
    tried = scenario(host__clock="200 MHz", host__service_latency=latency, conversions=2000)
    found = size(tried, "release-bits", at_most=0.02)
    assert found.settled
    assert isinstance(found.answer, int)
    assert found.answer < found.bound
    # Eight bits at 20 ns; bit 8 is taken 37.5 ns into the read. Released at bit r, it comes
    # 20 (8 - r) ns later, so the read underruns if the latency is below 20 (8 - r) - 37.5.
    shares = [max(0, 20 * (8 - bits) - 37.5) / 150 for bits in range(1, 9)]
    assert found.answer == 1 + int(np.argmax(np.array(shares) <= 0.02))


def test_the_highest_trigger_rate():
    found = size(queue(), "trigger-rate", at_most=1e-2)
    assert found.settled
    # At depth 4 the host is loaded by 0.425 of a microsecond a frame.
    assert 1e6 < found.answer < 3e6
    slower = size(queue(fifo__depth=2), "trigger-rate", at_most=1e-2)
    assert slower.answer < found.answer
    assert "MHz" in found.verdict


@pytest.mark.parametrize(
    ("sought", "best", "what"),
    [("depth", "smallest", "FIFO depth"), ("trigger-rate", "highest", "trigger rate")],
)
def test_an_answer_that_was_not_settled_is_not_called_the_smallest(sought, best, what):
    """As where the budget cannot tell of the value one step less safe."""
    found = size(queue(), sought, at_most=1e-2)
    assert found.verdict.startswith(f"The {best} {what} for an overrun ")
    open_ = replace(found, settled=False, interrupted=True).verdict
    value = found.text_of(found.answer)
    assert open_.startswith(f"A {what} of {value} has an overrun ")
    assert f"Whether it is the {best} is not shown." in open_
    assert f"The {best}" not in open_


def test_a_budget_that_cannot_show_the_target():
    found = size(queue().with_(conversions=5000), at_most=1e-6, trials=200)
    assert not found.meets
    assert not found.supported
    assert found.needed > 3e6
    assert "cannot be shown with 1e+06 conversions" in found.verdict
    assert json.loads(found.to_json())["conversions_needed"] == found.needed


def test_table_and_plot_show_every_value():
    found = size(queue(), at_most=5e-3)
    table = found.table
    assert list(table["fifo.depth"]) == sorted(table["fifo.depth"])
    assert set(table["verdict"]) >= {"meets", "exceeds"}
    ax = found.plot()
    assert ax.get_yscale() == "log"
    target = next(line for line in ax.lines if line.get_label() == "target")
    assert set(target.get_ydata()) == {5e-3}
    low, high = ax.get_ylim()
    assert low < 5e-3 < high
    for _, row in table[table["verdict"] == "meets"].iterrows():
        assert row["low"] <= row["value"] <= row["high"] <= 5e-3


def test_interrupted_it_keeps_what_it_found(monkeypatch):
    test, called = Search._test, []

    def once(self, at, miss):
        if called:
            raise KeyboardInterrupt
        called.append(at)
        return test(self, at, miss)

    monkeypatch.setattr(Search, "_test", once)
    found = size(queue(), at_most=5e-3)
    assert found.interrupted
    assert found.answer in (None, called[0])
    assert {point.at for point in found.points} > set(called)
    assert json.loads(found.to_json())["interrupted"] is True


@pytest.mark.parametrize(
    ("sought", "more", "changes", "said"),
    [
        ("width", {}, {}, '--for: got "width"; one of depth, release-bits, trigger-rate'),
        ("depth", {"at_most": 0.0}, {}, "the target: got 0.0; a share above 0 and below 1"),
        ("depth", {"at_most": float("nan")}, {},
         "the target: got nan; a share above 0 and below 1"),
        ("depth", {"confidence": 1.0}, {}, "--confidence: got 1.0; from 0.5 to below 1"),
        ("depth", {"budget": 0}, {}, "--budget: got 0; a whole number from 1"),
        ("depth", {}, {"fifo__when_full": "stall"},
         '<scenario>: fifo.when_full: got "stall"; nothing overruns, so there is no depth to find; '
         "size the trigger-rate instead"),
        ("trigger-rate", {}, {"trigger__pattern": "after_read", "trigger__gap": "1 us",
                              "trigger__rate": None, "host__timeout": "90 us"},
         "<scenario>: trigger.rate: after_read has no rate to size"),
    ],
)  # fmt: skip
def test_questions_that_make_no_sense(sought, more, changes, said, monkeypatch):
    monkeypatch.setattr(sizes, "Search", lambda *args, **kwargs: pytest.fail("ran for nothing"))
    with pytest.raises(InputError) as error:
        size(queue(**changes), sought, **{"at_most": 1e-3, **more})
    assert str(error.value) == said


@pytest.mark.parametrize(
    ("changes", "rate"),
    [
        # Steps of 2 % from 1 MHz: 900 ns of the host are kept at 1.104 and not at 1.126 MHz.
        ({}, 1_104_000.0),
        # 1060 ns of the converter at 942.3 and not at 961.2 kHz.
        ({"converter__conversion_time": "900 ns", "host__service_latency": "100 ns"}, 942_300.0),
        # 500.16 us: 1999.4 Hz at the most.
        ({"converter__conversion_time": "500 us"}, 1993.0),
    ],
)
def test_the_highest_rate_has_its_proven_bound(changes, rate):
    found = size(scenario(conversions=2000, **changes), "trigger-rate", at_most=1e-3)
    assert found.bound == rate
    assert found.answer >= rate
    assert found.to_dict()["bound"] == {"value": rate}
    assert f"Proven never to lose a frame: {found.text_of(rate)}." in " ".join(table(found).split())


def test_a_rate_without_a_bound_says_why():
    found = size(queue(), "trigger-rate", at_most=1e-2)
    assert found.bound is None
    assert found.no_bound == "the service latency has no upper bound"
