r"""Raw traces as stored: one self-describing container, hashed, then compressed.

Container: a JSON header in one line, ``\n``, the samples, and, where the trace came with positions, those. An array is
little-endian ``<i4`` counts, or ``<f8``, or, where each value is exactly a decimal fraction as a text file prints it,
``<i4`` units of the last decimal (a quarter of the size, the same doubles bit for bit). Positions on an exact grid of
such units are only its first unit and step. Everything that the computation needs is inside, so the SHA-256 of the
container vouches for all of it.
"""

from __future__ import annotations

import hashlib
import json
import zlib
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from crosslay.errors import StoreError
from crosslay.texture.trace import Calibration, Trace

_LEVEL = 1  # a float64 trace hardly compresses; int32 counts take a quarter
#: Decimals that instruments print.
_DECIMALS = (3, 4, 5, 6, 7, 9)


@dataclass(frozen=True, slots=True, kw_only=True)
class PackedTrace:
    """A trace ready to be stored: SHA-256 of the container, number of points, compressed container."""

    sha256: bytes
    points: int
    data: bytes


def pack(trace: Trace) -> PackedTrace:
    """Make the container of a trace, hash and compress it; `unpack` gives the same arrays bit for bit."""
    samples = _encode(trace.samples)
    positions = None if trace.positions_mm is None else _encode_positions(trace.positions_mm)
    header: dict[str, Any] = {
        "format": "crosslay-trace-1",
        "points": trace.points,
        "samples": samples.header,
        "positions": None if positions is None else positions.header,
        "spacing_um": trace.spacing_um,
        "position_resolution_mm": trace.position_resolution_mm,
        "calibration": [trace.calibration.gain_um, trace.calibration.offset_um, trace.calibration.amplification],
        "sample_range": trace.sample_range,
        "facts": trace.facts,
        "identity": trace.identity,
        "captured_at": trace.captured_at,
        "acquisition_s": trace.acquisition_s,
        "simulated": trace.simulated,
    }
    line = json.dumps(header, ensure_ascii=False, sort_keys=True, separators=(",", ":")).encode()
    container = b"".join((line, b"\n", samples.body, b"" if positions is None else positions.body))
    return PackedTrace(
        sha256=hashlib.sha256(container).digest(), points=trace.points, data=zlib.compress(container, _LEVEL)
    )


def unpack(data: bytes, sha256: bytes) -> Trace:
    """Open a stored container and check it against its hash.

    Raises
    ------
    StoreError
        The container is damaged or does not match its hash.
    """
    try:
        container = zlib.decompress(data)
    except zlib.error as error:
        raise StoreError(f"the stored trace cannot be decompressed ({error})") from error
    if hashlib.sha256(container).digest() != sha256:
        raise StoreError("the stored trace does not match its SHA-256")
    line, _, body = container.partition(b"\n")
    header = json.loads(line)
    points = header["points"]
    samples, used = _decode(body, header["samples"], points)
    positions = None
    if header["positions"] is not None:
        positions, _ = _decode(body[used:], header["positions"], points)
    gain_um, offset_um, amplification = header["calibration"]
    low_high = header["sample_range"]
    return Trace(
        samples=samples,
        spacing_um=header["spacing_um"],
        positions_mm=positions,
        position_resolution_mm=header["position_resolution_mm"],
        calibration=Calibration(gain_um=gain_um, offset_um=offset_um, amplification=amplification),
        sample_range=None if low_high is None else (low_high[0], low_high[1]),
        facts=header["facts"],
        identity=header["identity"],
        captured_at=header["captured_at"],
        acquisition_s=header["acquisition_s"],
        simulated=header["simulated"],
    )


@dataclass(frozen=True, slots=True)
class _Encoded:
    header: dict[str, Any]
    body: bytes


def _encode(values: NDArray[Any]) -> _Encoded:
    """Counts of any integer type as int32 where they fit; other values as decimal units or as float64."""
    if values.dtype.kind in "iu" and _fits(values):
        return _Encoded({"type": "<i4"}, np.ascontiguousarray(values, dtype="<i4").tobytes())
    doubles = np.ascontiguousarray(values, dtype="<f8")
    for decimals in _DECIMALS:
        units = _units(doubles, decimals)
        if units is not None and _fits(units):
            return _Encoded({"type": "<i4", "decimals": decimals}, units.astype("<i4").tobytes())
    return _Encoded({"type": "<f8"}, doubles.tobytes())


def _encode_positions(positions: NDArray[np.float64]) -> _Encoded:
    for decimals in _DECIMALS:
        units = _units(positions, decimals)
        if units is None:
            continue
        steps = np.diff(units)
        if steps.size and np.all(steps == steps[0]):
            return _Encoded({"type": "grid", "decimals": decimals, "first": int(units[0]), "step": int(steps[0])}, b"")
        break
    return _encode(positions)


def _decode(body: bytes, header: dict[str, Any], points: int) -> tuple[NDArray[Any], int]:
    """One array and the number of bytes that it took."""
    if header["type"] == "grid":
        units: NDArray[Any] = header["first"] + header["step"] * np.arange(points, dtype=np.int64)
        return units / 10.0 ** header["decimals"], 0
    stored = np.frombuffer(body, dtype=header["type"], count=points)
    if "decimals" in header:
        return stored / 10.0 ** header["decimals"], stored.nbytes
    return stored, stored.nbytes


def _units(doubles: NDArray[np.float64], decimals: int) -> NDArray[np.float64] | None:
    """Whole units of the last decimal, where each value is the double nearest to such a decimal; else None.

    The quotient of two integers below 2**53 is rounded correctly (IEEE 754), and so is the reading of a decimal.
    """
    probe = doubles[:: max(1, doubles.size // 16)]
    for part in (probe, doubles):  # most arrays say no at the first look
        if part.size and not np.all(np.abs(part) * 10.0**decimals < 2.0**52):
            return None
        units = np.rint(part * 10.0**decimals)
        if not np.array_equal((units / 10.0**decimals).view(np.int64), np.ascontiguousarray(part).view(np.int64)):
            return None
    return units


def _fits(values: NDArray[Any]) -> bool:
    return values.size == 0 or (values.min() >= -(2**31) and values.max() < 2**31)
