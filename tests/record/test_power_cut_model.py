"""The model of power cuts itself: what it keeps, what it may lose, and how it reads a log."""

from __future__ import annotations

import random
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from announced import Listener, packets, publication
from power_cut import SECTOR, Cut, Disk, timeline
from station_harness import wait_for
from syscall_log import STRACE, LogError, has_ended, read_calls, tracer_of

EVERY_CUT = pytest.mark.parametrize("cut", list(Cut))


def quoted(data: bytes) -> str:
    return '"' + "".join(f"\\x{byte:02x}" for byte in data) + '"'


class Script:
    """A log written by hand, of a process whose folder is ``/disk``."""

    def __init__(self, folder: Path) -> None:
        self.log = folder / "calls.log"
        self.empty = folder / "before"
        self.empty.mkdir()
        self.lines: list[str] = []

    def call(self, text: str, result: int = 0, thread: int = 1) -> None:
        self.lines.append(f"{thread} {text} = {result}")

    def create(self, name: str, descriptor: int) -> None:
        self.call(f"openat(AT_FDCWD, {quoted(b'/disk/' + name.encode())}, O_RDWR|O_CREAT, 0644)", descriptor)

    def write(self, descriptor: int, data: bytes, offset: int) -> None:
        self.call(f"pwrite64({descriptor}, {quoted(data)}, {len(data)}, {offset})", len(data))

    def sync_folder(self) -> None:
        self.call(f"openat(AT_FDCWD, {quoted(b'/disk')}, O_RDONLY|O_DIRECTORY)", 99)
        self.call("fsync(99)")
        self.call("close(99)")

    def disk(self) -> Disk:
        self.log.write_text("\n".join(self.lines) + "\n")
        disk = Disk(Path("/disk"), self.empty)
        for call in timeline(read_calls(self.log)):
            disk.feed(call)
        return disk

    def states(self, cut: Cut, number: int = 60) -> list[dict[str, bytes]]:
        disk, chance = self.disk(), random.Random(7)
        return [disk.state(cut, chance).files for _ in range(number)]


@pytest.fixture
def script(tmp_path: Path) -> Script:
    return Script(tmp_path)


@EVERY_CUT
def test_what_was_synced_with_its_name_is_there_whatever_happens(script: Script, cut: Cut) -> None:
    script.create("a", 3)
    script.write(3, b"x" * 1500, 0)
    script.call("fdatasync(3)")
    script.sync_folder()
    script.write(3, b"y" * 700, 2000)
    assert all(state["a"][:1500] == b"x" * 1500 for state in script.states(cut))


def test_a_name_that_was_not_synced_may_be_lost_with_all_that_was(script: Script) -> None:
    script.create("a", 3)
    script.write(3, b"x", 0)
    script.call("fdatasync(3)")
    assert script.states(Cut.NOTHING, 1) == [{}]
    assert {bytes(state.get("a", b"")) for state in script.states(Cut.SUBSET)} == {b"", b"x"}


def test_sectors_are_torn_and_reordered(script: Script) -> None:
    script.create("a", 3)
    script.sync_folder()
    script.write(3, b"o" * 2048, 0)
    script.call("fsync(3)")
    script.write(3, b"n" * 1024, 256)
    seen = {state["a"] for state in script.states(Cut.TORN, 400)}
    pieces = [(256, 512), (512, 1024), (1024, 1280)]
    expected = set()
    for kept in range(8):
        content = bytearray(b"o" * 2048)
        for number, (first, last) in enumerate(pieces):
            if kept >> number & 1:
                content[first:last] = b"n" * (last - first)
        expected.add(bytes(content))
    assert seen == expected


def test_a_file_that_grew_may_hold_zeros_or_old_data_of_others(script: Script) -> None:
    script.create("a", 3)
    script.sync_folder()
    script.write(3, b"n" * 4 * SECTOR, 0)
    grown = script.states(Cut.GROWN)
    assert {len(state["a"]) for state in grown} == {4 * SECTOR}
    assert all(set(state["a"]) <= {0, ord("n")} for state in grown)
    assert any(not set(state["a"]) <= {0, ord("n")} for state in script.states(Cut.STALE))


def test_a_prefix_keeps_the_older_writes(script: Script) -> None:
    script.create("a", 3)
    script.sync_folder()
    for number in range(5):
        script.write(3, bytes([65 + number]) * SECTOR, number * SECTOR)
    seen = {state["a"] for state in script.states(Cut.PREFIX, 200)}
    whole = b"".join(bytes([65 + number]) * SECTOR for number in range(5))
    assert seen == {whole[: number * SECTOR] for number in range(6)}


def test_a_sync_covers_nothing_that_began_after_it(script: Script) -> None:
    script.create("a", 3)
    script.sync_folder()
    script.write(3, b"1" * 10, 0)
    script.lines.append("1 fdatasync(3 <unfinished ...>")
    script.write(3, b"2" * 10, 10)
    script.lines.append("1 <... fdatasync resumed>) = 0")
    assert {state["a"] for state in script.states(Cut.NOTHING)} == {b"1" * 10}


@pytest.mark.parametrize("ending", ["1 fdatasync(3) = -1 EIO (Input/output error)", "1 fdatasync(3 <unfinished ...>"])
def test_a_sync_that_failed_or_never_returned_covers_nothing(script: Script, ending: str) -> None:
    script.create("a", 3)
    script.sync_folder()
    script.write(3, b"1", 0)
    script.lines.append(ending)
    assert script.states(Cut.NOTHING, 1) == [{"a": b""}]


@pytest.mark.parametrize("syncs", [True, False])
def test_a_file_replaced_by_another_is_old_or_new_only_where_the_draft_was_synced(script: Script, syncs: bool) -> None:
    script.create("a", 3)
    script.write(3, b"old", 0)
    script.call("fsync(3)")
    script.sync_folder()
    script.create("draft", 4)
    script.write(4, b"new", 0)
    if syncs:
        script.call("fsync(4)")
    script.call(f"rename({quoted(b'/disk/draft')}, {quoted(b'/disk/a')})")
    seen = {state["a"] for cut in Cut for state in script.states(cut)}
    assert seen == {b"old", b"new"} if syncs else seen >= {b"old", b"new", b""}
    script.sync_folder()
    after = {state["a"] for cut in Cut for state in script.states(cut)}
    assert after == {b"new"} if syncs else b"old" not in after


def test_a_removed_name_may_come_back_until_the_folder_is_synced(script: Script) -> None:
    script.create("a", 3)
    script.sync_folder()
    script.call(f"unlink({quoted(b'/disk/a')})")
    assert script.states(Cut.NOTHING, 1) == [{"a": b""}]
    script.sync_folder()
    assert script.states(Cut.NOTHING, 1) == [{}]


def test_a_shorter_length_counts_like_a_write(script: Script) -> None:
    script.create("a", 3)
    script.write(3, b"x" * 10, 0)
    script.call("fsync(3)")
    script.sync_folder()
    script.call("ftruncate(3, 4)")
    assert {state["a"] for state in script.states(Cut.SUBSET)} == {b"x" * 10, b"x" * 4}
    script.call("fsync(3)")
    assert {state["a"] for state in script.states(Cut.SUBSET)} == {b"x" * 4}


@pytest.mark.parametrize(
    "line",
    [
        '1 pwrite64(3, "\\x41"..., 9000, 0) = 9000',
        "1 something else",
        "1 fallocate(3, 0, 0, 4096) = 0",
        f"1 link({quoted(b'/disk/a')}, {quoted(b'/disk/b')}) = 0",
        f"1 rename({quoted(b'/disk/a')}, {quoted(b'/elsewhere/b')}) = 0",
    ],
)
def test_what_is_not_understood_stops_the_replay(script: Script, line: str) -> None:
    script.create("a", 3)
    script.lines.append(line)
    with pytest.raises(LogError):
        script.disk()


@given(steps=st.lists(st.tuples(st.sampled_from("wst"), st.integers(0, 3000), st.integers(1, 1500)), max_size=12))
@settings(max_examples=40, deadline=None)
def test_every_cut_lies_between_what_is_synced_and_what_was_written(
    tmp_path_factory: pytest.TempPathFactory, steps: list[tuple[str, int, int]]
) -> None:
    script = Script(tmp_path_factory.mktemp("disk"))
    script.create("a", 3)
    script.sync_folder()
    content, synced = bytearray(), b""
    for number, (kind, offset, length) in enumerate(steps):
        if kind == "w":
            data = bytes([number + 1]) * length
            script.write(3, data, offset)
            content.extend(bytes(max(0, offset - len(content))))
            content[offset : offset + length] = data
        elif kind == "t":
            script.call(f"ftruncate(3, {offset})")
            del content[offset:]
            content.extend(bytes(offset - len(content)))
        else:
            script.call("fsync(3)")
            synced = bytes(content)
    assert script.states(Cut.NOTHING, 1) == [{"a": synced}]
    assert script.states(Cut.ALL, 1) == [{"a": bytes(content)}]
    assert script.disk().contents() == {"a": bytes(content)}


PROGRAM = """
import os, pathlib, sys
root = pathlib.Path(sys.argv[1])
(root / "made").mkdir()
with open(root / "made/log", "ab") as log:
    for number in range(50):
        log.write(b"%d\\n" % number); log.flush()
        if number % 7 == 0: os.fsync(log.fileno())
draft = root / "draft"; draft.write_text("whole"); draft.replace(root / "there")
(root / "gone").write_text("x"); (root / "gone").unlink()
handle = os.open(root / "there", os.O_RDWR); os.pwrite(handle, b"W", 0); os.ftruncate(handle, 3); os.close(handle)
sys.stdin.read()
"""


@pytest.mark.skipif(shutil.which("strace") is None, reason="LOUD: no strace; apt-get install strace")
def test_a_real_process_leaves_what_the_model_says(tmp_path: Path) -> None:
    root, log = tmp_path / "disk", tmp_path / "calls.log"
    root.mkdir()
    (root / "there").write_text("before")
    shutil.copytree(root, tmp_path / "before")
    command = [*STRACE, str(log), sys.executable, "-c", PROGRAM, str(root)]
    with subprocess.Popen(command, stdin=subprocess.PIPE) as process:
        tracer = wait_for(lambda: tracer_of(process.pid))
        wait_for(lambda: (root / "there").read_bytes() == b"Who")
        assert process.stdin is not None
        process.stdin.close()
    wait_for(lambda: has_ended(tracer))
    disk = Disk(root, tmp_path / "before")
    for call in timeline(read_calls(log)):
        disk.feed(call)
    real = {str(path.relative_to(root)): path.read_bytes() for path in root.rglob("*") if path.is_file()}
    assert disk.contents() == real
    synced = disk.state(Cut.NOTHING, random.Random(1))
    assert synced.files == {"there": b"before"}, "the folder's new names were never synced"


def publish_packet(topic: bytes, payload: bytes) -> bytes:
    """MQTT 5.0, section 3.3, written out by hand: QoS 1, no properties."""
    rest = len(topic).to_bytes(2, "big") + topic + b"\x00\x07" + b"\x00" + payload
    length = bytes([len(rest)]) if len(rest) < 128 else bytes([len(rest) % 128 | 128, len(rest) // 128])
    return b"\x32" + length + rest


@given(cuts=st.lists(st.integers(1, 40), max_size=30), size=st.integers(0, 300))
@settings(max_examples=40, deadline=None)
def test_mqtt_packets_are_found_however_the_stream_is_cut(cuts: list[int], size: int) -> None:
    whole = publish_packet(b"a/b", b"x" * size) + b"\xc0\x00" + publish_packet(b"c", b"yz")
    stream, found, position = bytearray(), [], 0
    for length in [*cuts, len(whole)]:
        stream += whole[position : position + length]
        position += length
        found += packets(stream)
    assert [kind for kind, _ in found] == [3, 12, 3]
    assert publication(found[0][1]) == ("a/b", b"x" * size)
    assert publication(found[2][1]) == ("c", b"yz")


def test_a_promise_counts_from_the_call_that_gives_it(script: Script) -> None:
    body = b'{"data":{"instanceId":"i","sequence":4,"resultId":"r"}}'
    script.call(f"sendto(5, {quoted(publish_packet(b'p/v1/result', body))}, 1, 0, NULL, 0)", 1000)
    logged = b'{"part": "P-1", "event": "result"}\n'
    script.call(f"write(2, {quoted(logged)}, {len(logged)})", len(logged))
    script.call(f"renameat2(AT_FDCWD, {quoted(b'/in/P-2.csv')}, AT_FDCWD, {quoted(b'/in/done/P-2.csv')}, 1)")
    ack = publish_packet(b"p/v1/result/ack", b'{"instanceId":"i","acknowledgedThrough":3}')
    script.call(f"recvfrom(5, {quoted(ack)}, 99, 0, NULL, NULL)", len(ack))
    script.log.write_text("\n".join(script.lines) + "\n")
    listener = Listener()
    assert all(listener.hear(call) for call in read_calls(script.log))
    promises = listener.promises
    assert promises.published == {("i", 4): body}
    assert promises.parts == {"P-1", "P-2"}
    assert promises.acknowledged == {"i": 3}
    assert promises.number == 4
