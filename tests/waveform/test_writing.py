"""Writing: memory, timescales, choice of signals, nothing half-written."""

from __future__ import annotations

import io
import subprocess
import sys

import pytest

from simlink.base.errors import InputError, OutputError
from simlink.engines.event.clockwork import Clockwork
from simlink.engines.event.signals import Signals
from simlink.waveform import timescale
from simlink.waveform.dumping import dump
from simlink.waveform.header import identifier
from simlink.waveform.signals import signals_of
from simlink.waveform.writer import DumpWriter

#: Prints the peak memory in MB of a process that dumps, and after a dump 20 times as long.
GROWTH = """
import re, sys
from simlink.scenario.loading import load
from simlink.waveform.dumping import dump

def peak():
    # What resource.getrusage gives may be the parent's.
    return int(re.search(r"VmHWM:\\s+(\\d+) kB", open("/proc/self/status").read())[1]) / 1024

scenario = load("scenarios/bench-supply.toml")
dump(scenario.with_(conversions=200), sys.argv[1])
short = peak()
dump(scenario.with_(conversions=4000), sys.argv[1])
print(short, peak())
"""


@pytest.mark.skipif(sys.platform != "linux", reason="asks the kernel")
def test_a_dump_is_written_as_it_goes(tmp_path):
    """4000 conversions, 14 MB of dump, take less than 4 MB more than 200 do.

    What still grows are the records of the run and its draws, some 200 bytes a conversion: 1e5
    conversions were measured at 71 MB in all (346 MB of dump).
    """
    done = subprocess.run(
        [sys.executable, "-c", GROWTH, str(tmp_path / "a.vcd")],
        capture_output=True,
        text=True,
        check=True,
    )
    short, long = map(float, done.stdout.split())
    assert (tmp_path / "a.vcd").stat().st_size > 12e6
    assert long - short < 4
    # 150 MB at 1e5 conversions, as a straight line through both would have it.
    assert long + (long - short) / 3800 * 96_000 < 150


@pytest.mark.parametrize(
    ("text", "step"),
    [("1 fs", 1), ("10fs", 10), (" 100  ps ", 10**5), ("1 s", 10**15), ("100 s", 10**17)],
)
def test_timescales_of_the_standard(text, step):
    assert timescale.step_of(text, "here") == step
    assert timescale.step_of(timescale.written(step), "here") == step


@pytest.mark.parametrize("text", ["", "1", "fs", "2 ns", "1000 fs", "0.1 ns", "1 as", "1 ns 1"])
def test_other_timescales_are_refused(text):
    with pytest.raises(InputError, match="1, 10 or 100 of s, ms, us, ns, ps or fs"):
        timescale.step_of(text, "here")


@pytest.mark.parametrize(
    ("time", "text"),
    [(0, "0 ns"), (1, "0.000001 ns"), (-1_500_000, "-1.5 ns"), (10**15, "1000000000 ns")],
)
def test_instants_are_shown_whole(time, text):
    assert timescale.shown(time) == text


def test_identifiers_are_short_and_all_different():
    codes = [identifier(number) for number in range(20_000)]
    assert len(set(codes)) == len(codes)
    assert {len(code) for code in codes[:92]} == {1}
    assert {len(code) for code in codes} == {1, 2, 3}
    assert not set("#$ ") & set("".join(codes))


def test_only_the_signals_that_are_asked_for(bench, tmp_path):
    path = tmp_path / "a.vcd"
    dump(bench, path, range(3), signals=["host.*", "remote.clock"])
    text = path.read_text()
    names = {line.split()[4] for line in text.splitlines() if line.strip().startswith("$var")}
    assert {"trigger", "busy", "service", "clock", "capture_0"} <= names
    assert not {"level", "capture", "data_0"} & names
    with pytest.raises(InputError, match=r'"host.sck"; none of the signals fits: host.trigger'):
        dump(bench, path, signals=["host.sck"])


@pytest.mark.parametrize("window", [range(5, 5), range(59, 61), range(-1, 2)])
def test_a_window_outside_the_run_is_refused(bench, tmp_path, window):
    with pytest.raises(InputError, match="a window within 0:60"):
        dump(bench, tmp_path / "a.vcd", window)


def test_nothing_is_left_of_a_dump_that_could_not_be_written(bench, tmp_path, monkeypatch):
    (tmp_path / "a.vcd").write_text("$version simlink 0 $end")

    def full(*_):
        raise OSError(28, "No space left on device")

    with pytest.raises(OutputError, match=r"a\.vcd: cannot be written"):
        dump(bench, tmp_path / "no" / "a.vcd", range(1))
    monkeypatch.setattr(DumpWriter, "close", full)
    with pytest.raises(OutputError, match="No space left"):
        dump(bench, tmp_path / "a.vcd", range(1))
    assert [one.read_text() for one in tmp_path.iterdir()] == ["$version simlink 0 $end"]


def tell(writer, time, name, value):
    """Tell a writer of one change of a signal of one lane or none."""
    signals = Signals(Clockwork(initial_time=time))
    signals.observe(writer.observers[name], name)
    signals.make(name).set(value)


def test_what_is_not_dumped_leaves_no_instants(bench, tmp_path):
    path = tmp_path / "a.vcd"
    dump(bench, path, range(3), signals=["host.busy"])
    body = path.read_text().partition("$dumpvars\n")[2].partition("$end\n")[2]
    # It opens with the trigger, at whose instant busy rises, and ends with the last fate.
    assert "".join(line[0] for line in body.splitlines()) == "1#0#1#0#1#0#$"
    whole = tmp_path / "b.vcd"
    dump(bench, whole, range(3))
    last = [
        [line for line in one.read_text().splitlines() if line[0] == "#"][-1]
        for one in (path, whole)
    ]
    assert last[0] == last[1]


def test_instants_are_rounded_to_the_nearest_step(bench):
    out = io.StringIO()
    (busy,) = (signal for signal in signals_of(bench) if signal.name == "host.busy")
    writer = DumpWriter(out, bench, 0, [busy], step=10)
    tell(writer, 12, "host.trigger", 0)
    for time, level in ((14, 1), (15, 0), (24, 1), (26, 0)):
        tell(writer, time, "host.busy", level)
    writer.close()
    body = out.getvalue().partition("$dumpvars\n")[2]
    assert body == "0!\n$end\n1!\n#2\n0!\n1!\n#3\n0!\n$comment end of dump $end\n"


def test_a_trigger_before_0_begins_the_dump_at_0(bench):
    out = io.StringIO()
    (busy,) = (signal for signal in signals_of(bench) if signal.name == "host.busy")
    writer = DumpWriter(out, bench, 0, [busy], step=10)
    tell(writer, -17, "host.trigger", 0)
    tell(writer, -17, "host.busy", 1)
    tell(writer, 3, "host.busy", 0)
    writer.close()
    text = out.getvalue()
    assert "instant 0 is -0.00002 ns of the run" in text
    assert text.partition("$dumpvars\n")[2].startswith("0!\n$end\n1!\n#2\n0!\n")
