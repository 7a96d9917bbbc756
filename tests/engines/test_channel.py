"""The channel of the event engine: order, delays, clocks and data lines, by hand."""

from __future__ import annotations

import numpy as np
import pytest

from simlink.base.instants import FAR, NEVER
from simlink.engines.event.channel import Channel
from simlink.engines.event.clockwork import ARRIVE, Clockwork
from simlink.engines.event.frame import EdgeJitter, Trial
from simlink.engines.event.wiring import blank
from simlink.link import unit
from tests.engines.chain import chain


class Far:
    """The far end of a channel."""

    def __init__(self, **values):
        self.env = Clockwork()
        self.came = []
        self.channel = Channel(self.env, ARRIVE, deliver=self.take, **values)

    def take(self, subject, part):
        self.came.append((self.env.now, subject, part))


def test_a_symbol_arrives_after_the_static_part_and_its_jitter():
    far = Far(static=14)
    far.channel.send("a", 0, 3, 100)
    far.channel.send("b", 1, -20, 200)
    far.env.run()
    assert far.came == [(117, "a", 0), (200, "b", 1)]


def test_no_symbol_overtakes_another():
    far = Far(static=10)
    for number, jitter in enumerate([8, -5, 3]):
        far.channel.send(None, number, jitter, 100 + number)
    far.env.run()
    assert far.came == [(118, None, 0), (118, None, 1), (118, None, 2)]


def test_a_falling_edge_takes_the_distortion_on_top():
    far = Far(static=10, distortion=-4)
    far.channel.send(None, "rise", 0, 100)
    far.channel.send_falling(None, "fall", 0, 120)
    far.env.run()
    assert far.came == [(110, None, "rise"), (126, None, "fall")]


@pytest.mark.parametrize(("most", "delivered"), [(4, [110, 115, 150, 155]), (1, [110]), (0, [])])
def test_a_clock_comes_out_without_its_short_pulses(most, delivered):
    """High pulses of 10, 3 and 10 come out 5 shorter; the channel passes 4 and more."""
    far = Far(static=10, distortion=-5, min_pulse=4)
    came = far.channel.send_clock("read", [100, 110, 125, 128, 140, 150], [0] * 6, most)
    assert came == [110, 115, 150, 155]
    far.env.run()
    assert far.came == [(time, "read", number) for number, time in enumerate(delivered)]
    # The next edge may not overtake even those that were swallowed.
    assert far.channel.ahead == 155


def test_clocks_in_a_row_come_out_as_each_by_itself():
    """The second begins before the first has come out; 3 of low and 0 of high are too short."""
    clocks = [[100, 110, 125, 128, 140, 150], [152, 160, 161, 170, 180, 184]]
    jitter = [[0, 0, 0, 0, 0, 9], [0, 3, 0, 0, 0, 1]]
    values = {"static": 10, "distortion": -5, "min_pulse": 4}
    one, many = Far(**values).channel, Far(**values).channel
    each = [one.send_clock("read", *clock, 0) for clock in zip(clocks, jitter, strict=True)]
    came, counts = many.clocks(np.array(clocks), np.array(jitter))
    assert [row[:count].tolist() for row, count in zip(came, counts, strict=True)] == each
    assert each == [[110, 115, 150, 164], [164, 175]]
    assert many.ahead == one.ahead


@pytest.mark.parametrize(("distortion", "slow", "fast"), [(4, 4, 0), (-4, 0, -4)])
def test_a_data_line_counts_the_slower_edge_for_the_start_and_the_faster_for_the_end(
    distortion, slow, fast
):
    lane = Far(static=10, distortion=distortion).channel
    valid, until = lane.carry([100, 120, FAR], [115, 135, FAR], [0, 1, 2, 3], NEVER)
    assert valid == [110 + slow, 131 + slow, FAR]
    assert until == [126 + fast, 147 + fast, FAR]


def test_nothing_on_a_data_line_comes_before_its_last_change():
    lane = Far(static=10).channel
    assert lane.carry([100, 120], [115, 135], [0, 0, 0], 128) == ([128, 130], [128, 145])


def jitter_of(scenario):
    made = Trial(scenario, unit.build(scenario, range(1)), 0, blank(scenario, 0, words=False))
    law = scenario.barrier.direction("return").jitter
    return EdgeJitter(made, law, ["one", "other"], 3)


def test_jitter_of_a_frame_that_lies_behind_is_refused():
    """Draws are kept 512 frames at a time."""
    raw = {"barrier.return.jitter": {"shape": "normal", "mean": "0 ps", "sigma": "3 ps"}}
    forward, again = (jitter_of(chain(raw)) for _ in range(2))
    rows = [forward(index) for index in (0, 511, 511, 512, 512, 1030)]
    assert rows[1] == rows[2]
    assert len({str(row) for row in rows}) == 4
    with pytest.raises(ValueError, match="frame 1000 is asked for after"):
        forward(1000)
    # The draw of a frame does not depend on which others were asked for.
    assert again(1030) == rows[-1]


def test_jitter_that_is_the_same_for_all_may_be_asked_for_in_any_order():
    same = jitter_of(chain({"barrier.return.jitter": "1 ns"}))
    assert same(600) == same(1) == [[10**6] * 3] * 2
