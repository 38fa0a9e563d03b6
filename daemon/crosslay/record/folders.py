"""Folders whose names survive a power cut: a file that was synced is lost all the same while its name is not."""

from __future__ import annotations

import os
from pathlib import Path


def make_folder(folder: Path, mode: int = 0o750) -> None:
    """Make a folder, and those above it, where they are missing, and sync every name that is new.

    Raises
    ------
    OSError
        It cannot be made, or the disk fails.
    """
    if folder.is_dir():
        return
    if folder.parent != folder:
        make_folder(folder.parent, 0o777)
    folder.mkdir(mode=mode, exist_ok=True)
    sync_folder(folder.parent)


def sync_folder(folder: Path) -> None:
    """Make the names in a folder survive a power cut.

    Raises
    ------
    OSError
        The folder cannot be read, or the disk fails.
    """
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
