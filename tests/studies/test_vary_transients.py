"""Studies over what transients are and what the barrier withstands, with words by hand."""

from __future__ import annotations

import pytest

from simlink.studies.vary import vary
from tests.engines.chain import chain
from tests.link.test_exposed import made

#: Both edges of a switch at the rate of the triggers, 1250 ns apart.
SWITCH = {
    "kind": "switching",
    "frequency": "400 kHz",
    "phase": "300 ns",
    "slew": "80 kV/us",
    "swing": "400 V",
}


def studied(keys, figure="not_received", source=SWITCH, **more):
    small = {"transient": [source], "trials": 2, "conversions": 40, **more}
    found = vary(made(**small)[0], keys, figure)
    return found, [point.figures[figure].count for point in found.points]


def test_over_slew_what_is_not_above_the_immunity_does_nothing():
    at_triggers = {**SWITCH, "phase": "2 ns"}
    key = "transient[0].slew"
    found, lost = studied({key: "40 kV/us..60 kV/us in 3"}, source=at_triggers)
    # Each trigger is on its way from 0 to 14 ns, and an edge comes at 2.
    assert lost == [0, 0, 80]
    assert found.table[f"{key} [kV/us]"].tolist() == [40.0, 50.0, 60.0]
    assert found.plot() is not None


def test_over_immunity():
    at_triggers = {**SWITCH, "phase": "2 ns"}
    _, lost = studied({"barrier.slew_immunity": "79 kV/us, 80 kV/us"}, source=at_triggers)
    assert lost == [80, 0]


def test_over_phase_the_edges_move_through_the_conversion():
    """While it converts, and after its last bit, nothing crosses."""
    found, lost = studied({"transient[0].phase": "0 ns, 300 ns, 840 ns"}, figure="delivered")
    # Edges at 300 and 1550 ns after a trigger are in the conversion and after the frame (1176 ns);
    # those at 840 ns meet bit 4, or 5, of each frame. Those at 0 meet the triggers.
    assert lost[1] == 80
    assert lost[0] < 80
    assert lost[2] < 80
    assert "transient[0].phase [s]" in found.table


def test_over_recovery_a_longer_one_never_spares_more():
    source = {"kind": "poisson", "rate": "200 kHz", "slew": "80 kV/us", "swing": "400 V"}
    keys = {"barrier.recovery": "0 ns, 20 ns, 100 ns, 500 ns"}
    _, left = studied(keys, figure="delivered", source=source, conversions=200)
    assert left == sorted(left, reverse=True)
    assert left[-1] < left[0]


@pytest.mark.parametrize("figure", ["silent", "recovery_frames", "lost_told", "misaligned_silent"])
def test_two_keys_make_a_table_of_any_figure(figure):
    keys = {"transient[0].slew": "60 kV/us, 90 kV/us", "barrier.recovery": "0 ns, 30 ns"}
    at_bits = {**SWITCH, "phase": "830 ns"}
    found, _ = studied(keys, figure=figure, source=at_bits)
    assert len(found.table) == 4
    assert found.plot() is not None


def test_how_many_frames_have_to_be_kept():
    """The host reads a frame more than a period after it was sent: the next one has been sent."""
    source = {"kind": "poisson", "rate": "100 kHz", "slew": "80 kV/us", "swing": "80 V"}
    values = {"conversions": 400, "transient": [source], "host.service_latency": "850 ns"}
    values |= {"barrier.return.slew_immunity": "50 kV/us", "barrier.return.strobe": False}
    values |= {"check.kind": "parity", "check.on_failure": "repeat", "check.kept_frames": 1}
    values |= {"check.repeat_timeout": "1 us", "host.clock": "100 MHz", "fifo.depth": 9}
    found = vary(chain(values), {"check.kept_frames": [1, 2]}, "mended")
    asked, mended = (
        [point.figures[name].count for point in found.points] for name in ("repeated", "mended")
    )
    assert asked[0] == asked[1] > 0
    assert mended[0] < mended[1]
