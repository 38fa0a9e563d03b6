"""One daemon per state directory: an advisory lock that the kernel drops with the process, kill −9 included."""

from __future__ import annotations

import fcntl
import os
import time
from pathlib import Path

from crosslay.errors import StoreBusyError, StoreError
from crosslay.record.folders import make_folder


class StateLock:
    """Exclusive lock on ``STATE_DIR/lock``. Not inherited by children; released by `release` or by the kernel."""

    def __init__(self, state_dir: Path) -> None:
        self._path = state_dir / "lock"
        self._descriptor: int | None = None

    def acquire(self) -> None:
        """Take the lock, making the state directory (0750) where it is missing.

        Raises
        ------
        StoreBusyError
            Another process holds it.
        StoreError
            The directory cannot be made or written.
        """
        if self._descriptor is not None:
            return
        try:
            make_folder(self._path.parent)
            descriptor = os.open(self._path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o640)
        except OSError as error:
            raise StoreError(
                f"{self._path.parent}: cannot be used as state directory ({error.strerror}); "
                "make it writable for this user or set station.state_dir"
            ) from error
        if not _try_exclusive(descriptor):
            os.close(descriptor)
            raise StoreBusyError(
                f"{self._path.parent}: another crosslay daemon is running on this state directory; stop it first"
            )
        self._descriptor = descriptor

    def release(self) -> None:
        """Give the lock back."""
        if self._descriptor is not None:
            os.close(self._descriptor)
            self._descriptor = None


def is_locked(state_dir: Path) -> bool:
    """Whether a daemon runs on this state directory (a shared probe that never blocks it for longer than a moment)."""
    try:
        descriptor = os.open(state_dir / "lock", os.O_RDONLY | os.O_CLOEXEC)
    except OSError:
        return False
    try:
        fcntl.flock(descriptor, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except BlockingIOError:
        return True
    finally:
        os.close(descriptor)
    return False


def _try_exclusive(descriptor: int) -> bool:
    """Lock, with a few tries: `is_locked` of a passing `crosslay status` holds a shared lock for a moment."""
    for _ in range(10):
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            time.sleep(0.02)
        else:
            return True
    return False
