"""What trigger and isolation cost, against closed forms and by hand."""

import json
import math
import re

import numpy as np
import pytest

from simlink.analog import jitter
from simlink.base.errors import InputError
from simlink.pictures.spectrum_table import table
from simlink.records import Fate
from simlink.scenario.loading import loads
from simlink.studies.spectrum import spectrum
from simlink.studies.spectrum_result import TERMS
from tests.engines.chain import record

_BASE = """
trials = 4
conversions = 2048
[link]
scheme = "remote_master"
[trigger]
rate = "1 MHz"
[frame]
word_bits = 14
[converter]
conversion_time = "300 ns"
[remote_clock]
frequency = "50 MHz"
[barrier.forward]
delay = "12 ns"
[barrier.return]
delay = "12 ns"
[fifo]
depth = 4
[host]
clock = "40 MHz"
service_latency = "50 ns"
[analog]
tone = "100 kHz"
"""


def _normal(sigma: str) -> dict[str, str]:
    return {"shape": "normal", "mean": "0 ps", "sigma": sigma}


def _scenario(**values: object):
    return loads(_BASE).with_values({key.replace("__", "."): one for key, one in values.items()})


def _error(count: int, kurtosis: float = 2.5) -> float:
    """Return the standard error of a noise power from `count` values, in dB."""
    return 10 / math.log(10) * math.sqrt(kurtosis / count)


def test_each_term_costs_what_its_closed_form_says() -> None:
    scenario = _scenario(
        trigger__jitter=_normal("300 ps"),
        barrier__forward__jitter=_normal("400 ps"),
        converter__aperture_jitter=_normal("200 ps"),
        analog__noise=0.7,
    )
    found = spectrum(scenario)
    tone, count = float(found.frequency), 4 * 2048
    signal = 2.0 ** (2 * 13) / 2
    said = {
        "quantisation": -10 * math.log10(1 / 12 / signal),
        "converter": -10 * math.log10(0.7**2 / signal),
        "aperture": jitter.snr_of_jitter(tone, 200e-12),
        "timer": jitter.snr_of_jitter(tone, 300e-12),
        "barrier": jitter.snr_of_jitter(tone, 400e-12),
    }
    for term, ratio in said.items():
        power = found.figures[f"noise_{term}"].value
        assert power is not None
        # Terms come in on top of others, with whose draws they correlate by chance.
        within = 4 * _error(count) * (1 + 10 ** (0.05 * (ratio - min(said.values())) + 0.3))
        assert abs(-10 * math.log10(power) - ratio) < within, term
    together = jitter.sum_of_ratios(*said.values())
    assert abs(found.figures["sinad"].value - together) < 4 * _error(count)
    bare = jitter.sum_of_ratios(*(said[one] for one in ("quantisation", "converter", "aperture")))
    assert abs(found.figures["sinad_bare"].value - bare) < 4 * _error(count)
    assert found.figures["cost"].value == pytest.approx(
        found.figures["sinad_bare"].value - found.figures["sinad"].value, abs=1e-9
    )
    assert found.sentence.startswith("Trigger and isolation cost ")


def test_the_budget_adds_up_to_what_is_measured() -> None:
    found = spectrum(_scenario(barrier__forward__jitter=_normal("10 ps"), analog__inl=[0, 0, 2]))
    for unit in found.units:
        assert sum(unit.powers.values()) == pytest.approx(unit.isolated.residual, rel=1e-9)
        assert set(unit.powers) == set(TERMS)
        assert unit.powers["timer"] == unit.powers["aperture"] == unit.powers["losses"] == 0
        # 2 u^2 of a full-scale sine is 1 - cos: a second harmonic of one LSB.
        second = unit.isolated.harmonics[0]
        assert second.level == pytest.approx(-20 * math.log10(2.0**13), abs=0.4)


def test_an_ideal_trigger_costs_nothing() -> None:
    found = spectrum(_scenario())
    assert found.figures["cost"].value == 0
    assert found.figures["cost"].low == found.figures["cost"].high == 0
    assert abs(found.figures["enob"].value - 14) < 0.02
    assert "cost nothing" in found.sentence


@pytest.mark.parametrize("lost", [False, True])
def test_both_engines_give_the_same_codes(lost: bool) -> None:
    scenario = _scenario(
        trials=2,
        conversions=512,
        trigger__jitter=_normal("1 ns"),
        barrier__forward__jitter=_normal("2 ns"),
        converter__aperture_jitter=_normal("1 ns"),
        analog__noise=1.5,
        analog__gaps="repeat",
        **(
            {"converter.conversion_time": {"shape": "uniform", "low": "500 ns", "high": "720 ns"}}
            if lost
            else {}
        ),
    )
    event, batch = (spectrum(scenario, engine=one) for one in ("event", "batch"))
    for one, other in zip(event.units, batch.units, strict=True):
        assert np.array_equal(one.codes, other.codes)
        assert np.array_equal(one.placed, other.placed)
        assert bool(one.record.missing) == lost
    assert event.figures == batch.figures


def test_words_taken_for_other_conversions_stand_at_their_places() -> None:
    """Of 256 triggers the converter misses some; each moves every later word one place ahead.

    The host never puts itself right: after m missed triggers the word of conversion k stands at
    k - m, and the last places stay empty.
    """
    values = {
        "trials": 1,
        "conversions": 400,
        "converter.conversion_time": {"shape": "uniform", "low": "500 ns", "high": "740 ns"},
        "host.realign": "never",
        "analog.gaps": "cut",
    }
    found = spectrum(_scenario(**values))
    (unit,) = found.units
    fates = record(_scenario(**values), words=False).fate[0]
    missed = np.cumsum(fates == Fate.MISSED_TRIGGER)
    assert 3 < missed[-1] < 100
    words = np.flatnonzero(fates == Fate.DELIVERED)
    expected = np.full(len(unit.placed), -1)
    expected[words - missed[words]] = words
    assert unit.placed.tolist() == expected.tolist()
    assert unit.misplaced == np.count_nonzero(missed[words])
    said = table(found)
    assert f"{unit.misplaced} words stand" in " ".join(said.split())


def test_each_converter_has_its_own_tone_gain_and_offset() -> None:
    scenario = _scenario(
        trials=1,
        frame__lanes=2,
        analog__converter_tones=["10 kHz", "30 kHz"],
        analog__converter_gains=[1, 0.25],
        analog__converter_offsets=[0, 0.5],
        analog__amplitude=0.9,
        analog__offset=0.1,
        analog__phase=0.0,
    )
    for lane, gain, offset in ((0, 1, 0.1), (1, 0.25, 0.525)):
        found = spectrum(scenario, lane=lane)
        at = float(found.frequency)
        assert abs(at - (10e3, 30e3)[lane]) < 2 * float(found.units[0].rate) / 2048
        codes, bits = found.units[0].codes, 14
        turns = at * np.arange(1, len(codes) + 1) / float(found.units[0].rate)
        value = gain * 0.9 * np.sin(2 * np.pi * turns) + offset
        fixed = np.angle(np.exp(2j * np.pi * at * 10e-9))
        assert abs(np.mean(codes) / 2 ** (bits - 1) - 1 - offset) < 1e-3
        assert np.ptp(codes) == pytest.approx(2 ** (bits - 1) * np.ptp(value), rel=1e-3)
        assert abs(fixed) < 0.01


def test_draws_do_not_move_with_what_else_is_drawn() -> None:
    plain = spectrum(_scenario(trials=2, conversions=512, analog__noise=2))
    other = spectrum(
        _scenario(trials=1, conversions=300, analog__noise=2, analog__coherent="as_given")
    )
    again = spectrum(
        _scenario(
            trials=1, conversions=512, analog__noise=2, analog__coherent="as_given", fifo__depth=9
        )
    )
    assert np.array_equal(again.units[0].codes[:300], other.units[0].codes)
    assert not np.array_equal(plain.units[0].codes, plain.units[1].codes)


def test_two_clocks_apart_lose_words_at_their_beat() -> None:
    # A timer 40 ppm fast, and a host that reads 16 bits in just its nominal period: it falls
    # behind by one word in 25,000, 40 a second.
    scenario = _scenario(
        trials=1,
        conversions=1 << 19,
        trigger__source="remote",
        trigger__tolerance="40 ppm",
        frame__word_bits=16,
        fifo__depth=2,
        fifo__release_bits=1,
        host__clock="16 MHz",
        host__service_latency="0 s",
        analog__gaps="repeat",
    )
    found = spectrum(scenario, engine="batch")
    unit = found.units[0]
    record, count = unit.record, len(unit.record.values)
    # What is lost is missing at the end: nobody tells the host, so what follows moves ahead.
    assert record.gaps == 0
    assert record.missing > 3
    assert unit.misplaced > 4e5
    beat = 40 / float(unit.rate)
    assert record.spacing is not None
    assert abs(record.spacing * beat - 1) < 1e-3
    # To the host, which misses one word in 25,000 without knowing, the tone is 40 ppm faster.
    tone = unit.isolated.fit.frequency
    assert tone == pytest.approx(float(found.frequency / unit.rate) * (1 + 40e-6), rel=1e-7)
    spurs = unit.isolated.spurs
    assert len(spurs) > 3
    for line in spurs:
        away = min(
            abs(off / beat - round(off / beat)) * beat * count
            for off in (line.frequency - tone, line.frequency + tone)
        )
        assert away <= 1, line
        assert line.name.endswith("x beat")
    with pytest.raises(InputError, match=r"analog\.gaps: got \"refuse\"; .* words are missing"):
        spectrum(scenario.with_value("analog.gaps", "refuse"), engine="batch")


def test_a_coupled_clock_stands_at_its_beat() -> None:
    # 25 MHz couples into an input sampled at 1 MHz and 40 ppm more: 1 kHz.
    scenario = _scenario(
        trials=1,
        conversions=8192,
        trigger__tolerance="40 ppm",
        analog__second_tone="25 MHz",
        analog__second_amplitude=0.001,
    )
    unit = spectrum(scenario).units[0]
    line = unit.isolated.spurs[0]
    assert line.name == "second tone"
    assert abs(line.frequency * float(unit.rate) - 1000) <= float(unit.rate) / 8192
    assert line.level == pytest.approx(-60, abs=1)


def test_noise_in_volts_and_lsb_are_the_same() -> None:
    # 16.384 V over 2^14 codes: 1 mV an LSB.
    volts = spectrum(
        _scenario(conversions=256, analog__noise="1.5 mV", analog__full_scale="16.384 V")
    )
    assert volts.figures == spectrum(_scenario(conversions=256, analog__noise=1.5)).figures


def test_an_average_of_samples_has_less_noise() -> None:
    one, four = (
        spectrum(_scenario(analog__noise=4, analog__average=n, analog__tone="1 kHz"))
        for n in (1, 4)
    )
    gained = four.figures["sinad"].value - one.figures["sinad"].value
    assert abs(gained - 10 * math.log10((16 + 1 / 12) / (4 + 1 / 12))) < 4 * 2 * _error(8192, 2)


def test_a_skewed_converter_lags_by_its_phase() -> None:
    scenario = _scenario(
        frame__lanes=2, analog__sampling_skew=["0 ps", "250 ns"], analog__phase=0, trials=1
    )
    fits = [spectrum(scenario, lane=lane).units[0].isolated.fit for lane in (0, 1)]
    tone = float(spectrum(scenario).frequency)
    turned = (fits[1].phase - fits[0].phase) % (2 * math.pi)
    assert turned == pytest.approx(2 * math.pi * tone * 250e-9, abs=1e-3)


def test_clipping_is_counted() -> None:
    found = spectrum(_scenario(analog__offset=0.5, analog__noise=1))
    assert all(unit.clipped > 500 for unit in found.units)
    assert found.figures["thd"].value > -30


@pytest.mark.parametrize(
    ("values", "said"),
    [
        ({"analog.tone": None}, "analog.tone: missing"),
        ({"trigger.pattern": "poisson"}, 'trigger.pattern: got "poisson"; only "periodic"'),
        ({"conversions": 100}, "conversions: got 100; at least 256"),
    ],
)
def test_what_gives_no_spectrum_is_refused(values: dict[str, object], said: str) -> None:
    with pytest.raises(InputError) as caught:
        spectrum(loads(_BASE).with_values(values))
    assert said in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("values", "said"),
    [
        ({"analog.tone": None, "analog.noise": 1}, "analog.tone: missing"),
        ({"analog.noise": "1 mV"}, "analog.full_scale: missing"),
        ({"analog.second_tone": "1 kHz"}, "analog.second_amplitude: missing"),
        ({"analog.sampling_skew": ["0 ps", "1 ps"]}, "analog.sampling_skew: "),
    ],
)
def test_what_does_not_go_together_is_refused(values: dict[str, object], said: str) -> None:
    with pytest.raises(InputError, match=said):
        loads(_BASE).with_values(values)


def test_json_holds_the_answer() -> None:
    found = spectrum(
        _scenario(barrier__forward__jitter=_normal("100 ps"), analog__inl=[0, 0, 0, 9])
    )
    said = json.loads(found.to_json())
    assert said["figures"]["cost"]["low"] <= said["figures"]["cost"]["value"]
    assert said["sentence"] == found.sentence
    assert said["lines"][0]["name"] == "3rd harmonic"
    assert said["lines"][0]["frequency"] == pytest.approx(3 * said["tone"])
    assert said["tone"] == pytest.approx(100e3, rel=0.01)


def test_two_tones_are_told_with_what_they_make_of_each_other() -> None:
    found = spectrum(
        _scenario(analog__second_tone="170 kHz", analog__second_amplitude=0.4,
                  analog__amplitude=0.5, analog__inl=[0, 0, 30, 30], trials=1)
    )  # fmt: skip
    lines = {line["name"]: line["frequency"] for line in found.to_dict()["lines"]}
    one, two = float(found.frequency), lines["second tone"]
    assert two == pytest.approx(170e3, rel=1e-3)
    assert lines["sum of the tones"] == pytest.approx(one + two)
    assert lines["difference of the tones"] == pytest.approx(two - one)
    assert lines["2 x tone - second tone"] == pytest.approx(abs(2 * one - two))
    assert lines["2 x second tone - tone"] == pytest.approx(2 * two - one)


def test_skews_are_told_as_time_and_phase() -> None:
    scenario = _scenario(
        conversions=256, trials=1, frame__lanes=2, analog__sampling_skew=["0 ps", "-250 ps"]
    )
    found = spectrum(scenario)
    degrees = -360 * float(found.frequency) * 250e-12
    assert found.skews == ((0, 0, 0.0, 0.0), (1, 0, -250e-12, pytest.approx(degrees)))
    assert found.to_dict()["skews"] == [
        {"lane": 0, "word": 0, "seconds": 0.0, "degrees": 0.0},
        {"lane": 1, "word": 0, "seconds": -250e-12, "degrees": pytest.approx(degrees)},
    ]
    assert f"lane 1 word 0  -250 ps  {degrees:.4g} degrees of the tone" in table(found)


def test_jitter_of_the_instants_and_what_it_leaves() -> None:
    found = spectrum(_scenario(barrier__forward__jitter=_normal("72 ps")))
    figure = found.figures["sampling_jitter_rms"]
    assert figure.low < 72e-12 < figure.high or abs(figure.value / 72e-12 - 1) < 4 / math.sqrt(8192)
    said = " ".join(table(found).split())
    told = re.search(r"rms: (\S+) dB at 100.1 kHz. For the 86.0 dB of 14 bits alone", said)
    assert told is not None
    # 86.88 dB for 72 ps; 4 deviations of the estimate move it by 0.27, and it is rounded up.
    assert 86.6 <= float(told[1]) <= 87.3


def test_only_what_stands_above_the_noise_is_listed() -> None:
    quiet = spectrum(_scenario(analog__noise=1, trials=1))
    assert "No harmonic or spur of board 0 stands above the noise." in table(quiet)
    bent = spectrum(_scenario(analog__noise=1, trials=1, analog__inl=[0, 0, 0, 4]))
    assert bent.units[0].isolated.lines[0].name == "3rd harmonic"


def test_pictures_show_the_tone_and_the_design() -> None:
    found = spectrum(
        _scenario(trials=1, barrier__forward__jitter=_normal("72 ps"), analog__inl=[0, 0, 0, 4])
    )
    (line, *_) = found.plot().get_lines()
    across, up = line.get_data()
    assert abs(across[np.argmax(up)] - float(found.frequency)) < 1e6 / 2048
    assert max(up) == pytest.approx(0, abs=0.01)
    ax = found.plot_jitter()
    point = next(one for one in ax.get_lines() if one.get_label() == "this design")
    (tone,), (ratio,) = point.get_data()
    sigma = found.figures["sampling_jitter_rms"].value
    assert ratio == pytest.approx(jitter.snr_of_jitter(tone, sigma))


def test_a_second_tone_is_no_quantising_and_its_leakage_no_line() -> None:
    """A hundredth of the tone is 40 dB below it; what a window leaves of it is one line."""
    values = {"analog.second_tone": "131.07 kHz", "analog.second_amplitude": 0.005}
    found = spectrum(_scenario(trials=1, conversions=4096, analog__amplitude=0.5, **values))
    (unit,) = found.units
    assert found.figures["noise_input"].value == pytest.approx(1e-4, rel=1e-2)
    ideal = 1 / 12 / ((0.5 * 2**13) ** 2 / 2)
    assert found.figures["noise_quantisation"].value == pytest.approx(ideal, rel=0.5)
    assert sum(unit.powers.values()) == pytest.approx(unit.isolated.residual, rel=1e-9)
    (line,) = [one for one in unit.isolated.lines if one.level > -80]
    assert line.name == "second tone"
    assert line.level == pytest.approx(-40, abs=1)
    assert "what the input holds beside the tone" in table(found)
    assert "beside the tone" not in table(spectrum(_scenario(trials=1, conversions=256)))


def test_a_word_that_waits_at_the_end_costs_nothing() -> None:
    # Read three by three, the last one of 301 is never asked for.
    found = spectrum(_scenario(trials=1, conversions=301, host__watermark=3, analog__noise=1))
    (unit,) = found.units
    assert (unit.record.of, unit.record.missing, unit.powers["losses"]) == (300, 0, 0)
    assert found.figures["cost"].value == 0
    assert found.harm == ""
