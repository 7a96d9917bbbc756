"""A capture that begins and ends anywhere, and how far its figures can be trusted."""

from __future__ import annotations

import os
import random

import pytest

from simlink.base.errors import InputError
from simlink.scenario.loading import from_dict
from simlink.tracing.measured import edges_of, measure
from simlink.tracing.run_limits import limits_of
from simlink.tracing.trace import trace
from simlink.waveform.capturing import capture
from simlink.waveform.comparing import compare, spans_of
from simlink.waveform.dumping import dump
from simlink.waveform.reporting import as_csv, table
from tests.waveform import analyser
from tests.waveform.analyser import NAMES, NS
from tests.waveform.conftest import BENCH

#: What plain wires show of a conversion, edge by edge.
SHOWN = {
    "t_CYC", "t_PD", "t_CONV", "t_BUSY", "t_ACQ", "t_BCK",
    "t_REL", "t_WAIT", "t_SVC", "t_READ", "t_LAT",
}  # fmt: skip
CASES = {
    "one by one": {},
    # Seldom is the FIFO empty: a read comes a period and more after its release.
    "behind": {
        "host.service_latency": {"shape": "uniform", "low": "4 us", "high": "9 us"},
        "host.drain": True,
    },
    "in pairs": {"host.watermark": 2},
    "early release": {"fifo.release_bits": 1},
    "bursts": {
        "trigger.rate": "0.8 MHz",
        "trigger.pattern": "burst",
        "trigger.burst_length": 4,
        "trigger.gap": "30 us",
    },
}
CUTS = int(os.environ.get("SIMLINK_MANY", "12"))


@pytest.mark.parametrize("case", CASES)
def test_no_interval_slips_wherever_a_capture_begins_and_ends(case, tmp_path, monkeypatch):
    scenario = from_dict(BENCH).with_values({"conversions": 24, **CASES[case]})
    wires = analyser.wires(scenario)
    monkeypatch.setattr(analyser, "wires", lambda _: wires)
    true = {
        (span.symbol, span.start, span.end)
        for span in measure(edges_of(trace(scenario, range(scenario.conversions))))
    }
    last = max(line[-1][0] for line in wires.values() if line)
    pick = random.Random(5)
    path = tmp_path / "cut.vcd"
    read = 0
    for _ in range(CUTS):
        start, end = pick.randrange(last // 2), pick.randrange(last // 2, last + 1000 * NS)
        path.write_text(analyser.export(scenario, step=1, start=start, end=end))
        spans = spans_of(capture(path, scenario, NAMES), scenario)
        seen = {(s.symbol, s.start + start, s.end + start) for s in spans if s.symbol in SHOWN}
        assert seen <= true
        read += sum(symbol == "t_LAT" for symbol, _, _ in seen)
    assert read > 3 * CUTS


def test_a_hold_counts_only_where_the_data_line_moved(bench, tmp_path):
    """Captured half a period of 25 ns after the launch; a hold of 2 ns ends 14.5 later.

    A wire keeps the old level until the new bit is there, 5 ns after the launch: 17.5 in all.
    """
    path = tmp_path / "capture.vcd"
    path.write_text(analyser.export(bench, step=1))
    holds = [s for s in spans_of(capture(path, bench, NAMES), bench) if s.symbol == "t_H"]
    assert len(holds) > 100
    assert {round(span.length, -5) for span in holds} == {17_500_000}


@pytest.mark.parametrize("step", [1, 10 * NS])
def test_the_resolution_is_that_of_the_edges(bench, tmp_path, step):
    """Sampled every 10 ns and written in steps of 1 fs, it is known to 10 ns all the same."""
    text = analyser.export(bench, step=10 * NS)
    if step == 1:
        lines = []
        for line in text.splitlines():
            words = line.split()
            if line.startswith("#"):
                words[0] = f"#{int(words[0][1:]) * 10 * NS}"
            lines.append(" ".join(words).replace("$timescale 10 ns", "$timescale 1 fs"))
        text = "\n".join(lines) + "\n"
    path = tmp_path / "capture.vcd"
    path.write_text(text)
    found = compare(bench, path, NAMES)
    assert found.resolution == 10 * NS
    assert "resolution: 10 ns" in table(found)
    rows = {row.symbol: row for row in found.rows}
    assert rows["t_CONV"].verdict == "within resolution"
    (line,) = (line for line in table(found).splitlines() if line.startswith("t_CONV "))
    # Least, typical and largest, with slashes between.
    assert all(float(one) % 10 == 0 for one in line.split()[2:7:2])


def test_limits_pass_and_fail(bench, tmp_path):
    """Conversions of 600 to 700 ns against laws that allow them, and others that do not."""
    path = tmp_path / "own.vcd"
    dump(bench, path)
    rows = {row.symbol: row for row in compare(bench, path).rows}
    assert (rows["t_CONV"].law.low, rows["t_CONV"].law.high) == (600 * NS, 700 * NS)
    assert rows["t_CONV"].verdict == "pass"
    assert rows["t_LAT"].verdict == ""
    assert {row.verdict for row in rows.values()} <= {"pass", ""} | {"within resolution"}
    law = {"shape": "uniform", "low": "600 ns", "high": "640 ns"}
    short = compare(bench.with_value("converter.conversion_time", law), path)
    rows = {row.symbol: row for row in short.rows}
    assert rows["t_CONV"].verdict == "fail"
    assert ",600,640,fail," in as_csv(short)


def test_an_inverted_line_is_hinted_at(bench, sampled, tmp_path):
    path = tmp_path / "capture.vcd"
    path.write_text(sampled)
    for name, line in (
        ("host.busy", "nBUSY"),
        ("remote.clock", "!ISO_SCK"),
        ("host.clock", "!SCK"),
    ):
        found = compare(bench, path, {**NAMES, name: line})
        hints = [one for one in found.complaints if one.kind == "inverted"]
        assert [one.signal for one in hints] == [name]
        assert f"{name}=!NAME" in hints[0].text
    assert [one for one in compare(bench, path, NAMES).complaints if one.kind == "inverted"] == []


def test_the_lines_that_can_be_named_are_listed(bench, sampled, tmp_path):
    path = tmp_path / "capture.vcd"
    path.write_text(sampled)
    for names in ({"host.clock": "SCL"}, {"host.klock": "SCK"}, {}):
        with pytest.raises(InputError) as told:
            compare(bench, path, names)
        for name in ("host.trigger", "remote.busy", "remote.data[0]", "host.data[0]"):
            assert name in str(told.value)


def test_host_data_can_be_named_in_every_scheme(bench, sampled, tmp_path):
    path = tmp_path / "capture.vcd"
    path.write_text(sampled)
    found = compare(bench, path, {**NAMES, "host.data[0]": "ISO_SDO"})
    assert limits_of(found.spans) == limits_of(compare(bench, path, NAMES).spans)
    assert found.complaints == []


def test_an_own_dump_measures_with_or_without_names_of_the_board(bench, tmp_path):
    path = tmp_path / "own.vcd"
    dump(bench, path)
    raw = BENCH | {
        "dump": {name.replace(".", "_").removesuffix("[0]"): line for name, line in NAMES.items()}
    }
    named = compare(from_dict(raw), path)
    assert named.spans == compare(bench, path).spans
    assert named.complaints == []


def test_a_dump_with_pin_names_measures_under_them(bench, tmp_path):
    from simlink.tracing.pin_names import load as pins_of
    from simlink.waveform.mapping import lines_of

    (tmp_path / "pins.toml").write_text(
        '[names]\nremote.clock = "SCK"\nremote.data = "SDO"\n"host.trigger" = "CNV"\n'
        'host.capture = "RX"\n'
    )
    pins = pins_of(tmp_path / "pins.toml")
    dump(bench, tmp_path / "pins.vcd", pins=pins)
    dump(bench, tmp_path / "own.vcd")
    text = (tmp_path / "pins.vcd").read_text()
    for name in (" SCK $end", " SDO_0 $end", " CNV $end"):
        assert name in text
    named = compare(bench, tmp_path / "pins.vcd", lines_of(pins, bench))
    assert named.spans == compare(bench, tmp_path / "own.vcd").spans


def test_the_scenarios_own_names_are_the_dumps_and_are_found_there(bench, tmp_path):
    named = bench.with_values({"names.remote.clock": "SCK 1", "names.remote.data": "SDO"})
    dump(named, tmp_path / "pins.vcd")
    dump(bench, tmp_path / "own.vcd")
    text = (tmp_path / "pins.vcd").read_text()
    assert " SCK_1 $end" in text
    assert " SDO_0 $end" in text
    assert compare(named, tmp_path / "pins.vcd").spans == compare(bench, tmp_path / "own.vcd").spans
    # A capture that has other names is read by those, as if nothing were named.
    assert compare(named, tmp_path / "own.vcd").spans == compare(bench, tmp_path / "own.vcd").spans


def test_given_names_win_over_the_scenarios(bench, tmp_path):
    named = bench.with_values({"names.remote.clock": "SCK", "names.remote.busy": "BUSY"})
    dump(named, tmp_path / "pins.vcd", pins={"remote.clock": "CLK"})
    text = (tmp_path / "pins.vcd").read_text()
    assert " CLK $end" in text
    assert " BUSY $end" in text
    assert " SCK $end" not in text


@pytest.mark.parametrize(
    "text",
    [
        "remote.clock = 5",
        "[names]\nremote.klock = 'SCK'",
        "[names]\nremote.clock = ''",
        "[names]\nremote.clock = ['A']",
        "[names]\nremote.data = []",
        "[names]\nremote.data = ['A', '']",
        "[names]\nremote = 'SCK'",
        "[names]\nremote = 'SCK'\n'remote.clock' = 'SCK'",
        "[names",
    ],
)
def test_bad_pin_names_are_refused_in_one_line(tmp_path, text):
    from simlink.tracing.pin_names import load as pins_of

    path = tmp_path / "pins.toml"
    path.write_text(text)
    with pytest.raises(InputError) as told:
        pins_of(path)
    assert str(told.value).isprintable()


def test_two_signals_have_two_names(bench, tmp_path):
    with pytest.raises(InputError, match="is that of"):
        dump(bench, tmp_path / "a.vcd", pins={"remote.clock": "A", "remote.busy": "A"})


def test_a_data_line_that_rests_between_frames_spoils_no_first_bit(bench, tmp_path, monkeypatch):
    """A line that falls to rest 3 ns after a frame's last clock edge, as many converters let it.

    A first bit of 0 moves it no more: nothing is seen of its becoming valid, 6 ns after busy, nor
    of a setup from then to its capture, 15 + 12.5 - 6 = 21.5 ns.
    """
    wires = analyser.wires(bench)
    falls = [time for time, level in wires["remote.clock"] if level == 0]
    ends = [
        time
        for time, after in zip(falls, [*falls[1:], None], strict=True)
        if after is None or after - time > 1000 * NS
    ]
    line = wires["remote.data[0]"]
    wires["remote.data[0]"] = sorted([*line, *((time + 3 * NS, 0) for time in ends)])
    monkeypatch.setattr(analyser, "wires", lambda _: wires)
    path = tmp_path / "rests.vcd"
    path.write_text(analyser.export(bench, start=1_500 * NS))
    found = compare(bench, path, NAMES)
    rows = {row.symbol: row for row in found.rows}
    first = [span for span in found.spans if span.symbol in ("t_MSB", "t_SU") and span.bit == 0]
    # About half of 60 random first bits are 1 and move it.
    assert 2 * 15 < len(first) < 2 * 45
    assert all(abs(span.length - (6 * NS if span.symbol == "t_MSB" else 21_500_000)) <= NS
               for span in first)  # fmt: skip
    assert "fail" not in {row.verdict for row in found.rows}
    # The wire holds longer than the 2 ns that the converter promises, which is no fault.
    assert rows["t_DH"].measured.least >= 3 * NS
    assert rows["t_DH"].verdict == "pass"
    (line,) = (line for line in table(found).splitlines() if line.startswith("t_DH "))
    assert "2 .. " in line


def test_a_hold_shorter_than_promised_fails_on_a_wire(bench, tmp_path):
    """Data that moves 5 ns after its launch keeps no promise to hold for 7 ns."""
    path = tmp_path / "capture.vcd"
    path.write_text(analyser.export(bench, step=1))
    longer = bench.with_values({"converter.data_hold": "7 ns", "converter.data_valid": "8 ns"})
    rows = {row.symbol: row for row in compare(longer, path, NAMES).rows}
    assert rows["t_DH"].verdict == "fail"
