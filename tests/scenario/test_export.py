from __future__ import annotations

import json
import tomllib

import jsonschema
import pytest

from simlink.commands.schema import schema
from simlink.scenario.export import json_schema
from simlink.scenario.quantities import FREQUENCY, LINE_RATE, RATIO, SLEW, TIME, VOLTAGE
from simlink.scenario.transient import Transient
from simlink.scenario.writing import every_key
from tests.scenario.test_schema import FULL


@pytest.fixture(scope="module")
def validator():
    schema = json_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    return jsonschema.Draft202012Validator(schema)


def test_it_accepts_what_loads(validator, minimal, scenario):
    assert validator.is_valid(tomllib.loads(minimal))
    validator.validate(tomllib.loads(FULL))
    for values in (
        {},
        {"trigger": {"pattern": "after_read", "gap": "1 us"}, "host.timeout": "50 us"},
        {"trigger": {"pattern": "burst", "rate": "1 MHz", "gap": "1 us", "burst_length": 3}},
        {"barrier.return": {"style": "packets", "packet_bits": 8, "line_rate": "90 Mbps"}},
        {"barrier.return": {"delay": "2 ns", "channel_skew": ["-1 ns"]}},
        {"host.service_latency": {"shape": "mixture", "parts": [
            {"weight": 1, "of": "1 us"},
            {"weight": 0.5, "of": {"shape": "two_state", "normal": "1 us", "stalled": "5 us",
                                   "spacing": {"shape": "geometric", "mean": 9.5},
                                   "length": {"shape": "uniform", "low": 1, "high": 3}}}]}},
        {"trigger.jitter": {"shape": "normal", "mean": "0 ps", "sigma": "3 ps"}},
        {"barrier": {"delay_covers": ["channel_skew", "part_to_part_skew"],
                     "return": {"delay_covers": []}}},
        {"converter.data_valid": {"shape": "limits", "typical": "5 ns", "high": "7 ns"}},
        {"converter.min_clock_period": "12 ns", "converter.min_clock_high": "5 ns"},
    ):  # fmt: skip
        changed = scenario.with_values(values)
        validator.validate(tomllib.loads(changed.to_toml()))


@pytest.mark.parametrize(
    ("table", "key", "value"),
    [
        ("", "seed", -1),
        ("", "seed", 1.5),
        ("", "sede", 1),
        ("", "transient", [{}]),
        ("", "transient", {"kind": "poisson"}),
        ("", "transient", [{"kind": "eft"}]),
        ("", "transient", [{"kind": "eft", "peak": "2 kV", "slew": "1 kV/us"}]),
        ("", "transient", [{"kind": "eft", "peak": "2 kV", "coupling": 2}]),
        ("barrier", "upset", 1.5),
        ("link", "scheme", "remote-master"),
        ("trigger", "rate", "14 ns"),
        ("trigger", "rate", 1e6),
        ("trigger", "pattern", "burst"),
        ("trigger", "pattern", "after_read"),
        ("trigger", "gap", "1 us"),
        ("trigger", "burst_length", 3),
        ("converter", "conversion_time", "500"),
        ("converter", "conversion_time", "-500 ns"),
        ("converter", "conversion_time", {"shape": "uniform", "low": "1 ns"}),
        ("converter", "conversion_time", {"shape": "unifrom", "low": "1 ns", "high": "2 ns"}),
        ("converter", "conversion_time", {"shape": "constant", "value": 3}),
        ("converter", "conversion_time", {"shape": "mixture", "parts": []}),
        ("barrier", "return", {"style": "packets", "line_rate": "100 Mbps"}),
        ("barrier", "return", {"packet_bits": 8}),
        ("barrier", "delay_covers", "channel_skew"),
        ("barrier", "delay_covers", ["channel_skew", "channel_skew"]),
        ("barrier", "return", {"delay_covers": ["jitter"]}),
        ("converter", "data_valid", {"shape": "limits", "low": "5 ns", "high": "7 ns"}),
        ("converter", "min_clock_low", "-1 ns"),
        ("remote_clock", "capture", "third"),
        ("remote_clock", "tolerance", "1 ns"),
        ("host", "drain", 1),
        ("host", "watermark", True),
        ("host", "timeout", {"shape": "constant", "value": "1 us"}),
        ("host", "capture", "third"),
        ("fifo", "depth", 0),
        ("fifo", "dept", 4),
    ],
)
def test_it_rejects_what_does_not_load(validator, minimal, complaint, table, key, value):
    raw = tomllib.loads(minimal)
    place = raw.setdefault(table, {}) if table else raw
    place[key] = value
    assert not validator.is_valid(raw)
    assert complaint(**{f"{table}__{key}" if table else key: value})


def test_it_wants_what_is_required(validator, minimal):
    raw = tomllib.loads(minimal)
    for table, keys in raw.items():
        assert not validator.is_valid({name: t for name, t in raw.items() if name != table})
        for key in keys:
            less = raw | {table: {name: v for name, v in keys.items() if name != key}}
            assert not validator.is_valid(less), key


def test_every_key_is_explained():
    def explained(schema, path):
        for name, value in schema["properties"].items():
            key = f"{path}{name}"
            assert len(value["description"]) > 10, key
            yield key
            if "properties" in value:
                yield from explained(value, f"{key}.")

    assert set(explained(json_schema(), "")) == {*every_key(), "transient"}
    source = {"properties": json_schema()["properties"]["transient"]["items"]["properties"]}
    assert set(explained(source, "")) == set(Transient.model_fields)


def test_patterns_accept_every_unit():
    for dimension in (TIME, RATIO, FREQUENCY, LINE_RATE, SLEW, VOLTAGE):
        schema = dimension.schema()
        validator = jsonschema.Draft202012Validator(schema)
        assert validator.is_valid(dimension.example)
        for unit in dimension.scales:
            assert validator.is_valid(f"1.5e3 {unit}")
            assert not validator.is_valid(f"1.5e3 {unit}x")
            assert not validator.is_valid(unit)


def test_the_command_prints_it_or_writes_it(tmp_path, capsys):
    schema()
    assert json.loads(capsys.readouterr().out) == json_schema()
    schema(out=tmp_path / "schema.json")
    assert json.loads((tmp_path / "schema.json").read_text()) == json_schema()
    assert capsys.readouterr().out == ""
