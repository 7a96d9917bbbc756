"""The public way in from Python."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

import simlink

SCENARIOS = Path(__file__).parents[1] / "scenarios"
PLAIN = {
    "title": "a <plain> one",
    "trials": 3,
    "conversions": 20,
    "link": {"scheme": "remote_master"},
    "trigger": {"rate": "200 kHz"},
    "converter": {"conversion_time": "500 ns"},
    "remote_clock": {"frequency": "50 MHz"},
    "host": {"clock": "25 MHz", "service_latency": "1 us"},
}


@pytest.fixture
def study():
    return simlink.Study(simlink.Scenario.from_dict(PLAIN))


def test_what_is_public_is_listed_and_there():
    assert dir(simlink) == sorted(simlink.__all__)
    for name in simlink.__all__:
        assert getattr(simlink, name) is not None


def test_a_scenario_from_a_dictionary_runs_and_leaves_it_as_it_was(study):
    assert study.scenario.fifo.depth == 4
    assert study.run().figures["triggers"].count == 60
    assert "fifo" not in PLAIN


def test_all_faults_of_a_dictionary_are_told():
    with pytest.raises(simlink.InputError) as caught:
        simlink.Scenario.from_dict({**PLAIN, "fifo": {"depht": 4}, "seed": -1})
    told = str(caught.value).splitlines()
    assert {line.split(": ")[1] for line in told} == {"seed", "fifo.depht"}


def test_other_values_by_dotted_keys_by_tables_and_by_top_level_keys(study):
    changed = study.with_({"fifo.depth": 8, "host.clock": "40 MHz"}, seed=5, host={"watermark": 2})
    assert changed.scenario.fifo.depth == 8
    assert changed.scenario.host.watermark == 2
    assert float(changed.scenario.host.clock.value) == 40e6
    assert changed.scenario.seed == 5
    # Together, not one by one: a watermark above the old depth.
    deep = study.with_(host={"watermark": 9}, fifo={"depth": 9}).scenario
    assert deep.host.watermark == deep.fifo.depth == 9
    assert study.scenario.fifo.depth == 4
    assert study.with_({"fifo.depth": 8}).with_({"fifo.depth": None}).scenario.fifo.depth == 4
    with pytest.raises(simlink.InputError, match="depth"):
        study.with_(fifo={"dept": 3})


def test_every_question_is_a_method(study, tmp_path):
    study.dump(tmp_path / "one.vcd", conversions=range(5))
    found = study.measure(tmp_path / "one.vcd")
    assert not found.complaints
    assert {"t_CONV", "t_LAT"} <= {row.symbol for row in found.rows}
    assert study.pass_map(steps=3, trials=1, conversions=1).good.shape == (3, 3)
    assert study.loss(conversions=20).loss.high == 0
    assert study.size(at_most=1e-3).answer == 1
    table = study.vary({"fifo.depth": [1, 2]}).table
    assert table.attrs["units"]["latency_read_p99"] == "s"
    assert study.run().figures.to_pandas().attrs["units"]["throughput_delivered"] == "words/s"


def test_a_diagram_and_its_table_as_the_command_makes_them(study, tmp_path):
    from simlink.cli import app

    named = study.with_({"names.remote.clock": "SCK"})
    (tmp_path / "one.toml").write_text(named.scenario.to_toml())
    picture, table = tmp_path / "one.svg", tmp_path / "one.md"
    command = ["diagram", str(tmp_path / "one.toml"), "--conversions", "1", "--limits", "--plain"]
    command += ["--from", "remote.busy", "--to", "host.read"]
    app([*command, "--out", str(picture), "--table", str(table)], standalone_mode=False)
    drawn = named.diagram("1", limits=True, plain=True, since="remote.busy", until="host.read")
    assert drawn.encode("svg") == picture.read_bytes()
    assert "SCK" in picture.read_text()
    assert named.timing_table() == table.read_text()
    assert "(SCK)" in table.read_text()


def test_a_study_shows_itself_without_obeying_its_title(study):
    shown = study._repr_html_()
    assert "a &lt;plain&gt; one" in shown
    assert re.search("fifo.depth</td><td>4<", shown)
