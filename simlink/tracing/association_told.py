"""For which conversion the host takes a frame, and whether anybody tells it, in words."""

from __future__ import annotations

from typing import Any

from simlink.base.instants import NEVER
from simlink.records import Fate
from simlink.tracing.facts import Facts
from simlink.tracing.finding import HARMED
from simlink.tracing.story import Story


def remark(outcome: Any, fate: Fate, upset: bool) -> str:
    """Return what is said beside a fate: of a frame taken for another one, or that was upset.

    ``outcome`` is what the host makes of the conversion, ``upset`` whether transients may be what
    harms one. Empty if there is nothing to say.
    """
    said = ""
    if outcome["misaligned"]:
        believed = int(outcome["believed"])
        said = ", taken for none" if believed < 0 else f", taken for {believed}"
    if outcome["misaligned"] or (fate.word in HARMED and upset):
        said += ", told" if outcome["told"] else ", not told"
    return said


def association(facts: Facts, asked: str) -> Story:
    """Tell for which conversion the host takes the frame, and whether it is told of any harm.

    ``asked`` is what the story so far is of: its fate, ``"latest"`` or ``"timed_out"``.
    """
    index, outcome = facts.conversion, facts.view[facts.conversion]
    story = Story([], index)
    if asked != facts.fate.word in HARMED:
        story.steps.append(f"Its fate is {facts.fate.said}.")
    if outcome["misaligned"]:
        believed = int(outcome["believed"])
        if believed < 0:
            story.steps.append("The host takes its frame to answer no trigger that it knows of.")
        else:
            story.steps.append(f"The host takes its frame for that of conversion {believed}.")
        if 0 <= believed < len(facts.rows) and believed != index:
            story.since, story.until = min(index, believed), max(index, believed)
            story.steps += _of_the_other(facts, believed)
    if outcome["misaligned"] or facts.fate.word in HARMED:
        told = "The host was told that something was wrong."
        story.steps.append(told if outcome["told"] else "Nobody told the host.")
    return story


def _of_the_other(facts: Facts, other: int) -> list[str]:
    """Say what became of the conversion that a frame is taken for."""
    row, outcome = facts.rows[other], facts.view[other]
    fate = Fate(int(row["fate"])).said
    if row["read_end"] == NEVER:
        return [f"Of conversion {other} itself no frame was read; its fate is {fate}."]
    if not outcome["misaligned"]:
        return []
    believed = int(outcome["believed"])
    taken = "to answer none" if believed < 0 else f"for that of conversion {believed}"
    return [f"The frame of conversion {other} itself is taken {taken}."]
