"""The folders ``done/`` and ``refused/``: moving a file there without ever overwriting one."""

from __future__ import annotations

import enum
import errno
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from crosslay.errors import GaugeError
from crosslay_adapters.gauges.file_drop import libc
from crosslay_adapters.gauges.file_drop.drop_queue import Stamp

#: Longest file name of the usual file systems, bytes.
_MAX_NAME_BYTES: Final = 255
_NO_NEW_NAME_RENAME: Final = {errno.ENOSYS, errno.EINVAL, errno.EOPNOTSUPP, 0}


class Shelf(enum.Enum):
    """Where a file goes when it is settled."""

    DONE = "done"
    REFUSED = "refused"


class Shelves:
    """Moves files of one folder to its shelves.

    Parameters
    ----------
    folder
        Path of the watched folder.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def prepare(self) -> None:
        """Make the shelves. Raises `GaugeError` where the folder does not allow it."""
        for shelf in Shelf:
            path = self._folder / shelf.value
            try:
                path.mkdir(exist_ok=True)
            except OSError as error:
                raise GaugeError(f'"{path}" cannot be made ({error.strerror}); traces that were taken are moved there, '
                                 "so this user needs the right to write, and no file may have that name") from error
        for path in (self._folder, *(self._folder / shelf.value for shelf in Shelf)):
            if not os.access(path, os.W_OK | os.X_OK):
                raise GaugeError(f'this user may not write to "{path}"; traces that were taken are moved within the '
                                 "folder, so give it the right")

    def move(self, name: str, stamp: Stamp, shelf: Shelf, reason: str = "") -> Path | None:
        """Move a file that was dealt with.

        Parameters
        ----------
        name
            Its name in the folder.
        stamp
            The state in which it was read. A file in any other state is another trace and stays.
        shelf
            Where to.
        reason
            Written to ``NAME.reason.txt`` beside the file, where not empty.

        Returns
        -------
        pathlib.Path or None
            Where the file is now; None where it is gone, or another file has its name.

        Raises
        ------
        GaugeError
            The file cannot be moved, or the reason not written.
        """
        source = self._folder / name
        try:
            target = self._rename(source, shelf, stamp)
        except OSError as error:
            raise GaugeError(f'"{source}" cannot be moved to {shelf.value}/ ({error.strerror or error}); it was dealt '
                             "with and will not be taken again while this daemon runs; move it by hand") from error
        if target is not None and reason:
            self._explain(target, reason)
        return target

    def _rename(self, source: Path, shelf: Shelf, stamp: Stamp) -> Path | None:
        if not _is(source, stamp):
            return None
        self._folder.joinpath(shelf.value).mkdir(exist_ok=True)
        try:
            target = _rename_free(source, self._folder / shelf.value)
        except FileNotFoundError:
            return None
        if _is(target, stamp):
            return target
        # Replaced between the look and the move: what was moved is a trace that nobody has read. Back with it.
        _rename_free(target, self._folder)
        return None

    def _explain(self, target: Path, reason: str) -> None:
        note = target.with_name(_extended(target.name, ".reason.txt"))
        try:
            note.write_text(reason.rstrip() + "\n", encoding="utf-8", errors="backslashreplace")
        except OSError as error:
            raise GaugeError(f'"{target}" was refused, but the reason cannot be written beside it '
                             f"({error.strerror}): {reason}") from error


def _is(path: Path, stamp: Stamp) -> bool:
    try:
        return Stamp.of(os.lstat(path)) == stamp
    except FileNotFoundError:
        return False


def _rename_free(source: Path, folder: Path) -> Path:
    """Move `source` into `folder` under its own name or the first free one like it. Raises `OSError`."""
    for name in _names(source.name):
        target = folder / name
        try:
            _rename_exclusively(source, target)
        except FileExistsError:
            continue
        return target
    raise OSError(errno.EEXIST, "no free name is left")


def _rename_exclusively(source: Path, target: Path) -> None:
    """Rename to a name that must be free. Raises `FileExistsError` where it is not, else `OSError`."""
    try:
        libc.rename_to_new_name(str(source), str(target))
        return
    except OSError as error:
        if (error.errno or 0) not in _NO_NEW_NAME_RENAME:
            raise
    # Network shares and old kernels: take the name with an empty file, then rename onto that.
    os.close(os.open(target, os.O_CREAT | os.O_EXCL | os.O_WRONLY | os.O_CLOEXEC, 0o644))
    try:
        source.replace(target)
    except OSError:
        target.unlink(missing_ok=True)
        raise


def _names(name: str) -> Iterator[str]:
    """``a.csv``, ``a.2.csv``, ``a.3.csv`` …: the extension stays, so that the files can still be evaluated."""
    yield name
    stem, dot, extension = name.rpartition(".")
    stem, tail = (stem, dot + extension) if stem else (name, "")
    for number in range(2, 1_000_000):
        yield _extended(stem, f".{number}{tail}")


def _extended(stem: str, tail: str) -> str:
    """`stem` with `tail`, the stem cut where the whole would be longer than a file name can be."""
    room = _MAX_NAME_BYTES - len(os.fsencode(tail))
    return os.fsdecode(os.fsencode(stem)[:room]) + tail
