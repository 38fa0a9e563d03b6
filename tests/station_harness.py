"""A real station in its own process, a folder to drop traces into, and foreign readers on the bus."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import ssl
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import paho.mqtt.client as mqtt
from numpy.typing import NDArray
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.subscribeoptions import SubscribeOptions

from wire_contract import violations

TOPIC = "plant/shafts/line3/op30"
STATION = """
[station]
name = "op30"
topic = "{topic}"
state_dir = "state"

[gauge]
adapter = "file-drop"
folder = "incoming"

[bus]
host = "127.0.0.1"
port = {port}
{bus}

{more}

[[characteristic]]
name = "journal"
callout = ["Ra 0.8", "Rz 6.3"]
"""


def wait_for(condition: Callable[[], Any], timeout_s: float = 10.0, what: str = "") -> Any:
    """The first true value of `condition`, asked every 10 ms; fails after `timeout_s`."""
    deadline = time.monotonic() + timeout_s
    while time.monotonic() < deadline:
        value = condition()
        if value:
            return value
        time.sleep(0.01)
    raise AssertionError(f"waited {timeout_s} s in vain for {what or condition}")


def sine_um(amplitude_um: float = 1.0, points: int = 9601) -> NDArray[np.float64]:
    """An invented journal: a sine of 0.1 mm wavelength; Ra = 2A/π (ISO 5436-1, type C1)."""
    return amplitude_um * np.sin(2 * np.pi * np.arange(points) * 0.5e-3 / 0.1)


def csv_bytes(heights_um: NDArray[np.float64], **facts: str) -> bytes:
    """A trace file with 0.5 µm spacing."""
    head = "".join(f"# {key}: {value}\n" for key, value in {"spacing_um": "0.5", **facts}.items())
    return (head + "z_um\n" + "\n".join(f"{z:.6f}" for z in heights_um) + "\n").encode()


class StationUnderTest:
    """Files and process of one station in `folder`."""

    def __init__(self, folder: Path, port: int, *, bus: str = "", more: str = "", text: str | None = None) -> None:
        self.folder = folder
        self.incoming = folder / "incoming"
        self.state_dir = folder / "state"
        self.incoming.mkdir(parents=True, exist_ok=True)
        self.file = folder / "op30.toml"
        self.file.write_text(text or STATION.format(topic=TOPIC, port=port, bus=bus, more=more))
        self.process: subprocess.Popen[bytes] | None = None
        #: How the daemon is started; fault tests put a tracer or a wrapper here.
        self.program = [sys.executable, "-m", "crosslay.cli.main"]
        self.log = folder / "daemon.log"

    def start(self, *, wait: bool = True, env: dict[str, str] | None = None) -> None:
        """Start `crosslay run` and wait until it says that it started."""
        offset = self.log.stat().st_size if self.log.exists() else 0
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(
                [*self.program, "run", str(self.file)],
                stderr=log,
                stdout=log,
                stdin=subprocess.DEVNULL,
                env={**os.environ, **(env or {})},
            )
        if wait:
            wait_for(
                lambda: b"station-started" in self.log.read_bytes()[offset:] or self.process.poll() is not None,
                30.0,
                "the station's start",
            )
            assert self.process.poll() is None, self.log.read_text()

    def kill(self) -> None:
        """SIGKILL."""
        assert self.process is not None
        self.process.kill()
        self.process.wait(10)
        self.process = None

    def stop(self) -> int:
        """SIGTERM; the exit code."""
        assert self.process is not None
        self.process.send_signal(signal.SIGTERM)
        code = self.process.wait(10)
        self.process = None
        return code

    def drop(self, name: str, content: bytes) -> None:
        """Rename a complete file into the folder."""
        draft = self.incoming / f".{name}.draft"
        draft.write_bytes(content)
        draft.rename(self.incoming / name)

    def command(self, *words: str) -> subprocess.CompletedProcess[str]:
        """Run `crosslay VERB STATION.toml …`."""
        verb, *rest = words
        return subprocess.run(
            [sys.executable, "-m", "crosslay.cli.main", verb, str(self.file), *rest],
            capture_output=True,
            text=True,
            timeout=60,
        )

    def results(self) -> list[dict[str, Any]]:
        """What `crosslay results list --json` says."""
        done = self.command("results", "list", "--json")
        return [json.loads(line) for line in done.stdout.splitlines()]

    def close(self) -> None:
        """End the process, however it stands."""
        if self.process is not None:
            self.process.kill()
            self.process.wait(10)


@contextlib.contextmanager
def station(folder: Path, port: int, **options: Any) -> Iterator[StationUnderTest]:
    """A station that surely ends."""
    under_test = StationUnderTest(folder, port, **options)
    try:
        yield under_test
    finally:
        under_test.close()


class BusClient:
    """A client on the bus that notes everything, and may acknowledge as an MES does."""

    def __init__(
        self,
        port: int,
        *,
        acknowledge: bool = False,
        prefix: str = TOPIC,
        subscribe: str | None = None,
        tls: ssl.SSLContext | None = None,
        user: tuple[str, str] | None = None,
    ) -> None:
        self.prefix = prefix
        self.acknowledge = acknowledge
        self.messages: list[mqtt.MQTTMessage] = []
        self._own: set[tuple[str, bytes]] = set()
        self.subscribed = threading.Event()
        self._topic = subscribe or f"{prefix}/#"
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
        options = SubscribeOptions(qos=1, retainAsPublished=True)
        self._client.on_connect = lambda client, *_rest: client.subscribe(self._topic, options=options)
        self._client.on_subscribe = lambda *_rest: self.subscribed.set()
        self._client.on_message = self._on_message
        self._client.reconnect_delay_set(1, 1)
        if tls is not None:
            self._client.tls_set_context(tls)
        if user is not None:
            self._client.username_pw_set(*user)
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        assert self.subscribed.wait(10)

    def _on_message(self, _client: Any, _userdata: Any, message: mqtt.MQTTMessage) -> None:
        self.messages.append(message)
        if self.acknowledge and message.topic == f"{self.prefix}/v1/result":
            data = json.loads(message.payload)["data"]
            self.send_ack(data["instanceId"], data["sequence"])

    def send_ack(self, instance_id: str, through: int, **more: Any) -> None:
        """Acknowledge."""
        self.publish("v1/result/ack", json.dumps({"instanceId": instance_id, "acknowledgedThrough": through, **more}))

    def publish(self, leaf: str, payload: str | bytes, *, retain: bool = False) -> None:
        """Publish under the station's prefix, QoS 1."""
        topic = f"{self.prefix}/{leaf}"
        self._own.add((topic, payload.encode() if isinstance(payload, str) else payload))
        self._client.publish(topic, payload, qos=1, retain=retain)

    def payloads(self, leaf: str) -> list[dict[str, Any]]:
        """Payloads that came on a leaf, in order."""
        return [
            json.loads(message.payload) for message in list(self.messages) if message.topic == f"{self.prefix}/{leaf}"
        ]

    def results(self) -> list[dict[str, Any]]:
        """CloudEvents that came on v1/result."""
        return self.payloads("v1/result")

    def state(self) -> dict[str, Any]:
        """The newest state."""
        states = self.payloads("v1/state")
        return states[-1] if states else {}

    def broken(self) -> list[str]:
        """What the station's messages do not keep of the published contract; repeats are judged once."""
        # What the test itself sent is no word of the station.
        judged = {(topic, payload, kept) for topic, payload in self._own for kept in (False, True)}
        problems: list[str] = []
        for message in list(self.messages):
            word = (message.topic, bytes(message.payload), message.retain)
            if message.topic.startswith(f"{self.prefix}/v1/") and word not in judged:
                judged.add(word)
                problems += violations(message, self.prefix)
        return problems

    def close(self) -> None:
        """Leave, and hold everything that came against the published contract."""
        self._client.disconnect()
        self._client.loop_stop()
        problems = self.broken()
        assert not problems, "; ".join(problems)


@contextlib.contextmanager
def bus_client(port: int, **options: Any) -> Iterator[BusClient]:
    """A bus client that surely leaves."""
    client = BusClient(port, **options)
    try:
        yield client
    finally:
        client.close()
