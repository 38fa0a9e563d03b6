"""What the kernel tells about one folder, as plain values (inotify(7))."""

from __future__ import annotations

import enum
import os
import select
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from crosslay.errors import GaugeError
from crosslay_adapters.gauges.file_drop import libc

#: A buffer that holds hundreds of events; the kernel never splits one.
_READ_BYTES: Final = 64 * 1024
_HEADER: Final = struct.Struct("iIII")  # watch, mask, cookie, length of the name


class Change(enum.IntFlag):
    """Bits of an inotify event (linux/inotify.h)."""

    MODIFY = 0x0002
    CLOSE_WRITE = 0x0008
    CLOSE_NOWRITE = 0x0010
    OPEN = 0x0020
    MOVED_FROM = 0x0040
    MOVED_TO = 0x0080
    CREATE = 0x0100
    DELETE = 0x0200
    DELETE_SELF = 0x0400
    MOVE_SELF = 0x0800
    UNMOUNT = 0x2000
    OVERFLOW = 0x4000
    IGNORED = 0x8000
    IS_DIRECTORY = 0x40000000


_WATCHED: Final = (
    Change.MODIFY | Change.CLOSE_WRITE | Change.CLOSE_NOWRITE | Change.OPEN | Change.MOVED_FROM | Change.MOVED_TO
    | Change.CREATE | Change.DELETE | Change.DELETE_SELF | Change.MOVE_SELF
)
_ONLY_DIRECTORY: Final = 0x01000000
_FOLDER_GONE: Final = Change.DELETE_SELF | Change.MOVE_SELF | Change.UNMOUNT | Change.IGNORED


@dataclass(frozen=True, slots=True)
class Event:
    """Something happened to the entry `name` of the folder; ``OVERFLOW`` (events were lost) has no name."""

    change: Change
    name: str


class FolderWatch:
    """One folder under watch, and a bell by which another thread ends the waiting.

    Where the system has no inotify to give, the watch is deaf: it waits and reports nothing, and the folder must be
    looked at from time to time. That must be done anyway, as inotify does not hear what other computers write.
    """

    def __init__(self, folder: str) -> None:
        self._folder = folder
        self._bell = os.eventfd(0, os.EFD_CLOEXEC | os.EFD_NONBLOCK)
        self._poll = select.poll()
        self._poll.register(self._bell, select.POLLIN)
        self._inotify = self._start()
        if self._inotify is not None:
            self._poll.register(self._inotify, select.POLLIN)

    def _start(self) -> int | None:
        try:
            descriptor = libc.inotify_init()
        except OSError:  # not this kernel, or too many instances already
            return None
        try:
            libc.inotify_add_watch(descriptor, self._folder, int(_WATCHED) | _ONLY_DIRECTORY)
        except OSError:  # not this file system, or too many watches already
            os.close(descriptor)
            return None
        return descriptor

    @property
    def hears(self) -> bool:
        """Whether the kernel reports changes by processes of this computer."""
        return self._inotify is not None

    def wait(self, timeout_s: float) -> None:
        """Return once there is an event, the bell rang, or time is up."""
        self._poll.poll(max(0.0, timeout_s) * 1000.0)

    def ring(self) -> None:
        """End the waiting of another thread, now and from now on."""
        os.eventfd_write(self._bell, 1)

    def events(self) -> Iterator[Event]:
        """Everything that happened since the last call; never waits.

        Raises
        ------
        GaugeError
            The folder was deleted, moved away or unmounted.
        """
        while self._inotify is not None:
            try:
                data = os.read(self._inotify, _READ_BYTES)
            except BlockingIOError:
                return
            yield from self._decode(data)

    def _decode(self, data: bytes) -> Iterator[Event]:
        at = 0
        while at < len(data):
            _watch, mask, _cookie, length = _HEADER.unpack_from(data, at)
            at += _HEADER.size + length
            change = Change(mask)
            if change & _FOLDER_GONE:
                raise GaugeError(f'the folder "{self._folder}" was deleted, moved or unmounted; put it back')
            if not change & Change.IS_DIRECTORY:
                yield Event(change, os.fsdecode(data[at - length:at].rstrip(b"\0")))

    def close(self) -> None:
        """Release the descriptors."""
        if self._inotify is not None:
            os.close(self._inotify)
            self._inotify = None
        os.close(self._bell)
