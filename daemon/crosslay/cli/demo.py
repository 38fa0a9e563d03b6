"""``crosslay demo``: the whole loop on this computer, from a simulated gauge to an MES stand-in.

Every actor is a process of its own, as in a plant: broker, MES consumer, daemon. This process starts them, watches the
bus and the lamps as a bystander, and counts both sides at the end.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import ExitStack, closing, contextmanager
from pathlib import Path
from types import FrameType
from typing import Any

from crosslay.errors import CrosslayError, UsageError
from crosslay.record.reader import Reader
from crosslay.testing import child_process
from crosslay.testing.broker import RunningBroker, find_broker, running_broker
from crosslay.testing.demo_scenario import INTERVAL_S, PARTS, TOPIC, TRAVERSE_S, Scenario
from crosslay.testing.demo_screen import Balance, JsonScreen, Screen, TextScreen
from crosslay.testing.demo_watch import PartSeen, Watch

#: A slow board takes some seconds to import numpy and scipy.
_START_TIMEOUT_S = 60.0
_PART_TIMEOUT_S = 20.0
_SETTLE_TIMEOUT_S = 10.0
#: What a service manager gave to this process is not meant for the children.
_NOT_INHERITED = ("NOTIFY_SOCKET", "WATCHDOG_USEC", "WATCHDOG_PID", "STATE_DIRECTORY", "RUNTIME_DIRECTORY",
                  "CREDENTIALS_DIRECTORY")


class DemoError(CrosslayError):
    """The demo could not be played to its end; the text says what failed and where the logs are."""

    exit_code = 1


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    parser.add_argument("--json", action="store_true", help="one JSON object per line instead of a table")
    parser.add_argument("--keep", action="store_true", help="keep the folder with station file, databases and logs")
    parser.add_argument("--parts", type=int, default=PARTS, metavar="N", help=f"number of parts (default {PARTS})")


def run(arguments: argparse.Namespace) -> int:
    """Play the demo; 0 where both sides have the same and every light was right, 1 otherwise."""
    if not 1 <= arguments.parts <= 1000:
        raise UsageError(f"--parts is {arguments.parts}; 1 to 1000 are possible")
    screen: Screen = JsonScreen(sys.stdout) if arguments.json else TextScreen(sys.stdout)
    with _ending_on_signals(), _folder(keep=arguments.keep) as folder:
        scenario = Scenario(folder=folder, parts=arguments.parts)
        try:
            parts, balance = _play(scenario, screen)
        except CrosslayError as error:
            raise DemoError(f"the demo failed: {error}. Logs: {folder}") from error
        finally:
            screen.leave()
        screen.end(parts, balance)
        good = balance.agrees and all(part.light_is_right for part in parts)
        if not good:
            raise DemoError(f"the demo failed: not everything is as it must be, see above. Logs: {folder}")
    return 0


@contextmanager
def _ending_on_signals() -> Iterator[None]:
    """Let a request to end unwind this process, so that it ends its children; Ctrl-C does so by itself."""
    def end(number: int, _frame: FrameType | None) -> None:
        raise SystemExit(128 + number)

    before = {number: signal.signal(number, end) for number in (signal.SIGTERM, signal.SIGHUP)}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


@contextmanager
def _folder(*, keep: bool) -> Iterator[Path]:
    """A folder for the run. After a failure it stays, because it holds the logs."""
    folder = Path(tempfile.mkdtemp(prefix="crosslay-demo-"))
    try:
        yield folder
    except DemoError:
        raise
    except BaseException:
        _remove(folder, keep=keep)
        raise
    _remove(folder, keep=keep)


def _remove(folder: Path, *, keep: bool) -> None:
    if not keep:
        shutil.rmtree(folder, ignore_errors=True)


def _play(scenario: Scenario, screen: Screen) -> tuple[list[PartSeen], Balance]:
    with ExitStack() as stack:
        broker = stack.enter_context(running_broker(find_broker(), folder=scenario.folder))
        scenario.lay_out(host=broker.host, port=broker.port, protocol=broker.program.protocol)
        mes = _start_mes(stack, scenario, broker)
        watch = stack.enter_context(closing(Watch(scenario, broker)))
        watch.open()
        daemon = _start_daemon(stack, scenario)
        screen.begin(scenario, broker)
        parts = _follow(watch, screen, scenario, {"daemon": daemon, "MES consumer": mes})
        _stop_in_order(scenario, daemon, mes)
        return parts, _count(scenario)


def _start_mes(stack: ExitStack, scenario: Scenario, broker: RunningBroker) -> subprocess.Popen[bytes]:
    log = stack.enter_context(scenario.mes_log.open("wb"))
    process = child_process.spawn(
        [sys.executable, "-P", "-m", "crosslay.testing.mes_consumer", "--port", str(broker.port), "--topic", TOPIC,
         "--database", scenario.mes_database, "--protocol", broker.program.protocol],
        output=log, environment=_environment(), folder=scenario.folder,
    )
    stack.callback(child_process.stop, process)
    return process


def _start_daemon(stack: ExitStack, scenario: Scenario) -> subprocess.Popen[bytes]:
    log = stack.enter_context(scenario.daemon_log.open("wb"))
    process = child_process.spawn(
        [sys.executable, "-P", "-m", "crosslay.cli.main", "run", scenario.station_file],
        output=log, environment=_environment(), folder=scenario.folder,
    )
    stack.callback(child_process.stop, process)
    return process


def _environment() -> dict[str, str]:
    return {name: value for name, value in os.environ.items() if name not in _NOT_INHERITED}


def _follow(
    watch: Watch, screen: Screen, scenario: Scenario, actors: dict[str, subprocess.Popen[bytes]]
) -> list[PartSeen]:
    parts: list[PartSeen] = []
    deadline = time.monotonic() + _START_TIMEOUT_S
    while len(parts) < scenario.parts:
        for part in watch.step():
            screen.part(part)
            parts.append(part)
            deadline = time.monotonic() + _PART_TIMEOUT_S + INTERVAL_S + TRAVERSE_S
        screen.waiting(watch.state)
        for name, process in actors.items():
            if process.poll() is not None:
                raise DemoError(f"the {name} ended with {_status(process.returncode)}; "
                                f"its last words: {_last_words(scenario, name)}")
        if time.monotonic() > deadline:
            raise DemoError(f"no part was reported for {_PART_TIMEOUT_S:.0f} s; {_last_words(scenario, 'daemon')}")
    settled_by = time.monotonic() + _SETTLE_TIMEOUT_S
    while watch.state.get("acknowledgedThrough", 0) < scenario.parts and time.monotonic() < settled_by:
        list(watch.step())
    return parts


def _status(code: int) -> str:
    return f"signal {signal.Signals(-code).name}" if code < 0 else f"exit code {code}"


def _last_words(scenario: Scenario, name: str) -> str:
    log = scenario.daemon_log if name == "daemon" else scenario.mes_log
    lines = log.read_text("utf-8", errors="replace").strip().splitlines()
    return lines[-1] if lines else "none"


def _stop_in_order(scenario: Scenario, daemon: subprocess.Popen[bytes], mes: subprocess.Popen[bytes]) -> None:
    """Daemon first, so that its last acknowledgement is taken; both must end by themselves and well."""
    for name, process in (("daemon", daemon), ("MES consumer", mes)):
        code = child_process.stop(process)
        if code != 0:
            raise DemoError(f"the {name} did not stop in order but with {_status(code)}; "
                            f"its last words: {_last_words(scenario, name)}")


def _count(scenario: Scenario) -> Balance:
    """Count both sides, each from its own store, and compare every result."""
    station = _station_results(scenario)
    with closing(sqlite3.connect(f"{scenario.mes_database.as_uri()}?mode=ro", uri=True)) as database:
        mes = {row[0]: row[1] for row in database.execute("SELECT sequence, payload FROM results")}
        duplicates = int(database.execute("SELECT coalesce(sum(duplicates), 0) FROM progress").fetchone()[0])
    acknowledged = sum(bool(row["acknowledged"]) for row in station.values())
    differences = [
        *_mismatch("are at the station but not at the MES", station.keys() - mes.keys()),
        *_mismatch("are at the MES but not at the station", mes.keys() - station.keys()),
        *_mismatch("are not acknowledged", {n for n, row in station.items() if not row["acknowledged"]}),
        *_mismatch("differ", {n for n, payload in _payloads(scenario).items() if mes.get(n, payload) != payload}),
    ]
    if len(station) != scenario.parts:
        differences.append(f"{scenario.parts} parts passed by, and the station stored {len(station)} results")
    return Balance(stored=len(station), acknowledged=acknowledged, at_mes=len(mes), duplicates=duplicates,
                   differences=tuple(differences))


def _mismatch(what: str, sequences: set[int]) -> list[str]:
    numbers = ", ".join(map(str, sorted(sequences)))
    return [f"results {numbers} {what}"] if sequences else []


def _station_results(scenario: Scenario) -> dict[int, dict[str, Any]]:
    """The station's own list, as its command prints it."""
    done = subprocess.run(  # noqa: S603 - this program again
        [sys.executable, "-P", "-m", "crosslay.cli.main", "results", scenario.station_file, "list", "--json"],
        env=_environment(), stdin=subprocess.DEVNULL, capture_output=True, check=False,
    )
    if done.returncode != 0:
        raise DemoError(f"the station's results cannot be listed: {done.stderr.decode('utf-8', 'replace').strip()}")
    return {row["sequence"]: row for row in map(json.loads, done.stdout.splitlines())}


def _payloads(scenario: Scenario) -> dict[int, bytes]:
    reader = Reader(scenario.state_dir)
    try:
        return {row.sequence: row.payload for row in reader.rows()}
    finally:
        reader.close()
