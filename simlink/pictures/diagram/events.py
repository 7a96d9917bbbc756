"""Common-mode events in a picture: when they upset the channels, which symbols they hit, and how.

An event is a mark through all rows at its instant, with the window shaded in which it upsets. Each
symbol that it hits is drawn across the barrier as far as it would have come, with a sign of what
came of it. Symbols of one kind that are hit close to each other share a sign.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from simlink.base.instants import FS_PER_SECOND
from simlink.link.common_mode import instants
from simlink.link.transient import WAYS, Upsets, upsets
from simlink.link.transport import packets_of
from simlink.pictures.diagram.placing import in_lanes
from simlink.records import Fate
from simlink.tracing.fault_edges import EVENT

if TYPE_CHECKING:
    from simlink.engines.event.frame import Made, Met
    from simlink.pictures.diagram.timescale import Scale
    from simlink.pictures.diagram.tracks import Track
    from simlink.pictures.diagram.window import View
    from simlink.scenario.schema import Scenario
    from simlink.tracing.trace import Trace

LOST, INVERTED, SLIPPED = "hit lost", "hit inverted", "hit slipped"
#: What a sign of the picture says, after the channel and the count of its symbols.
SAID = {LOST: "lost", INVERTED: "inverted", SLIPPED: "lost, later bits move up"}
#: Channels of which a lost symbol moves up the bits that come after it.
_CLOCKS = ("clock", "returned", "strobe")
#: Half the height of a sign, and how far from each other the middles of two are at least, in mm.
RADIUS = 0.8
_APART = 2 * RADIUS + 0.3


@dataclass(frozen=True)
class Struck:
    """A symbol that was hit: from when to when it was on its way, in fs, and what came of it."""

    channel: str
    way: str
    conversion: int
    sent: int
    arrives: int
    effect: str


@dataclass(frozen=True)
class Events:
    """What common-mode events do within a picture."""

    #: When the events begin that upset channels or raise the fault line, in fs, in order.
    instants: list[int]
    #: When channels are upset, in fs, in order.
    windows: list[tuple[int, int]]
    #: The symbols that are hit.
    struck: list[Struck]
    #: Those of them that are drawn: lanes that have no row are not.
    drawn: list[Struck]
    #: The edges that no part drove.
    made: list[Made] = field(default_factory=list)
    #: What became of the frames that were read and that no trigger asked for.
    unrequested: list[Fate] = field(default_factory=list)

    @property
    def sentence(self) -> str:
        """Which symbols were hit, which edges made, and what came of them; empty if none was."""
        counts = Counter((one.channel, SAID[one.effect]) for one in self.struck)
        made = Counter((one.channel, "" if one.acted else "ignored") for one in self.made)
        fates = Counter(("", one.said) for one in self.unrequested)
        said = (
            ("Symbols hit", counts),
            ("Edges that no part drove", made),
            ("Frames read that no trigger asked for", fates),
        )
        return " ".join(f"{what}: {_counted(some)}." for what, some in said if some)


def _counted(some: Counter[tuple[str, str]]) -> str:
    """Return how many there are of what, and what came of it, in words."""
    parts = []
    for (name, how), number in some.items():
        where = f" on {name}" if name else ""
        parts.append(f"{number}{where}{f' ({how})' if how else ''}")
    return ", ".join(parts)


@dataclass(frozen=True)
class Sign:
    """One sign in the barrier: what it says, its middle and the ends of what it stands for, mm."""

    effect: str
    x: float
    y: float
    left: float
    right: float


def struck_in(trace: Trace) -> list[Struck]:
    """Return every symbol of a trace that was hit, in the order in which they were sent."""
    found = [
        Struck(one.channel, one.way, one.conversion, one.sent, one.arrives, effect_of(trace, one))
        for one in trace.met
        if one.hit
    ]
    return sorted(found, key=lambda one: (one.sent, one.channel))


def effect_of(trace: Trace, one: Met) -> str:
    """Return what came of a symbol that was hit."""
    if not one.channel.startswith("lane"):
        return SLIPPED if one.channel in _CLOCKS else LOST
    scenario = trace.scenario
    packets = packets_of(scenario)
    if packets is None:
        return INVERTED
    rate, place = scenario.barrier.direction("return").line_rate, one.symbol
    assert rate is not None
    for packet in packets:
        size = round(packet.line_time * rate.value / FS_PER_SECOND)
        if place < size:
            break
        place -= size
    return LOST if place < scenario.barrier.return_.header_bits else INVERTED


def events(view: View, tracks: list[Track]) -> Events | None:
    """Return what common-mode events do within a view, of which tracks are drawn; None if none."""
    trace, start, end = view.trace, view.start, view.end
    reported = {time for time, _ in view.edges.get(EVENT, ()) if start <= time < end}
    windows = windows_of(trace.scenario, trace.trial, start, end)
    struck = [one for one in struck_in(trace) if one.sent < end and one.arrives > start]
    lanes = {track.lane for track in tracks if track.lane is not None}
    drawn = [
        one
        for one in struck
        if not one.channel.startswith("lane") or int(one.channel.split()[1]) in lanes
    ]
    if not windows and not reported:
        return None
    found = reported.union(_instants(trace.scenario, trace.trial, windows))
    made = [one for one in trace.made if start <= one.time < end]
    extras = () if trace.record.unrequested is None else trace.record.unrequested
    begun = [one for one in extras if start <= int(one["read_start"]) < end]
    unrequested = [Fate(int(one["fate"])) for one in begun if one["fate"] >= 0]
    return Events(sorted(found), windows, struck, drawn, made, unrequested)


def _instants(scenario: Scenario, trial: int, windows: list[tuple[int, int]]) -> set[int]:
    """Return when the events begin that upset in some windows; the tail of a pulse is none."""
    found: set[int] = set()
    for number in range(len(scenario.transient) if windows else 0):
        for times in instants(scenario, number, trial):
            found |= {
                time
                for start, end in windows
                for time in times[(times >= start) & (times < end)].tolist()
            }
            if len(times) and times[-1] >= windows[-1][1]:
                break
    return found


def windows_of(scenario: Scenario, trial: int, start: int, end: int) -> list[tuple[int, int]]:
    """Return the windows of either direction that reach into a stretch, each instant once."""
    if not upsets(scenario):
        return []
    known = Upsets(scenario, trial)
    found: dict[int, int] = {}
    for way in WAYS:
        for begins, ends in zip(*known.windows(way, end), strict=True):
            if begins < end and ends > start:
                found[begins] = max(found.get(begins, 0), ends)
    return sorted(found.items())


def signs(
    drawn: list[Struck], scale: Scale, barrier: tuple[float, float], shows: tuple[int, int]
) -> list[Sign]:
    """Place the signs of one line of the picture within the barrier.

    Parameters
    ----------
    barrier : (float, float)
        Its top and bottom, in mm.
    shows : (int, int), fs
        What the line shows.
    """
    runs: list[tuple[str, float, float]] = []
    for effect in SAID:
        places = sorted(
            scale.at((one.sent + one.arrives) / 2)
            for one in drawn
            if one.effect == effect and shows[0] <= one.sent and one.arrives <= shows[1]
        )
        for x in places:
            if runs and runs[-1][0] == effect and x - runs[-1][2] < _APART:
                runs[-1] = (effect, runs[-1][1], x)
            else:
                runs.append((effect, x, x))
    middles = [min(max((a + b) / 2, scale.left + RADIUS), scale.right - RADIUS) for _, a, b in runs]
    lanes = in_lanes([(x - RADIUS, x + RADIUS) for x in middles])
    top, bottom = barrier
    pitch = min(_APART, (bottom - top) / max(max(lanes, default=0) + 1, 1))
    middle = (top + bottom) / 2
    used = max(lanes, default=0)
    return [
        Sign(effect, x, middle + (lane - used / 2) * pitch, left, right)
        for (effect, left, right), x, lane in zip(runs, middles, lanes, strict=True)
    ]
