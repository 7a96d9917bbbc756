"""Finished trials of a run that is not finished, kept beside its results until it is.

They lie in a hidden folder of the results folder, in files that are each written whole or not at
all, and are taken up again only by a run of the very same scenario, seed, engine and version.
Such a file may come from somebody else together with the results: nothing but the plain data of
a tally is ever made from it.
"""

from __future__ import annotations

import hashlib
import io
import pickle
import shutil
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

from simlink.base.errors import OutputError
from simlink.base.safe_write import make_folder, write_whole
from simlink.base.version import __version__
from simlink.running.spread import Part

if TYPE_CHECKING:
    import pyarrow as pa

    from simlink.scenario.schema import Scenario

FOLDER = ".unfinished"
#: Seconds between two writes: many a job takes less time than its file would.
EVERY = 2.0

#: All that a kept file may be made of.
_PLAIN = {
    ("builtins", "bytearray"),
    ("builtins", "range"),
    ("numpy", "dtype"),
    ("numpy", "ndarray"),
    *(
        (f"numpy.{core}.{module}", name)
        for core in ("core", "_core")
        for module, name in (
            ("multiarray", "_reconstruct"),
            ("multiarray", "scalar"),
            ("numeric", "_frombuffer"),
        )
    ),
    ("simlink.figures.latencies", "Latencies"),
    ("simlink.figures.tally", "Tally"),
}


class Checkpoint:
    """The finished trials of one run.

    Parameters
    ----------
    folder : Path
        The results folder.
    scenario : Scenario
        What is run.
    engine : str
        On which engine.
    keep : bool
        Whether the parts hold ledger rows.
    resume : bool
        Whether what an earlier run kept is taken up. Otherwise it goes, but not before there is
        something to take its place.
    """

    def __init__(
        self, folder: Path, scenario: Scenario, engine: str, keep: bool, *, resume: bool
    ) -> None:
        said = "\n".join((__version__, engine, str(keep), scenario.to_toml()))
        key = hashlib.blake2b(said.encode(), digest_size=12).hexdigest()
        self.folder = folder / FOLDER / key
        self._stale = not resume
        self._pending: list[Part] = []
        self._written = time.monotonic()

    def add(self, part: Part) -> None:
        """Take a finished part, and write what has been taken if that is due.

        Raises
        ------
        OutputError
            If it cannot be written.
        """
        if self._pending and self._pending[-1].trials.stop != part.trials.start:
            self.write()
        self._pending.append(part)
        if time.monotonic() - self._written >= EVERY:
            self.write()

    def write(self) -> None:
        """Write what has been taken and not yet been written.

        Raises
        ------
        OutputError
            If it cannot be written; what was written before stays.
        """
        if not self._pending:
            return
        if self._stale:
            shutil.rmtree(self.folder, ignore_errors=True)
            self._stale = False
        if not self.folder.is_dir():
            make_folder(self.folder)
        first, last = self._pending[0].trials, self._pending[-1].trials
        content = pickle.dumps([_plain(part) for part in self._pending], protocol=5)
        write_whole(self._path(range(first.start, last.stop)), _digest(content) + content)
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
            if not apart or one.start >= apart[-1].stop:
                apart.append(one)
        return apart

    def load(self, trials: range) -> list[Part]:
        """Return the parts of one kept file.

        Raises
        ------
        OutputError
            If it cannot be read or is damaged; running its trials anew is then the way.
        """
        path = self._path(trials)
        try:
            content = path.read_bytes()
            size = len(_digest(b""))
            if _digest(content[size:]) != content[:size]:
                raise ValueError("it is damaged")
            parts = [_part(*one) for one in _Reader(io.BytesIO(content[size:])).load()]
            if [trial for part in parts for trial in part.tally.trials] != list(trials):
                raise ValueError("it holds other units than it says")
        except (OSError, ValueError, TypeError, AttributeError, pickle.UnpicklingError) as error:
            said = getattr(error, "strerror", None) or error
            line = f"{path}: cannot be resumed from: {said}; without it, its units are run anew"
            raise OutputError("".join(c if c.isprintable() else " " for c in line)) from None
        return parts

    def _path(self, trials: range) -> Path:
        return self.folder / f"{trials.start}-{trials.stop}.part"


def kept_in(folder: Path) -> bool:
    """Tell whether any run keeps finished trials in a results folder."""
    return any((folder / FOLDER).glob("*/*.part"))


def forget(folder: Path) -> None:
    """Remove all that is kept in a results folder: its results are complete."""
    shutil.rmtree(folder / FOLDER, ignore_errors=True)


def _digest(content: bytes) -> bytes:
    return hashlib.blake2b(content, digest_size=16).digest()


def _plain(part: Part) -> tuple[range, Any, list[bytes]]:
    """Return a part as plain data, its ledger rows in their columnar file format."""
    return part.trials, part.tally, [_encoded(rows) for rows in part.rows]


def _part(trials: Any, tally: Any, rows: Any) -> Part:
    import pyarrow as pa

    return Part(trials, tally, [pa.ipc.open_stream(one).read_all() for one in rows])


def _encoded(rows: pa.Table) -> bytes:
    import pyarrow as pa

    sink = pa.BufferOutputStream()
    with pa.ipc.new_stream(sink, rows.schema) as stream:
        stream.write_table(rows)
    content: bytes = sink.getvalue().to_pybytes()
    return content


class _Reader(pickle.Unpickler):
    """Makes tallies of numbers and nothing else, whoever wrote the file."""

    def find_class(self, module: str, name: str) -> Any:
        if (module, name) not in _PLAIN:
            raise pickle.UnpicklingError(f"it holds more than figures: {module}.{name}")
        return super().find_class(module, name)
