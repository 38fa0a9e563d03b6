"""A consumer as an MES would be one: stores every result once, and acknowledges after its own commit.

Meant to be read. Run as ``python -m crosslay.testing.mes_consumer --topic plant/shafts/line3/op30 --database mes.db``.
It speaks plain MQTT and so only with a broker on this computer.

What any consumer must do is in `MesConsumer._on_result`: know a result by (source, instanceId, sequence), commit it,
only then acknowledge the highest number up to which nothing is missing, and acknowledge again when a result comes twice
(clauses DC-20, DC-30 and DC-35 of the bus contract).
"""

from __future__ import annotations

import argparse
import ipaddress
import json
import signal
import sqlite3
import sys
import time
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.subscribeoptions import SubscribeOptions

from crosslay.errors import UsageError
from crosslay.testing.mes_store import MesStore, Received

_LOOP_S = 0.05
_RECONNECT_S = 0.25
_KEEPALIVE_S = 10
_PROTOCOLS = {"5": MQTTProtocolVersion.MQTTv5, "3.1.1": MQTTProtocolVersion.MQTTv311}
_RESULT, _ACK, _STATE = "v1/result", "v1/result/ack", "v1/state"

_Address = tuple[str, str]
"""Topic of acknowledgements, and instance."""


class MesConsumer:
    """Receives, stores, acknowledges. `run` returns when `stop` was called or enough results are stored."""

    def __init__(self, store: MesStore, options: argparse.Namespace) -> None:
        self._store = store
        self._options = options
        self._rejects = frozenset(options.reject)
        self._owed: dict[_Address, dict[str, Any]] = {}
        self._sent: dict[int, tuple[_Address, dict[str, Any]]] = {}
        self._stopping = False
        self.malformed = 0

    def stop(self) -> None:
        """Ask `run` to return; any thread or signal handler."""
        self._stopping = True

    def run(self) -> None:
        """Serve, connecting again for ever, until stopped or until the number asked for is stored and acknowledged."""
        while not self._done():
            client = self._new_client()
            try:
                client.connect(self._options.host, self._options.port, keepalive=_KEEPALIVE_S)
                while client.loop(_LOOP_S) == MQTTErrorCode.MQTT_ERR_SUCCESS and not self._done():
                    self._acknowledge(client)
            except OSError as error:
                _say(event="unreachable", reason=str(error))
            client.disconnect()
            if not self._done():
                time.sleep(_RECONNECT_S)

    def _done(self) -> bool:
        until = self._options.until
        return self._stopping or (
            until is not None and not self._owed and not self._sent and self._store.stored() >= until
        )

    def _new_client(self) -> mqtt.Client:
        # A new one for each connection; what the old one could not deliver is owed again.
        for address, said in self._sent.values():
            self._owed.setdefault(address, said)
        self._sent.clear()
        client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=_PROTOCOLS[self._options.protocol])
        client.on_connect = self._on_connect
        client.on_message = self._on_message
        client.on_publish = self._on_publish
        return client

    def _on_connect(self, client: mqtt.Client, _data: Any, _flags: Any, code: Any, _properties: Any) -> None:
        _say(event="refused" if code.is_failure else "connected", reason=str(code))
        for topic in (f"{self._options.topic}/{leaf}" for leaf in (_STATE, _RESULT)):
            if self._options.protocol == "5":
                client.subscribe(topic, options=SubscribeOptions(qos=1))
            else:
                client.subscribe(topic, qos=1)

    def _on_publish(self, _client: mqtt.Client, _data: Any, mid: int, _code: Any, _properties: Any) -> None:
        self._sent.pop(mid, None)

    def _on_message(self, client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        try:
            if message.topic.endswith(f"/{_RESULT}"):
                self._on_result(message.topic.removesuffix(_RESULT), bytes(message.payload))
            else:
                self._on_state(message.topic.removesuffix(_STATE), json.loads(message.payload), first=message.retain)
        except (ValueError, KeyError, TypeError, AttributeError) as error:
            self.malformed += 1
            _say(event="malformed", topic=message.topic, reason=f"{type(error).__name__}: {error}")
        self._acknowledge(client)

    def _on_result(self, prefix: str, payload: bytes) -> None:
        result = Received.from_payload(payload)
        refusal = "refused on request" if result.sequence in self._rejects else None
        new = self._store.keep(result, refusal)
        # From here on it is safe, so it may be said; for a duplicate said again, because the first word may be lost.
        self._owe(prefix, result.instance_id, result.sequence)
        _say(event="stored" if new else "duplicate", sequence=result.sequence, partId=result.part_id,
             resultEvaluation=result.evaluation, rejected=refusal)

    def _on_state(self, prefix: str, state: dict[str, Any], *, first: bool) -> None:
        if not state["online"]:
            return
        instance_id, known = str(state["instanceId"]), int(state["acknowledgedThrough"])
        here = self._store.acknowledged_through(instance_id)
        if known > here:
            self._store.acknowledged_elsewhere(instance_id, known)
        # A word after connecting, or after one was lost, wakes a station that waits before it repeats.
        if first or known < here:
            self._owe(prefix, instance_id)

    def _owe(self, prefix: str, instance_id: str, sequence: int = 0) -> None:
        address = (prefix + _ACK, instance_id)
        rejected = self._owed.get(address, {}).get("rejected", [])
        if reason := self._store.rejection(instance_id, sequence):
            rejected = [*rejected, {"sequence": sequence, "reason": reason}]
        said = {"instanceId": instance_id, "acknowledgedThrough": self._store.acknowledged_through(instance_id)}
        self._owed[address] = {**said, "rejected": rejected} if rejected else said

    def _acknowledge(self, client: mqtt.Client) -> None:
        paused: Path | None = self._options.pause_acks
        if not client.is_connected() or (paused is not None and paused.exists()):
            return
        for address, said in self._owed.items():
            message = client.publish(address[0], json.dumps(said), qos=1)
            self._sent[message.mid] = (address, said)
            _say(event="acknowledged", through=said["acknowledgedThrough"])
        self._owed.clear()


def _say(**fields: object) -> None:
    print(json.dumps({name: value for name, value in fields.items() if value is not None}), flush=True)


def _loopback(text: str) -> str:
    if text == "localhost":
        return text
    try:
        here = ipaddress.ip_address(text).is_loopback
    except ValueError:
        here = False
    if not here:
        raise argparse.ArgumentTypeError(f"{text} is not this computer, and this consumer speaks plain MQTT only")
    return text


def _options(arguments: Sequence[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m crosslay.testing.mes_consumer", description=__doc__,
                                     formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--host", type=_loopback, default="127.0.0.1", help="broker on this computer")
    parser.add_argument("--port", type=int, default=1883)
    parser.add_argument("--topic", required=True, help="topic prefix of the station; + stands for any one level")
    parser.add_argument("--database", type=Path, required=True, help="SQLite file, made where it is missing")
    parser.add_argument("--protocol", choices=sorted(_PROTOCOLS), default="5")
    parser.add_argument("--until", type=int, metavar="N", help="end when N different results are stored")
    parser.add_argument("--reject", type=int, nargs="+", default=[], metavar="SEQ", help="refuse these sequences")
    parser.add_argument("--pause-acks", type=Path, metavar="FILE", help="send no acknowledgement while FILE exists")
    return parser.parse_args(arguments)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run from the command line until SIGTERM, SIGINT or ``--until``; the last line printed is the summary."""
    options = _options(arguments)
    store = MesStore(options.database)
    consumer = MesConsumer(store, options)
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda _number, _frame: consumer.stop())
    try:
        store.open()
        with closing(store):
            consumer.run()
            _say(event="summary", malformed=consumer.malformed, instances=store.summary())
    except sqlite3.Error as error:
        # Nothing of a failed commit is acknowledged, so the station keeps it and sends it again.
        print(f"mes_consumer: {options.database}: {error}", file=sys.stderr)
        return UsageError.exit_code
    return 0


if __name__ == "__main__":
    sys.exit(main())
