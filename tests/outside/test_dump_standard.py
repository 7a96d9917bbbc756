"""Dumps against the syntax of IEEE Std 1364-2001, clause 18 (from memory), rule by rule.

The parser here shares nothing with the package. It is stricter than a viewer has to be: a dump is
read line by line, as the standard's own examples are laid out.
"""

from __future__ import annotations

import re

import pytest

from simlink.scenario.loading import load
from simlink.waveform.dumping import dump

UNITS = ("s", "ms", "us", "ns", "ps", "fs")
SCOPES = ("module", "task", "function", "begin", "fork")
TYPES = (
    "event", "integer", "parameter", "real", "reg", "supply0", "supply1", "time", "tri", "triand",
    "trior", "trireg", "tri0", "tri1", "wand", "wire", "wor",
)  # fmt: skip


#: Every rule that has been asked for.
ASKED = set()


class BrokenRuleError(Exception):
    def __init__(self, rule, line):
        self.rule = rule
        super().__init__(f"{rule}: {line}")


def parse(text):
    """Check a dump rule by rule; return its variables and its changes, extended to full width."""
    lines = iter(text.split("\n")[:-1])
    need(text.isascii(), "the file is ASCII", "")
    need(text.endswith("\n"), "the last line ends", "")
    variables = declarations(lines)
    return variables, changes(lines, variables)


def need(true, rule, line):
    ASKED.add(rule)
    if not true:
        raise BrokenRuleError(rule, line)


def declarations(lines):
    variables, scopes, timescales = {}, [], 0
    for line in lines:
        words = line.split()
        need(words[0].startswith("$"), "definitions come before values", line)
        need(words[-1] == "$end", "a section ends with $end", line)
        need(words.count("$end") == 1, "a section ends with $end", line)
        keyword, *inside = words[:-1]
        if keyword == "$timescale":
            timescales += 1
            number = "".join(inside)
            need(
                re.fullmatch(rf"(1|10|100)({'|'.join(UNITS)})", number),
                "the timescale is 1, 10 or 100 of s, ms, us, ns, ps or fs",
                line,
            )
        elif keyword == "$scope":
            need(len(inside) == 2 and inside[0] in SCOPES, "a scope has a type and a name", line)
            scopes.append(inside[1])
        elif keyword == "$upscope":
            need(not inside and scopes, "every scope is closed once", line)
            scopes.pop()
        elif keyword == "$var":
            need(len(inside) in (4, 5), "$var type size code reference", line)
            kind, size, code, name = inside[:4]
            need(kind in TYPES, "a variable has one of the standard's types", line)
            need(size.isdigit() and int(size) > 0, "a size is a positive number", line)
            need(
                all("!" <= c <= "~" for c in code),
                "an identifier code is printable, from ! to ~",
                line,
            )
            need(re.fullmatch(r"[A-Za-z_][\w$]*", name), "a reference is an identifier", line)
            if inside[4:]:
                found = re.fullmatch(r"\[(\d+):(\d+)\]", inside[4])
                need(
                    found and abs(int(found[1]) - int(found[2])) + 1 == int(size),
                    "a range is as wide as the size says",
                    line,
                )
            else:
                scalar = size == "1" or kind in ("real", "integer", "time", "parameter")
                need(scalar, "a range is as wide as the size says", line)
            reference = ".".join([*scopes, name])
            need(code not in variables, "an identifier code stands for one variable", line)
            taken = [one for one, *_ in variables.values()]
            need(reference not in taken, "a scope declares a name once", line)
            need(scopes, "a variable is in a scope", line)
            variables[code] = (reference, kind, int(size))
        elif keyword == "$enddefinitions":
            need(not inside, "$enddefinitions is empty", line)
            need(not scopes, "every scope is closed once", line)
            need(timescales == 1, "there is one timescale", line)
            return variables
        else:
            need(keyword in ("$comment", "$date", "$version"), "keywords are known", line)
    raise BrokenRuleError("$enddefinitions ends the header", "")


def changes(lines, variables):
    found, time, initial, told = [], None, None, set()
    for line in lines:
        if line.startswith("#"):
            need(re.fullmatch(r"#\d+", line), "an instant is # and a whole number", line)
            need(time is None or int(line[1:]) > time, "instants only grow", line)
            need(initial is None, "a section ends with $end", line)
            time = int(line[1:])
        elif line == "$dumpvars":
            need(not found, "$dumpvars comes before any change", line)
            initial = set()
        elif line == "$end":
            need(initial is not None, "$end ends something", line)
            every = {code for code, (_, kind, _) in variables.items() if kind != "event"}
            need(initial == every, "$dumpvars tells every value once", line)
            told, initial = initial, None
        elif line.startswith("$"):
            need(re.fullmatch(r"\$comment [^$]* \$end", line), "keywords are known", line)
        else:
            code, value = change(line, variables)
            need(time is not None, "a change has an instant", line)
            if initial is not None:
                need(code not in initial, "$dumpvars tells every value once", line)
                initial.add(code)
            found.append((time, variables[code][0], value))
    need(initial is None, "a section ends with $end", "")
    need(told, "$dumpvars tells every value once", "")
    return found


def change(line, variables):
    """Check one change; return its identifier code, and its value at full width."""
    if line[0] in "bB":
        shape = re.fullmatch(r"[bB]([01xXzZ]+) ([!-~]+)", line)
        need(shape, "one space between a vector's value and its code", line)
        digits, code = shape[1].lower(), shape[2]
        need(code in variables, "a code is declared", line)
        _, kind, size = variables[code]
        need(kind not in ("real", "event"), "b is for vectors", line)
        need(len(digits) <= size, "a value fits its size", line)
        # Extended to the left: 0 and 1 with 0, x with x, z with z.
        return code, digits.rjust(size, {"1": "0"}.get(digits[0], digits[0]))
    if line[0] in "rR":
        shape = re.fullmatch(r"[rR](-?\d+(?:\.\d+)?(?:e[+-]?\d+)?) ([!-~]+)", line)
        need(shape, "a real is r, a decimal number, a space and its code", line)
        need(shape[2] in variables, "a code is declared", line)
        need(variables[shape[2]][1] == "real", "r is for reals", line)
        return shape[2], float(shape[1])
    need(line[0] in "01xXzZ", "a scalar is 0, 1, x or z", line)
    need(" " not in line, "no space between a scalar's value and its code", line)
    need(line[1:] in variables, "a code is declared", line)
    _, kind, size = variables[line[1:]]
    need(size == 1 and kind != "real", "a scalar is one bit wide", line)
    if kind == "event":
        need(line[0] == "1", "an event happens as a 1", line)
    return line[1:], line[0].lower()


@pytest.fixture(scope="module")
def example(tmp_path_factory):
    """A dump with everything in it: several lanes and words, a credit, reals, two units of time."""
    scenario = load("scenarios/bench-supply.toml").with_values(
        {
            "frame": {"lanes": 3, "words_per_lane": 2, "word_bits": 9},
            "fifo.when_full": "stall",
            "conversions": 3,
            "host.timeout": "50 us",
            "title": "$end of the \u00b5V meter\n#5",
        }
    )
    path = tmp_path_factory.mktemp("dump") / "example.vcd"
    dump(scenario, path, step=1)
    return path.read_text()


def test_an_own_dump_keeps_every_rule(example):
    variables, found = parse(example)
    references = {reference for reference, *_ in variables.values()}
    assert {"host.trigger", "host.fifo.level", "remote.clock", "remote.data_2_bit"} <= references
    assert {"barrier.forward_delay_ns", "remote.word_2_1", "remote.credit"} <= references
    assert len(found) > 1000
    assert "\nb" in example
    assert "\nr" in example


@pytest.mark.parametrize("scheme", ["forwarded_clock", "returned_clock"])
@pytest.mark.parametrize("step", [1, 10, 10**5, 10**6])
def test_dumps_of_all_schemes_and_steps_keep_every_rule(tmp_path, scheme, step):
    scenario = load("scenarios/three-ways.toml").with_values(
        {"link.scheme": scheme, "host.clock": "12 MHz", "conversions": 4}
    )
    dump(scenario, tmp_path / "a.vcd", step=step)
    parse((tmp_path / "a.vcd").read_text())


def test_a_dump_with_more_variables_than_one_character_tells_apart(tmp_path):
    scenario = load("scenarios/bench-supply.toml").with_values({"frame.lanes": 40})
    dump(scenario, tmp_path / "a.vcd", range(1))
    variables, _ = parse((tmp_path / "a.vcd").read_text())
    assert max(map(len, variables)) == 2


#: The rule that is broken, and how: a pattern in the dump and what takes its place, once.
BREAKS = [
    ("the file is ASCII", r"\$version simlink", "$version simlink µ"),
    ("the last line ends", r"\n\Z", ""),
    ("definitions come before values", r"\$timescale", "1!\n$timescale"),
    ("a section ends with $end", r"(\$version .*) \$end", r"\1"),
    ("a section ends with $end", r"(\$var .*) \$end", r"\1"),
    ("a section ends with $end", r"(\$dumpvars\n)", r"\1#99999999999999\n"),
    ("the timescale is 1, 10 or 100 of s, ms, us, ns, ps or fs", "1 fs", "2 fs"),
    ("the timescale is 1, 10 or 100 of s, ms, us, ns, ps or fs", "1 fs", "1 as"),
    ("there is one timescale", r"\$timescale 1 fs \$end\n", ""),
    ("there is one timescale", r"(\$timescale 1 fs \$end\n)", r"\1\1"),
    ("a scope has a type and a name", "scope module host", "scope package host"),
    ("a scope has a type and a name", "scope module host", "scope module"),
    ("every scope is closed once", r"\$upscope \$end\n", ""),
    ("every scope is closed once", r"(\$enddefinitions)", r"$upscope $end\n\1"),
    ("$var type size code reference", r"(\$var wire 1 \S+) busy", r"\1"),
    ("a variable has one of the standard's types", r"\$var wire", "$var line"),
    ("a size is a positive number", r"\$var wire 1", "$var wire 0"),
    ("an identifier code is printable, from ! to ~", r"wire 1 \S+ busy", "wire 1 \x7f busy"),
    ("a reference is an identifier", r"busy \$end", "2busy $end"),
    ("a range is as wide as the size says", r"\$var reg 5", "$var reg 6"),
    ("a range is as wide as the size says", r" \[4:0\]", ""),
    ("an identifier code stands for one variable", r"wire 1 \S+ busy", "wire 1 ! busy"),
    ("a scope declares a name once", r"(wire 1 \S+) service", r"\1 busy"),
    ("a variable is in a scope", r"(\$scope)", r"$var wire 1 ~~ lost $end\n\1"),
    ("$end ends something", r"(\$comment end)", r"$end\n\1"),
    ("$enddefinitions is empty", r"\$enddefinitions", "$enddefinitions now"),
    ("$enddefinitions ends the header", r"\$enddefinitions(.|\n)*", ""),
    ("keywords are known", r"\$comment", "$remark"),
    ("an instant is # and a whole number", r"\n#\d+\n(?=\d)", "\n#1.5\n"),
    ("instants only grow", r"(\n#\d+)((?:\n[^#$\n]+)+)", r"\1\2\1"),
    ("$dumpvars comes before any change", r"\$dumpvars", "1!\n$dumpvars"),
    ("$dumpvars tells every value once", r"(\$dumpvars\n)[^\n]*\n", r"\1"),
    ("$dumpvars tells every value once", r"(\$dumpvars\n)([^\n]*\n)", r"\1\2\2"),
    ("$dumpvars tells every value once", r"\$dumpvars\n[^$]*\$end\n", ""),
    ("a change has an instant", r"\n#\d+\n", "\n"),
    ("one space between a vector's value and its code", r"\nb1 (\S)", r"\nb1\1"),
    ("one space between a vector's value and its code", r"\nb1 (\S)", r"\nb1  \1"),
    ("one space between a vector's value and its code", r"\nb1 (\S)", r"\nb2 \1"),
    ("a value fits its size", r"\nb1 (\S)", "\nb" + "1" * 70 + r" \1"),
    ("b is for vectors", r"\nr\S+ (\S)", r"\nb1 \1"),
    ("a real is r, a decimal number, a space and its code", r"\nr\S+ (\S)", r"\nrfast \1"),
    ("r is for reals", r"\nb1 (\S)", r"\nr1.5 \1"),
    ("a scalar is 0, 1, x or z", r"\n0(\S)\n", r"\n2\1\n"),
    ("no space between a scalar's value and its code", r"\n0(\S)\n", r"\n0 \1\n"),
    ("a scalar is one bit wide", r"\nb1 (\S)", r"\n1\1"),
    ("a code is declared", r"\n0(\S)\n", "\n0~~~\n"),
    ("an event happens as a 1", r"\n1!", "\n0!"),
]  # fmt: skip


@pytest.mark.parametrize(("rule", "pattern", "broken"), BREAKS)
def test_a_dump_broken_in_one_rule_is_rejected_for_it(example, rule, pattern, broken):
    spoilt, count = re.subn(pattern, broken, example, count=1)
    assert count == 1
    with pytest.raises(BrokenRuleError) as told:
        parse(spoilt)
    assert told.value.rule == rule


def test_every_rule_is_broken_at_least_once(example):
    ASKED.clear()
    parse(example)
    broken = {rule for rule, *_ in BREAKS}
    assert broken >= ASKED
    assert broken - ASKED == {"$enddefinitions ends the header"}
