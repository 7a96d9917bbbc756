"""A busy that may never rise is worth a note, and one that always does is none."""

from __future__ import annotations

import pytest

from tests.engines.chain import chain

WIDE = {"shape": "uniform", "low": "90 ns", "high": "110 ns"}


@pytest.mark.parametrize(
    ("delay", "lasts", "noted"),
    [
        ("99 ns", "100 ns", False),
        # It would rise as it falls.
        ("100 ns", "100 ns", True),
        ("2 us", "100 ns", True),
        ("95 ns", WIDE, True),
        ("89 ns", WIDE, False),
        (WIDE, "120 ns", False),
        (WIDE, "100 ns", True),
        ("0 s", WIDE, False),
    ],
)
def test_a_delay_of_busy_that_may_outlast_a_conversion_is_noted(delay, lasts, noted):
    scenario = chain({"converter.busy_delay": delay, "converter.conversion_time": lasts})
    found = [note for note in scenario.notes if note.startswith("converter.busy_delay: up to ")]
    assert len(found) == noted
    if noted:
        assert found[0].endswith("busy does not rise where the conversion is over by then")
