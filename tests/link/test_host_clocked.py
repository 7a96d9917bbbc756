"""A clock of the host's that crosses the barrier, and which bit it captures, by hand."""

from __future__ import annotations

from fractions import Fraction

import pytest

from simlink.base.instants import FAR, NEVER
from simlink.link import host_clocked
from simlink.link.content import BitOutcome


def crossed(edges, distortion=0, jitter=None, min_pulse=0, ahead=NEVER):
    """Return what comes out of a channel of 20, and when its last edge would have."""
    line, jitter = [*edges], jitter or [0] * len(edges)
    passed, last = host_clocked.cross_clock(
        line, len(line), 20, distortion, jitter, min_pulse, ahead
    )
    return line[:passed], last


def test_each_edge_takes_its_own_delay_and_jitter():
    """Rising 20, falling 23: 100 + 20, 110 + 23 + 1, 120 + 20 - 2, 130 + 23 + 4."""
    found = crossed([100, 110, 120, 130], distortion=3, jitter=[0, 1, -2, 4])
    assert found == ([120, 134, 138, 157], 157)


def test_a_distortion_may_shorten_pulses():
    """Rising 20, falling 12."""
    assert crossed([100, 110, 120, 130], distortion=-8) == ([120, 122, 140, 142], 142)


def test_no_edge_overtakes_the_one_before():
    """A jitter of 21 less brings 120 + 20 to 119, but no earlier than 133; 121 is ahead of both."""
    jitter = [0, 0, -21, 0]
    assert crossed([100, 110, 120, 130], 3, jitter)[1] == 153
    assert crossed([100, 110], ahead=121) == ([121, 130], 130)


@pytest.mark.parametrize(("distortion", "passed"), [(-9, [120, 121]), (-10, []), (-17, [])])
def test_a_pulse_of_no_width_does_not_pass(distortion, passed):
    """Rising at 120; falling at 121, and with the rising edge, which it would else overtake."""
    assert crossed([100, 110], distortion) == (passed, max(130 + distortion, 120))


def test_an_edge_that_meets_the_one_ahead_takes_it_along():
    """The second pulse rises at 133 with the fall of the first: one pulse, from 120 to 153."""
    assert crossed([100, 110, 120, 130], 3, [0, 0, -7, 0]) == ([120, 153], 153)
    assert crossed([100, 110, 120, 130], 3, [0, 0, -6, 0]) == ([120, 133, 134, 153], 153)


def test_no_edge_comes_out_before_it_went_in():
    """Falling 0 at the least, however large the distortion; jitter is cut off likewise."""
    assert crossed([100, 130], distortion=-25) == ([120, 130], 130)
    assert crossed([100, 130], distortion=-25, jitter=[-21, 2]) == ([100, 132], 132)


@pytest.mark.parametrize(("min_pulse", "passed"), [(4, [120, 134, 138, 157]), (5, [120, 157])])
def test_pulses_are_judged_as_they_come_out(min_pulse, passed):
    """From 134 to 138 the line would be low for 4."""
    found = crossed([100, 110, 120, 130], 3, [0, 1, -2, 4], min_pulse)
    assert found == (passed, 157)


def test_a_swallowed_pulse_still_holds_up_what_follows():
    """Out at 120 and 122, too short for 3; the next edge comes no earlier than 122."""
    assert crossed([100, 110], distortion=-8, min_pulse=3) == ([], 122)


def test_pulses_of_one_frame_are_judged_among_themselves():
    """The frame before ended at 118, 2 before this one's first edge comes out; 5 is shortest."""
    assert crossed([100, 110, 120, 130], min_pulse=5, ahead=118) == ([120, 130, 140, 150], 150)


def test_a_channel_that_no_edge_crosses_stays_as_it_was():
    assert crossed([], ahead=50) == ([], 50)


@pytest.mark.parametrize(
    ("distortion", "jitter", "before", "valid", "until"),
    [
        (0, 0, NEVER, 1015, 1015),
        # The slower kind of edge brings a bit, the faster one takes it away.
        (2, 0, NEVER, 1017, 1015),
        (-2, 0, NEVER, 1015, 1013),
        (2, 1, NEVER, 1018, 1016),
        (-2, -1, NEVER, 1014, 1012),
        # None before its predecessor's: just before, at the same instant, just after.
        (2, 0, 1016, 1017, 1016),
        (2, 0, 1017, 1017, 1017),
        (2, 0, 1018, 1018, 1018),
        (-2, 0, 1014, 1015, 1014),
        # None before it was sent.
        (-16, 0, NEVER, 1015, 1000),
        (0, -16, NEVER, 1000, 1000),
        (2, -16, NEVER, 1001, 1000),
    ],
)
def test_a_bit_at_the_host(distortion, jitter, before, valid, until):
    """At the converter at 1000, 15 across."""
    across = (1000, 15, distortion, jitter, before)
    assert host_clocked.valid_at_host(*across) == valid
    assert host_clocked.valid_until_at_host(*across) == until


@pytest.mark.parametrize("rule", [host_clocked.valid_at_host, host_clocked.valid_until_at_host])
@pytest.mark.parametrize(
    ("there", "here"), [(FAR - 1, FAR + 14), (FAR, FAR), (FAR + 1, FAR), (FAR + 10**15, FAR)]
)
def test_what_never_happens_at_the_converter_never_does_at_the_host(rule, there, here):
    assert rule(there, 15, 0, 0, FAR + 10**3 if there >= FAR else NEVER) == here


# The bit can be captured from 100 to 200; the host asks for 3 of setup and 5 of hold.
# Right: from 100 + 3 to 200 - 5.

APART = {"before": 80, "after": 220}
TOUCHING = {"before": 100, "after": 200}
OVERLAPPING = {"before": 120, "after": 190}
FIRST = {"before": FAR, "after": 220}
LAST = {"before": 80, "after": FAR}


@pytest.mark.parametrize(
    ("captured", "beside", "outcome"),
    [
        # The bit before is gone after 80, the bit after is there from 220.
        (79, APART, "PREVIOUS"),
        (80, APART, "PREVIOUS"),
        (81, APART, "METASTABLE"),
        (99, APART, "METASTABLE"),
        (100, APART, "METASTABLE"),
        (102, APART, "METASTABLE"),
        (103, APART, "RIGHT"),
        (104, APART, "RIGHT"),
        (150, APART, "RIGHT"),
        (194, APART, "RIGHT"),
        (195, APART, "RIGHT"),
        (196, APART, "METASTABLE"),
        (200, APART, "METASTABLE"),
        (201, APART, "METASTABLE"),
        (219, APART, "METASTABLE"),
        (220, APART, "NEXT"),
        (221, APART, "NEXT"),
        # No gap between them.
        (99, TOUCHING, "PREVIOUS"),
        (100, TOUCHING, "METASTABLE"),
        (200, TOUCHING, "METASTABLE"),
        (201, TOUCHING, "NEXT"),
        # Where both could be captured, the bit itself counts.
        (99, OVERLAPPING, "PREVIOUS"),
        (100, OVERLAPPING, "METASTABLE"),
        (103, OVERLAPPING, "RIGHT"),
        (195, OVERLAPPING, "RIGHT"),
        (200, OVERLAPPING, "METASTABLE"),
        (201, OVERLAPPING, "NEXT"),
        # Before bit 0 the line rests at 0.
        (-1000, FIRST, "PREVIOUS"),
        (99, FIRST, "PREVIOUS"),
        (100, FIRST, "METASTABLE"),
        (103, FIRST, "RIGHT"),
        # After the last bit nothing drives it.
        (195, LAST, "RIGHT"),
        (196, LAST, "METASTABLE"),
        (201, LAST, "METASTABLE"),
        (10**6, LAST, "METASTABLE"),
    ],
)
def test_which_bit_a_capture_gives(captured, beside, outcome):
    found = host_clocked.bit_outcome(captured, 3, 5, 100, 200, **beside)
    assert BitOutcome(found).name == outcome


@pytest.mark.parametrize(
    ("captured", "outcome"), [(80, "PREVIOUS"), (81, "METASTABLE"), (201, "METASTABLE")]
)
def test_a_bit_that_is_never_valid_is_never_right(captured, outcome):
    """The clock stopped before it: neither it nor the next one ever comes."""
    found = host_clocked.bit_outcome(captured, 0, 0, FAR, FAR, 80, FAR)
    assert BitOutcome(found).name == outcome


@pytest.mark.parametrize(
    ("captured", "outcome"),
    [
        (150, "PREVIOUS"),
        (151, "METASTABLE"),
        (210, "METASTABLE"),
        (229, "METASTABLE"),
        (230, "NEXT"),
    ],
)
def test_a_bit_that_is_gone_before_it_is_valid_is_never_right(captured, outcome):
    """Valid from 210, held until 200; the one before held until 150, the one after from 230."""
    found = host_clocked.bit_outcome(captured, 0, 0, 210, 200, 150, 230)
    assert BitOutcome(found).name == outcome


@pytest.mark.parametrize("outcome", BitOutcome)
def test_the_plain_number_of_an_outcome_is_that_outcome(outcome):
    plain = getattr(host_clocked, outcome.name)
    assert type(plain) is int
    assert plain == outcome


@pytest.mark.parametrize(
    ("half_periods", "delay", "offsets"),
    [
        (1, None, [20, 60, 100]),
        (2, None, [40, 80, 120]),
        (3, None, [60, 100, 140]),
        (4, None, [80, 120, 160]),
        (None, 7, [7, 47, 87]),
        (None, 0, [0, 40, 80]),
    ],
)
def test_the_hosts_own_clock_captures_half_periods_or_a_delay_after_the_launch(
    half_periods, delay, offsets
):
    """25 MHz: a period of 40 ns, the launching edges of bits 0, 1, 2 at 0, 40 and 80 ns."""
    delay = None if delay is None else delay * 10**6
    found = host_clocked.capture_offsets(Fraction(25 * 10**6), 3, half_periods, delay)
    assert found.tolist() == [one * 10**6 for one in offsets]


def test_captures_are_rounded_once():
    """3 MHz: 1/6, 3/6 and 5/6 us; with a delay 0, 1/3 and 2/3 us and 5 fs."""
    clock = Fraction(3 * 10**6)
    half = host_clocked.capture_offsets(clock, 3, 1, None)
    assert half.tolist() == [166_666_667, 500_000_000, 833_333_333]
    late = host_clocked.capture_offsets(clock, 3, None, 5)
    assert late.tolist() == [5, 333_333_338, 666_666_672]
