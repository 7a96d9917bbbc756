"""Bad scenarios through the real command line: one line on standard error, and status 2."""

from __future__ import annotations

import os
import subprocess
import sys

import pytest

VALID = """\
conversions = 20

[link]
scheme = "remote_master"

[trigger]
rate = "1 MHz"

[converter]
conversion_time = "500 ns"

[remote_clock]
frequency = "50 MHz"

[barrier]
line_rate = "100 Mbps"

[fifo]
depth = 4

[host]
clock = "25 MHz"
service_latency = { shape = "exponential", mean = "2 us" }
"""

CHANGES = [
    ('scheme = "remote_master"', 'scheme = "forward_clock"', "link.scheme"),
    ('scheme = "remote_master"', 'scheme = "remote_mister"', "link.scheme"),
    ('scheme = "remote_master"', "", "link.scheme"),
    ('rate = "1 MHz"', 'rate = "1"', "trigger.rate"),
    ('rate = "1 MHz"', "rate = nan", "trigger.rate"),
    ('rate = "1 MHz"', "rate = 1e300", "trigger.rate"),
    ('rate = "1 MHz"', 'rate = "-1 MHz"', "trigger.rate"),
    ('rate = "1 MHz"', 'rate = "1 mHz"', "trigger.rate"),
    ('rate = "1 MHz"', 'pattern = "after_read"', "trigger.gap"),
    ('rate = "1 MHz"', 'rate = "1 MHz"\nbanana = 3', "trigger.banana"),
    ('"500 ns"', '"500 MHz"', "converter.conversion_time"),
    ('"500 ns"', '"-500 ns"', "converter.conversion_time"),
    ('"500 ns"', '{ shape = "unifrom" }', "converter.conversion_time.shape"),
    ('"500 ns"', '{ shape = "normal", mean = "1 ns", sigma = "1 ns" }', "conversion_time"),
    ('"50 MHz"', '"0 Hz"', "remote_clock.frequency"),
    ('"50 MHz"', '"200 MHz"', "barrier.line_rate"),
    ('"100 Mbps"', '"100 MHz"', "barrier.line_rate"),
    ("depth = 4", "depth = 0", "fifo.depth"),
    ("depth = 4", "depth = 4.0", "fifo.depth"),
    ("depth = 4", "dpeth = 4", "fifo.dpeth"),
    ("depth = 4", "release_bits = 17", "fifo.release_bits"),
    ("[fifo]", "[fifo", "line 18"),
    ("[fifo]", "[host]", "line"),
    ('"2 us" }', '"2 us"', "not valid TOML"),
    ('mean = "2 us"', 'mean = "2 us", men = 1', "host.service_latency.men"),
    ('"exponential", mean = "2 us"', '"recorded", file = "no.csv", column = "x", unit = "us"',
     "host.service_latency.file"),
    ('"exponential", mean = "2 us"', '"recorded", file = "empty.csv", column = "x", unit = "us"',
     "host.service_latency.column"),
    ("conversions = 20", "conversions = 10000000000", "conversions"),
    ("conversions = 20", "conversions = true", "conversions"),
    ("conversions = 20", "seed = -1", "seed"),
    ("conversions = 20", "[[transient]]", "transient"),
]  # fmt: skip


@pytest.fixture
def refused(monkeypatch, capsys):
    """Run ``simlink run`` on a file; return its complaint, a line a fault."""
    from simlink import cli

    def run(path, *options):
        monkeypatch.setattr(sys, "argv", ["simlink", "run", str(path), *options])
        with pytest.raises(SystemExit) as caught:
            cli.main()
        out, err = capsys.readouterr()
        assert caught.value.code == 2
        assert out == ""
        assert err.endswith("\n")
        for line in err.splitlines():
            assert line.isprintable()
            assert line.startswith(f"simlink: {path}: ")
        return err

    return run


@pytest.mark.parametrize(("old", "new", "key"), CHANGES)
def test_a_malformed_scenario(refused, tmp_path, old, new, key):
    assert VALID.count(old) == 1
    (tmp_path / "empty.csv").write_text("x\n")
    path = tmp_path / "bad.toml"
    path.write_text(VALID.replace(old, new))
    assert key in refused(path)


@pytest.mark.parametrize("option", [(), ("--json",)])
def test_files_that_hold_no_scenario(refused, tmp_path, option):
    assert "directory" in refused(tmp_path, *option)
    assert "no such file" in refused(tmp_path / "nowhere.toml", *option)
    path = tmp_path / "bad.toml"
    path.write_bytes(b"\xff\xfe\x00")
    assert "not UTF-8" in refused(path, *option)
    path.write_bytes(b"")
    assert "link.scheme: missing" in refused(path, *option)
    path.write_bytes(VALID[:-30].encode())
    assert "line" in refused(path, *option)
    path.write_bytes(b"#" * (2**20 + 1))
    assert "1 MiB" in refused(path, *option)


def test_the_process_itself_ends_with_two_and_one_line(tmp_path):
    path = tmp_path / "bad.toml"
    path.write_text(VALID.replace("depth = 4", "depth = 0"))
    done = subprocess.run(
        [sys.executable, "-c", "from simlink.cli import main; main()", "run", str(path)],
        capture_output=True,
        text=True,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(filter(None, sys.path))},
        check=False,
    )
    assert done.returncode == 2
    assert done.stdout == ""
    assert done.stderr == (
        f"simlink: {path}: fifo.depth: got 0; a whole number from 1 to 1000000\n"
    )
