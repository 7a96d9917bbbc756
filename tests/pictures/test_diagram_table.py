"""The timing table: limits of the laws apart from what was seen, in each of its formats."""

import csv
import io
import math

import pytest

from simlink.pictures.timing_table import HEADINGS, timing_table
from simlink.tracing.law_limits import LawLimit, Range
from simlink.tracing.measured import RULES
from simlink.tracing.run_limits import Limits, RunLimits

LIMITS = {
    "t_SU": Limits(-1_200_000, 5_250_000, 21_500_546, 18),
    "t_CONV": Limits(610_556_082, 640_800_829, 669_271_686, 6),
    "t_READ": Limits(1_999_999_600, 2_000_000_000, 2_000_000_000, 6),
}
LAWS = {
    ("t_CONV", ""): LawLimit("t_CONV", "", "", Range(600e6, 640e6, math.inf)),
    ("t_SU", "first bit"): LawLimit("t_SU", "first bit", "40 MHz", Range(20e6, 21e6, 22e6)),
    ("t_SU", "later bits"): LawLimit("t_SU", "later bits", "40 MHz", Range(-2e6, 5e6, 6e6)),
}
PARTS = {
    "t_SU": {
        "first bit": Limits(20_500_000, 21_000_000, 21_500_546, 9),
        "later bits": Limits(-1_200_000, 5_250_000, 5_500_000, 9),
    }
}


def test_csv_has_every_digit():
    rows = list(csv.DictReader(io.StringIO(timing_table(LIMITS, "csv", laws=LAWS))))
    assert [row["symbol"] for row in rows] == ["t_CONV", "t_SU", "t_READ"]
    scales = {"ns": 10**6, "us": 10**9}
    for row in rows:
        law = LIMITS[row["symbol"]]
        assert row["meaning"] == RULES[row["symbol"]].meaning
        for column, value in (("seen from", law.least), ("seen to", law.largest)):
            assert round(float(row[column]) * scales[row["unit"]]) == value
    assert [rows[0][one] for one in ("min", "typ", "max")] == ["600", "640", ""]


def test_markdown():
    limits = RunLimits(LIMITS, "", PARTS)
    pins = {"remote.data": "SDO", "remote.capture": "SCK", "host.read": "CSN"}
    lines = timing_table(limits, "md", ["t_SU", "t_READ"], laws=LAWS, pins=pins).splitlines()
    setup = "| t<sub>SU</sub> | setup: data valid to capture (SDO to SCK) |"
    assert lines == [
        f"| {' | '.join(HEADINGS)} |",
        "| --- | --- | --- | ---: | ---: | ---: | ---: | ---: | --- |",
        f"{setup} first bit, 40 MHz | 20.000 | 21.000 | 22.000 | 20.500 | 21.501 | ns |",
        f"{setup} later bits, 40 MHz | -2.0000 | 5.0000 | 6.0000 | -1.2000 | 5.5000 | ns |",
        "| t<sub>READ</sub> | frame read (CSN) | – | – | – | – | 2.0000 | 2.0000 | µs |",
    ]


def test_latex_needs_no_package():
    text = timing_table(LIMITS, "tex", laws=LAWS)
    assert text.startswith("\\begin{tabular}{lllrrrrrl}\n\\hline\n")
    assert text.endswith("\\hline\n\\end{tabular}\n")
    assert "$t_{\\mathrm{SU}}$ & setup: data valid to capture & -- & -- & -- & -- & $-1" in text
    assert text.isascii()
    assert all(line.count("&") == 8 for line in text.splitlines() if line.endswith("\\\\"))


def test_what_was_traced_stands_below_the_table():
    over = "the first 100 of 300 conversions of each of 20 boards"
    said = f"Seen: least and largest over {over}."
    assert timing_table(LIMITS, "md", over=over).endswith(f"\n\n{said}\n")
    assert said in timing_table(LIMITS, "tex", over=over)
    assert timing_table(LIMITS, "csv", over=over) == timing_table(LIMITS, "csv")


@pytest.mark.parametrize("kind", ["md", "csv", "tex"])
def test_an_empty_table_still_has_its_head(kind):
    assert "symbol" in timing_table({}, kind)
