"""The three calls of the C library that Python does not offer, by ctypes.

Only plain function calls, no callbacks: those need memory that is writable and executable, which the systemd unit
forbids (``MemoryDenyWriteExecute``).
"""

from __future__ import annotations

import os
from collections.abc import Callable
from functools import cache
from typing import Any, Final

IN_NONBLOCK: Final = os.O_NONBLOCK
IN_CLOEXEC: Final = os.O_CLOEXEC

_AT_FDCWD: Final = -100
_RENAME_NOREPLACE: Final = 1


@cache
def _function(name: str) -> Callable[..., int]:
    """Look up one function of the C library. Raises `OSError` where there is none."""
    try:
        import ctypes

        function: Any = getattr(ctypes.CDLL(None, use_errno=True), name)
    except (ImportError, AttributeError, MemoryError) as error:
        raise OSError(f"the C library does not offer {name}") from error

    def call(*arguments: Any) -> int:
        result = int(function(*arguments))
        if result < 0:
            number = ctypes.get_errno()
            raise OSError(number, os.strerror(number))
        return result

    return call


def inotify_init() -> int:
    """Make an inotify descriptor, non-blocking. Raises `OSError`, also where the system has no inotify."""
    return _function("inotify_init1")(IN_NONBLOCK | IN_CLOEXEC)


def inotify_add_watch(descriptor: int, folder: str, mask: int) -> int:
    """Watch a folder for the events in `mask`. Raises `OSError`."""
    return _function("inotify_add_watch")(descriptor, os.fsencode(folder), _unsigned(mask))


def rename_to_new_name(source: str, target: str) -> None:
    """Rename, but never onto an existing name.

    Raises
    ------
    OSError
        `FileExistsError` where the name is taken; ``ENOSYS`` or ``EINVAL`` where kernel or file system cannot do it.
    """
    _function("renameat2")(_AT_FDCWD, os.fsencode(source), _AT_FDCWD, os.fsencode(target), _RENAME_NOREPLACE)


def _unsigned(value: int) -> Any:
    import ctypes

    return ctypes.c_uint32(value)
