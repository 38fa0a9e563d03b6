"""What every gauge adapter must keep to, as a pytest class that its author inherits.

::

    class TestMyGauge(GaugeConformance):
        gauge_type = MyGauge

        def options(self, folder):
            return {"port": str(folder / "port")}

        def offer(self, folder):
            ...  # make one good trace arrive at the gauge

The module needs pytest; nothing else of crosslay imports it.
"""

# ruff: noqa: D102, ARG002 - the tests' names say what they check, and hooks have parameters for those who override them

from __future__ import annotations

import contextlib
import sys
import threading
import time
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, ClassVar, Final

import numpy as np
import pytest
from pydantic import ValidationError

from crosslay.errors import GaugeError, TraceRefusedError
from crosslay.ports import AdapterConfig, Disposition, Gauge, GaugeContext, PreCheck, PreCheckingGauge
from crosslay.texture.trace import Trace

#: How much later than asked for a read may return, s: generous, as test machines are busy.
_LATE_S: Final = 3.0
#: Audit events (PEP 578) that a constructor may not cause.
_IO_EVENTS: Final = (
    "open", "os.listdir", "os.scandir", "os.mkdir", "os.rename", "os.remove", "os.chmod", "os.utime", "os.link",
    "socket.__new__", "socket.connect", "socket.bind", "socket.getaddrinfo", "subprocess.Popen", "ctypes.dlopen",
)
#: Reading a module for the first time is not the adapter's doing.
_MODULE_FILES: Final = (".py", ".pyc", ".so", ".pth", ".txt", ".json")
_SECRET_WORDS: Final = ("password", "secret", "token", "private_key")

_heard: list[str] | None = None
_listener_thread: int | None = None


class GaugeConformance:
    """Tests of the port `crosslay.ports.Gauge`.

    Attributes
    ----------
    gauge_type
        The adapter's class.
    quiet
        True where no trace comes without `offer`; False for a gauge that delivers by itself.
    arrival_s
        Longest time from `offer` to the trace, s.
    """

    gauge_type: ClassVar[type[Any]]
    quiet: ClassVar[bool] = True
    arrival_s: ClassVar[float] = 10.0

    # -- what the author gives -----------------------------------------------------------------------------------

    def options(self, folder: Path) -> dict[str, Any]:
        """Smallest valid options in the station file; `folder` is an empty folder of this test."""
        raise NotImplementedError

    def prepare(self, folder: Path) -> None:
        """Set up what the gauge connects to, before it is opened. By default nothing."""

    def offer(self, folder: Path) -> None:
        """Make one good trace arrive. By default nothing, for a gauge that delivers by itself."""

    def offer_bad(self, folder: Path) -> None:
        """Make something arrive that is not a trace. Not overridden: the gauge cannot receive such a thing."""
        pytest.skip("this gauge receives nothing that could be bad")

    def remove(self, folder: Path) -> None:
        """Take away what the gauge connects to. Not overridden: it connects to nothing."""
        pytest.skip("this gauge connects to nothing that could be missing")

    # -- helpers ---------------------------------------------------------------------------------------------------

    def make(self, folder: Path) -> Gauge:
        """Build the gauge as the station does."""
        config = self.gauge_type.Config.model_validate(self.options(folder))
        gauge = self.gauge_type(config, GaugeContext(base_dir=folder))
        assert isinstance(gauge, Gauge)
        return gauge

    def deliver(self, gauge: Gauge, folder: Path) -> Trace:
        """Offer a trace and read it."""
        self.offer(folder)
        trace = _read_within(gauge, self.arrival_s)
        assert trace is not None, f"no trace within {self.arrival_s} s of its offer"
        return trace

    @pytest.fixture
    def gauge(self, tmp_path: Path) -> Iterator[Gauge]:
        """An opened gauge; closed after the test."""
        self.prepare(tmp_path)
        gauge = self.make(tmp_path)
        gauge.open()
        try:
            yield gauge
        finally:
            gauge.close()

    # -- construction ----------------------------------------------------------------------------------------------

    def test_is_declared_as_a_gauge(self, tmp_path: Path) -> None:
        assert issubclass(self.gauge_type.Config, AdapterConfig)
        assert isinstance(self.gauge_type.simulated, bool)
        assert isinstance(self.make(tmp_path), Gauge)

    def test_constructor_does_no_io(self, tmp_path: Path) -> None:
        self.make(tmp_path)  # imports happen here
        before = (_descriptors(), set(threading.enumerate()))
        with _listening() as heard:
            gauge = self.make(tmp_path)
        assert heard == [], "open files, sockets and folders in open(), not in the constructor"
        assert (_descriptors(), set(threading.enumerate())) == before
        gauge.close()

    def test_config_refuses_unknown_keys(self, tmp_path: Path) -> None:
        with pytest.raises(ValidationError, match="no_such_option"):
            self.gauge_type.Config.model_validate({**self.options(tmp_path), "no_such_option": 1})

    def test_config_cannot_be_changed(self, tmp_path: Path) -> None:
        options = self.options(tmp_path)
        config = self.gauge_type.Config.model_validate(options)
        for name in type(config).model_fields:
            with pytest.raises(ValidationError):
                setattr(config, name, getattr(config, name))

    # -- life --------------------------------------------------------------------------------------------------------

    def test_open_and_close_can_be_called_twice(self, gauge: Gauge) -> None:
        gauge.open()
        gauge.close()
        gauge.close()

    def test_close_before_open_does_nothing(self, tmp_path: Path) -> None:
        self.make(tmp_path).close()

    def test_opens_again_after_close_and_delivers(self, gauge: Gauge, tmp_path: Path) -> None:
        for _ in range(3):
            gauge.close()
            gauge.open()
        self.deliver(gauge, tmp_path)

    def test_read_of_a_closed_gauge_is_a_gauge_error_or_nothing(self, gauge: Gauge) -> None:
        gauge.close()
        with contextlib.suppress(GaugeError):
            assert gauge.read(0.0) is None

    def test_missing_counterpart_is_a_retryable_gauge_error(self, gauge: Gauge, tmp_path: Path) -> None:
        gauge.close()
        self.remove(tmp_path)
        for _ in range(2):
            with pytest.raises(GaugeError) as caught:
                gauge.open()
            assert caught.value.retryable
            assert len(str(caught.value)) > 10, "say what is missing and what to do"
        gauge.close()

    def test_holds_nothing_after_close(self, gauge: Gauge, tmp_path: Path) -> None:
        gauge.close()
        before = (_descriptors(), set(threading.enumerate()))
        for _ in range(5):
            gauge.open()
            self.deliver(gauge, tmp_path)
            gauge.close()
        assert (_descriptors(), {t for t in threading.enumerate() if t.is_alive()}) == before

    # -- reading -----------------------------------------------------------------------------------------------------

    @pytest.mark.parametrize("timeout_s", [0.0, 0.05, 0.4])
    def test_read_keeps_its_timeout(self, gauge: Gauge, timeout_s: float) -> None:
        if not self.quiet:
            pytest.skip("this gauge delivers by itself")
        started_s = time.monotonic()
        assert gauge.read(timeout_s) is None
        waited_s = time.monotonic() - started_s
        assert timeout_s * 0.9 <= waited_s < timeout_s + _LATE_S

    def test_close_ends_a_read_that_waits(self, gauge: Gauge) -> None:
        outcomes: list[object] = []

        def read() -> None:
            try:
                outcomes.append(gauge.read(60.0))
            except GaugeError as error:
                outcomes.append(error)

        reader = threading.Thread(target=read, name="reader")
        reader.start()
        time.sleep(0.1)
        gauge.close()
        reader.join(_LATE_S)
        assert not reader.is_alive(), "close() must end a read() that waits in another thread"
        assert len(outcomes) == 1

    def test_delivers_a_well_formed_trace(self, gauge: Gauge, tmp_path: Path) -> None:
        trace = self.deliver(gauge, tmp_path)
        assert trace.points >= 2
        assert trace.samples.dtype in {np.dtype(np.float64), np.dtype(np.int32)}
        assert np.isfinite(trace.heights_um()).all()
        assert trace.spacing_um > 0
        assert trace.simulated is type(gauge).simulated
        assert trace.captured_at is not None
        assert trace.acquisition_s is None or trace.acquisition_s >= 0
        assert all(isinstance(key, str) and isinstance(value, str) for key, value in trace.facts.items())
        trace.identity.encode("utf-8")  # is stored and sent as text

    def test_bad_input_is_refused_and_the_next_trace_comes(self, gauge: Gauge, tmp_path: Path) -> None:
        self.offer_bad(tmp_path)
        with pytest.raises(TraceRefusedError) as caught:
            _read_within(gauge, self.arrival_s)
        assert not caught.value.retryable
        assert len(str(caught.value)) > 10, "say what was wrong"
        assert "Traceback" not in str(caught.value)
        self.deliver(gauge, tmp_path)

    # -- before a traverse ---------------------------------------------------------------------------------------------

    def test_looks_before_a_traverse_without_beginning_it(self, gauge: Gauge, tmp_path: Path) -> None:
        if not isinstance(gauge, PreCheckingGauge):
            pytest.skip("this gauge cannot look before a traverse")
        looks = [gauge.precheck() for _ in range(3)]
        for found in looks:
            assert found is None or isinstance(found, PreCheck)
            if found is None:
                continue
            given = (found.position_percent, found.tilt_um_per_mm, found.noise_um)
            assert any(each is not None for each in given), "a look that says nothing is no look; return None"
            assert all(each is None or np.isfinite(each) for each in given)
            assert found.position_percent is None or 0.0 <= found.position_percent <= 100.0
            assert found.noise_um is None or found.noise_um >= 0.0
        self.deliver(gauge, tmp_path)
        gauge.close()
        with contextlib.suppress(GaugeError):
            assert gauge.precheck() is None, "a closed gauge sees nothing"

    # -- settling ----------------------------------------------------------------------------------------------------

    @pytest.mark.parametrize("disposition", list(Disposition))
    def test_settling_twice_is_settling_once(self, gauge: Gauge, tmp_path: Path, disposition: Disposition) -> None:
        trace = self.deliver(gauge, tmp_path)
        for outcome in (disposition, disposition, *Disposition):
            gauge.settle(trace, outcome, "only a test")
        gauge.close()
        gauge.settle(trace, disposition, "only a test")

    def test_a_trace_of_somebody_else_is_settled_without_effect(self, gauge: Gauge, tmp_path: Path) -> None:
        stranger = Trace(samples=np.zeros(3), spacing_um=0.5, identity="no trace of this gauge")
        gauge.settle(stranger, Disposition.STORED)
        gauge.settle(stranger, Disposition.REFUSED, "only a test")
        self.deliver(gauge, tmp_path)

    def test_a_settled_trace_does_not_come_again(self, gauge: Gauge, tmp_path: Path) -> None:
        if not self.quiet:
            pytest.skip("this gauge delivers by itself")
        trace = self.deliver(gauge, tmp_path)
        assert gauge.read(0.1) is None, "a trace is delivered once"
        gauge.settle(trace, Disposition.STORED)
        gauge.close()
        gauge.open()
        assert gauge.read(0.1) is None, "a settled trace is not delivered after a new start"

    def test_settling_while_a_read_waits(self, gauge: Gauge, tmp_path: Path) -> None:
        trace = self.deliver(gauge, tmp_path)
        reader = threading.Thread(target=_read_within, args=(gauge, 0.4), name="reader")
        reader.start()
        started_s = time.monotonic()
        gauge.settle(trace, Disposition.STORED)
        settled_s = time.monotonic() - started_s
        reader.join(1.0 + _LATE_S)
        assert not reader.is_alive()
        assert settled_s < _LATE_S, "settle() must not wait for read()"

    # -- identity ----------------------------------------------------------------------------------------------------

    def test_describes_itself_without_secrets(self, gauge: Gauge, tmp_path: Path) -> None:
        for state in (gauge, self.make(tmp_path)):  # open, and never opened
            description: Mapping[str, str] = state.describe()
            assert description["adapter"]
            assert all(isinstance(key, str) and isinstance(value, str) for key, value in description.items())
            assert not [key for key in description if any(word in key.lower() for word in _SECRET_WORDS)]


def _read_within(gauge: Gauge, limit_s: float) -> Trace | None:
    deadline_s = time.monotonic() + limit_s
    while (left_s := deadline_s - time.monotonic()) > 0:
        trace = gauge.read(min(left_s, 0.5))
        if trace is not None:
            return trace
    return None


def _descriptors() -> set[tuple[str, str]]:
    """Open descriptors of this process with what they lead to."""
    found = set()
    for link in Path("/proc/self/fd").iterdir():
        with contextlib.suppress(FileNotFoundError):  # the descriptor of this listing
            found.add((link.name, str(link.readlink())))
    return {entry for entry in found if "/proc/" not in entry[1]}


def _audit(event: str, arguments: tuple[Any, ...]) -> None:
    """Note I/O of the thread that listens. An audit hook cannot be removed, so it is idle most of the time."""
    if _heard is None or event not in _IO_EVENTS or threading.get_ident() != _listener_thread:
        return
    if not str(arguments[0] if arguments else "").endswith(_MODULE_FILES):
        _heard.append(f"{event} {arguments[:1]}")


_audit_installed = False


@contextlib.contextmanager
def _listening() -> Iterator[list[str]]:
    global _heard, _listener_thread, _audit_installed  # noqa: PLW0603 - the hook of the interpreter is global as well
    if not _audit_installed:
        sys.addaudithook(_audit)
        _audit_installed = True
    heard: list[str] = []
    _heard, _listener_thread = heard, threading.get_ident()
    try:
        yield heard
    finally:
        _heard = None
