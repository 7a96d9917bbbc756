"""The engineer's own names of signals, in the scenario."""

import pytest

from simlink import InputError
from simlink.scenario.loading import loads
from simlink.tracing.pin_names import pins_of
from tests.engines.chain import chain, rows_of


def test_names_of_lanes_and_of_one_line():
    named = chain(
        {
            "frame.lanes": 2,
            "names.remote.clock": "SCK",
            "names.remote.data": ["SDOA", "SDOB"],
            "names.host.data": "SDI",
        }
    )
    assert named.names.pins() == {
        "host.data": "SDI",
        "remote.clock": "SCK",
        "remote.data[0]": "SDOA",
        "remote.data[1]": "SDOB",
    }
    assert loads(named.to_toml()) == named


def test_one_name_for_all_lanes_given_later_wins_over_one_for_each():
    named = chain({"frame.lanes": 2, "names.remote.data": ["SDOA", "SDOB"]})
    assert pins_of(named, {"remote.data": "SDO"}) == {"remote.data": "SDO"}
    assert pins_of(named, {"remote.data[1]": "X"}) == {
        "remote.data[0]": "SDOA",
        "remote.data[1]": "X",
    }


def test_names_change_no_record():
    plain = chain({"conversions": 3})
    assert rows_of(plain) == rows_of(plain.with_value("names.remote.clock", "SCK"))


@pytest.mark.parametrize(
    ("key", "value", "said"),
    [
        ("names.remote.data", ["A", "B", "C"], "one name for all lanes, or 2, one for each"),
        ("names.remote.clock", "", "1 to 24 printable characters"),
        ("names.remote.clock", "x" * 25, "1 to 24 printable characters"),
        ("names.remote.clock", "a\x1b", "1 to 24 printable characters"),
        ("names.remote.clock", "$end", "none of them \\$"),
        ("names.remote.clock", 5, "1 to 24 printable characters"),
        ("names.remote.klock", "SCK", 'did you mean "clock"'),
        ("names.remote.data", ["A", 3], "1 to 24 printable characters"),
        ("names.fpga", {"clock": "SCK"}, "unknown key"),
        # Beside the sections of the same names, where no name of a pin belongs.
        ("names.trigger", "CNV", "it belongs at names.host.trigger or names.remote.trigger$"),
        ("names.converter", {"busy": "BSY"}, "known here: host, fifo, remote"),
    ],
)
def test_what_is_no_name_is_refused_by_its_key(key, value, said):
    with pytest.raises(InputError, match=said) as told:
        chain({"frame.lanes": 2, key: value})
    assert key in str(told.value)
    assert len(str(told.value).splitlines()) == 1
