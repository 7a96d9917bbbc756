"""Write a first scenario from the numbers of a data sheet, with every assumption marked."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from pathlib import Path

from simlink.base.errors import InputError
from simlink.scenario.starter_text import BY_NAME, QUESTIONS, Question, Writer

__all__ = ["QUESTIONS", "Question", "ask", "check_answer", "needed", "render", "write"]


def render(answers: Mapping[str, str], folder: Path | str = ".") -> str:
    """Write a scenario, with a comment on each value that says where it comes from.

    Parameters
    ----------
    answers : mapping of str to str
        Answers by the names of `QUESTIONS`; what is left out is assumed. Two values stand for
        a uniform law between them, three for low, typical and high. The low and high of a
        clock become its tolerance, those of the barrier's delay its part-to-part spread, a
        single spread the full width between two parts, and a single jitter its rms.
    folder : Path or str, optional
        Where the scenario will stand: a recording is named from there.

    Returns
    -------
    str
        The scenario in TOML. Each value that was not given carries a comment that begins
        with ``ASSUMED:``, each that was given one that begins with ``from the data sheet:``.

    Raises
    ------
    InputError
        If an answer cannot be used, or is for no question.
    """
    from simlink.scenario.loading import loads

    answers = {name: answer.strip() for name, answer in answers.items()}
    for name in answers:
        if name not in BY_NAME:
            raise InputError(
                "start", name, json.dumps(answers[name]), "no such number is asked for"
            )
    writer = Writer(answers, Path(folder))
    text = writer.text()
    try:
        loads(text, base=Path(folder), name="start")
    except InputError as error:
        raise InputError(
            writer.origin(error.key or ""), error.key, error.found, error.allowed
        ) from None
    return text


def check_answer(name: str, answer: str, others: Mapping[str, str], folder: Path | str) -> None:
    """See whether an answer can be used beside those given before it.

    Parameters
    ----------
    name : str
        The question, by its name in `QUESTIONS`.
    answer : str
        The answer, as it was typed.
    others : mapping of str to str
        The answers before it.
    folder : Path or str
        Where the scenario will stand.

    Raises
    ------
    InputError
        If it cannot be used.
    """
    render({**others, name: answer}, folder)


def needed(answers: Mapping[str, str]) -> list[Question]:
    """Find what is still to be asked.

    Parameters
    ----------
    answers : mapping of str to str
        The answers so far.

    Returns
    -------
    list of Question
        Those without an answer. A barrier delay given as a range leaves no spread to ask for.
    """
    ranged = "/" in answers.get("barrier-delay", "")
    return [
        question
        for question in QUESTIONS
        if question.name not in answers and not (ranged and question.name == "barrier-spread")
    ]


def ask(
    answers: Mapping[str, str],
    folder: Path | str,
    read: Callable[[str], str],
    tell: Callable[[str], object],
) -> dict[str, str]:
    """Ask for every number that has no answer yet.

    Parameters
    ----------
    answers : mapping of str to str
        Answers that are there already.
    folder : Path or str
        Where the scenario will stand.
    read : callable
        Shows a prompt and returns the line typed; an empty one takes the default.
    tell : callable
        Says a line, such as why an answer cannot be used.

    Returns
    -------
    dict of str to str
        All answers; those left to their defaults are not among them.

    Raises
    ------
    EOFError
        Whatever `read` raises at the end of its input.
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
            check_answer(question.name, typed, known, folder)
        except InputError as error:
            tell(f"{error.found or typed}: {error.allowed}")
        else:
            known[question.name] = typed
    return known


def write(path: Path | str, answers: Mapping[str, str], force: bool = False) -> str:
    """Write a first scenario into a file.

    Parameters
    ----------
    path : Path or str
        The file.
    answers : mapping of str to str
        See `render`.
    force : bool, optional
        Replace a file that is there.

    Returns
    -------
    str
        What was written.

    Raises
    ------
    InputError
        If an answer cannot be used, or the file is there and `force` is not set.
    OutputError
        If it cannot be written.
    """
    from simlink.base.safe_write import write_whole

    path = Path(path)
    refuse_existing(path, force)
    text = render(answers, path.parent)
    write_whole(path, text.encode())
    return text


def refuse_existing(path: Path, force: bool) -> None:
    """Refuse to replace a scenario that somebody may have worked on.

    Parameters
    ----------
    path : Path
        Where a scenario is to be written.
    force : bool
        Whether a file there may be replaced.

    Raises
    ------
    InputError
        If there is a folder, or a file that may not be replaced.
    """
    if path.is_dir():
        raise InputError(str(path), None, None, "is a folder; name the file to write")
    if path.exists() and not force:
        raise InputError(str(path), None, None, "is there already; --force replaces it")
