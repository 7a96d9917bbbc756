"""``simlink start``: write a first scenario from the numbers of a data sheet."""

from __future__ import annotations

import shlex
import sys
from pathlib import Path
from typing import Annotated

import typer


def _number(option: str, what: str) -> typer.models.OptionInfo:
    info: typer.models.OptionInfo = typer.Option(option, help=what, show_default=False)
    return info


def start(
    path: Annotated[Path, typer.Argument(help="The scenario to write.", metavar="FILE")],
    sample_rate: Annotated[str | None, _number("--sample-rate", "Sample rate.")] = None,
    word_bits: Annotated[str | None, _number("--word-bits", "Bits of a word.")] = None,
    lanes: Annotated[
        str | None, _number("--lanes", "Data lines that are read at the same time.")
    ] = None,
    words_per_lane: Annotated[
        str | None, _number("--words-per-lane", "Words on each data line.")
    ] = None,
    conversion_time: Annotated[
        str | None,
        _number("--conversion-time", 'Conversion time, such as "480 ns / 500 ns / 520 ns".'),
    ] = None,
    msb_valid: Annotated[
        str | None, _number("--msb-valid", "From busy falling to the first bit valid.")
    ] = None,
    data_valid: Annotated[
        str | None, _number("--data-valid", "From a clock edge to the next bit valid.")
    ] = None,
    acquisition_time: Annotated[
        str | None, _number("--acquisition-time", "Acquisition time.")
    ] = None,
    remote_clock: Annotated[
        str | None, _number("--remote-clock", "Frequency of the clock beside the converter.")
    ] = None,
    barrier_delay: Annotated[
        str | None,
        _number("--barrier-delay", "Barrier delay, each way; a range is a spread of parts."),
    ] = None,
    barrier_spread: Annotated[
        str | None,
        _number("--barrier-spread", "Barrier part-to-part skew, the largest difference."),
    ] = None,
    barrier_jitter: Annotated[str | None, _number("--barrier-jitter", "Barrier jitter, rms.")] = (
        None
    ),
    host_clock: Annotated[
        str | None, _number("--host-clock", "Frequency that the host reads at.")
    ] = None,
    service_latency: Annotated[
        str | None,
        _number("--service-latency", "Host service latency, or a recording (FILE.csv)."),
    ] = None,
    fifo_depth: Annotated[str | None, _number("--fifo-depth", "FIFO depth in frames.")] = None,
    trigger_jitter: Annotated[str | None, _number("--trigger-jitter", "Trigger jitter, rms.")] = (
        None
    ),
    yes: Annotated[
        bool, typer.Option("--yes", help="Ask nothing: assume what was not given.")
    ] = False,
    force: Annotated[bool, typer.Option("--force", help="Replace a file that is there.")] = False,
) -> None:
    """Write a first scenario, asking for the numbers of the data sheet.

    A number is one value, "low / high" or "low / typical / high", with its unit. What is left
    out is assumed, and marked in the file.
    """
    from simlink.base.errors import InputError
    from simlink.scenario import starter

    given = {
        "sample-rate": sample_rate,
        "word-bits": word_bits,
        "lanes": lanes,
        "words-per-lane": words_per_lane,
        "conversion-time": conversion_time,
        "msb-valid": msb_valid,
        "data-valid": data_valid,
        "acquisition-time": acquisition_time,
        "remote-clock": remote_clock,
        "barrier-delay": barrier_delay,
        "barrier-spread": barrier_spread,
        "barrier-jitter": barrier_jitter,
        "host-clock": host_clock,
        "service-latency": service_latency,
        "fifo-depth": fifo_depth,
        "trigger-jitter": trigger_jitter,
    }
    answers = {name: answer for name, answer in given.items() if answer is not None}
    # All that can be refused is refused before the first question.
    starter.refuse_existing(path, force)
    starter.render(answers, path.parent)

    missing = starter.needed(answers)
    if missing and not yes:
        if not sys.stdin.isatty():
            names = " ".join("--" + question.name for question in missing)
            raise InputError(
                "start", None, None, f"nobody to ask: give {names}, or --yes to assume them"
            )
        answers = _ask(answers, path.parent)
    text = starter.write(path, answers, force)
    print(f"written: {path}")
    print(f"{text.count('# ASSUMED:')} values are assumed; look for ASSUMED in the file.")
    print(f"next: simlink run {shlex.quote(str(path))}")


def _ask(answers: dict[str, str], folder: Path) -> dict[str, str]:
    from simlink.scenario import starter

    print("A number is one value, low / high or low / typical / high, with its unit.")
    print("Enter alone takes the value in brackets and marks it as assumed.")
    try:
        return starter.ask(answers, folder, input, print)
    except (EOFError, KeyboardInterrupt):
        print("\nsimlink: interrupted: nothing written", file=sys.stderr)
        raise typer.Exit(130) from None
