"""Power cuts: the real daemon's writes are recorded, and every kind of disk that a cut can leave is opened again.

What the daemon had said at that moment must be true of the store afterwards: results that it had published, logged, or
whose trace file it had moved away are there, byte for byte; nothing is acknowledged that the MES has not acknowledged.
"""

from __future__ import annotations

import json
import random
import tempfile
from collections import defaultdict
from dataclasses import dataclass, field
from itertools import groupby
from pathlib import Path

import numpy as np
import pytest

import altered_store
from announced import Promises
from campaign_counts import campaign_count
from counting_mes import CountingMes, counting_mes
from crosslay.record.reader import Reader
from crosslay.record.store import FILE_NAME
from crosslay.testing.broker import RunningBroker
from cut_checks import problems_of, rows
from faults import needs_strace, take_at_once
from power_cut import Cut, CutState
from recorded_station import Recording, Replay, TracedStation
from station_harness import StationUnderTest, bus_client, csv_bytes, sine_um, station, wait_for

pytestmark = [pytest.mark.broker, pytest.mark.campaign, needs_strace]

STATES = campaign_count("CROSSLAY_CUTS", short=60, full=2000)
PARTS = campaign_count("CROSSLAY_CUT_PARTS", short=32, full=160)
#: With few parts the WAL is folded into the database earlier than it would be, so that this is in the recording.
ALTERED = "checkpoint=200" if PARTS < 100 else ""
SEED = 20260302


def measure(op30: StationUnderTest, first: int, number: int) -> None:
    """Drop so many different parts and wait until they are stored."""
    chance = np.random.default_rng(first)
    for count in range(first, first + number):
        op30.drop(f"P-{count:04d}.csv", csv_bytes(sine_um() + 0.01 * chance.standard_normal(9601)))
    wait_for(lambda: not list(op30.incoming.glob("*.csv")), 20 + number, "the parts to be stored")


def record_a_shift(folder: Path, broker: RunningBroker, parts: int, *words: str) -> Recording:
    """A station from its first start: parts, acknowledgements, checkpoints, `kill -9`, restart, orderly end."""
    assert parts % 4 == 0
    with counting_mes(broker.port) as mes, station(folder, broker.port) as op30:
        take_at_once(op30)
        recorder = TracedStation(op30, *words)
        with recorder.process():
            measure(op30, 0, parts // 4)
            wait_for(lambda: mes.acknowledged_through == parts // 4)
            mes.go_away()
            measure(op30, parts // 4, parts // 4)
            op30.kill()
        mes.come_back()
        with recorder.process():
            measure(op30, parts // 2, parts - parts // 2)
            drained(mes, parts)
            assert op30.stop() == 0
        return recorder.recording()


def record_a_renewal(folder: Path, broker: RunningBroker) -> tuple[Recording, dict[tuple[str, int], bytes]]:
    """A station that owes six results finds out that it was rolled back; also what the old database held."""
    with station(folder, broker.port) as op30:
        take_at_once(op30)
        recorder = TracedStation(op30)
        op30.start()
        measure(op30, 0, 6)
        op30.kill()  # so that the six lie in the WAL alone
        reader = Reader(op30.state_dir)
        instance = reader.levels().instance_id
        owed = {(instance, row.sequence): row.payload for row in reader.rows()}
        reader.close()
        with bus_client(broker.port) as other:
            anchor = {"instanceId": instance, "sessionNumber": 7, "lastSequence": 1000}
            other.publish("v1/anchor", json.dumps(anchor), retain=True)
            wait_for(lambda: other.payloads("v1/anchor"))
        with counting_mes(broker.port) as mes, recorder.process():
            wait_for(lambda: mes.state.get("acknowledgedThrough") == 7, 30, "the gap record and the six again")
            measure(op30, 6, 3)
            drained(mes, 10)
            assert op30.stop() == 0
        return recorder.recording(), owed


def record_failing_syncs(folder: Path, broker: RunningBroker) -> Recording:
    """Syncs fail twice, the station goes on; then all fail, the process is killed, and another goes on.

    strace counts the calls of each thread: the numbers lie beyond the syncs of the start, in those of the results.
    """
    with counting_mes(broker.port) as mes, station(folder, broker.port) as op30:
        take_at_once(op30)
        recorder = TracedStation(op30)
        with recorder.process("-e", "inject=fdatasync:error=EIO:when=19..20"):
            measure(op30, 0, 24)
            drained(mes, 24)
            assert b'"event": "store-works-again"' in op30.log.read_bytes()
            op30.kill()
        with recorder.process("-e", "inject=fdatasync:error=EIO:when=8+"):
            for number in range(24, 34):
                op30.drop(f"P-{number:04d}.csv", csv_bytes(sine_um()))
            wait_for(lambda: op30.log.read_bytes().count(b'"event": "store-failed"') == 2, 20, "the second failure")
            op30.kill()
        with recorder.process():
            measure(op30, 34, 4)
            drained(mes, 38)
            assert op30.stop() == 0
        return recorder.recording()


def drained(mes: CountingMes, through: int) -> None:
    wait_for(lambda: mes.state.get("acknowledgedThrough") == through and mes.state["backlog"]["depth"] == 0, 30)


# -- the cuts -----------------------------------------------------------------------------------------------------


def chosen(kinds: list[str], number: int, chance: random.Random) -> dict[int, list[Cut]]:
    """Which steps to cut at and how: every kind of step with every kind of cut in turn, and as many anywhere."""
    by_kind: dict[str, list[int]] = defaultdict(list)
    for step, kind in enumerate(kinds):
        by_kind[kind].append(step)
    picked: dict[int, list[Cut]] = defaultdict(list)
    names, cuts = sorted(by_kind), list(Cut)
    for count in range(number):
        cut = cuts[count % len(cuts)]
        step = chance.choice(by_kind[names[count % len(names)]]) if count % 2 else chance.randrange(len(kinds))
        picked[step].append(cut)
    return picked


@dataclass(slots=True)
class Outcome:
    """Figures of one campaign."""

    states: int = 0
    lost: int = 0
    corrupt: int = 0
    broken: int = 0
    first: str = ""
    kinds: list[str] = field(default_factory=list, repr=False)

    def note(self, found: list[str], where: str) -> None:
        """Count one state."""
        self.states += 1
        self.lost += any(item.startswith("lost") for item in found)
        self.corrupt += any(item.startswith("corrupt") for item in found)
        self.broken += any(item.startswith("broken") for item in found)
        if found and not self.first:
            self.first = f"{where}: {found[:3]}"


def cut_everywhere(
    recording: Recording, number: int, truth: dict[str, bytes], already: dict[tuple[str, int], bytes] | None = None
) -> Outcome:
    """Try at least `number` different states; the same disk with the same promises counts once."""
    replay = Replay(recording, already or {})
    kinds = [kind for kind, _, _ in replay.steps()]
    chance = random.Random(SEED)
    picked = chosen(kinds, number * 3, chance)
    outcome, seen = Outcome(kinds=kinds), set()
    for step, (kind, disk, promises) in enumerate(replay.steps()):
        for cut in picked.get(step, ()):
            state = disk.state(cut, chance)
            key = (state.key(), promises.number)
            if key in seen:
                continue
            seen.add(key)
            outcome.note(opened(state, promises, truth), f"after step {step} ({kind}), {cut.value}")
    return outcome


def opened(state: CutState, promises: Promises, truth: dict[str, bytes]) -> list[str]:
    memory = "/dev/shm"
    with tempfile.TemporaryDirectory(dir=memory if Path(memory).is_dir() else None) as folder:
        state.write(Path(folder))
        return problems_of(Path(folder) / "state", promises, truth)


@pytest.mark.timeout(120 + STATES)
def test_dc_10_no_power_cut_loses_what_was_announced(
    tmp_path: Path, broker: RunningBroker, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(altered_store.VARIABLE, ALTERED)
    recording = record_a_shift(tmp_path, broker, PARTS, *([altered_store.__file__] if ALTERED else []))
    truth = rows(recording.root / "state" / FILE_NAME)
    assert len(truth) == PARTS
    outcome = cut_everywhere(recording, STATES, truth)
    print(f"\npower cuts, synchronous=FULL: {outcome}")
    assert outcome.states >= STATES
    written = [kind for kind in outcome.kinds if kind.startswith(f"write state/{FILE_NAME}") and "journal" not in kind]
    assert len(list(groupby(written))) >= 7, "the WAL was folded into the database and begun anew, again and again"
    assert (outcome.lost, outcome.corrupt, outcome.broken) == (0, 0, 0), outcome.first


@pytest.mark.timeout(120 + STATES)
def test_the_same_cuts_find_the_losses_of_weaker_syncing(
    tmp_path: Path, broker: RunningBroker, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(altered_store.VARIABLE, "synchronous=NORMAL")
    recording = record_a_shift(tmp_path, broker, PARTS // 2, altered_store.__file__)
    outcome = cut_everywhere(recording, STATES // 2, rows(recording.root / "state" / FILE_NAME))
    print(f"\npower cuts, synchronous=NORMAL: {outcome}")
    assert outcome.lost > outcome.states // 10, "a test that finds nothing here proves nothing above"
    assert outcome.corrupt == 0, outcome.first


@pytest.mark.timeout(120 + STATES)
def test_dc_44_a_power_cut_during_renewal_loses_nothing_owed(tmp_path: Path, broker: RunningBroker) -> None:
    recording, owed = record_a_renewal(tmp_path, broker)
    truth = rows(recording.root / "state" / FILE_NAME)
    assert len(truth) == 10
    outcome = cut_everywhere(recording, STATES // 2, truth, owed)
    print(f"\npower cuts, database made anew: {outcome}")
    assert outcome.states >= STATES // 2
    assert (outcome.lost, outcome.corrupt, outcome.broken) == (0, 0, 0), outcome.first


@pytest.mark.timeout(120 + STATES)
def test_no_power_cut_after_failed_syncs_loses_what_was_announced(tmp_path: Path, broker: RunningBroker) -> None:
    recording = record_failing_syncs(tmp_path, broker)
    truth = rows(recording.root / "state" / FILE_NAME)
    assert len(truth) == 38
    outcome = cut_everywhere(recording, STATES // 2, truth)
    print(f"\npower cuts after failed syncs: {outcome}")
    assert outcome.kinds.count(f"failed sync state/{FILE_NAME}-wal") >= 2
    assert (outcome.lost, outcome.corrupt, outcome.broken) == (0, 0, 0), outcome.first
