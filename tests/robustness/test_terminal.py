"""Whatever the terminal is, and whatever a file holds: one line, a status, and nothing obeyed."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest
import tomli_w

from simlink.base.terminal import shown
from tests.robustness.bench import BENCH, bench

ROOT = Path(__file__).parents[2]
ESCAPE = "\x1b]0;gone\x07"


def simlink(*words, redirect="", folder=".", **environment):
    """Run the command line with a shell's redirections; return status, output and complaint."""
    line = f'exec "$@" {redirect}'
    program = [sys.executable, "-c", "from simlink.cli import main; main()", *map(str, words)]
    found = subprocess.run(
        ["sh", "-c", line, "sh", *program],
        cwd=folder,
        env={**os.environ, "PYTHONPATH": str(ROOT), **environment},
        capture_output=True,
        timeout=60,
    )
    said = found.stderr.decode("utf-8", "replace")
    assert "Traceback" not in said
    assert "Exception ignored" not in said
    return found.returncode, found.stdout, said


@pytest.mark.parametrize("redirect", ["2>&-", "<&-", ">&-", "<&- >&- 2>&-"])
def test_a_program_started_without_a_stream_does_the_same(redirect):
    assert simlink("schema", redirect=redirect)[0] == 0
    assert simlink("run", "nowhere.toml", redirect=redirect)[0] == 2


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="no full device")
def test_a_full_standard_output_is_told():
    status, _, said = simlink("schema", redirect=">/dev/full")
    assert status == 2
    assert said == "simlink: standard output: cannot be written: No space left on device\n"
    assert simlink("run", "nowhere.toml", redirect="2>/dev/full")[0] == 2


def test_a_reader_that_has_seen_enough_is_no_fault():
    status, _, said = simlink("schema", redirect="| true; exit 0")
    assert (status, said) == (0, "")


@pytest.mark.parametrize("encoding", ["ascii", "latin-1"])
def test_a_terminal_that_lacks_characters_gets_them_written_out(tmp_path, encoding):
    (tmp_path / "s.toml").write_text(tomli_w.dumps(bench({"title": "5 \u2126, 2 \u03bcs"})))
    words = ("run", "s.toml", "--engine", "event")
    status, out, _ = simlink(*words, folder=tmp_path, PYTHONIOENCODING=encoding, PYTHONUTF8="0")
    assert status == 0
    assert b"5 \\u2126, 2 \\u03bcs" in out


def test_what_a_notebook_sets_for_its_pictures_matters_to_no_file(tmp_path):
    (tmp_path / "s.toml").write_text(tomli_w.dumps(bench()))
    words = ("diagram", "s.toml", "--out", "d.svg")
    notebook = "module://no_such_module.backend_inline"
    assert simlink(*words, folder=tmp_path, MPLBACKEND=notebook)[0] == 0


def test_control_characters_of_files_and_their_names_are_shown(tmp_path):
    (tmp_path / f"{ESCAPE}.toml").write_text(tomli_w.dumps(bench({"title": f"a{ESCAPE}b"})))
    words = ("dump", f"{ESCAPE}.toml", "--conversions", "0", "--out", f"o{ESCAPE}.vcd")
    status, out, said = simlink(*words, folder=tmp_path)
    assert status == 0
    assert out.decode().startswith("Dump: o\\u001b]0;gone\\u0007.vcd (")
    assert not {"\x1b", "\x07"} & set(out.decode() + said)
    assert b"\x1b" not in (tmp_path / f"o{ESCAPE}.vcd").read_bytes()
    status, out, said = simlink("run", f"{ESCAPE}.toml", "--engine", "event", folder=tmp_path)
    assert status == 0
    assert not {"\x1b", "\x07"} & set(out.decode() + said)
    status, out, said = simlink("run", f"no{ESCAPE}.toml", folder=tmp_path)
    assert status == 2
    assert "\x1b" not in said


def test_a_name_that_is_too_long_is_told(tmp_path):
    (tmp_path / "s.toml").write_text(tomli_w.dumps(bench()))
    for words in (("run", "x" * 300), ("run", "s.toml", "--engine", "event", "--out", "x" * 300)):
        status, _, said = simlink(*words, folder=tmp_path)
        assert status == 2
        assert len(said.splitlines()) == 1


def test_a_folder_whose_name_is_no_text_can_be_written_into(tmp_path):
    (tmp_path / "s.toml").write_text(tomli_w.dumps(bench()))
    folder = os.fsdecode(os.fsencode(str(tmp_path)) + b"/\xff")
    try:
        os.mkdir(folder)
    except OSError:
        pytest.skip("no such name on this disk")
    place = os.path.join(folder, "s.vcd")
    assert simlink("dump", "s.toml", "--out", place, folder=tmp_path)[0] == 0
    assert os.path.exists(place)


@pytest.mark.parametrize("text", ["1e-320", "1e-301", "0", "-1", "nan", "1e999", "1"])
def test_a_share_that_no_run_could_show_is_refused(text):
    status, _, said = simlink("size", BENCH, "--overrun-at-most", text)
    assert status == 2
    assert len(said.splitlines()) == 1


def test_text_is_shown_as_it_is_but_for_what_is_no_character():
    assert shown("a\n\tb \u00b5 \u2126 \u00a0") == "a\n\tb \u00b5 \u2126 \u00a0"
    assert shown("\x1b[2J\r\x9b\u202e\U000e0001") == "\\u001b[2J\\u000d\\u009b\\u202e\\U000e0001"
