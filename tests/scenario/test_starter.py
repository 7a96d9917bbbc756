import re
import tomllib

import pytest

from simlink.base.errors import InputError
from simlink.scenario import starter
from simlink.scenario.questions import QUESTIONS
from simlink.scenario.starter import ask, needed, render, write

SAMPLE = {
    "scheme": "remote master",
    "capture-setup": "2 ns",
    "capture-hold": "0.5 ns",
    "channel-skew": "1.5 ns",
    "distortion": "-1 ns / 2 ns",
    "min-pulse": "4 ns",
    "reads-until-empty": "yes",
    "sample-rate": "100 kHz",
    "word-bits": "20",
    "lanes": "2",
    "words-per-lane": "3",
    "conversion-time": "480 ns / 500 ns / 520 ns",
    "msb-valid": "4 ns",
    "data-valid": "2 ns / 6 ns",
    "acquisition-time": "250 ns",
    "min-clock-period": "12 ns",
    "remote-clock": "49 MHz / 50 MHz / 51 MHz",
    "barrier-delay": "12 ns",
    "delay-covers": "none",
    "part-to-part-skew": "2 ns",
    "barrier-jitter": "30 ps",
    "host-clock": "30 MHz",
    "service-latency": "1 / 2 / 5 us",
    "fifo-depth": "8",
    "trigger-jitter": "0 ps",
}


def marks(text):
    """Count the value lines by where they say that their value comes from."""
    values = [line for line in text.splitlines() if re.match(r"\w+ = ", line)]
    values = [line for line in values if not line.startswith("title")]
    assumed = [line for line in values if "  # ASSUMED: " in line]
    sources = ("  # from the data sheet: ", "  # as given: ")
    given = [line for line in values if any(one in line for one in sources)]
    assert len(assumed) + len(given) == len(values)
    return len(assumed), len(given)


def table_of(answers):
    return tomllib.loads(render(answers))


def test_with_no_answer_every_value_is_assumed_and_the_scenario_loads():
    from simlink.scenario.loading import loads

    text = render({})
    assumed, given = marks(text)
    assert given == 0
    assert assumed > len(QUESTIONS)
    scenario = loads(text)
    # Nothing is left to the format's own defaults, so nothing is assumed in silence.
    assert {assumption.key for assumption in scenario.assumed} <= {
        "barrier.line_rate",
        "barrier.forward.line_rate",
        "barrier.return.line_rate",
        "host.timeout",
        "host.setup",
        "host.hold",
    }


def test_every_answer_is_in_the_file_with_its_mark():
    none, _ = marks(render({}))
    text = render(SAMPLE)
    assumed, given = marks(text)
    # Both directions carry three of the barrier's numbers, and the clock its tolerance.
    assert given == len(QUESTIONS) + 3 + 1
    assert assumed == none - given
    assert tomllib.loads(text)["converter"] == {
        "conversion_time": {
            "shape": "limits",
            "low": "480 ns",
            "typical": "500 ns",
            "high": "520 ns",
        },
        "busy_delay": "0 s",
        "msb_valid": "4 ns",
        "data_valid": {"shape": "uniform", "low": "2 ns", "high": "6 ns"},
        "data_hold": "0 s",
        "acquisition_time": "250 ns",
        "aperture_jitter": "0 s",
        "min_clock_period": "12 ns",
        "min_clock_high": "0 s",
        "min_clock_low": "0 s",
    }
    table = tomllib.loads(text)
    assert table["frame"] == {"lanes": 2, "words_per_lane": 3, "word_bits": 20}
    assert table["fifo"]["release_bits"] == 60
    assert table["host"]["service_latency"] == {
        "shape": "limits",
        "low": "1 us",
        "typical": "2 us",
        "high": "5 us",
    }
    assert "low / typical / high" in text
    assert "low / high, uniform between them" in text


@pytest.mark.parametrize("name", sorted(SAMPLE))
def test_one_answer_moves_its_own_marks_and_no_other(name):
    none, _ = marks(render({}))
    assumed, given = marks(render({name: SAMPLE[name]}))
    assert given >= 1
    assert assumed + given == none


def test_a_range_of_clocks_is_a_tolerance():
    clock = table_of({"remote-clock": "49 MHz / 50 MHz / 51.5 MHz"})["remote_clock"]
    assert clock["frequency"] == "50 MHz"
    assert clock["tolerance"] == {
        "shape": "limits",
        "low": "-20000 ppm",
        "typical": "0 ppm",
        "high": "30000 ppm",
    }
    clock = table_of({"remote-clock": "49.995 MHz / 50.005 MHz"})["remote_clock"]
    assert clock["frequency"] == "50 MHz"
    assert clock["tolerance"] == {"shape": "uniform", "low": "-100 ppm", "high": "100 ppm"}


def test_a_range_of_delays_is_a_spread_of_parts():
    table = table_of({"barrier-delay": "9 / 13.5 / 20 ns"})["barrier"]
    for direction in ("forward", "return"):
        assert table[direction]["delay"] == "13.5 ns"
        assert table[direction]["part_to_part_skew"] == {
            "shape": "limits",
            "low": "-4.5 ns",
            "typical": "0 ns",
            "high": "6.5 ns",
        }
    assert "part-to-part-skew" not in {q.name for q in needed({"barrier-delay": "9/13/20 ns"})}
    with pytest.raises(InputError) as told:
        render({"barrier-delay": "9/13/20 ns", "part-to-part-skew": "3 ns"})
    assert str(told.value).startswith("--part-to-part-skew: ")


def test_a_range_of_delays_that_includes_more_is_kept_as_limits():
    answers = {"barrier-delay": "9 / 11 / 14 ns", "delay-covers": "distortion / part-to-part-skew"}
    barrier = table_of(answers)["barrier"]
    assert barrier["delay_covers"] == ["pulse_width_distortion", "part_to_part_skew"]
    limits = {"shape": "limits", "low": "9 ns", "typical": "11 ns", "high": "14 ns"}
    for direction in ("forward", "return"):
        assert (barrier[direction]["delay"], barrier[direction]["part_to_part_skew"]) == (
            limits,
            "0 ns",
        )
    # Wider than the delay is long, and held within its limits all the same.
    spread = table_of(answers | {"part-to-part-skew": "30 ns"})["barrier"]["forward"][
        "part_to_part_skew"
    ]
    assert spread == {"shape": "uniform", "low": "-15 ns", "high": "15 ns"}
    with pytest.raises(InputError, match="a part faster than 9 ns has no delay left"):
        render(answers | {"part-to-part-skew": "30 ns", "delay-covers": "channel-skew"})


@pytest.mark.parametrize(
    ("said", "complaint"),
    [
        ("some", "none, or any of part-to-part-skew / channel-skew / distortion is due"),
        (
            "channel-skew / channel-skew / distortion",
            "none, or any of part-to-part-skew / channel-skew / distortion is due",
        ),
        (
            "none / channel-skew",
            "none, or any of part-to-part-skew / channel-skew / distortion is due",
        ),
    ],
)
def test_what_a_delay_includes_is_one_of_three(said, complaint):
    with pytest.raises(InputError, match=complaint):
        render({"barrier-delay": "9 / 14 ns", "delay-covers": said})


def test_what_one_delay_includes_is_no_question():
    assert "delay-covers" not in {q.name for q in needed({"barrier-delay": "9 ns"})}
    assert "delay-covers" in {q.name for q in needed({"barrier-delay": "9 / 14 ns"})}
    with pytest.raises(InputError, match="one value, which includes nothing"):
        render({"barrier-delay": "9 ns", "delay-covers": "channel-skew"})


def test_a_single_skew_is_a_width_and_a_single_jitter_an_rms():
    forward = table_of({"part-to-part-skew": "5 ns", "barrier-jitter": "40 ps"})["barrier"][
        "forward"
    ]
    assert forward["part_to_part_skew"] == {"shape": "uniform", "low": "-2.5 ns", "high": "2.5 ns"}
    assert forward["jitter"] == {"shape": "normal", "mean": "0 ps", "sigma": "40 ps"}
    none = table_of({"part-to-part-skew": "0 ns", "barrier-jitter": "0 ps"})["barrier"]["forward"]
    assert (none["part_to_part_skew"], none["jitter"]) == ("0 ns", "0 ps")


def test_a_short_delay_is_not_refused_for_an_assumed_skew():
    assert (
        table_of({"barrier-delay": "0.4 ns"})["barrier"]["forward"]["part_to_part_skew"] == "0 ns"
    )


def test_equal_limits_are_a_fixed_value():
    assert table_of({"msb-valid": "5 ns / 5 ns / 5 ns"})["converter"]["msb_valid"] == "5 ns"


def test_a_slow_rate_gives_a_trial_that_can_be_run():
    assert table_of({"sample-rate": "0.01 Hz"})["conversions"] == 36


def test_a_recording_is_named_from_the_scenario_s_folder(tmp_path, monkeypatch):
    (tmp_path / "made").mkdir()
    (tmp_path / "host.csv").write_text("index,latency_ns\n0,1500\n1,900\n")
    monkeypatch.chdir(tmp_path)
    from simlink.scenario.loading import load

    write("made/first.toml", {"service-latency": "host.csv"})
    assert tomllib.loads((tmp_path / "made/first.toml").read_text())["host"]["service_latency"] == {
        "shape": "recorded",
        "file": "../host.csv",
        "column": "latency_ns",
        "unit": "ns",
    }
    load(tmp_path / "made/first.toml")


PRINTED = [
    ("sample-rate", "1 MSPS", "trigger.rate", "1 MHz"),
    ("sample-rate", "1 MS/s", "trigger.rate", "1 MHz"),
    ("sample-rate", "250 kSPS", "trigger.rate", "250 kHz"),
    ("sample-rate", "250 Ksps max", "trigger.rate", "250 kHz"),
    ("word-bits", "18 bit", "frame.word_bits", 18),
    ("word-bits", "18-bit", "frame.word_bits", 18),
    ("lanes", "2 lanes", "frame.lanes", 2),
    ("conversion-time", "530 ns max", "converter.conversion_time", "530 ns"),
    ("conversion-time", "max. 530 ns", "converter.conversion_time", "530 ns"),
    ("min-clock-period", "10 ns min", "converter.min_clock_period", "10 ns"),
    (
        "data-valid",
        "9 ns typ, 14 ns max",
        "converter.data_valid",
        {"shape": "limits", "typical": "9 ns", "high": "14 ns"},
    ),
    (
        "data-valid",
        "2 ns min, 5 ns typ, 7 ns max",
        "converter.data_valid",
        {"shape": "limits", "low": "2 ns", "typical": "5 ns", "high": "7 ns"},
    ),
    (
        "service-latency",
        "2-8 us",
        "host.service_latency",
        {"shape": "uniform", "low": "2 us", "high": "8 us"},
    ),
    (
        "service-latency",
        "900 ns to 8 us",
        "host.service_latency",
        {"shape": "uniform", "low": "900 ns", "high": "8 us"},
    ),
    (
        "distortion",
        "\N{PLUS-MINUS SIGN}2 ns",
        "barrier.pulse_width_distortion",
        {"shape": "uniform", "low": "-2 ns", "high": "2 ns"},
    ),
    ("scheme", "returned clock", "link.scheme", "returned_clock"),
    ("reads-until-empty", "yes", "host.drain", True),
]


@pytest.mark.parametrize(("name", "printed", "key", "value"), PRINTED)
def test_what_data_sheets_print_is_read(name, printed, key, value):
    table, _, last = key.partition(".")
    assert table_of({name: printed})[table][last] == value


def test_only_what_a_data_sheet_prints_is_marked_so():
    lines = render(
        {"fifo-depth": "8", "conversion-time": "530 ns max", "data-valid": "9 ns typ, 14 ns max"}
    )
    comments = dict(re.findall(r"^(\w+) = .*?  # (.*)$", lines, re.MULTILINE))
    assert comments["depth"].startswith("as given: ")
    assert comments["conversion_time"] == "from the data sheet: the most, as one fixed value"
    assert comments["data_valid"] == (
        "from the data sheet: typical and highest; no least value is printed, so that one is taken"
    )


def test_typical_and_highest_of_the_delay_leave_a_spread_about_typical():
    barrier = table_of({"barrier-delay": "9 ns typ, 14 ns max"})["barrier"]["forward"]
    assert barrier["delay"] == "9 ns"
    assert barrier["part_to_part_skew"] == {
        "shape": "limits",
        "low": "-5 ns",
        "typical": "0 ns",
        "high": "5 ns",
    }


def test_setup_and_hold_are_those_of_the_side_that_captures():
    answers = {"scheme": "forwarded clock", "capture-setup": "3 ns", "capture-hold": "1 ns"}
    table = table_of(answers)
    assert (table["host"]["setup"], table["host"]["hold"]) == ("3 ns", "1 ns")
    assert table["remote_clock"].get("setup", "0 s") == "0 s"
    names = {question.name for question in needed(answers)}
    assert names.isdisjoint({"remote-clock", "fifo-depth"})


def test_what_is_out_of_the_ordinary_is_remarked_on():
    (remark,) = starter.unusual({"barrier-jitter": "4 ns", "data-valid": "5 ns"})
    assert remark == (
        "--barrier-jitter: 4 ns rms is out of the ordinary for the barrier jitter, "
        "which is usually at most 1 ns; check it"
    )
    assert starter.unusual({question.name: question.default for question in QUESTIONS}) == []
    assert starter.unusual(SAMPLE) == []


BAD = [
    ("scheme", "wireless"),
    ("reads-until-empty", "perhaps"),
    ("data-valid", "2 ns min, 5 ns typ"),
    ("data-valid", "9 ns typ, 14 ns typ"),
    ("sample-rate", "1 MSPQ"),
    ("service-latency", "8-2 us"),
    ("channel-skew", "fast"),
    ("sample-rate", "100"),
    ("sample-rate", "100 ns"),
    ("sample-rate", "0 kHz"),
    ("sample-rate", "-1 kHz"),
    ("sample-rate", "1 MHz / 1 kHz"),
    ("sample-rate", "1 kHz / 100 kHz"),
    ("word-bits", "18.5"),
    ("word-bits", "0"),
    ("word-bits", "65"),
    ("word-bits", "sixteen"),
    ("word-bits", "١٦"),
    ("lanes", "-1"),
    ("lanes", "1 / 2"),
    ("words-per-lane", "9" * 400),
    ("conversion-time", "500"),
    ("conversion-time", "500 MHz"),
    ("conversion-time", "520 ns / 500 ns / 480 ns"),
    ("conversion-time", "520 ns / 480 ns"),
    ("conversion-time", "1 ns / 2 ns / 3 ns / 4 ns"),
    ("conversion-time", "1 ns // 3 ns"),
    ("conversion-time", "-5 ns"),
    ("conversion-time", "nan ns"),
    ("conversion-time", "inf s"),
    ("conversion-time", "1e300 s"),
    ("conversion-time", '5 ns"\nseed = 9 #'),
    ("conversion-time", "5 ns\x7f"),
    ("conversion-time", "5 ns\udcff"),
    ("msb-valid", ""),
    ("data-valid", "/"),
    ("acquisition-time", "long"),
    ("remote-clock", "2 THz"),
    ("barrier-delay", "14"),
    ("barrier-delay", "20 ns / 10 ns"),
    ("part-to-part-skew", "-3 ns"),
    ("part-to-part-skew", "1 us"),
    ("part-to-part-skew", "-20 ns / 20 ns"),
    ("barrier-jitter", "-30 ps"),
    ("host-clock", "25 MHz / 26 MHz"),
    ("host-clock", "25"),
    ("service-latency", "nowhere.csv"),
    ("service-latency", "1 us / 500 ns"),
    ("fifo-depth", "0"),
    ("fifo-depth", "2000000"),
    ("trigger-jitter", "100 Hz"),
]


@pytest.mark.parametrize(("name", "answer"), BAD)
def test_a_bad_answer_is_refused_in_one_line_that_names_its_option(name, answer):
    with pytest.raises(InputError) as told:
        render({name: answer})
    line = str(told.value)
    assert line.startswith(f"--{name}: ")
    assert line.isprintable()


def test_an_unknown_number_is_refused():
    with pytest.raises(InputError, match="no such number"):
        render({"colour": "red"})


def test_an_answer_is_remarked_on_together_with_those_before_it():
    # What the limits include, and a spread wider than the assumed delay, can only be read
    # beside the delay that was given.
    given = {"barrier-delay": "7 ns min, 11 ns typ, 16 ns max", "barrier-jitter": "4 ns"}
    told = []
    typed = iter(["channel-skew"])
    known = ask(
        given, ".", lambda prompt: next(typed, "") if "include" in prompt else "", told.append
    )
    assert known == {**given, "delay-covers": "channel-skew"}
    assert told == []  # the jitter was given before, and is remarked on where it is read

    known = ask(
        {"barrier-delay": "40 ns"},
        ".",
        lambda prompt: "-20 ns / 20 ns" if "two parts" in prompt else "",
        told.append,
    )
    assert known["part-to-part-skew"] == "-20 ns / 20 ns"
    assert all(line.startswith("--part-to-part-skew: ") for line in told)


def test_questions_are_asked_until_the_answer_can_be_used():
    typed = {
        "conversion time": iter(["500", "fast", "400 ns / 450 ns"]),
        "FIFO depth in frames": iter(["none", "16"]),
    }
    asked, told = [], []

    def read(prompt):
        what = prompt.split(" (")[0]
        asked.append(what)
        return next(typed[what]) if what in typed else ""

    answers = ask({"lanes": "2"}, ".", read, told.append)
    assert answers == {"lanes": "2", "conversion-time": "400 ns / 450 ns", "fifo-depth": "16"}
    assert len(told) == 3
    assert all(line.isprintable() for line in told)
    given = ("lanes", "delay-covers")  # the one, and what nobody asks of a single delay
    wanted = [question.asks for question in QUESTIONS if question.name not in given]
    assert sorted(asked) == sorted([*wanted, *["conversion time"] * 2, "FIFO depth in frames"])


def test_a_prompt_shows_the_form_and_the_default():
    prompts = []
    ask({"barrier-delay": "9 / 14 ns"}, ".", lambda prompt: prompts.append(prompt) or "", print)
    asked = [one for one in QUESTIONS if one.name not in ("barrier-delay", "part-to-part-skew")]
    for prompt, question in zip(prompts, asked, strict=True):
        assert question.default in prompt
        assert question.form in prompt


def test_an_existing_file_is_kept_unless_forced(tmp_path):
    path = tmp_path / "first.toml"
    write(path, {})
    path.write_text("my work")
    with pytest.raises(InputError, match="--force"):
        write(path, {})
    assert path.read_text() == "my work"
    text = write(path, {"lanes": "2"}, force=True)
    assert path.read_text() == text
    with pytest.raises(InputError, match="folder"):
        write(tmp_path, {}, force=True)
    assert [entry.name for entry in tmp_path.iterdir()] == ["first.toml"]


def test_the_cautions_stand_in_the_file():
    from simlink.base.cautions import CAUTIONS

    comments = " ".join(
        line.removeprefix("#").strip()
        for line in starter.render({}).splitlines()
        if line.startswith("#")
    )
    assert CAUTIONS in comments
