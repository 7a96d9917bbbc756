"""Whole files or none: a result is written beside its place and then moved there.

What a result may replace is a regular file that simlink made, or an empty one; never a device, a
pipe or a link, and never a file that was read as an input.
"""

from __future__ import annotations

import os
import shutil
import stat
import tempfile
from collections.abc import Collection, Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import BinaryIO

from simlink.base.errors import OutputError, printable
from simlink.base.interrupts import at_once, uninterrupted
from simlink.base.made import made_here

try:
    import fcntl
except ImportError:  # where there are no such locks
    fcntl = None  # type: ignore[assignment]

#: What tells each file that was read as an input from every other.
_inputs: set[tuple[int, ...]] = set()


#: Hidden files and folders that are being written, and folders made for them, deepest first.
_hidden: set[str] = set()
_made: list[Path] = []


@at_once
def _remove_hidden() -> None:
    for name in tuple(_hidden):
        with suppress(OSError):
            os.unlink(name)
        shutil.rmtree(name, ignore_errors=True)
    for folder in tuple(_made):
        with suppress(OSError):
            folder.rmdir()


def note_input(path: Path | str) -> None:
    """Remember that a file is an input, so that no result takes its place."""
    with suppress(OSError, ValueError):
        _inputs.add(_identity(os.stat(path)))


def _identity(found: os.stat_result) -> tuple[int, ...]:
    # A number alone is given to another file once its own is gone.
    return found.st_dev, found.st_ino, found.st_size, found.st_mtime_ns


def check_place(path: Path, anybodys: bool = False) -> None:
    """See that a result may be written to a place.

    With `anybodys` it may replace a file that simlink did not make, for that was asked for.

    Raises
    ------
    OutputError
        If something stands there that a result must not replace.
    """
    try:
        there = os.lstat(path)
    except OSError:
        # Nothing there, or nothing that can be reached: writing will tell.
        return
    if stat.S_ISDIR(there.st_mode):
        raise _unwritable(path, "is a directory")
    if not stat.S_ISREG(there.st_mode):
        what = "a link" if stat.S_ISLNK(there.st_mode) else "no regular file"
        raise _unwritable(path, f"it is {what}")
    if _identity(there) in _inputs:
        raise _unwritable(path, "it is an input")
    if anybodys:
        return
    try:
        ours = made_here(path)
    except OSError as error:
        raise _unwritable(path, error.strerror or error) from None
    if not ours:
        said = "a file stands there that this version of simlink does not know for its own; "
        said += "remove it, or name another place"
        raise _unwritable(path, said)


def make_folder(folder: Path, names: Iterable[str] = ()) -> None:
    """Make a folder for results and those above it, and prove that files can be written there.

    `names` are the files that will be.

    Raises
    ------
    OutputError
        If it cannot be made, is not a folder, or takes no file, or something stands in it that
        must not be replaced.
    """
    for name in names:
        check_place(folder / name)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=folder) as probe:
            probe.write(b"\n")
    except FileExistsError:
        said = f"{folder}: cannot be written into: it is a file, not a folder"
        raise OutputError(printable(said)) from None
    except OSError as error:
        raise _unwritable(folder, error.strerror or error) from None


def write_whole(path: Path, content: bytes, anybodys: bool = False) -> None:
    """Write a file so that, at every instant, the old or the new one is there whole.

    Where and when, and what it raises, says `writing_whole`.
    """
    with writing_whole(path, anybodys) as file:
        file.write(content)


@contextmanager
def writing_whole(path: Path, anybodys: bool = False) -> Iterator[BinaryIO]:
    """Open a file, in a folder that is there, that takes its place only when the block ends well.

    What is written to it goes beside its place, and there at the end. For `anybodys` see
    `check_place`.

    Raises
    ------
    OutputError
        If it cannot be written (full, unwritable, no such folder); what stood at `path`
        still stands there, and nothing half-written is left, whatever else ends the block.
    """
    check_place(path, anybodys)
    temporary: str | None = None
    try:
        with uninterrupted():
            descriptor, temporary = tempfile.mkstemp(dir=path.parent, prefix=".", suffix=".part")
            _hidden.add(temporary)
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
            raise _unwritable(path, error.strerror or error) from None
        raise
    finally:
        _hidden.discard(temporary or "")


def write_set(folder: Path, files: Mapping[str, bytes]) -> None:
    """Write files into a folder, all or none; see `writing_set`."""
    with writing_set(folder, files) as hidden:
        for name, content in files.items():
            (hidden / name).write_bytes(content)


@contextmanager
def writing_set(folder: Path, names: Collection[str]) -> Iterator[Path]:
    """Give a hidden folder whose files take their places together when the block ends well.

    It lies within the folder, so that a file moved from it stays on its disk and never has to be
    copied.

    Parameters
    ----------
    folder : Path
        Where the files go; made if it is not there, and taken away again if nothing comes of it.
    names : collection of str
        Every name that the set may have. Files of these names that stand there and that the
        block did not make are removed; files of other names are left alone.

    Yields
    ------
    Path
        The hidden folder.

    Raises
    ------
    OutputError
        If the folder cannot be written into, or something stands in it that must not be
        replaced: before the block where that can be told. What was there is then as it was.
    """
    new = _not_there(folder)
    _made[:0] = new
    hidden: Path | None = None
    lock: int | None = None
    try:
        make_folder(folder, names)
        _clear(folder)
        with uninterrupted():
            hidden = Path(tempfile.mkdtemp(dir=folder, prefix=".results-", suffix=".part"))
            _hidden.add(str(hidden))
        lock = _lock(hidden)
        yield hidden
        for path in hidden.iterdir():
            with path.open("rb") as file:
                # A disk that is full may only say so here.
                os.fsync(file.fileno())
        with uninterrupted():
            _take_places(folder, hidden, names)
    except BaseException as error:
        if hidden is not None:
            shutil.rmtree(hidden, ignore_errors=True)
        for made in new:
            # What was made for nothing goes again; a folder in which something lies stays.
            try:
                made.rmdir()
            except OSError:
                break
        if isinstance(error, OSError):
            raise _unwritable(folder, error.strerror or error) from None
        raise
    finally:
        if lock is not None:
            os.close(lock)
    shutil.rmtree(hidden, ignore_errors=True)
    _hidden.discard(str(hidden))
    del _made[: len(new)]


def _take_places(folder: Path, hidden: Path, names: Collection[str]) -> None:
    """Move files into their places; if one cannot be moved, all are as they were."""
    made = [name for name in names if (hidden / name).exists()]
    old = hidden / "old"
    old.mkdir()
    for name in names:
        # A second name for what stands there; where the disk knows none, moving cannot be undone.
        with suppress(OSError):
            os.link(folder / name, old / name)
    try:
        for name in made:
            os.replace(hidden / name, folder / name)
        for name in names:
            if name not in made:
                (folder / name).unlink(missing_ok=True)
    except OSError:
        for name in names:
            if (old / name).exists():
                os.replace(old / name, folder / name)
            elif name in made and not (hidden / name).exists():
                (folder / name).unlink(missing_ok=True)
        raise


def _not_there(folder: Path) -> list[Path]:
    """Return the folder and those above it that do not exist yet, deepest first."""
    missing = []
    for place in (folder, *folder.parents):
        if os.path.lexists(place):
            break
        missing.append(place)
    return missing


def _clear(folder: Path) -> None:
    """Remove the hidden folders of programs that were killed."""
    for left in folder.glob(".results-*.part"):
        lock = _lock(left)
        if lock is not None:
            shutil.rmtree(left, ignore_errors=True)
            os.close(lock)


def _lock(folder: Path) -> int | None:
    """Hold a folder for as long as this program runs, if nobody else does."""
    if fcntl is None:
        return None
    descriptor: int | None = None
    try:
        descriptor = os.open(folder, os.O_RDONLY)
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        if descriptor is not None:
            os.close(descriptor)
        return None
    return descriptor


def _unwritable(path: Path, why: object) -> OutputError:
    return OutputError(printable(f"{path}: cannot be written: {why}"))
