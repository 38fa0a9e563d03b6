"""What enters the computation: a raw trace, as the gauge delivered it, and the findings that it gives rise to."""

from __future__ import annotations

import enum
import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from crosslay.errors import TraceError

#: Heights beyond this are not surface texture but bad input (page *interface*), in µm.
MAX_HEIGHT_UM = 1e6


class Severity(enum.Enum):
    """How much a finding weighs."""

    INFO = "info"
    WARNING = "warning"
    INVALID = "invalid"


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """Something that was noticed about a trace.

    Attributes
    ----------
    id
        Stable identifier in kebab-case, e.g. ``uneven-spacing``.
    severity
        ``INVALID`` turns the verdict to invalid; ``WARNING`` travels with the result.
    text
        One or two plain sentences: what, with numbers, and the remedy.
    evidence
        The numbers behind the text, in the units that the key names (``share_percent``, ``x_mm`` …).
    """

    id: str
    severity: Severity
    text: str
    evidence: dict[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibration:
    """Counts to height: ``µm = offset + gain·counts``, times the amplification correction found on a specimen.

    Attributes
    ----------
    gain_um
        µm per count (1.0 for traces delivered in µm).
    offset_um
        µm.
    amplification
        Dimensionless, certified/measured.
    """

    gain_um: float = 1.0
    offset_um: float = 0.0
    amplification: float = 1.0

    def apply(self, samples: NDArray[Any]) -> NDArray[np.float64]:
        """Heights in µm, shape of `samples`. The identity returns float64 samples unchanged, bit for bit."""
        heights = np.asarray(samples, dtype=np.float64)
        if self.gain_um != 1.0 or self.offset_um != 0.0:
            heights = self.offset_um + self.gain_um * heights
        return heights if self.amplification == 1.0 else heights * self.amplification


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Trace:
    """One raw trace, one direction, one traverse.

    Attributes
    ----------
    samples
        Heights as delivered, shape (N,): float64 µm, or int32 counts of the gauge's converter.
    spacing_um
        Sampling spacing dx, µm; with positions the mean ``(x_last − x_first)/(N − 1)``.
    positions_mm
        x of each sample, shape (N,), strictly increasing, only where the delivered positions are uneven; else None.
    position_resolution_mm
        One unit of the last printed decimal of the positions, mm; 0 where not known.
    calibration
        How `samples` become µm.
    sample_range
        Lowest and highest value that the gauge can deliver, in the unit of `samples`; None where not known.
    facts
        What the gauge or file says: ``part``, ``job``, ``product``, ``characteristic``, ``speed_mm_s``,
        ``tip_radius_um``, ``skid`` …; text, as given.
    identity
        The trace's own identity where it came with one (a file's name, mtime and SHA-256), else ``""``.
    captured_at
        End of the traverse, seconds since the epoch by this computer's clock; None for offline work.
    acquisition_s
        How long the traverse took, s; None where not known.
    simulated
        True for a simulated or replayed trace; such traces never drive a real light.
    """

    samples: NDArray[Any]
    spacing_um: float
    positions_mm: NDArray[np.float64] | None = None
    position_resolution_mm: float = 0.0
    calibration: Calibration = Calibration()
    sample_range: tuple[float, float] | None = None
    facts: dict[str, str] = field(default_factory=dict)
    identity: str = ""
    captured_at: float | None = None
    acquisition_s: float | None = None
    simulated: bool = False

    def __post_init__(self) -> None:
        if self.samples.ndim != 1:
            raise TraceError(f"a trace is one line of heights, not an array of shape {self.samples.shape}")
        if not (math.isfinite(self.spacing_um) and self.spacing_um > 0):
            raise TraceError(f"spacing_um is {self.spacing_um}; it must be a number above 0")
        if self.positions_mm is not None and self.positions_mm.shape != self.samples.shape:
            raise TraceError("positions and heights differ in number")

    @property
    def points(self) -> int:
        """Number of samples N."""
        return int(self.samples.shape[0])

    def heights_um(self) -> NDArray[np.float64]:
        """Calibrated heights, shape (N,), µm; not yet brought onto an even grid."""
        return self.calibration.apply(self.samples)
