"""The status file: what `crosslay status` reads at the machine, without network."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path

from crosslay.bus.messages import StateMessage

FILE_NAME = "status.json"
RUNTIME_ROOT = Path("/run/crosslay")


def status_paths(name: str, state_dir: Path, environ: Mapping[str, str]) -> list[Path]:
    """Where the status file may be, best first: memory before flash."""
    runtime = environ.get("RUNTIME_DIRECTORY")
    first = [Path(runtime) / FILE_NAME] if runtime else [RUNTIME_ROOT / name / FILE_NAME]
    return [*first, state_dir / FILE_NAME]


class StatusFile:
    """Writes the state message beside the station; a full or missing disk never stops anything."""

    def __init__(self, name: str, state_dir: Path, environ: Mapping[str, str]) -> None:
        candidates = status_paths(name, state_dir, environ)
        usable = [path for path in candidates if path.parent.is_dir() and os.access(path.parent, os.W_OK)]
        self._path = usable[0] if usable else None
        for path in candidates:
            if path != self._path:
                _remove(path)  # of an earlier run elsewhere: it would be read instead of ours

    def write(self, state: StateMessage) -> None:
        """Replace the file in one step; not synced, it is worth nothing after a power cut."""
        if self._path is None:
            return
        draft = self._path.with_suffix(".new")
        try:
            draft.write_bytes(state.to_bytes() + b"\n")
            draft.replace(self._path)
        except OSError:
            return


def _remove(path: Path) -> None:
    try:
        path.unlink(missing_ok=True)
    except OSError:
        return
