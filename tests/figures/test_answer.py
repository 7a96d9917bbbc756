"""The answer of a run in words, from figures that are given and cycles worked by hand."""

import pytest

from simlink.figures.answer import LOSSES, answer
from simlink.figures.summary import Figure
from tests.figures.test_cycle import scenario


def figures(**lost):
    """None seen of 1000 words in 10 units, except for what is given."""
    found = {name: Figure(None, 0.0, 0.026, 0.95, 0, 1000) for name in LOSSES}
    found["triggers"] = Figure(1000.0, count=1000, of=1000, unit="triggers")
    return found | lost


def test_nothing_lost_is_told_with_the_widest_of_the_bounds():
    found = figures(
        underrun=Figure(None, 0.0, 0.3, 0.95, 0, 10), timed_out=Figure(None, None, None, None, 0, 0)
    )
    said = answer(scenario(trials=10), found)
    assert said.meets
    assert said.verdict == (
        "Meets 1 MHz: nothing lost in 1000 triggers in 10 units (each kind of loss < 0.3 at 95 % "
        "confidence, by units)."
    )
    # The converter takes 360 ns and the host 900 ns of 1 us.
    assert said.limit == "The host is the limit: 900 ns of 1 us, 10 % to spare."


def test_another_side_limits_where_it_leaves_less():
    """A conversion of 800 ns and a readout of 160 ns."""
    said = answer(scenario(trials=1, converter__conversion_time="800 ns"), figures())
    assert "in 1 unit (" in said.verdict
    assert said.limit == "The converter is the limit: 960 ns of 1 us, 4 % to spare."


def test_a_host_that_reads_the_converter_is_one_side_with_it():
    said = answer(scenario(link__scheme="returned_clock", trigger__rate="500 kHz"), figures())
    # 200 + 700 + 200 ns.
    assert said.limit == "The converter and host are the limit: 1.1 us of 2 us, 45 % to spare."


@pytest.mark.parametrize(
    ("scheme", "limit"),
    [
        ("remote_master", "The host takes the longest: 900 ns a frame."),
        ("forwarded_clock", "The converter and host take the longest: 1.1 us a frame."),
    ],
)
def test_a_loop_has_no_rate(scheme, limit):
    loop = {"trigger__pattern": "after_read", "trigger__gap": "1 us", "trigger__rate": None,
            "host__timeout": "90 us", "link__scheme": scheme}  # fmt: skip
    said = answer(scenario(**loop), figures())
    assert said.verdict.startswith("Keeps its loop: nothing lost")
    assert said.limit == limit
    said = answer(scenario(**loop), figures(timed_out=Figure(0.1, 0.08, 0.12, 0.95, 100, 1000)))
    assert said.verdict.startswith("Loses words in its loop: timeouts 0.1 of 1000 triggers")
    assert said.limit == "Releases come later than the host's timeout."


@pytest.mark.parametrize(("pattern", "said"), [("poisson", "on average"), ("burst", "in bursts")])
def test_patterns_are_named(pattern, said):
    burst = {"trigger__burst_length": 3, "trigger__gap": "5 us"} if pattern == "burst" else {}
    found = answer(scenario(trigger__pattern=pattern, **burst), figures())
    assert found.verdict.startswith(f"Meets 1 MHz {said}: nothing lost")


def lost(count):
    return Figure(count / 1000, 0.0, 0.5, 0.95, count, 1000)


def test_what_does_not_fit_is_to_blame():
    """The host needs 900 ns and has 666.7 ns; the converter's 360 ns fit."""
    made = scenario(trigger__rate="1500 kHz", trials=10)
    said = answer(made, figures(overrun=lost(250), underrun=lost(10)))
    assert not said.meets
    assert said.verdict == (
        "Does not meet 1.5 MHz: overrun 0.2, underrun 0.01 of 1000 triggers in 10 units."
    )
    assert said.limit == "The host cannot keep up: a frame needs 900 ns and has 666.7 ns."


def test_the_tightest_of_those_that_do_not_fit_is_to_blame():
    """960 ns of converter and 900 ns of host in 666.7 ns."""
    made = scenario(trigger__rate="1500 kHz", converter__conversion_time="800 ns")
    said = answer(made, figures(missed_trigger=lost(400))).limit
    assert said == "The converter cannot keep up: a frame needs 960 ns and has 666.7 ns."


def test_a_latency_shared_by_all_that_wait_is_no_blame():
    """2500 ns serve four frames of the FIFO's four; 5500 ns five, of which two are lost."""
    made = {"host__read_all": True, "host__service_latency": "2500 ns"}
    said = answer(scenario(**made), figures()).limit
    assert said == "The host is the limit: 825 ns of 1 us, 18 % to spare."
    made["host__service_latency"] = "5500 ns"
    said = answer(scenario(**made), figures(overrun=lost(333))).limit
    assert said == "The host cannot keep up: a frame needs 1.3 us and has 1 us."


@pytest.mark.parametrize(
    ("name", "reason"),
    [
        ("missed_trigger", "Triggers come before the readout of the conversion before has ended."),
        ("overrun", "A FIFO of 4 is too shallow for the host's service latency (mean 700 ns), "
                    "though its average rate is enough."),
        ("underrun", "Busy is released too early: 8 of 8 bits, and the host takes bits before "
                     "they arrive."),
        ("corrupted_silent", "The remote clock captures bits before they are valid or past hold, "
                             "or the strobe takes them wrong."),
        ("timed_out", "Releases come later than the host's timeout."),
        ("not_received", "See the fates in the ledger."),
    ],
)  # fmt: skip
def test_a_remote_masters_most_frequent_loss_is_explained(name, reason):
    others = {one: lost(1) for one in LOSSES}
    assert answer(scenario(), figures(**others | {name: lost(9)})).limit == reason


@pytest.mark.parametrize(
    ("name", "reason"),
    [
        ("missed_trigger", "Triggers come while the converter converts or is being read."),
        ("overrun", "A conversion is not read before the next one starts: the service latency "
                    "(mean 700 ns) leaves too little of the period, and no FIFO helps."),
        ("corrupted_silent", "The host captures bits before they are valid, or after they "
                             "change."),
        ("timed_out", "Releases come later than the host's timeout."),
        ("underrun", "See the fates in the ledger."),
    ],
)  # fmt: skip
def test_a_host_clocks_most_frequent_loss_is_explained(name, reason):
    made = scenario(link__scheme="forwarded_clock", trigger__rate="500 kHz")
    others = {one: lost(1) for one in LOSSES}
    assert answer(made, figures(**others | {name: lost(9)})).limit == reason
