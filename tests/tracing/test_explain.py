"""Sixteen losses made by hand: the cause that was built in is the cause that is said."""

import json
import re

import pytest
from typer.testing import CliRunner

import simlink
from simlink.base.errors import InputError
from simlink.cli import app
from simlink.scenario.loading import from_dict
from simlink.tracing.explain import explain
from simlink.tracing.finding import KINDS, WORST, find
from tests.budget.budget_cases import made
from tests.verdict.bottlenecks import BASES, REMOTE

STALLS = {"shape": "two_state", "normal": "300 ns", "stalled": "5000 ns", "spacing": 10}
ONCE = {"shape": "recorded", "column": "latency", "unit": "ns", "start": 0}
LANES = {"frame.lanes": 2, "barrier.return.delay": "20 ns"}


def case(fate, key, changes, *said, scheme="remote_master", margin=None):
    """Return the fate that is looked for, the key at fault, what is built, and what is said.

    The margin is in ns, from the hand calculation beside the case.
    """
    return pytest.param(scheme, fate, key, changes, said, margin, id=f"{fate}, {key}, {scheme}")


# The bases are worked out in `tests.verdict.bottlenecks`. In the remote one trigger k leaves at
# 2000 (k + 1) ns, its frame takes its slot 550 and is released 850 ns later; a service takes 300 ns
# and a read 400. In the two others triggers come every 4000 ns.
CASES = [
    # Service 10 begins at 22850 and reads from 27850 to 28250. Frame 12 arrives at 26550.
    case("overrun", "host.service_latency", {"fifo.depth": 2, "host.service_latency": STALLS},
         "its service began at 22.85 us with conversion 10 and took 5 us",
         "The next slot was freed at 28.25 us, 1.7 us too late", margin=-1700),
    # The same, but the frame that gives way is 11: 10 is in service.
    case("overrun", "host.service_latency",
         {"fifo.depth": 2, "host.service_latency": STALLS, "fifo.when_full": "drop_old"},
         "conversion 12 reached the FIFO at 26.55 us and took the slot of the oldest whole frame",
         "took 5 us"),
    # 400 ns to read and 1800 of latency for every 2000.
    case("overrun", "host.service_latency", {"host.service_latency": "1800 ns"},
         "takes 2.2 us for a frame, and triggers come every 2 us: it cannot catch up",
         "each with a latency of 1.8 us"),
    # 16 periods of 8 MHz are 2000 ns, and 300 of latency.
    case("overrun", "host.clock", {"host.clock": "8 MHz"}, "takes 2.3 us for a frame"),
    # Twelve triggers 1000 ns apart, each read 1400 ns long.
    case("overrun", "trigger.pattern",
         {"trigger.rate": "1 MHz", "host.clock": "11.43 MHz", "trigger.pattern": "burst",
          "trigger.gap": "20 us", "trigger.burst_length": 12, "host.service_latency": "0 ns"},
         "10 more triggers left, 1 us apart on average"),
    # Busy falls 1001 ns after its trigger, the next one having been sent at 1000.
    case("overrun", "host.interrupt",
         {"trigger.rate": "1 MHz", "host.interrupt": "edge", "fifo.sync_delay": "151 ns"},
         "The host was idle, though 4 released frames waited",
         "No slot was freed after that"),
    # Conversion 0 begins at 2010, is over at 3671, and its clock ends at 4011. Trigger 1: 4010.
    case("missed_trigger", "converter.conversion_time", {"converter.conversion_time": "1661 ns"},
         "reached the converter at 4.01 us, while that was still being read out", "1 ns too late",
         margin=-1),
    # 16 periods of 10.7 MHz: 1495 ns, of 1480 that are left.
    case("missed_trigger", "remote_clock.frequency", {"remote_clock.frequency": "10.7 MHz"},
         "still being read out for conversion 0"),
    # 500 ns of conversion, and triggers at random.
    case("missed_trigger", "trigger.pattern", {"trigger.pattern": "poisson"},
         "while that was still converting", "a period is 2 us on average"),
    # Both slots are taken until 28250, 10 ns later a credit comes; trigger 13 arrives at 28010.
    # The clock of conversion 12 ends 320 ns after its start, half a period after its last rise.
    case("missed_trigger", "host.service_latency",
         {"fifo.depth": 2, "host.service_latency": STALLS, "fifo.when_full": "stall"},
         "The remote master had been held back until 28.26 us", "took 5 us", margin=-570),
    # The clock's last edge arrives 500 + 12 + 1879 + 1600 + 10 ns after the trigger has.
    case("missed_trigger", "host.service_latency", {"host.service_latency": "1879 ns"},
         "took 1.879 us", scheme="forwarded_clock", margin=-1),
    # Released with 6 of 16 bits at 2650; bit 15 is taken 193.75 ns later, and comes at 2850.
    case("underrun", "fifo.release_bits",
         {"host.clock": "80 MHz", "host.service_latency": "0 ns", "fifo.release_bits": 6},
         "the host took bit 15 at 2.84375 us, and it came into the FIFO at 2.85 us",
         "6 of 16 bits being in", margin=-6.25),
    # 10 ns from launch to capture, 2 of setup.
    case("corrupted", "converter.data_valid", {"converter.data_valid": "8.1 ns"},
         "captured bit 1 at 2.56 us", "The bit became valid at 2.5581 us", "100 ps too late",
         margin=-0.1),
    # The strobe rises in the middle of a bit of 20 ns; lane 1 comes 10.1 ns late.
    case("corrupted", "barrier.return.channel_skew",
         {"barrier.return.channel_skew": ["0 ns", "10.1 ns"], "frame.lanes": 2},
         "the strobe took bit 0 of lane 1", "rose 100 ps before that"),
    # 26.9 + 8 + 12 + 3 of 50 ns: 27.1 are 100 ps too many.
    case("corrupted", "barrier.forward.delay", {"barrier.forward.delay": "27.1 ns"},
         "100 ps too late", scheme="forwarded_clock", margin=-0.1),
    # Released 850 ns after the trigger.
    case("timed_out", "host.timeout", {"host.timeout": "849 ns"},
         "gave conversion 0 of board 0 up at 2.849 us", "released at 2.85 us, 1 ns later",
         margin=-1),
]  # fmt: skip


@pytest.mark.parametrize(("scheme", "fate", "key", "changes", "said", "margin"), CASES)
def test_the_cause_that_was_built_in_is_the_cause_that_is_said(
    scheme, fate, key, changes, said, margin
):
    scenario = made(changes, BASES[scheme])
    found = explain(scenario, first=fate)
    assert found.cause == key, found.text
    assert "is at fault: " in found.because
    for one in said:
        assert one in found.text
    if margin is not None:
        assert found.margin == round(margin * 10**6)
    # Asked for by its number it is the same.
    same = explain(scenario, found.conversion, trial=found.trial)
    assert (same.steps, same.cause, same.fate) == (found.steps, found.cause, found.fate)
    # It is what the run has, and the first of its kind.
    assert (found.trial, found.conversion) == find(scenario, fate)
    # The picture shows it.
    assert found.conversion in found.shown
    assert 1 <= len(found.shown) <= 8


def test_there_are_sixteen_of_them():
    assert len(CASES) == 16


@pytest.mark.parametrize("number", [0, 9, 12])
def test_the_picture_shows_the_fate(number):
    scheme, fate, _, changes, _, _ = CASES[number].values
    found = explain(made(changes, BASES[scheme]), first=fate)
    view = found.diagram().layout.view
    assert view.conversions == found.shown
    fates = {index: met.word for index, _, met in view.fates}
    assert fates[found.conversion] == fate


def test_one_long_service_among_random_ones_is_told_beside_its_mean(tmp_path):
    """Of services of 100 to 500 ns one takes 6 us."""
    values = [100 + 40 * (i % 11) for i in range(200)]
    values[100] = 6000
    (tmp_path / "host.csv").write_text("latency\n" + "\n".join(map(str, values)) + "\n")
    law = ONCE | {"file": "host.csv"}
    scenario = made({"fifo.depth": 2, "host.service_latency": law}, REMOTE, tmp_path)
    found = explain(scenario, first="overrun")
    assert found.conversion == 102
    assert found.cause == "host.service_latency"
    mean = sum(values) / 200
    assert f"took 6 us ({6000 / mean:.2g} times the {mean:.4g} ns on average)" in found.text
    assert "with every one at its mean" in found.because


def test_a_delivered_word_has_no_cause():
    found = explain(from_dict(REMOTE), 5)
    assert (found.fate, found.cause, found.because) == ("delivered", "", "")
    # 850 ns to its release, 300 of latency, 400 of read.
    assert "1.55 us later" in found.text
    assert "850 ns to its release, 300 ns of service latency and 400 ns of read" in found.text


def test_the_latest_word_waited_behind_a_long_service():
    scenario = made({"fifo.depth": 8, "host.service_latency": STALLS}, REMOTE)
    found = explain(scenario, first="latest")
    # Its own service is the long one: 850 + 5000 + 400 ns.
    assert "6.25 us later" in found.text
    assert found.cause == "host.service_latency"
    behind = explain(scenario, found.conversion + 1)
    assert "of waiting for the host" in behind.text


def test_a_frame_that_waits_for_more_of_them_is_not_said_to_wait_for_the_host():
    """Released 850 ns after its trigger, frame 0 is read once those of 1, 2 and 3 are released:
    6000 ns, 300 of latency, 400 of read. That of 2 waits for 2000, and for 800 behind two more."""
    scenario = made({"host.watermark": 4}, REMOTE)
    found = explain(scenario, first="latest")
    assert found.conversion % 4 == 0
    assert found.steps[1:3] == (
        "It took 850 ns to its release, 6 us of waiting for 4 frames to be released, 300 ns of "
        "service latency and 400 ns of read.",
        f"A service begins with 4 frames: the last of them, of conversion {found.conversion + 3}, "
        f"was released at {8.85 + 2 * found.conversion:g} us.",
    )
    assert "waiting for the host" not in found.text
    assert "The host was serving" not in found.text
    assert found.cause == "host.watermark"
    assert found.shown == range(found.conversion, found.conversion + 4)
    assert (
        "850 ns to its release, 2 us of waiting for 4 frames to be released, 300 ns of service "
        "latency, 800 ns of waiting for the frames ahead and 400 ns of read."
    ) in explain(scenario, 2).text


def test_what_a_frame_waits_for_is_split_between_the_host_and_more_frames():
    """Service 0 takes 3 us: frames 0 and 1 are released at 2850 and 4850, and read from 7850 to
    8650. Frame 2 came at 6850; it waits 1800 ns for the host, and 200 for frame 3, at 8850."""
    scenario = made({"host.watermark": 2, "host.service_latency": "3 us"}, REMOTE)
    found = explain(scenario, 2)
    assert (
        "850 ns to its release, 1.8 us of waiting for the host, 200 ns of waiting for 2 frames to "
        "be released, 3 us of service latency and 400 ns of read."
    ) in found.text


def test_a_host_that_waits_for_a_falling_edge_is_said_to():
    """Busy falls 1001 ns after its trigger, the next one having left at 1000: no edge falls before
    the last trigger's, the fourth's. Triggers every 1000 ns from 1000 on, and four in all."""
    edge = {"trigger.rate": "1 MHz", "host.interrupt": "edge", "fifo.sync_delay": "151 ns"}
    found = explain(made({**edge, "conversions": 4}, REMOTE), 0)
    # Released at 2001 and served from 5001 on.
    assert "1.001 us to its release, 3 us of waiting for a falling edge of busy, " in found.text


@pytest.mark.parametrize(
    ("latency", "said", "late"),
    [
        # Busy falls at 4522; trigger 1 arrives at 8010. At 8122 it is high, and nothing is read ...
        ("3600 ns", "its latency took 3.6 us: it was over at 8.122 us, 112 ns too late.", 112),
        # ... and at 9122 it has fallen for frame 1, which is read.
        ("4600 ns", "its latency took 4.6 us: it was over at 9.122 us, 1.112 us too late.", 1112),
    ],
)
def test_the_service_that_came_too_late_for_a_frame_in_the_converter_is_told(latency, said, late):
    found = explain(made({"host.service_latency": latency}, BASES["forwarded_clock"]), 0)
    assert found.fate == "overrun"
    assert f"A service had begun at 4.522 us, and {said}" in found.steps
    assert found.margin == -late * 10**6


def test_a_frame_whose_clock_was_held_back_is_told_to_be():
    """The slots are taken until 28250 ns, and a credit takes 10; busy of 12 fell at 26510."""
    stalls = {"fifo.depth": 2, "host.service_latency": STALLS, "fifo.when_full": "stall"}
    found = explain(made(stalls, REMOTE), 12)
    # The clock starts at 28260: bit 15 is captured 310 later, and takes 10.
    assert "It took 2.58 us to its release, " in found.steps[1]
    assert found.steps[2] == "Busy had fallen at the converter at 26.51 us."
    assert found.steps[3].startswith("The remote master had been held back until 28.26 us: ")
    assert "held back" not in explain(made(stalls, REMOTE), 9).text


@pytest.mark.parametrize(
    ("bits", "said"),
    [
        # Bit 1 of lane 1 is captured at 2560, and comes 20 - 10.1 ns later; bit 0 is taken at 2570.
        (16, "The next bit, 1, came at 2.5699 us: the strobe rose 100 ps too late."),
        (1, "The last bit's period was over by then."),
    ],
)
def test_a_strobe_that_comes_after_the_bit_has_gone_is_told_beside_the_next_bit(bits, said):
    skewed = {**LANES, "barrier.return.channel_skew": ["0 ns", "-10.1 ns"], "frame.word_bits": bits}
    found = explain(made({**skewed, "fifo.release_bits": bits}, REMOTE), first="corrupted")
    assert "The bit came from its lane at 2.5499 us: the strobe rose 20.1 ns after that." in (
        found.steps
    )
    assert said in found.steps


def test_a_trigger_that_overtakes_the_one_ahead_is_said_to(tmp_path):
    """Due at 2000 and 4000 ns, they leave at 4100 and 4000."""
    values = [2100] + [0] * 300
    (tmp_path / "jitter.csv").write_text("jitter\n" + "\n".join(map(str, values)) + "\n")
    law = {**ONCE, "file": str(tmp_path / "jitter.csv"), "column": "jitter"}
    found = explain(made({"trigger.jitter": law}, REMOTE), 1)
    assert found.fate == "missed_trigger"
    assert (
        "Its trigger left 100 ns ahead of that one's, though due after it; a period is 2 us on "
        "average."
    ) in found.steps


def test_a_run_explains_its_words(tmp_path):
    scenario = made({"fifo.depth": 2, "host.service_latency": STALLS}, REMOTE)
    path = tmp_path / "stall.toml"
    path.write_text(scenario.to_toml())
    run = simlink.load(path).run()
    ledger = run.ledger
    lost = ledger[ledger.fate == "overrun"].iloc[0]
    found = run.explain(int(lost.conversion), trial=int(lost.trial))
    assert found == run.explain(first="overrun")
    assert found.to_dict()["margin"] == pytest.approx(-1.7e-6)


def test_the_command_tells_and_draws(tmp_path):
    scenario = made({"fifo.depth": 2, "host.service_latency": STALLS}, REMOTE)
    path, picture = tmp_path / "stall.toml", tmp_path / "why.svg"
    path.write_text(scenario.to_toml())
    words = ["explain", str(path), "--first", "overrun", "--out", str(picture)]
    result = CliRunner().invoke(app, words)
    assert result.exit_code == 0, result.output
    assert result.stdout.startswith("Board 0, conversion 12: overrun\n")
    assert "is at fault" in result.stdout
    assert picture.read_text().startswith("<?xml")
    result = CliRunner().invoke(app, ["explain", str(path), "--word", "12", "--json"])
    assert json.loads(result.stdout)["cause"] == "host.service_latency"


@pytest.mark.parametrize(
    ("words", "allowed"),
    [
        ([], "one of --word K and --first FATE"),
        (["--word", "1", "--first", "overrun"], "one of --word K and --first FATE"),
        (["--first", "overran"], "one of latest, missed_trigger, overrun"),
        (["--first", "overrun"], "none of the 2 x 200 conversions ended as overrun"),
        (["--word", "200"], "0 to 199"),
        (["--word", "1", "--trial", "2"], "0 to 1"),
        (["--word", "1", "--out", "why.txt"], "must end with .svg"),
    ],
)
def test_bad_input_is_one_line(tmp_path, words, allowed):
    path = tmp_path / "base.toml"
    path.write_text(from_dict(REMOTE).to_toml())
    result = CliRunner().invoke(app, ["explain", str(path), *words])
    assert isinstance(result.exception, InputError)
    assert allowed in result.exception.line()


def test_every_kind_is_told_by_name():
    assert set(KINDS) >= {"overrun", "underrun", "missed_trigger", "corrupted", "in_flight"}
    assert set(KINDS) == {*WORST, "in_flight"}


@pytest.mark.parametrize(("command", "kinds"), [("explain", KINDS), ("diagram", WORST)])
def test_the_help_names_all_that_may_be_asked_for(command, kinds):
    result = CliRunner().invoke(app, [command, "--help"], env={"COLUMNS": "400"})
    words = set(re.findall("[a-z_]+", result.output))
    assert set(kinds) <= words


#: Service 10 reads from 27850 to 28250 ns. Frame 12 arrives at 26550 and finds both slots taken;
#: trigger 13 leaves at 28000, before the host is idle, and its frame is read after that of 11.
STRAY = {"fifo.depth": 2, "host.service_latency": STALLS}


@pytest.mark.parametrize("asked", [{"first": "misaligned"}, {"word": 13}])
def test_a_frame_that_is_taken_for_another_one_is_said_to_be(asked):
    found = explain(made(STRAY, BASES["remote_master"]), **asked)
    assert (found.conversion, found.fate) == (13, "delivered")
    assert found.beside == ", taken for 12, not told"
    assert found.steps[-3:] == (
        "The host takes its frame for that of conversion 12.",
        "Of conversion 12 itself no frame was read; its fate is overrun.",
        "Nobody told the host.",
    )
    assert found.shown == range(12, 14)
    assert found.to_dict()["beside"] == "taken for 12, not told"
    # The picture says the same of it.
    view = found.diagram().layout.view
    assert view.told[13] == found.beside


def test_the_first_of_which_nobody_is_told_is_the_lost_one():
    found = explain(made(STRAY, BASES["remote_master"]), first="silent")
    assert (found.conversion, found.fate) == (12, "overrun")
    assert "Nobody told the host." in found.steps
    assert found.cause == "host.service_latency"


def test_a_frame_behind_two_lost_ones_is_taken_for_a_frame_that_was_read():
    """Lost are 12 and 13, for the service of 10 is 2 us longer; 14 is read for 12, 15 for 13."""
    longer = {"host.service_latency": {**STALLS, "stalled": "7000 ns"}}
    found = explain(made({**STRAY, **longer}, BASES["remote_master"]), 14)
    assert found.beside == ", taken for 12, not told"
    assert found.shown == range(12, 15)


def test_of_a_word_as_it_should_be_nothing_is_said_beside():
    found = explain(made(STRAY, BASES["remote_master"]), 9)
    assert (found.beside, found.fate) == ("", "delivered")
    assert "told" not in found.text
