"""Timetables of the link worked by hand, matched to the femtosecond.

In the base chain a trigger sent at t arrives at t + 10 and busy falls at t + 210; the remote
clock (20 ns) starts at t + 215, so the bits of a frame are captured at t + 225, 245, 265, 285,
its last falling edge is at t + 295, and its bits are pushed at t + 240, 260, 280, 300. All four
are there at t + 300 and the release comes at t + 306. A read takes a bit every 40 ns and lasts
160 ns; it starts 100 ns after its service begins. Times are in ns unless a test says otherwise.
"""

from __future__ import annotations

import pytest

from simlink.tracing.trace import trace
from tests.engines.chain import TIGHT, UNTROUBLED, chain, in_ns, record, rows_of, timetable


def test_an_untroubled_read():
    """Sent 1000, arrives 1010, sampled 3 later; service at the release, 1306; read 1406-1566."""
    found = rows_of(chain({"converter.aperture_jitter": "3 ns"}))
    assert found == timetable("""
        conv lane pos  trigger aperture ready  first last  release  start end  fate
        0    0    0    1000    1013     1210   1240  1300  1306     1406  1566 delivered
    """)


def test_the_trace_of_an_untroubled_read():
    """Every edge of the read above, with busy rising 7 after the trigger arrives.

    The strobe rises 10 after each capture, and is 15 on its way as the bits are. The host clock
    (40 ns) rises at 1426, 1466, 1506 and 1546 and falls 20 later.
    """
    found = trace(chain({"converter.busy_delay": "7 ns"}))
    expected = [
        (1000, "host.trigger", 0),
        (1000, "host.busy", 1),
        (1010, "remote.trigger", 0),
        (1017, "remote.busy", 1),
        (1210, "remote.busy", 0),
        (1210, "remote.data[0]", 0),
        (1225, "remote.clock", 1),
        (1225, "remote.capture", 0),
        (1235, "remote.clock", 0),
        (1235, "remote.data[0]", 1),
        (1240, "fifo.level", 1),
        (1240, "fifo.push[0]", 0),
        (1245, "remote.clock", 1),
        (1245, "remote.capture", 1),
        (1250, "fifo.strobe", 1),
        (1255, "remote.clock", 0),
        (1255, "remote.data[0]", 2),
        (1260, "fifo.push[0]", 1),
        (1260, "fifo.strobe", 0),
        (1265, "remote.clock", 1),
        (1265, "remote.capture", 2),
        (1270, "fifo.strobe", 1),
        (1275, "remote.clock", 0),
        (1275, "remote.data[0]", 3),
        (1280, "fifo.push[0]", 2),
        (1280, "fifo.strobe", 0),
        (1285, "remote.clock", 1),
        (1285, "remote.capture", 3),
        (1290, "fifo.strobe", 1),
        (1295, "remote.clock", 0),
        (1295, "remote.data[0]", -2),
        (1300, "fifo.push[0]", 3),
        (1300, "fifo.strobe", 0),
        (1306, "fifo.release", 0),
        (1306, "host.busy", 0),
        (1306, "host.service", 1),
        (1310, "fifo.strobe", 1),
        (1320, "fifo.strobe", 0),
        (1406, "host.read", 0),
        (1426, "host.clock", 1),
        (1426, "host.capture[0]", 0),
        (1446, "host.clock", 0),
        (1466, "host.clock", 1),
        (1466, "host.capture[0]", 1),
        (1486, "host.clock", 0),
        (1506, "host.clock", 1),
        (1506, "host.capture[0]", 2),
        (1526, "host.clock", 0),
        (1546, "host.clock", 1),
        (1546, "host.capture[0]", 3),
        (1566, "host.clock", 0),
        (1566, "host.read", -1),
        (1566, "fifo.level", 0),
        (1566, "host.service", 0),
    ]
    # What one event does to several signals at once has no order of its own.
    assert sorted(in_ns(found.entries)) == sorted(expected)
    assert [time for time, *_ in in_ns(found.entries)] == [time for time, *_ in expected]


# Overruns


def test_drop_new_refuses_the_arriving_frame():
    """One slot and a latency of 1900: frame 0 is served from 1306, read 3206-3366.

    Frames 1 and 2 arrive at 2240 and 3240 and find the slot taken; frame 3, at 4240, does not:
    it is released at 4306 and read from 6206.
    """
    changed = {"conversions": 4, "fifo.depth": 1, "host.service_latency": "1900 ns"}
    assert rows_of(chain(changed)) == timetable("""
        0 0 0  1000 1010 1210  1240 1300 1306  3206 3366 delivered
        1 0 0  2000 2010 2210  -    -    -     -    -    overrun
        2 0 0  3000 3010 3210  -    -    -     -    -    overrun
        3 0 0  4000 4010 4210  4240 4300 4306  6206 6366 delivered
    """)


DROP_OLD = {"fifo.when_full": "drop_old", "host.service_latency": "1900 ns"}


def test_drop_old_discards_a_released_frame_and_spares_the_one_being_served():
    """Two slots: at 3240 they hold frame 0, whose service began at 1306, and frame 1.

    Frame 0 is protected, though its read starts at 3206 only; frame 1 was released at 2306 and
    is discarded. The host is idle at 3366 and serves frame 2: 3366 + 1900 = 5266.
    """
    assert rows_of(chain(DROP_OLD | {"conversions": 3})) == timetable("""
        0 0 0  1000 1010 1210  1240 1300 1306  3206 3366 delivered
        1 0 0  2000 2010 2210  2240 2300 2306  -    -    overrun
        2 0 0  3000 3010 3210  3240 3300 3306  5266 5426 delivered
    """)


def test_drop_old_discards_a_whole_frame_before_its_release():
    """A synchroniser of 1100: frame 0 is whole at 1300, would be released at 2400, and is
    discarded at 2240. Frame 1 is released at 2300 + 1100 and served 100 later.
    """
    changed = DROP_OLD | {
        "conversions": 2,
        "fifo.depth": 1,
        "fifo.sync_delay": "1100 ns",
        "host.service_latency": "100 ns",
    }
    assert rows_of(chain(changed)) == timetable("""
        0 0 0  1000 1010 1210  1240 1300 -     -    -    overrun
        1 0 0  2000 2010 2210  2240 2300 3400  3500 3660 delivered
    """)


def test_drop_old_refuses_the_arriving_frame_if_the_only_other_is_being_served():
    """One slot: frame 0's service, begun at 1306, protects it at 2240."""
    assert rows_of(chain(DROP_OLD | {"conversions": 2, "fifo.depth": 1})) == timetable("""
        0 0 0  1000 1010 1210  1240 1300 1306  3206 3366 delivered
        1 0 0  2000 2010 2210  -    -    -     -    -    overrun
    """)


def test_drop_old_refuses_the_arriving_frame_if_the_oldest_is_not_whole():
    """One slot, and lane 1 is 1100 late: frame 0 is whole at 2400, after 2240."""
    changed = DROP_OLD | {
        "conversions": 2,
        "frame.lanes": 2,
        "fifo.depth": 1,
        "barrier.return.channel_skew": ["0 ns", "1100 ns"],
        "barrier.return.strobe": False,
        "host.service_latency": "100 ns",
    }
    assert rows_of(chain(changed)) == timetable("""
        0 0 0  1000 1010 1210  1240 1300 2406  2506 2666 delivered
        0 1 0  1000 1010 1210  2340 2400 2406  2506 2666 delivered
        1 0 0  2000 2010 2210  -    -    -     -    -    overrun
        1 1 0  2000 2010 2210  -    -    -     -    -    overrun
    """)


def test_drop_old_protects_a_group_of_read_all_as_a_whole():
    """Three slots, a read of 3200, a latency of 1000, reading all that waits.

    Frame 0 is read 2306-5506. Frame 3 (4240) discards frame 1, frame 4 (5240) frame 2: until
    5506 the next group is not fixed. Then it is: frame 3 (5506-8706) and frame 4 (8706-11906).
    Frame 5 takes frame 0's slot at 6240; frame 6 (7240) may discard neither 3 nor 4, and
    discards 5; frame 7 (8240) discards 6 and is read from 11906.
    """
    changed = DROP_OLD | {
        "conversions": 8,
        "fifo.depth": 3,
        "host.clock": "1.25 MHz",
        "host.service_latency": "1 us",
        "host.drain": True,
    }
    assert rows_of(chain(changed)) == timetable("""
        0 0 0  1000 1010 1210  1240 1300 1306  2306  5506  delivered
        1 0 0  2000 2010 2210  2240 2300 2306  -     -     overrun
        2 0 0  3000 3010 3210  3240 3300 3306  -     -     overrun
        3 0 0  4000 4010 4210  4240 4300 4306  5506  8706  delivered
        4 0 0  5000 5010 5210  5240 5300 5306  8706  11906 delivered
        5 0 0  6000 6010 6210  6240 6300 6306  -     -     overrun
        6 0 0  7000 7010 7210  7240 7300 7306  -     -     overrun
        7 0 0  8000 8010 8210  8240 8300 8306  11906 15106 delivered
    """)


STALL = {"fifo.when_full": "stall", "fifo.depth": 1, "host.service_latency": "1900 ns"}


def test_stall_holds_the_readout_back_and_misses_triggers_meanwhile():
    """One credit, used by frame 0; its slot is freed at 3366 and the credit is back at 3376.

    Frame 1 is ready at 2210 and its clock starts at 3376: captures 3386-3446, pushes 3401-3461,
    release 3467 to an idle host, read 5367-5527, credit 5537. Trigger 2 (3010) finds it held
    back and is missed. Frame 3 is ready at 4210 and starts at 5537: pushes 5562-5622, release
    5628, read from 7528. Trigger 4 (5010) is missed.
    """
    scenario = chain(STALL | {"conversions": 5})
    assert rows_of(scenario) == timetable("""
        0 0 0  1000 1010 1210  1240 1300 1306  3206 3366 delivered
        1 0 0  2000 2010 2210  3401 3461 3467  5367 5527 delivered
        2 0 0  3000 -    -     -    -    -     -    -    missed_trigger
        3 0 0  4000 4010 4210  5562 5622 5628  7528 7688 delivered
        4 0 0  5000 -    -     -    -    -     -    -    missed_trigger
    """)
    credits_back = in_ns(trace(scenario, range(5)).of("remote.credit"))
    assert credits_back[:2] == [(3376, 1), (5537, 1)]


def test_a_credit_that_is_back_before_the_start_delays_nothing():
    """A latency of 737: frame 0 is read 2043-2203 and its credit is back at 2213.

    Frame 1 is ready without a credit at 2210 and would start at 2215; so it does.
    """
    changed = STALL | {"conversions": 2, "host.service_latency": "737 ns"}
    assert rows_of(chain(changed)) == timetable("""
        0 0 0  1000 1010 1210  1240 1300 1306  2043 2203 delivered
        1 0 0  2000 2010 2210  2240 2300 2306  3043 3203 delivered
    """)


# Triggers


def test_a_trigger_at_the_last_falling_edge_is_taken():
    """Arrivals at 260 + 250 k: busy falls 165 later, the last edge 5 + 80 after that, at 510."""
    assert rows_of(chain(TIGHT | {"conversions": 2})) == timetable("""
        0 0 0  250 260 425  455 515 521  621 661 delivered
        1 0 0  500 510 675  705 765 771  871 911 delivered
    """)


def test_a_trigger_before_the_last_falling_edge_is_missed():
    """A conversion 1 ns longer: the readout of frame 0 ends at 511, trigger 1 arrives at 510."""
    changed = TIGHT | {"conversions": 4, "converter.conversion_time": "166 ns"}
    assert rows_of(chain(changed)) == timetable("""
        0 0 0  250  260 426  456 516  522   622  662  delivered
        1 0 0  500  -   -    -   -    -     -    -    missed_trigger
        2 0 0  750  760 926  956 1016 1022  1122 1162 delivered
        3 0 0  1000 -   -    -   -    -     -    -    missed_trigger
    """)


def test_a_short_acquisition_is_noted_and_not_missed():
    """Busy falls at 425 and trigger 1 arrives 85 later: 86 of acquisition are too many."""
    short = chain(TIGHT | {"conversions": 2, "converter.acquisition_time": "86 ns"})
    assert rows_of(short) == timetable("""
        0 0 0  250 260 425  455 515 521  621 661 delivered
        1 0 0  500 510 675  705 765 771  871 911 delivered short
    """)
    enough = chain(TIGHT | {"conversions": 2, "converter.acquisition_time": "85 ns"})
    assert [row[-1] for row in rows_of(enough)] == [False, False]


def test_a_burst():
    """Two triggers 500 apart, then 3000 from the last of them to the first of the next two."""
    changed = {
        "conversions": 5,
        "trigger.pattern": "burst",
        "trigger.rate": "2 MHz",
        "trigger.burst_length": 2,
        "trigger.gap": "3 us",
    }
    assert rows_of(chain(changed)) == timetable("""
        0 0 0  500  510  710   740  800  806   906  1066 delivered
        1 0 0  1000 1010 1210  1240 1300 1306  1406 1566 delivered
        2 0 0  4000 4010 4210  4240 4300 4306  4406 4566 delivered
        3 0 0  4500 4510 4710  4740 4800 4806  4906 5066 delivered
        4 0 0  7500 7510 7710  7740 7800 7806  7906 8066 delivered
    """)


def test_a_remote_timer_sits_beside_the_converter():
    """No crossing on the way there, and no busy at the host."""
    scenario = chain({"trigger.source": "remote"})
    assert rows_of(scenario) == timetable("""
        0 0 0  1000 1000 1200  1230 1290 1296  1396 1556 delivered
    """)
    assert "host.busy" not in trace(scenario).signals


def test_a_trigger_arrives_no_earlier_than_the_one_ahead(recording):
    """Trigger 0 takes 300 more to cross and arrives at 560; trigger 1, due at 510, does too.

    Trigger 0 is taken (ready 725, pushes 755-815, release 821) and so trigger 1 is missed.
    """
    late = chain(
        TIGHT | {"conversions": 2, "barrier.forward.jitter": recording([300, 0])},
    )
    assert rows_of(late) == timetable("""
        0 0 0  250 560 725  755 815 821  921 961 delivered
        1 0 0  500 -   -    -   -   -    -   -   missed_trigger
    """)


def test_triggers_that_leave_out_of_turn_arrive_in_turn(recording):
    """Jitter of 600 has trigger 0 leave at 850, after trigger 1; both arrive at 860.

    Ready 1025, pushes 1055-1115, release 1121.
    """
    late = chain(TIGHT | {"conversions": 2, "trigger.jitter": recording([600, 0])})
    assert rows_of(late) == timetable("""
        0 0 0  850 860 1025  1055 1115 1121  1221 1261 delivered
        1 0 0  500 -   -     -    -    -     -    -    missed_trigger
    """)


# The way back


def test_a_release_one_bit_too_low_underruns_and_the_next_does_not():
    """Served at once and read at 100 MHz, faster than the bits come.

    Released with bit 0 at 1246, the bits are taken at 1251, 1261, 1271, 1281, and bit 2 comes at
    1280: the frame is spoilt, its last bit comes after its read has ended, and is recorded.
    Released with bit 1 at 1266: 1271, 1281, 1291 and, 1 ns after it has come, 1301.
    """
    fast = {"host.clock": "100 MHz", "host.service_latency": "0 ns"}
    assert rows_of(chain(fast | {"fifo.release_bits": 1})) == timetable("""
        0 0 0  1000 1010 1210  1240 1300 1246  1246 1286 underrun
    """)
    assert rows_of(chain(fast | {"fifo.release_bits": 2})) == timetable("""
        0 0 0  1000 1010 1210  1240 1300 1266  1266 1306 delivered
    """)


def test_a_packet_link_slower_than_the_frames_backs_up():
    """3 bits a packet and 2 of overhead at 5 Mbit/s: 1000 a full packet, 600 the short one.

    Frame 0: its first packet is full at 1265, off the line at 2265, there at 2280; the second
    follows, off at 2865, there at 2880. Frame 1's first packet, full at 2265, waits for the line
    until 2865: there at 3880, then 4480. Frame 2: 5480 and 6080. Two words of two bits: bits 0
    to 2 come together, so the second word's first bit comes with the first word.
    """
    changed = {
        "conversions": 3,
        "frame.words_per_lane": 2,
        "frame.word_bits": 2,
        "barrier.return.style": "packets",
        "barrier.return.packet_bits": 3,
        "barrier.return.overhead_bits": 2,
        "barrier.return.line_rate": "5 Mbit/s",
    }
    assert rows_of(chain(changed)) == timetable("""
        0 0 0  1000 1010 1210  2280 2280 2886  2986 3146 delivered
        0 0 1  1000 1010 1210  2280 2880 2886  2986 3146 delivered
        1 0 0  2000 2010 2210  3880 3880 4486  4586 4746 delivered
        1 0 1  2000 2010 2210  3880 4480 4486  4586 4746 delivered
        2 0 0  3000 3010 3210  5480 5480 6086  6186 6346 delivered
        2 0 1  3000 3010 3210  5480 6080 6086  6186 6346 delivered
    """)


def test_packets_of_a_lane_never_overtake_across_frames(recording):
    """One packet a frame, 40 on the line: frame 0's is off it at 1325 and takes 15 + 1500.

    Frame 1's, off at 2325, would come at 2340, and comes with it at 2840.
    """
    changed = {
        "conversions": 2,
        "barrier.return.style": "packets",
        "barrier.return.packet_bits": 4,
        "barrier.return.line_rate": "100 Mbit/s",
        "barrier.return.jitter": recording([1500, 0]),
    }
    assert rows_of(chain(changed)) == timetable("""
        0 0 0  1000 1010 1210  2840 2840 2846  2946 3106 delivered
        1 0 0  2000 2010 2210  2840 2840 2846  3206 3366 delivered
    """)


def test_one_late_lane_underruns_for_all():
    """Released with two bits of lane 1 at 1267 + 4 and read at 100 MHz: 1276, 1286, 1296, 1306.

    Lane 0's last bit comes at 1300, in time; lane 1's at 1307, 1 too late.
    """
    changed = {
        "frame.lanes": 2,
        "barrier.return.channel_skew": ["0 ns", "7 ns"],
        "fifo.release_bits": 2,
        "fifo.sync_delay": "4 ns",
        "host.clock": "100 MHz",
        "host.service_latency": "0 ns",
    }
    assert rows_of(chain(changed)) == timetable("""
        0 0 0  1000 1010 1210  1240 1300 1271  1271 1311 underrun
        0 1 0  1000 1010 1210  1247 1307 1271  1271 1311 underrun
    """)


def test_two_lanes_with_skew_are_released_by_the_later_one():
    """Lane 1 is 7 late: its last bit comes at 1307, the release at 1313."""
    changed = {"frame.lanes": 2, "barrier.return.channel_skew": ["0 ns", "7 ns"]}
    assert rows_of(chain(changed)) == timetable("""
        0 0 0  1000 1010 1210  1240 1300 1313  1413 1573 delivered
        0 1 0  1000 1010 1210  1247 1307 1313  1413 1573 delivered
    """)


def test_bits_of_a_lane_never_overtake_within_a_frame_or_across(recording):
    """Bit 0 of frame 0 is 30 late: it and bit 1 come at 1270. Its bit 3 is 1000 late, at 2300.

    So all of frame 1 comes at 2300 with it. Both are released at 2306, and read in turn.
    """
    changed = {
        "conversions": 2,
        "barrier.return.jitter": recording([30, 0, 0, 1000, 0, 0, 0, 0]),
        "barrier.return.strobe": False,
    }
    assert rows_of(chain(changed)) == timetable("""
        0 0 0  1000 1010 1210  1270 2300 2306  2406 2566 delivered
        1 0 0  2000 2010 2210  2300 2300 2306  2666 2826 delivered
    """)
    pushes = in_ns(trace(chain(changed)).of("fifo.push[0]"))
    assert [time for time, _ in pushes[:4]] == [1270, 1270, 1280, 2300]


def test_a_release_is_no_earlier_than_the_one_ahead(recording):
    """Frame 0's synchroniser takes 1500, frame 1's 6: 2800 for both, not 2306 for frame 1.

    Frame 0 is served from 2800, frame 1 when that read ends, at 3060.
    """
    changed = {"conversions": 2, "fifo.sync_delay": recording([1500, 6])}
    assert rows_of(chain(changed)) == timetable("""
        0 0 0  1000 1010 1210  1240 1300 2800  2900 3060 delivered
        1 0 0  2000 2010 2210  2240 2300 2800  3160 3320 delivered
    """)


def test_whole_capture_takes_each_bit_half_a_period_later():
    """Captures at the falling edges, 1235, 1255, 1275, 1295; pushes 1250-1310, release 1316."""
    assert rows_of(chain({"remote_clock.capture": "whole"})) == timetable("""
        0 0 0  1000 1010 1210  1250 1310 1316  1416 1576 delivered
    """)


# Wrong bits


@pytest.mark.parametrize(("setup", "fate"), [("1 ns", "delivered"), ("2 ns", "corrupted")])
def test_bit_0_is_wrong_if_it_is_valid_too_late(setup, fate):
    """Busy falls at 1210 and bit 0 is captured at 1225: 14 + 1 are in time, 14 + 2 are not."""
    scenario = chain({"converter.msb_valid": "14 ns", "remote_clock.setup": setup})
    assert rows_of(scenario) == timetable(UNTROUBLED + fate)
    first = -1 if fate == "corrupted" else 0
    assert [value for _, value in trace(scenario).of("remote.capture")] == [first, 1, 2, 3]


@pytest.mark.parametrize(("setup", "fate"), [("2 ns", "delivered"), ("3 ns", "corrupted")])
def test_later_bits_are_wrong_if_they_are_valid_too_late(setup, fate):
    """Launched at 1235 and captured at 1245: 8 + 2 are in time, 8 + 3 are not."""
    scenario = chain({"converter.data_valid": "8 ns", "remote_clock.setup": setup})
    assert rows_of(scenario) == timetable(UNTROUBLED + fate)
    wrong = fate == "corrupted"
    bits = [0, -2, -3, -4] if wrong else [0, 1, 2, 3]
    assert [value for _, value in trace(scenario).of("remote.capture")] == bits


@pytest.mark.parametrize(("hold", "fate"), [(12, "delivered"), (13, "corrupted")])
def test_bits_are_wrong_if_they_are_gone_too_early(recording, hold, fate):
    """Captured at 1225, launched over at 1235 and held 2 more: a hold of 12 is met, 13 is not.

    A hold that no unit could meet is refused at load time, so the scenario has a second row.
    """
    scenario = chain(
        {"converter.data_hold": "2 ns", "remote_clock.hold": recording([hold, 0])},
    )
    assert rows_of(scenario) == timetable(UNTROUBLED + fate)


def test_an_underrun_goes_before_a_wrong_bit_and_an_overrun_before_both():
    """Bits too late, taken too early: underrun. With one slot, frame 1 overruns frame 0's."""
    changed = {
        "conversions": 2,
        "converter.data_valid": "11 ns",
        "fifo.depth": 1,
        "fifo.release_bits": 1,
        "host.clock": "2.5 MHz",
        "host.service_latency": "0 ns",
    }
    # Read from 1246 at 400 ns a bit: taken at 1446 and later, so no underrun, but wrong.
    assert rows_of(chain(changed)) == timetable("""
        0 0 0  1000 1010 1210  1240 1300 1246  1246 2846 corrupted
        1 0 0  2000 2010 2210  -    -    -     -    -    overrun
    """)
    # Read from 1246 at 10 ns a bit: bit 2 is taken at 1271 and comes at 1280.
    changed |= {"host.clock": "100 MHz", "conversions": 1}
    assert rows_of(chain(changed)) == timetable("""
        0 0 0  1000 1010 1210  1240 1300 1246  1246 1286 underrun
    """)


def test_a_frame_that_never_gets_a_credit_is_not_received():
    """Edges alone are noticed: frame 0's release (2306) comes after trigger 1 has left (2000).

    So it waits with the only slot, and frame 1 is ready but held back for ever. Its trigger left
    no later one behind it, but it is never released.
    """
    changed = STALL | {"conversions": 2, "fifo.sync_delay": "1006 ns", "host.interrupt": "edge"}
    assert rows_of(chain(changed)) == timetable("""
        0 0 0  1000 1010 1210  1240 1300 2306  -    -    in_flight
        1 0 0  2000 2010 2210  -    -    -     -    -    not_received
    """)


def test_the_times_of_words_are_their_own():
    """Two words of two bits on each of two lanes, lane 1 7 late: bits 0 and 1, then 2 and 3."""
    changed = {
        "frame.lanes": 2,
        "frame.words_per_lane": 2,
        "frame.word_bits": 2,
        "barrier.return.channel_skew": ["0 ns", "7 ns"],
    }
    assert rows_of(chain(changed)) == timetable("""
        0 0 0  1000 1010 1210  1240 1260 1313  1413 1573 delivered
        0 0 1  1000 1010 1210  1280 1300 1313  1413 1573 delivered
        0 1 0  1000 1010 1210  1247 1267 1313  1413 1573 delivered
        0 1 1  1000 1010 1210  1287 1307 1313  1413 1573 delivered
    """)


def test_the_filling_that_a_frame_finds():
    """A latency of 1400 and a read of 160: frame 0 is read 2706-2866, frame 1 4266-4426.

    The frames arrive at 1240, 2240 (0 is there), 3240 (1 is) and 4240 (1 and 2 are).
    """
    changed = {"conversions": 4, "fifo.depth": 4, "host.service_latency": "1400 ns"}
    found = record(chain(changed))
    assert found.occupancy_at_arrival[0].tolist() == [0, 1, 1, 2]
