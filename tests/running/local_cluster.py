"""A Dask cluster on this machine, started with Dask's own commands."""

import re
import subprocess
import sys
import time
from contextlib import contextmanager


def started(words, said, folder, name):
    """Start one of Dask's commands and wait until it has said something; return both."""
    log = folder / f"{name}.log"
    with log.open("w") as stream:
        process = subprocess.Popen(
            [sys.executable, "-m", "dask", *words],
            stdout=stream,
            stderr=subprocess.STDOUT,
            cwd=folder,
        )
    for _ in range(600):
        match = re.search(said, log.read_text())
        if match or process.poll() is not None:
            break
        time.sleep(0.1)
    assert match, log.read_text()
    return process, match


@contextmanager
def dask(folder, workers=2):
    """Start a scheduler and workers; yield the address and the workers."""
    processes = []
    try:
        listen = ["--host", "127.0.0.1", "--port", "0", "--no-dashboard"]
        scheduler, match = started(
            ["scheduler", *listen], r"Scheduler at:\s+(tcp://\S+)", folder, "scheduler"
        )
        processes.append(scheduler)
        for number in range(workers):
            words = ["worker", match[1], "--nthreads", "1", "--no-nanny", "--no-dashboard"]
            worker, _ = started(words, r"Registered to:", folder, f"worker {number}")
            processes.append(worker)
        yield match[1], processes[1:]
    finally:
        for process in reversed(processes):
            process.kill()
            process.wait()
