"""The stranger's consumer receives every result through a storm of faults: kills of all three, and a bad network."""

from __future__ import annotations

import random
import sqlite3
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest

from bulk_store import bulk_store
from campaign_counts import campaign_count
from crosslay.testing.broker import RunningBroker
from fault_proxy import Fault, FaultProxy, fault_proxy
from station_harness import TOPIC, StationUnderTest, station, wait_for

pytestmark = [pytest.mark.broker, pytest.mark.campaign]

RESULTS = campaign_count("CROSSLAY_STRANGER", short=300, full=10_000)
#: This share waits in the store at the beginning; the others are measured during the storm.
WAITING = 0.8
SCRIPT = Path(__file__).with_name("stranger_mes.py")
STATION = """
[station]
name = "op30"
topic = "{topic}"
state_dir = "state"

[gauge]
adapter = "simulated"
traverse_s = 0
interval_s = {interval_s}
ra_um = 0.5

[bus]
host = "127.0.0.1"
port = {port}
keepalive_s = 2
resend_after_s = 1.0

[[characteristic]]
name = "journal"
callout = "Ra 0.8"
"""


class Stranger:
    """The script in a process of its own."""

    def __init__(self, port: int, database: Path) -> None:
        self._command = [sys.executable, str(SCRIPT), str(port), TOPIC, str(database)]
        self.database = database
        self.start()

    def start(self) -> None:
        self._process = subprocess.Popen(self._command)

    def kill(self) -> None:
        self._process.kill()
        self._process.wait()

    def rows(self) -> dict[tuple[str, int], bytes]:
        if not self.database.exists():
            return {}
        with closing(sqlite3.connect(self.database)) as connection:
            return {
                (instance, sequence): payload
                for instance, sequence, payload in connection.execute("SELECT instance, sequence, payload FROM result")
            }


@contextmanager
def stranger(port: int, database: Path) -> Iterator[Stranger]:
    made = Stranger(port, database)
    try:
        yield made
    finally:
        made.kill()


def stored(op30: StationUnderTest) -> dict[int, bytes]:
    with closing(sqlite3.connect(f"file:{op30.state_dir / 'results.sqlite3'}?mode=ro", uri=True)) as connection:
        return dict(connection.execute("SELECT sequence, payload FROM result"))


def left(op30: StationUnderTest) -> int:
    with closing(sqlite3.connect(f"file:{op30.state_dir / 'results.sqlite3'}?mode=ro", uri=True)) as connection:
        return int(connection.execute("SELECT count(*) FROM outbox").fetchone()[0])


def strikes(
    op30: StationUnderTest, broker: RunningBroker, proxy: FaultProxy, mes: Stranger
) -> dict[str, Callable[[], None]]:
    def daemon_killed() -> None:
        op30.kill()
        op30.start()

    def broker_killed() -> None:
        broker.kill()
        time.sleep(0.2)
        broker.start()

    def mes_killed() -> None:
        mes.kill()
        time.sleep(0.2)
        mes.start()

    def black_hole() -> None:
        proxy.fault = chance.choice([Fault.BLACK_HOLE, Fault.DEAF, Fault.MUTE])
        time.sleep(chance.uniform(0.2, 2.0))
        proxy.heal()

    chance = random.Random(7)
    return {
        "the daemon is killed": daemon_killed,
        "the broker is killed": broker_killed,
        "the MES is killed": mes_killed,
        "a black hole": black_hole,
        "a reset": proxy.reset,
        "half open": proxy.half_open,
        "a cut packet": lambda: proxy.cut_after(chance.randrange(1, 3000)),
    }


@pytest.mark.timeout(200 + RESULTS)
def test_a_strangers_consumer_receives_everything_through_a_storm(tmp_path: Path, broker: RunningBroker) -> None:
    instance = bulk_store(tmp_path / "state", int(RESULTS * WAITING))
    struck: Counter[str] = Counter()
    with fault_proxy(broker.port) as proxy:
        text = STATION.format(topic=TOPIC, port=proxy.port, interval_s=0.05)
        with station(tmp_path, proxy.port, text=text) as op30, stranger(broker.port, tmp_path / "mes.sqlite3") as mes:
            op30.start()
            possible = strikes(op30, broker, proxy, mes)
            chance = random.Random(20260302)
            deck: list[str] = []
            while len(stored(op30)) < RESULTS or len(struck) < len(possible):
                time.sleep(chance.uniform(0.1, 1.5))
                deck = deck or chance.sample(list(possible), len(possible))
                name = deck.pop()
                possible[name]()
                struck[name] += 1
            op30.kill()
            op30.file.write_text(STATION.format(topic=TOPIC, port=proxy.port, interval_s=3600))
            op30.start()
            wait_for(lambda: left(op30) == 0, 60 + RESULTS / 100, "the end of the backlog")
            results, received = stored(op30), mes.rows()
            assert op30.stop() == 0
        print(f"\n{len(results):,} results through {sum(struck.values())} strikes: {dict(struck)}")
        assert sorted(results) == list(range(1, len(results) + 1)), "no hole in the station"
        assert set(received) == {(instance, sequence) for sequence in results}, "and none outside"
        assert all(received[instance, sequence] == payload for sequence, payload in results.items()), "byte by byte"


def test_the_script_is_short() -> None:
    text = SCRIPT.read_text().splitlines()
    assert len([line for line in text if line.strip() and not line.startswith(('"""', "import"))]) <= 30
