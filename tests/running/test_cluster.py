"""A real Dask cluster on this machine: a scheduler and two workers, each a process of its own."""

import pytest
from typer.testing import CliRunner

from simlink.base.errors import InputError
from simlink.cli import app
from simlink.running.cluster import cluster
from simlink.running.run import run
from tests.rare.test_exact import link
from tests.running.local_cluster import dask

pytest.importorskip("distributed")
#: Dask's own sockets and event loops end when they are collected.
pytestmark = pytest.mark.filterwarnings("default")


def test_a_worker_killed_in_mid_run_costs_its_job_alone_and_moves_no_byte(tmp_path):
    scenario = link().with_(trials=40, conversions=200)
    here = run(scenario, engine="event", ledger=True, workers=1)
    with dask(tmp_path) as (address, workers), cluster(address) as there:
        assert there.workers == 2
        left = []

        def kill(done):
            # Twice as many jobs as workers are under way: this one has some in hand.
            if not left:
                workers[0].kill()
                workers[0].wait()
                left.append(scenario.trials - done)

        again = run(scenario, engine="event", ledger=True, executor=there, workers=2, progress=kill)
        assert left[0] > 30
        assert again.to_json() == here.to_json()
        assert again.ledger.equals(here.ledger)


def test_what_is_printed_is_the_same_on_a_cluster(tmp_path):
    file = tmp_path / "link.toml"
    file.write_text(link().with_(trials=8, conversions=100).to_toml())
    here = CliRunner().invoke(app, ["run", str(file), "--json"], catch_exceptions=False)
    with dask(tmp_path, workers=1) as (address, _):
        words = ["run", str(file), "--json", "--on", address]
        there = CliRunner().invoke(app, words, catch_exceptions=False)
        both = [*words, "--workers", "2"]
        with pytest.raises(InputError, match="--workers"):
            CliRunner().invoke(app, both, catch_exceptions=False)
    assert there.stdout == here.stdout
    assert there.exit_code == here.exit_code


@pytest.mark.parametrize("address", ["tcp://127.0.0.1:9", "nowhere at all"])
def test_an_address_where_nobody_answers_is_told_in_one_line(monkeypatch, address):
    monkeypatch.setattr("simlink.running.cluster._PATIENCE", 1)
    with (
        pytest.raises(InputError, match=r"--on: got .*no Dask scheduler answers"),
        cluster(address),
    ):
        pass


def test_a_cluster_without_workers_is_told(tmp_path):
    with (
        dask(tmp_path, workers=0) as (address, _),
        pytest.raises(InputError, match="no worker yet"),
        cluster(address),
    ):
        pass
