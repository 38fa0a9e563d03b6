"""The guard of conftest.py sees what it is there for; a guard that sees nothing would let everything pass."""

from __future__ import annotations

import socket
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from leaks import Holdings, leaked_since


def test_nothing_held_is_no_leak() -> None:
    assert leaked_since(Holdings.now()) == []


def test_a_thread_left_running_is_named() -> None:
    before, end = Holdings.now(), threading.Event()
    thread = threading.Thread(target=end.wait, name="forgotten")
    thread.start()
    left = leaked_since(before, settle_s=0.0)
    end.set()
    thread.join()
    assert left == ["thread 'forgotten'"]


def test_an_open_file_is_named(tmp_path: Path) -> None:
    before = Holdings.now()
    with (tmp_path / "forgotten.csv").open("w"):
        left = leaked_since(before, settle_s=0.0)
    assert len(left) == 1
    assert left[0].endswith("forgotten.csv")


def test_an_open_socket_is_named() -> None:
    before = Holdings.now()
    with socket.socket():
        left = leaked_since(before, settle_s=0.0)
    assert len(left) == 1
    assert "socket:" in left[0]


@pytest.mark.skipif(not Path("/proc/self/task").joinpath(str(threading.get_native_id()), "children").exists(),
                    reason="this kernel lists no children")
def test_a_child_process_is_named() -> None:
    before = Holdings.now()
    child = subprocess.Popen([sys.executable, "-c", "input()"], stdin=subprocess.PIPE)
    left = leaked_since(before, settle_s=0.0)
    child.communicate(b"\n")
    assert f"child process {child.pid}" in left


def test_what_ends_within_the_settling_time_is_forgiven() -> None:
    before = Holdings.now()
    thread = threading.Timer(0.1, lambda: None)
    thread.start()
    assert leaked_since(before) == []
