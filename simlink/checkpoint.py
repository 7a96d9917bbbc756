"""Finished jobs of a run that is not finished, kept beside its results until it is.

They lie in a hidden folder of the results folder, one file a job, each written whole or not at
all, and are taken up again only by a run of the very same scenario, engine and version.
"""

from __future__ import annotations

import hashlib
import pickle
import shutil
from pathlib import Path
from typing import TYPE_CHECKING

from simlink import __version__
from simlink.errors import OutputError
from simlink.jobs import Part
from simlink.safe_write import make_folder, write_whole

if TYPE_CHECKING:
    from simlink.scenario.schema import Scenario

FOLDER = ".unfinished"


class Checkpoint:
    """The finished jobs of one run.

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
    """

    def __init__(self, folder: Path, scenario: Scenario, engine: str, keep: bool) -> None:
        said = "\n".join((__version__, engine, str(keep), scenario.to_toml()))
        key = hashlib.blake2b(said.encode(), digest_size=12).hexdigest()
        self.above = folder / FOLDER
        self.folder = self.above / key

    def save(self, part: Part) -> None:
        """Keep a finished job.

        Raises
        ------
        OutputError
            If it cannot be written.
        """
        if not self.folder.is_dir():
            make_folder(self.folder)
        name = f"{part.trials.start}-{part.trials.stop}.part"
        write_whole(self.folder / name, pickle.dumps(part, protocol=5))

    def finished(self) -> list[range]:
        """Return the ranges of trials that are kept, in order."""
        found = []
        for path in self.folder.glob("*.part"):
            start, _, stop = path.stem.partition("-")
            if start.isdigit() and stop.isdigit():
                found.append(range(int(start), int(stop)))
        return sorted(found, key=lambda one: one.start)

    def load(self, trials: range) -> Part:
        """Return a kept job.

        Raises
        ------
        OutputError
            If its file cannot be read; running it anew is then the way.
        """
        path = self.folder / f"{trials.start}-{trials.stop}.part"
        try:
            part = pickle.loads(path.read_bytes())
        except (OSError, pickle.UnpicklingError, EOFError, AttributeError) as error:
            raise OutputError(f"{path}: cannot be resumed from: {error}") from None
        assert isinstance(part, Part)
        return part

    def forget(self) -> None:
        """Remove the kept jobs: the run is complete."""
        shutil.rmtree(self.folder, ignore_errors=True)
        if self.above.is_dir() and not any(self.above.iterdir()):
            self.above.rmdir()
