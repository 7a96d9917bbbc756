"""Malformed files, each of which has to give one line that names the file, and the key."""

from __future__ import annotations

import os
import re
import tomllib

import pytest

from simlink.base.errors import InputError
from simlink.scenario import loading

VALID = """\
title = "valid"
seed = 3
trials = 2
conversions = 100

[link]
scheme = "remote_master"

[trigger]
pattern = "periodic"
rate = "1 MHz"
jitter = { shape = "normal", mean = "0 ps", sigma = "3 ps" }
source = "host"
tolerance = "20 ppm"

[frame]
lanes = 2
words_per_lane = 1
word_bits = 18

[converter]
conversion_time = { shape = "uniform", low = "480 ns", high = "520 ns" }
busy_delay = "5 ns"
data_valid = "6 ns"

[remote_clock]
frequency = "50 MHz"
capture = "half"

[barrier]
channel_skew = "0 ns"
min_pulse = "2 ns"
line_rate = "100 Mbps"

[barrier.forward]
delay = "14 ns"

[barrier.return]
delay = "14 ns"
style = "bits"

[fifo]
depth = 4
release_bits = 6
when_full = "drop_new"

[host]
clock = "25 MHz"
service_latency = { shape = "exponential", mean = "2 us" }
drain = false
watermark = 1
interrupt = "level"
timeout = "50 us"
"""
LINES = VALID.splitlines()

WORDS = {"scheme", "pattern", "source", "capture", "style", "when_full", "interrupt"}
WRONG_TYPE = ["nan", "inf", "-1", "1e300", "true", "[]", "{}", '""', "1979-05-27", '"\\u0000"']


def dotted_lines():
    """Give the number, the dotted key and the key of every line that sets one."""
    table = ""
    for number, line in enumerate(LINES):
        if line.startswith("["):
            table = line.strip("[]") + "."
        elif "=" in line:
            key = line.split(" = ")[0]
            yield number, table + key, key


def replaced(number, line):
    return "\n".join([*LINES[:number], line, *LINES[number + 1 :]]) + "\n"


def wrong_values():
    for number, dotted, key in dotted_lines():
        for value in WRONG_TYPE:
            if key == "drain" and value == "true":
                continue
            if key == "title" and value.startswith('"'):
                continue
            yield pytest.param(replaced(number, f"{key} = {value}"), dotted, id=f"{dotted}={value}")


def misspelt():
    for number, dotted, key in dotted_lines():
        table = dotted[: -len(key)]
        yield pytest.param(
            replaced(number, LINES[number].replace(key, key + "x", 1)), f"{table}{key}x", id=dotted
        )


def missing():
    for number, dotted, key in dotted_lines():
        if key in {"scheme", "rate", "conversion_time", "frequency", "clock", "service_latency"}:
            yield pytest.param(replaced(number, ""), dotted, id=dotted)


TRUNCATED = [
    pytest.param(VALID[:end], id=f"{end} bytes")
    for end in range(3, len(VALID), 7)
    if "\n" not in VALID[end - 1 : end + 1] and not VALID[:end].endswith("]")
]


def refused(text, name="bad.toml", base="."):
    with pytest.raises(InputError) as caught:
        loading.loads(text, base=base, name=name)
    lines = str(caught.value).split("\n")
    assert 1 <= len(lines) <= 21
    for line in lines:
        assert line.startswith(f"{name}: ")
        assert line.isprintable()
        assert "pydantic" not in line.lower()
        assert "Error" not in line
        assert len(line) < 700
    assert len(set(lines)) == len(lines)
    return "\n".join(lines)


def test_the_starting_point_is_valid():
    scenario = loading.loads(VALID)
    assert scenario.words == 2
    assert len(list(wrong_values())) > 250
    assert len(TRUNCATED) > 100


@pytest.mark.parametrize(("text", "key"), list(wrong_values()))
def test_a_wrong_value_is_told_by_its_key(text, key):
    line = refused(text)
    assert line.startswith(f"bad.toml: {key}: got ")


@pytest.mark.parametrize(("text", "key"), list(misspelt()))
def test_a_misspelt_key_is_told_with_the_nearest(text, key):
    said = refused(text).removeprefix("bad.toml: ")
    # A required key that is misspelt is missing as well; the misspelling comes first.
    assert said.startswith(f"{key}: got ")
    assert f'did you mean "{key.rsplit(".", 1)[-1][:-1]}"?' in said


@pytest.mark.parametrize(("text", "key"), list(missing()))
def test_a_missing_key_is_told_with_what_it_takes(text, key):
    line = refused(text)
    assert line.startswith(f"bad.toml: {key}: missing; ")


@pytest.mark.parametrize("text", TRUNCATED)
def test_a_truncated_file(text):
    line = refused(text)
    try:
        tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        assert re.search(r"not valid TOML: .*line \d+, column \d+", line)
    else:
        assert "missing" in line or "got" in line


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "link.scheme: missing"),
        ("\n\n", "link.scheme: missing"),
        ("[link\n", "line 1, column 6"),
        ("[link]\n[link]\n", "line 2"),
        ("a = 1\na = 2\n", "line 2"),
        ("x", "line 1"),
        ("\x00", "line 1, column 1"),
        ('title = "unterminated\n', "line 1"),
        ("title = '''\nnever closed", "line 2, column 13"),
        ("seed = 0x" + "f" * 20000, "seed: got 0xfff"),
        ("seed = " + "9" * 5000, "out of range"),
        ("seed = 1979-02-31", "not valid TOML"),
        ("seed = " + "[" * 5000 + "]" * 5000, "nested too deep"),
        ("a.b" + ".c" * 3000 + " = 1", "nested too deep"),
        ("k" * 10**5 + " = 1", "kkk...: got 1; unknown key"),
        ("\n".join(f"k{i} = 1" for i in range(2000)), "k0: got 1; unknown key"),
        ("[fifo]\nwhen_full = '" + "x" * 10**5 + "'", "fifo.when_full: got"),
        ("[" + "x" * 10**5 + "]\ny = 1", "unknown key"),
        ('"new\\nline" = 1\n', "unknown key"),
        ("link = 3\n", "link: got 3; a table is wanted here"),
        ("[[link]]\nscheme = 'remote_master'\n", "a table is wanted here"),
        ("[[transient]]\n", "transient[0].kind: missing"),
        ("[transient]\n", "transient: got {}; a list of tables is wanted here"),
        ("transient = [1]\n", "transient[0]: got 1; a table is wanted here"),
        ("transient = 1\n", "transient: got 1; a list of tables is wanted here"),
        ("[require]\noverran = { at_most = 1e-6 }\n", 'did you mean "overrun"?'),
        ("[analog]\ntone = 1\n", "analog.tone: got 1; a frequency"),
        ("[analog]\ngaps = 'fill'\n", 'analog.gaps: got "fill"; one of "refuse", "cut"'),
        ("[analog]\nnoise = -1\n", "analog.noise: got -1; an rms noise: a number of LSB"),
        ("[analog]\ninl = [1, 'x']\n", 'analog.inl[1]: got "x"; a number from'),
        ("[barrier]\nreturn = 'x'\n", "barrier.return: got"),
        ("[barrier]\nforward = []\n", "barrier.forward: got"),
        ("[barrier.sideways]\n", "barrier.sideways"),
        ("[fifo]\ndepth = 4.0\n", "fifo.depth: got 4.0; a whole number"),
        ("[fifo]\ndepth = '4'\n", 'fifo.depth: got "4"; a whole number'),
        ("[fifo]\nwhen_full = 'drop_now'\n", 'did you mean "drop_new"?'),
    ],
)
def test_odd_files(text, said):
    assert said in refused(text)


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (None, "host.service_latency.file: got"),
        ("", "host.service_latency.column: got"),
        ("x\n", "host.service_latency.column: got"),
        ("x\nnan\n", "line 2"),
        ("x\n1\n-1\n", "may not reach below zero"),
    ],
)
def test_recordings(tmp_path, content, said):
    if content is not None:
        (tmp_path / "host.csv").write_text(content)
    table = '{ shape = "recorded", file = "host.csv", column = "x", unit = "ns" }'
    text = VALID.replace('{ shape = "exponential", mean = "2 us" }', table)
    line = refused(text, base=tmp_path)
    assert line.startswith("bad.toml: host.service_latency")
    assert said in line


def told(path):
    with pytest.raises(InputError) as caught:
        loading.load(path)
    line = str(caught.value)
    assert line.isprintable()
    return line


def test_what_is_no_scenario_file(tmp_path):
    assert told(tmp_path) == f"{tmp_path}: a scenario file is wanted, and this is a directory"
    missing = tmp_path / "nowhere.toml"
    assert told(missing) == f"{missing}: there is no such file"
    under = tmp_path / "file.toml"
    under.write_text(VALID)
    assert "there is no such file" in told(under / "deeper.toml")
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    assert "this is no regular file" in told(pipe)
    assert "cannot be read" in told("x" * 5000)
    assert told("a\0b").startswith("a b: ")
    odd = tmp_path / "new\nline.toml"
    odd.write_text("x")
    assert "new line.toml: not valid TOML" in told(odd)


def test_an_unreadable_file(tmp_path, monkeypatch):
    path = tmp_path / "a.toml"
    path.write_text(VALID)

    def refuse(*args, **options):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr("pathlib.Path.open", refuse)
    assert told(path) == f"{path}: cannot be read (Permission denied)"


def test_files_that_are_not_text(tmp_path):
    path = tmp_path / "a.toml"
    path.write_bytes(VALID.encode() + b"# caf\xe9\n")
    assert told(path) == f"{path}: not UTF-8 text (at byte {len(VALID) + 6})"
    path.write_bytes(VALID.encode("utf-16"))
    assert "not UTF-8" in told(path)
    path.write_bytes(os.urandom(100) + b"\xff\xff")
    assert told(path).startswith(f"{path}: not ")


def test_a_file_over_one_mebibyte(tmp_path):
    path = tmp_path / "a.toml"
    path.write_text(VALID + "#" * (2**20 - len(VALID)))
    assert loading.load(path).seed == 3
    path.write_text(VALID + "#" * (2**20 - len(VALID) + 1))
    assert "larger than 1 MiB" in told(path)


def test_a_key_of_very_many_parts_is_refused_before_it_is_read():
    for part in ("a", '"a"', "'a b'", "a_1-b"):
        with pytest.raises(InputError, match="a key of more than 50 parts"):
            loading.loads(" . ".join([part] * 5000) + " = 1")
    # A long line of numbers, or of text, is none.
    text = 'title = "' + "a. " * 1000 + '"\n' + "x = [" + "1.5, " * 1000 + "]"
    with pytest.raises(InputError, match="unknown key"):
        loading.loads(text)
