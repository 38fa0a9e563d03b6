"""Find an MQTT broker and run it on loopback: for the demo, for tests, and for integrators who try things out.

Found in this order: a mosquitto that is installed; one unpacked earlier; the Debian package, downloaded and unpacked
without installing anything; last the embedded `amqtt`, which speaks MQTT 3.1.1 only.

Environment
-----------
CROSSLAY_BROKER_SEARCH
    Folders in which mosquitto is looked for, separated by ``:``, instead of PATH and the usual ones. Empty: nowhere.
CROSSLAY_BROKER
    Ways that may be used, separated by commas, of ``system``, ``package`` and ``embedded``; all by default.
"""

from __future__ import annotations

import enum
import importlib.util
import os
import re
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from crosslay.errors import CrosslayError
from crosslay.testing import broker_package, child_process, embedded_broker

HOST = "127.0.0.1"
_START_TIMEOUT_S = 20.0
_PORT_TRIES = 5
_USUAL_FOLDERS = ("/usr/sbin", "/usr/local/sbin", "/usr/local/bin", "/opt/homebrew/sbin")
#: The first with MQTT 5 and the listener rules that the generated file relies on.
_OLDEST = (2, 0)


class BrokerMissingError(CrosslayError):
    """No broker can be had on this computer; the text says what was tried and what to install."""

    exit_code = 1


class BrokerFailedError(CrosslayError):
    """A broker did not start; the text holds the last line of its log."""

    exit_code = 1


class BrokerKind(enum.Enum):
    """Which program a broker is."""

    MOSQUITTO = "mosquitto"
    EMBEDDED = "amqtt"


class BrokerWay(enum.Enum):
    """How a broker came to this computer."""

    SYSTEM = "system"
    PACKAGE = "package"
    EMBEDDED = "embedded"


@dataclass(frozen=True, slots=True, kw_only=True)
class BrokerProgram:
    """A broker that can be started.

    Attributes
    ----------
    kind, way
        Which program, and where it came from.
    command
        Program and leading arguments.
    version
        As the program says it.
    library_path
        ``LD_LIBRARY_PATH`` that it needs; empty for none.
    """

    kind: BrokerKind
    way: BrokerWay
    command: tuple[str, ...]
    version: str
    library_path: str = ""

    @property
    def protocol(self) -> str:
        """The newest MQTT that it speaks, as the station file names it."""
        return "5" if self.kind is BrokerKind.MOSQUITTO else "3.1.1"

    def environment(self) -> dict[str, str]:
        """Environment in which it runs."""
        own = {"LD_LIBRARY_PATH": self.library_path} if self.library_path else {}
        return {**os.environ, **own}

    def __str__(self) -> str:
        """Name, version and origin, for people."""
        origin = {
            BrokerWay.SYSTEM: f"installed: {self.command[0]}",
            BrokerWay.PACKAGE: f"unpacked: {self.command[0]}",
            BrokerWay.EMBEDDED: "embedded, in Python",
        }[self.way]
        return f"{self.kind.value} {self.version} ({origin})"


def broker_folder() -> Path:
    """Where the Debian package is unpacked: inside the virtual environment, else in the user's cache."""
    if sys.prefix != sys.base_prefix:
        return Path(sys.prefix) / "broker"
    cache_home = os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache"
    return Path(cache_home) / "crosslay" / "broker"


def find_broker(folder: Path | None = None) -> BrokerProgram:
    """Find a broker, downloading one where none is installed.

    Parameters
    ----------
    folder
        Where the Debian package is unpacked; `broker_folder` by default.

    Raises
    ------
    BrokerMissingError
        No way leads to a broker.
    """
    ways = _allowed_ways()
    where = folder or broker_folder()
    tried: list[str] = []
    if BrokerWay.SYSTEM in ways:
        for path in _installed():
            if found := _mosquitto(path, BrokerWay.SYSTEM):
                return found
        tried.append("no mosquitto 2 is installed")
    if BrokerWay.PACKAGE in ways:
        try:
            return _packaged(where)
        except broker_package.BrokerPackageError as error:
            tried.append(str(error))
    if BrokerWay.EMBEDDED in ways:
        if importlib.util.find_spec("amqtt") is not None:
            return _embedded()
        tried.append("amqtt is not installed (pip install crosslay[demo])")
    raise BrokerMissingError(
        f"no MQTT broker: {'; '.join(tried) or 'CROSSLAY_BROKER allows none'}. "
        "Install one, on Debian with: apt-get install mosquitto"
    )


def _allowed_ways() -> frozenset[BrokerWay]:
    text = os.environ.get("CROSSLAY_BROKER")
    if text is None:
        return frozenset(BrokerWay)
    try:
        return frozenset(BrokerWay(word.strip()) for word in text.split(",") if word.strip())
    except ValueError as error:
        allowed = ", ".join(way.value for way in BrokerWay)
        raise BrokerMissingError(f'CROSSLAY_BROKER="{text}" is not understood; allowed: {allowed}') from error


def _installed() -> Iterator[Path]:
    search = os.environ.get("CROSSLAY_BROKER_SEARCH")
    folders = (
        [*os.environ.get("PATH", "").split(os.pathsep), *_USUAL_FOLDERS] if search is None else search.split(os.pathsep)
    )
    for folder in filter(None, folders):
        if found := shutil.which("mosquitto", path=folder):
            yield Path(found)


@cache
def _mosquitto(path: Path, way: BrokerWay, library_path: str = "") -> BrokerProgram | None:
    """Ask the program for its version; None where it does not run or is too old."""
    environment = {**os.environ, **({"LD_LIBRARY_PATH": library_path} if library_path else {})}
    try:
        said = subprocess.run(  # noqa: S603 - a program found by its name
            [path, "-h"], env=environment, stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=10,
            check=False,
        ).stdout
    except (OSError, subprocess.TimeoutExpired):
        return None
    match = re.search(r"mosquitto version (\d+)\.(\d+)(\S*)", said)
    if match is None or (int(match[1]), int(match[2])) < _OLDEST:
        return None
    return BrokerProgram(
        kind=BrokerKind.MOSQUITTO, way=way, command=(str(path),), version=f"{match[1]}.{match[2]}{match[3]}",
        library_path=library_path,
    )


def _packaged(folder: Path) -> BrokerProgram:
    program = broker_package.unpacked_program(folder)
    if program.exists() and (
        found := _mosquitto(program, BrokerWay.PACKAGE, broker_package.library_path(folder))
    ):
        return found
    program = broker_package.unpack(folder)
    _mosquitto.cache_clear()
    found = _mosquitto(program, BrokerWay.PACKAGE, broker_package.library_path(folder))
    if found is None:
        raise broker_package.BrokerPackageError(f"{program} was unpacked but does not run")
    return found


def _embedded() -> BrokerProgram:
    from importlib.metadata import version

    return BrokerProgram(
        kind=BrokerKind.EMBEDDED, way=BrokerWay.EMBEDDED, version=version("amqtt"),
        command=(sys.executable, "-m", embedded_broker.__name__),
    )


def free_port() -> int:
    """A TCP port on loopback that nobody uses at this moment."""
    with socket.socket() as probe:
        probe.bind((HOST, 0))
        return int(probe.getsockname()[1])


class RunningBroker:
    """One broker on loopback, that can be stopped, killed, frozen and started again on the same port.

    Attributes
    ----------
    program
        What runs.
    host, port
        Where it listens.
    folder
        Its configuration, log and (where ``persistence true`` was asked for) its store.
    log_path
        Its log; it grows over restarts.
    """

    def __init__(self, program: BrokerProgram, *, folder: Path, port: int, config_extra: str = "") -> None:
        self.program = program
        self.host = HOST
        self.port = port
        self.folder = folder
        self.log_path = folder / "broker.log"
        self._config_extra = config_extra
        self._process: subprocess.Popen[bytes] | None = None

    @property
    def running(self) -> bool:
        """Whether the process lives."""
        return self._process is not None and self._process.poll() is None

    @property
    def process_id(self) -> int:
        """Process id of the running broker.

        Raises
        ------
        BrokerFailedError
            It does not run.
        """
        if self._process is None or not self.running:
            raise BrokerFailedError(f"the broker on port {self.port} does not run; its log: {self.log_path}")
        return self._process.pid

    def start(self) -> None:
        """Start it and wait until it accepts connections; nothing happens where it runs already.

        Raises
        ------
        BrokerFailedError
            It ended, or was not ready in time.
        """
        if self.running:
            return
        log_begin = self.log_path.stat().st_size if self.log_path.exists() else 0
        with self.log_path.open("ab") as log:
            self._process = child_process.spawn(
                self._command(), output=log, environment=self.program.environment(), folder=self.folder,
            )
        self._wait_until_ready(self._process, log_begin)

    def stop(self) -> None:
        """End it in order (SIGTERM): a persistent one writes its store."""
        if self._process is not None:
            child_process.stop(self._process)

    def kill(self) -> None:
        """End it at once (SIGKILL), as a power cut would."""
        if self._process is not None:
            self._process.kill()
            self._process.wait()

    def reconfigure(self, config_extra: str) -> None:
        """Take other lines of configuration, from the next start on."""
        self._config_extra = config_extra

    def restart(self) -> None:
        """Stop it where it runs and start it on the same port."""
        self.stop()
        self.start()

    def freeze(self) -> None:
        """Stop it from running without closing anything (SIGSTOP): connections stay open and nothing answers."""
        os.kill(self.process_id, signal.SIGSTOP)

    def thaw(self) -> None:
        """Let it go on after `freeze`."""
        os.kill(self.process_id, signal.SIGCONT)

    def log_text(self) -> str:
        """The log so far."""
        return self.log_path.read_text("utf-8", errors="replace") if self.log_path.exists() else ""

    def _command(self) -> tuple[str, ...]:
        if self.program.kind is BrokerKind.EMBEDDED:
            return (*self.program.command, str(self.port))
        config = self.folder / "mosquitto.conf"
        config.write_text(self._config(), "utf-8")
        return (*self.program.command, "-c", str(config))

    def _config(self) -> str:
        extra = {line.split()[0] for line in self._config_extra.splitlines() if line.strip()}
        lines = [f"listener {self.port} {self.host}", "log_dest stderr"]
        lines += [] if "allow_anonymous" in extra else ["allow_anonymous true"]
        # The folder belongs to whoever started us; mosquitto started by root would otherwise become another user.
        lines += [] if os.geteuid() != 0 or "user" in extra else ["user root"]
        lines += [] if "persistence_location" in extra else [f"persistence_location {self.folder}/"]
        return "\n".join([*lines, self._config_extra, ""])

    def _wait_until_ready(self, process: subprocess.Popen[bytes], log_begin: int) -> None:
        # The log and not a connection is asked: on a port that another program took, a connection would succeed.
        sign = {
            BrokerKind.MOSQUITTO: re.compile(rb"mosquitto version \S+ running"),
            BrokerKind.EMBEDDED: re.compile(re.escape(embedded_broker.RUNNING.encode())),
        }[self.program.kind]
        deadline = time.monotonic() + _START_TIMEOUT_S
        while time.monotonic() < deadline:
            log = self.log_path.read_bytes()[log_begin:]
            if sign.search(log):
                return
            if process.poll() is not None:
                break
            time.sleep(0.005)
        child_process.stop(process)
        said = self.log_path.read_bytes()[log_begin:].decode("utf-8", "replace").strip().splitlines() or ["nothing"]
        reason = next((line for line in said if "error" in line.lower()), said[-1])
        raise BrokerFailedError(f"{self.program} did not start on port {self.port}; it said: {reason}")


@contextmanager
def running_broker(
    program: BrokerProgram, port: int | None = None, config_extra: str = "", *, folder: Path | None = None
) -> Iterator[RunningBroker]:
    """Run a broker on loopback for the length of a ``with`` block.

    Parameters
    ----------
    program
        From `find_broker`.
    port
        TCP port; a free one by default.
    config_extra
        More lines for ``mosquitto.conf``, placed after the listener, such as ``max_queued_messages 10`` or
        ``persistence true`` (stored in the folder). The embedded broker has no such file and refuses them. The log
        types must keep ``information``: the log tells when the broker is ready.
    folder
        Where configuration and log are kept; by default a temporary one that is removed at the end.

    Yields
    ------
    RunningBroker
        Started and accepting connections.

    Raises
    ------
    BrokerFailedError
        It did not start, or cannot do what `config_extra` asks for.
    """
    if config_extra.strip() and program.kind is BrokerKind.EMBEDDED:
        raise BrokerFailedError("the embedded broker takes no mosquitto configuration; install mosquitto for this")
    with ExitStack() as stack:
        if folder is None:
            folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="crosslay-broker-")))
        broker = _start_somewhere(program, port, config_extra, folder=folder)
        stack.callback(broker.stop)
        yield broker


def _start_somewhere(program: BrokerProgram, port: int | None, config_extra: str, *, folder: Path) -> RunningBroker:
    """Start on the port asked for, or on a free one; another program may take that first, then on the next."""
    tries = 1 if port is not None else _PORT_TRIES
    while True:
        tries -= 1
        broker = RunningBroker(program, folder=folder, port=port or free_port(), config_extra=config_extra)
        try:
            broker.start()
        except BrokerFailedError:
            if tries == 0 or "in use" not in broker.log_text():
                raise
            continue
        return broker
