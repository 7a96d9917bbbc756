"""Timing budgets against values from outside the project."""

from __future__ import annotations

import pytest

from simlink.budget import dual_dirac
from tests.budget.budget_cases import budget_of, made, passes


def test_total_jitter_at_a_bit_error_ratio():
    """2 Q(1e-12) = 14.0690; dual-Dirac model, ISO/IEC TR 14165-117 (title only read)."""
    assert 2 * dual_dirac.q_factor(1e-12) == pytest.approx(14.0690, abs=1e-4)


FORWARDED = {
    "link.scheme": "forwarded_clock",
    "barrier.forward.delay": "14 ns",
    "barrier.return.delay": "14 ns",
    "converter.data_valid": "9 ns",
    "host.setup": "3 ns",
}
RETURNED = {
    "link.scheme": "returned_clock",
    "barrier.forward.delay": "14 ns",
    "barrier.return.delay": "14 ns",
    "barrier.return.channel_skew": ["1 ns"],
    "barrier.forward.pulse_width_distortion": "1.5 ns",
    "converter.data_valid": "8 ns",
    "host.setup": "2 ns",
    "host.capture": "half",
}
REMOTE = {
    "link.scheme": "remote_master",
    "converter.data_valid": "7 ns",
    "remote_clock.setup": "2 ns",
    "remote_clock.capture": "whole",
}


@pytest.mark.parametrize(
    ("parts", "highest", "key"),
    [
        (FORWARDED | {"host.capture": "whole"}, 25e6, "host.clock"),
        (FORWARDED | {"host.capture": "half"}, 12.5e6, "host.clock"),
        (RETURNED, 40e6, "host.clock"),
        (REMOTE, 1e9 / 9, "remote_clock.frequency"),
    ],
    ids=["forwarded, whole", "forwarded, half", "returned, half", "remote master, whole"],
)
def test_the_highest_clock_of_common_parts(parts, highest, key):
    """Common practice, no source: 25.0, 12.5, 40 and above 100 MHz; simulated as well."""
    assert float(budget_of(parts).worst.highest) == pytest.approx(highest, rel=1e-9)
    for ratio, good in ((0.9995, True), (1.0005, False)):
        assert passes(made(parts | {key: f"{round(highest * ratio)} Hz"})) == good


def test_the_remote_master_reaches_100_mhz():
    """Common practice, no source: whole-period capture reaches 100 MHz."""
    assert budget_of(REMOTE).worst.highest > 100e6
