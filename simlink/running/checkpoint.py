"""Finished trials of a run that is not finished, kept beside its results until it is.

They lie in a hidden folder of the results folder, in files that are each written whole or not at
all, and are taken up again only by a run of the very same scenario, seed, engine, version and
draws. Such a file may come from somebody else together with the results, so it holds numbers and
no code: a line that says what it is, a checksum, a length, a head in JSON, and plain arrays one
after another. One that is damaged or foreign is set aside, and its trials are run anew.
"""

from __future__ import annotations

import hashlib
import json
import struct
import time
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from simlink.base.draws import DRAWS
from simlink.base.errors import InputError
from simlink.base.safe_write import make_folder, writing_whole
from simlink.base.version import __version__
from simlink.base.wording import many
from simlink.figures.tally import Tally
from simlink.running.jobs import Part
from simlink.running.ledger import FATES, ROW

Buffer = bytes | memoryview

if TYPE_CHECKING:
    from simlink.scenario.schema import Scenario

FOLDER = ".unfinished"
#: Seconds between two writes: many a job takes less time than its file would.
EVERY = 2.0

_MAGIC = b"simlink finished trials 1\n"
#: Checksum of all that follows it, and the length of the head.
_FRONT = struct.Struct("<16sQ")
#: The kinds of array that a file may hold.
_KINDS = {one.str: one for one in map(np.dtype, ("i1", "i4", "i8", "f8", "?"))} | {"row": ROW}

#: What reading a file of any content may raise.
_UNUSABLE = (
    OSError,
    ValueError,
    TypeError,
    LookupError,
    AttributeError,
    OverflowError,
    MemoryError,
    RecursionError,
)


class Checkpoint:
    """The finished trials of one run, kept in a folder of its results folder.

    If `keep` is set, its parts hold ledger rows. What an earlier run kept is taken up to `resume`
    it; otherwise it goes, but not before there is something to take its place.

    Raises
    ------
    InputError
        If it shall `resume`, and the folder keeps trials of other runs alone: they would go with
        the end of this one.

    Attributes
    ----------
    set_aside : list of str
        A line for each kept file that could not be used.
    """

    def __init__(
        self, folder: Path, scenario: Scenario, engine: str, keep: bool, *, resume: bool
    ) -> None:
        said = "\n".join((__version__, str(DRAWS), engine, str(keep), scenario.to_toml()))
        key = hashlib.blake2b(said.encode(), digest_size=12).hexdigest()
        self.folder = folder / FOLDER / key
        self.set_aside: list[str] = []
        self._scenario = scenario
        self._stale = not resume
        self._taken: set[range] = set()
        self._pending: list[Part] = []
        self._written = time.monotonic()
        if resume and kept_in(folder) and not self.finished():
            raise InputError(
                str(folder),
                "resume",
                None,
                "holds finished boards, but of another scenario, seed, engine, ledger or version "
                "of simlink; ask for what was asked for then, name another folder, or begin anew "
                "without resuming, which removes them when it is complete",
            )

    @property
    def resumed(self) -> int:
        """Trials taken over from an earlier run."""
        return sum(map(len, self._taken))

    def add(self, part: Part) -> None:
        """Take a finished part, and write what has been taken if that is due.

        Raises
        ------
        OutputError
            If it cannot be written.
        """
        if part.trials in self._taken:
            return
        if self._pending and self._pending[-1].trials.stop != part.trials.start:
            self.flush()
        self._pending.append(part)
        if time.monotonic() - self._written >= EVERY:
            self.flush()

    def flush(self) -> None:
        """Write what has been taken and not yet been written.

        Raises
        ------
        OutputError
            If it cannot be written; what was written before stays.
        """
        if not self._pending:
            return
        if self._stale:
            _remove(self.folder)
            self._stale = False
        if not self.folder.is_dir():
            make_folder(self.folder)
        trials = range(self._pending[0].trials.start, self._pending[-1].trials.stop)
        tally = Tally(self._scenario, range(trials.start, trials.start))
        for part in self._pending:
            tally.merge(part.tally)
        rows = [one for part in self._pending for one in part.rows]
        with writing_whole(self._path(trials)) as file:
            for piece in _encoded(Part(trials, tally, rows)):
                file.write(piece)
        self._pending = []
        self._written = time.monotonic()

    def finished(self) -> list[range]:
        """Return the ranges of trials that are kept, in order, none twice."""
        found = []
        for path in self.folder.glob("*.part"):
            start, _, stop = path.stem.partition("-")
            if start.isdecimal() and stop.isdecimal() and int(start) < int(stop):
                found.append(range(int(start), int(stop)))
        apart: list[range] = []
        for one in sorted(found, key=lambda one: (one.start, -one.stop)):
            if one.stop <= self._scenario.trials and (not apart or one.start >= apart[-1].stop):
                apart.append(one)
        return apart

    def earlier(self, trials: range) -> Part | None:
        """Return the part that an earlier run kept of some trials, None if there is none to use.

        A file that cannot be used is set aside.
        """
        path = self._path(trials)
        try:
            part = _decoded(path.read_bytes(), self._scenario, trials)
        except FileNotFoundError:
            return None
        except _UNUSABLE as error:
            said = getattr(error, "strerror", None) or error
            line = f"{path}: set aside: {said}; run anew: {many(len(trials), 'board')}"
            self.set_aside.append("".join(c if c.isprintable() else " " for c in line))
            with suppress(OSError):
                path.replace(path.with_suffix(".damaged"))
            return None
        self._taken.add(trials)
        return part

    def _path(self, trials: range) -> Path:
        return self.folder / f"{trials.start}-{trials.stop}.part"


def kept_in(folder: Path) -> bool:
    """Tell whether any run keeps finished trials in a results folder."""
    try:
        return any((folder / FOLDER).glob("*/*.part"))
    except OSError:
        # Such as a name that is too long to look up.
        return False


def forget(folder: Path) -> None:
    """Remove all that is kept in a results folder: its results are complete."""
    with suppress(OSError):
        for kept in (folder / FOLDER).iterdir():
            _remove(kept)
        (folder / FOLDER).rmdir()


def _remove(folder: Path) -> None:
    """Remove the files of one run, and their folder if nothing else lies in it."""
    with suppress(OSError):
        for path in folder.iterdir():
            if path.suffix in (".part", ".damaged"):
                path.unlink()
        folder.rmdir()


def _encoded(part: Part) -> list[Buffer]:
    """Return the content of a part's file, piece by piece, for rows may be large."""
    state = part.tally.state()
    arrays = {name: one for name, one in state.items() if isinstance(one, np.ndarray)}
    arrays |= {f"rows.{number}": rows for number, rows in enumerate(part.rows)}
    head = {
        "trials": [part.trials.start, part.trials.stop],
        "values": {name: one for name, one in state.items() if name not in arrays},
        "arrays": [
            [name, "row" if one.dtype == ROW else one.dtype.str, one.shape]
            for name, one in arrays.items()
        ],
    }
    said = json.dumps(head).encode("ascii")
    plain = [np.ascontiguousarray(one).view(np.uint8) for one in arrays.values() if one.size]
    body: list[Buffer] = [said, *(one.data for one in plain)]
    return [_MAGIC + _FRONT.pack(_digest(*body), len(said)), *body]


def _decoded(content: bytes, scenario: Scenario, trials: range) -> Part:
    """Return the part that a file holds.

    Raises
    ------
    ValueError, TypeError, KeyError
        If it is damaged, foreign, or holds what no run of the scenario gives.
    """
    start = len(_MAGIC) + _FRONT.size
    if content[: len(_MAGIC)] != _MAGIC or len(content) < start:
        raise ValueError("it is not a file of finished trials")
    digest, length = _FRONT.unpack_from(content, len(_MAGIC))
    if _digest(memoryview(content)[start:]) != digest or length > len(content) - start:
        raise ValueError("it is damaged")
    head = json.loads(content[start : start + length])
    if head["trials"] != [trials.start, trials.stop]:
        raise ValueError("it holds other boards than it says")
    state: dict[str, Any] = {}
    for name, value in head["values"].items():
        if value is not None and type(value) is not int:
            raise ValueError(f"{name} is no whole number")
        state[name] = value
    rows = []
    at = start + length
    for name, kind, shape in head["arrays"]:
        array = np.ndarray(shape, _KINDS[kind], content, at)
        at += array.nbytes
        if name.startswith("rows."):
            fates = array["fate"]
            if fates.size and not 0 <= fates.min() <= fates.max() < len(FATES):
                raise ValueError("it holds rows without a fate")
            rows.append(array)
        else:
            state[name] = array.copy()
    if at != len(content):
        raise ValueError("it is longer than it says")
    return Part(trials, Tally.restore(scenario, trials, state), rows)


def _digest(*content: Buffer) -> bytes:
    digest = hashlib.blake2b(digest_size=16)
    for piece in content:
        digest.update(piece)
    return digest.digest()
