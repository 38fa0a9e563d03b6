"""Roughness and waviness motifs.

A motif is the piece of a profile between two peaks, with a depth at either side. Neighbouring motifs are combined
while the four conditions of ISO 12085 hold; what is left are the roughness motifs (operator A). Their peaks make the
upper envelope, and its motifs (operator B) are the waviness motifs.

Where the standard was not at hand, these choices hold (design: texture, section 6; the conditions and the table are
*from memory*):

- Peaks and valleys are those whose steps reach 5 % of the mean height of the stretches of width A/2 (an incomplete
  stretch is left out, once at the end and once at the beginning).
- Of neighbouring pairs that may be combined, the one with the shallowest middle peak goes first, so that a reversed
  trace gives the same motifs.
- A motif wider than its operator is none: it counts neither in R and AR nor in W and AW.
- Depths beyond mean + 1.65 s count as mean + 1.65 s; a peak that exceeds it on both sides is lowered to it before the
  envelope is drawn. `OutlierDepths.KEEP` turns both off.
- Peaks have a valley on both sides: what rises to the end of the window is none.
"""

from __future__ import annotations

import enum
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from crosslay.errors import SettingsError
from crosslay.texture.extrema import TurningPoints, pruned, turning_points
from crosslay.texture.undefined import Undefined

#: Steps below this share of the mean height of the stretches are no peaks.
LEAST_STEP_SHARE = 0.05
#: Steps of the envelope below this share of the profile's total height are rounding.
ROUNDING_SHARE = 1e-9
#: Relative depth of condition 4.
RELATIVE_DEPTH = 0.6
#: Depths count up to mean + this many standard deviations.
OUTLIER_SPREAD = 1.65


class OutlierDepths(enum.Enum):
    """What happens to single depths far beyond the others."""

    LEVEL = "level"
    KEEP = "keep"


@dataclass(frozen=True, slots=True, kw_only=True)
class MotifLimits:
    """One row of the standard's table.

    Attributes
    ----------
    roughness_mm, waviness_mm
        Operators A and B, mm.
    evaluation_mm
        Evaluation length, mm.
    short_cutoff_um
        λs, µm.
    """

    roughness_mm: float
    waviness_mm: float
    evaluation_mm: float
    short_cutoff_um: float


#: ISO 12085:1996, table 1 (from memory); the row with A = 0.5 mm is the default.
STANDARD_LIMITS = (
    MotifLimits(roughness_mm=0.02, waviness_mm=0.1, evaluation_mm=0.64, short_cutoff_um=2.5),
    MotifLimits(roughness_mm=0.1, waviness_mm=0.5, evaluation_mm=3.2, short_cutoff_um=2.5),
    MotifLimits(roughness_mm=0.5, waviness_mm=2.5, evaluation_mm=16.0, short_cutoff_um=8.0),
    MotifLimits(roughness_mm=2.5, waviness_mm=12.5, evaluation_mm=80.0, short_cutoff_um=25.0),
)
DEFAULT_LIMITS = STANDARD_LIMITS[2]


@dataclass(frozen=True, slots=True, kw_only=True)
class MotifParameters:
    """Parameters of the motif method.

    Attributes
    ----------
    r, rx
        Mean and largest depth of the roughness motifs, µm.
    ar
        Mean width of the roughness motifs, mm.
    w, wx
        Mean and largest depth of the waviness motifs, µm.
    aw
        Mean width of the waviness motifs, mm.
    wte
        Total height of the upper envelope, µm.
    """

    r: float | Undefined
    ar: float | Undefined
    rx: float | Undefined
    w: float | Undefined
    aw: float | Undefined
    wx: float | Undefined
    wte: float | Undefined


@dataclass(frozen=True, slots=True, eq=False)
class Motifs:
    """Neighbouring motifs: K + 1 peaks and the K valleys between them.

    Attributes
    ----------
    peaks_um, valleys_um
        Heights of the peaks, shape (K + 1,), and of the valleys, shape (K,), µm.
    places_um
        Where the peaks lie, shape (K + 1,), µm.
    """

    peaks_um: NDArray[np.float64]
    valleys_um: NDArray[np.float64]
    places_um: NDArray[np.float64]

    @property
    def widths_um(self) -> NDArray[np.float64]:
        """Widths, shape (K,), µm."""
        widths: NDArray[np.float64] = np.diff(self.places_um)
        return widths

    @property
    def depths_um(self) -> NDArray[np.float64]:
        """Depths at the left and at the right, shape (K, 2), µm."""
        return np.column_stack((self.peaks_um[:-1] - self.valleys_um, self.peaks_um[1:] - self.valleys_um))


def motif_parameters(
    heights_um: NDArray[np.float64],
    spacing_um: float,
    *,
    roughness_limit_mm: float = DEFAULT_LIMITS.roughness_mm,
    waviness_limit_mm: float = DEFAULT_LIMITS.waviness_mm,
    outliers: OutlierDepths = OutlierDepths.LEVEL,
) -> MotifParameters:
    """Roughness and waviness motifs of a primary profile.

    Parameters
    ----------
    heights_um
        Primary profile in the evaluation length, shape (M,), µm.
    spacing_um
        Sampling spacing, µm.
    roughness_limit_mm, waviness_limit_mm
        Operators A and B, mm, ``0 < A ≤ B``.
    outliers
        Whether single depths far beyond the others are levelled.

    Returns
    -------
    MotifParameters
        Undefined where no motif of at most A (at most B) is found.

    Raises
    ------
    SettingsError
        The operators are not above 0 or B is below A.

    References
    ----------
    .. [1] ISO 12085:1996, clauses 3 to 5 and annex A. Pre-processing and order: see the head of this module.
    """
    if not 0.0 < roughness_limit_mm <= waviness_limit_mm < math.inf:
        raise SettingsError(
            f"motif operators: A = {roughness_limit_mm:g} mm, B = {waviness_limit_mm:g} mm; 0 < A ≤ B is needed"
        )
    limit_um = 1e3 * roughness_limit_mm
    motifs = roughness_motifs(heights_um, spacing_um, limit_um)
    counted = motifs.widths_um <= limit_um
    depths = motifs.depths_um[counted]
    ceiling_um = _ceiling(depths) if outliers is OutlierDepths.LEVEL else math.inf
    r, ar, rx = _mean_depth_width_max(np.minimum(depths, ceiling_um), motifs.widths_um[counted], roughness_limit_mm)

    envelope = _levelled(motifs, ceiling_um)
    rounding_um = ROUNDING_SHARE * float(np.ptp(heights_um))
    waves = waviness_motifs(envelope, motifs.places_um, 1e3 * waviness_limit_mm, rounding_um)
    counted = waves.widths_um <= 1e3 * waviness_limit_mm
    w, aw, wx = _mean_depth_width_max(waves.depths_um[counted], waves.widths_um[counted], waviness_limit_mm)
    wte = float(np.ptp(envelope)) if envelope.shape[0] > 1 else Undefined("fewer than two peaks: no upper envelope")
    return MotifParameters(r=r, ar=ar, rx=rx, w=w, aw=aw, wx=wx, wte=wte)


def roughness_motifs(heights_um: NDArray[np.float64], spacing_um: float, limit_um: float) -> Motifs:
    """Motifs of a profile, combined as far as the four conditions and the limit allow.

    Parameters
    ----------
    heights_um
        Primary profile, shape (M,), µm.
    spacing_um
        Sampling spacing, µm.
    limit_um
        Operator A, µm.

    Returns
    -------
    Motifs
        All that are left, also those wider than the limit (two single peaks can be further apart).
    """
    least_um = LEAST_STEP_SHARE * _mean_stretch_height(heights_um, math.floor(0.5 * limit_um / spacing_um + 0.5))
    points = pruned(turning_points(heights_um), least_um)
    return _combined(_between_peaks(points, points.positions * spacing_um), limit_um)


def waviness_motifs(
    envelope_um: NDArray[np.float64], places_um: NDArray[np.float64], limit_um: float, least_um: float = 0.0
) -> Motifs:
    """Motifs of the upper envelope.

    Parameters
    ----------
    envelope_um, places_um
        Heights and places of the points that the envelope joins, shape (K,), µm.
    limit_um
        Operator B, µm.
    least_um
        Steps below this are left out, µm.

    Returns
    -------
    Motifs
        All that are left, also those wider than the limit.
    """
    if envelope_um.shape[0] == 0:
        return Motifs(envelope_um, envelope_um, envelope_um)
    points = pruned(turning_points(envelope_um), least_um)
    places = np.interp(points.positions, np.arange(places_um.shape[0]), places_um)
    return _combined(_between_peaks(points, places), limit_um)


def _mean_stretch_height(heights: NDArray[np.float64], stretch_points: int) -> float:
    """Mean of max − min over consecutive stretches, counted once from either end so that no direction is preferred."""
    width = min(max(stretch_points, 2), heights.shape[0])
    rest = heights.shape[0] % width
    sums = 0.0
    for part in (heights[: heights.shape[0] - rest], heights[rest:]):
        stretches = part.reshape(-1, width)
        sums += float(np.mean(stretches.max(axis=1) - stretches.min(axis=1)))
    return 0.5 * sums


def _between_peaks(points: TurningPoints, places_um: NDArray[np.float64]) -> Motifs:
    """Motifs between neighbouring peaks; the ends of the profile are no peaks."""
    heights = points.heights_um
    first = 1 if heights.shape[0] > 1 and heights[1] > heights[0] else 2
    peaks = heights[first:-1:2]
    return Motifs(peaks, heights[first + 1 : -1 : 2][: max(peaks.shape[0] - 1, 0)], places_um[first:-1:2])


class _Chain:
    """Peaks in a doubly linked list, from which middle peaks are taken out."""

    __slots__ = ("after", "before", "cost", "limit", "peaks", "places", "valleys")

    def __init__(self, motifs: Motifs, limit_um: float) -> None:
        count = motifs.peaks_um.shape[0]
        self.peaks: list[float] = motifs.peaks_um.tolist()
        self.places: list[float] = motifs.places_um.tolist()
        # The valley to the right of each peak.
        self.valleys: list[float] = motifs.valleys_um.tolist()
        self.before = list(range(-1, count - 1))
        self.after = list(range(1, count + 1))
        self.limit = limit_um
        self.cost = [math.inf] * count
        for peak in range(1, count - 1):
            self.cost[peak] = self.depth_if_combinable(peak)

    def depth_if_combinable(self, middle: int) -> float:
        """Smaller depth at a middle peak whose two motifs may be combined; infinity where they may not."""
        left, right = self.before[middle], self.after[middle]
        high_left, high, high_right = self.peaks[left], self.peaks[middle], self.peaks[right]
        low_left, low_right = self.valleys[left], self.valleys[middle]
        depth = high - max(low_left, low_right)
        combined = min(high_left, high_right) - min(low_left, low_right)
        allowed = (
            high <= max(high_left, high_right)  # envelope
            and self.places[right] - self.places[left] <= self.limit  # width
            and combined >= min(high_left, high) - low_left  # magnification
            and combined >= min(high, high_right) - low_right
            and depth < RELATIVE_DEPTH * combined  # relative depth
        )
        return depth if allowed else math.inf

    def goes_first(self, peak: int) -> bool:
        """Whether a peak may be taken out before either neighbour: less deep, the left one of equals."""
        cost = self.cost[peak]
        return cost < math.inf and self.cost[self.before[peak]] > cost <= self.cost[self.after[peak]]

    def take_out(self, peak: int) -> tuple[int, int]:
        """Combine the two motifs at a peak; its former neighbours are returned."""
        left, right = self.before[peak], self.after[peak]
        self.valleys[left] = min(self.valleys[left], self.valleys[peak])
        self.after[left], self.before[right] = right, left
        return left, right

    def inner(self, peak: int) -> bool:
        """Whether a peak has motifs on both sides."""
        return 0 < peak < len(self.peaks) - 1

    def reduce(self) -> None:
        """Combine until nothing can be combined any more.

        Peaks that go first are never neighbours, so a generation is taken out at once. Only peaks near a change are
        looked at again: the work is of the order of the number of peaks.
        """
        frontier = [peak for peak in range(len(self.peaks)) if self.inner(peak)]
        while frontier:
            leaving = [peak for peak in frontier if self.goes_first(peak)]
            changed: dict[int, None] = {}
            for peak in leaving:
                changed.update(dict.fromkeys(self.take_out(peak)))
            inner = [peak for peak in changed if self.inner(peak)]
            for peak in inner:
                self.cost[peak] = self.depth_if_combinable(peak)
            near: dict[int, None] = {}
            for peak in inner:
                near.update(dict.fromkeys((self.before[peak], peak, self.after[peak])))
            frontier = [peak for peak in near if self.inner(peak)]

    def remaining(self) -> list[int]:
        """Peaks that are left, from left to right."""
        kept = [0]
        while self.after[kept[-1]] < len(self.peaks):
            kept.append(self.after[kept[-1]])
        return kept


def _combined(motifs: Motifs, limit_um: float) -> Motifs:
    """Combine neighbouring motifs as far as the conditions allow."""
    if motifs.valleys_um.shape[0] < 2:
        return motifs
    chain = _Chain(motifs, limit_um)
    chain.reduce()
    kept = chain.remaining()
    valleys = np.array([chain.valleys[peak] for peak in kept[:-1]])
    return Motifs(motifs.peaks_um[kept], valleys, motifs.places_um[kept])


def _ceiling(depths: NDArray[np.float64]) -> float:
    """Largest depth that counts, µm: mean + 1.65 s."""
    if depths.size == 0:
        return math.inf
    return float(depths.mean()) + OUTLIER_SPREAD * float(depths.std(ddof=1))


def _levelled(motifs: Motifs, ceiling_um: float) -> NDArray[np.float64]:
    """Heights of the peaks, those lowered that stand out by more than the ceiling on both sides, µm."""
    peaks = motifs.peaks_um.copy()
    if peaks.shape[0] > 2 and ceiling_um < math.inf:
        around = np.maximum(motifs.valleys_um[:-1], motifs.valleys_um[1:])
        np.minimum(peaks[1:-1], around + ceiling_um, out=peaks[1:-1])
    return peaks


def _mean_depth_width_max(
    depths: NDArray[np.float64], widths: NDArray[np.float64], limit_mm: float
) -> tuple[float | Undefined, float | Undefined, float | Undefined]:
    """Mean depth µm, mean width mm, largest depth µm."""
    if depths.size == 0:
        reason = Undefined(f"no motif of at most {limit_mm:g} mm")
        return reason, reason, reason
    return float(depths.mean()), 1e-3 * float(widths.mean()), float(depths.max())
