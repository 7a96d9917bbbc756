"""The comparison, and the latencies that close the loop with a simulation."""

from __future__ import annotations

import csv
import io

import pytest

from simlink.base.errors import InputError
from simlink.scenario.loading import from_dict
from simlink.tracing.measured import RULES
from simlink.tracing.run_limits import Limits, limits_of
from simlink.waveform.capturing import capture
from simlink.waveform.comparing import compare, spans_of
from simlink.waveform.dumping import dump
from simlink.waveform.reporting import as_csv, table, write_latencies
from tests.engines.chain import record
from tests.waveform import analyser
from tests.waveform.analyser import NAMES, NS
from tests.waveform.conftest import BENCH


@pytest.fixture
def own(bench, tmp_path):
    path = tmp_path / "own.vcd"
    dump(bench, path)
    return path


def test_a_dump_of_the_only_unit_differs_by_nothing(bench, own):
    found = compare(bench, own)
    assert len(found.rows) == 21
    assert found.unseen == ()
    for row in found.rows:
        assert row.measured == row.simulated, row.symbol
        assert row.difference == 0
    assert found.whole
    frame = found.to_pandas()
    assert (frame["difference"] == 0).all()
    assert frame.loc[frame["symbol"] == "t_READ", "measured_typical"].item() == 400e-9


def test_a_slower_unit_shows_as_a_difference(bench, own):
    """The dump of one board beside the simulation of a scenario with 2 ns more delay."""
    other = bench.with_value("barrier.forward.delay", "13 ns")
    rows = {row.symbol: row for row in compare(other, own).rows}
    assert rows["t_PD"].difference == -2 * NS
    assert rows["t_CONV"].difference == 0
    lines = table(compare(other, own)).splitlines()
    assert any(line.startswith("t_PD ") and " -2 " in line for line in lines)
    cells = list(csv.DictReader(io.StringIO(as_csv(compare(other, own)))))
    (cell,) = (cell for cell in cells if cell["symbol"] == "t_PD")
    assert cell["difference_ns"] == "-2"
    assert float(cell["measured_min_ns"]) < 11 < float(cell["measured_max_ns"])
    assert cell["count"] == "60"


def test_no_more_conversions_than_asked_for(bench, own):
    found = compare(bench, own, most=10)
    assert not found.whole
    assert {row.symbol: row for row in found.rows}["t_CONV"].measured.count == 10
    assert found.complaints == []


def test_signals_named_in_the_scenario(bench, tmp_path):
    raw = BENCH | {
        "dump": {name.replace(".", "_").removesuffix("[0]"): line for name, line in NAMES.items()}
    }
    path = tmp_path / "capture.vcd"
    path.write_text(analyser.export(bench))
    named, given = compare(from_dict(raw), path), compare(bench, path, NAMES)
    assert named.spans == given.spans
    assert len({span.symbol for span in named.spans}) == 20


def test_without_the_converters_trigger_its_busy_begins_a_conversion(bench, sampled, tmp_path):
    path = tmp_path / "capture.vcd"
    path.write_text(sampled)
    names = {name: line for name, line in NAMES.items() if name.startswith("remote")}
    del names["remote.trigger"]
    found = compare(bench, path, names)
    limits = limits_of(found.spans)
    assert set(found.unseen) == set(RULES) - set(limits) - {"t_FLT", "t_FRD"}
    assert f"not seen in the dump: {', '.join(found.unseen)}\n" in table(found)
    assert set(limits) == {
        "t_BUSY",
        "t_MSB",
        "t_BCK",
        "t_CH",
        "t_CL",
        "t_DV",
        "t_DH",
        "t_SU",
        "t_H",
    }
    assert limits["t_BCK"].count == 60
    assert abs(limits["t_BCK"].typical - 27_500_000) <= NS
    assert abs(limits["t_SU"].least - 7_500_000) <= NS


@pytest.mark.parametrize("style", ["own", "wires"])
def test_replayed_latencies_give_the_same_ledger(bench, tmp_path, style):
    """Measured on a dump and replayed, the host is as late for every frame as it was."""
    path = tmp_path / "a.vcd"
    if style == "own":
        dump(bench, path)
    else:
        path.write_text(analyser.export(bench, step=1))
    found = compare(bench, path, NAMES if style == "wires" else None)
    block = record(bench)
    assert found.service_latencies == (block.read_start - block.service)[0].tolist()
    assert write_latencies(tmp_path / "seen.csv", found, "simlink measure") == 60
    law = {"shape": "recorded", "file": str(tmp_path / "seen.csv"), "column": "latency_ns"}
    again = bench.with_value("host.service_latency", law | {"unit": "ns", "start": 0})
    assert record(again).same_as(block)


@pytest.mark.parametrize(
    "values",
    [
        {"host.drain": True},
        {"host.watermark": 2},
        {"host.watermark": 3, "host.drain": True},
        {"trigger.rate": "0.8 MHz", "trigger.pattern": "burst", "trigger.burst_length": 4,
         "trigger.gap": "30 us", "host.drain": True},
    ],
)  # fmt: skip
def test_services_told_from_wires(bench, tmp_path, values):
    """Groups of a watermark and of drain are one service each, as the simulation has it."""
    scenario = bench.with_values(values)
    path = tmp_path / "capture.vcd"
    path.write_text(analyser.export(scenario, step=1))
    spans = spans_of(capture(path, scenario, NAMES), scenario)
    block = record(scenario)
    begun = block.service[0] > 0
    assert [s.length for s in spans if s.symbol == "t_SVC"] == (
        (block.read_start - block.service)[0, begun].tolist()
    )
    assert begun.sum() < 60


def test_no_latency_no_file(bench, tmp_path):
    path = tmp_path / "a.vcd"
    dump(bench, path, signals=["remote.*"])
    with pytest.raises(InputError, match="no service latency can be told from it"):
        write_latencies(tmp_path / "seen.csv", compare(bench, path))
    assert not (tmp_path / "seen.csv").exists()


def test_limits_are_the_least_the_lower_median_and_the_largest():
    from simlink.tracing.measured import Span

    spans = [Span("t_CH", 0, width) for width in (4, 1, 3, 2)]
    assert limits_of(spans) == {"t_CH": Limits(1, 2, 4, 4)}
