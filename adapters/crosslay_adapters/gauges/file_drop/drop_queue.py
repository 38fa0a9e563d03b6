"""Which files of the folder are complete, oldest first."""

from __future__ import annotations

import enum
import heapq
import math
import os
import stat
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from crosslay_adapters.gauges.file_drop.inotify import Change, Event

#: A file that was opened here and of which nothing was heard for so long goes by its age again, s: ``truncate(2)``
#: is a change without a close, and no file may wait for ever.
OPEN_LIMIT_S: Final = 600.0


@dataclass(frozen=True, slots=True)
class Stamp:
    """What tells one state of a file from another without reading it."""

    device: int
    inode: int
    size: int
    mtime_ns: int

    @classmethod
    def of(cls, status: os.stat_result) -> Stamp:
        """Stamp of a file whose status was read."""
        return cls(status.st_dev, status.st_ino, status.st_size, status.st_mtime_ns)


@dataclass(frozen=True, slots=True)
class Complete:
    """A file that counts as complete.

    Attributes
    ----------
    name
        Its name in the folder.
    mtime_ns
        Its modification time when that was found.
    closed
        Whether its writer was seen to finish; else it only looked finished, and must not have changed since.
    """

    name: str
    mtime_ns: int
    closed: bool


class Scan(enum.Enum):
    """Which look at the folder this is."""

    FIRST = "first"
    """At start: what is over `settle_s` old was complete before anybody looked."""
    LATER = "later"
    """While running: what inotify did not report must also have stood still between two looks."""


def is_left_alone(name: str) -> bool:
    """Whether a name says that its file is not meant for us (yet): hidden, or a temporary name of a writer."""
    return name.startswith(".") or name.endswith("~") or name.lower().endswith((".tmp", ".part"))


class DropQueue:
    """Decides from events and looks at the folder which files are complete. Does not open any.

    Parameters
    ----------
    folder
        Path of the folder.
    settle_s
        Age beyond which a file that no event spoke of counts as complete, s.
    """

    def __init__(self, folder: Path, settle_s: float) -> None:
        self._folder = folder
        self._settle_s = settle_s
        self._ready: dict[str, Complete] = {}
        self._order: list[tuple[int, str]] = []
        self._created: set[str] = set()
        #: Names that somebody holds open, since he created them or wrote to them, with the time of the last event.
        self._opened: dict[str, float] = {}
        self._written: dict[str, float] = {}
        self._seen: dict[str, tuple[Stamp, float]] = {}

    def __len__(self) -> int:
        return len(self._ready)

    def take(self) -> Complete | None:
        """Oldest complete file, by modification time and then by name; it leaves the queue."""
        while self._order:
            mtime_ns, name = heapq.heappop(self._order)
            found = self._ready.get(name)
            if found is not None and found.mtime_ns == mtime_ns:
                return self._ready.pop(name)
        return None

    def hear(self, event: Event, monotonic_s: float) -> None:
        """Learn from one event; events of one name come in the order in which things happened."""
        name, change = event.name, event.change
        if change & Change.OVERFLOW:
            for names in (self._created, self._opened, self._written):
                names.clear()
        elif not name or is_left_alone(name):
            return
        elif change & (Change.MOVED_TO | Change.CLOSE_WRITE):
            self._forget(name)
            self._push_closed(name)
        elif change & (Change.MOVED_FROM | Change.DELETE):
            self._forget(name)
        elif change & Change.MODIFY:
            self._forget(name)
            self._written[name] = monotonic_s
        elif change & Change.CREATE:
            self._created.add(name)
        elif change & Change.OPEN and name in self._created:
            # Created and opened: somebody will write. Created and not opened: a hard link, which no close follows.
            self._created.discard(name)
            self._opened[name] = monotonic_s
        elif change & Change.CLOSE_NOWRITE:
            self._created.discard(name)
            self._opened.pop(name, None)

    def _is_open(self, name: str, monotonic_s: float) -> bool:
        """Whether somebody on this computer is at the file, as far as the events tell."""
        since_s = max(self._opened.get(name, -math.inf), self._written.get(name, -math.inf))
        return monotonic_s - since_s < OPEN_LIMIT_S

    def scan(self, look: Scan, wall_s: float, monotonic_s: float, held: Callable[[str, Stamp], bool]) -> None:
        """Look through the folder for files that no event spoke of.

        Parameters
        ----------
        look
            The first look or a later one.
        wall_s, monotonic_s
            Now, by both clocks.
        held
            Whether a file, in this state, was delivered already.

        Raises
        ------
        OSError
            The folder cannot be read.
        """
        seen: dict[str, tuple[Stamp, float]] = {}
        with os.scandir(self._folder) as entries:
            for entry in entries:
                name = entry.name
                if is_left_alone(name) or name in self._ready or self._is_open(name, monotonic_s):
                    continue
                try:
                    status = entry.stat(follow_symlinks=False)
                except FileNotFoundError:
                    continue
                stamp = Stamp.of(status)
                if stat.S_ISDIR(status.st_mode) or held(name, stamp):
                    continue
                before = self._seen.get(name)
                since_s = before[1] if before is not None and before[0] == stamp else monotonic_s
                if self._is_complete(look, wall_s - stamp.mtime_ns / 1e9, monotonic_s - since_s):
                    self._push(Complete(name, stamp.mtime_ns, closed=False))
                else:
                    seen[name] = (stamp, since_s)
        self._seen = seen

    def _is_complete(self, look: Scan, age_s: float, still_s: float) -> bool:
        if look is Scan.FIRST:
            return age_s > self._settle_s
        # A time stamp of the future comes from another computer's clock: then standing still must do.
        return still_s >= self._settle_s and (age_s > self._settle_s or age_s < 0)

    def _push_closed(self, name: str) -> None:
        try:
            mtime_ns = (self._folder / name).lstat().st_mtime_ns
        except OSError:  # gone again, or the folder is: the next look will tell
            return
        self._push(Complete(name, mtime_ns, closed=True))

    def _push(self, found: Complete) -> None:
        self._ready[found.name] = found
        heapq.heappush(self._order, (found.mtime_ns, found.name))

    def _forget(self, name: str) -> None:
        self._ready.pop(name, None)
        self._created.discard(name)
        self._opened.pop(name, None)
        self._written.pop(name, None)
        self._seen.pop(name, None)


