"""Whole files and whole sets or none, and nothing replaced that is not a result."""

from __future__ import annotations

import os

import pytest

from simlink.base import safe_write
from simlink.base.errors import OutputError
from simlink.base.made import COMMENT
from simlink.base.safe_write import note_input, write_set, write_whole, writing_set


def names(folder):
    return sorted(path.name for path in folder.iterdir())


def test_an_input_is_never_replaced(tmp_path):
    path = tmp_path / "s.toml"
    path.write_text("the user's")
    note_input(path)
    os.link(path, tmp_path / "another name")
    for name in ("s.toml", "another name"):
        with pytest.raises(OutputError, match=rf"{name}: cannot be written: it is an input$"):
            write_whole(tmp_path / name, b"ours")
        with pytest.raises(OutputError, match="it is an input"):
            write_set(tmp_path, {"new": b"ours", name: b"ours"})
    assert path.read_text() == "the user's"
    assert names(tmp_path) == ["another name", "s.toml"]


def test_a_file_written_since_is_no_input(tmp_path):
    path = tmp_path / "s.toml"
    path.write_text("read")
    note_input(path)
    path.write_text(f"{COMMENT}\nand changed")
    write_whole(path, b"ours")
    assert path.read_bytes() == b"ours"


@pytest.mark.parametrize(
    "content",
    [
        b"mine",
        b"\0" * 200_000,
        b"# a scenario for simlink 0.1.0\n[link]\n",
        b'{"cautions": "none"}\n',
        b"symbol,meaning\n",
    ],
)
def test_what_somebody_else_made_is_never_replaced(tmp_path, content):
    path = tmp_path / "out"
    path.write_bytes(content)
    said = r"out: cannot be written: a file stands there that .*; remove it, or name another place$"
    with pytest.raises(OutputError, match=said):
        write_whole(path, b"ours")
    with pytest.raises(OutputError, match=said), writing_set(tmp_path, ["a", "out"]):
        pytest.fail("it was told too late")
    assert names(tmp_path) == ["out"]
    assert path.read_bytes() == content
    write_whole(path, b"ours", anybodys=True)
    assert path.read_bytes() == b"ours"


def test_an_empty_file_is_nobodys(tmp_path):
    path = tmp_path / "out"
    path.touch()
    write_whole(path, b"ours")
    assert path.read_bytes() == b"ours"


def make_link(path):
    (path.parent / "far").write_text("far away")
    path.symlink_to("far")


@pytest.mark.parametrize(
    ("make", "said"),
    [(make_link, "a link"), (os.mkfifo, "no regular file"), (os.mkdir, "is a directory")],
)
def test_only_regular_files_are_replaced(tmp_path, make, said):
    path = tmp_path / "out"
    make(path)
    with pytest.raises(OutputError, match=said):
        write_whole(path, b"ours")
    with pytest.raises(OutputError, match=said), writing_set(tmp_path, ["a", "out"]):
        pytest.fail("it was told too late")
    assert not path.is_file() or path.read_text() == "far away"


def test_a_set_that_cannot_be_moved_whole_leaves_the_old_one(tmp_path, monkeypatch):
    old = {name: f"{COMMENT}: old {name}".encode() for name in "abc"}
    write_set(tmp_path, old)
    move = os.replace

    def fail(source, target):
        if target == tmp_path / "d" and ".results" in str(source):
            raise OSError(13, "Permission denied")
        move(source, target)

    monkeypatch.setattr(os, "replace", fail)
    write_new = dict.fromkeys(("new", "a", "b", "d"), b"new")
    with pytest.raises(OutputError, match="Permission denied"):
        write_set(tmp_path, write_new)
    assert names(tmp_path) == ["a", "b", "c"]
    assert [path.read_bytes() for path in sorted(tmp_path.iterdir())] == list(old.values())


def test_files_of_a_set_that_are_not_made_anew_go(tmp_path):
    (tmp_path / "mine").write_text("mine")
    write_set(tmp_path, dict.fromkeys("ab", COMMENT.encode()))
    with writing_set(tmp_path, ["a", "b"]) as hidden:
        (hidden / "b").write_text("2")
    assert names(tmp_path) == ["b", "mine"]


def test_what_a_killed_program_left_goes_and_what_a_running_one_uses_stays(tmp_path):
    (tmp_path / ".results-killed.part").mkdir()
    (tmp_path / ".results-killed.part" / "ledger.parquet").write_text("half")
    with writing_set(tmp_path, ["a"]) as hidden:
        (hidden / "a").write_text("whole")
        write_set(tmp_path, {"b": b"meanwhile"})
        assert names(tmp_path) == [hidden.name, "b"]
    assert names(tmp_path) == ["a", "b"]


def test_folders_made_for_nothing_go_again(tmp_path):
    with pytest.raises(ZeroDivisionError), writing_set(tmp_path / "x" / "y", ["a"]):
        raise ZeroDivisionError
    assert names(tmp_path) == []


def test_where_a_folder_cannot_be_held_nothing_is_removed(tmp_path, monkeypatch):
    monkeypatch.setattr(safe_write, "fcntl", None)
    (tmp_path / ".results-other.part").mkdir()
    write_set(tmp_path, {"a": b"1"})
    assert names(tmp_path) == [".results-other.part", "a"]
