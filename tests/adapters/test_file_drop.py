"""The gauge adapter ``file-drop`` against real folders and the real kernel."""

from __future__ import annotations

import errno
import os
import random
import socket
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest

from crosslay.errors import GaugeError, TraceRefusedError
from crosslay.ports import Disposition, GaugeContext
from crosslay.testing.gauge_conformance import GaugeConformance
from crosslay.texture.trace import Trace
from crosslay_adapters.gauges.file_drop import FileDropGauge, drop_queue, inotify, libc, shelves
from crosslay_adapters.gauges.file_drop.drop_queue import DropQueue, Scan
from crosslay_adapters.gauges.file_drop.inotify import Change, Event
from crosslay_adapters.tracefiles.csv_format import CsvFormat
from crosslay_adapters.tracefiles.smd_format import SmdFormat
from crosslay_adapters.tracefiles.x3p_format import X3pFormat

LONG_AGO = 1_000_000_000


def csv_of(number: float = 0.0, *facts: str) -> str:
    head = "".join(f"# {fact}\n" for fact in ("spacing_um: 0.5", *facts))
    return f"{head}z_um\n{number}\n1.0\n2.0\n"


def put(path: Path, text: str, mtime_s: float = LONG_AGO) -> Path:
    """A file that was there before anybody looked."""
    path.write_text(text, encoding="utf-8")
    os.utime(path, (mtime_s, mtime_s))
    return path


def names(folder: Path) -> set[str]:
    return {path.name for path in folder.iterdir()}


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    path = tmp_path / "incoming"
    path.mkdir()
    return path


@pytest.fixture
def make(folder: Path) -> Iterator[Callable[..., FileDropGauge]]:
    gauges = []

    def make(**options: object) -> FileDropGauge:
        config = FileDropGauge.Config.model_validate({"folder": "incoming", **options})
        gauge = FileDropGauge(config, GaugeContext(base_dir=folder.parent))  # type: ignore[arg-type]
        gauges.append(gauge)
        gauge.open()
        return gauge

    yield make
    for gauge in gauges:
        gauge.close()


@pytest.fixture
def without_inotify(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse() -> int:
        raise OSError(errno.ENOSYS, os.strerror(errno.ENOSYS))

    monkeypatch.setattr(libc, "inotify_init", refuse)


def drain(gauge: FileDropGauge, limit_s: float = 0.0) -> list[Trace]:
    traces = []
    while (trace := gauge.read(limit_s)) is not None:
        traces.append(trace)
    return traces


class _Conformance(GaugeConformance):
    gauge_type = FileDropGauge
    count = 0

    def options(self, folder: Path) -> dict[str, object]:
        return {"folder": "incoming", "settle_s": 0.2}

    def prepare(self, folder: Path) -> None:
        (folder / "incoming").mkdir()

    def offer(self, folder: Path) -> None:
        type(self).count += 1
        (folder / "offered.csv").write_text(csv_of(self.count))
        (folder / "offered.csv").rename(folder / "incoming" / f"part-{self.count}.csv")

    def offer_bad(self, folder: Path) -> None:
        (folder / "incoming" / "bad.csv").write_bytes(b"\x89PNG\r\n\x1a\n\0\0\0")

    def remove(self, folder: Path) -> None:
        (folder / "incoming").rename(folder / "elsewhere")


class TestConformance(_Conformance):
    pass


@pytest.mark.usefixtures("without_inotify")
class TestConformanceWithoutInotify(_Conformance):
    pass


# -- when a file is taken ------------------------------------------------------------------------------------------


def test_renamed_in_is_taken_at_once_whatever_its_age(make, folder, tmp_path):
    gauge = make(settle_s=3600)
    assert gauge.read(0) is None
    put(tmp_path / "a.csv", csv_of(4.0), time.time()).rename(folder / "a.csv")
    trace = gauge.read(30)
    assert trace is not None
    assert trace.samples.tolist() == [4.0, 1.0, 2.0]


def test_closed_after_writing_is_taken_at_once_and_never_before(make, folder):
    gauge = make(settle_s=0)
    assert gauge.read(0) is None
    with (folder / "a.csv").open("w", buffering=1) as file:
        for character in csv_of(7.0):  # a byte at a time, through an age of 0 s
            file.write(character)
            file.flush()
            assert gauge.read(0) is None
        time.sleep(0.2)
        assert gauge.read(0.2) is None, "standing still is not finished while its writer has it open"
    assert gauge.read(30).samples[0] == 7.0


def test_a_file_that_is_opened_early_and_written_late_is_not_taken_empty(make, folder):
    gauge = make(settle_s=0)
    assert gauge.read(0) is None
    with (folder / "a.csv").open("w") as file:
        assert gauge.read(0.3) is None
        file.write(csv_of(1.5))
    assert gauge.read(30).samples[0] == 1.5


def test_a_closed_file_that_is_opened_for_more_waits_for_its_second_close(make, folder):
    gauge = make(settle_s=3600)
    assert gauge.read(0) is None
    (folder / "a.csv").write_text(csv_of(1.0))
    with (folder / "a.csv").open("a") as file:
        file.write("3.0\n")
        file.flush()
        assert gauge.read(0.1) is None
        file.write("4.0\n")
    assert gauge.read(30).samples.tolist() == [1.0, 1.0, 2.0, 3.0, 4.0]


def test_a_hard_link_is_taken_by_its_age(make, folder, tmp_path):
    gauge = make(settle_s=0.1)
    assert gauge.read(0) is None
    (folder / "a.csv").hardlink_to(put(tmp_path / "source.csv", csv_of(2.5)))
    assert gauge.read(30).samples[0] == 2.5


def test_found_at_start_is_taken_when_over_its_age_and_not_before(make, folder):
    put(folder / "old.csv", csv_of(1.0))
    put(folder / "young.csv", csv_of(2.0), time.time())
    gauge = make(settle_s=0.5)
    assert gauge.read(0).facts["part"] == "old"
    assert gauge.read(0) is None
    assert gauge.read(30).facts["part"] == "young"


@pytest.mark.usefixtures("without_inotify")
def test_without_inotify_a_growing_file_is_not_taken(make, folder):
    gauge = make(settle_s=0.4)
    assert gauge.describe()["watch"] == "polling"
    assert gauge.read(0) is None
    with (folder / "a.csv").open("w") as file:
        for line in csv_of(6.0).splitlines(keepends=True):
            file.write(line)
            file.flush()
            os.utime(folder / "a.csv", (LONG_AGO, LONG_AGO))  # as a copying program does that keeps time stamps
            assert gauge.read(0.15) is None
    assert gauge.read(30).samples.tolist() == [6.0, 1.0, 2.0]


@pytest.mark.usefixtures("without_inotify")
def test_without_inotify_a_time_stamp_of_the_future_is_not_waited_for(make, folder):
    gauge = make(settle_s=0.2)
    assert gauge.read(0) is None
    put(folder / "a.csv", csv_of(3.5), time.time() + 10_000)
    assert gauge.read(30).samples[0] == 3.5


@pytest.mark.usefixtures("without_inotify")
def test_a_file_that_changes_while_it_waits_its_turn_waits_again(make, folder):
    put(folder / "first.csv", csv_of(1.0), LONG_AGO)
    put(folder / "second.csv", csv_of(2.0), LONG_AGO + 1)
    gauge = make(settle_s=0.3)
    assert gauge.read(0).facts["part"] == "first"
    with (folder / "second.csv").open("a") as file:
        file.write("5.0\n")
    assert gauge.read(0) is None
    assert gauge.read(30).samples.tolist() == [2.0, 1.0, 2.0, 5.0]


def test_lost_events_are_made_good_by_a_look(make, folder, monkeypatch):
    gauge = make(settle_s=0.1)
    assert gauge.read(0) is None
    monkeypatch.setattr(inotify.FolderWatch, "events", lambda self: iter([Event(Change.OVERFLOW, "")]))
    put(folder / "a.csv", csv_of(8.0))
    assert gauge.read(30).samples[0] == 8.0


def test_a_real_overflow_of_the_event_queue_loses_no_file(make, folder):
    limit = int(Path("/proc/sys/fs/inotify/max_queued_events").read_text())
    if limit > 20_000:
        pytest.skip(f"this system queues {limit} events")
    gauge = make(settle_s=0.1)
    for number in range(limit // 2 + 10):  # two events each that do not merge
        os.close(os.open(folder / f"{number % 7}.noise.tmp", os.O_CREAT | os.O_RDONLY))
    (folder / "a.csv").write_text(csv_of(9.0))
    assert gauge.read(30).samples[0] == 9.0


def test_oldest_first_among_two_thousand(make, folder):
    order = list(range(2000))
    random.Random(1).shuffle(order)
    for number in order:
        put(folder / f"p{number}.csv", csv_of(number), LONG_AGO + number)
    gauge = make()
    for number in range(2000):
        trace = gauge.read(0)
        assert trace.facts["part"] == f"p{number}"
        gauge.settle(trace, Disposition.STORED)
    assert gauge.read(0) is None
    assert len(names(folder / "done")) == 2000
    assert names(folder) == {"done", "refused"}


def test_thousands_that_arrive_while_nobody_reads(make, folder):
    gauge = make()
    assert gauge.read(0) is None
    for number in range(1500):
        (folder / f"{number}.csv").write_text(csv_of(number))
    assert {trace.facts["part"] for trace in drain(gauge, 0.1)} == {str(number) for number in range(1500)}


def test_equal_times_go_by_name(make, folder):
    for name in ("b", "a", "c"):
        put(folder / f"{name}.csv", csv_of())
    assert [trace.facts["part"] for trace in drain(make())] == ["a", "b", "c"]


@pytest.mark.parametrize("name", [".a.csv", "a.csv.tmp", "a.TMP", "a.csv.part", "a.csv~", "~"])
def test_hidden_and_temporary_names_are_left_alone(make, folder, name):
    put(folder / name, csv_of())
    gauge = make(settle_s=0)
    (folder / name).touch()
    assert gauge.read(0.2) is None
    assert name in names(folder)


def test_folders_are_left_alone(make, folder):
    (folder / "folder.csv").mkdir()
    put(folder / "folder.csv" / "inside.csv", csv_of())
    gauge = make(settle_s=0)
    (folder / "another.csv").mkdir()
    assert gauge.read(0.2) is None
    assert names(folder) == {"folder.csv", "another.csv", "done", "refused"}


# -- what is delivered ---------------------------------------------------------------------------------------------


def test_identity_time_and_duration(make, folder):
    text = csv_of(0.0, "speed_mm_s: 0.5", "part: A-17")
    put(folder / "a.csv", text, LONG_AGO)
    trace = make().read(0)
    checked = subprocess.run(["sha256sum"], input=text, text=True, capture_output=True, check=True)
    digest = checked.stdout.split()[0]
    assert trace.identity == f"a.csv|{LONG_AGO * 10**9}|{digest}"
    assert trace.captured_at == LONG_AGO
    assert trace.acquisition_s == pytest.approx(2 * 0.5e-3 / 0.5)  # two steps of 0.5 µm at 0.5 mm/s
    assert trace.facts == {"part": "A-17", "speed_mm_s": "0.5"}
    assert not trace.simulated


@pytest.mark.parametrize("name", [
    "Wälzlager №5 漢字.csv", "a b.csv", "A.CSV", "a.b.c.csv", "-x.csv", "x" * 251 + ".csv",
])
def test_names(make, folder, name):
    put(folder / name, csv_of())
    gauge = make()
    trace = gauge.read(0)
    assert trace.facts["part"] == name[:-4]
    gauge.settle(trace, Disposition.REFUSED, "only a test")
    moved = names(folder / "refused")
    assert name in moved
    assert len(moved) == 2


def test_a_name_that_is_not_utf_8(make, folder):
    (folder / os.fsdecode(b"part-\xff.csv")).write_text(csv_of())
    gauge = make(settle_s=0)
    trace = gauge.read(1)
    assert trace.facts["part"] == "part-\\xff"
    assert trace.identity.startswith("part-\\xff.csv|")
    gauge.settle(trace, Disposition.STORED)
    assert names(folder / "done") == {os.fsdecode(b"part-\xff.csv")}


@pytest.mark.parametrize("extension", [".csv", ".smd", ".x3p", ".X3P"])
def test_every_trace_file_format_is_taken(make, folder, extension):
    file_format = {".csv": CsvFormat, ".smd": SmdFormat, ".x3p": X3pFormat}[extension.lower()]()
    trace = Trace(samples=np.array([0.1, 0.2, -0.3]), spacing_um=0.25, facts={"speed_mm_s": "0.5", "job": "7"})
    (folder / f"a{extension}").write_bytes(file_format.write(trace))
    found = make(settle_s=0).read(10)
    assert found.samples.tolist() == [0.1, 0.2, -0.3]
    assert found.spacing_um == 0.25
    assert found.facts == {"speed_mm_s": "0.5", "job": "7", "part": "a"}
    assert found.acquisition_s == pytest.approx(2 * 0.25e-3 / 0.5)


def test_spacing_of_the_station_is_for_files_without_one(make, folder):
    put(folder / "a.csv", "z_um\n1\n2\n", LONG_AGO)
    put(folder / "b.csv", csv_of(), LONG_AGO + 1)
    gauge = make(spacing_um=0.25)
    assert [trace.spacing_um for trace in drain(gauge)] == [0.25, 0.5]


def test_a_file_is_delivered_once_until_it_is_settled(make, folder):
    put(folder / "a.csv", csv_of())
    gauge = make(settle_s=0)
    trace = gauge.read(0)
    assert gauge.read(0.2) is None
    os.utime(folder / "a.csv")  # scp -p sets the time stamp after its last write
    assert gauge.read(0.2) is None
    gauge.close()
    gauge.open()
    assert gauge.read(0.2) is None
    gauge.settle(trace, Disposition.STORED)
    assert names(folder / "done") == {"a.csv"}
    assert gauge.read(0.1) is None


def test_an_unsettled_file_comes_again_after_a_new_start_with_the_same_identity(make, folder):
    put(folder / "a.csv", csv_of())
    assert make().read(0).identity == make().read(0).identity


def test_a_file_that_vanishes_is_passed_over(make, folder):
    for number in range(3):
        put(folder / f"{number}.csv", csv_of(number), LONG_AGO + number)
    gauge = make()
    assert gauge.read(0).facts["part"] == "0"
    (folder / "1.csv").unlink()
    assert gauge.read(0).facts["part"] == "2"


# -- replaced and changed ------------------------------------------------------------------------------------------


def test_replaced_after_it_was_read_is_a_trace_of_its_own(make, folder, tmp_path):
    put(folder / "a.csv", csv_of(1.0))
    gauge = make()
    first = gauge.read(0)
    put(tmp_path / "new.csv", csv_of(2.0), LONG_AGO).replace(folder / "a.csv")
    second = gauge.read(30)
    assert second.samples[0] == 2.0
    gauge.settle(first, Disposition.STORED)
    assert names(folder) == {"a.csv", "done", "refused"}, "the new file has not been dealt with"
    gauge.settle(second, Disposition.STORED)
    assert (folder / "done" / "a.csv").read_text() == csv_of(2.0)


def test_replaced_between_the_look_and_the_move_comes_back(make, folder, tmp_path, monkeypatch):
    put(folder / "a.csv", csv_of(1.0))
    gauge = make()
    trace = gauge.read(0)
    real = shelves._rename_exclusively

    def replaced_first(source: Path, target: Path) -> None:
        if source == folder / "a.csv":
            put(tmp_path / "new.csv", csv_of(2.0)).replace(source)
        real(source, target)

    monkeypatch.setattr(shelves, "_rename_exclusively", replaced_first)
    gauge.settle(trace, Disposition.STORED)
    assert (folder / "a.csv").read_text() == csv_of(2.0)
    assert names(folder / "done") == set()
    assert gauge.read(30).samples[0] == 2.0


def test_changed_while_it_is_read_waits_again(make, folder, monkeypatch):
    path = put(folder / "a.csv", csv_of(1.0))
    gauge = make(settle_s=0.1)
    real = os.fstat
    changes = []

    def changing(descriptor: int) -> os.stat_result:
        status = real(descriptor)
        if not changes and Path(f"/proc/self/fd/{descriptor}").readlink() == path:
            changes.append(put(path, csv_of(2.0), LONG_AGO + 5))
        return status

    monkeypatch.setattr(os, "fstat", changing)
    assert gauge.read(0) is None
    assert changes
    assert gauge.read(30).samples[0] == 2.0


def test_writers_and_reader_race_and_every_file_comes_exactly_once(make, folder, tmp_path):
    gauge = make(settle_s=0.2)
    count, writers = 60, 3

    def write(writer: int) -> None:
        chance = random.Random(writer)
        for number in range(count):
            name = f"{writer}-{number}.csv"
            text = csv_of(writer * 1000 + number)
            if chance.random() < 0.5:
                (tmp_path / name).write_text(text)
                (tmp_path / name).rename(folder / name)
                continue
            with (folder / name).open("w") as file:
                cut = chance.randrange(len(text))
                file.write(text[:cut])
                file.flush()
                time.sleep(chance.random() * 0.005)
                file.write(text[cut:])

    threads = [threading.Thread(target=write, args=(writer,)) for writer in range(writers)]
    for thread in threads:
        thread.start()
    found = []
    while len(found) < count * writers and (trace := gauge.read(10)) is not None:
        found.append(trace.facts["part"])
        assert trace.points == 3
        gauge.settle(trace, Disposition.STORED)
    for thread in threads:
        thread.join()
    assert sorted(found) == sorted(f"{w}-{n}" for w in range(writers) for n in range(count))
    assert gauge.read(0.5) is None
    assert len(names(folder / "done")) == count * writers


# -- settling ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("rename", ["new-name", "fallback"])
def test_an_existing_name_is_never_overwritten(make, folder, monkeypatch, rename):
    if rename == "fallback":
        def refuse(source: str, target: str) -> None:
            raise OSError(errno.EINVAL, os.strerror(errno.EINVAL))

        monkeypatch.setattr(libc, "rename_to_new_name", refuse)
    gauge = make()
    for number in range(4):
        put(folder / "a.csv", csv_of(number))
        gauge.settle(gauge.read(5), Disposition.STORED)
    found = {name: (folder / "done" / name).read_text() for name in names(folder / "done")}
    assert found == {"a.csv": csv_of(0), "a.2.csv": csv_of(1), "a.3.csv": csv_of(2), "a.4.csv": csv_of(3)}


def test_threads_that_move_to_one_name_do_not_overwrite_each_other(tmp_path):
    target = tmp_path / "done"
    target.mkdir()
    sources = []
    for number in range(40):
        (tmp_path / str(number)).mkdir()
        sources.append(put(tmp_path / str(number) / "a.csv", str(number)))
    threads = [threading.Thread(target=shelves._rename_free, args=(source, target)) for source in sources]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert {path.read_text() for path in target.iterdir()} == {str(number) for number in range(40)}


def test_refused_has_its_reason_beside_it(make, folder):
    for number in range(2):
        put(folder / "a.csv", csv_of(number))
    gauge = make()
    gauge.settle(gauge.read(0), Disposition.REFUSED, "no characteristic measures this part")
    put(folder / "a.csv", csv_of(5))
    gauge.settle(gauge.read(5), Disposition.REFUSED, "a second reason")
    refused = folder / "refused"
    assert names(refused) == {"a.csv", "a.csv.reason.txt", "a.2.csv", "a.2.csv.reason.txt"}
    assert (refused / "a.csv.reason.txt").read_text() == "no characteristic measures this part\n"
    assert (refused / "a.2.csv.reason.txt").read_text() == "a second reason\n"


def test_a_move_that_fails_is_said_once_and_made_good_at_the_next_opening(make, folder, monkeypatch):
    put(folder / "a.csv", csv_of())
    gauge = make(settle_s=0)
    trace = gauge.read(0)

    def full(source: str, target: str) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    with monkeypatch.context() as broken:
        broken.setattr(libc, "rename_to_new_name", full)
        with pytest.raises(GaugeError, match=r"a\.csv.*cannot be moved to done/ \(No space left"):
            gauge.settle(trace, Disposition.STORED)
        gauge.settle(trace, Disposition.STORED)
        assert gauge.read(0.2) is None, "never twice in one process"
        gauge.close()
        with pytest.raises(GaugeError, match="No space left"):
            gauge.open()
    gauge.open()
    assert names(folder) == {"done", "refused"}
    assert names(folder / "done") == {"a.csv"}


def test_shelves_that_were_removed_are_made_again(make, folder):
    put(folder / "a.csv", csv_of())
    gauge = make()
    trace = gauge.read(0)
    (folder / "done").rmdir()
    gauge.settle(trace, Disposition.STORED)
    assert names(folder / "done") == {"a.csv"}


# -- refused by the gauge ------------------------------------------------------------------------------------------


def refusal(gauge: FileDropGauge) -> str:
    with pytest.raises(TraceRefusedError) as caught:
        gauge.read(10)
    return str(caught.value)


@pytest.mark.parametrize(("name", "content", "text"), [
    ("a.csv", b"", "a.csv:1: the file is empty"),
    ("a.csv", b"\0\1\2", "a.csv:1: there is a NUL byte"),
    ("a.csv", b"# spacing_um: 0.5\nz_um\n1\nx\n", 'a.csv:4: z_um is "x", not a number'),
    ("a.txt", b"hello", "a.txt: this is not the extension of a trace file; known are .csv, .smd, .x3p"),
    ("noextension", b"hello", "noextension: this is not the extension"),
    ("big.csv", b"# spacing_um: 0.5\nz_um\n" + b"1\n" * 600, "big.csv: it has 1,223 bytes; at most 1,000 are read"),
])
def test_what_is_no_trace_goes_to_refused(make, folder, name, content, text):
    (folder / name).write_bytes(content)
    put(folder / "good.csv", csv_of(), time.time())
    gauge = make(settle_s=0, max_file_bytes=1000)
    message = refusal(gauge)
    assert text in message
    assert message.endswith("(moved to refused/)")
    assert names(folder / "refused") == {name, f"{name}.reason.txt"}
    assert text in (folder / "refused" / f"{name}.reason.txt").read_text()
    assert (folder / "refused" / name).read_bytes() == content
    assert gauge.read(10).facts["part"] == "good"


def test_links_pipes_and_sockets_are_refused_unread(make, folder, tmp_path):
    secret = put(tmp_path / "secret.csv", csv_of(42.0))
    (folder / "link.csv").symlink_to(secret)
    os.mkfifo(folder / "pipe.csv")
    with socket.socket(socket.AF_UNIX) as server:
        server.bind(str(folder / "socket.csv"))
        gauge = make(settle_s=0)
        messages = sorted(refusal(gauge) for _ in range(3))
    assert messages[0].startswith("link.csv: it is a symbolic link")
    assert messages[1].startswith("pipe.csv: it is a device, pipe or socket")
    assert messages[2].startswith("socket.csv: it is a device, pipe or socket")
    assert gauge.read(0.1) is None
    assert (folder / "refused" / "link.csv").is_symlink()
    assert secret.read_text() == csv_of(42.0)


def test_a_link_that_takes_the_name_at_the_last_moment_is_not_followed(make, folder, tmp_path, monkeypatch):
    secret = put(tmp_path / "secret.csv", csv_of(42.0))
    put(folder / "a.csv", csv_of(1.0))
    gauge = make(settle_s=0.1)
    real = os.open

    def swapping(path: object, flags: int, *rest: int) -> int:
        if path == str(folder / "a.csv") and not (folder / "a.csv").is_symlink():
            (folder / "a.csv").unlink()
            (folder / "a.csv").symlink_to(secret)
        return real(path, flags, *rest)  # type: ignore[arg-type]

    monkeypatch.setattr(os, "open", swapping)
    assert gauge.read(0) is None
    assert "symbolic link" in refusal(gauge)


def test_a_refusal_that_cannot_be_moved_does_not_come_again(make, folder, monkeypatch):
    put(folder / "a.txt", "x")
    gauge = make(settle_s=0)

    def deny(source: str, target: str) -> None:
        raise OSError(errno.EACCES, os.strerror(errno.EACCES))

    with monkeypatch.context() as broken:
        broken.setattr(libc, "rename_to_new_name", deny)
        with pytest.raises(GaugeError, match="Permission denied"):
            gauge.read(1)
        assert gauge.read(0.2) is None


# -- the folder ----------------------------------------------------------------------------------------------------


def test_a_missing_folder_is_named_with_what_to_do(folder, make):
    (folder).rmdir()
    with pytest.raises(GaugeError, match=rf'"{folder}" cannot be read \(No such file.*make it, mount it, or correct'):
        make()


def test_a_file_in_place_of_the_folder(folder, make):
    folder.rmdir()
    folder.write_text("")
    with pytest.raises(GaugeError, match=r"it is a file; correct gauge\.folder"):
        make()


def test_a_file_in_place_of_a_shelf(folder, make):
    (folder / "done").write_text("")
    with pytest.raises(GaugeError, match=r'done" cannot be made \(File exists\)'):
        make()


def test_a_folder_without_permission_to_write(folder, make, monkeypatch):
    monkeypatch.setattr(os, "access", lambda path, mode: False)  # tests may run as root, who may do everything
    with pytest.raises(GaugeError, match="may not write to"):
        make()


@pytest.mark.parametrize("watch", ["inotify", "polling"])
def test_a_folder_that_goes_away_and_comes_back(make, folder, request, watch):
    if watch == "polling":
        request.getfixturevalue("without_inotify")
    gauge = make(settle_s=0.1)
    assert gauge.read(0) is None
    folder.rename(folder.parent / "away")
    with pytest.raises(GaugeError, match=str(folder)):
        gauge.read(5)
    gauge.close()
    with pytest.raises(GaugeError):
        gauge.open()
    (folder.parent / "away").rename(folder)
    gauge.open()
    put(folder / "a.csv", csv_of(3.0))
    assert gauge.read(30).samples[0] == 3.0


@pytest.mark.parametrize("limited", ["inotify_init", "inotify_add_watch"])
def test_falls_back_to_looking_where_the_system_gives_no_watch(make, folder, monkeypatch, limited):
    def exhausted(*_arguments: object) -> int:
        raise OSError(errno.EMFILE, os.strerror(errno.EMFILE))

    monkeypatch.setattr(libc, limited, exhausted)
    gauge = make(settle_s=0.1)
    assert gauge.describe()["watch"] == "polling"
    put(folder / "a.csv", csv_of(3.0))
    assert gauge.read(30).samples[0] == 3.0


# -- the rules of completeness, without a kernel -------------------------------------------------------------------


def test_a_file_that_was_changed_without_a_close_goes_by_its_age_in_the_end(tmp_path):
    put(tmp_path / "a.csv", csv_of())
    queue = DropQueue(tmp_path, 1.0)
    queue.hear(Event(Change.MODIFY, "a.csv"), 100.0)
    for now_s, expected in ((101.0, 0), (100.0 + drop_queue.OPEN_LIMIT_S - 1, 0), (5000.0, 0), (5001.0, 1)):
        queue.scan(Scan.LATER, LONG_AGO + now_s, now_s, lambda _name, _stamp: False)
        assert len(queue) == expected


def test_a_deleted_file_leaves_the_queue(tmp_path):
    put(tmp_path / "a.csv", csv_of())
    queue = DropQueue(tmp_path, 1.0)
    queue.hear(Event(Change.CLOSE_WRITE, "a.csv"), 1.0)
    queue.hear(Event(Change.DELETE, "a.csv"), 1.0)
    assert queue.take() is None


@pytest.mark.parametrize("options", [
    {"folder": ""}, {}, {"folder": "x", "spacing_um": 0}, {"folder": "x", "spacing_um": float("nan")},
    {"folder": "x", "settle_s": -1}, {"folder": "x", "max_file_bytes": 0}, {"folder": 3},
])
def test_options_that_make_no_sense_are_refused(options):
    with pytest.raises(ValueError, match="validation error"):
        FileDropGauge.Config.model_validate(options)
