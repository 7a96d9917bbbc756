"""What came of a frame that the host asked for once more, in sentences."""

from __future__ import annotations

from simlink.base.instants import NEVER
from simlink.base.wording import time_text
from simlink.link.repeat import was_in_vain
from simlink.records import Fate
from simlink.tracing.facts import Facts
from simlink.tracing.story import at


def was_asked(facts: Facts) -> bool:
    """Tell whether the host asked for the frame once more."""
    return bool(facts.row["request"] != NEVER)


def repeated(facts: Facts) -> list[str]:
    """Return what is to be said of it; nothing if it was not asked for."""
    if not was_asked(facts):
        return []
    asked, end = int(facts.row["request"]), int(facts.row["read_end"])
    said = [f"The host had read it {at(asked)}, its check failed, and the host asked for it again."]
    wait = facts.scenario.check.repeat_timeout
    assert wait is not None
    if facts.fate is Fate.UNDERRUN:
        said.append("The repeated frame was read too early.")
    elif facts.fate is not Fate.DROPPED:
        said.append(f"The repeated frame had been read {at(end)}, and its check passed.")
    elif was_in_vain(asked, end, wait.constant_value):
        waited = time_text(wait.constant_value)
        said.append(f"Nothing was released within {waited}, and the host went on without it.")
    else:
        said.append(f"The repeated frame had been read {at(end)}, and its check failed too.")
    return said
