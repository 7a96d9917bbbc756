"""Write a first scenario from the numbers of a data sheet, with every assumption marked."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from simlink.base.cautions import CAUTIONS
from simlink.base.errors import InputError
from simlink.base.safe_write import write_whole
from simlink.scenario import data_sheet
from simlink.scenario.answers import Reader
from simlink.scenario.faults import written
from simlink.scenario.kinds import kind_of
from simlink.scenario.loading import from_dict
from simlink.scenario.questions import BY_NAME, MASTER_ONLY, QUESTIONS, Question
from simlink.scenario.writing import every_key, field_at, put

__all__ = ["ask", "needed", "refuse_existing", "render", "source_of", "unusual", "write"]

#: What a cycle calls the piece that a question's answer makes, where that is not its name.
_PIECES = {
    "conversion-time": "conversion",
    "acquisition-time": "rest of acquisition",
    "remote-clock": "readout",
    "host-clock": "read",
}

_HEAD = (
    "A first scenario. Each value says where it comes from: the data sheet, or an assumption, to "
    "be replaced by the data sheet's or a measured value.",
    CAUTIONS,
)


def render(answers: Mapping[str, str], folder: Path | str = ".") -> str:
    """Write a scenario, with a comment on each value that says where it comes from.

    Parameters
    ----------
    answers : mapping of str to str
        Answers by the names of `QUESTIONS`; what is left out is assumed. Two values stand for
        a uniform law between them, three for low, typical and high. The low and high of a
        clock become its tolerance, those of the barrier's delay its part-to-part spread or, where
        they include more, its limits, a single spread the full width between two parts, and a
        single jitter its rms.
    folder : Path or str, optional
        Where the scenario will stand: a recording is named from there.

    Returns
    -------
    str
        The scenario in TOML. Each value that was not given carries a comment that begins
        with ``ASSUMED:``, each that was given one that begins with ``from the data sheet:``, or
        with ``as given:`` if no data sheet prints it.

    Raises
    ------
    InputError
        If an answer cannot be used, or is for no question.
    """
    read = _reader(answers, folder)
    # A slow converter's trial is kept to an hour, so that it can be simulated at all.
    conversions = max(1, min(5000, int(read.frequency("sample-rate") * 3600)))
    crystal = {"shape": "uniform", "low": "-50 ppm", "high": "50 ppm"}
    for key, value, why in (
        ("trials", 20, "boards built; more of them narrow the intervals"),
        ("conversions", conversions, "triggers a board"),
        ("trigger.tolerance", "0 ppm", "the host's clock taken as exact"),
        ("remote_clock.tolerance", crystal, "a usual crystal oscillator"),
    ):
        if key not in read.values:
            read.assume(key, value, why)
    return _text(read, Path(folder))


def _reader(answers: Mapping[str, str], folder: Path | str) -> Reader:
    answers = {name: answer.strip() for name, answer in answers.items()}
    for name, answer in answers.items():
        if name not in BY_NAME:
            raise InputError("start", name, written(answer), "no such number is asked for")
    return Reader(answers, Path(folder))


def unusual(answers: Mapping[str, str], folder: Path | str = ".") -> list[str]:
    """Return a remark on each answer that is out of the ordinary; see `render`."""
    return _reader(answers, folder).unusual()


def source_of(text: str, answers: Mapping[str, str], folder: Path | str = ".") -> str:
    """Say which options gave the values whose keys or names a text has, or would give them.

    Such as ``"given by --host-clock"`` or ``"assumed; --min-pulse gives it"``, empty where the text
    has none; see `render`.
    """
    read = _reader(answers, folder)
    given, assumed = [], []
    for question in QUESTIONS:
        keys = [key for key in question.keys if re.search(rf"{re.escape(key)}\b", text)]
        if not keys:
            piece = _PIECES.get(question.name)
            most = piece is not None and f"; {piece} is the most of it" in text
            if not most and question.name.replace("-", " ") not in text:
                continue
        options = [read.options[key] for key in keys or question.keys if key in read.options]
        given += options
        assumed += [] if options else [f"--{question.name}"]
    said = []
    if given:
        said.append(f"given by {' and '.join(dict.fromkeys(given))}")
    if assumed:
        gives = "gives it" if len(assumed) == 1 else "give them"
        said.append(f"assumed; {' and '.join(assumed)} {gives}")
    return "; ".join(said)


def _text(read: Reader, folder: Path) -> str:
    """Return the scenario, each line with where its value comes from."""
    raw: dict[str, Any] = {"title": "First scenario"}
    for key, value in read.values.items():
        put(raw, key, value)
    try:
        scenario = from_dict(raw, folder, "start")
    except InputError as error:
        where = "start"
        for key, option in read.options.items():
            if f"{error.key}.".startswith((f"{key}.", f"{key}[")):
                where = option
        raise InputError(where, error.key, error.found, error.allowed) from None
    for one in scenario.assumed:
        if any(one.key.startswith(f"{key}.") for key in read.values):
            continue  # The low end of limits, of which the value itself says that it is taken.
        read.assume(one.key, one.value, one.why)
    lines = []
    for paragraph in _HEAD:
        lines += textwrap.wrap(paragraph, 96, initial_indent="# ", subsequent_indent="# ")
        lines.append("#")
    lines[-1:] = ["", f"title = {written(raw['title'])}"]
    section = ""
    for key in every_key():
        if key not in read.values:
            continue
        table, _, name = key.rpartition(".")
        if table != section:
            lines += ["", f"[{table}]"]
            section = table
        value, comment = written(read.values[key]), read.comments[key]
        if read.values[key] == "none":  # there is no way to write it in the file
            name, value = f"# {name}", written(kind_of(field_at(key)).schema["examples"][0])
            comment = comment.replace("ASSUMED: ", "ASSUMED: none, ")
        lines.append(f"{name} = {value}  # {comment}")
    return "\n".join(lines) + "\n"


def needed(answers: Mapping[str, str]) -> list[Question]:
    """Return the questions still without an answer.

    A range of delays is a spread already; what one value includes is no question.
    """
    delay = data_sheet.read(answers.get("barrier-delay", ""), "delay")
    skipped = ["part-to-part-skew" if "/" in delay.text else "delay-covers"]
    if not answers.get("scheme", "remote").lower().startswith("remote"):
        skipped += MASTER_ONLY
    return [
        question
        for question in QUESTIONS
        if question.name not in answers and question.name not in skipped
    ]


def ask(
    answers: Mapping[str, str],
    folder: Path | str,
    read: Callable[[str], str],
    tell: Callable[[str], object],
) -> dict[str, str]:
    """Ask for every number that has no answer yet, until each can be used; see `render`.

    `read` shows a prompt and returns the line typed; an empty one takes the default. `tell` says a
    line, such as why an answer cannot be used. All answers are returned, but not those left to
    their defaults.
    """
    known = dict(answers)
    asked: set[str] = set()
    while open_ := [question for question in needed(known) if question.name not in asked]:
        question = open_[0]
        typed = read(f"{question.asks} ({question.form}) [{question.default}]: ").strip()
        if not typed:
            asked.add(question.name)
            continue
        try:
            render({**known, question.name: typed}, folder)
        except InputError as error:
            tell(f"{error.found or typed}: {error.allowed}")
        else:
            known[question.name] = typed
            # Read together with the others, without which it may mean something else, or nothing.
            for remark in unusual(known, folder):
                if remark.startswith(f"--{question.name}:"):
                    tell(remark)
    return known


def write(path: Path | str, answers: Mapping[str, str], force: bool = False) -> str:
    """Write a first scenario into a file, and return its text; see `render`.

    Raises
    ------
    InputError
        If an answer cannot be used, or the file is there and `force` is not set.
    OutputError
        If it cannot be written.
    """
    path = Path(path)
    refuse_existing(path, force)
    text = render(answers, path.parent)
    write_whole(path, text.encode(), anybodys=force)
    return text


def refuse_existing(path: Path, force: bool) -> None:
    """Raise InputError where there is a folder, or a file that may not be replaced."""
    if path.is_dir():
        raise InputError(str(path), None, None, "is a folder; name the file to write")
    if path.exists() and not force:
        raise InputError(str(path), None, None, "is there already; --force replaces it")
