"""The first screen of a run: the verdict, its limits, what was seen, and what that rests on."""

from __future__ import annotations

from typing import TYPE_CHECKING

from simlink.base.cautions import BRIEF
from simlink.base.errors import printable
from simlink.base.wording import many, percent
from simlink.pictures.jitter_line import jitter_line
from simlink.pictures.text import columns, wrapped
from simlink.verdict.limit import Known, Limit, Row, listed
from simlink.verdict.wording import margin_text, value_text

if TYPE_CHECKING:
    from simlink.figures.figure import Figure
    from simlink.running.run import Run
    from simlink.scenario.remarks import Assumption

#: Lines of the first screen at the most.
LINES = 40
#: Columns of a line at the most.
_COLUMNS = 80
#: Limits that hold and have a line of their own, at the most.
_NEAREST = 6
#: Limits that do not hold and have a line of their own, and of them with what was seen below.
_BROKEN, _EXPLAINED = 9, 3
#: Requirements that have a line of their own, at the most.
_REQUIRED = 4
#: What cures what, at the most.
_REMEDIES = 3
#: Limits whose defaults are told.
_RESTING = 3

#: What can become of a word but that it comes as it should.
LOSSES = {
    "missed_trigger": "missed trigger",
    "overrun": "overrun",
    "underrun": "underrun",
    "corrupted_flagged": "wrong bits in frame, told",
    "corrupted_silent": "wrong bits in frame",
    "not_received": "never received",
    "dropped": "check failed, dropped",
    "misaligned_told": "misaligned, and told",
    "misaligned_silent": "misaligned, silent",
    "timed_out": "timed out",
    "short_acquisition": "short acquisition",
    "in_flight": "still waiting at end",
}


def table(run: Run) -> str:
    """Return the first screen of a run.

    Parameters
    ----------
    run : Run
        A finished run.

    Returns
    -------
    str
        At most 40 lines of at most 80 columns: title, verdict, what breaks it or what the nearest
        limit rests on, remedies, the limits, what was seen, the defaults beneath the nearest
        limits, engine and seed, the cautions in short. It ends with a line break.
    """
    verdict = run.verdict
    rows = limits(verdict.limits, least=verdict.least, required=verdict.required)
    parts = [head(run), rows, seen(run), _foot(run)]
    return "\n\n".join(parts) + "\n"


def head(run: Run) -> str:
    """Return title and verdict, what is behind it, and what cures what is broken."""
    verdict = run.verdict
    lines = [
        clipped(printable(run.scenario.title or run.scenario.name), 1),
        clipped(verdict.sentence, 3),
        clipped(verdict.because, 3),
    ]
    lines += [clipped(f"Cure: {one.text}", 2, later="  ") for one in verdict.remedies[:_REMEDIES]]
    if run.interrupted:
        done = many(run.scenario.trials, "board")
        lines.append(f"Interrupted: this is what the {done} that were finished say.")
    return "\n".join(line for line in lines if line)


def clipped(text: str, most: int, first: str = "", later: str = "") -> str:
    """Return a text in lines, of which so many are kept."""
    found = wrapped(text, first, later).splitlines()
    if len(found) > most:
        found = [*found[: most - 1], found[most - 1][:74].rsplit(" ", 1)[0] + " ..."]
    return "\n".join(found)


def limits(
    found: tuple[Limit, ...],
    nearest: int = _NEAREST,
    least: Limit | None = None,
    required: tuple[Row, ...] = (),
) -> str:
    """Return the table of limits.

    Parameters
    ----------
    found : tuple of Limit
        In their order.
    nearest : int
        How many of those that hold have a line of their own; the others are counted together.
    least : Limit, optional
        The one whose evidence has been told.
    required : tuple of Row
        What is required besides; those that are not met come first.
    """
    broken = [one for one in found if not one.holds]
    held = [one for one in found if one.holds]
    far = sorted((one for one in held if one.share is not None), key=lambda one: one.share or 0)
    shown = [one for one in held if one.share is None and one.margin is None]
    shown = [*far[: max(nearest - len(shown), 1)], *shown[: max(nearest - 1, 0)]]
    rest = [one for one in held if not any(one is other for other in shown)]
    if len(rest) == 1:
        shown, rest = [*shown, *rest], []
    chosen = [one for one in found if one in broken[:_BROKEN] or any(one is o for o in shown)]
    rows = [("limit of", "limit", "worst", "margin", "how known")]
    rows += [(one.what, _limit(one), _worst(one), _margin(one), one.known.value) for one in chosen]
    asked = sorted(required, key=lambda one: one.holds)
    rows += [(one.key, one.asked, one.found, "-", one.met.value) for one in asked[:_REQUIRED]]
    lines = columns(rows).splitlines()
    if max(map(len, lines)) > _COLUMNS:
        lines = columns(rows, apart=1).splitlines()
    # What is behind the verdict is told above the table.
    some = [one for one in broken if one.evidence and one is not least]
    told = {id(one) for one in some[:_EXPLAINED]}
    text = [lines[0]]
    for one, line in zip(chosen, lines[1 : len(chosen) + 1], strict=True):
        text.append(line)
        if id(one) in told:
            text.append(clipped(one.evidence, 2, "      ", "      "))
    if len(broken) > _BROKEN:
        text.append(f"  and {len(broken) - _BROKEN} more that do not hold")
    if rest:
        text.append(wrapped(_rest(rest), "  ", "  "))
    text += lines[len(chosen) + 1 :]
    if len(required) > _REQUIRED:
        met = sum(one.holds for one in asked[_REQUIRED:])
        text.append(f"  and {len(required) - _REQUIRED} more requirements, {met} of them met")
    text += _bounds([one for one in held if one.known is Known.NOT_SEEN])
    return "\n".join(text)


def _limit(one: Limit) -> str:
    """Return a limit with its direction: what there has to be, or what there may be."""
    if one.limit is None:
        return "-"
    return f"{'≥' if one.is_floor else '≤'} {value_text(one.limit, one.unit)}"


def _margin(one: Limit) -> str:
    # All used is no answer to a question, as "no" would be.
    return "0 %" if one.margin == 0 else margin_text(one).removesuffix(" margin") or "-"


def _worst(one: Limit) -> str:
    """Return the worst value; of a FIFO that loses, and whose need is not known, "more"."""
    if one.worst is None and one.limit and one.known is Known.VIOLATED and one.unit == "frames":
        return f"> {value_text(one.limit, one.unit)}"
    return value_text(one.worst, one.unit)


def _rest(rest: list[Limit]) -> str:
    """Say what the limits without a line of their own have in common."""
    shares = [one.share for one in rest if one.share is not None]
    margin, least = "", min(shares, default=None)
    if least is not None:
        near = least < _FAR
        margin = f" with at least {percent(float(least))} margin" if near else ", none of them near"
    said = f"{many(len(rest), 'other limit')} {'holds' if len(rest) == 1 else 'hold'}{margin}"
    unseen = sum(one.known is Known.NOT_SEEN for one in rest)
    return f"{said}, {len(rest) - unseen} of them proven" if unseen else f"{said}, all proven"


#: A margin that nobody looks at twice, as a share of its limit.
_FAR = 10


def _bounds(unseen: list[Limit]) -> list[str]:
    """Return what it says that nothing was seen, once for all rows that say the same."""
    said: dict[str, list[str]] = {}
    for one in unseen:
        said.setdefault(one.evidence.partition(";")[0], []).append(one.what)
    return [
        clipped(f"{listed(names)} not seen broken: {bound}", 2, "  ", "    ")
        for bound, names in sorted(said.items())[:2]
    ]


def seen(run: Run) -> str:
    """Return the few figures of a run that matter."""
    found = run.figures
    scenario = run.scenario
    rows = [
        (said, f"{_value(found[name])}, {found[name].count} of {many(found[name].of or 0, 'word')}")
        for name, said in LOSSES.items()
        if name in found and found[name].count
    ]
    if not any(found[name].count for name in LOSSES if name != "in_flight" and name in found):
        rows.insert(0, ("words lost", f"none of {found['delivered'].of}"))
    if "repeated" in found and found["repeated"].count:
        asked, mended = found["repeated"], found["mended"].count
        of = many(asked.of or 0, "word")
        said = f"{_value(asked)}, {asked.count} of {of}, {mended} delivered"
        rows.append(("asked for once more", said))
    for end, said in (("release", "trigger to release"), ("read", "trigger to last bit")):
        ends = [found[f"latency_{end}_{which}"] for which in ("median", "p99", "largest_seen")]
        if ends[0].value is not None:
            median, high, largest = (one.text() for one in ends)
            text = f"{median} median, {high} at 99 %, {largest} largest seen"
            if median == high == largest:
                text = f"{median} median, at 99 %, and largest seen"
            rows.append((said, text))
    if line := jitter_line(run):
        rows.append(("sampling jitter", line))
    offered, delivered = found["throughput_offered"], found["throughput_delivered"]
    if delivered.value is not None:
        said = f"{offered.text()} offered"
        if delivered.value < (offered.value or 0):
            said = f"{delivered.text()} of {said}"
        else:
            # What still waits is not delivered, but not lost either.
            said = f"{said}, none lost so far" if found["in_flight"].count else f"all of {said}"
        rows.append(("throughput", said))
    taken, busy = found["fifo_occupancy_max"], found["host_busy_share"]
    if taken.value is not None:
        rows.append(("FIFO", f"at most {taken.value:.0f} of {many(scenario.fifo.depth, 'slot')}"))
    if busy.value is not None:
        said = f"serving {percent(busy.value)} of the time, its latency included"
        rows.append(("host", said))
    size = f"{many(scenario.trials, 'board')} of {many(scenario.conversions, 'conversion')}"
    return f"seen in {size}:\n{columns(rows)}"


def _value(figure: Figure) -> str:
    between = figure.interval()
    # What holds for all, or for none, is a bound, for which there is no room here.
    plain = not between or figure.count in (0, figure.of)
    return figure.text() if plain else f"{figure.text()} ({between})"


def _foot(run: Run) -> str:
    scenario = run.scenario
    lines = [_defaults(run)] if scenario.assumed else []
    why = f" ({run.why})" if run.why else ""
    lines.append(clipped(f"Engine {run.engine}{why}, seed {scenario.seed}.", 2))
    lines.append(wrapped(f"Cautions: {BRIEF}"))
    return "\n".join(line for line in lines if line)


def _defaults(run: Run) -> str:
    """Say which defaults the nearest limits rest on."""
    found = sorted(
        run.verdict.limits, key=lambda one: (one.holds, one.share is None, one.share or 0)
    )
    resting = {key for one in found[:_RESTING] for key in one.keys}
    near = [one for one in run.scenario.assumed if one.key in resting]
    count = len(run.scenario.assumed)
    if not near:
        rest = f"The nearest limits rest on no default; {many(count, 'default')} elsewhere"
    else:
        keys = {one.key for one in near}
        whose = [one.what for one in found[:_RESTING] if keys & set(one.keys)]
        verb = "rests" if len(whose) == 1 else "rest"
        rest = f"{listed(whose)} {verb} on defaults: {', '.join(map(assumed, near))}"
        rest = f"{rest[0].upper()}{rest[1:]}"
    return clipped(f"{rest} (--assumptions tells all).", 2)


def assumed(one: Assumption) -> str:
    """Return a default as the file would hold it, such as ``"host.watermark = 1"``."""
    from simlink.scenario.faults import written

    value = one.value if isinstance(one.value, str) else written(one.value)
    return f"{one.key} = {value}"
