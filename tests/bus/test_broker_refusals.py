"""Brokers that refuse, limit, or speak nonsense, played by a server that answers as it is told (OASIS MQTT 5.0)."""

from __future__ import annotations

import itertools
import json
import random
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from campaign_counts import campaign_count
from crosslay.bus import pump, session
from pump_harness import PumpUnderTest
from scripted_broker import (
    CONNACK,
    PUBACK,
    Published,
    ScriptedBroker,
    connack,
    disconnect,
    packet,
    puback,
    publish,
    scripted_broker,
)
from station_harness import TOPIC, wait_for

GARBAGE = campaign_count("CROSSLAY_GARBAGE", short=40, full=5000)


@contextmanager
def running(folder: Path, server: ScriptedBroker, **options: object) -> Iterator[PumpUnderTest]:
    under_test = PumpUnderTest(folder, server.port, acknowledge="broker", **options)
    try:
        under_test.thread.start()
        yield under_test
    finally:
        under_test.close()


def sequence_of(message: Published) -> int:
    return json.loads(message.payload)["data"]["sequence"]


def refusing(sequence: int, answer: Callable[[Published], bytes]) -> Callable[[Published], bytes]:
    """One result is refused, all else is taken."""

    def respond(message: Published) -> bytes:
        if message.topic.endswith("/v1/result") and sequence_of(message) == sequence:
            return answer(message)
        return puback(message.packet_id)

    return respond


@pytest.fixture
def quick_reconnect(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pump, "_BACKOFF_FIRST_S", 0.02)
    monkeypatch.setattr(pump, "_BACKOFF_LIMIT_S", 0.05)


# 0x10 no matching subscribers, 0x80 unspecified, 0x83 implementation specific, 0x87 not authorized, 0x90 topic name
# invalid, 0x91 packet identifier in use, 0x97 quota exceeded (MQTT 5.0, table 3-4).
@pytest.mark.parametrize("reason", [0x10, 0x80, 0x83, 0x87, 0x90, 0x91, 0x97])
def test_dc_22_a_refusal_never_clears_and_is_no_end(tmp_path: Path, reason: int) -> None:
    with scripted_broker() as server, running(tmp_path, server, resend_after_s=0.2) as under_test:
        server.answer = lambda message: puback(
            message.packet_id, reason if message.topic.endswith("/v1/result") else 0
        )
        under_test.commit(3)
        wait_for(lambda: len(server.results()) >= 6, what="two rounds")
        said = under_test.condition("no-consumer" if reason == 0x10 else "publish-refused")
        assert said
        assert reason == 0x10 or f"v1/result (0x{reason:02X})" in said
        assert (under_test.store.levels.pending, under_test.store.levels.quarantined) == (3, 0)
        server.answer = lambda message: puback(message.packet_id)
        wait_for(lambda: under_test.store.levels.pending == 0)
        wait_for(lambda: not under_test.condition("no-consumer") and not under_test.condition("publish-refused"))
        assert under_test.host.counters["connectionsLost"] == 0


@pytest.mark.parametrize("reason", [0x95, 0x99])
def test_dc_23_refused_content_is_set_aside_after_five_tries_and_blocks_nobody(tmp_path: Path, reason: int) -> None:
    with scripted_broker() as server, running(tmp_path, server, window=4) as under_test:
        server.answer = refusing(3, lambda message: puback(message.packet_id, reason))
        began = time.monotonic()
        under_test.commit(30)
        wait_for(lambda: under_test.store.levels.quarantined == 1, what="the quarantine")
        assert time.monotonic() - began < 5.0
        assert under_test.store.levels.pending == 0
        assert under_test.store.levels.acknowledged_through == 30
        assert [sequence_of(message) for message in server.results()[-2:]] == [3, 3], "its successors do not wait"
        sent = Counter(sequence_of(message) for message in server.results())
        assert sent == {**dict.fromkeys(range(1, 31), 1), 3: 5}
        assert len({message.payload for message in server.results() if sequence_of(message) == 3}) == 1, "DC-05"
        [row] = [row for row in under_test.pump._reader.rows() if row.outbox == "quarantined"]
        assert (row.sequence, row.reason) == (3, f"the broker refused it 5 times (0x{reason:02X})")


def test_dc_23_what_is_too_large_for_the_broker_is_never_sent_and_set_aside(tmp_path: Path) -> None:
    with scripted_broker() as server:
        server.packet_bytes = 2000
        server.connack = connack(packet_bytes=2000)
        with running(tmp_path, server) as under_test:
            under_test.commit(2)
            under_test.padding_bytes = 3000
            under_test.commit(1)
            under_test.padding_bytes = 0
            under_test.commit(2)
            wait_for(lambda: "v1/result (0x95)" in (under_test.condition("publish-refused") or ""))
            wait_for(lambda: under_test.store.levels.quarantined == 1)
            wait_for(lambda: under_test.store.levels.pending == 0)
            assert [sequence_of(message) for message in server.results()] == [1, 2, 4, 5]
            under_test.commit(1)
            wait_for(lambda: not under_test.condition("publish-refused"), what="the next one shows that it is well")
            assert not server.violations


def test_a_payload_just_as_large_as_the_broker_takes_is_sent(tmp_path: Path) -> None:
    """The size is estimated from above by at most 3 bytes: the length field of the fixed header takes 1 to 4."""
    with scripted_broker() as server, running(tmp_path, server) as under_test:
        under_test.padding_bytes = 3000
        under_test.commit(1)
        size = wait_for(server.results)[0].size
        under_test.close()
        server.connack = connack(packet_bytes=size + 3)
        server.packet_bytes = size + 3
        (tmp_path / "again").mkdir()
        with running(tmp_path / "again", server) as again:
            again.padding_bytes = 3000
            again.commit(1)
            wait_for(lambda: again.store.levels.pending == 0)
            assert not server.violations


def test_a_state_too_large_for_the_broker_stops_no_result(tmp_path: Path) -> None:
    with scripted_broker() as server:
        server.packet_bytes = 330
        server.connack = connack(packet_bytes=330)
        with running(tmp_path, server, keepalive_s=1) as under_test:
            under_test.commit(3)
            wait_for(lambda: under_test.store.levels.pending == 0)
            wait_for(lambda: "v1/state (0x95)" in (under_test.condition("publish-refused") or ""))
            wait_for(lambda: server.pings >= 1, what="a ping, since no state keeps the connection alive")
            assert not server.violations
            assert under_test.host.counters["connectionsLost"] == 0


def test_dc_23_a_broker_that_ends_the_connection_for_a_result_gets_past_it(
    tmp_path: Path, quick_reconnect: None
) -> None:
    with scripted_broker() as server, running(tmp_path, server) as under_test:
        server.answer = refusing(3, lambda _message: disconnect(0x95))
        under_test.commit(6)
        wait_for(lambda: under_test.store.levels.quarantined == 1, 20)
        wait_for(lambda: under_test.store.levels.pending == 0)
        wait_for(lambda: under_test.condition("broker-offline") is None)
        assert under_test.store.levels.acknowledged_through == 6
        assert sum(sequence_of(message) == 3 for message in server.results()) == 5


def test_dc_23_a_broker_that_hangs_up_over_a_result_without_a_word_gets_past_it(
    tmp_path: Path, quick_reconnect: None
) -> None:
    """MQTT 3.1.1 knows no reason codes; a broker there ends the connection (3.1.1, clause 4.8), and says no more."""
    with scripted_broker() as server, running(tmp_path, server) as under_test:
        server.answer = refusing(3, lambda _message: None)  # then `_drop`
        server.hang_up = lambda message: message.topic.endswith("/v1/result") and sequence_of(message) == 3
        under_test.commit(6)
        wait_for(lambda: under_test.store.levels.quarantined == 1, 30)
        wait_for(lambda: under_test.store.levels.pending == 0)
        assert under_test.store.levels.acknowledged_through == 6
        [row] = [row for row in under_test.pump._reader.rows() if row.outbox == "quarantined"]
        assert (row.sequence, row.reason) == (3, "the broker ended the connection 5 times when it was sent alone")
        sent = [sequence_of(message) for message in server.results()]
        assert sent.count(3) == 6, "once among others, five times alone"
        assert set(sent[-3:]) == {4, 5, 6}


def test_dc_23_a_network_that_breaks_is_not_the_results_fault(tmp_path: Path, quick_reconnect: None) -> None:
    """The connection ends before the broker has answered anything: that says nothing of the result under way."""
    with scripted_broker() as server, running(tmp_path, server) as under_test:
        server.answer = lambda _message: None
        server.hang_up = lambda _message: True
        under_test.commit(3)
        wait_for(lambda: len(server.connected_at) > 12, 30)
        server.hang_up = lambda _message: False
        server.answer = lambda message: puback(message.packet_id)
        wait_for(lambda: under_test.store.levels.pending == 0)
        assert under_test.store.levels.quarantined == 0


def test_a_retained_message_that_was_refused_is_offered_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Access rules are mended while the station stays connected: what it is must not be missing until it reconnects."""
    monkeypatch.setattr(session, "AGAIN_S", 0.3)
    with scripted_broker() as server:
        server.answer = lambda message: puback(
            message.packet_id, 0x87 if message.topic.endswith("/v1/identification") else 0
        )
        with running(tmp_path, server) as under_test:
            wait_for(lambda: "v1/identification (0x87)" in (under_test.condition("publish-refused") or ""))
            server.answer = lambda message: puback(message.packet_id)
            wait_for(lambda: not under_test.condition("publish-refused"))
            offered = len(server.results("/v1/identification"))
            assert offered >= 2
            time.sleep(0.5)
            assert len(server.results("/v1/identification")) == offered, "once taken, not again"
            assert under_test.host.counters["connectionsLost"] == 0


@pytest.mark.parametrize("receive_maximum", [1, 2, 5, 8])
def test_dc_61_the_brokers_receive_maximum_is_kept_and_stops_nothing(tmp_path: Path, receive_maximum: int) -> None:
    with scripted_broker() as server:
        server.receive_maximum = receive_maximum
        server.connack = connack(receive_maximum=receive_maximum)
        server.answer_after_s = 0.005
        with running(tmp_path, server) as under_test:
            under_test.commit(40)
            wait_for(lambda: under_test.store.levels.pending == 0)
            wait_for(lambda: len(server.results("/v1/state")) >= 2, what="the present beside the backlog")
            assert [sequence_of(message) for message in server.results()] == list(range(1, 41))
            under_test.stop.set()
            under_test.pump.wake()
            wait_for(lambda: b'"shutdown"' in server.results("/v1/state")[-1].payload)
        assert not server.violations


# 0x84 unsupported version, 0x86 bad user name or password, 0x87 not authorized, 0x88 server unavailable, 0x89 busy,
# 0x9C use another server (MQTT 5.0, table 3-1).
def test_dc_64_a_refused_connection_says_why_and_is_tried_again_once_a_second_at_most(tmp_path: Path) -> None:
    words = {0x87: "Not authorized", 0x88: "Server unavailable", 0x86: "Bad user name or password"}
    with scripted_broker() as server:
        server.connack = connack(0x87)
        with running(tmp_path, server) as under_test:
            under_test.commit(2)
            for reason, text in words.items():
                server.connack = connack(reason)
                wait_for(lambda text=text: text in (under_test.condition("broker-offline") or ""), 15, text)
            assert under_test.store.levels.pending == 2
            server.connack = connack()
            wait_for(lambda: under_test.store.levels.pending == 0, 15)
            pauses = [later - earlier for earlier, later in itertools.pairwise(server.connected_at)]
            assert len(pauses) >= 3
            assert min(pauses) > 0.99
            assert all(server.clean_starts)


def test_the_brokers_own_keepalive_is_kept(tmp_path: Path) -> None:
    """MQTT 5.0, 3.2.2.3.14: the client uses the server's value instead of its own."""
    with scripted_broker() as server:
        server.connack = connack(keepalive_s=1)
        with running(tmp_path, server, keepalive_s=60) as under_test:
            wait_for(lambda: server.pings >= 2, 5)
            assert under_test.host.counters["connectionsLost"] == 0


def test_answers_to_nothing_are_ignored(tmp_path: Path) -> None:
    with scripted_broker() as server, running(tmp_path, server) as under_test:
        server.answer = lambda message: 2 * puback(message.packet_id) + puback(40_000) + puback(40_001, 0x95)
        under_test.commit(5)
        wait_for(lambda: under_test.store.levels.pending == 0)
        assert under_test.store.levels.quarantined == 0
        assert under_test.host.counters["connectionsLost"] == 0


BY_HAND = {
    "CONNACK once more": connack(),
    "CONNACK cut short": packet(CONNACK, b""),
    "CONNACK with a property of another packet": packet(CONNACK, b"\0\0\x02\x01\x01"),
    "CONNACK with an unknown property": packet(CONNACK, b"\0\0\x02\x7f\x01"),
    "CONNACK with a reason of no table": packet(CONNACK, b"\0\x55\0"),
    "PUBACK cut short": packet(PUBACK, b"\0"),
    "PUBACK with a reason of no table": packet(PUBACK, b"\0\1\x42\0"),
    "PUBLISH without a topic": packet(3, b""),
    "PUBLISH with a topic longer than itself": packet(3, b"\xff\xffabc"),
    "PUBLISH whose topic is no UTF-8": packet(3, b"\0\2\xff\xfe\0x"),
    "PUBLISH with properties longer than itself": packet(3, b"\0\1t\x7fx"),
    "PUBLISH at QoS 3": packet(3, b"\0\1t\0\1\0x", 0b0110),
    "PUBLISH on a wildcard": publish("a/#", b"x"),
    "SUBACK cut short": packet(9, b""),
    "SUBACK with a reason of no table": packet(9, b"\0\1\0\x42"),
    "DISCONNECT with a reason of no table": packet(14, b"\x42\0"),
    "AUTH": packet(15, b"\x18\0"),
    "a packet of the client's": packet(8, b"\0\1\0\0\1t\1"),
    "packet type 0": b"\0\0",
    "PINGRESP with a body": packet(13, b"xyz"),
    "a length of five digits": b"\x30\xff\xff\xff\xff\x01",
    "another protocol": b"HTTP/1.1 400 Bad Request\r\n\r\n",
}


def test_dc_64_nonsense_from_the_broker_costs_a_connection_at_most(tmp_path: Path, quick_reconnect: None) -> None:
    chance = random.Random(20260302)
    cases = list(BY_HAND.items())
    for number in range(GARBAGE):
        kind, flags = chance.randrange(16), chance.choice([0, 0, 0, 2])
        body = chance.randbytes(chance.randrange(24))
        cases.append((f"random {number}", packet(kind, body, flags)))
    with scripted_broker() as server, running(tmp_path, server) as under_test:
        under_test.commit(1)
        wait_for(lambda: under_test.store.levels.pending == 0)
        for name, raw in cases:
            server.send(raw)
            # A complete packet afterwards, so that an unfinished one is finished somehow.
            server.send(puback(1) * 20)
            under_test.commit(1)
            wait_for(lambda: under_test.store.levels.pending == 0, what=f"the result after {name}")
            assert under_test.thread.is_alive(), name
        wait_for(lambda: under_test.pump.connected)
        assert under_test.store.levels.last == len(cases) + 1
        assert under_test.store.levels.quarantined == 0
        assert under_test.condition("broker-offline") is None
        assert TOPIC  # the station's prefix, under which all of it went
