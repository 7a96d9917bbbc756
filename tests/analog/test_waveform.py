"""A recorded input: what stands between its rows, and what is refused."""

import math
from fractions import Fraction

import numpy as np
import pytest

from simlink.analog.waveform import Waveform, error_at
from simlink.base.errors import InputError
from simlink.base.instants import FS_PER_SECOND
from simlink.pictures.spectrum_table import table
from simlink.scenario.loading import loads
from simlink.studies.spectrum import spectrum
from tests.studies.test_spectrum import _BASE, _normal

_RATE = Fraction(10_000_000)
_TONE = 97_656.25  # 100 cycles in 1024 samples at 1 MHz


def _recorded(tmp_path, values, **more):
    rows = "\n".join(f"{one:.9f}" for one in values)
    (tmp_path / "input.csv").write_text(f"ch1\n{rows}\n")
    law = {"shape": "recorded", "file": "input.csv", "column": "ch1", "unit": "V"}
    given = {
        "trials": 2,
        "conversions": 1024,
        "analog.tone": f"{_TONE} Hz",
        "analog.waveform": law,
        "analog.waveform_rate": "10 MHz",
        "analog.full_scale": "4 V",
    }
    return loads(_BASE, base=tmp_path).with_values(given | more)


def _sine(count=12_000, volts=1.9):
    return volts * np.sin(2 * math.pi * _TONE / float(_RATE) * np.arange(count) + 0.3)


@pytest.mark.parametrize("turn", [0.05, 0.2, 0.6])
def test_the_spline_keeps_its_bound(turn) -> None:
    """A sine of so many radians a row, far from its ends, against 5/384 h^4 |f''''|."""
    rows = np.arange(400.0)
    found = Waveform(np.sin(turn * rows), _RATE, 0.0)
    places = np.linspace(100, 300, 2011)
    instants = np.rint(places / float(_RATE) * FS_PER_SECOND).astype(np.int64)
    wrong = np.abs(found.at(instants) - np.sin(turn * places)).max()
    bound = 10 ** (-error_at(Fraction(turn / (2 * math.pi)) * _RATE, _RATE) / 20)
    assert wrong <= bound * 1.001 + 1e-8
    assert wrong > bound / 20


def test_a_recorded_tone_is_worth_what_the_same_tone_is(tmp_path) -> None:
    """14 bits of 1.9 of 2 V, and 1 ns rms of jitter: as the closed forms say, to 0.3 dB."""
    found = spectrum(_recorded(tmp_path, _sine(), **{"trigger.jitter": _normal("1 ns")}))
    bare = 6.02 * 14 + 1.76 + 20 * math.log10(0.95)
    jitter = -20 * math.log10(2 * math.pi * _TONE * 1e-9)
    together = -10 * math.log10(10 ** (-bare / 10) + 10 ** (-jitter / 10))
    assert abs(found.figures["sinad_bare"].value - bare) < 0.3
    assert abs(found.figures["sinad"].value - together) < 0.3
    said = " ".join(table(found).split())
    assert "a recording of 12000 rows, whose band ends at 5 MHz" in said
    assert found.to_dict()["waveform"]["rate"] == 1e7


def test_boards_start_at_different_places_of_a_recording(tmp_path) -> None:
    one, other = spectrum(_recorded(tmp_path, _sine())).units
    assert not np.array_equal(one.codes, other.codes)
    same = spectrum(_recorded(tmp_path, _sine(), **{"analog.phase": 0.5})).units
    assert np.array_equal(same[0].codes, same[1].codes)


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ({"analog.waveform_rate": None}, "analog.waveform_rate: missing"),
        ({"analog.full_scale": None}, "analog.full_scale: missing"),
        ({"analog.amplitude": 0.5}, "analog.amplitude: .*not with a recorded waveform"),
        ({"analog.waveform": None}, "analog.waveform_rate: .*only with a recorded waveform"),
        ({"analog.waveform.column": "ch2"}, r"analog.waveform.column: got .*ch1"),
        ({"analog.waveform.unit": "ns"}, r"analog.waveform.unit: .*one of"),
        ({"analog.waveform": "1 V"}, "analog.waveform: got .*a recording of the input"),
        ({"analog.waveform.start": 3}, "analog.waveform.start: .*phase says"),
    ],
)
def test_what_is_no_recorded_input_is_refused(tmp_path, more, said) -> None:
    with pytest.raises(InputError, match=said):
        _recorded(tmp_path, _sine(2000), **more)


def test_a_recording_that_is_too_short_is_refused(tmp_path) -> None:
    with pytest.raises(InputError, match=r"analog.waveform: got 9000 rows; at least 10254 for"):
        spectrum(_recorded(tmp_path, _sine(9000)))
    with pytest.raises(InputError, match="at least 16 rows"):
        _recorded(tmp_path, _sine(9))


def test_a_bad_cell_is_told_with_its_line(tmp_path) -> None:
    made = _recorded(tmp_path, _sine(20))
    (tmp_path / "input.csv").write_text("ch1\n" + "0.5\n" * 18 + "x\n0.5\n")
    with pytest.raises(InputError, match="line 20"):
        made.with_values({"analog.waveform.unit": "mV"})
