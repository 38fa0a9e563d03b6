"""`tcp-stream` on real sockets of loopback."""

from __future__ import annotations

import contextlib
import socket
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from crosslay.errors import GaugeError, TraceRefusedError
from crosslay.ports import Gauge, GaugeContext
from crosslay.testing.gauge_conformance import GaugeConformance
from crosslay.texture.trace import Trace
from crosslay_adapters.gauges.serial_line import SerialLineGauge
from crosslay_adapters.gauges.tcp_stream import TcpStreamGauge
from gauge_streams import frames_of, lines_of

MARKS: dict[str, Any] = {"start": "BEGIN", "end": "END"}
TYPES = {"types": {"start": 1, "data": 2, "end": 3}}


class Server:
    """A gauge that serves one client after the other."""

    def __init__(self) -> None:
        self.listener = socket.create_server(("127.0.0.1", 0))
        self.port = self.listener.getsockname()[1]
        self.client: socket.socket | None = None

    def newest(self) -> socket.socket:
        """The client that connected last."""
        self.listener.settimeout(0.0 if self.client is not None else 5.0)
        with contextlib.suppress(BlockingIOError):
            while True:
                client, _ = self.listener.accept()
                if self.client is not None:
                    self.client.close()
                self.client = client
                self.listener.settimeout(0.0)
        assert self.client is not None
        return self.client

    def close(self) -> None:
        self.listener.close()
        if self.client is not None:
            self.client.close()


@pytest.fixture
def server() -> Iterator[Server]:
    made = Server()
    yield made
    made.close()


class TestTcpStream(GaugeConformance):
    gauge_type = TcpStreamGauge
    server: Server | None = None
    hangs_up = False

    @pytest.fixture(autouse=True)
    def _served(self) -> Iterator[None]:
        self.server = Server()
        yield
        self.server.close()

    def options(self, folder: Path) -> dict[str, Any]:
        assert self.server is not None
        return {"host": "127.0.0.1", "port": self.server.port, "spacing_um": 0.5, "lines": MARKS}

    def offer(self, folder: Path) -> None:
        assert self.server is not None
        self.server.newest().sendall(lines_of([1.0, 2.5, -3.0]))

    def offer_bad(self, folder: Path) -> None:
        assert self.server is not None
        self.server.newest().sendall(lines_of([1.0, float("nan")]))

    def deliver(self, gauge: Gauge, folder: Path) -> Trace:
        trace = super().deliver(gauge, folder)
        if self.hangs_up:
            assert self.server is not None
            self.server.newest().close()
            self.server.client = None
        return trace

    def test_holds_nothing_after_close(self, gauge: Gauge, tmp_path: Path) -> None:
        self.hangs_up = True  # the other end of the connection is this process's as well
        super().test_holds_nothing_after_close(gauge, tmp_path)

    def remove(self, folder: Path) -> None:
        assert self.server is not None
        self.server.close()


def gauge_of(server: Server, **options: Any) -> TcpStreamGauge:
    config = TcpStreamGauge.Config.model_validate({"host": "127.0.0.1", "port": server.port, "spacing_um": 0.5,
                                                   "silence_s": 0.3, **options})
    return TcpStreamGauge(config, GaugeContext(base_dir=Path("/")))


def test_frames_cut_anywhere_and_a_connection_that_breaks_in_one(server: Server) -> None:
    gauge = gauge_of(server, frames=TYPES, heights={"unit": "counts", "gain_um": 0.001})
    gauge.open()
    data = b"".join(frames_of(range(200)))
    for place in range(len(data)):
        server.newest().sendall(data[place : place + 1])
    trace = gauge.read(5.0)
    assert trace is not None
    assert trace.samples.tolist() == list(range(200))
    server.newest().sendall(data[:300])
    assert gauge.read(0.1) is None
    server.newest().close()
    server.client = None
    with pytest.raises(GaugeError, match=r"closed the connection.*under way and is lost") as caught:
        gauge.read(1.0)
    assert caught.value.retryable
    gauge.close()
    gauge.open()
    server.newest().sendall(data[300:] + data)
    with pytest.raises(TraceRefusedError, match="without a start frame"):
        gauge.read(5.0)
    again = gauge.read(5.0)
    assert again is not None
    assert again.samples.tolist() == list(range(200))
    gauge.close()


def test_a_connection_that_is_reset(server: Server) -> None:
    gauge = gauge_of(server, lines=MARKS)
    gauge.open()
    client = server.newest()
    client.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, b"\x01\0\0\0\0\0\0\0")
    client.close()
    server.client = None
    with pytest.raises(GaugeError, match=r"broke|closed"):
        gauge.read(2.0)
    gauge.close()


@pytest.mark.parametrize("host", ["127.0.0.1", "no.such.host.invalid", "bad..name"])
def test_nobody_there_says_where(host: str) -> None:
    free = Server()
    free.close()
    config = TcpStreamGauge.Config.model_validate({"host": host, "port": free.port, "lines": MARKS})
    with pytest.raises(GaugeError, match=rf"the gauge at {host}:{free.port} does not answer"):
        TcpStreamGauge(config, GaugeContext(base_dir=Path("/"))).open()


def test_lines_or_frames_must_be_given(server: Server) -> None:
    for both in ({}, {"lines": MARKS, "frames": TYPES}):
        with pytest.raises(ValueError, match=r"one of the tables gauge.lines and gauge.frames"):
            gauge_of(server, **both)


def test_the_serial_adapter_reaches_a_port_server_by_url(server: Server) -> None:
    config = SerialLineGauge.Config.model_validate({"port": f"socket://127.0.0.1:{server.port}", "spacing_um": 0.5,
                                                    "lines": MARKS})
    gauge = SerialLineGauge(config, GaugeContext(base_dir=Path("/")))
    gauge.open()
    server.newest().sendall(lines_of([1.0, 2.0, 3.5]))
    trace = gauge.read(5.0)
    assert isinstance(trace, Trace)
    assert trace.samples.tolist() == [1.0, 2.0, 3.5]
    server.newest().close()
    server.client = None
    with pytest.raises(GaugeError, match="is gone"):
        gauge.read(2.0)
    gauge.close()
