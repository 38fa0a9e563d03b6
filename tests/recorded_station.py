"""A station that is traced by strace, and the replay of what it did to its disk and said to others."""

from __future__ import annotations

import shutil
import sys
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from announced import Listener, Promises
from crosslay.record.store import FILE_NAME
from power_cut import Disk, timeline
from station_harness import StationUnderTest, wait_for
from syscall_log import STRACE, has_ended, read_calls, tracer_of


@dataclass(frozen=True, slots=True)
class Recording:
    """The folder as it was before, the logs of the processes one after the other, the database after each."""

    before: Path
    root: Path
    logs: list[Path]
    after: list[dict[str, bytes]]


class TracedStation:
    """Runs a station under strace, one process after the other."""

    def __init__(self, op30: StationUnderTest, *words: str) -> None:
        self.op30 = op30
        self.root = op30.folder / "disk"
        self.root.mkdir(exist_ok=True)
        op30.state_dir = self.root / "state"
        op30.file.write_text(op30.file.read_text().replace('"state"', '"disk/state"'))
        self._words = words or ("-m", "crosslay.cli.main")
        self._logs: list[Path] = []
        self._after: list[dict[str, bytes]] = []
        self._before = op30.folder / "before"

    @contextmanager
    def process(self, *inject: str) -> Iterator[StationUnderTest]:
        """One traced process, with strace's options to make calls fail; it must have ended at the end."""
        if not self._logs:
            shutil.copytree(self.root, self._before)
        log = self.op30.folder / f"calls-{len(self._logs)}.log"
        self._logs.append(log)
        self.op30.program = [*STRACE, str(log), *inject, sys.executable, *self._words]
        self.op30.start()
        process = self.op30.process
        assert process is not None
        tracer = tracer_of(process.pid)
        yield self.op30
        wait_for(lambda: has_ended(tracer), 20, "the end of the trace")
        self._after.append({path.name: path.read_bytes() for path in self.op30.state_dir.glob(f"{FILE_NAME}*")})

    def recording(self) -> Recording:
        """What was recorded."""
        return Recording(self._before, self.root, self._logs, self._after)


class Replay:
    """Goes through a recording and stops at every step at which a cut could matter."""

    def __init__(self, recording: Recording, already: dict[tuple[str, int], bytes]) -> None:
        self._recording = recording
        self._already = already
        self._calls = []
        for log in recording.logs:
            begin = max((call.ends for call in self._calls[-1]), default=0) + 1 if self._calls else 0
            self._calls.append(timeline(read_calls(log, begin)))
        self.syncs = Counter(call.name for calls in self._calls for call in calls if "sync" in call.name)

    def steps(self) -> Iterator[tuple[str, Disk, Promises]]:
        """Each step's kind, the disk and the promises after it; steps with nothing unsynced are left out."""
        disk, listener = Disk(self._recording.root, self._recording.before, ignore=("-shm",)), Listener()
        listener.promises.published.update(self._already)
        for calls, after in zip(self._calls, self._recording.after, strict=True):
            disk.rebooted()
            listener.rebooted()
            for call in calls:
                kind = disk.feed(call)
                if listener.hear(call):
                    kind = "say"
                if kind and disk.unsynced():
                    yield kind, disk, listener.promises
            seen = disk.contents()
            for name, content in after.items():
                assert name.endswith("-shm") or seen[f"state/{name}"] == content, f"the model has another {name}"
