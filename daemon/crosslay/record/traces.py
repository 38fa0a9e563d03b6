r"""Raw traces as stored: one self-describing container, hashed, then compressed.

Container: a JSON header in one line, ``\\n``, the samples little-endian (``<i4`` counts or ``<f8`` µm), and, where the
positions are uneven, the positions as ``<f8`` mm. Everything that the computation needs is inside, so the SHA-256 of
the container vouches for all of it.
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


@dataclass(frozen=True, slots=True, kw_only=True)
class PackedTrace:
    """A trace ready to be stored: SHA-256 of the container, number of points, compressed container."""

    sha256: bytes
    points: int
    data: bytes


def pack(trace: Trace) -> PackedTrace:
    """Make the container of a trace, hash and compress it.

    Counts of any integer type are stored as int32 where they fit; other values as float64, bit for bit.
    """
    samples = _canonical(trace.samples)
    header: dict[str, Any] = {
        "format": "crosslay-trace-1",
        "type": samples.dtype.str,
        "points": trace.points,
        "spacing_um": trace.spacing_um,
        "positions": trace.positions_mm is not None,
        "position_resolution_mm": trace.position_resolution_mm,
        "calibration": [trace.calibration.gain_um, trace.calibration.offset_um, trace.calibration.amplification],
        "sample_range": trace.sample_range,
        "facts": trace.facts,
        "identity": trace.identity,
        "captured_at": trace.captured_at,
        "acquisition_s": trace.acquisition_s,
        "simulated": trace.simulated,
    }
    parts = [
        json.dumps(header, ensure_ascii=False, sort_keys=True, separators=(",", ":")).encode(),
        b"\n",
        samples.tobytes(),
    ]
    if trace.positions_mm is not None:
        parts.append(np.ascontiguousarray(trace.positions_mm, dtype="<f8").tobytes())
    container = b"".join(parts)
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
    samples = np.frombuffer(body, dtype=header["type"], count=header["points"])
    positions = np.frombuffer(body, dtype="<f8", offset=samples.nbytes) if header["positions"] else None
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


def _canonical(samples: NDArray[Any]) -> NDArray[Any]:
    if samples.dtype.kind in "iu" and (
        samples.size == 0 or (int(samples.min()) >= -(2**31) and int(samples.max()) < 2**31)
    ):
        return np.ascontiguousarray(samples, dtype="<i4")
    return np.ascontiguousarray(samples, dtype="<f8")
