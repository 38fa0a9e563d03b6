"""The status file: what `crosslay status` reads at the machine, without network."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping, Sequence
from pathlib import Path

from crosslay.bus.conditions import Condition
from crosslay.bus.messages import StateMessage

FILE_NAME = "status.json"
RUNTIME_ROOT = Path("/run/crosslay")


def status_paths(name: str, state_dir: Path, environ: Mapping[str, str]) -> list[Path]:
    """Where the status file may be, best first: memory before flash."""
    runtime = environ.get("RUNTIME_DIRECTORY")
    first = [Path(runtime) / FILE_NAME] if runtime else [RUNTIME_ROOT / name / FILE_NAME]
    return [*first, state_dir / FILE_NAME]


class StatusFile:
    """Writes the state message beside the station; a full or missing disk never stops anything.

    Beside what the broker gets, ``conditionDetails`` says each condition with its text and remedy: on the bus they have
    topics of their own, and here they are read when the bus cannot be.
    """

    def __init__(self, name: str, state_dir: Path, environ: Mapping[str, str]) -> None:
        candidates = status_paths(name, state_dir, environ)
        usable = [path for path in candidates if path.parent.is_dir() and os.access(path.parent, os.W_OK)]
        self._path = usable[0] if usable else None
        for path in candidates:
            if path != self._path:
                _remove(path)  # of an earlier run elsewhere: it would be read instead of ours

    def write(self, state: StateMessage, conditions: Sequence[Condition]) -> None:
        """Replace the file in one step; not synced, it is worth nothing after a power cut."""
        if self._path is None:
            return
        document = state.model_dump(mode="json", by_alias=True)
        document["conditionDetails"] = [each.message().model_dump(mode="json", by_alias=True) for each in conditions]
        draft = self._path.with_suffix(".new")
        try:
            draft.write_text(json.dumps(document, ensure_ascii=False, separators=(",", ":")) + "\n", "utf-8")
            draft.replace(self._path)
        except OSError:
            return


def _remove(path: Path) -> None:
    try:
        path.unlink(missing_ok=True)
    except OSError:
        return
