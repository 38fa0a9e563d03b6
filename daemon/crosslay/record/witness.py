"""What is known of a database that is gone: a small file beside it, written anew whenever session numbers are reserved.

A state directory that has this file, or databases set aside, but no database or an empty one, has lost it. Then the new
one is another instance, says so by a gap record (DC-42), and its session numbers go on above the old ones (DC-62).
"""

from __future__ import annotations

import json
import os
from dataclasses import dataclass
from pathlib import Path

from crosslay.record.folders import sync_folder
from crosslay.record.store import FILE_NAME

WITNESS_NAME = "witness.json"
SET_ASIDE = "set-aside"


@dataclass(frozen=True, slots=True, kw_only=True)
class Witness:
    """`sessions_reserved` is the highest session number that may have been used."""

    instance_id: str
    sessions_reserved: int


def write_witness(state_dir: Path, witness: Witness) -> None:
    """Replace the file: after a power cut it is the old one or the new one.

    Raises
    ------
    OSError
        It cannot be written; the old one is still there.
    """
    draft = state_dir / f".{WITNESS_NAME}.draft"
    text = json.dumps({"instanceId": witness.instance_id, "sessionsReserved": witness.sessions_reserved})
    with draft.open("w", encoding="utf-8") as file:
        file.write(f"{text}\n")
        file.flush()
        os.fsync(file.fileno())
    draft.rename(state_dir / WITNESS_NAME)
    sync_folder(state_dir)


def read_witness(state_dir: Path) -> Witness | None:
    """The file's content; None where there is none, or none that can be read."""
    try:
        found = json.loads((state_dir / WITNESS_NAME).read_bytes())
        instance_id, reserved = found["instanceId"], found["sessionsReserved"]
    except (OSError, ValueError, KeyError, TypeError):
        return None
    if not isinstance(instance_id, str) or not isinstance(reserved, int) or reserved < 0:
        return None
    return Witness(instance_id=instance_id, sessions_reserved=reserved)


def is_lost(state_dir: Path) -> bool:
    """Whether this directory had a database, and has none now or an empty file; call `finish_interrupted` before.

    Raises
    ------
    OSError
        The directory cannot be read.
    """
    database = state_dir / FILE_NAME
    if database.exists() and database.stat().st_size > 0:
        return False
    return (state_dir / WITNESS_NAME).exists() or any((state_dir / SET_ASIDE).glob("*.sqlite3"))
