"""A base, and random scenarios, for the schemes in which the host clocks the converter."""

from __future__ import annotations

from hypothesis import strategies as st

from simlink.scenario.loading import from_dict
from tests.engines.chain import chain, put
from tests.strategies import FINE, GRIDS, amount, law, often, raw_scenarios

#: 3 bits at 50 MHz; 10 ns out, 12 ns back; all instants whole nanoseconds.
SERIAL = {
    "link.scheme": "forwarded_clock",
    "frame.word_bits": 3,
    "remote_clock.start_delay": None,
    "converter.data_valid": "4 ns",
    "converter.data_hold": "1 ns",
    "converter.msb_valid": "2 ns",
    "barrier.return.delay": "12 ns",
    "fifo.depth": None,
    "host.clock": "50 MHz",
    "host.capture": 4,
    "host.setup": "3 ns",
}


def serial(values=None):
    """Return the serial base scenario with some keys changed."""
    return chain(SERIAL | (values or {}))


def as_serial(raw, scheme, capture):
    """Turn a random scenario into one of the other two schemes."""
    drop = {f"barrier.return.{name}": None for name in ("style", "packet_bits", "overhead_bits")}
    drop |= {"barrier.return.line_rate": None, "barrier.line_rate": None}
    drop |= {"barrier.forward.line_rate": None, "host.drain": None, "host.watermark": None}
    return put(raw, drop | {"link.scheme": scheme, "host.capture": capture})


@st.composite
def raw_serial_scenarios(draw, **limits):
    """Draw a scenario of either scheme, now and then one whose channels swallow clock pulses."""
    grid = draw(st.sampled_from([FINE, *GRIDS]))
    raw = draw(raw_scenarios(grid, **limits))
    scheme = draw(st.sampled_from(["forwarded_clock", "returned_clock"]))
    captures = ["half", "whole"] if scheme == "returned_clock" else ["half", "whole", 3, 7, "30 ns"]
    raw = as_serial(raw, scheme, draw(st.sampled_from(captures)))
    # A short word, or a long way, lets the host end before its clock has arrived.
    way = draw(st.sampled_from(["forward", "return"]))
    if often(draw) and draw(st.booleans()):
        raw = put(raw, {f"barrier.{way}.min_pulse": law(draw, grid, 0, grid.ns(10), bounded=True)})
    if often(draw) and draw(st.booleans()):
        far = grid.text(amount(draw, grid.ns(30), grid.ns(1500)))
        raw = put(raw, {f"barrier.{way}.delay": far})
    if often(draw) and draw(st.booleans()):
        # A bit that stays for long holds the next frame's first one back.
        held = law(draw, grid, 0, grid.ns(1500))
        raw = put(raw, {"converter.data_hold": held, "remote_clock.hold": None})
    return raw


def serial_scenarios():
    """Give scenarios of either scheme."""
    return raw_serial_scenarios().map(from_dict)
