"""`kill -9` at random moments, with parts arriving all the time: nothing lost, nothing double, no hole."""

from __future__ import annotations

import json
import random
import sqlite3
import time
from contextlib import closing
from pathlib import Path

import pytest

from campaign_counts import campaign_count
from counting_mes import WINDOW, counting_mes
from crosslay.testing.broker import RunningBroker
from faults import take_at_once
from station_harness import csv_bytes, sine_um, station, wait_for

pytestmark = [pytest.mark.broker, pytest.mark.campaign]

KILLS = campaign_count("CROSSLAY_KILLS", short=6, full=1000)
PARTS_PER_KILL = 2


@pytest.mark.timeout(60 + KILLS * 6)
def test_dc_11_kill_at_random_moments(tmp_path: Path, broker: RunningBroker) -> None:
    parts = KILLS * PARTS_PER_KILL + 1
    chance = random.Random(20260302)
    content = csv_bytes(sine_um())
    with counting_mes(broker.port) as mes, station(tmp_path, broker.port) as op30:
        take_at_once(op30)
        # Without a retained anchor each start would wait two seconds for one (DC-44) before it sends anything.
        op30.start()
        op30.drop("P-first.csv", content)
        assert mes.anchored.wait(15)
        op30.kill()
        for kill in range(KILLS):
            # Mostly into the work, every fourth time into the start.
            op30.start(wait=kill % 4 != 3)
            # The MES is away for a few kills now and then, or until more than a window of results waits.
            if kill % 5 in {2, 3} or 12 <= kill % 40 < 34:
                mes.go_away()
            else:
                mes.come_back()
            for number in range(PARTS_PER_KILL):
                op30.drop(f"P-{kill * PARTS_PER_KILL + number:05d}.csv", content)
                time.sleep(chance.uniform(0, 0.1))
            time.sleep(chance.uniform(0, 0.5))
            op30.kill()
        mes.come_back()
        op30.start()
        wait_for(lambda: mes.acknowledged_through == parts, 60 + parts * 0.1, f"all {parts} parts")
        wait_for(lambda: mes.state["backlog"]["depth"] == 0, 30)
        results = op30.results()
        assert op30.stop() == 0
        seen = mes.payloads()
        named = mes.parts()
        repeats = mes.most_repeats()
        print(
            f"\n{KILLS} kills, {parts} parts: {parts - len(set(named))} lost, {mes.doubled()} double after dedupe, "
            f"at most {repeats} repeats after one kill"
        )
        assert sorted(seen) == list(range(1, parts + 1)), "a sequence without holes"
        assert all(len(bodies) == 1 for bodies in seen.values()), "byte-identical on repeat (DC-05)"
        expected = [*(f"P-{number:05d}" for number in range(parts - 1)), "P-first"]
        assert sorted(named) == expected, "every part once"
        assert repeats <= WINDOW, "no more repeats after a kill than the window holds (DC-32)"
        assert [item["sequence"] for item in results] == list(range(1, parts + 1))
        assert not list(op30.incoming.glob("*.csv"))
        with closing(sqlite3.connect(op30.state_dir / "results.sqlite3")) as database:
            assert database.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
            assert database.execute("SELECT count(*) FROM outbox").fetchone() == (0,)
            payloads = dict(database.execute("SELECT sequence, payload FROM result"))
            assert payloads == {sequence: min(bodies) for sequence, bodies in seen.items()}
            hashes = database.execute("SELECT count(*) FROM trace").fetchone()
            assert hashes == (parts,)
        sessions = list(mes.sessions)
        assert sessions == sorted(sessions), "session numbers only grow (DC-62)"
        assert all(json.loads(body)["data"]["sequence"] == number for number, body in payloads.items())
