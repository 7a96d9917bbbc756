"""Judging: what is met, what is not, what is undecided, and how a build server is told."""

import json
import re
import subprocess
import sys
from pathlib import Path
from xml.etree import ElementTree

import pytest
from typer.testing import CliRunner

import simlink
from simlink.base.errors import InputError
from simlink.cli import app
from simlink.figures.summary import figures
from simlink.pictures.junit import junit
from simlink.pictures.table import table
from simlink.running.run import run
from simlink.scenario.loading import from_dict, load
from simlink.scenario.require import Require, kind_of_key
from simlink.studies.judge import judge
from simlink.verdict.limit import KEYS, Known, Met
from tests.budget.budget_cases import made
from tests.verdict.bottlenecks import REMOTE

SHIPPED = sorted(Path("scenarios").glob("*.toml"))
#: One service of ten is long, and of two slots none is left: see tests/tracing/test_explain.py.
STALLS = {"shape": "two_state", "normal": "300 ns", "stalled": "5000 ns", "spacing": 10}
#: About one service in a hundred is.
RANDOM = {
    "shape": "mixture",
    "parts": [{"weight": 0.99, "of": "300 ns"}, {"weight": 0.01, "of": "5 us"}],
}


def asking(requirements, changes=None):
    """Return the comfortable link with some changes, and what is required of it."""
    asked = {f"require.{key}": value for key, value in requirements.items()}
    return made({**(changes or {}), **asked}, REMOTE)


def rows(scenario, look=None):
    found = run(scenario, ledger=False, workers=1)
    found.look = look
    return {one.key: one for one in found.verdict.required}


def test_every_figure_and_every_limit_may_be_required():
    found = run(made({}, REMOTE), ledger=False, workers=1)
    names = list(Require.model_fields)
    margins = [name for name in names if kind_of_key(name).margin]
    # Nothing is dropped, or asked for again, where no check can fail.
    figures = set(names) - set(margins) - {"dropped", "repeated"}
    assert figures == set(found.figures) - {"triggers"}
    assert margins == list(KEYS)
    for name in figures:
        assert kind_of_key(name).unit == found.figures[name].unit, name
    for row in found.verdict.limits:
        assert kind_of_key(row.key).unit == row.unit, row.key


def test_what_proven_limits_rule_out_is_met_without_an_interval():
    asked = {"overrun": {"at_most": 0}, "missed_trigger": {"at_most": 1e-12}}
    found = rows(asking(asked))
    assert {one.met for one in found.values()} == {Met.PROVEN}
    assert "FIFO depth" in found["overrun"].evidence


@pytest.mark.parametrize(
    ("key", "asked", "met"),
    [
        # 850 ns to the release, 300 of latency and 400 of read: 1550 each.
        ("latency_read_median", {"at_most": "1550 ns"}, Met.MET),
        ("latency_read_median", {"at_most": "1549 ns"}, Met.NOT_MET),
        ("latency_read_p99", {"at_least": "1550 ns"}, Met.MET),
        ("latency_read_largest_seen", {"at_most": "1.55 us"}, Met.MET),
        ("latency_release_largest_seen", {"at_least": "851 ns"}, Met.NOT_MET),
        ("throughput_offered", {"at_least": "499 kwords/s"}, Met.MET),
        ("throughput_offered", {"at_most": "499 kwords/s"}, Met.NOT_MET),
        ("fifo_occupancy_max", {"at_most": 1}, Met.MET),
        ("fifo_occupancy_max", {"at_most": 0}, Met.NOT_MET),
        # 2000 - 840 ns are left of the period, and of the FIFO three slots of four.
        ("period", {"at_least": "1160 ns"}, Met.PROVEN),
        ("period", {"at_least": "1161 ns"}, Met.NOT_MET),
        ("fifo_depth", {"at_least": 3}, Met.PROVEN),
        ("fifo_depth", {"at_least": 4}, Met.NOT_MET),
        # 10 - 4 ns of data_valid - 2 of setup.
        ("setup", {"at_least": "4 ns"}, Met.PROVEN),
        ("setup", {"at_least": "4001 ps"}, Met.NOT_MET),
        # 300 + 400 of 2000 ns.
        ("host_rate", {"at_least": 0.65}, Met.PROVEN),
        ("host_rate", {"at_least": "66 %"}, Met.NOT_MET),
        # There is none: the link has no timeout.
        ("timeout", {"at_least": "0 s"}, Met.NOT_MET),
    ],
)
def test_bounds_worked_by_hand(key, asked, met):
    row = rows(asking({key: asked}))[key]
    assert row.met is met, row


def test_a_share_is_judged_by_its_whole_interval():
    changes = {"fifo.depth": 2, "host.service_latency": RANDOM, "trials": 12}
    figure = run(asking({}, changes), ledger=False, workers=1).figures["overrun"]
    assert 0 < figure.low < figure.value < figure.high
    for bound, side, met in (
        (figure.high * 1.001, "at_most", Met.MET),
        (figure.value, "at_most", Met.UNDECIDED),
        (figure.low * 0.999, "at_most", Met.NOT_MET),
        (figure.low * 0.999, "at_least", Met.MET),
        (figure.value, "at_least", Met.UNDECIDED),
        (figure.high * 1.001, "at_least", Met.NOT_MET),
    ):
        assert rows(asking({"overrun": {side: bound}}, changes))["overrun"].met is met
    # More confidence takes a wider interval, and so does the first of several looks.
    tight = {"at_most": figure.high * 1.001, "confidence": 0.999}
    assert rows(asking({"overrun": tight}, changes))["overrun"].met is Met.UNDECIDED
    usual = {"at_most": figure.high * 1.001}
    assert rows(asking({"overrun": usual}, changes), look=3)["overrun"].met is Met.UNDECIDED


def test_figures_at_another_confidence_are_wider():
    changes = {"fifo.depth": 2, "host.service_latency": RANDOM, "trials": 12}
    found = run(asking({}, changes), ledger=False, workers=1)
    wide = figures(found.scenario, found.tally, 0.999)
    for name, figure in found.figures.items():
        if figure.low is None or figure.high is None:
            continue
        assert wide[name].confidence == 0.999, name
        # Of a quantile an end may be beyond all that was seen.
        low, high = wide[name].low, wide[name].high
        assert low is None or low <= figure.low, name
        assert high is None or high >= figure.high, name
        assert wide[name].value == figure.value


def test_a_run_tells_of_its_requirements_and_fails_by_them(tmp_path):
    path = tmp_path / "asked.toml"
    path.write_text(asking({"latency_read_median": {"at_most": "1 us"}}).to_toml())
    result = CliRunner().invoke(app, ["run", str(path)])
    assert result.exit_code == 1
    said = " ".join(result.stdout.split())
    assert "Its requirement of latency_read_median is not met." in said
    assert "latency_read_median at most 1 us 1.55 us - not met" in said
    full = CliRunner().invoke(app, ["run", str(path), "--assumptions"]).stdout
    assert "latency_read_median at most 1 us: not met" in full
    figures = json.loads(CliRunner().invoke(app, ["run", str(path), "--json"]).stdout)
    assert figures["meets_rate"] is True
    assert [one["met"] for one in figures["required"]] == ["not met"]
    # As resolved it asks the same.
    assert simlink.load(path).scenario == load(path)


def test_the_first_screen_holds_every_requirement_that_it_has_room_for():
    names = [name for name in Require.model_fields if not kind_of_key(name).margin]
    names = [one for one in names if one not in ("dropped", "repeated")]  # where a check can fail
    ends = {"1": 0, "s": "1 ns", "words/s": "1 words/s", "frames": 0, "words/h": 0}
    ends["conversions"] = 0
    asked = {name: {"at_most": ends[kind_of_key(name).unit]} for name in names}
    changes = {"fifo.depth": 2, "host.service_latency": RANDOM, "trials": 3}
    lines = table(run(asking(asked, changes), ledger=False, workers=1)).splitlines()
    assert len(lines) <= 40
    assert max(map(len, lines)) <= 80
    assert sum(" not met" in line or " undecided" in line for line in lines) >= 4
    assert any("more requirements" in line for line in lines)


def test_undecided_rows_have_it_go_on_until_they_are_decided(tmp_path):
    """About one conversion in a hundred is lost: 4 boards cannot tell it from 1.5 %, more can."""
    changes = {"fifo.depth": 2, "host.service_latency": RANDOM, "trials": 4}
    scenario = asking({"overrun": {"at_most": 0.015}}, changes)
    looks = []
    # The FIFO is too shallow all the same, which would end it at once.
    options = {"every_row": True, "progress": lambda one: looks.append(one.run)}
    found = judge(scenario, budget=600, workers=1, **options)
    assert looks
    trials = [one.scenario.trials for one in looks] + [found.run.scenario.trials]
    assert trials == [4 * 2**k for k in range(len(trials))]
    (row,) = found.verdict.required
    assert row.met is Met.MET
    assert not found.met
    assert found.run.look == len(looks)


def test_what_is_undecided_as_the_budget_ends_is_said_to_be(tmp_path):
    changes = {"fifo.depth": 2, "host.service_latency": RANDOM, "trials": 4}
    path, file = tmp_path / "open.toml", tmp_path / "open.xml"
    path.write_text(asking({"overrun": {"at_most": 0.015}}, changes).to_toml())
    words = ["judge", str(path), "--budget", "0 s", "--every-row", "--junit", str(file)]
    result = CliRunner().invoke(app, words)
    assert result.exit_code == 1
    said = " ".join(result.stdout.split())
    assert "overrun undecided: twice the boards would take longer than 0 s" in said
    case = next(one for one in ElementTree.parse(file).iter("testcase")
                if one.get("name") == "require.overrun")  # fmt: skip
    assert case.find("failure").get("type") == "undecided"


@pytest.mark.parametrize(
    ("changes", "asked", "fails"),
    [
        # The limit of the FIFO's depth.
        ({"fifo.depth": 2}, {"overrun": {"at_most": 0.015}}, "limit.fifo_depth"),
        # A requirement, beside limits that hold: each frame is released after 850 ns, and half are
        # read within 1550.
        ({"fifo.depth": 64, "host.service_latency": {"shape": "uniform", "low": "100 ns",
                                                     "high": "500 ns"}},
         {"latency_release_median": {"at_most": "849 ns"},
          "latency_read_median": {"at_most": "1550 ns"}},
         "require.latency_release_median"),
    ],
)  # fmt: skip
def test_what_fails_ends_it_and_what_is_undecided_is_named(tmp_path, changes, asked, fails):
    scenario = asking(asked, {"host.service_latency": RANDOM, "trials": 4, **changes})
    looks = []
    found = judge(scenario, budget=600, workers=1, progress=looks.append)
    assert not looks
    assert not found.met
    assert found.run.scenario.trials == 4
    undecided = [one.key for one in found.verdict.required if one.met is Met.UNDECIDED]
    assert len(undecided) == 1
    assert f"{undecided[0]} undecided: what fails already decides the answer" in found.sentence
    cases = {one.get("name"): one for one in ElementTree.fromstring(junit(found)).iter("testcase")}
    assert cases[f"require.{undecided[0]}"].find("failure").get("type") == "undecided"
    assert cases[fails].find("failure").get("type") in ("violated", "not met")
    # With more boards it still fails.
    assert not run(scenario.with_(trials=16), ledger=False, workers=1).verdict.passes


def test_where_nothing_is_drawn_it_does_not_go_on():
    asked = {"boards_failing": {"at_most": 0.5}}
    found = judge(asking(asked, {"host.service_latency": STALLS, "fifo.depth": 4}), budget=600)
    (row,) = found.verdict.required
    if row.met is Met.UNDECIDED:
        assert found.why_ended == "there are no more boards to run"


def structure(root):
    """Return the attributes and children of each element of a JUnit file."""
    found = {}
    for one in root.iter():
        attributes, children = found.setdefault(one.tag, (set(), set()))
        attributes |= set(one.attrib)
        children |= {child.tag for child in one}
    return found


def test_junit_has_the_structure_that_a_test_runner_writes(tmp_path):
    (tmp_path / "test_two.py").write_text(
        "def test_good(): pass\ndef test_bad(): assert 1 == 2, '<&>'\n"
    )
    theirs_at = tmp_path / "theirs.xml"
    words = [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", "-p", "no:xdist"]
    words += [f"--junit-xml={theirs_at}", f"--rootdir={tmp_path}", "-c", "/dev/null"]
    subprocess.run([*words, str(tmp_path / "test_two.py")], check=False, capture_output=True)
    theirs = structure(ElementTree.parse(theirs_at).getroot())
    title = 'A <link> & "more" \x07'
    asked = {"overrun": {"at_most": 0}, "latency_read_median": {"at_most": "1 us"}}
    found = judge(asking(asked, {"title": title}), budget=0)
    root = ElementTree.fromstring(junit(found))
    ours = structure(root)
    assert root.tag == "testsuites"
    for tag, (attributes, children) in ours.items():
        assert attributes <= theirs[tag][0] | {"type"}, tag
        assert children <= theirs[tag][1], tag
    for attribute in ("tests", "failures", "errors", "skipped", "name", "time"):
        assert attribute in ours["testsuite"][0] & theirs["testsuite"][0]
    (suite,) = root
    assert suite.get("name").startswith('A <link> & "more" ')
    cases = suite.findall("testcase")
    failed = [one for one in cases if one.find("failure") is not None]
    assert int(suite.get("tests")) == len(cases) == len(found.verdict.limits) + 2
    assert (int(suite.get("failures")), int(suite.get("errors"))) == (len(failed), 0)
    assert [one.get("name") for one in failed] == ["require.latency_read_median"]
    assert failed[0].find("failure").get("message")


@pytest.mark.parametrize("path", SHIPPED, ids=lambda path: path.stem)
def test_the_shipped_scenarios_are_judged(path, tmp_path):
    file = tmp_path / "judged.xml"
    words = ["judge", str(path), "--trials", "2", "--conversions", "200", "--budget", "0 s"]
    result = CliRunner().invoke(app, [*words, "--junit", str(file)])
    scenario = load(path).with_(trials=2, conversions=200)
    verdict = run(scenario, ledger=False, workers=1).verdict
    assert result.exit_code == (0 if verdict.meets else 1), result.output
    suite = ElementTree.parse(file).getroot()[0]
    assert int(suite.get("tests")) == len(verdict.limits)
    assert int(suite.get("failures")) == sum(not one.holds for one in verdict.limits)
    assert re.search(r"^(Met|Not met): ", result.stdout, re.MULTILINE)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("overran = { at_most = 1e-6 }", 'unknown key; did you mean "overrun"?'),
        ("overrun = { at_mots = 1e-6 }", 'require.overrun.at_mots: got 1e-06; unknown key; did '
         'you mean "at_most"?'),
        ("overrun = 1e-6", "require.overrun: got 1e-06; a table with at_most or at_least"),
        ("overrun = {}", "a table with at_most or at_least"),
        ("overrun = { at_most = 0.1, at_least = 0.01 }", "a table with at_most or at_least"),
        ("overrun = { at_most = 2 }", "require.overrun.at_most: got 2; a share from 0 to 1"),
        ('overrun = { at_most = "3 us" }', "a share from 0 to 1"),
        ("overrun = { at_most = true }", "a share from 0 to 1"),
        ("overrun = { at_most = 0.1, confidence = 1 }", "from 0.5 to below 1"),
        ("overrun = { at_most = 0.1, confidence = 0.2 }", "from 0.5 to below 1"),
        ("latency_read_p99 = { at_most = 3e-6 }", "a duration"),
        ('latency_read_p99 = { at_most = "3 MHz" }', "a duration"),
        ("latency_read_largest_seen = { at_most = '3 us', confidence = 0.9 }", "unknown key"),
        ("throughput_delivered = { at_least = 400000 }", "a rate of words"),
        ("fifo_occupancy_max = { at_most = 1.5 }", "a whole number"),
        ('setup = { at_most = "1 ns" }', "unknown key"),
        ("setup = { at_least = 1 }", "a duration"),
        ('line_rate = { at_least = "1 MHz" }', "a line rate"),
    ],
)  # fmt: skip
def test_bad_requirements_are_one_line(tmp_path, text, said):
    path = tmp_path / "bad.toml"
    path.write_text(from_dict(REMOTE).to_toml() + f"\n[require]\n{text}\n")
    with pytest.raises(InputError) as caught:
        load(path)
    assert said in caught.value.line()
    assert "\n" not in caught.value.line()


@pytest.mark.parametrize("words", [["--budget", "-1 s"], ["--budget", "3"], ["--junit", ""]])
def test_bad_options_are_one_line(tmp_path, words):
    path = tmp_path / "base.toml"
    path.write_text(from_dict(REMOTE).to_toml())
    result = CliRunner().invoke(app, ["judge", str(path), *words])
    assert isinstance(result.exception, InputError)


def test_a_requirement_changes_no_record():
    plain = run(made({}, REMOTE), ledger=True, workers=1)
    asked = run(asking({"overrun": {"at_most": 0.1}}), ledger=True, workers=1)
    assert plain.ledger.equals(asked.ledger)
    assert Known.VIOLATED not in {one.known for one in asked.verdict.limits}
