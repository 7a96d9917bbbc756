"""A judgement as JUnit XML, for a build server: a test case for each limit and each requirement.

The elements and attributes are those that test runners write and servers read (no standard of
their own stands behind them): ``testsuites``, ``testsuite`` with ``tests``, ``failures``,
``errors`` and ``skipped``, ``testcase`` with ``classname`` and ``name``, and ``failure`` with a
``message``.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING
from xml.etree import ElementTree

from simlink.base.errors import printable
from simlink.base.made import MAKER
from simlink.verdict.wording import margin_text, value_text

if TYPE_CHECKING:
    from simlink.studies.judge import Judgement
    from simlink.verdict.limit import Limit


def junit(found: Judgement) -> bytes:
    """Return a judgement as the bytes of a JUnit XML file."""
    scenario, verdict = found.run.scenario, found.verdict
    cases = [
        (f"limit.{one.key}", one.holds, one.known.value, _numbers(one), one.evidence)
        for one in verdict.limits
    ]
    cases += [
        (f"require.{one.key}", one.holds, one.met.value, one.asked, one.evidence)
        for one in verdict.required
    ]
    failed = sum(not holds for _, holds, *_ in cases)
    counts = {
        "errors": "0",
        "failures": str(failed),
        "skipped": "0",
        "tests": str(len(cases)),
        "time": f"{found.spent:.3f}",
    }
    name = _plain(scenario.title or scenario.name)
    suites = ElementTree.Element("testsuites")
    suite = ElementTree.SubElement(suites, "testsuite", {"name": name, **counts})
    classname = _plain(Path(scenario.name).stem)
    for key, holds, known, numbers, evidence in cases:
        said = {"classname": classname, "name": key, "time": "0.000"}
        case = ElementTree.SubElement(suite, "testcase", said)
        if not holds:
            message = _plain(f"{key}: {known}{f' ({numbers})' if numbers else ''}")
            failure = ElementTree.SubElement(case, "failure", {"message": message, "type": known})
            failure.text = _plain(evidence)
    ElementTree.indent(suites)
    text = ElementTree.tostring(suites, encoding="unicode")
    head = f'<?xml version="1.0" encoding="utf-8"?>\n<!-- Made by {MAKER} -->\n'
    return f"{head}{text}\n".encode()


def _numbers(one: Limit) -> str:
    if one.margin is None or one.worst is None:
        return ""
    worst, limit = value_text(one.worst, one.unit), value_text(one.limit, one.unit)
    return f"{margin_text(one)}, {worst} {'where' if one.is_floor else 'of'} {limit}"


def _plain(text: str) -> str:
    """Return a text without what XML 1.0 has no way to hold, such as control characters."""
    kept = printable(text)
    return "".join(one if one.isprintable() and one < "\ufffe" else "?" for one in kept)
