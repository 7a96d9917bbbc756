"""Random scenarios for hypothesis, over every parameter of the remote master.

`scenarios` gives checked scenarios of two kinds. Fine ones have times of any femtosecond and
every law. Coarse ones have all their times on a grid of 1 or 10 ns and clocks of 50 or 100 MHz,
so that rules meet at one instant all the time; their randomness comes from laws that stay on the
grid. Both load by construction: none is filtered out.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from hypothesis import strategies as st

from simlink.scenario.loading import from_dict

RECORDINGS = Path(__file__).parent / "engines" / "recordings.csv"

Draw = Any


@dataclass(frozen=True)
class Grid:
    """How times are written: whole multiples of ``step`` fs, ``coarse`` laws staying on it."""

    step: int
    coarse: bool

    def text(self, steps: int) -> str:
        """Return a number of steps as a quantity."""
        return f"{steps * self.step} fs"

    def ns(self, time: int) -> int:
        """Return how many steps a time in ns is, rounded down."""
        return time * 10**6 // self.step


FINE = Grid(1, False)
GRIDS = [Grid(10**6, True), Grid(10**7, True)]


def whole(draw: Draw, low: int, high: int) -> int:
    """Draw a whole number, both ends included."""
    return draw(st.integers(low, high))


def amount(draw: Draw, low: int, high: int) -> int:
    """Draw a number of steps evenly over a range, as hypothesis' integers are not over a wide one.

    A wide range is cut into 500 and a few odd steps are added.
    """
    if high - low <= 1000:
        return whole(draw, low, high)
    some = low + (high - low) * whole(draw, 0, 500) // 500
    return max(low, min(high, some + draw(st.sampled_from([0, 0, -1, 1, 3, -331, 499_999]))))


def hertz(draw: Draw, low: int, high: int) -> str:
    """Draw a frequency from ``low`` to ``high`` MHz, of any whole number of Hz."""
    return f"{amount(draw, low * 10**6, high * 10**6)} Hz"


def megahertz(text: str) -> float:
    """Return a frequency that `hertz` drew, or a coarse one, in MHz."""
    value, unit = text.split()
    return float(value) / (1 if unit == "MHz" else 10**6)


def often(draw: Draw) -> bool:
    """Draw true half the time."""
    return draw(st.booleans())


def counts(draw: Draw, most: int) -> Any:
    """Draw how long a run of a two-state law is."""
    shape = draw(st.sampled_from(["whole", "geometric", "uniform"]))
    if shape == "whole":
        return whole(draw, 1, most)
    if shape == "geometric":
        return {"shape": "geometric", "mean": draw(st.sampled_from([1, 1.5, 2, 4.25]))}
    low = whole(draw, 1, most)
    return {"shape": "uniform", "low": low, "high": whole(draw, low, most)}


def recorded(draw: Draw, grid: Grid, signed: bool) -> dict[str, Any]:
    """Draw a recording; unsigned ones go up to 1300 ns, signed ones from -10 to 20 ns."""
    column = ("signed_" if signed else "") + ("coarse_ns" if grid.coarse else "ns")
    column = {"ns": "fine_ns"}.get(column, column)
    found: dict[str, Any] = {"shape": "recorded", "file": str(RECORDINGS), "column": column}
    found["unit"] = "ns"
    if often(draw):
        found["start"] = whole(draw, 0, 6)
    return found


def law(draw: Draw, grid: Grid, low: int, high: int, *, bounded: bool = False) -> Any:
    """Draw a law of a duration.

    Parameters
    ----------
    draw : callable
        Hypothesis' own.
    grid : Grid
        What its values lie on.
    low, high : int
        Its least and largest value in steps, or about the largest if it is not ``bounded``.
    bounded : bool
        Whether it may never go beyond them. A law may go below ``low`` only if ``low`` is
        negative and it is not bounded.
    """
    kinds = ["constant", "constant", "mixture", "two_state"]
    roomy = not bounded and high >= grid.ns(1300)
    if roomy and low == 0:
        kinds.append("recorded")
    if low <= -grid.ns(10) and high >= grid.ns(20):
        kinds.append("signed recorded")
    if not grid.coarse:
        kinds += ["uniform", "limits", "clipped normal"]
        if not bounded:
            kinds += ["normal"] if low < 0 else ["exponential", "lognormal", "gamma"]
    return shape(draw, draw(st.sampled_from(kinds)), grid, low, high, bounded)


def shape(draw: Draw, kind: str, grid: Grid, low: int, high: int, bounded: bool) -> Any:
    """Draw the parameters of one kind of law; see `law`."""

    def some(least: int = low, most: int = high) -> int:
        return amount(draw, least, max(least, most))

    def ordered(names: tuple[str, ...]) -> dict[str, Any]:
        values = sorted(some() for _ in names)
        return {name: grid.text(one) for name, one in zip(names, values, strict=True)}

    def inner() -> Any:
        simple = ["constant"] if grid.coarse else ["constant", "uniform", "clipped normal"]
        return shape(draw, draw(st.sampled_from(simple)), grid, low, high, bounded)

    if kind == "constant":
        return grid.text(some())
    if kind in ("uniform", "limits"):
        names = ("low", "high") if kind == "uniform" else ("low", "typical", "high")
        return {"shape": kind} | ordered(names)
    if kind == "clipped normal":
        sigma = grid.text(some(0, high - low))
        ends = ordered(("low", "high"))
        return {"shape": "normal", "mean": grid.text(some()), "sigma": sigma} | ends
    if kind == "normal":
        sigma = grid.text(some(0, max(high, -low)))
        return {"shape": "normal", "mean": grid.text(some()), "sigma": sigma}
    if kind == "exponential":
        mean, offset = some(0, high // 2), some(low, low + high // 2)
        return {"shape": kind, "mean": grid.text(mean), "offset": grid.text(offset)}
    if kind in ("lognormal", "gamma"):
        mean = some(1, max(high // 2, 1))
        amounts = {"mean": mean, "sigma": some(0, 2 * mean), "offset": some(low, low + high // 2)}
        return {"shape": kind} | {name: grid.text(one) for name, one in amounts.items()}
    if kind == "mixture":
        weights = st.sampled_from([0.05, 0.5, 1.0, 3.0])
        parts = [{"weight": draw(weights), "of": inner()} for _ in range(whole(draw, 1, 3))]
        return {"shape": kind, "parts": parts}
    if kind == "two_state":
        found = {"shape": kind, "normal": inner(), "stalled": inner()}
        found["spacing"] = counts(draw, 6)
        if often(draw):
            found["length"] = counts(draw, 3)
        return found
    return recorded(draw, grid, kind == "signed recorded")


def tolerance(draw: Draw, grid: Grid) -> Any:
    """Draw a tolerance within 2 %; on a coarse grid there is none."""
    if grid.coarse:
        return "0 ppm"
    ppm = st.integers(-20_000, 20_000)
    if often(draw):
        return f"{draw(ppm)} ppm"
    low, high = sorted((draw(ppm), draw(ppm)))
    if often(draw):
        return {"shape": "uniform", "low": f"{low} ppm", "high": f"{high} ppm"}
    ends = {"low": f"{low} ppm", "high": f"{high} ppm"}
    return {"shape": "normal", "mean": "10 ppm", "sigma": "500.5 ppm"} | ends


def rate(draw: Draw, grid: Grid, cycle: int) -> str:
    """Draw a rate whose period is near the converter's cycle, in ns: below, or well above."""
    wanted = cycle * draw(st.sampled_from([40, 80, 100, 130, 200, 400])) // 100
    if not grid.coarse:
        return f"{10**6 / amount(draw, 900 * wanted, 1100 * wanted):.9f} MHz"
    periods = [100, 160, 200, 250, 400, 500, 800, 1000, 1250, 2000, 4000]
    return f"{1000 / next((one for one in periods if one >= wanted), 4000):g} MHz"


def trigger(draw: Draw, grid: Grid, cycle: int) -> dict[str, Any]:
    """Draw the trigger's table, for a converter whose cycle takes that many ns or so."""
    pattern = draw(st.sampled_from(["periodic", "poisson", "burst", "after_read"]))
    if grid.coarse and pattern == "poisson":
        pattern = "periodic"
    found: dict[str, Any] = {}
    if pattern != "periodic" or often(draw):
        found["pattern"] = pattern
    if pattern in ("burst", "after_read"):
        found["gap"] = law(draw, grid, 0, grid.ns(1500))
    if pattern == "burst":
        found["burst_length"] = whole(draw, 1, 5)
    if pattern != "after_read":
        found["rate"] = rate(draw, grid, cycle)
        if often(draw):
            found["tolerance"] = tolerance(draw, grid)
        if often(draw):
            found["source"] = draw(st.sampled_from(["host", "remote"]))
    if often(draw):
        reach = draw(st.sampled_from([30, 800]))
        found["jitter"] = law(draw, grid, -grid.ns(reach), grid.ns(reach))
    return found


def remote_clock(draw: Draw, grid: Grid) -> tuple[dict[str, Any], dict[str, Any]]:
    """Draw the remote clock's table and the converter's: they have to agree on the hold."""
    if grid.coarse:
        frequency = draw(st.sampled_from(["50 MHz", "100 MHz"]))
    else:
        frequency = hertz(draw, *draw(st.sampled_from([(1, 20), (20, 125)])))
    clock: dict[str, Any] = {"frequency": frequency}
    if often(draw):
        clock["tolerance"] = tolerance(draw, grid)
    if often(draw):
        clock["start_delay"] = law(draw, grid, 0, grid.ns(60))
    if often(draw):
        clock["setup"] = law(draw, grid, 0, grid.ns(10), bounded=True)
    if often(draw):
        clock["capture"] = draw(st.sampled_from(["half", "whole"]))
    converter: dict[str, Any] = {"conversion_time": law(draw, grid, 0, grid.ns(400))}
    for name, most in (("busy_delay", 60), ("msb_valid", 20), ("acquisition_time", 500)):
        if often(draw):
            converter[name] = law(draw, grid, 0, grid.ns(most))
    if often(draw):
        # Mostly in time for half a period, so that not every frame is corrupted.
        converter["data_valid"] = law(draw, grid, 0, grid.ns(draw(st.sampled_from([2, 10]))))
    for name in ("period", "high", "low"):
        if draw(st.integers(0, 3)) == 0:
            converter[f"min_clock_{name}"] = law(draw, grid, 0, grid.ns(30))
    if often(draw):
        reach = draw(st.sampled_from([5, 200]))
        converter["aperture_jitter"] = law(draw, grid, -grid.ns(reach), grid.ns(reach))
    if often(draw):
        # Half a period is 4 ns at the least, but only a hold that no unit meets is refused.
        kept = amount(draw, 0, grid.ns(10))
        converter["data_hold"] = law(draw, grid, kept, grid.ns(12), bounded=True)
        if clock.get("capture") == "whole":
            clock["hold"] = law(draw, grid, 0, kept, bounded=True)
        else:
            clock["hold"] = {
                "shape": "mixture",
                "parts": [
                    {"weight": 1, "of": grid.text(0)},
                    {"weight": 0.2, "of": grid.text(grid.ns(20))},
                ],
            }
    return clock, converter


def skew(draw: Draw, grid: Grid, low: int, high: int) -> Any:
    """Draw a skew; a plain one leaves the grid, for each channel draws its share of it."""
    found = law(draw, grid, low, high, bounded=True)
    if grid.coarse and isinstance(found, str):
        return {"shape": "constant", "value": found}
    return found


def covers(draw: Draw) -> list[str]:
    """Draw what the limits of a delay contain."""
    keys = ("part_to_part_skew", "channel_skew", "pulse_width_distortion")
    return draw(st.lists(st.sampled_from(keys), unique=True))


def channel(
    draw: Draw, grid: Grid, back: bool, lanes: int, limited: bool = False
) -> dict[str, Any]:
    """Draw one direction: as long as its skew and bounded jitter, and 1 ns more to be distorted.

    A ``limited`` delay has limits, which may contain the spread, the skew and the distortion.
    """
    found: dict[str, Any] = {}
    low = 0
    if often(draw):
        found["part_to_part_skew"] = law(draw, grid, 0, grid.ns(10), bounded=True)
    if often(draw):
        if back and often(draw):
            most = grid.ns(draw(st.sampled_from([10, 700])))
            found["channel_skew"] = [
                grid.text(amount(draw, -grid.ns(10), most)) for _ in range(lanes)
            ]
        else:
            found["channel_skew"] = skew(draw, grid, -grid.ns(10), grid.ns(10))
        low += 10
    if often(draw):
        kind = draw(st.sampled_from(["small", "wide", "any"]))
        reach = {"small": 5, "wide": 400, "any": 50}[kind]
        if kind == "any":
            found["jitter"] = law(draw, grid, -grid.ns(10), grid.ns(reach))
        else:
            found["jitter"] = law(draw, grid, -grid.ns(10), grid.ns(reach), bounded=True)
        low += 10
    if low or often(draw):
        wide = draw(st.sampled_from([5, 100])) if limited else 100
        found["delay"] = law(draw, grid, grid.ns(low + 1), grid.ns(low + wide), bounded=limited)
    if limited and often(draw):
        found["delay_covers"] = covers(draw)
    return found


def barrier(draw: Draw, grid: Grid, lanes: int, bits: int) -> dict[str, Any]:
    """Draw the barrier's tables."""
    limited = often(draw)
    forward = channel(draw, grid, False, lanes, limited)
    back = channel(draw, grid, True, lanes, limited)
    found: dict[str, Any] = {}
    if limited and often(draw):
        found["delay_covers"] = covers(draw)
    if "channel_skew" not in back and "delay" in back and "jitter" not in back and often(draw):
        # A skew of the barrier holds for a direction that has none of its own.
        found["channel_skew"] = skew(draw, grid, 0, grid.ns(10))
    for table in (found, forward, back):
        ways = (forward, back) if table is found else (table,)
        if often(draw) and all("delay" in way for way in ways):
            limit = grid.ns(1)
            width = law(draw, grid, -limit, limit, bounded=True)
            table["pulse_width_distortion"] = width
        if often(draw):
            table["min_pulse"] = law(draw, grid, 0, grid.ns(1), bounded=True)
    if often(draw):
        found["channels"] = whole(draw, 1, 20)
    if often(draw):
        found["line_rate"] = draw(st.sampled_from(["200 Mbit/s", "256 Mbit/s"]))
    if often(draw):
        forward["line_rate"] = "150 Mbit/s"
    if often(draw):
        back["style"] = "packets"
        back["packet_bits"] = whole(draw, 1, bits + 2)
        if often(draw):
            back["overhead_bits"] = whole(draw, 0, 6)
        rates = ["10 Mbit/s", "50 Mbit/s", "100 Mbit/s"]
        if not grid.coarse:
            rates += ["33.3 Mbit/s", "7000003 bit/s"]
        back["line_rate"] = draw(st.sampled_from(rates))
    elif often(draw):
        back["style"] = "bits"
        if often(draw):
            back["line_rate"] = "130 Mbit/s"
    if back.get("style") != "packets" and often(draw):
        # Half of them self-clocked: wide skews and jitter corrupt what a strobe takes.
        back["strobe"] = draw(st.sampled_from([False, False, True]))
    if often(draw):
        back["check"] = "none"
    return found | {"forward": forward, "return": back}


@st.composite
def raw_scenarios(draw: Draw, grid: Grid, conversions: int = 40, trials: int = 3) -> dict[str, Any]:
    """Draw a scenario as a file would hold it, on one grid."""
    lanes = whole(draw, 1, 3)
    words, word_bits = whole(draw, 1, 3), whole(draw, 1, 6)
    bits = words * word_bits
    raw: dict[str, Any] = {
        "seed": whole(draw, 0, 2**32),
        "trials": whole(draw, 1, trials),
        "conversions": draw(st.sampled_from([1, 3, conversions // 2, conversions, conversions])),
        "link": {"scheme": "remote_master"},
        "frame": {"lanes": lanes, "words_per_lane": words, "word_bits": word_bits},
    }
    if often(draw):
        raw["frame"]["content"] = draw(st.sampled_from(["counter", "random"]))
    raw["remote_clock"], raw["converter"] = remote_clock(draw, grid)
    readout = int(bits * 1000 / megahertz(raw["remote_clock"]["frequency"]))
    raw["trigger"] = trigger(draw, grid, readout + draw(st.sampled_from([100, 300])))
    raw["barrier"] = barrier(draw, grid, lanes, bits)
    depth = draw(st.sampled_from([1, 1, 2, 2, 3, 4, 6]))
    fifo: dict[str, Any] = {"depth": depth}
    # A host in a hurry is likely to read bits that have not arrived.
    hurry = draw(st.sampled_from([False, False, True]))
    if hurry or often(draw):
        fifo["release_bits"] = whole(draw, 1, min(bits, 2) if hurry else bits)
    if draw(st.integers(0, 3)):
        fifo["when_full"] = draw(st.sampled_from(["drop_new", "drop_old", "stall"]))
    if often(draw):
        most = 20 if hurry else draw(st.sampled_from([20, 600]))
        fifo["sync_delay"] = law(draw, grid, 0, grid.ns(most))
    raw["fifo"] = fifo
    host: dict[str, Any] = {}
    if grid.coarse:
        host["clock"] = "100 MHz" if hurry else draw(st.sampled_from(["50 MHz", "100 MHz"]))
    else:
        host["clock"] = hertz(draw, *((60, 200) if hurry else (1, 125)))
    most = draw(st.sampled_from([0, 60] if hurry else [0, 100, 1500, 4000]))
    host["service_latency"] = law(draw, grid, 0, grid.ns(most))
    if often(draw):
        host["drain"] = often(draw)
    if often(draw):
        host["watermark"] = whole(draw, 1, depth)
    if often(draw):
        host["interrupt"] = draw(st.sampled_from(["level", "edge"]))
    from_host = raw["trigger"].get("source", "host") == "host"
    if raw["trigger"].get("pattern") == "after_read" or (from_host and often(draw)):
        host["timeout"] = grid.text(amount(draw, 1, grid.ns(draw(st.sampled_from([500, 6000])))))
    for name in ("setup", "hold"):
        if often(draw):
            host[name] = law(draw, grid, 0, grid.ns(5), bounded=True)
    raw["host"] = host
    if often(draw):
        raw["title"] = draw(st.sampled_from(["", "drawn at random"]))
    return raw


def fine(**limits: int) -> st.SearchStrategy[Any]:
    """Give scenarios of any times and laws."""
    return raw_scenarios(FINE, **limits).map(from_dict)


def coarse(**limits: int) -> st.SearchStrategy[Any]:
    """Give scenarios full of ties."""
    return st.sampled_from(GRIDS).flatmap(lambda grid: raw_scenarios(grid, **limits)).map(from_dict)


def scenarios(**limits: int) -> st.SearchStrategy[Any]:
    """Give scenarios of both kinds; limits: ``conversions`` and ``trials`` at the most."""
    return fine(**limits) | coarse(**limits)
