"""Finished trials kept for a run that did not come to its end, and what is taken up of them."""

from __future__ import annotations

import errno
import json
import os
import pickle

import pytest
from typer.testing import CliRunner

from simlink.base.errors import InputError, OutputError
from simlink.cli import app
from simlink.figures import summary
from simlink.figures.tally import Tally
from simlink.running import checkpoint, jobs, results
from simlink.running.checkpoint import FOLDER, Checkpoint
from simlink.running.ledger import LedgerFile
from simlink.running.run import run
from tests.engines.chain import chain

VALUES = {
    "seed": 3,
    "trials": 6,
    "conversions": 50,
    "trigger.jitter": {"shape": "normal", "mean": "0 ns", "sigma": "20 ns"},
    "host.service_latency": {"shape": "exponential", "mean": "900 ns"},
}

#: How the resuming of a run begins that kept nothing, in a folder where others did.
REFUSED = r": resume: holds finished boards, but of another scenario, seed, engine, ledger or "


@pytest.fixture
def scenario():
    return chain(VALUES)


@pytest.fixture(autouse=True)
def often(monkeypatch):
    """Write every finished part at once."""
    monkeypatch.setattr(checkpoint, "EVERY", 0.0)


class Stop:
    """Progress during which Ctrl-C, or another end, comes after so many trials."""

    def __init__(self, after, end=KeyboardInterrupt):
        self.after = after
        self.end = end
        self.told = []

    def __call__(self, done):
        self.told.append(done)
        if done == self.after:
            raise self.end


def interrupted(scenario, folder, after=3, **options):
    found = run(scenario, engine="event", keep_in=folder, progress=Stop(after), **options)
    assert found.interrupted
    assert found.tally.count == after
    return found


def kept(folder):
    return sorted(path.name for path in (folder / FOLDER).glob("*/*"))


def worked(monkeypatch):
    """Return a list that grows with the trials that are worked on from now on."""
    done = []
    work = jobs.work

    def noted(scenario, engine, keep, trials):
        done.extend(trials)
        return work(scenario, engine, keep, trials)

    monkeypatch.setattr(jobs, "work", noted)
    return done


def test_a_resumed_run_does_the_rest_and_gives_the_same(scenario, tmp_path, monkeypatch):
    interrupted(scenario, tmp_path)
    assert kept(tmp_path) == ["0-1.part", "1-2.part", "2-3.part"]
    done = worked(monkeypatch)
    found = run(scenario, engine="event", keep_in=tmp_path, resume=True)
    assert done == [3, 4, 5]
    assert found.resumed == 3
    expected = run(scenario, engine="event")
    assert expected.resumed == 0
    assert found.to_json() == expected.to_json()
    assert found.ledger.equals(expected.ledger)


def test_a_run_may_be_interrupted_many_times(scenario, tmp_path):
    for after in (1, 3, 4):
        interrupted(scenario, tmp_path, after, resume=True)
    found = run(scenario, engine="event", keep_in=tmp_path, resume=True)
    assert found.resumed == 4
    assert found.figures == run(scenario, engine="event").figures


def test_a_gap_is_filled_whatever_the_jobs_were(scenario, tmp_path, monkeypatch):
    """Batch jobs of three trials take up what event-like jobs of one kept, and go round it."""
    monkeypatch.setattr(jobs, "job_size", lambda *_: 1)
    run(scenario, engine="batch", keep_in=tmp_path, progress=Stop(4))
    for lost in (0, 2):
        next((tmp_path / FOLDER).glob(f"*/{lost}-*.part")).unlink()
    monkeypatch.setattr(jobs, "job_size", lambda *_: 3)
    done = worked(monkeypatch)
    found = run(scenario, engine="batch", keep_in=tmp_path, resume=True)
    assert done == [0, 2, 4, 5]
    assert found.to_json() == run(scenario, engine="batch").to_json()


def test_parts_are_gathered_between_writes(scenario, tmp_path, monkeypatch):
    monkeypatch.setattr(checkpoint, "EVERY", 1000.0)
    interrupted(scenario, tmp_path)
    assert kept(tmp_path) == ["0-3.part"]
    found = run(scenario, engine="event", keep_in=tmp_path, resume=True)
    assert found.ledger.equals(run(scenario, engine="event").ledger)


@pytest.mark.parametrize(
    ("key", "value"),
    [("seed", 4), ("fifo.depth", 3), ("conversions", 51), ("trials", 7)],
)
def test_what_another_scenario_kept_is_neither_taken_up_nor_lost(scenario, tmp_path, key, value):
    interrupted(scenario, tmp_path)
    before = kept(tmp_path)
    other = scenario.with_value(key, value)
    with pytest.raises(InputError, match=REFUSED):
        results.run_into(tmp_path, other, engine="event", resume=True)
    assert kept(tmp_path) == before
    assert run(scenario, engine="event", keep_in=tmp_path, resume=True).resumed == 3


def test_what_two_runs_kept_is_taken_up_by_each(scenario, tmp_path):
    other = scenario.with_value("seed", 4)
    interrupted(scenario, tmp_path)
    interrupted(other, tmp_path, 2)
    assert run(scenario, engine="event", keep_in=tmp_path, resume=True).resumed == 3
    assert run(other, engine="event", keep_in=tmp_path, resume=True).resumed == 2


def test_what_another_engine_version_or_ledger_kept_is_not_taken_up(
    scenario, tmp_path, monkeypatch
):
    interrupted(scenario, tmp_path)
    for options in ({"engine": "batch"}, {"engine": "event", "ledger": False}):
        with pytest.raises(InputError, match=REFUSED):
            run(scenario, keep_in=tmp_path, resume=True, **options)
    for name, value in (("__version__", "0.0.0"), ("DRAWS", 0)):
        with monkeypatch.context() as patch:
            patch.setattr(checkpoint, name, value)
            with pytest.raises(InputError, match=REFUSED):
                run(scenario, engine="event", keep_in=tmp_path, resume=True)
    assert run(scenario, engine="event", keep_in=tmp_path, resume=True).resumed == 3


def test_a_run_that_does_not_resume_starts_anew(scenario, tmp_path):
    """And what is kept of both never mixes: the old goes when the new is first written."""
    interrupted(scenario, tmp_path, 4)
    with pytest.raises(KeyboardInterrupt):
        run(scenario, engine="event", keep_in=tmp_path, progress=None, executor=Dead())
    assert len(kept(tmp_path)) == 4
    interrupted(scenario, tmp_path, 1)
    assert kept(tmp_path) == ["0-1.part"]


class Dead:
    """An executor on which Ctrl-C comes at once."""

    def submit(self, *work):
        raise KeyboardInterrupt


def test_overlapping_files_are_not_taken_twice(scenario, tmp_path):
    saved = Checkpoint(tmp_path, scenario, "event", False, resume=True)
    saved.folder.mkdir(parents=True)
    for name in ("0-3", "0-1", "2-4", "3-4", "5-5", "6-2", "x-9", "7-", ".4-5"):
        (saved.folder / f"{name}.part").touch()
    assert saved.finished() == [range(3), range(3, 4)]


def forged(body, length=0):
    """Return a file with a checksum that is right, whoever made it."""
    return checkpoint._MAGIC + checkpoint._FRONT.pack(checkpoint._digest(body), length) + body


def reworked(change):
    """Return what changes the head of a kept file and makes its checksum right again."""

    def spoil(content):
        start = len(checkpoint._MAGIC) + checkpoint._FRONT.size
        _, length = checkpoint._FRONT.unpack_from(content, len(checkpoint._MAGIC))
        head = json.loads(content[start : start + length])
        change(head)
        said = json.dumps(head).encode()
        return forged(said + content[start + length :], len(said))

    return spoil


def kind(name):
    """Return what gives an array another kind, with the same count of bytes."""

    def change(head):
        for array in head["arrays"]:
            if array[0] == "sent":
                array[1:] = [name, [1]]

    return reworked(change)


def shape(*lengths):
    return reworked(lambda head: head["arrays"][0].__setitem__(2, list(lengths)))


def value(name, found):
    return reworked(lambda head: head["values"].__setitem__(name, found))


SPOILED = {
    "cut": (lambda content: content[:-1], "it is damaged"),
    "empty": (lambda content: b"", "it is not a file of finished trials"),
    "front alone": (lambda content: content[:30], "it is not a file of finished trials"),
    "one bit": (lambda content: content[:90] + bytes([content[90] ^ 1]) + content[91:], "damaged"),
    "another file": (lambda content: pickle.dumps([1]), "it is not a file of finished trials"),
    "longer": (
        lambda content: reworked(lambda _: None)(content + b"\0" * 8),
        "longer than it says",
    ),
    "no head": (lambda content: forged(b"tally", 5), ""),
    "a head beyond the end": (lambda content: forged(b"{}", 2**40), "it is damaged"),
    "a head too deep": (lambda content: forged(b"[" * 10**5, 10**5), ""),
    "a head without arrays": (reworked(lambda head: head.pop("arrays")), ""),
    "a head of lists": (lambda content: forged(b"[]", 2), ""),
    "other trials": (reworked(lambda head: head.update(trials=[0, 1])), "it holds other boards"),
    "objects": (kind("|O"), ""),
    "objects in fields": (kind("[('a', '|O')]"), ""),
    "times in place of counts": (kind("<f8"), "sent is of another kind"),
    "another shape": (shape(1, 1), ""),
    "a vast shape": (shape(2**40, 2**20), ""),
    "a negative shape": (shape(-1), ""),
    "more values than counted": (value("to_read.count", 10**6), "do not agree"),
    "a word for a number": (value("to_read.least", "least"), "to_read.least is no whole number"),
    "a FIFO deeper than there is": (value("fullest", 10**9), "fullest is out of range"),
}


@pytest.mark.parametrize("how", SPOILED)
def test_a_spoiled_file_is_set_aside_in_one_line_and_run_anew(scenario, tmp_path, monkeypatch, how):
    spoil, said = SPOILED[how]
    interrupted(scenario, tmp_path)
    path = sorted((tmp_path / FOLDER).glob("*/*"))[1]
    path.write_bytes(spoil(path.read_bytes()))
    done = worked(monkeypatch)
    found = run(scenario, engine="event", keep_in=tmp_path, resume=True)
    (line,) = found.set_aside
    assert line.startswith(f"{path}: set aside: ")
    assert said in line
    assert line.endswith("; run anew: 1 board")
    assert line.isprintable()
    assert done == [1, 3, 4, 5]
    assert found.resumed == 2
    assert found.figures == run(scenario, engine="event").figures
    assert path.with_suffix(".damaged").exists()


def test_bins_where_no_latency_can_lie_are_refused(tmp_path, monkeypatch):
    """They would ask for more memory than there is as soon as others join them."""
    monkeypatch.setattr("simlink.figures.latencies.EXACT", 10)
    scenario = chain(VALUES)
    interrupted(scenario, tmp_path)
    path = sorted((tmp_path / FOLDER).glob("*/*"))[1]
    path.write_bytes(value("to_read.base", 10**15)(path.read_bytes()))
    found = run(scenario, engine="event", keep_in=tmp_path, resume=True)
    assert "do not agree" in found.set_aside[0]
    assert found.figures == run(scenario, engine="event").figures


@pytest.mark.parametrize("exact", [True, False])
def test_a_tally_is_restored_whole(monkeypatch, exact):
    if not exact:
        monkeypatch.setattr("simlink.figures.latencies.EXACT", 10)
    scenario = chain(VALUES)
    tally = jobs.work(scenario, "event", False, range(6)).tally
    again = Tally.restore(scenario, range(6), tally.state())
    assert summary.figures(scenario, again) == summary.figures(scenario, tally)


def test_a_full_disk_ends_the_run_in_one_line_and_keeps_what_was_written(
    scenario, tmp_path, monkeypatch
):
    written = []
    whole = checkpoint.writing_whole

    def full(path):
        if len(written) == 2:
            monkeypatch.setattr(os, "fsync", fail)
        written.append(path.name)
        return whole(path)

    def fail(_):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(checkpoint, "writing_whole", full)
    with pytest.raises(OutputError, match=r"cannot be written: No space left on device$"):
        run(scenario, engine="event", keep_in=tmp_path)
    assert kept(tmp_path) == ["0-1.part", "1-2.part"]


def test_complete_results_leave_nothing_hidden(scenario, tmp_path):
    interrupted(scenario, tmp_path)
    results.run_into(tmp_path, scenario, engine="event", resume=True)
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted(results.NAMES)


def test_only_finished_trials_are_removed(scenario, tmp_path):
    mine = tmp_path / FOLDER / "mine" / "notes.txt"
    mine.parent.mkdir(parents=True)
    mine.write_text("mine")
    (mine.parent / "0-1.damaged").touch()
    results.run_into(tmp_path, scenario, engine="event")
    assert list(mine.parent.iterdir()) == [mine]


def test_results_that_cannot_be_written_leave_the_finished_trials(scenario, tmp_path, monkeypatch):
    """A run is over when its results are there, not when its last trial is."""

    def fill(*_):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(results, "_fill", fill)
    with pytest.raises(OutputError, match="No space left"):
        results.run_into(tmp_path / "out", scenario, engine="event")
    assert len(kept(tmp_path / "out")) == 6
    monkeypatch.undo()
    found = results.run_into(tmp_path / "out", scenario, engine="event", resume=True)
    assert found.resumed == 6


def test_the_ledger_file_of_a_resumed_run_is_the_same(scenario, tmp_path):
    def ledger(name, **options):
        rows = LedgerFile(tmp_path / name)
        run(scenario, engine="event", ledger_file=rows, **options)
        rows.finish()
        return (tmp_path / name).read_bytes()

    interrupted(scenario, tmp_path)
    assert ledger("resumed", keep_in=tmp_path, resume=True) == ledger("whole")


def command(*words):
    return CliRunner().invoke(app, ["run", *map(str, words)])


def status(folder):
    """Return the exit status that the verdict of the results in a folder calls for."""
    return 0 if json.loads((folder / "figures.json").read_text())["meets_rate"] else 1


def test_the_command_resumes_and_says_so(scenario, tmp_path):
    path, out = tmp_path / "s.toml", tmp_path / "out"
    path.write_text(scenario.to_toml())
    words = [path, "--engine", "event", "--out", out]
    interrupted(scenario, out)
    result = command(*words, "--resume")
    assert result.exit_code == status(out)
    assert result.stderr == f"simlink: 3 of 6 boards taken up from {out}\n"
    assert not (out / FOLDER).exists()
    result = command(*words, "--resume")
    assert result.exit_code == status(out)
    assert result.stderr == f"simlink: none of 6 boards taken up from {out}\n"


def test_the_command_refuses_to_resume_with_another_seed_in_one_line(scenario, tmp_path):
    path, out = tmp_path / "s.toml", tmp_path / "out"
    path.write_text(scenario.to_toml())
    interrupted(scenario, out)
    words = [path, "--engine", "event", "--out", out, "--resume"]
    (line,) = command(*words, "--seed", "4").exception.lines()
    assert line == (
        f"{out}: resume: holds finished boards, but of another scenario, seed, engine, ledger or "
        "version of simlink; ask for what was asked for then, name another folder, or begin anew "
        "without resuming, which removes them when it is complete"
    )
    assert "3 of 6 boards taken up" in command(*words).stderr


def test_the_command_says_what_was_set_aside(scenario, tmp_path):
    path, out = tmp_path / "s.toml", tmp_path / "out"
    path.write_text(scenario.to_toml())
    interrupted(scenario, out)
    spoiled = sorted((out / FOLDER).glob("*/*"))[0]
    spoiled.write_bytes(b"")
    result = command(path, "--engine", "event", "--out", out, "--resume")
    assert result.exit_code == status(out)
    assert result.stderr == (
        f"simlink: {spoiled}: set aside: it is not a file of finished trials; "
        f"run anew: 1 board\nsimlink: 2 of 6 boards taken up from {out}\n"
    )


def test_the_command_cannot_resume_without_a_folder(scenario, tmp_path):
    path = tmp_path / "s.toml"
    path.write_text(scenario.to_toml())
    result = command(path, "--resume")
    assert isinstance(result.exception, InputError)
    assert str(result.exception) == "--resume: needs the folder of the interrupted run: --out"


def test_a_command_that_fails_half_way_says_how_to_go_on(scenario, tmp_path, monkeypatch):
    path, out = tmp_path / "s.toml", tmp_path / "out"
    path.write_text(scenario.to_toml())
    work = jobs.work

    def dies(scenario, engine, keep, trials):
        if trials.start == 4:
            raise OutputError("workers were killed 3 times; 2 of 6 jobs are left")
        return work(scenario, engine, keep, trials)

    monkeypatch.setattr(jobs, "work", dies)
    result = command(path, "--engine", "event", "--out", out)
    assert isinstance(result.exception, OutputError)
    assert str(result.exception) == (
        "workers were killed 3 times; 2 of 6 jobs are left; "
        "what was finished is kept: go on with --resume"
    )
    monkeypatch.undo()
    assert (
        "4 of 6 boards taken up"
        in command(path, "--engine", "event", "--out", out, "--resume").stderr
    )
