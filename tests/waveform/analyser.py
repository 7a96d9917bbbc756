"""What a logic analyser would export of a simulated unit: plain wires, under other names."""

from __future__ import annotations

from simlink.link import content
from simlink.tracing.trace import trace

NS = 10**6

#: What the board calls its lines; the host's busy is active low there.
NAMES = {
    "host.trigger": "CNV",
    "host.busy": "!nBUSY",
    "host.clock": "SCK",
    "remote.trigger": "ISO_CNV",
    "remote.busy": "ISO_BUSY",
    "remote.clock": "ISO_SCK",
    "remote.data[0]": "ISO_SDO",
}
CODES = dict(zip(NAMES, "!\"%&'()", strict=True))
#: How long a trigger is high.
PULSE = 100 * NS


def wires(scenario):
    """Return the edges of every wire of board 0: (time in fs, level) by the signal's name."""
    found = {name: [] for name in NAMES}
    taken, bits = 0, []
    for time, name, value in trace(scenario, range(scenario.conversions)).entries:
        if name == "remote.trigger":
            taken = value
            bits = content.lane_bits(scenario, 0, taken, 0)
        place = "remote.trigger" if name == "remote.missed" else name
        if place.endswith(".trigger"):
            found[place] += [(time, 1), (time + PULSE, 0)]
        elif name == "remote.data[0]" and value >= 0:
            # A real line has no third level: it moves when the next bit is there.
            found[name].append((time, bits[value]))
        elif name in NAMES and name != "remote.data[0]":
            found[name].append((time, value))
    return found


def export(scenario, step=NS, start=0, end=None):
    """Return the text of a capture of board 0 from one instant to another, sampled at a step.

    Each line of the text holds one instant and what changes at it, as many programs write it.
    """
    found = wires(scenario)
    last = max(line[-1][0] for line in found.values() if line)
    end = last + 1000 * NS if end is None else end
    now = dict.fromkeys(NAMES, 0)
    changes = {}
    for name, line in found.items():
        for time, level in line:
            if time < start:
                now[name] = level
            elif time <= end:
                changes.setdefault((time - start + step // 2) // step, []).append((name, level))
    unit = {1: "1 fs", NS: "1 ns", 10 * NS: "10 ns"}[step]
    text = ["$date a day $end", f"$timescale {unit} $end", "$scope module board $end"]
    text += [f"$var wire 1 {CODES[name]} {NAMES[name].strip('!')} $end" for name in NAMES]
    text += ["$upscope $end", "$enddefinitions $end"]
    text.append(" ".join(["#0", *(shown(name, level) for name, level in now.items())]))
    for time, moved in sorted(changes.items()):
        told = []
        for name, level in moved:
            if level != now[name]:
                told.append(shown(name, level))
            now[name] = level
        if told and time == 0:
            time = 1
        if told:
            text.append(" ".join([f"#{time}", *told]))
    text.append(f"#{(end - start) // step}")
    return "\n".join(text) + "\n"


def shown(name, level):
    if NAMES[name].startswith("!"):
        level = 1 - level
    return f"{level}{CODES[name]}"


def instant_of(line):
    """Return the instant that a line of a capture begins with."""
    return int(line.split()[0][1:])


def without(text, name, level, number, count=1):
    """Take some changes of a line to a level out of a capture; return it and their instants."""
    mark, lines, seen, at = shown(name, level), [], 0, []
    for line in text.splitlines():
        words = line.split()
        if line.startswith("#") and mark in words and words[0] != "#0":
            if number <= seen < number + count:
                at.append(instant_of(line))
                words.remove(mark)
            seen += 1
            line = " ".join(words)
        lines.append(line)
    assert len(at) == count or count > 10**6
    return "\n".join(lines) + "\n", at


def with_pulse(text, name, level, time, width):
    """Put a pulse of a line into a capture, width in steps, level there from an instant on."""
    extra = [(time, shown(name, level)), (time + width, shown(name, 1 - level))]
    lines = text.splitlines()
    head = next(i for i, line in enumerate(lines) if line.startswith("#"))
    moved = {instant_of(line): line for line in lines[head:]}
    for at, mark in extra:
        moved[at] = f"{moved.get(at, f'#{at}')} {mark}"
    return "\n".join([*lines[:head], *(moved[at] for at in sorted(moved))]) + "\n"
