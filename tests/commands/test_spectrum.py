"""``simlink spectrum``: the answer first, what it keeps, and what it refuses in one line."""

import json

import pytest
from typer.testing import CliRunner

from simlink.base.cautions import CAUTIONS
from simlink.base.errors import InputError
from simlink.cli import app

_SCENARIO = """
title = "Strain gauge bridge"
trials = 2
conversions = 256
[link]
scheme = "remote_master"
[trigger]
rate = "200 kHz"
jitter = { shape = "normal", mean = "0 ps", sigma = "900 ps" }
[frame]
lanes = 2
word_bits = 12
[converter]
conversion_time = "1 us"
[remote_clock]
frequency = "20 MHz"
[barrier.forward]
delay = "10 ns"
[barrier.return]
delay = "10 ns"
[host]
clock = "20 MHz"
service_latency = "500 ns"
[analog]
tone = "40 kHz"
inl = [0, 0, 0, 1.5]
"""


def run(*words):
    return CliRunner().invoke(app, ["spectrum", *map(str, words)], catch_exceptions=False)


@pytest.fixture
def path(tmp_path):
    file = tmp_path / "bridge.toml"
    file.write_text(_SCENARIO)
    return file


def test_the_cost_comes_first(path, tmp_path):
    record, out = tmp_path / "samples.csv", tmp_path / "out"
    result = run(path, "--record", record, "--out", out)
    assert result.exit_code == 0
    said = " ".join(result.stdout.split())
    assert said.startswith("Strain gauge bridge Trigger and isolation cost ")
    assert "of the same converter with an ideal trigger" in said
    assert "trigger timer's jitter" in said
    assert "barrier's jitter" not in said
    assert "3rd harmonic" in said
    assert CAUTIONS.split()[0] in said
    rows = record.read_text().splitlines()
    assert rows[0] == "conversion,t_sample_fs,code,held,place,read,wrong"
    assert len(rows) == 257
    codes = [int(row.split(",")[2]) for row in rows[1:]]
    assert 0 <= min(codes) < 16
    assert 4080 < max(codes) <= 4095
    kept = json.loads((out / "spectrum.json").read_text())
    assert kept["figures"]["cost"]["unit"] == "dB"


def test_json_stands_alone_and_is_the_same_again(path):
    one, other = run(path, "--json"), run(path, "--json")
    assert one.stdout == other.stdout
    assert json.loads(one.stdout)["lane"] == 0
    assert json.loads(run(path, "--json", "--lane", "1").stdout)["lane"] == 1


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--lane", "2"), "--lane: got 2; a whole number from 0 to 1"),
        (("--word", "1"), "--word: got 1; a whole number from 0 to 0"),
        (("--conversions", "99"), "conversions: got 99; at least 256"),
        (("--record", ""), "--record"),
    ],
)
def test_bad_options_are_told(path, words, said):
    with pytest.raises(InputError) as caught:
        run(path, *words)
    assert said in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_histogram_tells_the_bend_of_the_converter(path):
    """1.5 x^3 LSB, against the line through its ends, is at most 1.5 (x - x^3) at 3^-1/2: 0.577.

    Terminal-based nonlinearity, by the histogram of a sine, after IEEE Std 1241 (from memory).
    """
    path.write_text(
        _SCENARIO.replace("word_bits = 12", "word_bits = 8").replace("= 256", "= 65536")
    )
    result = run(path, "--json")
    figures = json.loads(result.stdout)["figures"]
    assert abs(figures["inl_largest"]["value"] - 1.5 * (3**-0.5 - 3**-1.5)) < 0.05
    # Of a cubic, a code next to the end is wider by the slope there, 2 x 1.5 / 128 of an LSB.
    assert figures["dnl_largest"]["value"] < 2 * 1.5 / 128 + 0.05
    said = " ".join(run(path).stdout.split())
    assert "integral nonlinearity up to 0.5" in said


def test_too_few_words_tell_no_nonlinearity(path):
    assert "inl_largest" not in json.loads(run(path, "--json").stdout)["figures"]
    assert "Histogram" not in run(path).stdout


def test_defaults_of_the_analog_side_are_listed(path):
    from simlink.scenario.loading import load

    assumed = {one.key: one.value for one in load(path).assumed}
    assert assumed["analog.amplitude"] == 1
    assert assumed["analog.gaps"] == "refuse"
    assert "analog.inl" not in assumed
    assert "analog.tone" not in assumed
