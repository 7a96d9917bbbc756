"""Whatever a command wrote it may replace, and nothing else, however that is called."""

from __future__ import annotations

import tomllib
from xml.etree import ElementTree

import pyarrow.parquet as pq
import pytest
import tomli_w
from PIL import Image
from typer.testing import CliRunner

from simlink.base.errors import OutputError
from simlink.base.made import MAKER, made_here
from simlink.cli import app
from tests.robustness.bench import BENCH, bench

FEW = {"trials": 2, "conversions": 4}
EVENT = ("--engine", "event")
COMMANDS = [
    ["run", "in/s.toml", *EVENT, "--out", "."],
    ["dump", "in/s.toml", "--out", "a.vcd"],
    ["measure", "in/s.toml", "in/c.vcd", "--csv", "a.csv", "--latencies", "b.csv"],
    *(
        ["diagram", "in/s.toml", "--out", f"a.{kind}", "--table", f"a.{table}"]
        for kind, table in (("svg", "csv"), ("png", "md"), ("pdf", "tex"))
    ),
    ["explain", "in/s.toml", "--word", "1", "--out", "a.svg"],
    ["budget", "in/s.toml", "--out", "."],
    ["judge", "in/s.toml", *EVENT, "--budget", "0 s", "--every-row", "--junit", "a.xml"],
    ["schema", "--out", "a.json"],
    ["vary", "in/s.toml", "host.watermark", "1,2", *EVENT, "--out", "."],
    ["exposure", "in/e.toml", "--steps", "2", "--out", "."],
    ["exposure", "in/e.toml", "--steps", "2", "--slews", "40 kV/us,50 kV/us", "--out", "."],
    ["host-latency", "--count", "3", "--out", "."],
    ["size", "in/s.toml", *EVENT, "--overrun-at-most", "0.4", "--out", "."],
    ["pass-map", "in/f.toml", "--steps", "2", "--trials", "1", "--conversions", "1", "--out", "."],
    ["spectrum", "in/t.toml", *EVENT, "--record", "a.csv", "--out", "."],
]


def run(words):
    return CliRunner().invoke(app, words)


@pytest.fixture(scope="module")
def inputs(tmp_path_factory):
    """Return a folder of scenarios, small ones, and a dump."""
    folder = tmp_path_factory.mktemp("inputs")
    tone = {"trials": 1, "conversions": 256, "analog.tone": "50 kHz"}
    tone |= {"analog.amplitude": 0.9, "analog.full_scale": "5 V"}
    (folder / "s.toml").write_text(tomli_w.dumps(bench(FEW)))
    (folder / "t.toml").write_text(tomli_w.dumps(bench(tone)))
    for name, shipped in (("e", "ice-rink-drive"), ("f", "kiln-recorder")):
        raw = tomllib.loads((BENCH.parent / f"{shipped}.toml").read_text(encoding="utf-8"))
        (folder / f"{name}.toml").write_text(tomli_w.dumps(raw | FEW))
    run(["dump", str(folder / "s.toml"), "--out", str(folder / "c.vcd")])
    return folder


@pytest.fixture
def beside(inputs, tmp_path, monkeypatch):
    """Work in an empty folder but for a link to the inputs."""
    (tmp_path / "in").symlink_to(inputs)
    monkeypatch.chdir(tmp_path)
    return tmp_path


def png_software(path):
    with Image.open(path) as picture:
        return picture.info["Software"]


def svg_creator(path):
    # Dublin Core, the terms of version 1.1.
    (creator,) = ElementTree.parse(path).iter("{http://purl.org/dc/elements/1.1/}creator")
    return "".join(creator.itertext()).strip()


def parquet_maker(path):
    return pq.read_schema(path).metadata[b"made_by"].decode()


#: What readers of others find where a format has a place for who made a file.
MAKERS = {".png": png_software, ".svg": svg_creator, ".parquet": parquet_maker}


def content(folder):
    return {one.name: one.read_bytes() for one in folder.iterdir() if one.is_file()}


@pytest.mark.parametrize("words", COMMANDS, ids=" ".join)
def test_a_command_replaces_what_it_wrote_and_nothing_else(words, beside):
    done = run(words)
    assert done.exit_code in (0, 1), (done.output, done.exception)
    assert isinstance(done.exception, SystemExit | None), done.exception
    written = content(beside)
    assert written
    for name in written:
        path = beside / name
        assert made_here(path), name
        if path.suffix in MAKERS:
            assert MAKERS[path.suffix](path) == MAKER
    for name in written:
        (beside / name).write_bytes(b"somebody's")
        kept = content(beside)
        assert isinstance(run(words).exception, OutputError)
        assert content(beside) == kept
        (beside / name).write_bytes(written[name])
