"""A broker is found, fetched or embedded, and can be stopped, killed, frozen and started again."""

from __future__ import annotations

import os
import re
import shutil
import signal
import socket
import stat
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from crosslay.testing import broker_package
from crosslay.testing.broker import (
    BrokerFailedError,
    BrokerKind,
    BrokerMissingError,
    BrokerProgram,
    BrokerWay,
    RunningBroker,
    broker_folder,
    find_broker,
    free_port,
    running_broker,
)
from crosslay.testing.broker_package import BrokerPackageError

pytestmark = pytest.mark.broker


def fake_program(folder: Path, says: str) -> Path:
    program = folder / "mosquitto"
    program.write_text(f"#!/bin/sh\necho '{says}'\nexit 3\n")
    program.chmod(program.stat().st_mode | stat.S_IXUSR)
    return program


def accepts(broker: RunningBroker) -> bool:
    with socket.socket() as probe:
        probe.settimeout(1.0)
        return probe.connect_ex((broker.host, broker.port)) == 0


class TestFinding:
    def test_an_installed_one_comes_first(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        program = fake_program(tmp_path, "mosquitto version 2.0.99")
        monkeypatch.setenv("CROSSLAY_BROKER_SEARCH", f"/nowhere:{tmp_path}")
        found = find_broker()
        assert found.command == (str(program),)
        assert (found.kind, found.way, found.version) == (BrokerKind.MOSQUITTO, BrokerWay.SYSTEM, "2.0.99")
        assert found.protocol == "5"

    @pytest.mark.parametrize("says", ["mosquitto version 1.5.7", "something else", ""])
    def test_one_too_old_or_foreign_is_passed_over(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, says: str
    ) -> None:
        fake_program(tmp_path, says)
        monkeypatch.setenv("CROSSLAY_BROKER_SEARCH", str(tmp_path))
        monkeypatch.setenv("CROSSLAY_BROKER", "system, embedded")
        assert find_broker().way is BrokerWay.EMBEDDED

    def test_the_embedded_one_says_that_it_is_older(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setenv("CROSSLAY_BROKER", "embedded")
        found = find_broker()
        assert found.protocol == "3.1.1"
        assert "embedded" in str(found)

    def test_none_at_all_is_one_clear_sentence(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setenv("CROSSLAY_BROKER", "system")
        monkeypatch.setenv("CROSSLAY_BROKER_SEARCH", "")
        with pytest.raises(BrokerMissingError, match="apt-get install mosquitto"):
            find_broker()

    def test_a_way_that_does_not_exist_is_named_with_those_that_do(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setenv("CROSSLAY_BROKER", "docker")
        with pytest.raises(BrokerMissingError, match=r'"docker".*system, package, embedded'):
            find_broker()

    def test_the_package_goes_into_the_virtual_environment(self) -> None:
        assert broker_folder() == Path(sys.prefix) / "broker"


class TestPackage:
    def fake_tools(self, folder: Path, monkeypatch: pytest.MonkeyPatch, apt_get: str) -> None:
        for name, script in {"apt-get": apt_get, "dpkg-deb": "exit 0"}.items():
            (folder / name).write_text(f"#!/bin/sh\n{script}\n")
            (folder / name).chmod(0o755)
        monkeypatch.setenv("PATH", f"{folder}:/usr/bin:/bin")

    def test_without_network_the_reason_is_said_and_nothing_is_left(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        self.fake_tools(tmp_path, monkeypatch, "echo 'E: Failed to fetch' >&2; exit 100")
        with pytest.raises(BrokerPackageError, match="apt-get failed: E: Failed to fetch"):
            broker_package.unpack(tmp_path / "broker")
        assert [path.name for path in tmp_path.iterdir() if path.is_dir()] == []

    def test_without_debian_tools_the_embedded_one_is_taken(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setenv("PATH", str(tmp_path))
        monkeypatch.setenv("CROSSLAY_BROKER_SEARCH", "")
        assert find_broker(tmp_path / "broker").way is BrokerWay.EMBEDDED

    def test_a_real_download_runs_and_is_found_again_offline(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        if shutil.which("apt-get") is None:
            pytest.skip("no apt-get: this is no Debian")
        monkeypatch.setenv("CROSSLAY_BROKER_SEARCH", "")
        monkeypatch.setenv("CROSSLAY_BROKER", "package")
        before = installed_packages()
        try:
            program = find_broker(tmp_path / "broker")
        except BrokerMissingError as error:
            pytest.skip(f"the Debian package could not be had: {error}")
        assert installed_packages() == before, "something was installed system-wide"
        assert program.way is BrokerWay.PACKAGE
        with running_broker(program) as broker:
            assert accepts(broker)
        monkeypatch.setenv("PATH", "/nowhere")
        assert find_broker(tmp_path / "broker") == program

    def test_libraries_that_are_not_installed_come_along(self, tmp_path: Path) -> None:
        if shutil.which("apt-get") is None:
            pytest.skip("no apt-get: this is no Debian")
        bare = tmp_path / "status"
        bare.write_text(status_without({"mosquitto", "libcjson1", "libdlt2"}), "utf-8")
        try:
            broker_package.unpack(tmp_path / "broker", status_file=bare)
        except BrokerPackageError as error:
            pytest.skip(f"the Debian package could not be had: {error}")
        libraries = {path.name.split(".so")[0] for path in (tmp_path / "broker").rglob("*.so*")}
        assert {"libcjson", "libdlt"} <= libraries
        assert "/usr/lib" in broker_package.library_path(tmp_path / "broker")


def status_without(hidden: set[str]) -> str:
    """dpkg's list of this computer as if these packages, and all that need them, had never been installed."""
    entries = Path("/var/lib/dpkg/status").read_text("utf-8").split("\n\n")
    needs = {}
    for entry in filter(str.strip, entries):
        fields = dict(line.split(": ", 1) for line in entry.splitlines() if ": " in line and line[0] != " ")
        text = f"{fields.get('Depends', '')},{fields.get('Pre-Depends', '')}"
        needs[fields["Package"]] = set(re.findall(r"[a-z0-9][a-z0-9+.-]+", text))
    while more := {name for name, needed in needs.items() if name not in hidden and needed & hidden}:
        hidden = hidden | more
    return "\n\n".join(entry for entry in entries if entry.partition("\n")[0].removeprefix("Package: ") not in hidden)


def installed_packages() -> str:
    return subprocess.run(["dpkg-query", "-W"], capture_output=True, text=True, check=True).stdout


class TestRunning:
    def test_it_comes_back_on_the_same_port_after_stop_kill_and_restart(self, broker: RunningBroker) -> None:
        port = broker.port
        for end in (broker.stop, broker.kill):
            end()
            assert not broker.running
            assert not accepts(broker)
            broker.start()
            assert accepts(broker)
        first = broker.process_id
        broker.restart()
        assert broker.process_id != first
        assert (broker.port, accepts(broker)) == (port, True)

    def test_frozen_it_takes_connections_and_answers_nothing(self, broker: RunningBroker) -> None:
        broker.freeze()
        with socket.create_connection((broker.host, broker.port), timeout=1.0) as link:
            link.settimeout(0.2)
            link.sendall(bytes.fromhex("100c00044d5154540402003c0000"))  # CONNECT of MQTT 3.1.1, section 3.1
            with pytest.raises(TimeoutError):
                link.recv(4)
            broker.thaw()
            link.settimeout(5.0)
            assert link.recv(4) == bytes.fromhex("20020000")  # CONNACK, accepted

    def test_more_configuration_reaches_the_broker(self, start_broker: Callable[..., RunningBroker]) -> None:
        broker = start_broker("allow_anonymous false\nmax_queued_messages 7")
        with socket.create_connection((broker.host, broker.port), timeout=5.0) as link:
            link.sendall(bytes.fromhex("100c00044d5154540402003c0000"))
            assert link.recv(4) == bytes.fromhex("20020005")  # CONNACK, not authorised

    def test_wrong_configuration_is_told_with_the_brokers_words(self, broker_program: BrokerProgram) -> None:
        with pytest.raises(BrokerFailedError, match="nonsense"), running_broker(broker_program, None, "nonsense 1"):
            pytest.fail("a broker started with a wrong configuration")

    def test_a_taken_port_is_told(self, broker: RunningBroker, broker_program: BrokerProgram) -> None:
        with pytest.raises(BrokerFailedError, match="in use"), running_broker(broker_program, broker.port):
            pytest.fail("two brokers on one port")

    def test_a_free_port_that_was_taken_meanwhile_is_changed(
        self, broker: RunningBroker, broker_program: BrokerProgram, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        ports = iter([broker.port, free_port()])
        monkeypatch.setattr("crosslay.testing.broker.free_port", lambda: next(ports))
        with running_broker(broker_program) as second:
            assert second.port != broker.port
            assert accepts(second)

    def test_the_embedded_one_runs_and_takes_no_configuration(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setenv("CROSSLAY_BROKER", "embedded")
        program = find_broker()
        with running_broker(program) as broker:
            assert accepts(broker)
        with pytest.raises(BrokerFailedError, match="install mosquitto"), running_broker(program, config_extra="a b"):
            pytest.fail("the embedded broker took a configuration")

    def test_it_dies_with_the_process_that_started_it(self, tmp_path: Path) -> None:
        script = (
            "from crosslay.testing.broker import *\n"
            "import os, sys\n"
            "with running_broker(find_broker()) as broker:\n"
            "    print(broker.process_id, flush=True)\n"
            "    sys.stdin.read()\n"
        )
        with subprocess.Popen(
            [sys.executable, "-c", script], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        ) as parent:
            assert parent.stdout is not None
            number = int(parent.stdout.readline())
            os.kill(number, 0)
            parent.send_signal(signal.SIGKILL)
            parent.wait()
        assert gone_within(number, 5.0)


def gone_within(process_id: int, timeout_s: float) -> bool:
    deadline = time.monotonic() + timeout_s
    while time.monotonic() < deadline:
        try:
            state = Path(f"/proc/{process_id}/stat").read_text().rpartition(")")[2].split()[0]
        except FileNotFoundError:
            return True
        if state == "Z":
            return True
        time.sleep(0.02)
    return False
