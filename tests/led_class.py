"""The other side of the LEDs: a directory shaped like /sys/class/leds, watched by the kernel's inotify.

What is written, and in which order, is told by inotify and the files' contents, never by the adapter.
"""

from __future__ import annotations

import ctypes
import os
import shutil
import struct
from collections.abc import Iterable, Mapping
from pathlib import Path

_IN_MODIFY = 0x2
_EVENT = struct.Struct("iIII")
_libc = ctypes.CDLL(None, use_errno=True)


class LedFolder:
    """LEDs by output name; `names` maps an output to its LED."""

    def __init__(self, folder: Path, names: Mapping[str, str], *, full: int = 1, trigger: str = "[none] timer\n",
                 inverted: Iterable[str] = ()) -> None:
        self.folder = folder
        self.names = dict(names)
        self._full = full
        self._trigger = trigger
        self._inverted = frozenset(inverted)
        self._descriptor = _checked(_libc.inotify_init1(os.O_NONBLOCK | os.O_CLOEXEC))
        self._watched: dict[int, str] = {}
        folder.mkdir()
        for line in names:
            self.plug_in(line)

    def plug_in(self, line: str) -> None:
        led = self.folder / self.names[line]
        led.mkdir()
        (led / "brightness").write_text("0\n")
        (led / "max_brightness").write_text(f"{self._full}\n")
        (led / "trigger").write_text(self._trigger)
        path = os.fsencode(led / "brightness")
        self._watched[_checked(_libc.inotify_add_watch(self._descriptor, path, _IN_MODIFY))] = line
        self.written()

    def unplug(self, line: str) -> None:
        shutil.rmtree(self.folder / self.names[line])
        self.written()

    def brightness(self, line: str) -> Path:
        return self.folder / self.names[line] / "brightness"

    def levels(self) -> dict[str, bool]:
        return {line: (int(self.brightness(line).read_text()) > 0) is not (line in self._inverted)
                for line in self.names if self.brightness(line).exists()}

    def set(self, levels: Mapping[str, bool]) -> None:
        for line, level in levels.items():
            lit = level is not (line in self._inverted)
            self.brightness(line).write_text(f"{self._full if lit else 0}\n")
        self.written()

    def written(self) -> list[str]:
        """Outputs whose brightness was written since the last call, in order; the kernel merges equal neighbours."""
        try:
            data = os.read(self._descriptor, 1 << 16)
        except BlockingIOError:
            return []
        events, place = [], 0
        while place < len(data):
            watch, mask, _cookie, length = _EVENT.unpack_from(data, place)
            place += _EVENT.size + length
            if mask & _IN_MODIFY:
                events.append(self._watched[watch])
        return [line for i, line in enumerate(events) if i == 0 or events[i - 1] != line]

    def close(self) -> None:
        os.close(self._descriptor)


def _checked(result: int) -> int:
    if result < 0:
        raise OSError(ctypes.get_errno(), os.strerror(ctypes.get_errno()))
    return result
