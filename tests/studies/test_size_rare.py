"""Depths for losses too rare to be counted, and the way that a figure is found."""

import json
import math
from dataclasses import replace

import pytest
from typer.testing import CliRunner

from simlink.base.cautions import CAUTIONS
from simlink.base.errors import InputError
from simlink.cli import app
from simlink.rare.exact import Loss, exact_loss
from simlink.rare.rounds import Plan
from simlink.rare.splitting import SplitLoss
from simlink.studies import size_rare as sizing
from simlink.studies.loss import LossStudy, overrun
from simlink.studies.size_rare import RareSizing, _about, size_rare
from tests.outside import queues
from tests.rare.test_exact import link


def queue(law, depth):
    return queues.queue("periodic", law, depth, conversions=10)


def test_the_smallest_depth_is_found_and_one_fewer_loses_too_much():
    scenario, target = queue(queues.exponential(0.4), 3), 1e-7
    found = size_rare(scenario, target)
    assert found.settled
    at = found.answer
    losses = [exact_loss(scenario.with_value("fifo.depth", depth)) for depth in (at - 1, at)]
    assert losses[0].low > target >= losses[1].high
    assert "(computed; proven: " in found.sentence
    # Others only as closely as tells them from the target.
    best = found.tried[at].loss
    assert best == losses[1]
    assert all(one.loss.steps < best.steps for depth, one in found.tried.items() if depth != at)
    kept = json.loads(found.to_json())
    assert kept["answer"] == at
    assert {one["depth"]: one["verdict"] for one in kept["tried"]} == {
        depth: "meets" if depth >= at else "exceeds" for depth in found.tried
    }


def test_a_depth_that_none_is_seen_to_overrun_is_no_answer(monkeypatch):
    def none_seen(scenario, **options):
        none = SplitLoss(None, None, None, 0.95, 16, Plan(0, 64), None, ())
        return LossStudy(scenario, none, 1e6, "splitting", "")

    monkeypatch.setattr("simlink.studies.size_rare.loss", none_seen)
    found = size_rare(queue(queues.exponential(0.4), 4), 1e-9)
    assert found.answer is None
    assert not found.settled
    assert "No FIFO was found" in found.sentence
    # Shallower ones might have been.
    assert sorted(found.tried) == [1, 2, 4]
    assert "stays open" in found.tried[4].sentence


def test_no_depth_is_sought_for_a_host_that_never_keeps_up():
    """Of services of 1.5 ms a trigger a millisecond, a third finds no slot at any depth."""
    told = []
    found = size_rare(queue(queues.exponential(1.5), 4), 1e-9, report=told.append)
    assert (found.answer, list(found.tried)) == (None, [4])
    assert found.tried[4].loss.low > 0.3
    assert told[-1] == "no depth will do: the host is asked for more than all of its time"


def test_a_depth_is_sought_for_a_host_that_keeps_up_with_what_is_not_missed():
    """Of Poisson triggers 1 us apart each keeps the converter for 350 and 240 ns: 1.59 us."""
    latency = {"shape": "exponential", "mean": "1 us"}
    poisson = link(trigger__pattern="poisson", converter__conversion_time="350 ns")
    tried = poisson.with_values({"host.service_latency": latency, "trials": 1})
    told = []
    found = size_rare(tried, 0.05, report=told.append)
    assert found.answer is not None
    assert not any("no depth" in line for line in told)


@pytest.mark.parametrize(("share", "looks"), [(1e-9, 1), (1e-7, 2), (1e-4, 1)])
def test_a_loss_is_looked_at_again_where_one_look_leaves_it_open(share, looks, monkeypatch):
    """An interval of a tenth to ten times it, beside a target of 2e-7."""
    scenario, seen = WAYS["splitting"], []

    def look(value, reach):
        rest = (0.95, 6, Plan(0, 64), None, ())
        return SplitLoss(value, value / reach, value * reach, *rest)

    def first(scenario, **options):
        seen.append(look(share, 10))
        return seen[-1]

    def more(scenario, before, rounds, **options):
        assert before is seen[-1]
        seen.append(look(share, 1.5))
        return seen[-1]

    monkeypatch.setattr(sizing, "first_look", first)
    monkeypatch.setattr(sizing, "rounds_for", lambda *_, **options: 6)
    monkeypatch.setattr(sizing, "more_rounds", more)
    found = sizing._loss_of(RareSizing(scenario, 2e-7), scenario, None, 1, None)
    assert len(seen) == looks
    assert found.loss is seen[-1]
    assert found.method == "splitting"


def test_how_far_a_loss_is_from_the_target_follows_from_the_nearest_depth_too():
    scenario, nothing = queue(queues.exponential(0.4), 3), (0.95, 6, Plan(0, 64), None, ())
    found = RareSizing(scenario, 1e-9)
    look = SplitLoss(1e-9, 0.5e-9, 2e-9, *nothing)
    assert _about(found, 5, look, -1.0) == math.log(1e-9)
    near, far = (SplitLoss(one, 0.9 * one, 1.1 * one, *nothing) for one in (1e-9, 1e-6))
    for depth, loss in ((4, near), (1, far)):
        found.tried[depth] = LossStudy(scenario, loss, 1e6, "splitting", "")
    # One slot more than 1e-9 loses about 1 / e of it; what was looked at says far less.
    assert _about(found, 5, look, -1.0) == pytest.approx(math.log(1e-9) - 0.84, abs=0.02)


def test_a_loss_between_bounds_far_apart_is_said_by_them():
    scenario = queue(queues.exponential(0.4), 3)
    far, near = (
        LossStudy(scenario, Loss(3e-9, 1e-9, high, 64, 9, None), 1e3, "exact", "")
        for high in (6e-9, 1.2e-9)
    )
    assert far.value_text == "1e-09 to 6e-09"
    assert far.sentence.endswith("overruns in 1e-09 to 6e-09 of triggers in the long run (proven).")
    assert near.value_text == "3e-09"
    assert "overruns in 3e-09 of triggers" in near.sentence


@pytest.mark.parametrize(
    ("logs", "guess"),
    [
        # Of six levels the third and the last: 9 in 30 slots. 3 more are 10 slots on.
        ((-1, -3, -4, -9, -10, -13), (70, -0.3)),
        # The last one was reached by none; of three the second and the third: 2 in 10, 8 more.
        ((-1, -6, -8, None), (70, -0.2)),
        ((-1, -6, None), None),
        # Levels that all are as likely say nothing.
        ((-1, -1, -1), None),
    ],
)
def test_a_depth_is_guessed_on_a_line_through_levels(logs, guess, monkeypatch):
    """A target of e^-16 of four losses in a span of 1000 conversions."""
    levels = tuple(range(10, 10 * len(logs) + 1, 10))
    shares = [0.0 if one is None else math.exp(one) for one in logs]

    def climbed(deep, plan, wanted):
        assert deep.fifo.depth == 256
        assert wanted == pytest.approx(math.exp(-16))
        return replace(plan, levels=levels), shares

    monkeypatch.setattr(sizing, "spans", lambda deep, conversions, branches: Plan(0, 1000))
    monkeypatch.setattr(sizing, "climb", climbed)
    scenario = queue(queues.exponential(0.4), 3)
    found = sizing._from_levels(scenario, math.exp(-16) * 4 / 1000)
    assert found == (None if guess is None else (guess[0], pytest.approx(guess[1])))


WAYS = {
    "proof": queue(queues.constant(0.5), 4),
    "exact": queue(queues.exponential(0.4), 4),
    "splitting": link(host__drain=True),
    "plain": link(host__interrupt="edge"),
}


def test_a_loss_as_json_holds_it():
    """One in 1000 of 1 MHz: 1 ms apart, 3.6e6 an hour; words of two a frame are twice as many."""
    scenario = WAYS["proof"].with_values({"frame.words_per_lane": 2, "title": "A queue"})
    lost = {"value": 1e-3, "low": 8e-4, "high": 1.1e-3, "steps": 64, "arrivals": 13}
    study = LossStudy(scenario, Loss(**lost, conversions=None), 1e6, "exact", "a chain follows it")
    assert study.to_dict() == {
        "title": "A queue",
        "figure": "overrun",
        "method": "exact",
        "why": "a chain follows it",
        "loss": {**lost, "conversions": None},
        "words_lost_per_hour": pytest.approx({"value": 7.2e6, "low": 5.76e6, "high": 7.92e6}),
        "mean_time_between_losses": pytest.approx(1e-3),
        "mean_time_between_losses_low": pytest.approx(1 / 1100),
        "mean_time_between_losses_high": pytest.approx(1.25e-3),
        "sentence": "A FIFO of 4 slots overruns in 0.001 of triggers in the long run (computed; "
        "proven: 0.0008 to 0.0011): one in 1 ms on average.",
        "cautions": CAUTIONS,
    }
    stalls = replace(study, scenario=scenario.with_value("fifo.when_full", "stall"))
    assert stalls.to_dict()["figure"] == "missed_trigger"
    assert stalls.sentence.startswith("A remote master that stalls at 4 slots misses 0.001 of ")


@pytest.mark.parametrize("way", WAYS)
def test_each_figure_is_found_in_its_way(way):
    lines = []
    found = overrun(WAYS[way], error=0.5, conversions=40, workers=1, report=lines.append)
    assert found.method == way
    assert lines or way == "exact"
    loss = found.loss
    assert loss.low <= loss.value <= loss.high
    assert (loss.value == 0) == (way == "proof")


def test_a_plain_run_is_for_the_transients_that_no_run_can_be_branched_with():
    slow = {"kind": "poisson", "rate": "9 Hz", "slew": "80 kV/us", "swing": "400 V"}
    upset = link(trials=8, conversions=200, barrier__slew_immunity="50 kV/us", transient=[slow])
    lines = []
    found = overrun(upset, error=0.9, workers=1, report=lines.append)
    assert found.method == "plain"
    assert found.why == "no run with transients that can upset a channel can be branched"
    assert lines[1] == f"run plainly: {found.why}"


def test_no_overrun_is_told_where_there_is_no_fifo():
    for when_full in ("drop_new", "stall"):
        scenario = link(link__scheme="returned_clock", fifo__when_full=when_full)
        with pytest.raises(InputError) as error:
            overrun(scenario, error=0.5, report=lambda line: pytest.fail(line))
        said = "link.scheme: got returned_clock; remote_master, the one scheme with a FIFO"
        assert str(error.value).endswith(said)


def test_run_tells_one_figure(tmp_path):
    file = tmp_path / "queue.toml"
    file.write_text(WAYS["exact"].to_toml())
    words = ["run", str(file), "--figure", "overrun", "--relative-error", "0.1", "--json"]
    result = CliRunner().invoke(app, words, catch_exceptions=False)
    assert result.exit_code == 0, result.output
    found = json.loads(result.stdout)
    assert found["method"] == "exact"
    loss = found["loss"]
    assert (loss["high"] - loss["low"]) / 2 <= 0.1 * loss["high"]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--figure", "underrun"], "--figure"),
        (["--relative-error", "0.1"], "--relative-error: got 0.1; only with --figure overrun"),
        (["--figure", "overrun", "--relative-error", "2"], "--relative-error"),
        (["--figure", "overrun", "--resume"], "--figure"),
    ],
)
def test_bad_options_of_a_figure_are_told(tmp_path, words, said):
    file = tmp_path / "queue.toml"
    file.write_text(WAYS["exact"].to_toml())
    with pytest.raises(InputError, match=said):
        CliRunner().invoke(app, ["run", str(file), *words], catch_exceptions=False)


def test_size_takes_the_way_that_a_rare_loss_needs(tmp_path):
    file = tmp_path / "queue.toml"
    file.write_text(WAYS["exact"].to_toml())
    words = ["size", str(file), "--overrun-at-most", "1e-7", "--json"]
    result = CliRunner().invoke(app, words, catch_exceptions=False)
    assert result.exit_code == 0, result.output
    assert "(exact)" in result.stderr
    assert json.loads(result.stdout)["settled"]
