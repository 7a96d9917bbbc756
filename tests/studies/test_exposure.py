"""One event at each instant of a conversion, beside the closed form and beside words by hand."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from simlink.base.cautions import CAUTIONS
from simlink.base.errors import InputError
from simlink.base.version import __version__
from simlink.cli import app
from simlink.engines.event.wiring import watched
from simlink.link.eft import above, steepest
from simlink.scenario.loading import load
from simlink.studies.exposing import TARGET, exposure, undisturbed
from simlink.studies.exposure import MENDED, MISALIGNED, UNHARMED, WRONG
from simlink.studies.exposure_map import exposure_map
from tests.link.test_exposed import NS, made

SHIPPED = sorted((Path(__file__).parents[2] / "scenarios").glob("*.toml"))
SLEW = {"slew": "80 kV/us", "swing": "400 V"}


@pytest.mark.parametrize("path", SHIPPED, ids=lambda path: path.stem)
def test_the_closed_form_is_what_is_simulated(path):
    """Within a step of the grid for each stretch into which a channel's time falls."""
    scenario = load(path).with_values({"barrier.slew_immunity": "50 kV/us", "transient": None})
    # Events long enough for the symbols of a channel to run into each other keep the grid coarse.
    found = exposure(scenario, slew="80 kV/us", swing="24 kV", steps=60)
    assert found.channels
    for one in found.channels:
        assert abs(found.simulated(one.channel) - one.time) <= found.step * one.stretches, one


@pytest.fixture(scope="module")
def plain():
    return exposure(made()[0], steps=500, **SLEW)


def test_words_by_hand(plain):
    """Of 2.5 us a period: 14 ns across and 5 ns long, 700 ns of conversion, 18 bits 25 ns apart."""
    assert plain.length == 5 * NS
    assert plain.period == 2500 * NS

    def at(ns):
        return min(plain.moments, key=lambda one: abs(one.offset - ns * NS))

    # In the crossing of the trigger the conversion never begins, and the next frame is taken to
    # answer its trigger, and so on: a frame is read 1176 + 1000 + 360 ns after its trigger, when
    # the next one has been sent, so that the link is never idle.
    assert at(5).outcomes == ("not received", MISALIGNED, MISALIGNED)
    assert at(5).told == (False, False, False)
    assert at(5).hit == {"trigger"}
    # While the converter converts nothing crosses.
    assert not at(300).harms
    # Bit 4 is captured at 714 + 4.5 x 25 ns and is 12 ns on its way; its strobe half a period on.
    assert at(714 + 112.5 + 5).hit == {"lane 0"}
    assert at(714 + 112.5 + 5).outcomes == (WRONG, UNHARMED, UNHARMED)
    assert at(714 + 112.5 + 5).said(0) == "wrong bits, not told"
    assert at(714 + 112.5 + 12.5 + 5).hit == {"strobe"}
    # Without it the frame ends short, one bit after busy fell to no release.
    assert at(714 + 112.5 + 12.5 + 5).outcomes == ("not received", MISALIGNED, MISALIGNED)
    assert at(714 + 112.5 + 12.5 + 5).told == (True, False, False)
    # Before the next trigger all is over.
    assert not at(2000).harms
    assert at(2500 + 7).outcomes == (UNHARMED, "not received", MISALIGNED)


def test_the_quiet_stretch_is_from_the_last_bit_to_the_next_trigger(plain):
    start, end = plain.quiet
    # The last bit's strobe leaves at 714 + 18 x 25 ns and is there 12 ns later.
    assert start == pytest.approx((714 + 450 + 12) * NS, abs=2 * plain.step)
    assert end == pytest.approx((2500 - 5) * NS, abs=2 * plain.step)
    # Nothing varies here, so that it is safe in every conversion, to the femtosecond: the strobe of
    # bit 17 leaves as the clock ends, and the next trigger after 2500 ns.
    assert plain.safe == ((714 + 450 + 12) * NS, (2500 - 5) * NS)
    assert plain.advised == plain.safe
    assert "keep such edges between 1.176 us and 2.495 us after a trigger" in plain.sentence
    assert "at least 80 kV/us" in plain.sentence


def test_of_two_safe_stretches_the_longer_one_is_advised():
    """Triggers 1.6 us apart leave 419 ns behind the last bit's strobe. While the converter converts
    it is 14 ns to 714 + 12.5 - 5 ns, from the trigger's arrival to 5 ns before bit 0 leaves."""
    found = exposure(made(**{"trigger.rate": "625 kHz"})[0], steps=20, **SLEW)
    assert found.safe == (14 * NS, 721_500_000)


def lasts(found, said):
    """For how long an event may begin so that this becomes of the conversion, in ns."""
    return found.step * sum(one.said(0) == said for one in found.moments) / NS


#: Of 2 us a period: 16 bits 25 ns apart, an 80th of the period, each 10 ns across.
BEATING = {
    "trigger.rate": "500 kHz",
    "frame.word_bits": 16,
    "barrier.forward.delay": "10 ns",
    "barrier.return.delay": "10 ns",
}


@pytest.mark.parametrize("clock", ["40 MHz", "20 MHz", "25 MHz"])
@pytest.mark.parametrize("rate", ["500 kHz", "400 kHz"])
def test_the_steps_taken_by_default_do_not_beat_against_the_clock(clock, rate):
    """An event of 5 ns hits each bit, and each strobe, for 15 ns: 16 of them for 240 ns."""
    changed = {"remote_clock.frequency": clock, "trigger.rate": rate}
    found = exposure(made(**{**BEATING, **changed})[0], **SLEW)
    assert found.step < 2 * NS
    for one in found.channels:
        assert one.time == (15 if one.channel == "trigger" else 240) * NS
        # An end of each bit falls on another part of a step.
        assert abs(found.simulated(one.channel) - one.time) <= 2 * found.step, one


def test_shares_are_right_where_a_200th_of_the_period_beats_against_the_clock():
    """Strobes follow their bits by half a bit, 12.5 ns, so that of the 15 ns in which a bit is hit
    2.5 ns at either end are the strobe's before and its own: 10 ns are left, and 12.5 of bit 0."""
    found = exposure(made(**BEATING)[0], **SLEW)
    assert lasts(found, "wrong bits, not told") == pytest.approx(162.5, abs=2 * found.step / NS)
    assert lasts(found, "not received, told") == pytest.approx(240, abs=2 * found.step / NS)
    # Trigger for 15 ns, and from 5 ns ahead of bit 0 to 10 ns after the last strobe, 15.5 bits on.
    wanted = 15 + 5 + 15.5 * 25 + 10
    assert found.harmful / NS == pytest.approx(wanted, abs=2 * found.step / NS)
    beats = exposure(made(**BEATING)[0], steps=200, **SLEW)
    assert lasts(beats, "wrong bits, not told") == 240


def test_what_is_mended_is_found_between_what_is_not():
    """3333.3 ns a period; 24 bits with their check, each hit for 10 + 5 + 5 ns, its strobe too: 7.5
    ns at either end of a bit's 20 ns are its neighbours', and 5 are left, but 12.5 of bit 0."""
    check = {
        "trigger.rate": "300 kHz",
        "barrier.recovery": "5 ns",
        "check.kind": "crc",
        "check.width": 8,
        "check.polynomial": 7,
        "check.on_failure": "repeat",
        "check.kept_frames": 2,
        "check.repeat_timeout": "1 us",
    }
    found = exposure(made(**{**BEATING, **check})[0], **SLEW)
    assert lasts(found, MENDED) == pytest.approx(24 * 5 + 7.5, abs=2 * found.step / NS)
    assert found.harmful / NS == pytest.approx(20 + 24 * 20, abs=2 * found.step / NS)


def test_how_finely_it_was_looked_at_is_said():
    """A bit is hit for 15 ns: two steps of 7.5 ns may be relied on, of 8 ns not."""
    coarse, fine = (exposure(made(**BEATING)[0], steps=steps, **SLEW) for steps in (250, 267))
    assert f"in {100 * coarse.harmful / coarse.period:.3g} % of the trigger period, looked at " in (
        coarse.sentence
    )
    assert "looked at every 8 ns; keep such edges" in coarse.sentence
    assert "in which a channel is hit last 15 ns: a finer grid (--steps)" in coarse.sampled
    assert (
        fine.sampled == "Times are counted in such steps; what lasts less than one may be missed."
    )


def test_of_a_long_period_the_default_steps_are_as_many_as_may_be():
    """1 ms: 17 ns of a bit, of which no 20 000 steps can have two."""
    found = exposure(made(**{"trigger.rate": "1 kHz"})[0], **SLEW)
    assert 17_000 < len(found.moments) <= 20_000
    assert "in which a channel is hit last 17 ns" in found.sampled
    # Bits of one event each are hit or not by where they fall: for 306 ns on average.
    for one in found.channels:
        assert abs(found.simulated(one.channel) - one.time) <= 2 * found.step


def test_the_study_as_json_holds_it(plain):
    """Times in seconds, slews in V/s and the swing in V: 500 steps of 2.5 us."""
    said = plain.to_dict()
    moments = said.pop("moments")
    assert said.pop("harmful") == plain.harmful / 1e15
    assert said.pop("quiet") == [one / 1e15 for one in plain.quiet]
    assert said == {
        "title": plain.scenario.title,
        "scheme": "remote_master",
        "seed": plain.scenario.seed,
        "unit": 0,
        "version": __version__,
        "slew": 80e9,
        "swing": 400,
        "length": 5e-9,
        "immunity": {"forward": 50e9, "return": 50e9},
        "period": 2.5e-6,
        "step": 5e-9,
        "answer": plain.sentence,
        "safe": pytest.approx([1.176e-6, 2.495e-6]),
        "immunity_assumed": False,
        "channels": plain.table.to_dict("records"),
        "cautions": CAUTIONS,
    }
    assert list(plain.table) == [
        "channel", "direction", "symbols", "simulated", "closed_form", "share_of_period"
    ]  # fmt: skip
    told = min(moments, key=lambda one: abs(one["offset"] - 844e-9))
    assert list(told) == ["offset", "hit", "outcomes", "told"]
    assert told["hit"] == ["strobe"]
    assert told["outcomes"] == ["not received", MISALIGNED, MISALIGNED]
    assert told["told"] == [True, False, False]


def test_below_the_immunity_nothing_is_upset():
    found = exposure(made()[0], slew="50 kV/us", swing="400 V", steps=40)
    assert not found.upsets
    assert not found.harmful
    assert found.sentence == (
        "On board 0 an event of 50 kV/us upsets nothing: its immunity is 50 kV/us."
    )
    assert found.channels == []


def test_an_immunity_of_one_direction_leaves_the_other_alone():
    scenario = made(**{"barrier.forward.slew_immunity": "100 kV/us"})[0]
    found = exposure(scenario, steps=100, **SLEW)
    assert {one.channel for one in found.channels} == {"lane 0", "strobe"}
    assert not any("trigger" in one.hit for one in found.moments)


def test_an_event_that_outlasts_the_period_leaves_no_safe_instant():
    found = exposure(made()[0], slew="80 kV/us", swing="400 kV", steps=40)
    assert found.quiet is None
    assert "no instant is safe" in found.sentence
    assert "an immunity" not in found.sentence


def test_event_and_immunity_are_asked_for():
    with pytest.raises(InputError, match=r"--slew: missing, and no \[\[transient\]\]"):
        exposure(made()[0])
    with pytest.raises(InputError, match=r"slew_immunity: missing.*assumed by --immunity"):
        exposure(made(**{"barrier.slew_immunity": None})[0], **SLEW)
    with pytest.raises(InputError, match='--swing: got "4 A"'):
        exposure(made()[0], slew="80 kV/us", swing="4 A")
    for steps in (1, 20_001):
        with pytest.raises(InputError) as error:
            exposure(made()[0], steps=steps, **SLEW)
        assert str(error.value) == f"--steps: got {steps}; a whole number from 2 to 20000"
    with pytest.raises(InputError, match="trial"):
        exposure(made()[0], trial=10**6, **SLEW)


@pytest.mark.parametrize(
    ("way", "hit"), [("forward", {"trigger"}), ("return", {"lane 0", "strobe"})]
)
def test_one_direction_may_be_all_that_is_upset(way, hit):
    alone = {"barrier.slew_immunity": None, f"barrier.{way}.slew_immunity": "50 kV/us"}
    found = exposure(made(**alone)[0], steps=20, **SLEW)
    assert found.immunity == {way: 50e9}
    assert {one.channel for one in found.channels} == hit


def test_progress_counts_the_instants():
    told = []
    found = exposure(made()[0], steps=10, progress=lambda *now: told.append(now), **SLEW)
    count = len(found.moments)
    assert told == [(number, count) for number in range(1, count + 1)]


def test_an_event_may_have_too_many_instants_for_the_steps(monkeypatch):
    """Steps of 250 ns: from the one before the trigger to the twelfth, 2.5 us and a read on."""
    monkeypatch.setattr("simlink.studies.exposing.MOST_STEPS", 10)
    with pytest.raises(InputError) as error:
        exposure(made()[0], steps=10, **SLEW)
    assert str(error.value) == "--steps: got 10; fewer: the event's 12 instants are over 10"


def test_the_first_source_of_the_scenario_is_the_event(tmp_path):
    source = {"kind": "poisson", "rate": "1 kHz", "slew": "60 kV/us", "swing": "300 V"}
    file = tmp_path / "beside.toml"
    file.write_text(made(transient=[source])[0].to_toml())
    words = ["exposure", str(file), "--steps", "60", "--out", str(tmp_path / "out")]
    done = CliRunner().invoke(app, words)
    assert done.exit_code == 0, done.output
    assert "60 kV/us" in done.stdout
    assert "Cautions" in done.stdout
    names = ["exposure.csv", "exposure.json", "exposure.png", "exposure.svg"]
    assert sorted(one.name for one in (tmp_path / "out").iterdir()) == names
    kept = json.loads((tmp_path / "out" / "exposure.json").read_text())
    assert kept["slew"] == 60e9
    assert kept["length"] == 5e-9
    again = CliRunner().invoke(app, [*words[:4], "--json"])
    assert again.stdout == (tmp_path / "out" / "exposure.json").read_text()


# --- the advice, on scenarios made to break it ---

UNEVEN = {
    "wide conversion time": {
        "converter.conversion_time": {"shape": "uniform", "low": "500 ns", "high": "1500 ns"},
    },
    "early triggers": {"trigger.jitter": {"shape": "uniform", "low": "-150 ns", "high": "150 ns"}},
    "slow start": {"remote_clock.start_delay": {"shape": "exponential", "mean": "100 ns"}},
    "late reads of a forwarded clock": {
        "link.scheme": "forwarded_clock",
        "trigger.rate": "150 kHz",
        "host.service_latency": {"shape": "uniform", "low": "200 ns", "high": "2 us"},
    },
    "reads beyond the period": {
        "link.scheme": "returned_clock",
        "trigger.rate": "400 kHz",
        "host.service_latency": {"shape": "uniform", "low": "1300 ns", "high": "1400 ns"},
    },
    "credits": {
        "fifo.when_full": "stall",
        "host.service_latency": {"shape": "uniform", "low": "100 ns", "high": "900 ns"},
    },
    "packets": {
        "barrier.return.style": "packets",
        "barrier.return.packet_bits": 6,
        "barrier.return.overhead_bits": 2,
        "barrier.return.line_rate": "60 Mbit/s",
        "converter.conversion_time": {"shape": "uniform", "low": "500 ns", "high": "900 ns"},
    },
}


@pytest.mark.parametrize("case", UNEVEN)
@pytest.mark.parametrize("seed", [1, 2])
def test_an_edge_in_every_conversion_where_it_is_advised_harms_nothing(case, seed):
    """At the beginning, in the middle and at the end of the advised stretch of each period."""
    scenario = made(**UNEVEN[case], seed=seed, conversions=80, trials=1)[0]
    found = exposure(scenario, steps=150, **SLEW)
    if found.safe is None:
        assert "no instant is safe" in found.sentence
        return
    calm, _ = watched(scenario, 0)
    start, end = found.safe
    for at in (start, (start + end) // 2, end, *(found.advised or ())):
        times = [f"{int(one) + at} fs" for one in calm.trigger[0]]
        event = {"kind": "at", "times": times, **SLEW}
        block, met = watched(scenario.with_value("transient", [event]), 0)
        assert met == []
        assert block.same_as(calm)


def test_some_of_them_have_a_safe_stretch_and_some_have_none():
    """Else the test above would say nothing."""
    safe = {
        case: exposure(made(**more, seed=1, conversions=80)[0], steps=150, **SLEW).safe
        for case, more in UNEVEN.items()
    }
    assert sum(one is not None for one in safe.values()) >= 4


def test_what_the_immunity_has_to_withstand_is_the_fastest_event():
    """Not the mean that is looked at, nor a figure rounded down."""
    slew = {"shape": "uniform", "low": "60 kV/us", "high": "123.41 kV/us"}
    source = {"kind": "poisson", "rate": "1 kHz", "slew": slew, "swing": "400 V"}
    found = exposure(made(transient=[source])[0], steps=60)
    assert found.slew < 92e9
    assert "at least 124 kV/us is enough for every event, of 123.4 kV/us" in found.sentence
    immune = made(transient=[source], **{"barrier.slew_immunity": "124 kV/us"})[0]
    assert not exposure(immune, steps=60, slew="123.41 kV/us", swing="400 V").upsets
    slew = {"shape": "exponential", "mean": "90 kV/us"}
    found = exposure(made(transient=[{**source, "slew": slew}])[0], steps=60)
    assert "no slew immunity is enough for every event" in found.sentence
    given = exposure(made(transient=[{**source, "slew": slew}])[0], steps=60, **SLEW)
    assert given.sentence.endswith("a slew immunity of at least 80 kV/us is enough.")


@pytest.mark.parametrize(
    "trigger",
    [
        {"trigger.pattern": "poisson", "trigger.rate": "300 kHz"},
        {"trigger.pattern": "after_read", "trigger.rate": None, "trigger.gap": "2 us",
         "host.timeout": "50 us"},
    ],
)  # fmt: skip
def test_no_place_is_advised_where_triggers_do_not_come_evenly(trigger):
    found = exposure(made(**trigger)[0], steps=60, **SLEW)
    assert "as triggers do not come evenly, no other time is safe" in found.sentence
    assert "trigger period" not in found.sentence
    assert "keep such edges" not in found.sentence


def test_what_harms_is_counted_once_though_it_is_seen_in_two_conversions(plain):
    """14 + 5 ns of the trigger, and lane and strobe from 5 ns ahead of bit 0 to 12 after bit 17."""
    # Bits and strobes follow each other by 12.5 ns and are hit for 17 ns each: in one stretch.
    wanted = 19 + (17 * 25 + 12.5 + 12 + 5)
    assert plain.harmful / NS == pytest.approx(wanted, abs=2 * plain.step / NS)


def test_an_immunity_may_be_assumed_and_is_said_to_be():
    bare = made(**{"barrier.slew_immunity": None})[0]
    found = exposure(bare, steps=60, immunity="70 kV/us", **SLEW)
    assert found.upsets
    assert found.sentence.startswith(
        "On board 0, of which an immunity of 70 kV/us is assumed, an event of 80 kV/us"
    )
    assert found.to_dict()["immunity_assumed"]
    calm = exposure(bare, steps=60, immunity="80 kV/us", **SLEW)
    assert not calm.upsets
    with pytest.raises(InputError, match='--immunity: got "4 V"'):
        exposure(bare, immunity="4 V", **SLEW)


def test_a_pulse_of_a_burst_is_an_event_as_steep_as_it_and_as_long():
    """1 kV: 320 kV/us at the front's start; beyond 60 kV/us until the slope has fallen to it."""
    pulse = {"kind": "eft", "peak": "1 kV"}
    found = exposure(made(transient=[pulse], **{"barrier.slew_immunity": "60 kV/us"})[0], steps=60)
    (lasts,) = above(1000.0, 60e9)
    assert found.slew == pytest.approx(steepest(1000.0))
    assert found.length == pytest.approx(lasts[1], abs=2)
    # Nobody places what comes from outside; 1 kV x the slope at its start, to three digits above.
    assert "; one between " in found.sentence
    assert f"at least {-(-steepest(1000.0) // 10**9):.0f} kV/us" in found.sentence


@pytest.mark.parametrize("case", ["trigger", "lane 0", "strobe"])
def test_instants_that_are_known_without_a_run_are_as_a_run_has_them(plain, case):
    """Those at which nothing is met, a step beside those at which something is."""
    hit = [number for number, one in enumerate(plain.moments) if case in one.hit]
    scenario = undisturbed(made()[0])
    calm, _ = watched(scenario, 0)
    sent = int(calm.trigger[0, TARGET])
    for number in (hit[0] - 1, hit[-1] + 1):
        one = plain.moments[number]
        event = {"kind": "at", "times": [f"{sent + one.offset} fs"], **SLEW}
        block, _ = watched(scenario.with_value("transient", [event]), 0)
        assert bool(one.harms) != block.same_as(calm)


# --- maps ---


def test_a_map_over_slew_has_the_exposure_of_each():
    scenario = made()[0]
    found = exposure_map(scenario, slews="50 kV/us..90 kV/us in 3", swing="400 V", steps=60)
    assert [one.slew for one in found.rows] == [50 * 10**9, 70 * 10**9, 90 * 10**9]
    assert not found.rows[0].harmful
    alone = exposure(scenario, slew="70 kV/us", swing="400 V", steps=60)
    assert found.rows[1].moments == alone.moments
    assert found.sentence.startswith("On board 0 2 of 3 slews harm a word, the most at 70 kV/us")
    table = found.table
    assert table["upsets_for"].tolist() == pytest.approx([0, 400 / 70e9, 400 / 90e9], rel=1e-6)
    lost = table["this: not received, told"].tolist()
    assert lost[0] == 0
    # 18 strobes 25 ns apart, each hit for 12 ns and the event's length.
    for one, row in zip(lost[1:], found.rows[1:], strict=True):
        assert one == pytest.approx(18 * (12e-9 + row.length / 1e15), abs=18.5 * row.step / 1e15)


def test_a_map_over_length_has_windows_of_those_lengths():
    scenario = made(**{"barrier.recovery": "3 ns"})[0]
    found = exposure_map(scenario, lengths="5 ns, 20 ns", slew="80 kV/us", steps=60)
    assert [one.length for one in found.rows] == pytest.approx([5 * NS, 20 * NS], abs=1000)
    assert found.by == "length"
    assert len(found.moments_table) == sum(len(one.moments) for one in found.rows)
    with pytest.raises(InputError, match="longer than the recovery"):
        exposure_map(scenario, lengths="2 ns", slew="80 kV/us", steps=60)


def test_the_map_as_json_holds_it():
    found = exposure_map(made()[0], slews="50 kV/us, 80 kV/us", swing="400 V", steps=20)
    said = found.to_dict()
    rows = said.pop("rows")
    assert [one["slew"] for one in rows] == [50e9, 80e9]
    assert {one["unit"] for one in rows} == {0}
    (calm, harmed) = said.pop("table")
    assert set(calm) == set(harmed)
    kinds = set(calm) - {"slew", "upsets_for", "harmful", "share_of_period"}
    assert kinds == {
        "this: not received, told", "next_1: misaligned, not told", "next_2: misaligned, not told"
    }  # fmt: skip
    assert calm == {"slew": 50e9, **dict.fromkeys(set(calm) - {"slew"}, 0)}
    assert (harmed["slew"], harmed["upsets_for"]) == (80e9, 5e-9)
    assert harmed["harmful"] == found.rows[1].harmful / 1e15 > 0
    assert harmed["share_of_period"] == pytest.approx(harmed["harmful"] / 2.5e-6)
    assert said == {
        "title": "",
        "seed": 1,
        "unit": 0,
        "version": __version__,
        "by": "slew",
        "answer": found.sentence,
        "cautions": CAUTIONS,
    }
    assert found.sentence == (
        "On board 0 1 of 2 slews harm a word, the most at 80 kV/us: in "
        f"{100 * harmed['share_of_period']:.3g} % of the trigger period, looked at every 125 ns."
    )


@pytest.mark.parametrize(
    ("options", "said"),
    [
        ({}, "--slews: one of --slews and --lengths is wanted"),
        ({"slews": "60 kV/us", "lengths": "5 ns"},
         "--slews: one of --slews and --lengths is wanted"),
        ({"slews": "60 kV/us", "slew": "70 kV/us"}, '--slew: got "70 kV/us"; not with --slews'),
        ({"lengths": "5 ns", "swing": "4 V"},
         '--swing: got "4 V"; not with --lengths, which follow from it'),
        ({"slews": "60 kV/us..", "swing": "4 V"}, '--slews: got "60 kV/us.."; a range, such as '),
        ({"slews": "1 kV/us..100 kV/us in 41", "swing": "4 V"},
         '--slews: got "1 kV/us..100 kV/us in 41"; at most 40 values'),
        ({"lengths": "5 V", "slew": "60 kV/us"}, "--lengths: got "),
    ],
)  # fmt: skip
def test_options_of_a_map_are_checked(options, said):
    with pytest.raises(InputError) as error:
        exposure_map(made()[0], **options)
    assert str(error.value).startswith(said)


def test_the_command_makes_a_map(tmp_path):
    file = tmp_path / "map.toml"
    file.write_text(made()[0].to_toml())
    words = ["exposure", str(file), "--slews", "60 kV/us, 90 kV/us", "--swing", "400 V"]
    done = CliRunner().invoke(app, [*words, "--steps", "50", "--out", str(tmp_path / "out")])
    assert done.exit_code == 0, done.output
    assert "not received, told" in done.stdout
    assert "90 kV/us" in done.stdout
    assert "Cautions" in done.stdout
    names = [f"exposure-map.{kind}" for kind in ("csv", "json", "png", "svg")]
    assert sorted(one.name for one in (tmp_path / "out").iterdir()) == names


def test_a_check_and_a_counter_tell_of_every_harm():
    """A CRC fails for any single wrong bit, and the counter gives each frame its own trigger."""
    check = {
        "check.over": "frame",
        "check.kind": "crc",
        "check.width": 8,
        "check.polynomial": 7,
        "check.on_failure": "flag",
        "check.sequence_bits": 3,
        "host.realign": "sequence",
        "trigger.rate": "300 kHz",
    }
    found = exposure(made(**check)[0], steps=20, **SLEW)
    seen = {one.said(number) for one in found.moments for number in range(3)}
    assert seen == {UNHARMED, "not received, told", "wrong bits, told"}


def test_a_repeated_frame_mends_what_an_event_did_to_its_bits():
    """With time enough between triggers none but the lost trigger is left, told by the counter."""
    check = {
        "check.over": "frame",
        "check.kind": "crc",
        "check.width": 8,
        "check.polynomial": 7,
        "check.on_failure": "repeat",
        "check.kept_frames": 1,
        "check.repeat_timeout": "2 us",
        "check.sequence_bits": 3,
        "host.realign": "sequence",
        "trigger.rate": "100 kHz",
    }
    found = exposure(made(**check)[0], steps=200, **SLEW)
    seen = {one.said(number) for one in found.moments for number in range(3)}
    assert seen == {UNHARMED, MENDED, "not received, told"}
    # A bit of a lane that is hit is mended, and its own conversion alone; that harms no word.
    for one in found.moments:
        mended = one.outcomes[0] == MENDED
        assert mended is bool(one.hit and "trigger" not in one.hit and not one.harms)
        assert one.outcomes[1:] == (UNHARMED, UNHARMED)
        if mended:
            assert (one.said(0), one.told[0]) == (MENDED, False)
    for one in found.channels:
        times = sum(one.channel in moment.hit for moment in found.moments) * found.step
        assert abs(times - one.time) <= 2 * found.step * one.stretches
