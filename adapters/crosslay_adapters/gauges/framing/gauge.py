"""A gauge around a link and a codec."""

from __future__ import annotations

import math
import threading
import time
from collections import deque
from collections.abc import Callable, Mapping
from typing import Annotated, ClassVar, Final

from pydantic import Field

from crosslay.errors import GaugeError, TraceError, TraceRefusedError
from crosslay.ports import AdapterConfig, Disposition, GaugeContext, GaugeSignal
from crosslay.texture.trace import Trace
from crosslay_adapters.gauges.framing.events import Codec, Event, RawTrace, Refused, Started
from crosslay_adapters.gauges.framing.heights import HeightOptions, scaled
from crosslay_adapters.gauges.framing.links import Link
from crosslay_adapters.tracefiles.common import mean_spacing_um, positive_fact

#: Longest wait on the link, s, so that `close` is heard.
_SLICE_S: Final = 0.1


class StreamOptions(AdapterConfig):
    """What every gauge on a byte stream has.

    Attributes
    ----------
    spacing_um
        Sampling spacing, µm, where the gauge sends neither positions nor the fact ``spacing_um``.
    silence_s
        Silence after which an open trace is at its end, or broken off.
    fixed_facts
        Facts that hold for every trace, such as ``tip_radius_um``.
    heights
        Unit, calibration and range of the samples.
    """

    spacing_um: float | None = Field(default=None, gt=0, allow_inf_nan=False)
    silence_s: float = Field(default=2.0, ge=0.05, le=600, allow_inf_nan=False)
    fixed_facts: dict[str, Annotated[str, Field(max_length=256)]] = Field(default={}, max_length=32)
    heights: HeightOptions = HeightOptions()


class StreamGauge:
    """What `serial-line`, `serial-frames` and `tcp-stream` share.

    Parameters
    ----------
    options
        Options that all of them have.
    context
        Whom to tell that a traverse has begun.
    link
        Way to the bytes, not yet open.
    codec
        Makes a codec that knows nothing of earlier bytes.
    commands
        What is sent after opening and before closing.
    """

    simulated: ClassVar[bool] = False
    name: ClassVar[str] = ""

    def __init__(self, options: StreamOptions, context: GaugeContext, link: Link, codec: Callable[[], Codec],
                 commands: tuple[bytes, bytes]) -> None:
        self._stream = options
        self._context = context
        self._link = link
        self._new_codec = codec
        self._codec = codec()
        self._commands = commands
        self._events: deque[Event] = deque()
        self._heard_s = 0.0
        self._is_open = False
        self._reading = threading.Lock()
        self._open_lock = threading.Lock()

    # -- life ----------------------------------------------------------------------------------------------------

    def open(self) -> None:
        """Connect and send the start command. Raises `GaugeError`."""
        with self._open_lock:
            if self._is_open:
                return
            self._link.open()
            self._codec = self._new_codec()
            self._events.clear()
            self._heard_s = time.monotonic()
            try:
                if self._commands[0]:
                    self._link.write(self._commands[0])
            except GaugeError:
                self._link.close()
                raise
            self._is_open = True

    def close(self) -> None:
        """Send the stop command and let go; a `read` that waits in another thread returns."""
        with self._open_lock:
            was_open, self._is_open = self._is_open, False
            with self._reading:
                if was_open and self._commands[1]:
                    self._say_goodbye()
                self._link.close()

    def _say_goodbye(self) -> None:
        try:
            self._link.write(self._commands[1])
        except GaugeError:
            return  # it is gone already, which is why it is being closed

    def describe(self) -> Mapping[str, str]:
        """Adapter and port."""
        return {"adapter": self.name, **self._link.describe()}

    def settle(self, trace: Trace, disposition: Disposition, reason: str = "") -> None:
        """A stream keeps nothing that could be settled."""

    # -- reading -------------------------------------------------------------------------------------------------

    def read(self, timeout_s: float) -> Trace | None:
        """Wait for one trace.

        Raises
        ------
        GaugeError
            Not open, or the link is gone; what had arrived of a trace goes with it.
        TraceRefusedError
            What arrived is not a trace.
        """
        with self._reading:
            if not self._is_open:
                raise GaugeError("the gauge is not open")
            deadline_s = time.monotonic() + timeout_s
            while self._is_open:
                while self._events:
                    trace = self._handled(self._events.popleft())
                    if trace is not None:
                        return trace
                left_s = deadline_s - time.monotonic()
                if not self._listen(min(_SLICE_S, max(0.0, left_s))) and left_s <= 0:
                    return None
            return None

    def _listen(self, wait_s: float) -> bool:
        """Feed the codec with what has arrived; whether there is something to handle."""
        try:
            data = self._link.read(wait_s)
        except GaugeError as error:
            if self._codec.busy:
                raise GaugeError(f"{error}; a trace was under way and is lost") from error
            raise
        now_s = time.monotonic()
        if data:
            self._heard_s = now_s
            self._events.extend(self._codec.feed(data))
        elif self._codec.busy and now_s - self._heard_s >= self._stream.silence_s:
            self._events.extend(self._codec.silence())
        return bool(self._events)

    def _handled(self, event: Event) -> Trace | None:
        match event:
            case Started():
                self._context.notify(GaugeSignal.STARTED)
                return None
            case Refused(reason):
                raise TraceRefusedError(f"{self.name}: {reason}")
            case RawTrace():
                try:
                    return built(self._stream, event, time.time())
                except (TraceRefusedError, TraceError) as error:
                    raise TraceRefusedError(f"{self.name}: {error}") from error


def built(options: StreamOptions, raw: RawTrace, captured_at: float) -> Trace:
    """Make the trace that the station gets.

    Raises
    ------
    TraceRefusedError
        No spacing, another number of samples than the gauge announced, or heights that cannot be.
    """
    facts = {**options.fixed_facts, **raw.facts}
    announced = facts.pop("points", None)
    if announced is not None and announced != str(raw.samples.size):
        raise TraceRefusedError(f"the gauge announced {announced} samples, and {raw.samples.size} came")
    spacing_um = _spacing_um(options, raw, facts)
    heights = scaled(options.heights, raw.samples, facts)
    if heights.overloads:
        facts["overloads"] = str(heights.overloads)
    speed_mm_s = positive_fact(facts, "speed_mm_s")
    length_mm = (raw.samples.size - 1) * spacing_um / 1000.0
    return Trace(
        samples=heights.samples, spacing_um=spacing_um, positions_mm=raw.positions_mm,
        position_resolution_mm=raw.position_resolution_mm, calibration=heights.calibration,
        sample_range=heights.sample_range, facts=facts, captured_at=captured_at,
        acquisition_s=None if speed_mm_s is None else length_mm / speed_mm_s,
    )


def _spacing_um(options: StreamOptions, raw: RawTrace, facts: dict[str, str]) -> float:
    said = facts.pop("spacing_um", None)
    if raw.positions_mm is not None:
        return mean_spacing_um(raw.positions_mm)
    if said is None:
        if options.spacing_um is None:
            raise TraceRefusedError("the gauge sends neither positions nor the fact spacing_um; set gauge.spacing_um")
        return options.spacing_um
    try:
        spacing_um = float(said)
    except ValueError:
        spacing_um = math.nan
    if not (math.isfinite(spacing_um) and spacing_um > 0):
        raise TraceRefusedError(f'the fact spacing_um is "{said}"; it must be a number of µm above 0')
    return spacing_um
