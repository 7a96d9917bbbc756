"""Depths for losses too rare to be counted, and the way that a figure is found."""

import json
import math

import pytest
from typer.testing import CliRunner

from simlink.base.errors import InputError
from simlink.cli import app
from simlink.rare.exact import Loss, exact_loss
from simlink.rare.rounds import Plan
from simlink.rare.splitting import SplitLoss
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
    assert json.loads(found.to_json())["answer"] == at


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


WAYS = {
    "proof": queue(queues.constant(0.5), 4),
    "exact": queue(queues.exponential(0.4), 4),
    "splitting": link(host__drain=True),
    "plain": link(host__interrupt="edge"),
}


@pytest.mark.parametrize("way", WAYS)
def test_each_figure_is_found_in_its_way(way):
    lines = []
    found = overrun(WAYS[way], error=0.5, conversions=40, workers=1, report=lines.append)
    assert found.method == way
    assert lines or way == "exact"
    loss = found.loss
    assert loss.low <= loss.value <= loss.high
    assert (loss.value == 0) == (way == "proof")


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
        (["--relative-error", "0.1"], "--figure"),
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
