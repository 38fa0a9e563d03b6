"""The real daemon and a broker that is not as it should be: said, survived, healed, and nothing secret shown."""

from __future__ import annotations

import contextlib
import json
import os
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import psutil
import pytest
import trustme

from crosslay.testing.broker import BrokerProgram, RunningBroker, running_broker
from station_harness import StationUnderTest, bus_client, csv_bytes, sine_um, station, wait_for
from tls_cases import EXPIRED, FUTURE, PASSWORD, USER, WRONG_PASSWORD, TlsFolder

pytestmark = pytest.mark.broker

FAKETIME = next(iter(Path("/usr/lib").glob("*/faketime/libfaketime.so.1")), None)
LONG_AGO = "@1970-01-01 00:10:00"


@dataclass(kw_only=True)
class Case:
    """One thing that is wrong, and how it is put right while the station runs.

    `broker` gives the lines for mosquitto at first; `repair` changes files, and may give other lines.
    """

    name: str
    text: str
    broker: Callable[[TlsFolder], str] = lambda files: files.listener(users=True)
    repair: Callable[[TlsFolder], str | None] = lambda files: None
    mutual: bool = False
    environment: Callable[[Path], dict[str, str]] = lambda folder: {}


def _with(change: Callable[[TlsFolder], object], lines: Callable[[TlsFolder], str]) -> Callable[[TlsFolder], str]:
    def configure(files: TlsFolder) -> str:
        change(files)
        return lines(files)

    return configure


def _users(files: TlsFolder) -> str:
    return files.listener(users=True)


def _mutual(files: TlsFolder) -> str:
    return files.listener(users=True, mutual=True)


def _issue(files: TlsFolder) -> None:
    files.issue()


def _clock(folder: Path, text: str) -> None:
    (folder / "clock").write_text(f"{text}\n")


def _in_1970(folder: Path) -> dict[str, str]:
    _clock(folder, LONG_AGO)
    return {
        "LD_PRELOAD": str(FAKETIME),
        "FAKETIME_TIMESTAMP_FILE": str(folder / "clock"),
        "FAKETIME_NO_CACHE": "1",
        "FAKETIME_DONT_FAKE_MONOTONIC": "1",
        "DONT_FAKE_MONOTONIC": "1",
        "NO_FAKE_STAT": "1",
    }


CASES = [
    Case(
        name="wrong authority", text="not from the authority in", repair=_issue,
        broker=_with(lambda files: files.issue(authority=trustme.CA()), _users),
    ),
    Case(name="expired", text="has expired", repair=_issue,
         broker=_with(lambda files: files.issue(validity=EXPIRED), _users)),
    Case(name="not yet valid", text="not valid yet", repair=_issue,
         broker=_with(lambda files: files.issue(validity=FUTURE), _users)),
    Case(name="wrong host", text='another name than "127.0.0.1"', repair=_issue,
         broker=_with(lambda files: files.issue("elsewhere.example"), _users)),
    Case(name="plaintext port", text="TLS", broker=lambda files: "log_type all", repair=_users),
    Case(name="wrong password", text="Not authorized",
         broker=_with(lambda files: files.write_password(WRONG_PASSWORD), _users),
         repair=lambda files: files.write_password() and None),
    Case(name="another authority's station", text="certificate", mutual=True,
         broker=_with(lambda files: files.issue("op30", name="station", authority=trustme.CA()), _mutual),
         repair=lambda files: files.issue("op30", name="station")),
    Case(name="certificate without its key", text="is not the key of", mutual=True,
         broker=_with(lambda files: files.issue("x", name="x") or (files.folder / "x.key").rename(
             files.folder / "station.key"), _mutual),
         repair=lambda files: files.issue("op30", name="station")),
    *([] if FAKETIME is None else [
        Case(name="clock in 1970", text="check this computer's clock, which says 1970-01-01T00:1", environment=_in_1970,
             repair=lambda files: _clock(files.folder.parent, "+0")),
    ]),
]


@dataclass
class Seen:
    """What one case showed."""

    condition: dict[str, Any] = field(default_factory=dict)
    offline: dict[str, Any] = field(default_factory=dict)
    broker_log: str = ""
    results: list[dict[str, Any]] = field(default_factory=list)
    state: dict[str, Any] = field(default_factory=dict)
    exit_code: int = -1
    log: str = ""


def status_file(op30: StationUnderTest) -> dict[str, Any]:
    """What `status.json` says at present; empty before it is there."""
    try:
        status: dict[str, Any] = json.loads((op30.state_dir / "status.json").read_bytes())
    except (OSError, ValueError):
        return {}
    return status


def offline_condition(op30: StationUnderTest) -> dict[str, Any]:
    """The condition broker-offline as `status.json` has it; empty while there is none."""
    details = status_file(op30).get("conditionDetails", [])
    return next((each for each in details if each["id"] == "broker-offline"), {})


@pytest.fixture(scope="module")
def seen(tmp_path_factory: pytest.TempPathFactory, broker_program: BrokerProgram) -> dict[str, Seen]:
    """All cases side by side, each with a broker and a station of its own: they mostly wait."""
    folders = [tmp_path_factory.mktemp("case") for _ in CASES]
    with ThreadPoolExecutor(len(CASES)) as pool:
        shown = pool.map(lambda case, folder: _play(case, folder, broker_program), CASES, folders)
        return {case.name: each for case, each in zip(CASES, shown, strict=True)}


def _play(case: Case, folder: Path, program: BrokerProgram) -> Seen:
    seen, files = Seen(), TlsFolder(folder / "tls")
    lines = "resend_after_s = 0.5\n" + files.station_lines(users=True, mutual=case.mutual)
    with (
        running_broker(program, None, case.broker(files)) as broker,
        station(folder, broker.port, bus=lines) as op30,
    ):
        op30.start(wait=False, env=case.environment(folder))
        _observe(case, seen, broker, op30)
        repaired = case.repair(files)
        if repaired is not None:
            broker.reconfigure(repaired)
        broker.restart()
        _finish(seen, files, broker, op30)
    return seen


def _observe(case: Case, seen: Seen, broker: RunningBroker, op30: StationUnderTest) -> None:
    wait_for(lambda: b"station-started" in op30.log.read_bytes(), 60)
    op30.drop("P-1.csv", csv_bytes(sine_um(), part="P-1"))
    wait_for(lambda: case.text in offline_condition(op30).get("text", ""), 15, f"{case.name}: {op30.log.read_text()}")
    wait_for((op30.incoming / "done" / "P-1.csv").exists)
    wait_for(lambda: status_file(op30).get("lastPart"))
    seen.condition, seen.offline, seen.broker_log = offline_condition(op30), status_file(op30), broker.log_text()


def _finish(seen: Seen, files: TlsFolder, broker: RunningBroker, op30: StationUnderTest) -> None:
    # The tests' own client stands in for the MES; it has no certificate where the broker asks for one.
    context = files.client_context()
    if (files.folder / "station.pem").exists():
        context.load_cert_chain(files.folder / "station.pem", files.folder / "station.key")
    with bus_client(broker.port, acknowledge=True, tls=context, user=(USER, PASSWORD)) as mes:
        # The station may have been connected for a while, without a consumer; a word makes it begin anew.
        mes.send_ack(wait_for(lambda: mes.state() if mes.state().get("online") else None, 20)["instanceId"], 0)
        wait_for(mes.results)
        op30.drop("P-2.csv", csv_bytes(sine_um(), part="P-2"))
        wait_for(lambda: mes.state().get("acknowledgedThrough") == 2)
        wait_for(lambda: not offline_condition(op30))
        seen.results, seen.state = mes.results(), mes.state()
    seen.exit_code = op30.stop()
    seen.log = op30.log.read_text()


@pytest.mark.parametrize("case", CASES, ids=[case.name for case in CASES])
class TestWrongBroker:
    def test_it_is_said(self, case: Case, seen: dict[str, Seen]) -> None:
        condition = seen[case.name].condition
        assert case.text in condition["text"]
        assert (condition["level"], condition["signal"]) == ("warning", "C")
        assert "broker-offline" in seen[case.name].log

    def test_the_station_judges_and_stores(self, case: Case, seen: dict[str, Seen]) -> None:
        offline = seen[case.name].offline
        assert (offline["lastPart"]["partId"], offline["lastPart"]["resultEvaluation"]) == ("P-1", "OK")
        assert (offline["lastSequence"], offline["acknowledgedThrough"], offline["backlog"]["depth"]) == (1, 0, 1)

    def test_put_right_it_delivers_all_in_order(self, case: Case, seen: dict[str, Seen]) -> None:
        events = {item["data"]["sequence"]: item["data"]["partId"] for item in seen[case.name].results}
        assert events == {1: "P-1", 2: "P-2"}
        assert "broker-offline" not in seen[case.name].state["conditions"]
        assert seen[case.name].exit_code == 0

    def test_nothing_secret_was_logged(self, case: Case, seen: dict[str, Seen]) -> None:
        for secret in (PASSWORD, WRONG_PASSWORD):
            assert secret not in seen[case.name].log + json.dumps(seen[case.name].offline)
        assert "Traceback" not in seen[case.name].log


def test_a_plaintext_broker_never_saw_the_user(seen: dict[str, Seen]) -> None:
    assert "New connection from" in seen["plaintext port"].broker_log, "it was there"
    assert USER not in seen["plaintext port"].broker_log


@pytest.mark.skipif(FAKETIME is None, reason="libfaketime is not installed: apt-get install libfaketime")
def test_dc_03_with_a_clock_in_1970_the_sequence_is_the_order(seen: dict[str, Seen]) -> None:
    first, second = sorted(
        {item["data"]["sequence"]: item["data"] for item in seen["clock in 1970"].results}.values(),
        key=lambda data: data["sequence"],
    )
    assert first["creationTime"].startswith("1970-01-01T00:1")
    assert first["clockSynchronized"] is False
    assert not second["creationTime"].startswith("1970")


def test_a_broker_that_takes_the_connection_and_says_nothing(tmp_path: Path) -> None:
    """The pump waits in bounds, the station works on, and it stops in order."""
    files = TlsFolder(tmp_path / "tls")
    with silent_server() as port, station(tmp_path, port, bus=files.station_lines(users=True)) as op30:
        op30.start()
        op30.drop("P-1.csv", csv_bytes(sine_um(), part="P-1"))
        wait_for((op30.incoming / "done" / "P-1.csv").exists)
        condition = wait_for(lambda: offline_condition(op30), 20)
        assert "answers nothing to the TLS handshake" in condition["text"]
        assert condition["text"] in op30.command("status").stdout
        assert [item["partId"] for item in op30.results()] == ["P-1"]
        assert op30.process.poll() is None
        assert op30.stop() == 0


@contextlib.contextmanager
def silent_server() -> Iterator[int]:
    """Accepts, reads, and never answers."""
    with socket.socket() as listening:
        listening.bind(("127.0.0.1", 0))
        listening.listen()
        held: list[socket.socket] = []

        def serve() -> None:
            with contextlib.suppress(OSError):
                while True:
                    held.append(listening.accept()[0])

        thread = threading.Thread(target=serve)
        thread.start()
        try:
            yield listening.getsockname()[1]
        finally:
            listening.shutdown(socket.SHUT_RDWR)
            thread.join(10)
            for connection in held:
                connection.close()


BREAK_CONNECT = '''
import paho.mqtt.client as client
original = client.Client.username_pw_set
calls = []
def username_pw_set(self, username, password=None):
    calls.append(1)
    if len(calls) == 1:
        raise RuntimeError("forced by a test, with the password among the local variables")
    original(self, username, password)
client.Client.username_pw_set = username_pw_set
'''


COMMANDS = ("status", "status --json", "check", "check --json", "results list", "results list --json", "results show 1",
            "results show 1 --json")


def test_a_canary_secret_is_nowhere_to_be_seen(tmp_path: Path, start_broker: Callable[..., RunningBroker]) -> None:
    files = TlsFolder(tmp_path / "tls")
    broker = start_broker(files.listener(users=True))
    credentials = tmp_path / "credentials"
    credentials.mkdir(0o700)
    files.write_password().rename(credentials / "mqtt-password")
    user = f'username = "{USER}"\npassword_credential = "mqtt-password"'
    lines = files.station_lines().replace("[bus.tls]", f"{user}\n[bus.tls]")
    broken = tmp_path / "broken"
    broken.mkdir()
    (broken / "sitecustomize.py").write_text(BREAK_CONNECT)
    with (
        station(tmp_path, broker.port, bus=lines) as op30,
        bus_client(broker.port, acknowledge=True, tls=files.client_context(), user=(USER, PASSWORD)) as mes,
    ):
        op30.file.write_text(op30.file.read_text().replace("[gauge]", 'log_level = "debug"\n[gauge]'))
        op30.start(env={"CREDENTIALS_DIRECTORY": str(credentials), "PYTHONPATH": str(broken)})
        op30.drop("P-1.csv", csv_bytes(sine_um()))
        wait_for(mes.results, 15)
        wait_for(lambda: mes.state().get("acknowledgedThrough") == 1)
        running = psutil.Process(op30.process.pid)
        proc = Path("/proc") / str(running.pid)
        with ThreadPoolExecutor() as pool:
            shown = dict(zip(COMMANDS, pool.map(lambda words: _said(op30, *words.split()), COMMANDS), strict=True))
        shown["arguments"], shown["environment"] = (proc / "cmdline").read_bytes(), (proc / "environ").read_bytes()
        shown |= {f"bus {number} {each.topic}": bytes(each.payload) for number, each in enumerate(mes.messages)}
        assert op30.stop() == 0
    shown["log"] = op30.log.read_bytes()
    shown |= {str(path): path.read_bytes() for path in op30.state_dir.rglob("*") if path.is_file()}
    shown["station file"] = op30.file.read_bytes()
    assert b"forced by a test" in shown["log"], "the traceback was logged"
    assert str(op30.state_dir / "results.sqlite3") in shown, "and the database was read"
    assert [name for name, content in shown.items() if PASSWORD.encode() in content] == []


def _said(op30: StationUnderTest, *words: str) -> bytes:
    done = op30.command(*words)
    return (done.stdout + done.stderr).encode()


TERMINAL = """
import sys
import structlog
from crosslay.station.logs import configure_logs
configure_logs("debug", {}, station="op30")
def connect(password):
    raise RuntimeError("forced by a test")
try:
    connect(sys.argv[1])
except RuntimeError:
    structlog.get_logger("crosslay").exception("unexpected-error")
"""


def test_a_traceback_on_a_terminal_shows_no_values(tmp_path: Path) -> None:
    """By default the log library prints the local variables of every frame there, where it finds a certain package."""
    program = tmp_path / "program.py"
    program.write_text(TERMINAL)
    controller, terminal = os.openpty()
    shown = b""
    with subprocess.Popen([sys.executable, program, PASSWORD], stderr=terminal) as process:
        os.close(terminal)
        with contextlib.suppress(OSError):  # the terminal's end, once the program is gone
            while piece := os.read(controller, 65_536):
                shown += piece
    os.close(controller)
    assert process.returncode == 0
    assert b"forced by a test" in shown
    assert b"Traceback" in shown
    assert PASSWORD.encode() not in shown


def test_nothing_listens(tmp_path: Path, start_broker: Callable[..., RunningBroker]) -> None:
    files = TlsFolder(tmp_path / "tls")
    broker = start_broker(files.listener(users=True))
    with station(tmp_path, broker.port, bus=files.station_lines(users=True)) as op30:
        op30.start()
        daemon = psutil.Process(op30.process.pid)
        wait_for(lambda: any(each.status == psutil.CONN_ESTABLISHED for each in daemon.net_connections("inet")))
        for _ in range(20):
            connections = daemon.net_connections("inet")
            assert [each for each in connections if each.status == psutil.CONN_LISTEN] == []
            assert [each for each in connections if each.type == socket.SOCK_DGRAM] == []
            assert {each.raddr.port for each in connections} <= {broker.port}
            time.sleep(0.05)
        assert op30.stop() == 0


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda text, files: text.replace("127.0.0.1", "broker.plant.example"), ["bus.host", "without TLS"]),
        (lambda text, files: text.replace("port =", 'username = "op30"\nport ='), ["bus.username", "without TLS"]),
        (lambda text, files: text.replace("port =", 'username = "op30"\npassword = "hunter2"\nport ='),
         ["bus.password", "secrets never stand in a station file"]),
        (lambda text, files: tls(text, files, ca_file="missing.pem"), ["bus.tls.ca_file", "there is no such file"]),
        (lambda text, files: exposed(tls(text, files), files), ["bus.password_file", "mode 0644", "chmod 600"]),
        (lambda text, files: tls(text, files).replace("password_file", "password_credential").replace(
            str(files.folder / "password"), "mqtt-password"), ["bus.password_credential", "LoadCredential"]),
        (lambda text, files: tls(text, files, certificate_file="a.pem"), ["bus.tls", "go together"]),
        (lambda text, files: tls(text, files).replace("[bus.tls]", "[bus.tls]\ninsecure = true"),
         ["bus.tls.insecure", "no way to skip verification"]),
    ],
    ids=["plaintext off loopback", "user without TLS", "password in the file", "no authority", "exposed password",
         "no credentials", "certificate without key", "insecure"],
)
def test_an_unsafe_station_file_ends_with_78_and_a_sentence(
    tmp_path: Path, change: Callable[[str, TlsFolder], str], words: list[str]
) -> None:
    files = TlsFolder(tmp_path / "tls")
    with station(tmp_path, 1883) as op30:
        op30.file.write_text(change(op30.file.read_text(), files))
        done = op30.command("run")
        assert done.returncode == 78, done.stderr
        sentences = done.stderr.strip().splitlines()
        for word in words:
            assert word in sentences[-1]
        assert "hunter2" not in done.stderr
        assert PASSWORD not in done.stderr
        assert not op30.state_dir.exists(), "nothing was begun"


def tls(text: str, files: TlsFolder, **more: str) -> str:
    return text.replace("[[characteristic]]", f"{files.station_lines(users=True, **more)}\n[[characteristic]]", 1)


def exposed(text: str, files: TlsFolder) -> str:
    (files.folder / "password").chmod(0o644)
    return text
