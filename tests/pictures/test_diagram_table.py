import csv
import io

import pytest

from simlink.pictures.timing_table import timing_table
from simlink.tracing.measured import RULES, Limits

LIMITS = {
    "t_SU": Limits(-1_200_000, 5_250_000, 21_500_546, 18),
    "t_CONV": Limits(610_556_082, 640_800_829, 669_271_686, 6),
    "t_READ": Limits(1_999_999_600, 2_000_000_000, 2_000_000_000, 6),
}


def test_csv_has_every_digit():
    rows = list(csv.DictReader(io.StringIO(timing_table(LIMITS, "csv"))))
    assert [row["symbol"] for row in rows] == ["t_CONV", "t_SU", "t_READ"]
    scales = {"ns": 10**6, "us": 10**9}
    for row in rows:
        law = LIMITS[row["symbol"]]
        assert row["meaning"] == RULES[row["symbol"]].meaning
        for column, value in (("min", law.least), ("typ", law.typical), ("max", law.largest)):
            assert round(float(row[column]) * scales[row["unit"]]) == value


def test_markdown():
    assert timing_table(LIMITS, "md", ["t_SU", "t_READ"]).splitlines() == [
        "| symbol | meaning | min | typ | max | unit |",
        "| --- | --- | ---: | ---: | ---: | --- |",
        "| t<sub>SU</sub> | setup: data valid to capture | -1.2000 | 5.2500 | 21.501 | ns |",
        "| t<sub>READ</sub> | frame read | 2.0000 | 2.0000 | 2.0000 | µs |",
    ]


def test_latex_needs_no_package():
    text = timing_table(LIMITS, "tex")
    assert text.startswith("\\begin{tabular}{llrrrl}\n\\hline\n")
    assert text.endswith("\\hline\n\\end{tabular}\n")
    assert "$t_{\\mathrm{SU}}$ & setup: data valid to capture & $-1.2000$ & 5.2500" in text
    assert text.isascii()
    assert all(line.count("&") == 5 for line in text.splitlines() if line.endswith("\\\\"))


def test_what_was_traced_stands_below_the_table():
    over = "the first 100 of 300 conversions of each of 20 units"
    said = f"Min, typ and max: least, median and largest over {over}."
    assert timing_table(LIMITS, "md", over=over).endswith(f" |\n\n{said}\n")
    tex = timing_table(LIMITS, "tex", over=over)
    assert tex.endswith(f"\\hline\n\\multicolumn{{6}}{{l}}{{{said}}}\n\\end{{tabular}}\n")
    assert timing_table(LIMITS, "csv", over=over) == timing_table(LIMITS, "csv")


@pytest.mark.parametrize("kind", ["md", "csv", "tex"])
def test_an_empty_table_still_has_its_head(kind):
    assert "symbol" in timing_table({}, kind)
