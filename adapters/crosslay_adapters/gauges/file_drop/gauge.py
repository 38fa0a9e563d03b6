"""The gauge adapter ``file-drop``: trace files that appear in a folder."""

from __future__ import annotations

import dataclasses
import errno
import hashlib
import os
import stat
import threading
import time
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import ClassVar, Final

from pydantic import Field

from crosslay.errors import GaugeError, TraceError, TraceRefusedError
from crosslay.ports import AdapterConfig, Disposition, GaugeContext, TraceFormat
from crosslay.texture.trace import Trace
from crosslay_adapters.gauges.file_drop.drop_queue import Complete, DropQueue, Scan, Stamp
from crosslay_adapters.gauges.file_drop.formats import installed_formats
from crosslay_adapters.gauges.file_drop.inotify import FolderWatch
from crosslay_adapters.gauges.file_drop.shelves import Shelf, Shelves

#: Looks at the folder are at most so far apart while no file waits, s: inotify hears nothing of a network share.
_LOOK_INTERVAL_S: Final = 1.0
_SHORTEST_LOOK_INTERVAL_S: Final = 0.05
#: Errors of opening that mean that another entry has taken the name since it was looked at.
_REPLACED_MEANWHILE: Final = {errno.ELOOP, errno.ENXIO, errno.ESTALE}
_DEFAULT_MAX_FILE_BYTES: Final = 64 * 1024 * 1024


class FileDropConfig(AdapterConfig):
    """Options of ``[gauge] adapter = "file-drop"``."""

    folder: str = Field(min_length=1, description="Folder that is watched; relative to the station file.")
    spacing_um: float | None = Field(
        default=None, gt=0, allow_inf_nan=False,
        description="Sampling spacing, µm, of files that give none themselves.",
    )
    settle_s: float = Field(
        default=1.0, ge=0, le=3600, allow_inf_nan=False,
        description="Age, s, beyond which a file counts as complete whose end of writing cannot be seen.",
    )
    max_file_bytes: int = Field(
        default=_DEFAULT_MAX_FILE_BYTES, gt=0, le=1 << 30, description="Larger files are refused unread.",
    )


@dataclass(slots=True)
class _Held:
    """A file that was delivered, until it has left the folder."""

    name: str
    digest: str
    stamp: Stamp
    shelf: Shelf | None = None  # set once it is settled: on its way to the shelf
    reason: str = ""


class FileDropGauge:
    """Takes trace files from a folder once they are complete, oldest first (page *interface*).

    Parameters
    ----------
    config
        The options.
    context
        Where relative paths begin.
    """

    Config: ClassVar[type[AdapterConfig]] = FileDropConfig
    simulated: ClassVar[bool] = False

    def __init__(self, config: FileDropConfig, context: GaugeContext) -> None:
        self._config = config
        self._folder = context.base_dir / config.folder
        self._shelves = Shelves(self._folder)
        self._formats: dict[str, TraceFormat] = {}
        self._watch: FolderWatch | None = None
        self._queue = DropQueue(self._folder, config.settle_s)
        self._last_look_s: float | None = None
        self._held: dict[str, _Held] = {}
        self._held_lock = threading.Lock()
        self._reading = threading.Lock()
        self._open_lock = threading.Lock()

    # -- life ----------------------------------------------------------------------------------------------------

    def open(self) -> None:
        """Start to watch. Raises `GaugeError` where the folder is missing or cannot be used."""
        with self._open_lock:
            if self._watch is not None:
                return
            self._formats = installed_formats()
            self._require_folder()
            self._shelves.prepare()
            self._move_leftovers()
            self._queue = DropQueue(self._folder, self._config.settle_s)
            self._last_look_s = None
            try:
                self._watch = FolderWatch(str(self._folder))
            except OSError as error:
                raise GaugeError(f'"{self._folder}" cannot be watched: {error.strerror}') from error

    def close(self) -> None:
        """Stop; a `read` that waits in another thread returns."""
        with self._open_lock:
            watch, self._watch = self._watch, None
            if watch is not None:
                watch.ring()
                with self._reading:
                    watch.close()

    def describe(self) -> Mapping[str, str]:
        """Adapter, folder, and whether the kernel reports changes or the folder is looked at only."""
        watch = self._watch
        hears = watch is not None and watch.hears
        return {"adapter": "file-drop", "folder": str(self._folder), "watch": "inotify" if hears else "polling"}

    def _require_folder(self) -> None:
        try:
            os.scandir(self._folder).close()
        except OSError as error:
            raise self._folder_error(error) from error

    def _folder_error(self, error: OSError) -> GaugeError:
        what_to_do = {
            errno.ENOENT: "make it, mount it, or correct gauge.folder in the station file",
            errno.ENOTDIR: "it is a file; correct gauge.folder in the station file",
            errno.EACCES: "give this user the right to read and write it",
        }.get(error.errno or 0, "look at the disk or the network share")
        return GaugeError(f'the folder "{self._folder}" cannot be read ({error.strerror}): {what_to_do}')

    # -- reading -------------------------------------------------------------------------------------------------

    def read(self, timeout_s: float) -> Trace | None:
        """Wait for one complete file and parse it.

        Raises
        ------
        GaugeError
            Not open, or the folder is gone or unreadable.
        TraceRefusedError
            The file was not a trace; it lies in ``refused/`` with the reason beside it.
        """
        with self._reading:
            watch = self._watch
            if watch is None:
                raise GaugeError("the gauge is not open")
            deadline_s = time.monotonic() + timeout_s
            while self._watch is watch:
                self._look(watch)
                trace = self._next_trace()
                now_s = time.monotonic()
                if trace is not None or now_s >= deadline_s:
                    return trace
                watch.wait(min(deadline_s, self._next_look_s()) - now_s)
            return None

    def _look(self, watch: FolderWatch) -> None:
        """Hear what happened; look at the folder itself where nothing waits and it is time."""
        for event in watch.events():
            self._queue.hear(event, time.monotonic())
        now_s = time.monotonic()
        if len(self._queue) or now_s < self._next_look_s():
            return
        look = Scan.FIRST if self._last_look_s is None else Scan.LATER
        self._last_look_s = now_s
        try:
            self._queue.scan(look, time.time(), now_s, self._is_held)
        except OSError as error:
            raise self._folder_error(error) from error

    def _next_look_s(self) -> float:
        if self._last_look_s is None:
            return 0.0
        return self._last_look_s + min(_LOOK_INTERVAL_S, max(self._config.settle_s, _SHORTEST_LOOK_INTERVAL_S))

    def _next_trace(self) -> Trace | None:
        while (found := self._queue.take()) is not None:
            trace = self._take(found)
            if trace is not None:
                return trace
        return None

    def _take(self, found: Complete) -> Trace | None:
        """Read one file; None where it is gone, not complete after all, or delivered already."""
        path = self._folder / found.name
        try:
            stamp, mode = _look_at(path)
            if stat.S_ISDIR(mode) or self._is_held(found.name, stamp):
                return None
            if not (found.closed or stamp.mtime_ns == found.mtime_ns):
                return None  # it goes on after all; a later look will find it
            self._refuse_unread(found.name, stamp, mode)
            data = _read_whole(path, stamp)
        except FileNotFoundError:
            return None
        except PermissionError:
            self._refuse(found.name, stamp, "this user may not read it; give it the right and drop the file again")
            return None
        except OSError as error:
            if error.errno in _REPLACED_MEANWHILE:
                return None
            raise GaugeError(f'"{path}" cannot be read ({error.strerror}); look at the disk or the share') from error
        return None if data is None else self._parse(found.name, stamp, data)

    def _parse(self, name: str, stamp: Stamp, data: bytes) -> Trace | None:
        digest = hashlib.sha256(data).hexdigest()
        if self._is_same_again(name, digest, stamp):
            return None
        file_format = self._formats[Path(name).suffix.lower()]
        try:
            trace = file_format.read(data, _printable(name), spacing_um=self._config.spacing_um)
        except TraceError as error:
            self._refuse(name, stamp, str(error), cause=error)
            return None
        return self._deliver(name, digest, stamp, trace)

    def _refuse_unread(self, name: str, stamp: Stamp, mode: int) -> None:
        """Refuse what is no trace file by its kind, its extension or its size."""
        if not stat.S_ISREG(mode):
            kind = "a symbolic link" if stat.S_ISLNK(mode) else "a device, pipe or socket"
            self._refuse(name, stamp, f"it is {kind}; only plain files are read")
        elif Path(name).suffix.lower() not in self._formats:
            known = ", ".join(sorted(self._formats))
            self._refuse(name, stamp, f"this is not the extension of a trace file; known are {known}")
        elif stamp.size > self._config.max_file_bytes:
            self._refuse(name, stamp, f"it has {stamp.size:,} bytes; at most {self._config.max_file_bytes:,} are read "
                                      "(gauge.max_file_bytes)")

    def _deliver(self, name: str, digest: str, stamp: Stamp, trace: Trace) -> Trace:
        identity = f"{_printable(name)}|{stamp.mtime_ns}|{digest}"
        with self._held_lock:
            self._held[identity] = _Held(name, digest, stamp)
        facts = dict(trace.facts)
        facts["part"] = facts.get("part") or Path(_printable(name)).stem
        return dataclasses.replace(
            trace, facts=facts, identity=identity, captured_at=stamp.mtime_ns / 1e9,
            acquisition_s=trace.acquisition_s if trace.acquisition_s is not None else _acquisition_s(trace),
        )

    def _refuse(self, name: str, stamp: Stamp, reason: str, *, cause: TraceError | None = None) -> None:
        """Put a file aside and raise `TraceRefusedError`; return only where the file is no longer there."""
        shown = _printable(name)
        text = reason if reason.startswith(shown) else f"{shown}: {reason}"
        held = _Held(name, "", stamp, Shelf.REFUSED, text)
        key = f"{name}|{stamp}"
        with self._held_lock:
            self._held[key] = held
        if self._shelve(key, held):
            raise TraceRefusedError(f"{text} (moved to {Shelf.REFUSED.value}/)") from cause

    # -- what was delivered ----------------------------------------------------------------------------------------

    def settle(self, trace: Trace, disposition: Disposition, reason: str = "") -> None:
        """Move the file of a delivered trace to ``done/`` or ``refused/``; settling again does nothing.

        Raises
        ------
        GaugeError
            The file cannot be moved. It is not delivered again; `open` tries the move again.
        """
        with self._held_lock:
            held = self._held.get(trace.identity)
            if held is None or held.shelf is not None:
                return
            held.shelf = Shelf.DONE if disposition is Disposition.STORED else Shelf.REFUSED
            held.reason = reason or "the station refused the trace and gave no reason"
        self._shelve(trace.identity, held)

    def _shelve(self, key: str, held: _Held) -> bool:
        """Move a settled file; False where it is no longer there. Raises `GaugeError`."""
        assert held.shelf is not None
        reason = held.reason if held.shelf is Shelf.REFUSED else ""
        target = None
        while target is None:
            target = self._shelves.move(held.name, held.stamp, held.shelf, reason)
            if target is None and not self._follow_touch(held):
                break
        with self._held_lock:  # only now: while it lies in the folder, it must not be taken again
            self._held.pop(key, None)
        return target is not None

    def _follow_touch(self, held: _Held) -> bool:
        """Take over a new time stamp of unchanged content, as copying programs may set it after their last write."""
        path = self._folder / held.name
        try:
            stamp, mode = _look_at(path)
            if stamp == held.stamp or stamp.size != held.stamp.size or not stat.S_ISREG(mode):
                return False
            data = _read_whole(path, stamp)
        except OSError:  # gone or unreadable: then it is not the file that was read
            return False
        if data is None or hashlib.sha256(data).hexdigest() != held.digest:
            return False
        held.stamp = stamp
        return True

    def _move_leftovers(self) -> None:
        """Try once more to move what could not be moved before; raises `GaugeError` as long as that is so."""
        with self._held_lock:
            leftovers = [(key, held) for key, held in self._held.items() if held.shelf is not None]
        for key, held in leftovers:
            self._shelve(key, held)

    def _is_held(self, name: str, stamp: Stamp) -> bool:
        with self._held_lock:
            return any(held.name == name and held.stamp == stamp for held in self._held.values())

    def _is_same_again(self, name: str, digest: str, stamp: Stamp) -> bool:
        with self._held_lock:
            for held in self._held.values():
                if held.name == name and held.digest == digest:
                    held.stamp = stamp
                    return True
        return False


def _look_at(path: Path) -> tuple[Stamp, int]:
    status = path.lstat()
    return Stamp.of(status), status.st_mode


def _read_whole(path: Path, stamp: Stamp) -> bytes | None:
    """Read a plain file; None where it is not the file of `stamp`, or changed while it was read.

    Raises
    ------
    OSError
        It cannot be read.
    """
    # NONBLOCK: had a pipe taken the name meanwhile, opening it would wait for a writer for ever.
    flags = os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC
    with open(path, "rb", buffering=0, opener=lambda name, _flags: os.open(name, flags)) as file:
        if Stamp.of(os.fstat(file.fileno())) != stamp:
            return None
        pieces, missing = [], stamp.size + 1
        while missing > 0 and (piece := file.read(missing)):
            pieces.append(piece)
            missing -= len(piece)
        return b"".join(pieces) if missing == 1 and Stamp.of(os.fstat(file.fileno())) == stamp else None


def _printable(name: str) -> str:
    """File name as text that can be stored and sent: bytes that are not UTF-8 become escapes."""
    return os.fsencode(name).decode("utf-8", "backslashreplace")


def _acquisition_s(trace: Trace) -> float | None:
    """Duration of the traverse, s, from its length and the fact ``speed_mm_s``."""
    try:
        speed_mm_s = float(trace.facts["speed_mm_s"])
    except (KeyError, ValueError):
        return None
    length_mm = (trace.points - 1) * trace.spacing_um / 1000.0
    return length_mm / speed_mm_s if 0 < speed_mm_s < float("inf") else None
