"""``simlink diagram`` through the real command line."""

from __future__ import annotations

import sys

import pytest

VALID = """\
seed = 5
trials = 2
conversions = 12

[link]
scheme = "remote_master"

[trigger]
rate = "1 MHz"

[frame]
word_bits = 8

[converter]
conversion_time = "400 ns"

[remote_clock]
frequency = "50 MHz"

[barrier.forward]
delay = "10 ns"

[barrier.return]
delay = "10 ns"

[host]
clock = "40 MHz"
service_latency = { shape = "uniform", low = "100 ns", high = "300 ns" }
"""


@pytest.fixture
def simlink(monkeypatch, capsys, tmp_path):
    """Run ``simlink diagram`` in a folder of its own; return status, output and errors."""
    from simlink import cli

    (tmp_path / "link.toml").write_text(VALID)
    monkeypatch.chdir(tmp_path)

    def run(*options):
        monkeypatch.setattr(sys, "argv", ["simlink", "diagram", "link.toml", *options])
        status = 0
        try:
            cli.main()
        except SystemExit as ended:
            status = ended.code or 0
        out, err = capsys.readouterr()
        return status, out, err

    return run


def test_a_picture_and_nothing_else(simlink, tmp_path):
    status, out, err = simlink()
    assert (status, err) == (0, "")
    assert out.startswith("Diagram: link-timing.svg (175 x ")
    assert out.endswith("board 0, conversion 0)\n")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["link-timing.svg", "link.toml"]


@pytest.mark.parametrize(
    ("name", "start"), [("a.svg", b"<?xml"), ("a.pdf", b"%PDF"), ("a.PNG", b"\x89PNG")]
)
def test_the_name_says_the_kind(simlink, tmp_path, name, start):
    assert simlink("--out", name, "--width", "1", "--conversions", "3")[0] == 0
    assert (tmp_path / name).read_bytes().startswith(start)


def test_all_options_at_once(simlink, tmp_path):
    status, out, _ = simlink(
        "--conversions", "latest",
        "--signals", "remote.busy,remote.clock,host.trigger,host.read",
        "--intervals", "t_CONV t_READ",
        "--width", "120 mm",
        "--quiet", "50 ns:20 ns",
        "--table", "t.csv",
        "--seed", "9",
        "--bands", "--limits", "--dark", "--to-scale",
    )  # fmt: skip
    assert status == 0
    assert "(120 x " in out
    assert "Table: t.csv (over all 12 conversions of each of 2 boards)" in out
    text = (tmp_path / "t.csv").read_text()
    assert text.startswith("symbol,meaning,conditions,min,typ,max,seen from,seen to,unit\nt_CYC,")
    assert "\nt_CONV,conversion: trigger to busy low,,400,400,400,400,400,ns\n" in text


def test_a_picture_taller_than_a_page_is_told(simlink):
    status, out, err = simlink("--conversions", "0:8", "--width", "1")
    assert status == 0
    assert out.startswith("Diagram: ")
    assert "more than a page" in err


def test_the_same_seed_gives_the_same_bytes_and_another_another(simlink, tmp_path):
    for name, seed in (("a.svg", "3"), ("b.svg", "3"), ("c.svg", "4")):
        assert simlink("--out", name, "--seed", seed)[0] == 0
    a, b, c = ((tmp_path / f"{name}.svg").read_bytes() for name in "abc")
    assert a == b
    assert a != c


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--conversions", "5:4"], "--conversions"),
        (["--conversions", "0:9"], "--conversions"),
        (["--conversions", "worst"], "latest"),
        (["--conversions", "12"], "conversions"),
        (["--conversions", "overrun"], "none of the 2 x 12"),
        (["--trial", "2"], "trial"),
        (["--trial", "-1"], "--trial"),
        (["--signals", "host.bsy"], "host.busy"),
        (["--signals", ""], "--signals"),
        (["--intervals", "t_X"], "t_CONV"),
        (["--width", "wide"], "--width"),
        (["--width", "3"], "--width"),
        (["--width", "5000 mm"], "--width"),
        (["--quiet", "50 ns"], "--quiet"),
        (["--quiet", "5 ns:x"], "--quiet"),
        (["--quiet=-5 ns:5 ns"], "--quiet"),
        (["--to-scale", "--conversions", "0:2"], "--to-scale"),
        (["--out", "a.gif"], ".svg"),
        (["--table", "a.html"], ".tex"),
        (["--out", "nowhere/a.svg"], "nowhere/a.svg"),
        (["--seed", "x"], "--seed"),
    ],
)
def test_bad_input_is_told_in_one_line(simlink, tmp_path, options, said):
    status, out, err = simlink(*options)
    assert (status, out) == (2, "")
    assert err.count("\n") == 1
    assert err.startswith("simlink: ")
    assert said in err
    assert [p.name for p in tmp_path.iterdir()] == ["link.toml"]
