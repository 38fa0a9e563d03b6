"""A station whose daemon is forked by `kill_points`, and dies where it is told to."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from queue import Empty, Queue

import kill_points
from station_harness import StationUnderTest, wait_for


class ForkedStation:
    """One daemon at a time, each a process of its own."""

    def __init__(self, op30: StationUnderTest) -> None:
        self.op30 = op30
        self._server = subprocess.Popen(
            [sys.executable, kill_points.__file__, str(op30.file), str(op30.log)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        self._answers: Queue[int] = Queue()
        self._listener = threading.Thread(target=self._listen)
        self._listener.start()
        self._process_id = 0

    def start(self, point: str = "", number: int = 1) -> None:
        """Fork a daemon that dies at the n-th passing of a point; without one, a daemon that lives."""
        assert self._server.stdin is not None
        self._server.stdin.write(f"{point}\t{number}\n" if point else "\n")
        self._server.stdin.flush()
        self._process_id = self._answers.get(timeout=30)

    def died(self, timeout_s: float) -> bool:
        """Wait for the daemon's death by SIGKILL; False where it still lives."""
        try:
            status = self._answers.get(timeout=timeout_s)
        except Empty:
            return False
        self._process_id = 0
        assert os.WIFSIGNALED(status), f"the daemon ended by itself: {self.op30.log.read_text()[-2000:]}"
        assert os.WTERMSIG(status) == signal.SIGKILL
        return True

    def kill(self) -> None:
        """SIGKILL from outside."""
        os.kill(self._process_id, signal.SIGKILL)
        assert self.died(10)

    def stop(self) -> None:
        """SIGTERM, and the exit code 0."""
        os.kill(self._process_id, signal.SIGTERM)
        assert self._answers.get(timeout=10) == 0
        self._process_id = 0

    def close(self) -> None:
        """End everything, however it stands."""
        if self._process_id:
            with suppress(ProcessLookupError):
                os.kill(self._process_id, signal.SIGKILL)
        assert self._server.stdin is not None
        self._server.stdin.close()
        self._server.wait(10)
        self._listener.join()
        assert self._server.stdout is not None
        self._server.stdout.close()

    def _listen(self) -> None:
        assert self._server.stdout is not None
        for line in self._server.stdout:
            self._answers.put(int(line))


@contextmanager
def forked_station(op30: StationUnderTest) -> Iterator[ForkedStation]:
    """A forked station that surely ends."""
    station = ForkedStation(op30)
    try:
        yield station
    finally:
        station.close()


def started(log: Path, since: int) -> None:
    """Wait until a daemon has said that it runs."""
    wait_for(lambda: b"station-started" in log.read_bytes()[since:], 20, "the station's start")
