"""What comes in from outside is read, counted, and otherwise without effect: through the pump's own message path."""

from __future__ import annotations

import gc
import json
import random
import time
import uuid
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import psutil
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from paho.mqtt.client import MQTTMessage

from campaign_counts import campaign_count
from crosslay.bus.inbound import Allowance
from crosslay.bus.link import Address, Link, Outbound
from crosslay.bus.messages import MAX_INBOUND_BYTES, Acknowledgement
from crosslay.errors import BusError
from crosslay.testing.broker import RunningBroker
from pump_harness import PumpUnderTest
from scripted_broker import scripted_broker
from station_harness import TOPIC, bus_client, csv_bytes, sine_um, station, wait_for

ACK = f"{TOPIC}/v1/result/ack"
PAYLOADS = campaign_count("CROSSLAY_PAYLOADS", short=5_000, full=100_000)
FLOOD = campaign_count("CROSSLAY_FLOOD", short=2_000, full=20_000)
#: Higher than any number that these tests send.
FUTURE = 9_999_999_999_999_999


@pytest.fixture
def quiet(tmp_path: Path) -> Iterator[PumpUnderTest]:
    """A pump that is not connected, with three results that it takes for sent; nothing may be settled."""
    under_test = PumpUnderTest(tmp_path, 1)
    under_test.commit(3)
    under_test.pump._window.perhaps_sent_through = 3
    yield under_test
    under_test.close()


def standing(under_test: PumpUnderTest) -> tuple[Any, ...]:
    """All that an inbound message could change."""
    pump = under_test.pump
    window = pump._window
    return (
        under_test.store.levels, under_test.host.conditions.version, pump._noted_through, set(pump._noted),
        window.position, tuple(window.outstanding), window.perhaps_sent_through, window._deadline,
        len(pump._settled), under_test.host.renewals,
    )  # fmt: skip


class Nonsense:
    """Random payloads that are never a valid acknowledgement of the instance named."""

    def __init__(self, seed: int, instance_id: str) -> None:
        self._chance = random.Random(seed)
        self._instance_id = instance_id
        self._makers = (
            self._noise, self._words, self._altered, self._nested, self._numbers, self._foreign, self._too_large
        )  # fmt: skip

    def __iter__(self) -> Iterator[tuple[str, bytes | None]]:
        while True:
            yield self._topic(), self._chance.choice(self._makers)()

    def _topic(self) -> str:
        return ACK if self._chance.random() < 0.95 else f"{TOPIC}/v1/{self._chance.choice(['state', 'x/#', 'result'])}"

    def _noise(self) -> bytes:
        return self._chance.randbytes(self._chance.randrange(400))

    def _words(self) -> bytes:
        words = [*"{}[]:,", "null", "true", "1", "-0", "1e999", "NaN", "Infinity", "\ufeff", '"\\ud800"', '"reason"',
                 '"instanceId"', '"acknowledgedThrough"', '"rejected"', f'"{self._instance_id}"']  # fmt: skip
        return " ".join(self._chance.choices(words, k=self._chance.randrange(30))).encode()

    def _altered(self) -> bytes:
        """A word about the future, of our own instance, with one thing changed."""
        rejected = [{"sequence": FUTURE, "reason": "x"}] * self._chance.randrange(3)
        valid = {"instanceId": self._instance_id, "acknowledgedThrough": FUTURE, "rejected": rejected}
        payload = bytearray(json.dumps(valid).encode())
        place = self._chance.randrange(len(payload))
        change = self._chance.randrange(4)
        if change == 0:
            payload[place] ^= 1 << self._chance.randrange(8)
        elif change == 1:
            del payload[place:]
        elif change == 2:
            payload[place:place] = payload[: self._chance.randrange(len(payload))]
        return bytes(payload)

    def _nested(self) -> bytes:
        opening, closing = self._chance.choice([(b"[", b"]"), (b'{"a":', b"}")])
        depth = self._chance.randrange(1, 3000)
        inside = opening * depth + b"1" + closing * self._chance.choice([depth, 0])
        head = f'{{"instanceId":"{self._instance_id}","acknowledgedThrough":{FUTURE},"more":'.encode()
        return head + inside + b"}" if self._chance.random() < 0.5 else inside

    def _numbers(self) -> bytes:
        number = self._chance.choice(["9" * 4000, "-1", "1.0", "1e3", "0x10", "01", str(2**63), "true", '"1"', "[]"])
        return f'{{"instanceId":"{self._instance_id}","acknowledgedThrough":{number}}}'.encode()

    def _foreign(self) -> bytes:
        return json.dumps({"instanceId": str(uuid.UUID(int=self._chance.getrandbits(128))),
                           "acknowledgedThrough": self._chance.randrange(5)}).encode()  # fmt: skip

    def _too_large(self) -> bytes | None:
        """As the link hands over what was too large."""
        return None


@pytest.mark.campaign
@pytest.mark.parametrize("allowance", [Allowance(), Allowance(burst=1e12)], ids=["as shipped", "without the limit"])
def test_random_payloads_change_nothing_are_counted_and_take_no_memory(
    quiet: PumpUnderTest, allowance: Allowance, request: pytest.FixtureRequest
) -> None:
    quiet.pump._inbox._allowance = allowance
    seed = random.randrange(2**32)
    request.node.add_report_section("call", "seed", str(seed))
    before, process = standing(quiet), psutil.Process()
    payloads = iter(Nonsense(seed, quiet.store.levels.instance_id))
    resident = []
    for number in range(PAYLOADS):
        quiet.pump._on_message(*next(payloads))
        if number in {PAYLOADS // 5, PAYLOADS - 1}:
            gc.collect()
            resident.append(process.memory_info().rss)
    counted = quiet.host.counters
    print(f"seed {seed}: {PAYLOADS} payloads, resident {resident[-1] - resident[0]:+d} bytes, {dict(counted)}")
    assert standing(quiet) == before
    assert sum(counted.values()) == PAYLOADS
    assert set(counted) <= {"ackMalformed", "ackForeignInstance", "ackFuture", "inboundUnexpected", "inboundTooLarge",
                            "inboundDropped"}  # fmt: skip
    assert resident[-1] - resident[0] < 4_000_000


# Numbers that are a valid word of this instance are left out; everything else may come.
JSON = st.recursive(
    st.none() | st.booleans() | st.floats() | st.text(max_size=20) | st.integers().filter(lambda n: not 0 <= n <= 3),
    lambda inside: st.lists(inside, max_size=4) | st.dictionaries(
        st.sampled_from(["instanceId", "acknowledgedThrough", "rejected", "sequence", "reason"]) | st.text(max_size=5),
        inside, max_size=5,
    ),
    max_leaves=20,
)  # fmt: skip


@pytest.mark.campaign
def test_structured_payloads_change_nothing_and_are_counted(quiet: PumpUnderTest) -> None:
    quiet.pump._inbox._allowance = Allowance(burst=1e12)
    own = quiet.store.levels.instance_id
    before, taken = standing(quiet), [0]

    @settings(max_examples=max(200, PAYLOADS // 20), deadline=None, suppress_health_check=list(HealthCheck))
    @given(value=JSON, ours=st.booleans())
    def judge(value: Any, ours: bool) -> None:
        if ours and isinstance(value, dict):
            value = {**value, "instanceId": own}
        quiet.pump._on_message(ACK, json.dumps(value).encode())
        taken[0] += 1

    judge()
    assert standing(quiet) == before
    assert sum(quiet.host.counters.values()) == taken[0]


class TestShapes:
    @pytest.mark.parametrize(
        "payload",
        [
            b"[" * 65_000,
            b'{"a":' * 10_000 + b"1" + b"}" * 10_000,
            b'{"instanceId":"%s","acknowledgedThrough":1,"more":' + b"[" * 20_000 + b"]" * 20_000 + b"}",
            b'{"instanceId":"%s","acknowledgedThrough":' + b"1" * 60_000 + b"}",
            b'{"instanceId":"%s","acknowledgedThrough":1e' + b"9" * 60_000 + b"}",
            b'{"instanceId":"' + b"\\u0061" * 10_000 + b'","acknowledgedThrough":1}',
            b'{"instanceId":"%s","acknowledgedThrough":1,"rejected":[' + b"{}," * 20_000 + b"{}]}",
            b'{"instanceId":"%s","acknowledgedThrough":1,"rejected":[' + b'{"sequence":1,"reason":""},' * 1_000
            + b'{"sequence":1,"reason":""}]}',
        ],
        ids=["deep list", "deep object", "deep unknown field", "long number", "long exponent", "long text", "long list",
             "one rejection too many"],
    )  # fmt: skip
    def test_the_parser_has_its_limits(self, quiet: PumpUnderTest, payload: bytes) -> None:
        before = standing(quiet)
        payload = payload.replace(b"%s", quiet.store.levels.instance_id.encode())
        assert len(payload) <= MAX_INBOUND_BYTES
        quiet.pump._on_message(ACK, payload)
        assert standing(quiet) == before
        assert quiet.host.counters == {"ackMalformed": 1}

    def test_a_reason_cannot_speak_to_a_terminal(self) -> None:
        said = {"sequence": 1, "reason": "no\x1b[2Jjob\n\u202eevil\x00"}
        message = Acknowledgement.model_validate_json(
            json.dumps({"instanceId": "x", "acknowledgedThrough": 1, "rejected": [said]})
        )
        assert message.rejected[0].reason == "no [2Jjob  evil "


class TestLimit:
    def word(self, under_test: PumpUnderTest, through: int) -> bytes:
        return json.dumps({"instanceId": under_test.store.levels.instance_id, "acknowledgedThrough": through}).encode()

    def test_a_flood_is_dropped_unread_and_the_mes_gets_through(self, quiet: PumpUnderTest) -> None:
        for _ in range(20_000):
            quiet.pump._on_message(ACK, b'{"instanceId":"somebody else"}')
        quiet.pump._on_message(ACK, self.word(quiet, 2))
        assert quiet.store.levels.acknowledged_through == 2
        counted = quiet.host.counters
        assert counted["ackMalformed"] + counted["inboundDropped"] == 20_000
        # 100 at once and 20 a second: far fewer are read than a flood has, however slow this computer is.
        assert counted["ackMalformed"] < 2_000

    def test_valid_words_are_never_limited(self, quiet: PumpUnderTest) -> None:
        for _ in range(5_000):
            quiet.pump._on_message(ACK, self.word(quiet, 1))
        assert quiet.host.counters == {}
        for _ in range(1_000):
            quiet.pump._on_message(ACK, b"nonsense")
        quiet.host.counters.clear()
        for through in (1, 2, 3):
            quiet.pump._on_message(ACK, self.word(quiet, through))
        assert (quiet.store.levels.acknowledged_through, quiet.host.counters) == (3, {})

    def test_the_allowance_comes_back_with_time(self) -> None:
        allowance = Allowance(burst=3, per_s=2)
        for _ in range(3):
            assert not allowance.used_up(100.0)
            allowance.take(100.0)
        assert allowance.used_up(100.0)
        assert allowance.used_up(100.4)
        assert not allowance.used_up(100.5)
        assert not allowance.used_up(500.0)
        for _ in range(3):
            allowance.take(500.0)
        assert allowance.used_up(500.0), "never more than the burst"


@pytest.mark.broker
class TestThroughABroker:
    def test_what_is_too_large_is_counted_or_never_sent_by_the_broker(
        self, tmp_path: Path, broker: RunningBroker
    ) -> None:
        under_test = PumpUnderTest(tmp_path, broker.port)
        try:
            with bus_client(broker.port) as mes:
                under_test.thread.start()
                under_test.commit(2)
                wait_for(lambda: len(mes.results()) == 2)
                mes.publish("v1/result/ack", b"x" * (MAX_INBOUND_BYTES + 1))
                wait_for(lambda: under_test.host.counters["inboundTooLarge"] == 1)
                for megabytes in (1, 10):
                    mes.publish("v1/result/ack", b"x" * (megabytes << 20))
                mes.send_ack(under_test.store.levels.instance_id, 2)
                wait_for(lambda: under_test.store.levels.pending == 0)
                assert under_test.host.counters == {"inboundTooLarge": 1}
        finally:
            under_test.close()

    def test_a_flood_at_the_real_daemon(self, tmp_path: Path, broker: RunningBroker) -> None:
        with bus_client(broker.port, acknowledge=True) as mes, station(tmp_path, broker.port) as op30:
            op30.start()
            daemon = psutil.Process(op30.process.pid)
            op30.drop("P-1.csv", csv_bytes(sine_um()))
            wait_for(mes.results)
            payloads = iter(Nonsense(1, mes.state()["instanceId"]))
            resident = 0
            sent = 0
            while sent < FLOOD:
                topic, payload = next(payloads)
                if topic == ACK:
                    mes.publish("v1/result/ack", payload or b"x" * (MAX_INBOUND_BYTES + 1))
                    sent += 1
                if sent == FLOOD // 4:
                    resident = resident or daemon.memory_info().rss
                if sent == FLOOD // 2:
                    op30.drop("P-2.csv", csv_bytes(sine_um()))
            wait_for(lambda: "P-2" in {item["data"]["partId"] for item in mes.results()}, 30)
            wait_for(lambda: mes.state()["acknowledgedThrough"] == 2, 30)

            def counted() -> int:
                names = {"ackMalformed", "ackForeignInstance", "ackFuture", "inboundTooLarge", "inboundDropped"}
                return sum(number for name, number in mes.state()["counters"].items() if name in names)

            wait_for(lambda: counted() == FLOOD, 30, "every message counted")
            grown = daemon.memory_info().rss - resident
            print(f"{FLOOD} messages, resident {grown:+d} bytes")
            assert grown < 8_000_000
            assert op30.stop() == 0
            assert b"Traceback" not in op30.log.read_bytes()


class TestLink:
    @pytest.fixture
    def link(self) -> Link:
        address = Address(host="127.0.0.1", port=1, protocol="5", keepalive_s=10, client_id="x")
        return Link(address, will=Outbound(topic="t", payload=b""))

    def test_what_waits_to_be_read_is_bounded(self, link: Link) -> None:
        for size, number in ((60_000, 200), (0, 20_000)):
            for _ in range(number):
                link._on_message(None, None, message(ACK, b"x" * size))
            waiting = link.take_received()
            assert sum(len(payload or b"") for _topic, payload in waiting) < 5_000_000
            assert len(waiting) < 10_000
            assert len(waiting) + link.dropped == number
            link.dropped = 0

    def test_a_topic_that_is_no_text_is_no_fault(self, link: Link) -> None:
        link._on_message(None, None, message(b"\xff\xfe", b""))
        assert link.take_received() == [("", b"")]

    def test_a_packet_of_many_megabytes_ends_the_connection_at_its_begin(self) -> None:
        with scripted_broker() as broker:
            address = Address(host="127.0.0.1", port=broker.port, protocol="5", keepalive_s=10, client_id="x")
            link = Link(address, will=Outbound(topic="t", payload=b""))
            try:
                link.connect()
                # PUBLISH with the largest remaining length that MQTT can write (MQTT 5.0, clauses 1.5.5 and 2.1.4).
                broker.send(b"\x30\xff\xff\xff\x7f" + b"x" * 1000)
                with pytest.raises(BusError, match="sends a packet of 268435455 bytes"):
                    step_for(link, 10)
            finally:
                link.close()


def step_for(link: Link, seconds: float) -> None:
    deadline = time.monotonic() + seconds
    while time.monotonic() < deadline:
        link.step(0.1, None)


def message(topic: str | bytes, payload: bytes) -> Any:
    made = MQTTMessage(topic=topic.encode() if isinstance(topic, str) else topic)
    made.payload = payload
    return made
