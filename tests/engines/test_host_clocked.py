"""The schemes in which the host's own clock reads the converter, by hand and at random."""

import numpy as np
import pytest
from hypothesis import given, settings

from simlink.base.errors import InputError
from simlink.base.instants import NEVER
from simlink.engines.event import EventEngine
from simlink.link import content
from simlink.link.channel import surviving
from simlink.records import Fate
from simlink.tracing.trace import trace
from tests.conftest import MANY
from tests.engines.chain import NS, record, rows_of, timetable
from tests.engines.host_clocked_scenarios import serial, serial_scenarios


def test_a_forwarded_read_by_hand():
    """One read, captured 4 half periods (40 ns) after each launch.

    Trigger 0 leaves at 1000 ns and arrives 10 later, 1010. Busy falls at 1010 + 200 = 1210 and
    crosses in 12: 1222; synchronised 6 later, released at 1228. The host waits 100 and starts its
    clock at 1328. Bit 0 was launched when busy fell; bits 1, 2 by the falling edges sent at
    1328 + 20 = 1348 and 1368. Captures: bit i at 1328 + 20 i + 40 = 1368, 1388, 1408. The last
    capture ends the read, later than the last clock edge at 1388.
    """
    assert rows_of(serial()) == timetable(
        "0 0 0  1000 1010 1210  1368 1408 1228  1328 1408  delivered"
    )


def test_a_returned_read_by_hand():
    """The same with the clock sent back.

    Rising edges leave at 1338, 1358, 1378 and falling ones 10 later; 22 ns there and back.
    ``half`` captures at the rising edges: 1360, 1380, 1400. The last falling edge leaves at 1388,
    before the last capture, so the read ends at 1400. ``whole``: 1370, 1390, 1410.
    Bit 1 is launched at the converter at 1348 + 10, valid 4 later and there at 1374; taken at
    1380 with 3 of setup it is right, by 3 ns. It leaves 21 ns after 1370, held 1 ns: at 1391,
    after its capture at 1390 with ``whole``.
    """
    half = serial({"link.scheme": "returned_clock", "host.capture": "half"})
    whole = serial({"link.scheme": "returned_clock", "host.capture": "whole"})
    assert rows_of(half) == timetable("0 0 0  1000 1010 1210  1360 1400 1228  1328 1400  delivered")
    assert rows_of(whole) == timetable(
        "0 0 0  1000 1010 1210  1370 1410 1228  1328 1410  delivered"
    )


@pytest.mark.parametrize(
    ("values", "fate"),
    [
        # Launch at 0; at the converter 10; valid 14; back 26; 3 of setup: 29 ns after the launch.
        ({"host.capture": "29 ns"}, "delivered"),
        ({"host.capture": "28999999 fs"}, "corrupted"),
        # The next launch at 20 reaches the converter at 30, takes the bit away at 31, seen at 43.
        ({"host.capture": "43 ns"}, "delivered"),
        ({"host.capture": "43000001 fs"}, "corrupted"),
        ({"host.capture": "42 ns", "host.hold": "1 ns"}, "delivered"),
        ({"host.capture": "42 ns", "host.hold": "1000001 fs"}, "corrupted"),
        # Half a period is 10 ns, a whole one 20: both too short for a round trip of 29.
        ({"host.capture": "half"}, "corrupted"),
        ({"host.capture": "whole"}, "corrupted"),
        ({"host.capture": 3}, "delivered"),
        # A falling edge that is late by the distortion launches late: 2 ns more out, 2 more back.
        ({"host.capture": "33 ns", "barrier.pulse_width_distortion": "2 ns"}, "delivered"),
        ({"host.capture": "32999999 fs", "barrier.pulse_width_distortion": "2 ns"}, "corrupted"),
    ],
)
def test_the_window_of_a_forwarded_capture(values, fate):
    """A bit can be taken from 29 to 43 ns after the host's falling edge, both ends included."""
    assert rows_of(serial(values))[0][-2] == fate


@pytest.mark.parametrize(
    ("values", "fate"),
    [
        # Falling edge to rising edge 10 ns; 4 of data_valid and 3 of setup leave 3.
        ({}, "delivered"),
        ({"barrier.return.channel_skew": ["3 ns"]}, "delivered"),
        ({"barrier.return.channel_skew": ["3000001 fs"]}, "corrupted"),
        # Out, the launching edge is late; back, the slower edge of the data.
        ({"barrier.forward.pulse_width_distortion": "3 ns"}, "delivered"),
        ({"barrier.forward.pulse_width_distortion": "3000001 fs"}, "corrupted"),
        ({"barrier.return.pulse_width_distortion": "3 ns"}, "delivered"),
        ({"barrier.pulse_width_distortion": "2 ns"}, "corrupted"),
        # The round trip drops out.
        ({"barrier.forward.delay": "400 ns", "barrier.return.delay": "300 ns"}, "delivered"),
    ],
)
def test_the_margin_of_a_returned_capture(values, fate):
    values = {"link.scheme": "returned_clock", "host.capture": "half"} | values
    assert rows_of(serial(values))[0][-2] == fate


def test_a_swallowed_clock_pulse_shifts_all_later_bits():
    """High pulses of 10 ns come out 5 ns wide with a distortion of -5 ns; the channel wants 6.

    Launched 5 ns early, a bit can be taken from 24 to 38 ns after the host's falling edge.
    """
    values = {"barrier.forward.pulse_width_distortion": "-5 ns", "host.capture": "30 ns"}
    assert rows_of(serial(values))[0][-2] == "delivered"
    gone = serial(values | {"barrier.forward.min_pulse": "6 ns"})
    assert rows_of(gone)[0][-2] == "corrupted"
    assert trace(gone, range(1)).of("remote.clock") == []


def test_what_survives_of_a_clock():
    """One short high pulse takes both its edges; one short low pulse joins its neighbours."""
    high = [0, 10, 20, 23, 40, 50]
    assert high[: surviving(high, 6, 5)] == [0, 10, 40, 50]
    low = [0, 10, 12, 30, 40, 50]
    assert low[: surviving(low, 6, 5)] == [0, 30, 40, 50]


def test_a_frame_not_read_before_the_next_conversion_is_overrun():
    """Triggers every 400 ns, arriving at 410, 810, 1210; released at 628, 1028, ... .

    With a latency of 250 the clock of frame 0 starts at 878, when busy of frame 1 (up at the host
    from 822) is high: the host waits for frame 1. Frame 0 was lost when trigger 1 was taken, 810.
    """
    found = rows_of(
        serial({"trigger.rate": "2.5 MHz", "conversions": 3, "host.service_latency": "250 ns"})
    )
    assert [row[-2] for row in found] == ["overrun", "overrun", "delivered"]


def test_a_trigger_during_the_read_is_missed():
    """The clock's first edge arrives at 1348, its last falling edge at 1398.

    Trigger 1 arrives in between, and at the very end it is taken.
    """
    for gap, fate in (("380 ns", "missed_trigger"), ("388 ns", "delivered")):
        burst = {"trigger.pattern": "burst", "trigger.burst_length": 1, "trigger.gap": gap}
        rows = rows_of(serial(burst | {"conversions": 2}))
        assert [row[-2] for row in rows] == ["delivered", fate]


def burst(gap, values):
    """Return two triggers of the base scenario, the second a gap after the first at 1000 ns."""
    law = {"trigger.pattern": "burst", "trigger.burst_length": 1, "trigger.gap": gap}
    return serial(law | {"conversions": 2} | values)


@pytest.mark.parametrize("delay", ["199 ns", "200 ns", "250 ns"])
def test_busy_that_would_rise_after_its_own_fall_does_not_rise(delay):
    """The conversion takes 200 ns: at the host busy is low from 1222 on, whatever its delay."""
    scenario = serial({"converter.busy_delay": delay})
    assert rows_of(scenario) == rows_of(serial())
    levels = [level for _, level in trace(scenario, range(1)).of("remote.busy")]
    assert levels == ([1, 0] if delay == "199 ns" else [])


def test_a_clock_that_comes_after_the_next_trigger_is_not_heard():
    """One bit, 400 ns out: the host is done with frame 0 at 1738, before its clock arrives at 2128.

    Trigger 1 arrives at 1900 and its busy falls at 2100. The clock of frame 0 finds it there and
    takes nothing away: frame 1 is released at 2118 and read from 2218 on.
    """
    values = {"frame.word_bits": 1, "barrier.forward.delay": "400 ns", "host.capture": "half"}
    assert rows_of(burst("500 ns", values)) == timetable(
        """
        0 0 0  1000 1400 1600  1728 1728 1618  1718 1738  delivered
        1 0 0  1500 1900 2100  2228 2228 2118  2218 2238  delivered
        """
    )


def test_a_clock_that_is_not_heard_moves_no_line():
    """One bit, 5 ns of conversion, no latency: the clock of frame 0 starts at 1033.

    Its edges arrive at 1053 and 1063, but trigger 1 has been taken at 1040, so frame 0 is lost.
    Bit 0 of frame 1 is there from 1045 + 2 + 12 = 1059 on, in time for its capture at 1073 with 3
    of setup; a line moved by the lost clock would have changed at 1063 + 1 + 12 = 1076.
    """
    values = {"frame.word_bits": 1, "converter.conversion_time": "5 ns", "host.capture": "half"}
    assert rows_of(burst("30 ns", values | {"host.service_latency": "0 s"})) == timetable(
        """
        0 0 0  1000 1010 1015  -    -    1033  -    -     overrun
        1 0 0  1030 1040 1045  1073 1073 1063  1063 1083  delivered
        """
    )


def test_a_lost_frame_has_no_bit_times_though_its_clock_never_arrives():
    """The channel swallows every pulse of 10 ns, so no clock keeps trigger 1 away at 1380.

    The host has taken bit 0 of frame 0 at 1368 by then, and takes the rest of nothing. Of frame 1
    only bit 0 ever comes.
    """
    assert rows_of(burst("370 ns", {"barrier.forward.min_pulse": "11 ns"})) == timetable(
        """
        0 0 0  1000 1010 1210  -    -    1228  -    -     overrun
        1 0 0  1370 1380 1580  1738 1778 1598  1698 1778  corrupted
        """
    )


def test_a_loop_triggers_a_gap_after_each_read():
    """Each trigger of a loop leaves one gap after the read before has ended."""
    scenario = serial(
        {
            "trigger.pattern": "after_read",
            "trigger.rate": None,
            "trigger.gap": "100 ns",
            "host.timeout": "5 us",
            "conversions": 3,
        }
    )
    starts = [row[3] // NS for row in rows_of(scenario)]
    # Trigger to the end of the read: 408 ns by the timetable above.
    assert starts == [100, 100 + 508, 100 + 2 * 508]


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("host.drain", True),
        ("host.watermark", 2),
        ("barrier.return.style", "packets"),
        ("barrier.forward.line_rate", "99.9 Mbit/s"),
        ("barrier.return.line_rate", "49.9 Mbit/s"),
        ("host.capture", 0),
        ("host.capture", "thirds"),
        ("host.capture", "-3 ns"),
    ],
)
def test_what_these_schemes_refuse(key, value):
    values = {key: value, "fifo.depth": 4}
    if value == "packets":
        values |= {"barrier.return.packet_bits": 2, "barrier.return.line_rate": "100 Mbit/s"}
    with pytest.raises(InputError, match=key.replace(".", r"\.")):
        serial(values)


def test_a_clock_faster_than_its_channel_says_by_how_much():
    with pytest.raises(InputError, match=r"asks for 100 Mbit/s, 20 Mbit/s more"):
        serial({"barrier.forward.line_rate": "80 Mbit/s"})


@settings(max_examples=max(1, MANY // 2))
@given(serial_scenarios())
def test_every_conversion_has_one_fate(scenario):
    """Conservation, and causal order of what was read."""
    for block in EventEngine().run(scenario, range(scenario.trials), words=True):
        sent = block.trigger != NEVER
        assert ((block.fate != Fate.NOT_SENT) == sent).all()
        if scenario.trigger.pattern != "after_read":
            assert sent.all()
        read = block.read_end != NEVER
        assert (read == np.isin(block.fate, [Fate.DELIVERED, Fate.CORRUPTED])).all()
        for early, late in (
            ("ready", "release"),
            ("release", "read_start"),
            ("read_start", "read_end"),
        ):
            assert (getattr(block, early)[read] <= getattr(block, late)[read]).all()
        # One read at a time.
        starts, ends = block.read_start[read], block.read_end[read]
        assert (starts[1:] >= ends[:-1]).all()
        assert (block.fate != Fate.UNDERRUN).all()


@settings(max_examples=60)
@given(serial_scenarios())
def test_a_trace_tells_what_the_ledger_tells(scenario):
    found = trace(scenario, range(scenario.conversions))
    block = record(scenario)
    assert np.array_equal(found.record.fate, block.fate)
    assert np.array_equal(found.record.read_end, block.read_end)


def test_bits_are_counted_wrong_by_their_timing():
    """Wrong bits show in the trace as captured too early: all but bit 0, which waited for long."""
    found = trace(serial({"host.capture": "half"}), range(1))
    assert [value for _, value in found.of("host.capture[0]")] == [0, -2, -3]


def test_a_wrong_bit_shows_in_the_word():
    """Word 5 of a counter, 101: half a period after its launch each bit is still the one before.

    So bit 0 is right, bit 1 is taken as bit 0 and bit 2 as bit 1: 110.
    """
    scenario = serial({"host.capture": "half", "conversions": 6, "trigger.rate": "100 kHz"})
    (row,) = trace(scenario, range(5, 6)).words().to_dict("records")
    assert (row["sent"], row["received"], row["wrong_bits"]) == (0b101, 0b110, 2)
    late = scenario.with_value("host.capture", "60 ns")
    (row,) = trace(late, range(5, 6)).words().to_dict("records")
    # Taken as the bit after, of which the last has none.
    assert (row["sent"], row["received"] >> 1, row["wrong_bits"]) == (0b101, 0b01, 3)


def test_random_words_differ_and_repeat():
    scenario = serial({"frame.content": "random", "frame.word_bits": 16, "conversions": 200})
    found = [content.word(scenario, 0, k, 0, 0) for k in range(200)]
    assert found == [content.word(scenario, 0, k, 0, 0) for k in range(200)]
    assert len(set(found)) > 190
    ones = sum(bin(value).count("1") for value in found)
    # 3200 fair bits: 4 standard errors are 113.
    assert abs(ones - 1600) < 113
