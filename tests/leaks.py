"""What this process holds at one instant, so that a test that leaves something behind can be told."""

from __future__ import annotations

import gc
import threading
import time
from dataclasses import dataclass
from pathlib import Path

#: How long threads may take to end and the kernel to close what was shut.
SETTLE_S = 2.0
#: Held by the tools around a test, not by the test: property-test database, capture files, random source, terminal.
_TOLERATED_TARGETS = ("/dev/urandom", "/dev/random", "/dev/tty", "/dev/pts/", "/dev/null")
_TOLERATED_PARTS = ("/.hypothesis/", "/.pytest_cache/")
_TOLERATED_THREADS = ("pytest_timeout", "pytest-timeout")


@dataclass(frozen=True)
class Holdings:
    """Threads, descriptors and children of this process."""

    threads: frozenset[threading.Thread]
    descriptors: frozenset[tuple[int, str]]
    children: frozenset[int]

    @classmethod
    def now(cls) -> Holdings:
        return cls(frozenset(threading.enumerate()), _descriptors(), _children())

    def beyond(self, before: Holdings) -> list[str]:
        """One line for each thing held now and not before."""
        threads = [t for t in self.threads - before.threads
                   if t.is_alive() and not t.name.startswith(_TOLERATED_THREADS)]
        return [
            *(f"thread {t.name!r}" for t in sorted(threads, key=lambda t: t.name)),
            *(f"descriptor {number} of {target}" for number, target in sorted(self.descriptors - before.descriptors)),
            *(f"child process {number}" for number in sorted(self.children - before.children)),
        ]


def leaked_since(before: Holdings, *, settle_s: float = SETTLE_S) -> list[str]:
    """What is still held after everything had time to go; empty where all is well."""
    left = Holdings.now().beyond(before)
    if not left:
        return left
    gc.collect()
    deadline = time.monotonic() + settle_s
    while (left := Holdings.now().beyond(before)) and time.monotonic() < deadline:
        time.sleep(0.02)
    return left


def _descriptors() -> frozenset[tuple[int, str]]:
    found = set()
    for link in Path("/proc/self/fd").iterdir():
        try:
            target = str(link.readlink())
        except FileNotFoundError:  # the descriptor of the listing itself
            continue
        if not _tolerated(target):
            found.add((int(link.name), target))
    return frozenset(found)


def _tolerated(target: str) -> bool:
    return target.startswith(_TOLERATED_TARGETS) or any(part in target for part in _TOLERATED_PARTS)


def _children() -> frozenset[int]:
    """Children of all threads; a kernel without that list tells nothing."""
    numbers: set[int] = set()
    for task in Path("/proc/self/task").iterdir():
        try:
            numbers.update(map(int, (task / "children").read_text().split()))
        except (FileNotFoundError, ProcessLookupError):
            continue
    return frozenset(numbers)
