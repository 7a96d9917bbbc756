"""Where a picture begins and ends, if not at its conversions: at an event, or an instant.

An event is a signal of the trace, ``rises`` or ``falls`` after it where one edge of a level is
meant, and a time to add or subtract: ``"remote.busy falls"``, ``"remote.clock + 50 ns"``. The
beginning is the first such event of the first conversion that is shown, the end the last such
event of the last one. An instant is a time after the first trigger: ``"1.2 us"``.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from simlink.base.errors import InputError
from simlink.pictures.diagram.tracks import SHOWN_ON, TABLE
from simlink.scenario.quantities import parse_duration
from simlink.tracing.edges import by_conversion

if TYPE_CHECKING:
    from simlink.pictures.diagram.window import View

_EVENT = re.compile(
    r"([a-z]+\.[a-z]+)(\[[0-9]{1,3}\])?(?:\s+(rises|falls))?(?:\s*([+-])\s*(\S.*))?"
)


def narrow(view: View, since: str | None, until: str | None) -> None:
    """Narrow what is shown, in place, to a stretch of it.

    Its ends are events or instants, as above; None where the conversions' own end stays.

    Raises
    ------
    InputError
        If either is none, or the stretch is empty or not within what is traced.
    """
    start = view.start if since is None else _instant(view, since, "--from", first=True)
    end = view.end if until is None else _instant(view, until, "--to", first=False)
    if not start < end:
        option, text = ("--to", until) if until is not None else ("--from", since)
        raise InputError(option, None, f'"{text}"', "an end that is later than the beginning")
    # A little before and after, so that the edges that were named are seen.
    pad = max((end - start) // 40, 1)
    view.start = start if since is None else start - pad
    view.end = end if until is None else end + pad
    view.fates = [one for one in view.fates if view.start <= one[1] <= view.end]


def _instant(view: View, text: str, option: str, first: bool) -> int:
    found = _EVENT.fullmatch(text.strip())
    if found is None:
        sent = by_conversion(view.edges, "host.trigger")
        return min(sent[index] for index in view.conversions if index in sent) + parse_duration(
            text, option
        )
    name, lane, edge, sign, offset = found.groups()
    known = [signal.name for signal in TABLE] + list(SHOWN_ON)
    if name not in known:
        raise InputError(option, None, f'"{text}"', f"a time, or one of {', '.join(known)}")
    level = {"rises": 1, "falls": 0, None: None}[edge]
    wanted = view.conversions[0] if first else view.conversions[-1]
    times = [
        change.time
        for change in view.trace.changes
        if change.family == name
        and change.signal.endswith(lane or "")
        and change.conversion == wanted
        and level in (None, change.value)
    ]
    if not times:
        raise InputError(option, None, f'"{text}"', f"conversion {wanted} has no such event")
    time = min(times) if first else max(times)
    if offset is not None:
        time += parse_duration(offset, option) * (1 if sign == "+" else -1)
    return time
