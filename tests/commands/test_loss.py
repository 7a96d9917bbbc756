"""The loss command: what it says, what it keeps, and what it refuses in one line."""

import json
from decimal import ROUND_DOWN, ROUND_UP

import pytest
from typer.testing import CliRunner

from simlink.base.cautions import CAUTIONS
from simlink.base.errors import InputError
from simlink.cli import app
from simlink.studies.loss import duration
from tests.outside import queues


def run(*words):
    return CliRunner().invoke(app, ["loss", *map(str, words)])


def flat(text):
    return " ".join(text.split())


@pytest.fixture
def path(tmp_path):
    tried = queues.queue("periodic", queues.exponential(0.5), 6, conversions=10)
    file = tmp_path / "queue.toml"
    file.write_text(tried.to_toml())
    return file


def test_share_hours_and_cautions_are_told(path, tmp_path):
    out = tmp_path / "out"
    result = run(path, "--out", out)
    assert result.exit_code == 0, result.output
    said = flat(result.stdout)
    truth = queues.periodic_arrivals_loss(0.5, 6)
    assert "A FIFO of 6 slots overruns in " in said
    assert flat(CAUTIONS) in said
    kept = json.loads((out / "loss.json").read_text())
    assert kept["loss"]["low"] <= truth <= kept["loss"]["high"]
    # A trigger a millisecond: 3.6e6 words an hour.
    assert kept["words_lost_per_hour"]["value"] == pytest.approx(3.6e6 * truth, rel=0.01)
    assert kept["mean_time_between_losses"] == pytest.approx(1e-3 / truth, rel=0.01)


def test_the_printed_bounds_hold_the_value(path):
    rows = run(path).stdout.splitlines()
    share = next(row for row in rows if "share of triggers" in row).split()
    value, low, high = float(share[3]), float(share[4]), float(share[6])
    assert low <= value <= high


def test_sentence_and_table_give_the_same_bounds(path):
    """Those of the share rounded outwards, and so those of words and times made of them."""
    printed = run(path).stdout
    kept = json.loads(run(path, "--json").stdout)["loss"]
    rows = {" ".join(row.split()[:3]): row.split()[-3:] for row in printed.splitlines() if row}
    low, _, high = rows["share of triggers"]
    assert f"proven: {low} to {high})" in flat(printed)
    assert float(low) <= kept["low"] < float(low) * 1.01
    assert float(high) >= kept["high"] > float(high) * 0.99


def test_a_time_is_rounded_to_the_side_that_is_asked_for():
    """200 000 s are 2.3148 days."""
    assert duration(200_000, ROUND_DOWN) == "2.31 days"
    assert duration(200_000, ROUND_UP) == "2.32 days"
    assert duration(4.8651e-6, ROUND_DOWN) == "4.86 us"
    assert duration(4.8651e-6, ROUND_UP) == "4.87 us"


def test_bounds_far_apart_have_no_value_between_them(tmp_path):
    """The table gives the bounds alone, which are more than a factor 1.5 apart."""
    file = tmp_path / "deep.toml"
    deep = queues.queue("periodic", queues.exponential(0.1), 12, conversions=10)
    file.write_text(deep.to_toml())
    printed = run(file, "--width", "0.9").stdout
    rows = [line.split() for line in printed.splitlines() if " to " in line and "  -  " in line]
    names = [" ".join(row[: row.index("-")]) for row in rows]
    assert names == [
        "share of triggers", "share of words", "words an hour", "mean time between losses"
    ]  # fmt: skip
    assert float(rows[0][-1]) > 1.5 * float(rows[0][-3])


def test_json_stands_alone(path):
    result = run(path, "--json", "--conversions", "40")
    found = json.loads(result.stdout)
    assert found["loss"]["conversions"] == 40
    assert result.stderr == ""


def test_what_never_overruns_is_said_to(tmp_path):
    file = tmp_path / "calm.toml"
    file.write_text(queues.queue("periodic", queues.constant(0.5), 1, conversions=10).to_toml())
    assert "A FIFO of 1 slot never overruns." in flat(run(file).stdout)


def test_what_cannot_overrun_so_soon_is_not_called_never(path):
    """Five conversions cannot fill six slots."""
    said = flat(run(path, "--conversions", "5").stdout)
    assert "A FIFO of 6 slots never overruns over the first 5 conversions, from empty." in said


def test_what_takes_very_many_long_services_is_not_called_never(tmp_path):
    law = {"shape": "uniform", "low": "100 us", "high": "1050 us"}
    file = tmp_path / "rare.toml"
    file.write_text(queues.queue("periodic", law, 9, conversions=10).to_toml())
    said = flat(run(file).stdout)
    assert "overruns in less than " in said
    assert "never" not in said


@pytest.mark.parametrize("words", [("--width", "0"), ("--conversions", "0"), ("--width", "wide")])
def test_bad_options_are_told(path, words):
    with pytest.raises(InputError, match=words[0]):
        CliRunner().invoke(app, ["loss", str(path), *words], catch_exceptions=False)


@pytest.mark.parametrize(
    ("seconds", "said"),
    [
        (0.004, "4 ms"),
        (7199, "7200 s"),
        (7200, "2 hours"),
        (200_000, "2.31 days"),
        (1e9, "31.7 years"),
        (1e16, "3.17e+08 years"),
    ],
)
def test_times_are_spoken_of_in_the_unit_that_suits_them(seconds, said):
    assert duration(seconds) == said


@pytest.fixture
def drained(tmp_path):
    """Return a file of a queue whose host reads all that waits: no chain follows it."""
    tried = queues.queue("periodic", queues.exponential(1.5), 3, conversions=10)
    file = tmp_path / "drained.toml"
    file.write_text(tried.with_values({"host.drain": True}).to_toml())
    return file


def test_what_no_chain_follows_is_split(drained):
    result = run(drained, "--json", "--conversions", "40", "--workers", "1")
    assert result.exit_code == 0, result.output
    found = json.loads(result.stdout)
    assert found["method"] == "splitting"
    loss = found["loss"]
    assert loss["low"] <= loss["value"] <= loss["high"]
    ends = found["mean_time_between_losses_low"], found["mean_time_between_losses_high"]
    assert ends[0] <= found["mean_time_between_losses"] <= ends[1]
    # A trigger a millisecond.
    assert found["mean_time_between_losses"] == pytest.approx(1e-3 / loss["value"])
    said = flat(run(drained, "--conversions", "40", "--workers", "1").stdout)
    assert "host.drain = true" in said
    assert "over conversions 1 to 40 of runs from an empty FIFO" in said
    assert "importance splitting; 95 %:" in said


def test_neither_way_is_refused_in_one_line(drained):
    text = drained.read_text().replace('interrupt = "level"', 'interrupt = "edge"')
    drained.write_text(text)
    with pytest.raises(InputError, match=r"host\.interrupt: got edge; level"):
        CliRunner().invoke(app, ["loss", str(drained)], catch_exceptions=False)
