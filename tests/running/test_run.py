"""Runs: the same bytes for the same scenario and seed, and nothing finished is lost."""

from __future__ import annotations

import json

import pytest

import simlink
from simlink.engines.event import wiring
from simlink.running import run as runs
from simlink.running.ledger import LedgerFile
from simlink.running.run import run
from tests.engines.chain import chain

LIVELY = {
    "trials": 5,
    "conversions": 30,
    "seed": 9,
    "fifo.depth": 2,
    "trigger.jitter": {"shape": "uniform", "low": "0 ns", "high": "50 ns"},
    "barrier.return.delay": {"shape": "uniform", "low": "5 ns", "high": "50 ns"},
    "host.service_latency": {"shape": "exponential", "mean": "700 ns"},
}


def ledger_bytes(scenario, path):
    rows = LedgerFile(path)
    run(scenario, engine="event", ledger_file=rows)
    rows.finish()
    return path.read_bytes()


def test_two_runs_give_the_same_bytes(tmp_path):
    one, two = (run(chain(LIVELY), engine="event") for _ in range(2))
    assert one.to_json() == two.to_json()
    assert ledger_bytes(chain(LIVELY), tmp_path / "one") == ledger_bytes(
        chain(LIVELY), tmp_path / "two"
    )


def test_another_seed_gives_others(tmp_path):
    one, two = (run(chain(LIVELY | {"seed": seed}), engine="event") for seed in (9, 10))
    assert one.figures.to_dict() != two.figures.to_dict()
    assert not one.ledger.equals(two.ledger)


def test_the_json_is_plain_and_finite():
    found = json.loads(run(chain(LIVELY), engine="event").to_json())
    assert found["seed"] == 9
    assert found["engine"] == "event"
    assert found["figures"]["overrun"]["unit"] == "1"
    parts = {"value", "low", "high", "confidence", "count", "of", "unit"}
    parts |= {"conversions", "note", "instead"}
    assert all(set(one) == parts for one in found["figures"].values())
    assert found["cautions"]


def test_the_names_of_the_figures_are_there():
    """Those that the scenario format and its readers know."""
    found = set(run(chain(), engine="event").figures)
    wanted = "triggers delivered missed_trigger overrun underrun corrupted_flagged "
    wanted += "corrupted_silent not_received timed_out short_acquisition throughput_offered "
    wanted += "throughput_delivered fifo_occupancy_max host_busy_share "
    for name in ("release", "read"):
        for part in ("median", "p99", "p999", "largest_seen"):
            wanted += f"latency_{name}_{part} "
    assert found >= set(wanted.split())


class Stop:
    """Raises what Ctrl-C raises once so many trials are finished."""

    def __init__(self, trials):
        self.trials = trials

    def __call__(self, finished):
        if finished == self.trials:
            raise KeyboardInterrupt


def test_an_interrupted_run_keeps_the_trials_that_were_finished():
    stopped = run(chain(LIVELY), engine="event", workers=1, progress=Stop(3))
    three = run(chain(LIVELY | {"trials": 3}), engine="event", workers=1)
    assert stopped.interrupted
    assert not three.interrupted
    assert stopped.scenario.trials == 3
    assert stopped.figures.to_dict() == three.figures.to_dict()
    assert stopped.ledger.equals(three.ledger)
    assert json.loads(stopped.to_json())["interrupted"]


def test_an_interruption_within_a_trial_loses_that_trial_whole(monkeypatch):
    """The fourth trial is stopped half way; none of it is in the tally or the ledger."""
    real, begun = wiring.Chain.run, []

    def stopping(self):
        begun.append(self)
        if len(begun) == 4:
            # 15 of 30 periods of a microsecond.
            while self.env.now < 15 * 10**9:
                self.env.step()
            raise KeyboardInterrupt
        real(self)

    monkeypatch.setattr(wiring.Chain, "run", stopping)
    stopped = run(chain(LIVELY), engine="event", workers=1)
    assert stopped.interrupted
    assert stopped.tally.count == 3
    assert set(stopped.ledger["trial"]) == {0, 1, 2}


def test_an_interruption_before_the_first_trial_ends_is_passed_on(monkeypatch):
    def stopping(self):
        raise KeyboardInterrupt

    monkeypatch.setattr(wiring.Chain, "run", stopping)
    with pytest.raises(KeyboardInterrupt):
        run(chain(LIVELY), engine="event", workers=1)


def test_a_ledger_is_kept_up_to_a_limit(monkeypatch):
    assert len(run(chain(LIVELY), engine="event").ledger) == 150
    monkeypatch.setattr(runs, "MOST_WORDS", 149)
    without = run(chain(LIVELY), engine="event")
    with pytest.raises(ValueError, match="kept no ledger"):
        without.ledger  # noqa: B018
    assert len(run(chain(LIVELY), engine="event", ledger=True).ledger) == 150


def test_a_ledger_changes_no_figure():
    kept, left = (run(chain(LIVELY), engine="event", ledger=keep) for keep in (True, False))
    assert kept.figures.to_dict() == left.figures.to_dict()


def test_progress_is_told_of_every_trial():
    told = []
    run(chain(LIVELY), engine="event", workers=1, progress=told.append)
    assert told == [1, 2, 3, 4, 5]


def test_a_study_runs_a_file_with_other_counts(tmp_path):
    path = tmp_path / "link.toml"
    path.write_text(chain(LIVELY).to_toml())
    study = simlink.load(path)
    found = study.run(seed=4, trials=2, conversions=7, engine="event")
    assert (found.scenario.seed, found.scenario.trials) == (4, 2)
    assert found.figures["triggers"].count == 14
    assert study.scenario.trials == 5


def test_an_unknown_engine_is_refused():
    with pytest.raises(simlink.InputError, match="one of auto, event"):
        run(chain(), engine="steam")


def test_results_show_themselves():
    found = run(chain(LIVELY), engine="event")
    assert "overrun" in repr(found.figures)
    assert "<table" in found._repr_html_()
    assert found.figures.to_pandas().loc["triggers", "count"] == 150
    assert "Does not meet 1 MHz: the limit of FIFO depth is broken" in found._repr_html_()
    assert len(found.figures) == len(list(found.figures))
