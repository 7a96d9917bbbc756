"""Spoiled dumps, each with its expected answer: what is measured, or what is complained of."""

from __future__ import annotations

import re

import pytest

from simlink.base.errors import InputError
from simlink.tracing.measured import edges_of, measure
from simlink.tracing.trace import trace
from simlink.waveform.clocks import bursts_of
from simlink.waveform.comparing import compare
from simlink.waveform.dumping import dump
from simlink.waveform.signals import signals_of
from tests.waveform import analyser
from tests.waveform.analyser import NAMES, NS

#: Of these the plain wires of a board show nothing that the trace shows.
HIDDEN = {"t_PD,R"}
#: Shown only where a bit differs from the one before it, and until it visibly changes.
DATA = {"t_DV", "t_DH", "t_SU", "t_H", "t_MSB"}


def measured(bench, tmp_path, text, names=NAMES, most=2000):
    path = tmp_path / "capture.vcd"
    path.write_text(text)
    return compare(bench, path, names, most)


def lengths(spans, symbol):
    return [span.length for span in spans if span.symbol == symbol]


def straight(bench):
    return measure(edges_of(trace(bench, range(bench.conversions))))


def test_plain_wires_at_fs_measure_as_the_trace_does(bench, tmp_path):
    found = measured(bench, tmp_path, analyser.export(bench, step=1))
    assert found.complaints == []
    true = straight(bench)
    assert {span.symbol for span in found.spans} == {span.symbol for span in true} - HIDDEN
    for symbol in {span.symbol for span in true} - HIDDEN - DATA:
        assert lengths(found.spans, symbol) == lengths(true, symbol), symbol
    for symbol in ("t_SU", "t_DV", "t_MSB"):
        seen = {(s.conversion, s.bit): s.length for s in true if s.symbol == symbol}
        shown = {(s.conversion, s.bit): s.length for s in found.spans if s.symbol == symbol}
        # A bit shows where it differs from the one before it: half of them, in random words.
        assert 0.3 * len(seen) < len(shown) < 0.7 * len(seen), symbol
        assert shown.items() <= seen.items()


def test_a_resolution_of_1_ns_is_measured_to_1_ns(bench, sampled, tmp_path):
    found = measured(bench, tmp_path, sampled)
    assert found.complaints == []
    true = straight(bench)
    for symbol in {span.symbol for span in true} - HIDDEN - DATA:
        pairs = list(zip(lengths(found.spans, symbol), lengths(true, symbol), strict=True))
        # A read's start is half a period, which is no whole step, ahead of the clock.
        assert all(abs(seen - exact) <= NS for seen, exact in pairs), symbol


@pytest.mark.parametrize("into", ["remote.clock", "host.clock"])
def test_a_late_start_in_mid_frame_is_measured_from_the_first_whole_frame_on(bench, tmp_path, into):
    rises = [time for time, level in analyser.wires(bench)[into] if level]
    start = rises[12 * 4 + 5] - 3 * NS
    found = measured(bench, tmp_path, analyser.export(bench, start=start))
    assert found.complaints == []
    true = [span for span in straight(bench) if span.start >= start]
    for symbol in {span.symbol for span in true} - HIDDEN - DATA:
        # The frame that was on its way is left out; whatever comes after it is there.
        exact, seen = lengths(true, symbol), lengths(found.spans, symbol)
        left_out = len(exact) - len(seen)
        assert 0 <= left_out <= (24 if symbol in ("t_CH", "t_CL", "t_RCH", "t_RCL") else 2), symbol
        pairs = zip(seen, exact[left_out:], strict=True)
        assert all(abs(one - other) <= NS for one, other in pairs), symbol


def no_edge(signal, level):
    def spoil(bench, text):
        number = 12 * 20 + 6
        spoilt, (at,) = analyser.without(text, signal, level, number)
        return spoilt, at

    return spoil


def no_pulse(signal):
    def spoil(bench, text):
        number = 12 * 20 + 6
        spoilt, (at,) = analyser.without(text, signal, 1, number)
        return analyser.without(spoilt, signal, 0, number)[0], at

    return spoil


def glitch(signal, level):
    def spoil(bench, text):
        rises = [time for time, at in analyser.wires(bench)[signal] if at]
        # In the middle of a pulse, or of the low after it.
        period = 25 if signal == "remote.clock" else 33
        time = rises[12 * 20 + 6] // NS + (period // 4 if level == 0 else 3 * period // 4)
        return analyser.with_pulse(text, signal, level, time, 2), time

    return spoil


def stuck(signal):
    def spoil(bench, text):
        rises = [time for time, level in analyser.wires(bench)[signal] if level]
        at = rises[30] // NS
        lines = []
        for line in text.splitlines():
            if line.startswith("#") and analyser.instant_of(line) > at:
                words = [word for word in line.split() if word != analyser.shown(signal, 0)]
                line = " ".join(words)
            lines.append(line)
        return "\n".join(lines) + "\n", at

    return spoil


def torn(bench, text):
    lines = text.splitlines()
    cut = next(
        i for i in range(len(lines) // 2, len(lines)) if analyser.CODES["remote.clock"] in lines[i]
    )
    kept = "\n".join([*lines[: cut + 1], lines[cut + 1][:-1]])
    return kept, analyser.instant_of(lines[cut])


def cut(bench, text):
    lines = text.splitlines()
    mark = analyser.shown("remote.clock", 1)
    cut = next(i for i in range(len(lines) // 2, len(lines)) if mark in lines[i].split())
    kept = "\n".join(lines[: cut + 1]) + "\n"
    return kept, analyser.instant_of(lines[cut])


#: What is done to the capture, what is complained of, on which signal, how near in ns.
SPOILED = {
    "a missing rising edge of the remote clock": (
        no_edge("remote.clock", 1), "missing_edge", "remote.clock", 1,
    ),
    "a missing falling edge of the remote clock": (
        no_edge("remote.clock", 0), "missing_edge", "remote.clock", 13,
    ),
    "a missing pulse of the host clock": (no_pulse("host.clock"), "missing_edge", "host.clock", 1),
    "a missing rising edge of the host clock": (
        no_edge("host.clock", 1), "missing_edge", "host.clock", 1,
    ),
    "a high glitch on the remote clock": (
        glitch("remote.clock", 1), "glitch", "remote.clock", 0,
    ),
    "a low glitch on the remote clock": (glitch("remote.clock", 0), "glitch", "remote.clock", 0),
    "a high glitch on the host clock": (glitch("host.clock", 1), "glitch", "host.clock", 0),
    "a glitch on the trigger": (
        lambda bench, text: (
            analyser.with_pulse(text, "host.trigger", 1, 101_000, 3), 101_000,
        ), "glitch", "host.trigger", 0,
    ),
    "busy at the host that never falls": (stuck("host.busy"), "stuck", "host.busy", 1),
    "busy at the converter that never falls": (stuck("remote.busy"), "stuck", "remote.busy", 1),
    "a file cut off within a line": (torn, "cut_off", None, 0),
    "a file cut off at the end of a line": (cut, "cut_off", "remote.clock", 0),
}  # fmt: skip


@pytest.mark.parametrize("case", SPOILED)
def test_a_spoiled_capture_is_complained_of(bench, sampled, tmp_path, case):
    spoil, kind, signal, near = SPOILED[case]
    text, time = spoil(bench, sampled)
    found = measured(bench, tmp_path, text)
    (complaint,) = found.complaints
    assert complaint.kind == kind
    assert signal is None or complaint.signal == signal
    assert abs(complaint.time - time * NS) <= near * NS
    # The line names both.
    assert complaint.line().startswith(f"{complaint.signal} at {complaint.time // NS}")
    if kind == "glitch":
        # And it does not spoil what is measured.
        clean = measured(bench, tmp_path, sampled)
        for symbol in ("t_CH", "t_RCH", "t_BCK", "t_READ", "t_SVC", "t_PD"):
            assert lengths(found.spans, symbol) == lengths(clean.spans, symbol)


def test_swapped_names_of_clock_and_data_are_complained_of(bench, sampled, tmp_path):
    names = dict(NAMES)
    names["remote.clock"], names["remote.data[0]"] = "ISO_SDO", "ISO_SCK"
    (complaint,) = measured(bench, tmp_path, sampled, names).complaints
    assert (complaint.kind, complaint.signal) == ("swapped", "remote.clock")
    assert "remote.data[0]" in complaint.text
    data = analyser.wires(bench)["remote.data[0]"]
    assert complaint.time == next((t + NS // 2) // NS for t, level in data if level) * NS


def test_swapped_names_in_an_own_dump_are_complained_of(bench, tmp_path):
    path = tmp_path / "own.vcd"
    dump(bench, path, range(5))
    names = {"remote.clock": "remote.data_0_bit", "remote.data[0]": "remote.clock"}
    (complaint,) = compare(bench, path, names).complaints
    assert (complaint.kind, complaint.signal) == ("swapped", "remote.clock")


@pytest.mark.parametrize("signal", ["remote.clock", "host.clock"])
def test_a_missing_edge_in_an_own_dump_is_complained_of(bench, tmp_path, signal):
    path = tmp_path / "own.vcd"
    dump(bench, path, range(5))
    lines = path.read_text().splitlines()
    scope, name = signal.split(".")
    begin = lines.index(f"$scope module {scope} $end")
    code = next(line.split()[3] for line in lines[begin:] if f" {name} $end" in line)
    gone = [place for place, line in enumerate(lines) if line == f"1{code}"][12 * 2 + 6]
    time = next(int(line[1:]) for line in reversed(lines[:gone]) if line.startswith("#"))
    path.write_text("\n".join([*lines[:gone], *lines[gone + 1 :]]) + "\n")
    (complaint,) = compare(bench, path).complaints
    assert (complaint.kind, complaint.signal) == ("missing_edge", signal)
    assert abs(complaint.time - time) <= NS // 100


@pytest.mark.parametrize(
    ("bits", "said"),
    [
        (10, "have 12 pulses, where a frame has 10: is it the dump of another scenario?"),
        (5, "have 12 pulses, where a frame has 5: is it the dump of another scenario?"),
        (14, "have 12 pulses, where a frame has 14: are pulses lost, or is it the dump of another "
         "scenario?"),
    ],
)  # fmt: skip
def test_a_dump_of_frames_of_another_length_is_complained_of_once_a_clock(
    bench, tmp_path, bits, said
):
    path = tmp_path / "own.vcd"
    dump(bench, path, range(8))
    rises = {
        name: next(time for time, level in analyser.wires(bench)[name] if level)
        for name in ("remote.clock", "host.clock")
    }
    told = compare(bench.with_value("frame.word_bits", bits), path).complaints
    told = [one for one in told if one.kind in ("frame_length", "missing_edge")]
    assert [(one.kind, one.signal) for one in told] == [("frame_length", name) for name in rises]
    assert [one.time for one in told] == list(rises.values())
    # As the eighth read ends the ninth frame has come, and it is not seen that the clock rests.
    assert [one.text for one in told] == [f"9 of 9 bursts {said}", f"7 of 7 bursts {said}"]


def test_bursts_are_told_apart_by_rests_of_more_than_one_and_a_half_periods():
    """A period of 10: the first is under way as the dump begins, the last as it ends."""
    rises = [110, 120, 140, 150, 160, 175, 191, 300]
    pulses = [(rise, rise + 5) for rise in rises]
    assert bursts_of(pulses, 10, 100, 315) == [(140, 4), (191, 1)]
    assert bursts_of(pulses, 10, 90, 316) == [(110, 2), (140, 4), (191, 1), (300, 1)]
    assert bursts_of([], 10, 0, 100) == []


def test_a_step_too_coarse_for_a_clock_is_complained_of(bench, tmp_path):
    found = measured(bench, tmp_path, analyser.export(bench, step=10 * NS))
    assert [(one.kind, one.signal) for one in found.complaints] == [
        ("coarse", "remote.clock"),
        ("coarse", "host.clock"),
    ]
    # What needs no clock is measured all the same.
    pairs = zip(lengths(found.spans, "t_REL"), lengths(straight(bench), "t_REL"), strict=True)
    assert all(abs(seen - exact) <= 10 * NS for seen, exact in pairs)


@pytest.mark.parametrize("kept", [0.3, 0.7, 0.99])
def test_an_own_dump_cut_off_anywhere_is_complained_of(bench, tmp_path, kept):
    path = tmp_path / "own.vcd"
    dump(bench, path, range(6))
    content = path.read_bytes()
    for extra in range(12):
        path.write_bytes(content[: int(kept * len(content)) + extra])
        (complaint,) = compare(bench, path).complaints
        assert complaint.kind == "cut_off"
        instants = re.findall(r"^#(\d+)\n", path.read_text(), re.MULTILINE)
        assert complaint.time in map(int, instants[-3:])
        assert complaint.signal in {signal.name for signal in signals_of(bench)}


@pytest.mark.parametrize("window", [range(60), range(1), range(7, 8), range(7, 30)])
@pytest.mark.parametrize("step", [1, 10**3, NS])
def test_a_clean_dump_raises_no_complaint(bench, tmp_path, window, step):
    path = tmp_path / "own.vcd"
    dump(bench, path, window, step=step)
    assert compare(bench, path, most=60).complaints == []


def test_a_capture_that_just_ends_is_clean(bench, tmp_path):
    """An analyser stops when it stops, in mid-frame too, and says when that was."""
    rises = [time for time, level in analyser.wires(bench)["remote.clock"] if level]
    text = analyser.export(bench, end=rises[12 * 20 + 6] + 2 * NS)
    assert measured(bench, tmp_path, text).complaints == []


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "ends before $enddefinitions"),
        ("title = 'a scenario'\n", "no waveform dump"),
        ("$timescale 3 ns $end\n", "1, 10 or 100"),
        ("$enddefinitions $end\n#0\n", "$timescale: missing"),
        ("$timescale 1 ns $end\n$var wire 1 ! CNV\n", "no $end"),
        ("$timescale 1 ns $end\n$var wire x ! CNV $end\n", "line 2"),
        ("$timescale 1 ns $end\n$upscope $end\n", "no scope is open"),
    ],
)  # fmt: skip
def test_what_is_no_dump_is_told_in_one_line(bench, tmp_path, text, said):
    with pytest.raises(InputError) as told:
        measured(bench, tmp_path, text)
    assert said in str(told.value)
    assert "\n" not in str(told.value)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ("#5", "an instant before"),
        ("#x", "an instant is"),
        ("1~", "no variable has this"),
        ("7!", "0, 1, x or z"),
        ("b12 !", "b and digits"),
        ("rone !", "r and a number"),
        ("#99999999999999999", "2.5 h"),
    ],
)
def test_a_line_that_is_no_change_is_told_with_its_number(bench, sampled, tmp_path, change, said):
    lines = sampled.splitlines()
    lines.insert(30, change)
    with pytest.raises(InputError, match="line 31") as told:
        measured(bench, tmp_path, "\n".join(lines) + "\n")
    assert said in str(told.value)


def test_a_line_that_is_not_there_is_told_with_the_nearest(bench, sampled, tmp_path):
    with pytest.raises(
        InputError, match=r'"ISO_SKC"; no such variable.*nearest is "board.ISO_SCK"'
    ):
        measured(bench, tmp_path, sampled, {"remote.clock": "ISO_SKC"})
    with pytest.raises(InputError, match=r"none of its variables is known.*board.CNV"):
        measured(bench, tmp_path, sampled, {})
    with pytest.raises(InputError, match=r"no line of this scenario; those are host.trigger"):
        measured(bench, tmp_path, sampled, {"host.sck": "SCK"})
