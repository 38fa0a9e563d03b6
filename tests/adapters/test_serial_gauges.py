"""`serial-line` and `serial-frames` on real pseudo-terminals."""

from __future__ import annotations

import errno
import os
import random
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from crosslay.errors import GaugeError, TraceRefusedError
from crosslay.ports import GaugeContext, GaugeSignal
from crosslay.testing.broker import RunningBroker
from crosslay.testing.gauge_conformance import GaugeConformance
from crosslay.texture.trace import Trace
from crosslay_adapters.gauges.framing import links
from crosslay_adapters.gauges.serial_frames import SerialFramesGauge
from crosslay_adapters.gauges.serial_line import SerialLineGauge
from gauge_streams import Pty, frames_of, lines_of
from station_harness import TOPIC, StationUnderTest, bus_client, sine_um, wait_for

MARKS: dict[str, Any] = {"start": "BEGIN", "end": "END", "facts": {"Part": "part"}}
HEIGHTS = np.round(sine_um(points=200), 4)


class _OnPty(GaugeConformance):
    pty: Pty | None = None

    @pytest.fixture(autouse=True)
    def _unplugged(self) -> Iterator[None]:
        yield
        if self.pty is not None:
            self.pty.unplug()

    def prepare(self, folder: Path) -> None:
        self.pty = Pty(folder / "gauge")

    def remove(self, folder: Path) -> None:
        assert self.pty is not None
        self.pty.unplug()

    def send(self, data: bytes) -> None:
        assert self.pty is not None
        assert self.pty.send(data) == len(data)


class TestSerialLine(_OnPty):
    gauge_type = SerialLineGauge

    def options(self, folder: Path) -> dict[str, Any]:
        return {"port": str(folder / "gauge"), "spacing_um": 0.5, "lines": MARKS}

    def offer(self, folder: Path) -> None:
        self.send(lines_of(HEIGHTS[:100]))

    def offer_bad(self, folder: Path) -> None:
        self.send(lines_of([1.0, float("nan"), 2.0]))


class TestSerialFrames(_OnPty):
    gauge_type = SerialFramesGauge

    def options(self, folder: Path) -> dict[str, Any]:
        return {"port": str(folder / "gauge"), "spacing_um": 0.5, "heights": {"unit": "counts", "gain_um": 0.001},
                "frames": {"types": {"start": 1, "data": 2, "end": 3}}}

    def offer(self, folder: Path) -> None:
        self.send(b"".join(frames_of(range(200))))

    def offer_bad(self, folder: Path) -> None:
        frames = frames_of(range(200))
        self.send(b"".join(frames[:2] + frames[3:]))


@pytest.fixture
def pty(tmp_path: Path) -> Iterator[Pty]:
    made = Pty(tmp_path / "gauge")
    yield made
    made.unplug()


def line_gauge(pty: Pty, heard: list[GaugeSignal] | None = None, **options: Any) -> SerialLineGauge:
    config = SerialLineGauge.Config.model_validate({"port": str(pty.link), "spacing_um": 0.5, "lines": MARKS,
                                                    "silence_s": 0.3, **options})
    context = GaugeContext(base_dir=pty.link.parent, notify=(heard if heard is not None else []).append)
    return SerialLineGauge(config, context)


def next_outcome(gauge: Any, limit_s: float = 10.0) -> Trace | str:
    """The next trace, or the reason why there is none."""
    deadline_s = time.monotonic() + limit_s
    while time.monotonic() < deadline_s:
        try:
            trace = gauge.read(0.2)
        except (TraceRefusedError, GaugeError) as error:
            return f"{type(error).__name__}: {error}"
        if trace is not None:
            return trace
    raise AssertionError("nothing came")


def test_a_trace_starts_the_traverse_and_comes_with_its_facts(pty: Pty) -> None:
    heard: list[GaugeSignal] = []
    gauge = line_gauge(pty, heard, fixed_facts={"speed_mm_s": "0.5"})
    gauge.open()
    pty.send(b"BEGIN\r\nPart: P-7\r\n1.0\r\n")
    assert gauge.read(0.1) is None
    assert heard == [GaugeSignal.STARTED]
    pty.send(b"2.0\r\n3.0\r\nEND\r\n")
    trace = next_outcome(gauge)
    assert isinstance(trace, Trace)
    assert trace.samples.tolist() == [1, 2, 3]
    assert trace.facts == {"part": "P-7", "speed_mm_s": "0.5"}
    assert trace.acquisition_s == pytest.approx(2 * 0.5e-3 / 0.5)
    gauge.close()


@pytest.mark.parametrize("how", ["one byte at a time", "random cuts", "garbage first", "bad, then good", "twice"])
def test_what_the_line_does_to_it(pty: Pty, how: str) -> None:
    good, chance = lines_of(HEIGHTS[:60]), random.Random(9)
    gauge = line_gauge(pty)
    gauge.open()
    pieces = [good]
    if how == "one byte at a time":
        pieces = [good[i : i + 1] for i in range(len(good))]
    elif how == "random cuts":
        cuts = sorted(chance.sample(range(len(good)), 12))
        pieces = [good[a:b] for a, b in zip([0, *cuts], [*cuts, len(good)], strict=True)]
    elif how == "garbage first":
        pieces = [bytes(b | 0x80 for b in chance.randbytes(500)) + b"\n", good]
    elif how == "bad, then good":
        pieces = [good[:200] + good[260:230] + b"#!?\r\n" + good[260:], good]
    elif how == "twice":
        pieces = [good, good]
    outcomes: list[Any] = []
    for piece in pieces:
        pty.send(piece)
        trace = None
        try:
            trace = gauge.read(0.0)
        except TraceRefusedError as error:
            outcomes.append(str(error))
        if trace is not None:
            outcomes.append(trace)
    while len(outcomes) < (2 if how in {"bad, then good", "twice"} else 1):
        outcomes.append(next_outcome(gauge))
    assert isinstance(outcomes[-1], Trace)
    assert outcomes[-1].samples.tolist() == HEIGHTS[:60].tolist()
    assert isinstance(outcomes[0], str) == (how == "bad, then good")
    gauge.close()


def test_pulled_in_the_middle_of_a_trace_and_plugged_in_again(pty: Pty) -> None:
    gauge = line_gauge(pty)
    gauge.open()
    pty.send(lines_of(HEIGHTS[:60])[:200])
    assert gauge.read(0.1) is None
    pty.unplug()
    with pytest.raises(GaugeError, match=r"is gone .*under way and is lost") as caught:
        gauge.read(1.0)
    assert caught.value.retryable
    gauge.close()
    with pytest.raises(GaugeError, match="is not there; plug the gauge in"):
        gauge.open()
    pty.plug()
    gauge.open()
    pty.send(lines_of(HEIGHTS[:60]))
    assert isinstance(next_outcome(gauge), Trace)
    gauge.close()


def test_a_second_owner_is_refused(pty: Pty) -> None:
    first, second = line_gauge(pty), line_gauge(pty)
    first.open()
    with pytest.raises(GaugeError, match="in use by another program"):
        second.open()
    first.close()
    second.open()
    second.close()


def test_permission_denied_names_the_group(pty: Pty, monkeypatch: pytest.MonkeyPatch) -> None:
    """The kernel's refusal is put in place, as root is refused nothing."""
    def refuse(*_args: Any, **_more: Any) -> None:
        raise links.serial.SerialException(errno.EACCES, "Permission denied")

    monkeypatch.setattr(links.serial, "serial_for_url", refuse)
    import grp

    group = grp.getgrgid(pty.link.stat().st_gid).gr_name
    with pytest.raises(GaugeError, match=f'belongs to the group "{group}".*SupplementaryGroups='):
        line_gauge(pty).open()


def test_frames_need_a_line_that_passes_every_byte(pty: Pty) -> None:
    with pytest.raises(ValueError, match="xon-xoff takes the bytes"):
        SerialFramesGauge.Config.model_validate({"port": str(pty.link), "flow_control": "xon-xoff"})


def test_a_file_is_no_serial_port(tmp_path: Path, pty: Pty) -> None:
    (tmp_path / "notes.txt").write_text("no port")
    gauge = line_gauge(pty, port=str(tmp_path / "notes.txt"))
    with pytest.raises(GaugeError, match="cannot be opened as a serial port"):
        gauge.open()


def test_silence_breaks_a_trace_off_and_the_next_one_comes(pty: Pty) -> None:
    gauge = line_gauge(pty)
    gauge.open()
    pty.send(b"BEGIN\n1.0\n2.0\n")
    assert "silent before the end mark" in str(next_outcome(gauge))
    pty.send(lines_of([1.0, 2.0]))
    assert isinstance(next_outcome(gauge), Trace)
    gauge.close()


def test_commands_are_sent_at_opening_and_closing(pty: Pty) -> None:
    gauge = line_gauge(pty, lines={**MARKS, "start_command": "GO\r\n", "stop_command": "HALT\r\n"})
    gauge.open()
    assert os.read(pty.master, 100) == b"GO\r\n"
    gauge.close()
    assert os.read(pty.master, 100) == b"HALT\r\n"


def test_the_daemon_judges_what_comes_over_the_wire(tmp_path: Path, broker: RunningBroker) -> None:
    """Station file to broker: Ra of the sine is 2A/π (ISO 5436-1, type C1); the plug is pulled in between."""
    pty = Pty(tmp_path / "gauge")
    text = f"""
[station]
name = "op30"
topic = "{TOPIC}"
state_dir = "state"
[gauge]
adapter = "serial-line"
port = "{pty.link}"
spacing_um = 0.5
[gauge.lines]
start = "BEGIN"
end = "END"
facts = {{ Part = "part" }}
[bus]
host = "127.0.0.1"
port = {broker.port}
[[characteristic]]
name = "journal"
callout = ["Ra 0.8"]
"""
    station = StationUnderTest(tmp_path, broker.port, text=text)
    try:
        with bus_client(broker.port) as plant:
            station.start()
            wait_for(lambda: b"gauge-open" in station.log.read_bytes(), 20, "the port")
            _send_all(pty, lines_of(sine_um(), "P-1"))
            first = wait_for(plant.results, 30, "the result of P-1")[0]["data"]
            pty.unplug()
            wait_for(lambda: b"gauge-lost" in station.log.read_bytes(), 20, "the loss of the port")
            pty.plug()
            wait_for(lambda: station.log.read_bytes().count(b"gauge-open") >= 2, 20, "the port again")
            _send_all(pty, lines_of(sine_um(), "P-2"))
            second = wait_for(lambda: plant.results()[1:], 30, "the result of P-2")[0]["data"]
        assert [each["resultEvaluation"] for each in (first, second)] == ["OK", "OK"]
        assert (first["partId"], second["partId"]) == ("P-1", "P-2")
        value = first["characteristics"][0]["value"]
        assert value == pytest.approx(2 / np.pi, rel=0.01)
    finally:
        if station.process is not None:
            station.stop()
        pty.unplug()


def _send_all(pty: Pty, data: bytes) -> None:
    deadline_s = time.monotonic() + 30
    while data and time.monotonic() < deadline_s:
        data = data[pty.send(data) :]
        time.sleep(0.001)
    assert not data
