"""The link as a textbook queue, and the textbook's formulas.

One bit a frame, no delays, remote and host clocks of 1 THz: a frame is in the FIFO 1 ps after its
trigger leaves, is released as it arrives, and is read in 1 ps after its service latency. With a
trigger every millisecond or so the latency is the service time to 2e-9 of it (a constant one is
made up to the full), a trigger falls into the converter's cycle with a probability of 1e-9, and
the FIFO's slots are the places of the queue, that of the frame being served included.
"""

from __future__ import annotations

import math

import numpy as np

from simlink.engines.event import EventEngine
from simlink.scenario.loading import from_dict

MS = 10**12
#: The read, in fs: one bit at 1 THz.
READ = 1000


def queue(pattern, service, depth, *, conversions, trials=1, seed=1):
    """Return the scenario of a queue with a trigger a millisecond on average."""
    return from_dict(
        {
            "seed": seed,
            "trials": trials,
            "conversions": conversions,
            "link": {"scheme": "remote_master"},
            "trigger": {"pattern": pattern, "rate": "1 kHz"},
            "frame": {"word_bits": 1},
            "converter": {"conversion_time": "0 ns"},
            "remote_clock": {"frequency": "1 THz"},
            "fifo": {"depth": depth},
            "host": {"clock": "1 THz", "service_latency": service},
        }
    )


def constant(rho):
    """Return the latency of a constant service that keeps the host busy for a share of time."""
    return f"{round(rho * MS) - READ} fs"


def exponential(rho):
    """Return the latency of an exponential service."""
    return {"shape": "exponential", "mean": f"{round(rho * MS)} fs"}


def blocks(scenario):
    """Run every trial."""
    return list(EventEngine().run(scenario, range(scenario.trials), words=False))


def score(values, expected):
    """Return how many standard errors the mean of independent values is off."""
    values = np.asarray(values, dtype=float)
    error = values.std(ddof=1) / math.sqrt(len(values))
    return (values.mean() - expected) / error


def constant_service_loss(rho, places):
    """Return the loss of Poisson arrivals at a constant service with so many places.

    Brun and Garcia, J. Appl. Prob. 37(4), 2000 (formula from memory): with
    b_n = sum over k of (-rho)^k (n - k)^k e^((n - k) rho) / k!, the loss is
    1 - b_(K-1) / (1 + rho b_(K-1)). ``places`` counts the one being served.
    """
    n = places - 1
    terms = [
        (-rho) ** k * (n - k) ** k * math.exp((n - k) * rho) / math.factorial(k)
        for k in range(n + 1)
    ]
    b = math.fsum(terms)
    return 1 - b / (1 + rho * b)


def poisson(mean, count):
    """Return the probability of a count."""
    return math.exp(-mean) * mean**count / math.factorial(count)


def stationary(transitions):
    """Return the law that a chain keeps."""
    size = len(transitions)
    system = np.vstack([transitions.T - np.eye(size), np.ones(size)])
    law, *_ = np.linalg.lstsq(system, np.append(np.zeros(size), 1), rcond=None)
    return law


def constant_service_loss_by_chain(rho, places):
    """Return the same loss from the chain of what departures leave behind (computed).

    From i > 0 left behind, one leaves after a service in which a Poisson number arrive, cut off
    at the places; from 0 likewise after the next arrival. The host is idle for pi_0 / rho of a
    cycle, so the loss is 1 - 1 / (pi_0 + rho).
    """
    size = places
    chain = np.zeros((size, size))
    for left in range(size):
        begun = max(left, 1)
        for more in range(size - begun):
            chain[left, begun - 1 + more] = poisson(rho, more)
        chain[left, size - 1] += 1 - chain[left].sum()
    return 1 - 1 / (stationary(chain)[0] + rho)


def periodic_arrivals_loss(rho, places):
    """Return the loss of periodic arrivals at an exponential service (D/M/1/K, computed).

    The chain of what arrivals find: from i found, min(i + 1, K) are there, and in a period a
    Poisson number of services would end, at the rate 1 / rho a period.
    """
    chain = np.zeros((places + 1, places + 1))
    for found in range(places + 1):
        there = min(found + 1, places)
        for left in range(1, there + 1):
            chain[found, left] = poisson(1 / rho, there - left)
        chain[found, 0] = 1 - chain[found].sum()
    return stationary(chain)[places]


def root(rho):
    """Return sigma of D/M/1: sigma = exp(-(1 - sigma) / rho), the root below 1.

    Kleinrock, Queueing Systems vol. 1 (from memory).
    """
    sigma = 0.5
    for _ in range(10_000):
        sigma = math.exp(-(1 - sigma) / rho)
    return sigma
