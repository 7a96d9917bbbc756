"""Spectra of records made by hand."""

import math
from fractions import Fraction

import numpy as np
import pytest

from simlink.analog import histogram
from simlink.analog.codes import bent, centres, in_lsb, interpolated, quantised
from simlink.analog.spectrum import analyse, coherent, folded, is_coherent
from simlink.analog.tone import Tone, cycles_at
from simlink.analog.windows import HANN, RECTANGULAR, SEVEN_TERMS, WINDOWS

_N = 8192


def _made(frequency: float, noise: float, harmonics: dict[int, float], seed: int = 1) -> np.ndarray:
    turns = 2 * math.pi * frequency * np.arange(_N)
    rng = np.random.default_rng(seed)
    record = np.cos(turns + 0.2) + 0.01 + rng.normal(0, noise, _N)
    for order, size in harmonics.items():
        record += size * np.cos(order * turns + order)
    return np.asarray(record)


@pytest.mark.parametrize("frequency", [1001 / _N, 1001.37 / _N, 3001 / _N])
@pytest.mark.parametrize("name", [None, *WINDOWS])
def test_harmonics_and_noise_are_told_apart(frequency: float, name: str | None) -> None:
    if name == "rectangular" and not is_coherent(frequency, _N):
        pytest.skip("leaks")
    sizes = {2: 1e-3, 3: 5e-4, 5: 2e-4}
    noise = 1e-4
    window = None if name is None else WINDOWS[name]
    found = analyse(_made(frequency, noise, sizes), frequency, window=window)
    distortion = sum(one**2 for one in sizes.values())
    error = 4 * 10 / math.log(10) * math.sqrt(2 / _N)
    assert found.snr == pytest.approx(-10 * math.log10(2 * noise**2), abs=error)
    assert found.thd == pytest.approx(10 * math.log10(distortion), abs=0.1)
    assert found.sinad == pytest.approx(-10 * math.log10(2 * noise**2 + distortion), abs=error)
    assert found.spur_free == pytest.approx(60.0, abs=0.2)
    assert [line.frequency for line in found.harmonics][:2] == pytest.approx(
        [folded(2 * frequency), folded(3 * frequency)]
    )
    assert found.spurs == ()


def test_transform_and_fit_agree_on_a_coherent_tone() -> None:
    record = _made(1001 / _N, 1e-4, {2: 1e-3, 3: 1e-4})
    bins, fit = (analyse(record, 1001 / _N, window=one) for one in (RECTANGULAR, SEVEN_TERMS))
    assert bins.noise == pytest.approx(fit.noise, rel=1e-9)
    assert bins.distortion == pytest.approx(fit.distortion, rel=1e-9)
    assert bins.residual == pytest.approx(bins.noise + bins.distortion, rel=1e-9)


def test_a_named_spur_is_named_and_others_are_not() -> None:
    turns = 2 * math.pi * np.arange(_N) / _N
    record = _made(1001 / _N, 1e-4, {}) + 1e-3 * np.cos(1500 * turns) + 5e-4 * np.cos(77 * turns)
    found = analyse(record, 1001 / _N, names={"beat": 1500 / _N})
    assert [line.name for line in found.spurs] == ["beat", "spur"]
    assert [round(line.frequency * _N) for line in found.spurs] == [1500, 77]
    assert found.spurs[0].level == pytest.approx(-60, abs=0.3)
    assert found.spur_free == pytest.approx(60, abs=0.3)


def test_two_clocks_beat_where_their_difference_says() -> None:
    # A serial clock of 25 MHz couples into the input of a converter that samples at 1 MHz plus
    # 40 ppm: 25 MHz less 25 x 1.00004 MHz is 1 kHz.
    count = 1 << 16
    rate = Fraction(10**6) * (1 + Fraction(40, 10**6))
    instants = np.array([round(Fraction(k + 1) * 10**15 / rate) for k in range(count)])
    tone = coherent(Fraction(97_000), rate, count)
    record = Tone(tone).at(instants) + Tone(Fraction(25 * 10**6), 1e-4).at(instants)
    found = analyse(record, float(tone / rate), names={"serial clock": float(25 * 10**6 / rate)})
    assert abs(found.spurs[0].frequency * count - 1000 / float(rate) * count) <= 1
    assert found.spurs[0].name == "serial clock"


def test_windows_lose_what_is_published() -> None:
    # Harris, Proc. IEEE 66 (1978), table 1, from memory: Hann 1.50 bins and 1.42 dB, four-term
    # Blackman-Harris 2.00 bins and 0.83 dB, none 1.00 bins and 3.92 dB.
    published = {"hann": (1.50, 1.42), "blackman_harris": (2.00, 0.83), "rectangular": (1.0, 3.92)}
    for name, (bins, loss) in published.items():
        assert WINDOWS[name].noise_bandwidth == pytest.approx(bins, abs=0.006)
        assert WINDOWS[name].scalloping_loss == pytest.approx(loss, abs=0.006)
    assert HANN.processing_loss == pytest.approx(1.76, abs=0.005)
    for window in WINDOWS.values():
        weights = window.weights(64)
        assert weights.mean() == pytest.approx(window.gain)
        assert float((weights**2).mean()) / window.gain**2 == pytest.approx(window.noise_bandwidth)


def test_a_coherent_frequency_is_near_and_repeats_no_sample() -> None:
    found = coherent(Fraction(10**4), Fraction(10**6), 65536)
    assert abs(found - 10**4) <= Fraction(10**6, 65536)
    cycles = found * 65536 / 10**6
    assert cycles.denominator == 1
    assert math.gcd(int(cycles), 65536) == 1
    assert is_coherent(float(found / 10**6), 65536)
    assert not is_coherent(0.01, 65536)


def test_a_late_instant_keeps_its_femtosecond() -> None:
    for frequency in (Fraction(10**7), Fraction(1234567, 89), Fraction(1, 3)):
        for instant in (1, 10**15 + 7, 9 * 10**18 + 123_456_789):
            wanted = float(frequency * instant / 10**15 % 1)
            found = float(cycles_at(frequency, np.array([instant]))[0])
            assert abs((found - wanted + 0.5) % 1 - 0.5) < 4e-15


def test_codes_by_hand() -> None:
    values = np.array([-9.0, -8.0, -0.5, 0.0, 0.99, 7.99, 8.0, 12.0])
    found, clipped = quantised(values, 4)
    assert found.tolist() == [0, 0, 7, 8, 8, 15, 15, 15]
    assert clipped == 2
    assert centres(found, 4).tolist() == [-7.5, -7.5, -0.5, 0.5, 0.5, 7.5, 7.5, 7.5]
    assert in_lsb(np.array([1.0, -0.5]), 4).tolist() == [8.0, -4.0]
    assert bent(np.array([8.0, -4.0]), 4, (0.5, 0.0, 1.0)).tolist() == [9.5, -3.25]
    assert interpolated(np.array([-8.0, 0.0, 4.0]), 4, [0, 1, 0]).tolist() == [-8.0, 1.0, 4.5]


def test_the_histogram_shows_a_bend() -> None:
    bits, count = 6, 1 << 18
    turns = 2 * math.pi * np.arange(count) * (10007 / count)
    values = bent(1.05 * 2 ** (bits - 1) * np.sin(turns), bits, (0.0, 0.0, 0.8))
    inl, dnl = histogram.nonlinearity(quantised(values, bits)[0], bits)
    # A transition lies where value plus bend reach it: lower by the bend, less the straight line
    # through the ends, at which u^2 is (31/32)^2.
    u = np.arange(-31, 32) / 32
    assert inl == pytest.approx(-0.8 * (u**2 - u[0] ** 2), abs=0.06)
    assert dnl == pytest.approx(np.diff(-0.8 * u**2), abs=0.03)
    assert histogram.enough(count, bits)
    assert not histogram.enough(count, 16)
    with pytest.raises(ValueError, match="does not reach"):
        histogram.nonlinearity(quantised(values / 2, bits)[0], bits)
