import json
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import numpy as np
import pytest

from simlink.base.cautions import CAUTIONS
from simlink.base.errors import InputError
from simlink.base.version import __version__
from simlink.pictures.sizing_table import table
from simlink.records import Fate
from simlink.studies import size as sizes
from simlink.studies.ladder import Verdict
from simlink.studies.lagging import lag_of
from simlink.studies.size import size
from simlink.studies.sizing import Search
from tests.proofs.test_bounds import count, scenario

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


def test_the_answer_as_json_holds_it():
    """1 + 1 MHz x (2.5 us, 790 ns, and 340 of clock, crossings and read) are 4.63 slots."""
    found = size(scenario(host__service_latency="790 ns", fifo__sync_delay="2500 ns"), at_most=1e-3)
    said = found.to_dict()
    assert said.pop("scenario")["fifo"]["sync_delay"] == "2500 ns"
    assert said.pop("bound") == pytest.approx(
        {"value": 4, "linear": 4.63, "burst": 1, "rate": 1e6, "service_rate": 1 / 990e-9,
         "latency": 3.63e-6}
    )  # fmt: skip
    assert said == {
        "engine": "batch",
        "seed": 1,
        "version": __version__,
        "interrupted": False,
        "sought": "depth",
        "figure": "overrun",
        "target": 1e-3,
        "confidence": 0.95,
        "answer": 4,
        "settled": False,
        "known": "proven",
        "none_will": False,
        "piles_up": False,
        "lags": False,
        "verdict": found.verdict,
        "units": "exact",
        "conversions_used": 0,
        "conversions_needed": None,
        "budget": 1_000_000,
        "supported": True,
        "no_bound": None,
        "points": [
            {
                "fifo.depth": 4,
                "value": None,
                "low": 0,
                "high": 0,
                "count": 0,
                "of": 0,
                "independent": 0,
                "looks": 0,
                "verdict": "proven",
            }
        ],
        "cautions": CAUTIONS,
    }


def test_what_is_drawn_once_a_unit_makes_trials_the_units():
    spread = {"shape": "uniform", "low": "0 ns", "high": "5 ns"}
    found = size(
        queue(barrier__return_={"delay": "9 ns", "part_to_part_skew": spread}), at_most=1e-2
    )
    assert found.units == "trials"
    assert found.meets


def test_the_smallest_release_threshold():
    latency = {"shape": "uniform", "low": "0 ns", "high": "150 ns"}
    tried = scenario(host__clock="200 MHz", host__service_latency=latency, conversions=2000)
    found = size(tried, "release-bits", at_most=0.02, beyond_proof=True)
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
    ("sought", "best", "what", "lost"),
    [
        ("depth", "smallest", "FIFO depth", "an overrun"),
        ("trigger-rate", "highest", "trigger rate", "a loss"),
    ],
)
def test_an_answer_that_was_not_settled_is_not_called_the_smallest(sought, best, what, lost):
    """As where the budget cannot tell of the value one step less safe."""
    found = size(queue(), sought, at_most=1e-2)
    assert found.verdict.startswith(f"The {best} {what} for {lost} ")
    open_ = replace(found, settled=False, interrupted=True).verdict
    value = found.text_of(found.answer)
    assert open_.startswith(f"A {what} of {value} has {lost} ")
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
        ("depth", {"at_most": 1}, {}, "the target: got 1; a share above 0 and below 1"),
        ("depth", {"confidence": 0.49}, {},
         "--confidence: got 0.49; a number from 0.5 to below 1, such as 0.95"),
        ("depth", {"confidence": 1.0}, {},
         "--confidence: got 1.0; a number from 0.5 to below 1, such as 0.95"),
        ("depth", {"budget": 0}, {}, "--budget: got 0; a whole number from 1"),
        ("depth", {"trials": 0}, {}, "--trials: got 0; a whole number from 1"),
        ("depth", {}, {"fifo__when_full": "stall"},
         '<scenario>: fifo.when_full: got "stall"; nothing overruns, so there is no depth to find; '
         "size the trigger-rate instead"),
        ("depth", {}, {"link__scheme": "returned_clock"},
         "<scenario>: link.scheme: got returned_clock; remote_master, the one scheme with a FIFO"),
        ("release-bits", {}, {"link__scheme": "forwarded_clock"},
         "<scenario>: link.scheme: got forwarded_clock; remote_master, the one scheme with a FIFO"),
        ("trigger-rate", {}, {"trigger__pattern": "after_read", "trigger__gap": "1 us",
                              "trigger__rate": None, "host__timeout": "90 us"},
         "<scenario>: trigger.rate: after_read has no rate to size"),
        ("trigger-rate", {}, {"trigger__pattern": "burst", "trigger__burst_length": 1,
                              "trigger__gap": "1 us"},
         '<scenario>: trigger.burst_length: got 1; trigger.gap alone spaces such bursts, not '
         "the rate"),
    ],
)  # fmt: skip
def test_questions_that_make_no_sense(sought, more, changes, said, monkeypatch):
    monkeypatch.setattr(sizes, "Search", lambda *args, **kwargs: pytest.fail("ran for nothing"))
    with pytest.raises(InputError) as error:
        size(queue(**changes), sought, **{"at_most": 1e-3, **more})
    assert str(error.value) == said


@pytest.mark.parametrize("scheme", ["forwarded_clock", "returned_clock"])
def test_a_rate_is_found_where_there_is_no_fifo(scheme):
    tried = scenario(link__scheme=scheme, host__service_latency="100 ns", host__timeout=None)
    assert size(tried, "trigger-rate", at_most=1e-2, workers=1).meets


def test_a_rate_without_a_bound_says_why():
    found = size(queue(), "trigger-rate", at_most=1e-2)
    assert found.bound is None
    assert found.no_bound == "the service latency has no upper bound"


def draining(**changes):
    """Return a host that reads all that waits: at most 8 us, 0.9 us a read, a frame a us."""
    latency = {"shape": "uniform", "low": "0 ns", "high": "8 us"}
    return scenario(
        **{
            "frame__word_bits": 18,
            "host__drain": True,
            "host__service_latency": latency,
            "host__clock": "20 MHz",
            "remote_clock__frequency": "50 MHz",
            **changes,
        }
    )


@pytest.mark.parametrize(
    ("sought", "changes", "answer"),
    [
        # By hand: the slots of frames 0 to 9 are taken before frame 0 is read at 8.9 us.
        ("depth", {}, 10),
        # (r - 1) x 20 ns >= 17 x 20 - 17.5 x 12.5 ns, read on without a latency.
        ("release-bits", {"host__clock": "80 MHz"}, 8),
        # 180 ns + 360 ns of clock, the FIFO behind deep enough: 540 ns.
        ("trigger-rate", {"converter__conversion_time": "180 ns", "fifo__depth": 500,
                          "host__clock": "80 MHz", "fifo__release_bits": 18}, 1.851e6),
    ],
)  # fmt: skip
def test_a_proven_answer_costs_no_simulation(sought, changes, answer, monkeypatch):
    monkeypatch.setattr("simlink.studies.sizing_jobs.count", lambda *_: pytest.fail("simulated"))
    lines = []
    found = size(draining(**changes), sought, at_most=1e-9, workers=1, report=lines.append)
    assert (found.answer, found.known, found.used) == (answer, "proven", 0)
    assert lines[0] == "proven, for every draw within the given laws: nothing to simulate"
    # No rate above the converter's own cycle can do.
    assert found.settled is (sought == "trigger-rate")
    if found.settled:
        return
    assert found.verdict.endswith("Whether it is the smallest is not shown.")
    assert "--beyond-proof" in table(found)
    assert found.plot().get_yscale() == "log"


def test_a_smaller_value_than_proven_is_tried_when_asked_for():
    found = size(draining(), at_most=1e-9, beyond_proof=True, workers=1)
    assert (found.answer, found.settled, found.known) == (10, True, "proven")
    assert "At 9 it is above the target (seen: " in found.verdict
    # Not a hundredth of the 1e9 conversions that one value might have had.
    assert found.used < 1e7


@pytest.mark.parametrize("bits", [8, 7])
def test_what_is_proven_of_a_release_holds_when_it_is_run(bits):
    tried = draining(host__clock="80 MHz", fifo__release_bits=bits, fifo__depth=20)
    lost = count(tried.with_values({"trials": 20, "conversions": 2000}), Fate.UNDERRUN)
    assert (lost == 0) is (bits == 8)


def test_a_hopeless_value_is_dropped_after_a_thousand_conversions():
    """Five units at the least, of 4000 here."""
    found = size(queue(), at_most=1e-4, workers=1)
    dropped = [point for point in found.points if point.seen.share > 0.05]
    assert dropped
    assert all(point.seen.sent <= 5 * 4000 for point in dropped)


def test_the_cost_comes_first_and_then_a_line_a_value(monkeypatch):
    monkeypatch.setattr(sizes, "remark", lambda name, scenario: f"something of the {name} engine")
    lines = []
    found = size(queue(), at_most=5e-3, workers=1, report=lines.append)
    about = float(lines[0].split()[3])
    assert "at most 1e+06 for one value" in lines[0]
    assert found.used / 2 < about < 20 * found.used
    assert lines.pop(1) == "something of the batch engine"
    assert {f"FIFO depth {p.at}" for p in found.points} == {x.split(":")[0] for x in lines[1:]}
    assert lines[-1].endswith((" (meets)", " (exceeds)"))
    # Nothing is simulated where a proof is the answer.
    lines.clear()
    size(scenario(host__service_latency="790 ns"), at_most=1e-3, report=lines.append)
    assert not any("engine" in line for line in lines)


def test_a_search_that_did_not_settle_names_no_smallest():
    # What two slots lose, and a hair more: too close to tell.
    two = queue(fifo__depth=2).with_values({"trials": 100})
    target = 1.005 * count(two, Fate.OVERRUN) / (100 * 4000)
    found = size(queue(), at_most=target, trials=40, workers=1)
    assert found.answer == 3
    assert not found.settled
    assert found.meets
    assert found.verdict.startswith(f"A FIFO depth of {found.answer} has an overrun")
    assert "Whether it is the smallest is not shown. At 2 it lies from" in found.verdict


NOTICED = {"host__interrupt": "edge", "host__service_latency": LATENCY, "frame__word_bits": 8}


def test_no_depth_is_named_where_frames_pile_up():
    """An exponential latency now and then outlasts a period: the next edge finds the host busy."""
    found = size(scenario(conversions=400, **NOTICED), at_most=1e-2, workers=1)
    assert found.answer is None
    assert found.piles_up
    assert found.verdict.startswith("No FIFO depth has an overrun of at most 0.01 in the long run")
    assert json.loads(found.to_json())["piles_up"] is True
    # Each cure that is named cures.
    for cure in ({"host__interrupt": "level"}, {"host__drain": True}):
        assert size(scenario(conversions=400, **{**NOTICED, **cure}), at_most=1e-2, workers=1).meets


def test_where_no_frame_goes_unnoticed_an_answer_says_how_long_it_holds():
    short = {"shape": "exponential", "mean": "20 ns"}
    tried = scenario(conversions=400, host__interrupt="edge", host__service_latency=short)
    found = size(tried, at_most=1e-2, workers=1)
    assert found.answer == 1
    assert not found.is_proven
    assert "this holds for 400 conversions from an empty FIFO, not for ever" in found.verdict
    bounded = {"shape": "uniform", "low": "0 ns", "high": "500 ns"}
    proven = size(tried.with_value("host.service_latency", bounded), at_most=1e-2, workers=1)
    assert proven.is_proven
    assert proven.answer == 1
    assert "not for ever" not in proven.verdict


def uniform(high):
    return {"shape": "uniform", "low": "0 ns", "high": high}


@pytest.mark.parametrize(
    ("high", "said"),
    [
        # 200 ns of reading and half of that, of 1 us: 1.4 us, 1, 0.999 and 1.01, by which a share
        # of 0.0099 is too many, less than is asked for.
        ("2400 ns",
         "The host lags on average (a frame takes it 1.4 us, and one comes every 1 us), so that "
         "no depth is enough in the long run: this holds for 120 conversions from an empty FIFO, "
         "not for ever."),
        ("1600 ns",
         "The host has no time to spare on average (a frame takes it 1 us, and one comes every "
         "1 us): this holds for 120 conversions from an empty FIFO, and longer runs may take more "
         "slots."),
        ("1598 ns", ""),
        ("1620 ns",
         "The host has no time to spare on average (a frame takes it 1.01 us, and one comes every "
         "1 us): this holds for 120 conversions from an empty FIFO, and longer runs may take more "
         "slots."),
    ],
)  # fmt: skip
def test_an_answer_says_for_how_long_it_holds_where_the_host_has_no_time_to_spare(high, said):
    tried = scenario(host__service_latency=uniform(high), conversions=120)
    found = size(tried, at_most=2e-2, budget=100_000, workers=1)
    assert found.meets
    assert not found.is_proven
    assert found.to_dict()["lags"] is ("lags on average" in said)
    if said:
        assert found.verdict.endswith(f" {said}")
    else:
        assert "on average" not in found.verdict


@pytest.mark.parametrize(
    ("changes", "lost"),
    [
        # 1.2 us a frame: of periodic triggers 1 us apart a sixth is too many.
        ({}, 1 / 6),
        # Of others 360 ns of converter come on top, and a frame comes every 1.36 us.
        ({"trigger__pattern": "poisson"}, None),
        # 1.6 us a frame.
        ({"trigger__pattern": "poisson", "host__service_latency": uniform("2800 ns")},
         1 / 1.36 - 1 / 1.6),
        # Every other trigger is missed.
        ({"converter__conversion_time": "900 ns"}, None),
        # A latency for two frames, or for all that wait.
        ({"host__watermark": 2}, None),
        ({"host__drain": True}, None),
        ({"host__drain": True, "host__clock": "4 MHz"}, 1 / 2),
        ({"trigger__pattern": "after_read", "trigger__rate": None, "trigger__gap": "1 ns",
          "host__timeout": "90 us"}, None),
    ],
)  # fmt: skip
def test_how_much_is_lost_at_any_depth(changes, lost):
    tried = scenario(**{"host__service_latency": uniform("2 us"), **changes})
    found = lag_of(tried)
    if lost is None:
        assert found is None
    else:
        assert found.lost == pytest.approx(lost, abs=0.01)
        # What is seen at a great depth is no less, once it is full.
        deep = tried.with_values({"fifo.depth": 100, "trials": 4, "conversions": 20_000})
        assert count(deep, Fate.OVERRUN) / 80_000 > lost - 0.01
