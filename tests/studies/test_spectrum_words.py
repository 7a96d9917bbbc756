"""Wrong words in the record that the host holds, worked by hand from the instants.

Trigger k is due at 1000 (k + 1) ns and comes 12 ns later; busy falls after 300 ns more, and bit i
is on its lane from 322 + 20 i to 334 + 20 i ns after its trigger is due. Windows are 1 ns wide.
"""

import csv
import io
import math
import os

import numpy as np
import pytest

from simlink.base.errors import InputError
from simlink.pictures.spectrum_table import csv as samples
from simlink.pictures.spectrum_table import table
from simlink.scenario.loading import from_dict
from simlink.studies.spectrum import spectrum
from tests.engines.chain import put

RAW = {
    "trials": 1,
    "conversions": 300,
    "link": {"scheme": "remote_master"},
    "trigger": {"rate": "1 MHz"},
    "frame": {"word_bits": 12},
    "converter": {"conversion_time": "300 ns"},
    "remote_clock": {"frequency": "50 MHz"},
    "barrier": {
        "forward": {"delay": "12 ns"},
        "return": {"delay": "12 ns", "strobe": False, "slew_immunity": "50 kV/us"},
    },
    "fifo": {"depth": 4},
    "host": {"clock": "40 MHz", "service_latency": "50 ns"},
    "analog": {"tone": "100 kHz", "noise": 3},
}
K = 100


def scenario(values=None, *offsets):
    """Return the base with an event at each of some offsets from when trigger K is due, in ns."""
    times = [f"{1000 * (K + 1) + offset} ns" for offset in offsets]
    event = {"kind": "at", "times": times, "slew": "80 kV/us", "swing": "80 V"}
    return from_dict(put(RAW, {"transient": [event] if times else None} | (values or {})))


def unit_of(*args, **options):
    (unit,) = spectrum(scenario(*args), **options).units
    return unit


@pytest.mark.parametrize("bit", [0, 5, 11])
def test_an_inverted_bit_makes_its_own_error_at_its_own_sample(bit: int) -> None:
    unit = unit_of(None, 323 + 20 * bit)
    size = 1 << (11 - bit)
    expected = unit.codes.copy()
    expected[K] += -size if expected[K] & size else size
    assert unit.read.tolist() == expected.tolist()
    assert (unit.wrong, unit.told, unit.record.missing) == (1, 0, 0)
    # A code's value is its step's middle, from the middle of the range.
    assert unit.record.values.tolist() == [code - 2047.5 for code in expected.tolist()]
    # What the converter gives is the same as if nothing were hit.
    assert np.array_equal(unit.codes, unit_of().codes)


@pytest.mark.parametrize("lost", [0, 3, 11])
def test_a_lost_strobe_moves_what_follows_up_for_good_where_nothing_ends_a_frame(lost: int) -> None:
    """A bit of conversion K is lost, and one of the conversion after it fills each frame up."""
    values = {"barrier.return.strobe": True, "fifo.realign": "never", "analog.gaps": "cut"}
    unit = unit_of(values, 336 + 20 * lost)
    codes = unit.codes.tolist()
    assert unit.read[:K].tolist() == codes[:K]
    line = [code >> place & 1 for code in codes[K:] for place in range(11, -1, -1)]
    del line[lost]
    came = [line[at : at + 12] for at in range(0, len(line) - 11, 12)]
    expected = [int("".join(map(str, bits)), 2) for bits in came]
    assert unit.read[K:-1].tolist() == expected
    assert unit.wrong == sum(one != code for one, code in zip(expected, codes[K:-1], strict=True))


CLOCKED = {
    "link.scheme": "forwarded_clock",
    "fifo": None,
    "barrier.return.strobe": None,
    "barrier.return.slew_immunity": None,
    "barrier.forward.slew_immunity": "50 kV/us",
    "host.capture": 3,
}


def test_a_lost_clock_pulse_repeats_a_bit() -> None:
    """The pulse that launches bit 5 is lost: that place, and those after it, hold the bit ahead.

    Busy's fall comes at 324 ns, the host's clock starts at 374: pulse i is on its way from its rise
    at 386.5 + 25 i until its fall, at 399 + 25 i, has come 12 ns later.
    """
    unit = unit_of(CLOCKED, 374 + 25 * 4 + 15)
    bits = [unit.codes[K] >> place & 1 for place in range(11, -1, -1)]
    came = bits[:5] + bits[4:11]
    assert unit.read[K] == int("".join(map(str, came)), 2)
    assert np.flatnonzero(unit.read != unit.codes).tolist() == [K]


def test_a_bit_that_has_not_come_is_read_as_zero() -> None:
    """Released with bit 1, at 354 ns, bit i is read at 359 + 10 i ns, and comes at 334 + 20 i."""
    values = {"fifo.release_bits": 2, "host.service_latency": "0 s", "host.clock": "100 MHz"}
    unit = unit_of(values)
    # Up to bit 2 in time.
    assert unit.read.tolist() == (unit.codes & 0xE00).tolist()
    assert unit.wrong == np.count_nonzero(unit.codes & 0x1FF)


def test_a_capture_that_is_too_early_gives_the_bit_before() -> None:
    """Valid 12 ns after the edge that launches it, each bit is captured 10 ns after it."""
    unit = unit_of({"converter.data_valid": "12 ns"})
    # Bit 0 comes with the fall of busy, and is there.
    expected = unit.codes & 0x800 | unit.codes >> 1
    assert unit.read.tolist() == expected.tolist()


def test_what_a_check_tells_of_is_a_gap_and_what_it_does_not_is_none() -> None:
    values = {"check": {"over": "frame", "kind": "parity"}}
    with pytest.raises(InputError, match=r"1 of 300 words is missing .* or known to be wrong"):
        spectrum(scenario(values, 383))
    told = unit_of(values | {"analog.gaps": "repeat"}, 383)
    assert (told.told, told.wrong, told.record.missing) == (1, 0, 1)
    assert told.placed[K] == -1
    # Two wrong bits have the parity of none.
    silent = unit_of(values, 383, 423)
    assert (silent.told, silent.wrong, silent.record.missing) == (0, 1, 0)
    assert silent.read[K] == silent.codes[K] ^ (1 << 8 | 1 << 6)


def test_whether_a_check_fails_follows_from_the_codes() -> None:
    """One strobe lost, each frame from K on ends with a bit of the next one for its parity."""
    values = {
        "barrier.return.strobe": True,
        "fifo.realign": "never",
        "check": {"over": "frame", "kind": "parity"},
        "analog.gaps": "zero",
    }
    unit = unit_of(values, 336)
    sent = [[code >> place & 1 for place in range(11, -1, -1)] for code in unit.codes.tolist()]
    line = [bit for bits in sent for bit in (*bits, sum(bits) % 2)]
    del line[13 * K]
    fails = [sum(line[at : at + 13]) % 2 for at in range(0, 13 * 299, 13)]
    assert 20 < sum(fails) < 180
    assert (unit.placed[:299] < 0).tolist() == [bool(one) for one in fails]
    assert unit.told == sum(fails)


def test_a_flipped_top_bit_adds_its_square_over_the_record() -> None:
    """One error of 2^(N-1) LSB in n samples: 2^(2N-2) / n of power, but for what the fit takes.

    That is 3 / n of it. With 8 bits and 65,536 samples, as where SIMLINK_MANY asks for more, it is
    a quarter of an LSB^2, beside about 1/12 of quantising.
    """
    count = 65_536 if "SIMLINK_MANY" in os.environ else 4096
    values = {"conversions": count, "frame.word_bits": 8, "analog.noise": None}
    found = spectrum(scenario(values, 323))
    (unit,) = found.units
    power = 2.0**14 / count * (1 - 3 / count)
    # What quantising did to that very sample is less than an LSB of the 128.
    assert unit.powers["losses"] == pytest.approx(power, rel=1 / 128)
    rise = found.figures["noise_floor"].value - found.figures["noise_floor_bare"].value
    ideal = 10 * math.log10(1 + power / unit.bare.noise)
    assert rise == pytest.approx(ideal, abs=0.03)
    cost = 10 * math.log10(1 + power / unit.bare.residual)
    assert found.figures["cost"].value == pytest.approx(cost, abs=0.03)


def test_both_engines_give_the_same_words() -> None:
    values = {"barrier.return.jitter": {"shape": "normal", "mean": "0 ps", "sigma": "1 ns"}}
    offsets = [323 + 20 * bit + 1000 * 7 * bit for bit in range(12)]
    event, batch = (spectrum(scenario(values, *offsets), engine=one) for one in ("event", "batch"))
    assert (event.engine, batch.engine) == ("event", "batch and event")
    for name in ("codes", "read", "placed", "instants"):
        one, other = (getattr(found.units[0], name) for found in (event, batch))
        assert np.array_equal(one, other), name
    assert event.units[0].wrong > 8
    assert event.figures == batch.figures
    assert spectrum(scenario(values), engine="batch").engine == "batch"


@pytest.mark.parametrize("on_failure", ["flag", "drop"])
def test_both_engines_judge_checks_by_the_codes(on_failure: str) -> None:
    """Whether parity tells of a pulse that was lost depends on the bits behind it."""
    check = {"over": "frame", "kind": "parity", "on_failure": on_failure}
    values = CLOCKED | {"check": check, "analog.gaps": "zero", "conversions": 400}
    offsets = [1000 * more + 374 + 25 * (more % 12) + 15 for more in range(150)]
    found = [spectrum(scenario(values, *offsets), engine=one) for one in ("event", "batch")]
    event, batch = (one.units[0] for one in found)
    assert [one.engine for one in found] == ["event", "batch and event"]
    assert np.array_equal(event.placed, batch.placed)
    assert np.array_equal(event.read, batch.read)
    for k in range(K, K + 150):
        bits = [event.codes[k] >> place & 1 for place in range(11, -1, -1)]
        bits += [sum(bits) % 2]
        kept = (k - K) % 12 + 1
        came = bits[:kept] + bits[kept - 1 : 12]
        assert (event.placed[k] < 0) == bool(sum(came) % 2), k
    assert 40 < event.told < 110


def test_the_record_has_the_code_that_the_host_read() -> None:
    found = spectrum(scenario(None, 323))
    (unit,) = found.units
    rows = list(csv.DictReader(io.StringIO(samples(found))))
    assert [int(row["read"]) for row in rows] == unit.read.tolist()
    assert [row["wrong"] for row in rows] == ["0"] * K + ["1"] + ["0"] * (299 - K)
    assert abs(int(rows[K]["read"]) - int(rows[K]["code"])) == 2048
    said = " ".join(table(found).split())
    assert "1 word of the records is not what the converter gave" in said
    assert "missing from" not in said
    assert found.to_dict()["record"]["wrong"] == [1]


def test_the_word_of_a_frame_that_no_trigger_asked_for_stands_in_the_record() -> None:
    """A false trigger at 101,800 ns has trigger 50, which comes at 102,012, missed.

    The host takes its frame for the answer to that one. 10.18 turns of the tone have gone by.
    """
    values = {
        "barrier.return.slew_immunity": None,
        "barrier.forward.slew_immunity": "50 kV/us",
        "barrier.false_edge": 1,
        "trigger.rate": "500 kHz",
        "analog": {"tone": "100 kHz", "coherent": "as_given", "phase": 0},
    }
    found = spectrum(scenario(values, 101_800 - 101_000))
    (unit,) = found.units
    assert unit.placed.tolist() == [300 if place == 50 else place for place in range(300)]
    assert (unit.strays, unit.misplaced, unit.wrong, unit.record.missing) == (1, 0, 0, 0)
    code = math.floor(2048 * math.sin(2 * math.pi * 10.18)) + 2048
    assert unit.unrequested.tolist() == [code]
    assert unit.record.values[50] == code - 2047.5
    rows = list(csv.DictReader(io.StringIO(samples(found))))
    assert [rows[50]["held"], rows[300]["place"], rows[300]["read"]] == ["0", "50", str(code)]
    assert found.sentence.endswith(
        " Of 300 words that the records should hold: 1 of frames that no trigger asked for."
    )


@pytest.mark.parametrize("law", [{}, {"check.on_failure": "drop"}])
def test_a_word_that_no_trigger_asked_for_is_left_out_if_its_check_fails(law) -> None:
    """The trigger as above; the first bit of its frame is on its lane from 311 to 323 ns later."""
    values = {
        "barrier.slew_immunity": "50 kV/us",
        "barrier.false_edge": 1,
        "trigger.rate": "500 kHz",
        "check.kind": "parity",
        "analog.gaps": "zero",
    }
    found = spectrum(scenario(values | law, 800, 800 + 315))
    (unit,) = found.units
    assert unit.strays == 0
    assert unit.placed.tolist() == [-1 if place == 50 else place for place in range(300)]


def test_a_frame_that_false_strobes_begin_is_made_of_what_they_bring() -> None:
    """Three false strobes between frames begin one with 000, and the next bits fill it up.

    Nothing ends a frame, so that each one is three bits of the one before from then on.
    """
    values = {"barrier.return.strobe": True, "barrier.false_edge": 1, "fifo.realign": "never"}
    unit = unit_of(values | {"barrier.upset": 0, "analog.gaps": "zero"}, 700, 710, 720)
    line = [code >> place & 1 for code in unit.codes.tolist() for place in range(11, -1, -1)]
    line[12 * (K + 1) : 12 * (K + 1)] = [0, 0, 0]
    came = [int("".join(map(str, line[at : at + 12])), 2) for at in range(0, len(line) - 11, 12)]
    held = np.r_[unit.read, unit.unrequested][unit.placed[: K + 100]]
    assert held.tolist() == came[: K + 100]


def test_lines_are_named_after_a_beat_only_where_something_comes_regularly() -> None:
    times = [f"{1000 * one + 396} ns" for one in (20, 31, 77, 160, 190, 204, 251)]
    event = {"kind": "at", "times": times, "slew": "80 kV/us", "swing": "80 V"}
    values = {"barrier.return.strobe": True, "fifo.release_bits": 12, "analog.gaps": "repeat"}
    (unit,) = spectrum(scenario(values | {"transient": [event]})).units
    assert unit.record.gaps == 7
    assert unit.record.spacing is None


def test_boards_that_differ_are_told_as_such() -> None:
    event = {"kind": "poisson", "rate": "8 kHz", "slew": "80 kV/us", "swing": "80 V"}
    values = {"trials": 3, "check": {"over": "frame", "kind": "parity"}, "analog.gaps": "cut"}
    found = spectrum(scenario(values | {"conversions": 1500, "transient": [event]}))
    sizes = [len(one.record.values) for one in found.units]
    assert len({*sizes}) > 1
    said = " ".join(table(found).split())
    assert f"{min(sizes)} to {max(sizes)} words a board" in said
    missing = sum(one.told for one in found.units)
    assert f"Of 4500 words that the records should hold: {missing} missing." in said
