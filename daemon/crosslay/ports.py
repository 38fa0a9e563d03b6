"""What the station expects of the outside: protocols that adapters implement, and the values that cross them."""

from __future__ import annotations

import enum
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any, ClassVar, Protocol, runtime_checkable

from pydantic import BaseModel, ConfigDict

from crosslay.texture.trace import Trace


class AdapterConfig(BaseModel):
    """Base of every adapter's options in the station file: unknown keys are errors, values are not coerced."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)


class GaugeSignal(enum.Enum):
    """What a gauge can say between traces."""

    STARTED = "started"
    """A traverse has begun: the light leaves ACCEPT at once."""


class Disposition(enum.Enum):
    """What became of a trace that a gauge delivered."""

    STORED = "stored"
    """Its result is committed."""
    REFUSED = "refused"
    """It will never give a result; the reason goes with it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeContext:
    """What an adapter gets besides its own options.

    Attributes
    ----------
    base_dir
        Folder of the station file; relative paths are relative to it.
    notify
        Call with a `GaugeSignal`; any thread, never blocks.
    """

    base_dir: Path
    notify: Callable[[GaugeSignal], None] = lambda _signal: None


@runtime_checkable
class Gauge(Protocol):
    """A stylus gauge. The constructor ``Gauge(config, context)`` does no I/O.

    ``open`` and ``close`` can be called twice. ``read`` runs in the capture thread; ``settle`` may come from another
    thread while ``read`` waits. A retryable fault raises `GaugeError`; something received that is not a trace raises
    `TraceRefusedError` after it was put aside, and the next ``read`` goes on.
    """

    Config: ClassVar[type[AdapterConfig]]
    #: True where the traces are not measured on a part; such a gauge may drive only a harmless light.
    simulated: ClassVar[bool]

    def open(self) -> None:
        """Connect. Raises `GaugeError`."""

    def read(self, timeout_s: float) -> Trace | None:
        """Wait for one trace, at most `timeout_s` seconds; None where none came."""

    def settle(self, trace: Trace, disposition: Disposition, reason: str = "") -> None:
        """Learn that a trace from ``read`` is stored or refused for good."""

    def close(self) -> None:
        """Disconnect and release everything."""

    def describe(self) -> Mapping[str, str]:
        """Identity for ``v1/identification``: adapter, model, serial …, no secrets."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PreCheck:
    """What a gauge can say of the part under its stylus before a traverse; None: it cannot say that.

    Attributes
    ----------
    position_percent
        Where the stylus stands in its range: 0 at the lower end, 50 in the middle, 100 at the upper end.
    tilt_um_per_mm
        Slope of the part along the traverse.
    noise_um
        Root mean square of the heights while nothing moves.
    """

    position_percent: float | None = None
    tilt_um_per_mm: float | None = None
    noise_um: float | None = None


@runtime_checkable
class PreCheckingGauge(Protocol):
    """What a `Gauge` may do besides: look before a traverse, so that the station can hold it back."""

    def precheck(self) -> PreCheck | None:
        """Look at the part that waits for its traverse; None where none does. Called before each `read`.

        The traverse begins with the ``read`` that follows, not before. Raises `GaugeError`.
        """


@dataclass(frozen=True, slots=True, kw_only=True)
class Outputs:
    """Levels of the light's outputs at one instant. ACCEPT and REJECT never both (L1).

    Lamps (``accept``, ``reject``, ``fault``) carry patterns, so a flashing lamp is seen here on or off. The bits for a
    PLC (``ready`` … ``release``) are steady.
    """

    accept: bool = False
    reject: bool = True
    fault: bool = False
    ready: bool = False
    busy: bool = False
    result_valid: bool = False
    accept_bit: bool = False
    fault_bit: bool = False
    heartbeat: bool = False
    release: bool = False

    def __post_init__(self) -> None:
        if self.accept and self.reject:
            raise ValueError("L1: ACCEPT and REJECT never both")

    def changes_from(self, before: Outputs | None) -> Iterator[tuple[str, bool]]:
        """Single line changes in the order that keeps L3: REJECT goes on first and ACCEPT goes on last."""
        changed = {
            f.name: getattr(self, f.name)
            for f in fields(self)
            if before is None or getattr(before, f.name) != getattr(self, f.name)
        }
        first = [("reject", True)] if changed.get("reject") else []
        middle = [(name, on) for name, on in changed.items() if (name, on) not in {("reject", True), ("accept", True)}]
        last = [("accept", True)] if changed.get("accept") else []
        yield from (*first, *middle, *last)


#: Rest state of the light, and the state in which it is left.
REST = Outputs()


@dataclass(frozen=True, slots=True, kw_only=True)
class IndicatorContext:
    """What an indicator gets besides its own options: the folder of the station file."""

    base_dir: Path


@runtime_checkable
class Indicator(Protocol):
    """A reject light. The constructor ``Indicator(config, context)`` does no I/O.

    ``open`` asserts REJECT first; ``show`` keeps L3 (`Outputs.changes_from`) and writes every line again, changed or
    not, when `refresh` is true; ``close`` asserts REJECT before a line is released. Faults raise `IndicatorError`.
    """

    Config: ClassVar[type[AdapterConfig]]

    @property
    def harmless(self) -> bool:
        """True where simulated traces may drive it (nothing outside this computer moves)."""

    @property
    def hardware_timeout_s(self) -> float | None:
        """Time after which the hardware falls back to REJECT by itself without a refresh; None where it has none."""

    def open(self) -> None:
        """Claim the lines and show `REST`."""

    def show(self, outputs: Outputs, *, refresh: bool = False) -> None:
        """Drive the lines."""

    def close(self) -> None:
        """Show `REST` and release the lines."""


@runtime_checkable
class TraceFormat(Protocol):
    """A trace file format, found by file extension through the entry point group ``crosslay.tracefiles``."""

    #: Extensions with the dot, lower case.
    extensions: ClassVar[tuple[str, ...]]

    def read(self, data: bytes, name: str, *, spacing_um: float | None = None) -> Trace:
        """Parse a whole file. Raises `TraceFileError` with ``name:line:`` in front."""

    def write(self, trace: Trace) -> bytes:
        """The file's bytes; read back they give the same heights, bit for bit."""


class Clock(Protocol):
    """Time, so that tests can bend it."""

    def monotonic(self) -> float:
        """Seconds, never backwards."""

    def wall(self) -> float:
        """Seconds since the epoch; may jump."""


AdapterFactory = Callable[[Any, Any], Any]
