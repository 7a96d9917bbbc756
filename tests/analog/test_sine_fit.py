"""Sine fits against other solvers."""

import math

import numpy as np
import pytest

from simlink.analog.sine_fit import four, peak, three


def _record(count: int, frequency: float, seed: int) -> np.ndarray:
    rng = np.random.default_rng(seed)
    places = np.arange(count)
    found = 3 * np.cos(2 * math.pi * frequency * places + 0.7) + 0.4
    return np.asarray(found + rng.normal(0, 0.05, count))


@pytest.mark.parametrize("seed", range(8))
def test_three_parameters_as_least_squares_has_them(seed: int) -> None:
    rng = np.random.default_rng(100 + seed)
    count, frequency = int(rng.integers(64, 4096)), float(rng.uniform(0.01, 0.49))
    record = _record(count, frequency, seed)
    turns = 2 * math.pi * frequency * np.arange(count)
    design = np.stack([np.cos(turns), np.sin(turns), np.ones(count)], axis=1)
    wanted = np.linalg.lstsq(design, record, rcond=None)[0]
    fit = three(record, frequency)
    assert [fit.cosine, fit.sine, fit.offset] == pytest.approx(list(wanted), abs=1e-9)
    assert fit.rms == pytest.approx(float(np.std(record - design @ wanted)), rel=1e-6)
    assert fit.amplitude == pytest.approx(math.hypot(wanted[0], wanted[1]))


@pytest.mark.parametrize("seed", range(8))
def test_four_parameters_as_a_nonlinear_fit_has_them(seed: int) -> None:
    from scipy.optimize import least_squares

    rng = np.random.default_rng(200 + seed)
    count, frequency = int(rng.integers(128, 2048)), float(rng.uniform(0.05, 0.45))
    record = _record(count, frequency, seed)
    places = np.arange(count)

    def left(x: np.ndarray) -> np.ndarray:
        turns = 2 * math.pi * (frequency + x[3] / count) * places
        return np.asarray(x[0] * np.cos(turns) + x[1] * np.sin(turns) + x[2] - record)

    start = np.array([3 * math.cos(0.7), -3 * math.sin(0.7), 0.4, 0.0])
    wanted = least_squares(left, start, xtol=1e-15, ftol=1e-15, gtol=1e-15).x
    fit = four(record, peak(record))
    assert fit.frequency == pytest.approx(frequency + wanted[3] / count, abs=1e-9)
    assert [fit.cosine, fit.sine, fit.offset] == pytest.approx(list(wanted[:3]), abs=1e-6)
    # From the frequency found, the rest is a linear fit.
    again = three(record, fit.frequency)
    assert [fit.cosine, fit.sine, fit.offset] == pytest.approx(
        [again.cosine, again.sine, again.offset], abs=1e-9
    )


def test_a_missing_stretch_keeps_its_place() -> None:
    record = _record(1000, 0.0737, 3)
    there = np.r_[0:400, 450:1000].astype(float)
    whole, cut = three(record, 0.0737), three(record[there.astype(int)], 0.0737, there)
    assert cut.amplitude == pytest.approx(whole.amplitude, abs=0.02)
    assert four(record[there.astype(int)], 0.0737, there).frequency == pytest.approx(
        0.0737, abs=2e-6
    )


def test_a_clean_tone_leaves_nothing() -> None:
    record = np.cos(2 * math.pi * 0.1 * np.arange(100))
    assert three(record, 0.1).ratio > 280
    assert three(np.zeros(100), 0.1).ratio == math.inf
