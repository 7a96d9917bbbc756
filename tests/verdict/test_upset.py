"""What transients do is laid to the slew, and to no converter, host or FIFO."""

import re
from types import SimpleNamespace

import pytest

from simlink.base.errors import InputError
from simlink.pictures.report import every_limit
from simlink.pictures.table import seen
from simlink.running.run import run
from simlink.scenario.quantities import TIME, exact
from simlink.studies.loss import loss
from simlink.studies.size import size
from simlink.tracing.explain import explain
from simlink.verdict.limit import Known
from simlink.verdict.upset import harm, may_harm
from tests.engines.chain import chain
from tests.engines.host_clocked_scenarios import serial

SOURCE = {"kind": "poisson", "rate": "500 kHz", "slew": "80 kV/us", "swing": "4 kV"}
UPSET = {"conversions": 400, "transient": [SOURCE], "barrier.slew_immunity": "50 kV/us"}


@pytest.mark.parametrize("make", [chain, serial])
def test_only_the_slew_is_at_fault(make):
    found = run(make(UPSET), ledger=False).verdict
    broken = [one.key for one in found.limits if not one.holds]
    assert broken == ["upset"]
    assert found["upset"].known is Known.VIOLATED
    assert (found["upset"].limit, found["upset"].worst) == (50 * 10**9, 80 * 10**9)
    (cause,) = found.causes
    assert (cause.key, cause.tried) == ("barrier.slew_immunity", True)
    (cure,) = found.remedies
    assert cure.changes == (("barrier.slew_immunity", '"80 kV/us"'),)


def test_what_is_broken_without_transients_is_still_told():
    found = run(chain(UPSET | {"remote_clock.setup": "30 ns"}), ledger=False).verdict
    assert {one.key for one in found.limits if not one.holds} >= {"upset", "setup"}


def test_the_words_harmed_are_counted_against_those_without():
    result = run(chain(UPSET), ledger=False)
    evidence = result.verdict["upset"].evidence
    lost = int(re.search(r"(\d+) never received", evidence)[1])
    wrong = int(re.search(r"(\d+) in frames with wrong bits", evidence)[1])
    assert lost == result.figures["not_received"].count
    assert wrong == result.figures["corrupted_silent"].count


def test_an_immunity_that_is_enough_is_proven():
    found = run(chain(UPSET | {"barrier.slew_immunity": "80 kV/us"}), ledger=False).verdict
    assert found.meets
    assert found["upset"].known is Known.PROVEN


def test_events_that_meet_nothing_are_no_proof_and_no_harm():
    # In the middle of the conversion nothing is on its way.
    quiet = {"kind": "locked", "offset": "50 ns", "slew": "80 kV/us", "swing": "400 V"}
    found = run(chain(UPSET | {"transient": [quiet]}), ledger=False).verdict
    assert found.meets
    assert found["upset"].known is Known.NOT_SEEN
    # It slews faster, which the row does not hide; no margin says how near it is to harm.
    assert (found["upset"].worst, found["upset"].margin) == (80 * 10**9, None)
    assert "common-mode slew: 80 kV/us of 50 kV/us\n" in every_limit(found.limits)
    assert "without transients" in found["upset"].evidence


def test_an_edge_too_rare_to_come_in_the_run_can_still_violate_the_limit():
    """One an hour or so, and a run of three microseconds; each slews 30 kV/us too fast."""
    rare = SOURCE | {"rate": "0.0003 Hz"}
    found = run(chain(UPSET | {"conversions": 3, "transient": [rare]}), ledger=False).verdict
    assert not found.meets
    row = found["upset"]
    assert row.known is Known.POSSIBLE
    assert (row.limit, row.worst, row.margin) == (50 * 10**9, 80 * 10**9, -30 * 10**9)
    assert row.evidence.startswith("an edge that slews faster may come at any instant; in this run")
    (cure,) = found.remedies
    assert cure.changes == (("barrier.slew_immunity", '"80 kV/us"'),)


def test_events_after_the_end_of_the_run_are_said_not_to_have_come():
    late = {"kind": "at", "times": ["1 s"], "slew": "80 kV/us", "swing": "400 V"}
    row = run(chain(UPSET | {"conversions": 3, "transient": [late]}), ledger=False).verdict["upset"]
    assert row.known is Known.NOT_SEEN
    assert row.evidence.startswith("no common-mode event came")


_SWITCH = {"kind": "switching", "frequency": "20 kHz", "slew": "80 kV/us", "swing": "400 V"}
_REPEAT = {
    "check.kind": "parity",
    "check.on_failure": "repeat",
    "check.kept_frames": 1,
    "check.repeat_timeout": "2 us",
}
_AT_ODDS = {"barrier.forward.slew_immunity": "90 kV/us"}


@pytest.mark.parametrize(
    ("values", "may"),
    [
        ({}, True),
        # Of a timer's triggers none crosses, and no bit is upset.
        ({"trigger.source": "remote", "barrier.return.slew_immunity": "80 kV/us"}, False),
        ({"trigger.source": "remote"}, True),
        ({"trigger.source": "remote", "barrier.upset": 0, "barrier.false_edge": 1}, True),
        ({"barrier.upset": 0}, False),
        ({"barrier.upset": 0, "barrier.false_edge": 1}, True),
        # What slews too fast is tied to the triggers, what comes at random slews slowly.
        (
            {
                "transient": [
                    SOURCE | {"slew": "50 kV/us"},
                    {"kind": "locked", "offset": "0 s", "slew": "80 kV/us", "swing": "400 V"},
                ]
            },
            False,
        ),
        ({"transient": [_SWITCH]}, True),
        ({"transient": [_SWITCH | {"phase": "0 s"}]}, False),
        # One bit that is hit is asked for again; a lost trigger is not.
        (_AT_ODDS | _REPEAT | {"transient": [_SWITCH]}, False),
        (_AT_ODDS | _REPEAT, True),
        (_REPEAT | {"transient": [_SWITCH]}, True),
    ],
)
def test_some_draw_harms_if_events_come_at_any_instant_and_something_can_be_hit(values, may):
    assert may_harm(chain(UPSET | values)) is may


#: False edges on the trigger alone, worked by hand in tests/engines/test_false_edges.py.
FALSE = {
    "conversions": 3,
    "barrier.slew_immunity": "50 kV/us",
    "barrier.upset": 0,
    "barrier.false_edge": 1,
}


def false_at(time, **more):
    source = {"kind": "at", "times": [time], "slew": "80 kV/us", "swing": "80 V"}
    return run(chain(FALSE | more | {"transient": [source]}), ledger=False)


def test_a_word_that_is_taken_for_another_is_harmed_by_the_transient():
    """The frame of a false trigger at 1.7 us is read at 2256 ns, when trigger 1, sent at 2 us, is
    unanswered: it is taken for that one's, whose own frame then answers none."""
    result = false_at("1.7 us", **{"host.realign": "never"})
    found = result.verdict
    assert result.figures["delivered"].count == 3
    assert [one.key for one in found.limits if not one.holds] == ["upset"]
    assert found["upset"].evidence == ("1 misaligned of 3 words, more than without transients")
    assert not found.meets


def test_words_that_are_silent_only_with_transients_are_harm():
    """As many as without, but nobody is told of two of them."""

    def counted(**counts):
        return lambda *names: sum(counts.get(name, 0) for name in names)

    without = SimpleNamespace(count=counted(corrupted_flagged=3, corrupted_silent=1, silent=1))
    some = counted(corrupted_flagged=1, corrupted_silent=3, silent=3)
    said = "2 wrong, lost or misaligned with nobody told of 9 words, more than without transients"
    assert harm(SimpleNamespace(count=some, calm=without, words=9)) == said
    assert not harm(SimpleNamespace(count=without.count, calm=without, words=9))


def test_a_frame_that_nobody_asked_for_and_that_misleads_nobody_is_told_but_no_harm():
    """Read by 1856 ns, while no trigger is unanswered."""
    found = false_at("1.3 us").verdict
    assert found.meets
    assert found["upset"].known is Known.NOT_SEEN
    assert "though 1 frame came that no trigger asked for; 0 of 3 words" in found["upset"].evidence


@pytest.mark.parametrize(("needed", "short"), [("110 ns", 0), ("111 ns", 1)])
def test_an_acquisition_that_a_false_trigger_cuts_short_is_harm(needed, short):
    """It converts from 1.7 us to 1.9 us, and the next trigger arrives at 2010 ns."""
    row = false_at("1.7 us", **{"converter.acquisition_time": needed}).verdict["upset"]
    assert ("and 1 with a short acquisition of 3 words" in row.evidence) is bool(short)


def test_without_transients_or_immunity_there_is_no_such_limit():
    for values in ({"transient": None}, {"barrier.slew_immunity": None}):
        found = run(chain(UPSET | values), ledger=False).verdict
        assert "upset" not in [one.key for one in found.limits]


def test_what_cannot_count_transients_refuses_them():
    for ask in (lambda made: size(made, at_most=1e-3), loss):
        with pytest.raises(InputError, match="transient: "):
            ask(chain(UPSET))


def test_what_a_check_drops_is_laid_to_the_slew_and_to_nothing_else():
    values = {"check.kind": "crc", "check.width": 8, "check.polynomial": 7}
    values |= {"check.on_failure": "drop", "barrier.return.strobe": False}
    values |= {"trials": 30, "conversions": 40, "require.dropped": {"at_most": 0.9}}
    result = run(chain(UPSET | values), ledger=False)
    found = result.verdict
    assert [one.key for one in found.limits if not one.holds] == ["upset"]
    dropped = int(re.search(r"(\d+) dropped after a failed check", found["upset"].evidence)[1])
    assert dropped == result.figures["dropped"].count > 0
    assert found.required[0].met.value == "met"
    assert re.search(rf"check failed, dropped .*, {dropped} of 1200 words", seen(result))


@pytest.mark.parametrize(
    ("failure", "said"),
    [("flag", "wrong bits that are told in 50 of 50"), ("drop", "a failed check in 50 of 50")],
)
def test_bits_that_the_strobe_takes_wrong_are_found_by_a_check(failure, said):
    """The lane comes 12 ns later than its strobe, which rises 10 ns after the bit; see
    tests/engines/test_strobe.py. All bits are wrong, which is no word of this code."""
    values = {"barrier.return.channel_skew": ["12 ns"], "conversions": 50, "check.kind": "crc"}
    values |= {"check.width": 8, "check.polynomial": 7, "check.on_failure": failure}
    result = run(chain(values), ledger=False)
    assert result.verdict["strobe_setup"].evidence.startswith(said)
    assert result.figures["corrupted_silent"].count == 0
    story = explain(chain(values), 0)
    dropped = "The frame's check failed, and the host used no word of it." in story.steps
    assert dropped is (failure == "drop")
    assert story.cause == "barrier.return.channel_skew"


def test_words_of_a_frame_with_wrong_bits_are_not_said_to_have_them_all():
    """Of two lanes the second comes 12 ns later than the strobe, which rises 10 ns after the bit:
    all words are of frames with wrong bits, and those of the first lane have none."""
    skews = {"barrier.return.channel_skew": ["0 ns", "12 ns"], "frame.lanes": 2}
    result = run(chain(skews | {"conversions": 50}), ledger=False)
    said = "wrong bits in the frames of 100 of 100 words"
    assert result.verdict["strobe_setup"].evidence.startswith(said)
    assert re.search("wrong bits in frame +all, 100 of 100 words", seen(result))


def test_bits_that_the_remote_master_captures_wrong_are_found_by_none():
    """It makes the check of what it has captured."""
    values = {"remote_clock.setup": "30 ns", "conversions": 20, "check.kind": "parity"}
    found = run(chain(values | {"check.sequence_bits": 3}), ledger=False).figures
    assert found["corrupted_silent"].count == found["silent"].count == 20


def test_nothing_raises_a_flag_where_nothing_could():
    asked = {"require.corrupted_flagged": {"at_most": 0.1}}
    (plain,) = run(chain(asked), ledger=False).verdict.required
    assert (plain.met.value, plain.evidence) == ("proven", "nothing raises a flag")
    (checked,) = run(chain(asked | {"check.kind": "parity"}), ledger=False).verdict.required
    assert "nothing raises a flag" not in checked.evidence


def test_what_proven_captures_rule_out_is_never_asked_for_again():
    repeat = {"check.on_failure": "repeat", "check.kept_frames": 1, "check.repeat_timeout": "2 us"}
    asked = {"check.kind": "parity", "require.repeated": {"at_most": 0}}
    (row,) = run(chain(asked | repeat), ledger=False).verdict.required
    assert row.met.value == "proven"
    assert row.evidence.startswith("ruled out, for")


#: A lane that comes 6 ns later than its strobe, and jitter that now and then has a bit taken wrong.
_NOW_AND_THEN = {
    "conversions": 400,
    "fifo.depth": 6,
    "host.clock": "100 MHz",
    "barrier.return.strobe": True,
    "barrier.return.channel_skew": ["6 ns"],
    "barrier.return.jitter": {"shape": "normal", "mean": "0 ps", "sigma": "1.5 ns"},
    "check.kind": "crc",
    "check.width": 8,
    "check.polynomial": 7,
    "check.on_failure": "repeat",
    "check.kept_frames": 2,
    "check.repeat_timeout": "2 us",
}


def test_a_wrong_bit_that_a_repeated_frame_mends_is_a_broken_limit_all_the_same():
    require = {"require.repeated": {"at_most": 1}, "trials": 4, "conversions": 100}
    result = run(chain(_NOW_AND_THEN | require), ledger=False)
    asked = result.figures["repeated"].count
    (required,) = result.verdict.required
    assert (required.key, required.met.value) == ("repeated", "met")
    assert required.found == result.figures["repeated"].text()
    assert asked > result.figures["mended"].count > 0
    assert result.figures["dropped"].count == asked - result.figures["mended"].count
    row = result.verdict["strobe_setup"]
    assert row.known is Known.VIOLATED
    assert row.evidence.startswith(f"a failed check in {asked} of 400 words")
    # Nothing is proven that leaves out what is asked for once more.
    for key in ("period", "early_read", "fifo_depth", "host_rate"):
        assert result.verdict[key].known is Known.NOT_SEEN, key
    ledger = run(chain(_NOW_AND_THEN)).ledger
    mended = ledger[ledger["t_request"].notna() & (ledger["fate"] == "delivered")]
    late = int(mended["conversion"].iloc[0])
    story = explain(chain(_NOW_AND_THEN), late).text
    assert "its check failed, and the host asked for it again" in story
    assert "and its check passed" in story
    failed = int(ledger[ledger["fate"] == "dropped"]["conversion"].iloc[0])
    told = explain(chain(_NOW_AND_THEN), failed)
    assert "and its check failed too" in told.text
    assert told.cause == "barrier.return.jitter"
    # The bit of which it tells is one of the first read.
    asked_at = int(ledger[ledger["conversion"] == failed]["t_request"].iloc[0])
    assert told.steps[0].endswith("not while it was valid.")
    instant = told.steps[0].split(" at ")[1].split(",")[0]
    assert exact(instant, TIME) < asked_at


def test_a_repeated_frame_that_never_comes_is_told_so():
    values = _NOW_AND_THEN | {"check.repeat_timeout": "50 ns"}
    ledger = run(chain(values)).ledger
    failed = int(ledger[ledger["fate"] == "dropped"]["conversion"].iloc[0])
    said = explain(chain(values), failed).text
    assert "Nothing was released within 50 ns, and the host went on without it." in said
    assert not ((ledger["fate"] == "delivered") & ledger["t_request"].notna()).any()
