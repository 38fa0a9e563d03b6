"""`kill -9` at random moments, with parts arriving all the time: nothing lost, nothing double, no hole."""

from __future__ import annotations

import json
import random
import sqlite3
import threading
import time
from collections import defaultdict
from pathlib import Path

import pytest

from campaign_counts import campaign_count
from crosslay.testing.broker import RunningBroker
from station_harness import BusClient, bus_client, csv_bytes, sine_um, station, wait_for

pytestmark = [pytest.mark.broker, pytest.mark.campaign]

KILLS = campaign_count("CROSSLAY_KILLS", short=20, full=1000)
PARTS_PER_KILL = 2


def payloads_by_sequence(mes: BusClient) -> dict[int, set[bytes]]:
    seen: dict[int, set[bytes]] = defaultdict(set)
    for message in list(mes.messages):
        if message.topic.endswith("v1/result"):
            seen[json.loads(message.payload)["data"]["sequence"]].add(bytes(message.payload))
    return seen


@pytest.mark.timeout(60 + KILLS * 6)
def test_dc_11_kill_at_random_moments(tmp_path: Path, broker: RunningBroker) -> None:
    parts = KILLS * PARTS_PER_KILL
    chance = random.Random(20260302)
    content = csv_bytes(sine_um())
    with bus_client(broker.port) as mes, station(tmp_path, broker.port) as op30:
        # The MES goes away for seconds now and then while daemon and broker stay up.
        away = threading.Event()
        ended = threading.Event()

        def consume() -> None:
            acknowledged, kept = 0, 0
            while not ended.is_set():
                messages = [item for item in list(mes.messages) if item.topic.endswith("v1/result")]
                if not away.is_set():
                    for message in messages[kept:]:
                        data = json.loads(message.payload)["data"]
                        acknowledged = max(
                            acknowledged, data["sequence"] if data["sequence"] == acknowledged + 1 else 0
                        )
                        mes.send_ack(data["instanceId"], acknowledged)
                    kept = len(messages)
                time.sleep(0.01)

        consumer = threading.Thread(target=consume)
        consumer.start()
        try:
            for kill in range(KILLS):
                op30.start(wait=False)
                if kill % 5 == 2:
                    away.set()
                for number in range(PARTS_PER_KILL):
                    op30.drop(f"P-{kill * PARTS_PER_KILL + number:05d}.csv", content)
                    time.sleep(chance.uniform(0, 0.2))
                time.sleep(chance.uniform(0.2, 1.6))
                op30.kill()
                if kill % 5 == 4:
                    away.clear()
            away.clear()
            op30.start()
            wait_for(lambda: len(payloads_by_sequence(mes)) == parts, 60, f"all {parts} parts")
            wait_for(lambda: mes.state().get("backlog", {}).get("depth") == 0, 30)
            results = op30.results()
            assert op30.stop() == 0
        finally:
            ended.set()
            consumer.join()
        seen = payloads_by_sequence(mes)
        assert sorted(seen) == list(range(1, parts + 1)), "a sequence without holes"
        assert all(len(bodies) == 1 for bodies in seen.values()), "byte-identical on repeat (DC-05)"
        named = [json.loads(next(iter(bodies)))["data"]["partId"] for bodies in seen.values()]
        assert sorted(named) == [f"P-{number:05d}" for number in range(parts)], "every part once"
        assert [item["sequence"] for item in results] == list(range(1, parts + 1))
        assert not list(op30.incoming.glob("*.csv"))
        database = sqlite3.connect(op30.state_dir / "results.sqlite3")
        try:
            assert database.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
            assert database.execute("SELECT count(*) FROM outbox").fetchone() == (0,)
            hashes = database.execute("SELECT count(*) FROM trace").fetchone()
            assert hashes == (parts,)
        finally:
            database.close()
        sessions = [state["sessionNumber"] for state in mes.payloads("v1/state") if state.get("online")]
        assert sessions == sorted(sessions), "session numbers only grow (DC-62)"
