"""Random bounded scenarios of a remote master of which most has a proof."""

from __future__ import annotations

from typing import Any

from simlink.scenario.loading import from_dict


def law(rng: Any, low: int, high: int) -> Any:
    """Return a bounded law of a duration between two values in ns, or a constant."""
    a, b = sorted(int(one) for one in rng.integers(low, high + 1, 2))
    kind = rng.integers(4)
    if kind == 0 or a == b:
        return f"{b} ns"
    if kind == 1:
        return {"shape": "uniform", "low": f"{a} ns", "high": f"{b} ns"}
    if kind == 2:
        return {
            "shape": "limits", "low": f"{a} ns", "typical": f"{(a + b) // 2} ns", "high": f"{b} ns",
        }  # fmt: skip
    parts = [{"weight": 0.9, "of": f"{a} ns"}, {"weight": 0.1, "of": f"{b} ns"}]
    return {"shape": "mixture", "parts": parts}


def bounded(rng: Any, conversions: int = 48) -> Any:
    """Return a scenario whose host keeps up if each latency is its longest, more or less."""
    bits = int(rng.integers(4, 20))
    clock = float(rng.choice([25, 50, 100]))
    readout = bits * 1000 / clock
    period = readout + 300 + float(rng.integers(0, 1200))
    pattern = str(rng.choice(["periodic", "periodic", "burst", "after_read", "poisson"]))
    watermark = int(rng.choice([1, 1, 1, 2, 3]))
    drain = bool(rng.integers(2))
    host_clock = float(rng.choice([20, 40, 80, 160]))
    room = max(period - bits * 1000 / host_clock, 50)
    longest = int(room * (rng.uniform(0.3, 6) if drain else rng.uniform(0.3, 1) * watermark))
    trigger: dict[str, Any] = {"pattern": pattern, "rate": f"{1000 / period:.9f} MHz"}
    if pattern == "burst":
        trigger |= {"burst_length": int(rng.integers(1, 7)), "gap": law(rng, 800, 4000)}
    if pattern == "after_read":
        trigger = {"pattern": pattern, "gap": law(rng, 0, 500)}
    jitter = int(rng.choice([0, 0, 20, 200]))
    if jitter:
        trigger["jitter"] = {"shape": "uniform", "low": f"-{jitter} ns", "high": f"{jitter} ns"}
    host: dict[str, Any] = {
        "clock": f"{host_clock} MHz", "service_latency": law(rng, 0, longest),
        "drain": drain, "watermark": watermark,
        "interrupt": str(rng.choice(["level", "level", "edge"])),
    }  # fmt: skip
    if pattern == "after_read" or rng.integers(2):
        host["timeout"] = f"{int(rng.integers(300, 3000))} ns"
    elif pattern != "after_read" and rng.integers(2):
        trigger["source"] = "remote"
    back: dict[str, Any] = {"delay": "14 ns"}
    kind = rng.integers(4)
    if kind == 0:
        back["jitter"] = {"shape": "uniform", "low": "-3 ns", "high": "3 ns"}
    elif kind == 1:
        back["jitter"] = {"shape": "normal", "mean": "0 ns", "sigma": "1 ns"}
    if rng.integers(4) == 0:
        back |= {"style": "packets", "packet_bits": int(rng.integers(1, bits + 1)),
                 "overhead_bits": 2, "line_rate": "100 Mbit/s"}  # fmt: skip
    raw: dict[str, Any] = {
        "seed": int(rng.integers(2**32)),
        "trials": 1,
        "conversions": conversions,
        "link": {"scheme": "remote_master"},
        "frame": {"word_bits": bits, "lanes": int(rng.choice([1, 1, 2]))},
        "trigger": trigger,
        "converter": {"conversion_time": law(rng, 100, 280), "acquisition_time": law(rng, 0, 600)},
        "remote_clock": {"frequency": f"{clock} MHz", "start_delay": law(rng, 0, 20)},
        "barrier": {"forward": {"delay": "12 ns"}, "return": back},
        "fifo": {
            "depth": max(watermark, int(rng.integers(1, 7))),
            "when_full": str(rng.choice(["drop_new", "drop_old", "stall"])),
            "release_bits": int(rng.integers(1, bits + 1)),
            "sync_delay": law(rng, 0, int(rng.choice([20, 400]))),
        },
        "host": host,
    }
    return from_dict(raw)
