"""Which engine takes a run, why, and what is said before it starts."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest
from typer.testing import CliRunner

import simlink
from simlink.base.errors import InputError
from simlink.cli import app
from simlink.engines import choice
from simlink.engines.batch import BatchEngine, host_clocked, remote_master
from simlink.engines.event import EventEngine
from tests.engines.chain import chain
from tests.engines.host_clocked_scenarios import serial

ROOT = Path(simlink.__file__).parents[1]


def auto(values, runs=1):
    return choice.choose("auto", chain(values), runs)


@pytest.mark.parametrize(
    ("values", "runs", "engine"),
    [
        # 4 bits a conversion; 250,000 bits in all are the most of a small run.
        ({"trials": 50, "conversions": 1250}, 1, EventEngine),
        ({"trials": 50, "conversions": 1251}, 1, BatchEngine),
        ({"trials": 50, "conversions": 125}, 10, EventEngine),
        ({"trials": 50, "conversions": 125}, 11, BatchEngine),
        ({"trials": 50, "conversions": 1250, "frame.lanes": 2}, 1, BatchEngine),
        ({"trials": 50, "conversions": 625, "frame.words_per_lane": 2}, 1, EventEngine),
        ({"trials": 50, "conversions": 626, "frame.words_per_lane": 2}, 1, BatchEngine),
    ],
)
def test_small_runs_take_the_event_engine(values, runs, engine):
    chosen, why = auto(values, runs)
    assert type(chosen) is engine
    said = "needs no compiled code" if engine is EventEngine else "sooner"
    assert said in why


@pytest.mark.parametrize("name", ["event", "batch"])
def test_an_engine_that_is_asked_for_is_taken(name):
    for conversions in (1, 10**6):
        chosen, why = choice.choose(name, chain({"conversions": conversions}))
        assert (chosen.name, why) == (name, "asked for")


def test_no_other_engine_is_there():
    with pytest.raises(InputError, match=r"--engine: .*one of auto, event, batch"):
        choice.choose("fast", chain())


def test_what_an_engine_refuses_is_told():
    with pytest.raises(InputError, match="the event engine keeps a whole trial in memory"):
        choice.choose("event", chain({"conversions": 10**9}))


@pytest.fixture(params=[None, "numba cannot be imported (gone)"])
def plain(request, monkeypatch):
    monkeypatch.setattr(choice, "why_plain", lambda: request.param)
    return request.param


@pytest.fixture(params=[True, False])
def kept(request, monkeypatch):
    monkeypatch.setattr(choice, "is_kept", lambda _: request.param)
    return request.param


def expected(plain, kept):
    if plain is not None:
        return f"the batch engine runs uncompiled, about a hundred times slower: {plain}"
    if not kept:
        return "compiling the batch engine for this kind of read, once: ten seconds or so"
    return None


def test_what_is_said_before_it_starts(plain, kept):
    assert choice.remark("batch", chain()) == expected(plain, kept)


@pytest.mark.parametrize("scheme", ["forwarded_clock", "returned_clock"])
@pytest.mark.parametrize("by_remote", [True, False])
def test_each_kind_of_read_is_compiled_for_itself(monkeypatch, scheme, by_remote):
    scenario = chain() if by_remote else serial({"link.scheme": scheme, "host.capture": "half"})
    kept = host_clocked if by_remote else remote_master
    monkeypatch.setattr(choice, "why_plain", lambda: None)
    monkeypatch.setattr(choice, "is_kept", lambda function: function is kept.walk)
    assert choice.remark("batch", scenario) == expected(None, False)


@pytest.mark.usefixtures("plain", "kept")
def test_nothing_is_said_of_the_event_engine():
    assert choice.remark("event", chain()) is None


@pytest.mark.parametrize("engine", ["auto", "event", "batch"])
def test_a_command_says_it_on_standard_error_and_nowhere_else(tmp_path, plain, kept, engine):
    path = tmp_path / "s.toml"
    path.write_text(chain({"conversions": 20}).to_toml())
    done = CliRunner().invoke(app, ["run", str(path), "--engine", engine, "--json"])
    assert done.exit_code == 0, done.output
    said = expected(plain, kept) if engine == "batch" else None
    if said is None:
        assert "simlink: " not in done.stderr
        assert "compiling" not in done.stderr
    else:
        assert done.stderr.splitlines().count(f"simlink: {said}") == 1
    assert "compiling" not in done.stdout
    assert "uncompiled" not in done.stdout


#: Runs a scenario as a newcomer does, and tells whether a compiler was loaded.
PROGRAM = """
import sys
from simlink.cli import app
try:
    app(sys.argv[1:])
finally:
    print("numba" in sys.modules, file=sys.stderr)
"""


@pytest.mark.parametrize(("conversions", "loads"), [(1000, False), (100_000, True)])
def test_a_small_run_loads_no_compiler(tmp_path, conversions, loads):
    path = tmp_path / "s.toml"
    path.write_text(chain({"conversions": conversions}).to_toml())
    done = subprocess.run(
        [sys.executable, "-c", PROGRAM, "run", str(path), "--ledger", "off"],
        capture_output=True,
        text=True,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        timeout=300,
    )
    assert done.returncode == 0, done.stderr
    assert done.stderr.splitlines()[-1] == str(loads)
