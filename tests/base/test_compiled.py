"""Compiled or not, the same; and where the machine code is kept."""

from __future__ import annotations

import json
import os
import subprocess
import sys

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simlink.base import compiled
from simlink.base.instants import NEVER
from simlink.link.channel import arrives_at, surviving
from simlink.link.host_clocked import cross_clock
from simlink.link.transport import sent_at
from tests.engines.chain import BASE, put

PAIR = np.dtype([("static", np.int64), ("line_time", np.int64)])


def line(units, full, out):
    """Take packets over the first unit's line and channel, as an engine's loop does."""
    unit = units[0]
    free = ahead = NEVER
    for at in range(len(full)):
        free = sent_at(full[at], free, unit.line_time)
        ahead = arrives_at(free, unit.static, -at, ahead)
        out[at] = ahead
    return free


def clock(edges, jitter, min_pulse):
    passed, ahead = cross_clock(edges, len(edges), 20, -8, jitter, min_pulse, NEVER)
    return passed, ahead, surviving(edges, passed, 2 * min_pulse)


LINE = compiled.compiled(line)
CLOCK = compiled.compiled(clock)


def forget(monkeypatch):
    """Have everything found out anew."""
    for found in (compiled.why_plain, compiled._home):
        found.cache_clear()
    monkeypatch.setattr(compiled, "_MACHINE", {})


@pytest.fixture(autouse=True)
def package(monkeypatch, tmp_path):
    """A package of its own, so that no test's code is kept beside simlink's; return its folder."""
    folder = tmp_path / "package"
    for room in ("base", "link", "scenario"):
        (folder / room).mkdir(parents=True)
        (folder / room / "rules.py").write_text("RULE = 1\n")
    monkeypatch.setattr(compiled, "_PACKAGE", folder)
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    monkeypatch.delenv(compiled.PLAIN, raising=False)
    forget(monkeypatch)
    yield folder
    monkeypatch.undo()
    forget(monkeypatch)


def unit_of(static, line_time):
    """Return the values of one board, as an engine hands them to a loop."""
    units = np.zeros(1, dtype=PAIR)
    units["static"], units["line_time"] = static, line_time
    return units


def ran(function, full, static, line_time):
    out = np.zeros(len(full), dtype=np.int64)
    free = function(unit_of(static, line_time), np.array(full, dtype=np.int64), out)
    return int(free), out.tolist()


def clocked(function, widths, shortest):
    edges = np.cumsum(np.array(widths, dtype=np.int64))
    jitter = np.arange(len(edges), dtype=np.int64) % 5 - 2
    found = function(edges, jitter, shortest)
    return [int(one) for one in found], edges.tolist()


@pytest.fixture(scope="module")
def compiled_once(tmp_path_factory):
    """Both loops, compiled; the code is kept in a folder of its own."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(compiled, "_home", lambda: tmp_path_factory.mktemp("code"))
        patch.setattr(compiled, "_MACHINE", {})
        return compiled._machine(line), compiled._machine(clock)


@settings(max_examples=50)
@given(st.lists(st.integers(0, 99), max_size=12), st.integers(0, 20), st.integers(0, 30))
def test_a_loop_gives_the_same_compiled_and_plain(compiled_once, steps, static, line_time):
    full = np.cumsum(steps).tolist()
    plain = ran(LINE.uncompiled, full, static, line_time)
    assert ran(compiled_once[0], full, static, line_time) == plain


@settings(max_examples=50)
@given(st.lists(st.integers(0, 30), max_size=12), st.integers(0, 20))
def test_a_rule_that_calls_rules_gives_the_same_compiled_and_plain(compiled_once, widths, shortest):
    widths = widths[: len(widths) // 2 * 2]
    assert clocked(compiled_once[1], widths, shortest) == clocked(CLOCK.plain, widths, shortest)


def test_a_loop_by_hand():
    """Full at 0 and 10, 15 on the line, 5 across, and 1 of jitter less for the second."""
    assert ran(LINE.uncompiled, [0, 10], 5, 15) == (30, [20, 34])


def test_a_function_keeps_its_name_its_words_and_itself():
    assert LINE.plain is line
    assert (LINE.__name__, LINE.__doc__) == ("line", line.__doc__)


def test_called_it_runs_compiled_and_what_is_called_stays_as_it_is():
    assert compiled.why_plain() is None
    assert ran(LINE, [0, 10], 5, 15) == (30, [20, 34])
    assert set(compiled._MACHINE) >= {line, sent_at, arrives_at}
    assert compiled._MACHINE[line].signatures
    assert type(arrives_at) is type(line)


# Nothing is compiled.


def no_machine(monkeypatch):
    def machine(plain, depth=0):
        raise AssertionError(f"{plain} is compiled")

    monkeypatch.setattr(compiled, "_machine", machine)


def test_everything_runs_uncompiled_if_asked_to(monkeypatch):
    monkeypatch.setenv(compiled.PLAIN, "1")
    no_machine(monkeypatch)
    assert compiled.why_plain() == "SIMLINK_PLAIN is set"
    assert ran(LINE, [0, 10], 5, 15) == (30, [20, 34])


def test_an_empty_word_asks_for_nothing(monkeypatch):
    monkeypatch.setenv(compiled.PLAIN, "")
    assert compiled.why_plain() is None


def test_everything_runs_uncompiled_where_numba_is_not_there(monkeypatch):
    monkeypatch.setitem(sys.modules, "numba", None)
    no_machine(monkeypatch)
    assert compiled.why_plain().startswith("numba cannot be imported (")
    assert ran(LINE, [0, 10], 5, 15) == (30, [20, 34])


RUN = """
import json, sys
from simlink.base import compiled
from simlink.engines.batch import BatchEngine
from simlink.engines.event import EventEngine
from simlink.scenario.loading import from_dict
for raw in json.loads(sys.argv[1]):
    scenario = from_dict(raw, ".")
    (one,), (other,) = (
        engine.run(scenario, range(1), words=True) for engine in (BatchEngine(), EventEngine())
    )
    print(one.same_as(other))
print(len(compiled._MACHINE))
"""


def test_an_engine_that_is_asked_to_run_uncompiled_compiles_nothing():
    """And gives the event engine's records all the same."""
    schemes = ("remote_master", "forwarded_clock", "returned_clock")
    raw = [put(BASE, {"link.scheme": scheme, "conversions": 3}) for scheme in schemes]
    done = subprocess.run(
        [sys.executable, "-c", RUN, json.dumps(raw)],
        env=os.environ | {compiled.PLAIN: "1"},
        capture_output=True,
        text=True,
        check=False,
    )
    assert (done.stdout.split(), done.stderr) == (["True"] * 3 + ["0"], "")


# Where the code is kept.


def kept(folder):
    return sorted(path.name for path in folder.rglob("*.nbc"))


def test_code_is_kept_beside_the_package(package, tmp_path, monkeypatch):
    assert not compiled.is_kept(LINE)
    ran(LINE, [0], 5, 15)
    (home,) = (package / "__pycache__").iterdir()
    assert home == compiled._home()
    assert any("line" in name for name in kept(home))
    assert not (tmp_path / "cache").exists()
    # Another process finds it there.
    forget(monkeypatch)
    assert compiled.is_kept(LINE)
    assert not compiled.is_kept(CLOCK)
    ran(LINE, [0], 5, 15)
    assert sum(compiled._MACHINE[line].stats.cache_hits.values()) == 1


#: A loop over a rule, which is called in a process of its own.
LOOP = """
import sys
from pathlib import Path
from simlink.base import compiled
from simlink.link.transport import sent_at

@compiled.compiled
def last(full):
    free = 0
    for one in range(full):
        free = sent_at(one, free, 7)
    return free

compiled._home = lambda: Path("code")
assert last(3) == last.plain(3)
print("numba.np.arraymath" in sys.modules, len(compiled._MACHINE))
"""


def test_kept_code_is_loaded_without_what_compiling_needs(tmp_path):
    """And without making the rules ready that it calls, for they are in it."""
    (tmp_path / "loop.py").write_text(LOOP)
    command = [sys.executable, "-c", "import loop"]
    found = [subprocess.check_output(command, text=True, cwd=tmp_path) for _ in range(2)]
    assert found == ["True 2\n", "False 1\n"]


def test_code_is_kept_in_the_users_cache_where_the_package_cannot_be_written(package, tmp_path):
    """A file where the folder would be stops even an administrator from writing there."""
    (package / "__pycache__").write_text("")
    ran(LINE, [0], 5, 15)
    (home,) = (tmp_path / "cache" / "simlink").iterdir()
    assert home == compiled._home()
    assert any("line" in name for name in kept(home))


def test_the_users_cache_is_in_their_home_unless_it_is_said_where(package, tmp_path, monkeypatch):
    (package / "__pycache__").write_text("")
    monkeypatch.delenv("XDG_CACHE_HOME")
    monkeypatch.setenv("HOME", str(tmp_path / "user"))
    assert compiled._home().parent == tmp_path / "user" / ".cache" / "simlink"


def test_code_is_kept_nowhere_if_nowhere_can_be_written(package, tmp_path):
    (package / "__pycache__").write_text("")
    (tmp_path / "cache").write_text("")
    assert ran(LINE, [0, 10], 5, 15) == (30, [20, 34])
    assert compiled._home() is None
    assert not compiled.is_kept(LINE)
    assert kept(tmp_path) == []
    assert compiled._MACHINE[line].signatures


def test_where_code_is_kept_is_said_to_this_function_alone():
    """Numba's own setting is as it was for whoever else uses it."""
    import numba

    before = numba.config.CACHE_DIR
    ran(LINE, [0], 5, 15)
    assert before == numba.config.CACHE_DIR


def test_a_folder_is_probed_and_left_empty():
    assert list(compiled._home().iterdir()) == []


@pytest.mark.parametrize("room", ["base", "link"])
def test_a_rule_that_changes_has_its_code_in_another_folder(package, monkeypatch, room):
    before = compiled._home()
    forget(monkeypatch)
    assert compiled._home() == before
    (package / room / "rules.py").write_text("RULE = 2\n")
    forget(monkeypatch)
    after = compiled._home()
    assert after != before
    assert after.parent == before.parent


def test_what_is_never_compiled_changes_no_folder(package, monkeypatch):
    before = compiled._home()
    (package / "scenario" / "rules.py").write_text("RULE = 2\n")
    forget(monkeypatch)
    assert compiled._home() == before


def test_another_python_has_its_code_in_another_folder(monkeypatch):
    before = compiled._home()
    monkeypatch.setattr(sys, "version", sys.version + " ")
    forget(monkeypatch)
    assert compiled._home() != before
