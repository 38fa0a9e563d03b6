"""What serial and TCP gauges send: encoders of the tests' own, and a pseudo-terminal for them to send through."""

from __future__ import annotations

import contextlib
import os
import tty
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

import numpy as np


def crc_bitwise(data: bytes, *, bits: int, polynomial: int, initial: int, final: int, reflected: bool) -> int:
    """A CRC one bit at a time, by the definition: the remainder of a division."""
    register, top = initial, 1 << (bits - 1)
    for byte in data:
        for k in range(8):
            bit = (byte >> (k if reflected else 7 - k)) & 1
            out = bool(register & top) ^ bool(bit)
            register = ((register << 1) & ((1 << bits) - 1)) ^ (polynomial if out else 0)
    if reflected:
        register = int(f"{register:0{bits}b}"[::-1], 2)
    return register ^ final


def ccitt_false(data: bytes) -> int:
    """CRC-16/CCITT-FALSE of the tests' own."""
    register = 0xFFFF
    for byte in data:
        register ^= byte << 8
        for _ in range(8):
            register = ((register << 1) ^ 0x1021 if register & 0x8000 else register << 1) & 0xFFFF
    return register


def frame(kind: int, counter: int, payload: bytes) -> bytes:
    """One frame of the default layout with a type byte."""
    body = len(payload).to_bytes(2, "little") + bytes([kind]) + (counter % 65536).to_bytes(2, "little") + payload
    return b"\xa5\x5a" + body + ccitt_false(body).to_bytes(2, "little")


def frames_of(counts: Sequence[int], *, per_frame: int = 50, first: int = 0, head: bytes = b"") -> list[bytes]:
    """Start frame, data frames of int32, end frame."""
    data = np.asarray(counts, dtype="<i4")
    pieces = [data[i : i + per_frame].tobytes() for i in range(0, data.size, per_frame)]
    kinds = [(1, head), *((2, piece) for piece in pieces), (3, b"")]
    return [frame(kind, first + i, payload) for i, (kind, payload) in enumerate(kinds)]


def lines_of(heights: Iterable[float], part: str = "P-1", end: str = "END") -> bytes:
    """A trace as text lines between marks."""
    return "\r\n".join(["BEGIN", f"Part: {part}", *(f"{z:.4f}" for z in heights), end, ""]).encode()


class Pty:
    """A pseudo-terminal with a stable name, like a device under ``/dev/serial/by-id``."""

    def __init__(self, link: Path) -> None:
        self.link = link
        self.master = -1
        self.plug()

    def plug(self) -> None:
        """Make the device appear."""
        self.master, slave = os.openpty()
        tty.setraw(slave)
        self.link.unlink(missing_ok=True)
        self.link.symlink_to(os.ttyname(slave))
        os.close(slave)
        os.set_blocking(self.master, False)

    def unplug(self) -> None:
        """Make it vanish, with whoever has it open."""
        if self.master >= 0:
            os.close(self.master)
            self.master = -1
        self.link.unlink(missing_ok=True)

    def send(self, data: bytes) -> int:
        """Write what the line takes now; how many bytes that were."""
        with contextlib.suppress(BlockingIOError):
            return os.write(self.master, data[:2048])
        return 0


def same_events(one: Sequence[Any], other: Sequence[Any]) -> bool:
    """Whether two lists of a codec's events say the same."""
    return [shown(event) for event in one] == [shown(event) for event in other]


def shown(event: Any) -> Any:
    if hasattr(event, "samples"):
        positions = None if event.positions_mm is None else event.positions_mm.tobytes()
        return (event.samples.dtype.str, event.samples.tobytes(), positions, tuple(sorted(event.facts.items())))
    return event
