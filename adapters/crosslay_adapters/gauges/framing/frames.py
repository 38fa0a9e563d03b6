"""Binary frames: a codec without I/O, described by the station file."""

from __future__ import annotations

from typing import Annotated, Any, Final, Literal, Self

import numpy as np
from numpy.typing import NDArray
from pydantic import Field, field_validator, model_validator

from crosslay.ports import AdapterConfig
from crosslay_adapters.gauges.framing.checksums import NAMES, checksum
from crosslay_adapters.gauges.framing.events import (
    MAX_POINTS,
    Event,
    FactSheet,
    Nonsense,
    OpenTrace,
    RawTrace,
    Refused,
    Started,
)
from crosslay_adapters.tracefiles.common import bad_position

#: A payload may not be larger, so that no more than 64 KiB of an unfinished frame are kept.
MAX_PAYLOAD_BYTES: Final = 60_000
_HEX: Final = r"^([0-9A-Fa-f]{2})*$"
_SAMPLE_BYTES: Final = {"int16": 2, "int24": 3, "int32": 4, "float32": 4}
_ENCODER_BYTES: Final = 4


class FrameTypes(AdapterConfig):
    """Values of the type byte that begin, fill and end a trace; frames of other types are left alone."""

    start: int = Field(ge=0, le=255)
    data: int = Field(ge=0, le=255)
    end: int = Field(ge=0, le=255)

    @model_validator(mode="after")
    def _differ(self) -> Self:
        if len({self.start, self.data, self.end}) < 3:
            raise ValueError("start, data and end need three different values")
        return self


class FrameFormat(AdapterConfig):
    """Options of ``[gauge.frames]``. A frame is: sync, length, type, counter, payload, checksum.

    Attributes
    ----------
    framing
        ``sync``: frames begin with `sync`; ``cobs``: each frame is coded without zeros and ends in one, and has no
        sync and no length.
    sync
        Hexadecimal.
    length_bytes, length_adds
        Size of the length field, and what its value holds beside the number of payload bytes.
    payload_bytes
        Number of payload bytes where there is no length field.
    max_payload_bytes
        A longer frame is none.
    types
        Where frames have a type byte.
    counter_bytes
        Size of the counter, which grows by one from frame to frame and begins again at 0 after its highest value.
    sample, encoder
        What the payload of data frames holds again and again: the encoder's count, if any, and a sample.
    encoder_um
        Way per count of the encoder, µm; negative where it counts down.
    byte_order
        Of length, counter, samples and checksum.
    checksum
        Over all that stands between sync and checksum.
    points
        Without types: samples of a trace. Without both, silence ends a trace.
    facts
        The payload of a start frame holds lines ``name: value`` (UTF-8): the gauge's name, and the fact it becomes.
    start_command, stop_command
        Bytes, hexadecimal, that are sent when the gauge is opened and closed.
    """

    framing: Literal["sync", "cobs"] = "sync"
    sync: Annotated[str, Field(min_length=4, max_length=16, pattern=_HEX)] = "A55A"
    length_bytes: Literal[0, 1, 2] = 2
    length_adds: int = Field(default=0, ge=0, le=64)
    payload_bytes: int | None = Field(default=None, ge=1, le=MAX_PAYLOAD_BYTES)
    max_payload_bytes: int = Field(default=4096, ge=1, le=MAX_PAYLOAD_BYTES)
    types: FrameTypes | None = None
    counter_bytes: Literal[1, 2, 4] = 2
    sample: Literal["int16", "int24", "int32", "float32"] = "int32"
    encoder: Literal["none", "int32"] = "none"
    encoder_um: float | None = Field(default=None, allow_inf_nan=False)
    byte_order: Literal["little", "big"] = "little"
    checksum: str = "CRC-16/CCITT-FALSE"
    points: int | None = Field(default=None, ge=2, le=MAX_POINTS)
    facts: dict[str, Annotated[str, Field(min_length=1, max_length=64)]] = Field(default={}, max_length=32)
    start_command: Annotated[str, Field(max_length=512, pattern=_HEX)] = ""
    stop_command: Annotated[str, Field(max_length=512, pattern=_HEX)] = ""

    @field_validator("checksum")
    @classmethod
    def _known(cls, value: str) -> str:
        if value not in NAMES:
            raise ValueError(f'"{value}" is no checksum; possible are {", ".join(NAMES)}')
        return value

    @model_validator(mode="after")
    def _fits_together(self) -> Self:
        if self.framing == "sync" and (self.length_bytes == 0) != (self.payload_bytes is not None):
            raise ValueError("give payload_bytes where length_bytes is 0, and only there")
        if self.framing == "cobs" and self.payload_bytes is not None:
            raise ValueError("payload_bytes belongs to frames with sync; the zero ends a COBS frame")
        if (self.encoder == "none") != (self.encoder_um is None) or self.encoder_um == 0:
            raise ValueError("encoder and encoder_um (not 0) belong together")
        if self.types is not None and self.points is not None:
            raise ValueError("points belongs to frames without types; an end frame ends the trace")
        return self

    @property
    def start_bytes(self) -> bytes:
        """What is sent when the gauge is opened."""
        return bytes.fromhex(self.start_command)

    @property
    def stop_bytes(self) -> bytes:
        """What is sent when the gauge is closed."""
        return bytes.fromhex(self.stop_command)

    @property
    def header_bytes(self) -> int:
        """Bytes of type and counter."""
        return self.counter_bytes + (self.types is not None)


class SyncDeframer:
    """Finds frames that begin with a sync pattern; where one proves to be none, what lies in it is looked at."""

    def __init__(self, options: FrameFormat) -> None:
        self._options = options
        self._sync = bytes.fromhex(options.sync)
        self._checksum = checksum(options.checksum)
        self._kept = b""

    @property
    def pending(self) -> int:
        """Bytes that wait for more."""
        return len(self._kept)

    def feed(self, data: bytes) -> list[bytes | int]:
        """Bodies (type, counter, payload) of good frames, and numbers of bytes that belong to none, in order."""
        buffer = self._kept + data
        found: list[bytes | int] = []
        place = 0
        while True:
            at = buffer.find(self._sync, place)
            if at < 0:
                at = max(place, len(buffer) - _overlap(buffer, self._sync))
            if at > place:
                found.append(at - place)
                place = at
            size = self._size(buffer, at)
            if size is None or at + size > len(buffer):
                break
            body = self._body(buffer[at : at + size]) if size else None
            if body is None:
                found.append(1)
            else:
                found.append(body)
            place += 1 if body is None else size
        self._kept = buffer[place:]
        return found

    def silence(self) -> list[bytes | int]:
        """Give up the frame that waits, and look at what lies in it."""
        found: list[bytes | int] = []
        while self._kept:
            found.append(1)
            kept, self._kept = self._kept[1:], b""
            found.extend(self.feed(kept))
        return found

    def _size(self, buffer: bytes, at: int) -> int | None:
        """Bytes of the frame at a place: None while that cannot be known, 0 where it cannot be a frame."""
        o = self._options
        head = len(self._sync) + o.length_bytes
        if len(buffer) - at < head:
            return None
        payload = o.payload_bytes
        if payload is None:
            payload = int.from_bytes(buffer[at + len(self._sync) : at + head], o.byte_order) - o.length_adds
            if not 0 <= payload <= o.max_payload_bytes:
                return 0
        return head + o.header_bytes + payload + self._checksum.bits // 8

    def _body(self, frame: bytes) -> bytes | None:
        end = len(frame) - self._checksum.bits // 8
        if self._checksum.of(frame[len(self._sync) : end]) != int.from_bytes(frame[end:], self._options.byte_order):
            return None
        return frame[len(self._sync) + self._options.length_bytes : end]


def _overlap(buffer: bytes, sync: bytes) -> int:
    """How many bytes at the end may be the beginning of a sync pattern."""
    return next((n for n in range(min(len(sync) - 1, len(buffer)), 0, -1) if buffer.endswith(sync[:n])), 0)


class CobsDeframer:
    """Finds frames coded by consistent overhead byte stuffing (Cheshire and Baker, IEEE/ACM Trans. Netw. 7, 1999)."""

    def __init__(self, options: FrameFormat) -> None:
        self._options = options
        self._checksum = checksum(options.checksum)
        plain = options.header_bytes + options.max_payload_bytes + self._checksum.bits // 8
        self._longest = plain + plain // 254 + 1
        self._kept = b""
        self._in_long = False

    @property
    def pending(self) -> int:
        """Bytes that wait for more."""
        return len(self._kept)

    def feed(self, data: bytes) -> list[bytes | int]:
        """See `SyncDeframer.feed`."""
        *pieces, tail = (self._kept + data).split(b"\0")
        found: list[bytes | int] = []
        for piece in pieces:
            body = None if self._in_long or len(piece) > self._longest else self._body(piece)
            self._in_long = False
            if body is not None:
                found.append(body)
            elif piece:
                found.append(len(piece))
        if self._in_long or len(tail) > self._longest:
            found.append(len(tail))
            self._in_long, tail = True, b""
        self._kept = tail
        return found

    def silence(self) -> list[bytes | int]:
        """Drop what waits for its zero."""
        kept, self._kept, self._in_long = self._kept, b"", False
        return [len(kept)] if kept else []

    def _body(self, piece: bytes) -> bytes | None:
        plain, width = cobs_decoded(piece), self._checksum.bits // 8
        if plain is None or len(plain) < self._options.header_bytes + width:
            return None
        end = len(plain) - width
        good = self._checksum.of(plain[:end]) == int.from_bytes(plain[end:], self._options.byte_order)
        return plain[:end] if good else None


def cobs_decoded(piece: bytes) -> bytes | None:
    """What a COBS frame without its zero stands for; None where it is none."""
    plain, place, size = [], 0, len(piece)
    while place < size:
        code = piece[place]
        end = place + code
        if code == 0 or end > size:
            return None
        plain.append(piece[place + 1 : end])
        if code < 255 and end < size:
            plain.append(b"\0")
        place = end
    return b"".join(plain)


class _OpenFrames(OpenTrace):
    """The same with the bytes that came, also those that were let go."""

    __slots__ = ("size",)

    def __init__(self) -> None:
        super().__init__()
        self.size = 0


class FrameCodec:
    """See `FrameFormat` and `crosslay_adapters.gauges.framing.events.Codec`."""

    def __init__(self, options: FrameFormat) -> None:
        self._options = options
        self._deframer = SyncDeframer(options) if options.framing == "sync" else CobsDeframer(options)
        self._record = _SAMPLE_BYTES[options.sample] + (_ENCODER_BYTES if options.encoder != "none" else 0)
        self._open: _OpenFrames | None = None
        self._last: bytes | None = None
        self._nonsense = Nonsense("check speed and parity of the line, and the layout in gauge.frames")

    @property
    def busy(self) -> bool:
        """Whether a trace has begun, or a frame that has not ended."""
        return self._open is not None or self._deframer.pending > 0

    def feed(self, data: bytes) -> list[Event]:
        """Take any number of bytes."""
        events: list[Event] = []
        self._take(self._deframer.feed(data), events)
        return events

    def silence(self) -> list[Event]:
        """End an open trace: whole where silence is its end, else broken off."""
        events: list[Event] = []
        self._take(self._deframer.silence(), events)
        if self._open is not None:
            if self._options.types is not None:
                self._open.spoil("the line fell silent before the end frame; look at cable and gauge, and measure the "
                                 "part again")
            elif self._options.points is not None:
                self._open.spoil(f"the line fell silent after {self._open.size // self._record} of "
                                 f"{self._options.points} samples")
            self._finish(events)
        return events

    # -- frames --------------------------------------------------------------------------------------------------

    def _take(self, found: list[bytes | int], events: list[Event]) -> None:
        for piece in found:
            if isinstance(piece, int):
                if self._open is None or self._open.reason:
                    events.extend(self._nonsense.add(piece))
            elif piece != self._last:  # the same frame sent twice is one
                self._take_frame(piece, events)

    def _take_frame(self, body: bytes, events: list[Event]) -> None:
        types = self._options.types
        kind = None if types is None else body[0]
        if types is not None and kind not in {types.start, types.data, types.end}:
            self._require_next(body)
        elif types is not None and kind == types.start:
            self._start(body, events)
        else:
            self._continue(body, kind, events)
        self._last = body

    def _start(self, body: bytes, events: list[Event]) -> None:
        if self._open is not None:
            self._open.spoil("the next start frame came before the end of the trace")
            self._finish(events)
        opened = self._begin(events)
        complaint = self._facts(body[self._options.header_bytes :], opened.facts)
        if complaint:
            opened.spoil(complaint)

    def _continue(self, body: bytes, kind: int | None, events: list[Event]) -> None:
        types = self._options.types
        if self._open is None:
            opened = self._begin(events)
            if types is not None:
                opened.spoil("data came without a start frame; the beginning of the trace is missing")
        else:
            opened = self._open
            self._require_next(body)
        if types is not None and kind == types.end:
            self._finish(events)
            return
        self._keep(body[self._options.header_bytes :], opened)
        points = self._options.points
        if points is not None and opened.size >= points * self._record:
            if opened.size > points * self._record:
                opened.spoil(f"the frames do not end after {points} samples; correct gauge.frames.points")
            self._finish(events)

    def _require_next(self, body: bytes) -> None:
        """Compare the counter with that of the frame before."""
        if self._open is None or self._last is None:
            return
        before, now = self._counter(self._last), self._counter(body)
        expected = (before + 1) % 256**self._options.counter_bytes
        if now != expected:
            self._open.spoil(f"the counter goes from {before} to {now} after {self._open.size // self._record} samples;"
                             f" {(now - expected) % 256**self._options.counter_bytes} frames were lost")

    def _counter(self, body: bytes) -> int:
        o = self._options
        return int.from_bytes(body[o.header_bytes - o.counter_bytes : o.header_bytes], o.byte_order)

    def _keep(self, payload: bytes, opened: _OpenFrames) -> None:
        if len(payload) % self._record:
            opened.spoil(f"a frame has {len(payload)} payload bytes, which is no multiple of {self._record}; correct "
                         "sample and encoder in gauge.frames")
        opened.size += len(payload)
        if opened.size > MAX_POINTS * self._record:
            opened.spoil(f"the trace has more than {MAX_POINTS:,} samples; did an end frame get lost?")
        if not opened.reason:
            opened.pieces.append(payload)

    def _facts(self, payload: bytes, facts: FactSheet) -> str:
        """Keep the facts of a start frame; the reason to refuse the trace, or ``""``."""
        if not self._options.facts:
            return ""
        try:
            lines = payload.decode("utf-8").splitlines()
        except UnicodeDecodeError:
            return "the start frame holds no text; take facts out of gauge.frames"
        for name, colon, value in (line.partition(":") for line in lines):
            key = self._options.facts.get(name.strip())
            complaint = facts.add(key, value.strip()) if colon and key is not None else ""
            if complaint:
                return complaint
        return ""

    def _begin(self, events: list[Event]) -> _OpenFrames:
        self._open = opened = _OpenFrames()
        self._nonsense.count = 0
        events.append(Started())
        return opened

    def _finish(self, events: list[Event]) -> None:
        opened, self._open = self._open, None
        if opened is None:
            return
        if not opened.reason and opened.size < 2 * self._record:
            opened.reason = "the trace has fewer than two samples"
        if opened.reason:
            events.append(Refused(opened.reason))
            return
        try:
            events.append(self._parsed(b"".join(opened.pieces), opened.facts.values))
        except ValueError as error:
            events.append(Refused(str(error)))

    def _parsed(self, payload: bytes, facts: dict[str, str]) -> RawTrace:
        o = self._options
        rows = np.frombuffer(payload, dtype=np.uint8).reshape(-1, self._record)
        samples = _decoded(rows[:, -_SAMPLE_BYTES[o.sample] :], o.sample, o.byte_order)
        if o.encoder_um is None:
            return RawTrace(samples, facts=facts)
        counts = _decoded(rows[:, :_ENCODER_BYTES], "int32", o.byte_order)
        positions_mm = counts * (o.encoder_um / 1000.0)
        bad = bad_position(positions_mm)
        if bad is not None:
            raise ValueError(f"sample {bad[0] + 1}: {bad[1]}; look at the encoder")
        return RawTrace(samples, positions_mm=positions_mm, position_resolution_mm=abs(o.encoder_um) / 1000.0,
                        facts=facts)


def _decoded(rows: NDArray[np.uint8], sample: str, byte_order: str) -> NDArray[Any]:
    """Numbers from their bytes, shape (N, bytes) to (N,): int32, or float64 for float32."""
    order = "<" if byte_order == "little" else ">"
    if sample == "int24":  # as the upper three bytes of four, so that the sign comes along
        wide = np.zeros((rows.shape[0], 4), dtype=np.uint8)
        wide[:, slice(1, 4) if byte_order == "little" else slice(0, 3)] = rows
        return (wide.view(f"{order}i4").ravel() >> 8).astype(np.int32)
    code = {"int16": "i2", "int32": "i4", "float32": "f4"}[sample]
    return np.ascontiguousarray(rows).view(order + code).ravel().astype(np.float64 if sample == "float32" else np.int32)
