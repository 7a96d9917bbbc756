"""Mutated scenarios, recordings and captures: a result or one complaint, and nothing else.

`SIMLINK_MUTATIONS` says how many of each are tried: 100 unless said; 20,000 take some ten minutes.
"""

from __future__ import annotations

import os
import tempfile
import tomllib
from pathlib import Path

import pytest
import tomli_w
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from simlink.base.errors import InputError
from simlink.engines.batch import BatchEngine
from simlink.engines.event import EventEngine
from simlink.scenario.loading import from_dict, load, loads
from simlink.waveform.comparing import compare
from simlink.waveform.dumping import dump
from tests.engines.agreement import records_of, unlike
from tests.robustness.bench import BENCH, SHIPPED, bench
from tests.robustness.mutations import mutated, spoiled

MANY = int(os.environ.get("SIMLINK_MUTATIONS") or 100)
RAW = {path.name: tomllib.loads(path.read_text(encoding="utf-8")) for path in SHIPPED}
RECORDING = b"time_s,latency_ns\n# by hand\n" + b"".join(
    b"%d,%d.5\n" % (i, 400 + i) for i in range(9)
)
#: Bits, and conversions of all trials, that are simulated; larger ones are loaded alone.
MOST_BITS = 2000
many = settings(max_examples=MANY, suppress_health_check=list(HealthCheck))


def in_one_line(error):
    """See that a complaint has one line for each fault, which a terminal shows as it is."""
    assert all(line and line.isprintable() for line in str(error).split("\n"))


def simulated(scenario):
    """Compare both engines on a few conversions, where the scenario is small enough."""
    if scenario.bits_per_lane * scenario.frame.lanes > MOST_BITS:
        return
    few = {"trials": min(scenario.trials, 2), "conversions": min(scenario.conversions, 6)}
    try:
        scenario = scenario.with_(**few)
    except InputError:
        return
    event, batch = EventEngine(), BatchEngine()
    if event.refuses(scenario) is None:
        expected = records_of(event, scenario)
        if batch.refuses(scenario) is None:
            assert unlike(records_of(batch, scenario), expected) == []


@many
@given(st.sampled_from(sorted(RAW)).flatmap(lambda name: mutated(RAW[name])))
def test_mutated_scenarios(raw):
    try:
        scenario = from_dict(raw, base=BENCH.parent)
    except InputError as error:
        in_one_line(error)
    else:
        simulated(scenario)


@pytest.mark.parametrize("value", ["1e-999 Hz", "1e999 Hz", "1e-12 Hz"])
def test_a_frequency_in_place_of_a_duration_is_asked_about_only_if_it_could_be_meant(value):
    with pytest.raises(InputError, match="a duration with a unit") as caught:
        from_dict(bench({"trigger.jitter": value}))
    assert "period" not in str(caught.value)


@many
@given(st.sampled_from(SHIPPED).flatmap(lambda path: spoiled(path.read_bytes())))
def test_spoiled_scenario_files(data):
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "s.toml"
        path.write_bytes(data)
        try:
            scenario = load(path)
        except InputError as error:
            in_one_line(error)
        else:
            simulated(scenario)


@many
@given(spoiled(RECORDING))
def test_spoiled_recordings(data):
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "r.csv"
        path.write_bytes(data)
        table = {"shape": "recorded", "file": str(path), "column": "latency_ns", "unit": "ns"}
        raw = bench({"host.service_latency": table})
        try:
            scenario = from_dict(raw)
        except InputError as error:
            in_one_line(error)
        else:
            assert len(scenario.host.service_latency.values) > 0


@pytest.fixture(scope="module")
def capture(tmp_path_factory):
    """Return a scenario and a dump of three conversions of it, as bytes."""
    scenario = loads(tomli_w.dumps(bench({"conversions": 3, "trials": 1})))
    path = tmp_path_factory.mktemp("capture") / "c.vcd"
    dump(scenario, path)
    return scenario, path.read_bytes()


@many
@given(data=st.data())
def test_spoiled_captures(capture, data):
    scenario, text = capture
    text = data.draw(spoiled(text))
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "c.vcd"
        path.write_bytes(text)
        try:
            found = compare(scenario, path, {}, 100)
        except InputError as error:
            in_one_line(error)
        else:
            assert all(complaint.line().isprintable() for complaint in found.complaints)
