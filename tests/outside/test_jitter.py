"""Definitions of jitter, against those of the ledger's instants.

JEDEC JESD65B (from memory; the factors are derived): with independent edges of sigma each, the
period has sqrt(2) sigma and the difference of neighbouring periods sqrt(6) sigma.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from simlink.running.run import run
from tests.engines.chain import chain

SIGMA = 3_000_000
JITTERED = {
    "conversions": 10_000,
    "seed": 5,
    "frame.word_bits": 1,
    "trigger.jitter": {"shape": "normal", "mean": "0 ns", "sigma": f"{SIGMA} fs"},
}


@pytest.fixture(scope="module")
def triggers():
    ledger = run(chain(JITTERED), engine="event").ledger
    return ledger["t_trigger"].to_numpy(dtype=np.int64)


def test_the_period_jitter(triggers):
    assert np.diff(triggers).std() == pytest.approx(math.sqrt(2) * SIGMA, rel=0.03)


def test_the_cycle_to_cycle_jitter(triggers):
    assert np.diff(triggers, n=2).std() == pytest.approx(math.sqrt(6) * SIGMA, rel=0.03)


def test_the_jitter_does_not_pile_up(triggers):
    """Edges are jittered about their due instants: the long-term jitter is sigma itself."""
    due = (np.arange(len(triggers)) + 1) * 10**9
    assert (triggers - due).std() == pytest.approx(SIGMA, rel=0.03)


def test_the_sampling_jitter_is_that_of_the_triggers_and_of_the_aperture():
    """Independent, so their squares add up: 3 ns and 4 ns give 5 ns."""
    changed = JITTERED | {
        "trials": 4,
        "conversions": 2500,
        "converter.aperture_jitter": {"shape": "normal", "mean": "0 ns", "sigma": "4 ns"},
    }
    figure = run(chain(changed), engine="event").figures["sampling_jitter_rms"]
    assert figure.low < 5e-9 < figure.high
    assert figure.value == pytest.approx(5e-9, rel=0.03)
