"""Whole files or none: a result is written beside its place and then moved there."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO

from simlink.base.errors import OutputError


def make_folder(folder: Path) -> None:
    """Make a folder for results, and prove that a file can be written there.

    Parameters
    ----------
    folder : Path
        The folder; its parents are made too.

    Raises
    ------
    OutputError
        If it cannot be made, is not a folder, or takes no file.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=folder) as probe:
            probe.write(b"\n")
    except FileExistsError:
        raise OutputError(f"{folder}: cannot be written into: it is a file, not a folder") from None
    except OSError as error:
        raise OutputError(_line(folder, error)) from None


def write_whole(path: Path, content: bytes) -> None:
    """Write a file so that, at every instant, the old or the new one is there whole.

    Parameters
    ----------
    path : Path
        The file; its folder must exist.
    content : bytes
        All that it shall hold.

    Raises
    ------
    OutputError
        If it cannot be written (full, unwritable, no such folder); what stood at `path`
        still stands there, and nothing half-written is left.
    """
    with writing_whole(path) as file:
        file.write(content)


@contextmanager
def writing_whole(path: Path) -> Iterator[BinaryIO]:
    """Open a file that takes its place only when the block ends well.

    Parameters
    ----------
    path : Path
        The file; its folder must exist.

    Yields
    ------
    binary file
        What is written to it goes beside `path`, and there at the end.

    Raises
    ------
    OutputError
        See `write_whole`; whatever else ends the block leaves nothing either.
    """
    temporary: str | None = None
    try:
        descriptor, temporary = tempfile.mkstemp(dir=path.parent, prefix=".", suffix=".part")
        with open(descriptor, "wb") as file:
            yield file
            file.flush()
            os.fsync(file.fileno())
        # mkstemp makes a private file; a result is as readable as any other file.
        mask = os.umask(0)
        os.umask(mask)
        os.chmod(temporary, 0o666 & ~mask)
        os.replace(temporary, path)
    except BaseException as error:
        if temporary is not None:
            Path(temporary).unlink(missing_ok=True)
        if isinstance(error, OSError):
            raise OutputError(_line(path, error)) from None
        raise


def _line(path: Path, error: OSError) -> str:
    said = f"{path}: cannot be written: {error.strerror or error}"
    return "".join(c if c.isprintable() else " " for c in said)
