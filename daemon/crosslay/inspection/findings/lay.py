"""Direction and length: traced along the lay, or filtered with a cut-off that does not go with the feed.

**Along the lay.** A turned or milled surface traced along its grooves is far too smooth, and nothing in it says so but
what is missing: the feed marks.

- Where the feed is known (``feed_mm`` of the characteristic, or the gauge's fact), its line and overtones must show.
  They are *missing* where they neither carry half of the roughness nor stand above the texture around them; a surface
  that is torn or chattered still shows them above its floor. Then the trace is invalid: what it gives is no value of
  the surface that the drawing means, and mostly one that passes. Another regular spacing instead of the feed's says
  that the feed was changed, not the direction; that is no finding.
- Where it is not known, the station's earlier values tell: Ra far below and Rsm far above (or undefined), or Ra so far
  below that no process gets there from one part to the next. Both may have another cause (a new tool, another batch),
  so this is a warning.

**Cut-off.** A periodic profile whose spacing is more than half the cut-off loses part of its height to the waviness:
ISO 4288 gives λc = 0.8 mm for spacings up to 0.4 mm, and so on. The other way round, under the editions that choose λc
by the spacing, a cut-off longer than its row is said as information; under ISO 21920 the drawing's limit chooses, and a
long cut-off is as it should be.

References
----------
ISO 4288:1996, table 3 (RSm 0.13 to 0.4 mm: 0.8 mm); lay across the trace: ISO 4288, clause 7 (from memory). Limits: our
decision; tests/finding_campaign.py measures them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from crosslay.inspection.findings.lines import Spectrum, fact, spectrum
from crosslay.inspection.findings.subject import History, Subject
from crosslay.texture.settings import Standard
from crosslay.texture.trace import Finding, Severity

_FEED_TOLERANCE: Final = 0.08
_OVERTONES: Final = 5
_MISSING_SHARE: Final = 0.5
"""Share of the roughness's variance in the feed's lines below which they may be missing."""
_MISSING_ABOVE_FLOOR: Final = 25.0
"""And the power over the floor that none of them may then have."""
_REGULAR_SHARE: Final = 0.75
"""Share of the variance in a series of lines from which on a profile counts as periodic …"""
_REGULAR_ABOVE_FLOOR: Final = 12.0
"""… where one of them stands out so far: random heights between two filters have humps, but no lines."""
_LIMIT: Final = 3.0
"""Roughness beyond so many standard deviations (robust) is cut off, so that a spike or a jump hides no line."""
_LEAST_HISTORY: Final = 20
_FAR: Final = 6.0
"""Standard deviations (of logarithms) that count as far from the earlier values."""
_FAR_FACTOR: Final = 2.0
"""And the factor that it must be at least, however alike the earlier values were."""
_RA_ALONE_FACTOR: Final = 4.0
"""The factor from which on Ra alone says it: fine texture in the groove may keep Rsm small."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Series:
    """A line and its overtones.

    Attributes
    ----------
    spacing_mm
        Wavelength of the first.
    share
        Share of the profile's variance in all of them.
    above_floor
        Power of the one that stands out most, as a multiple of the texture around it.
    """

    spacing_mm: float
    share: float
    above_floor: float

    @property
    def is_regular(self) -> bool:
        """Whether a profile that holds it is periodic."""
        return self.share >= _REGULAR_SHARE and self.above_floor >= _REGULAR_ABOVE_FLOOR


def along_the_lay(subject: Subject) -> Finding | None:
    """Invalid where the known feed is missing; a warning where earlier values were quite different."""
    feed_mm = fact(subject.trace, "feed_mm")
    if feed_mm is not None:
        return _without_feed(subject, feed_mm)
    return None if subject.history is None else _unlike_before(subject, subject.history)


def cutoff_fit(subject: Subject) -> Finding | None:
    """Warn of a cut-off below twice the spacing of a periodic profile; say where it is above its row of the table."""
    cutoff_mm = _cutoff_mm(subject)
    by_spacing = subject.evaluation.settings.standard in {Standard.ISO_4287, Standard.JIS_B_0601}
    rsm_mm = _rsm_mm(subject)
    if not by_spacing and rsm_mm is not None and rsm_mm < 0.3 * cutoff_mm:
        return None  # marks of half the cut-off and more have no such Rsm: the dearer look is spared
    series = _strongest(subject)
    if series is None or not series.is_regular:
        return None
    spacing_mm = series.spacing_mm
    if spacing_mm > 0.525 * cutoff_mm:  # a spacing of just half of it is in its row
        return Finding(
            id="cutoff-too-short",
            severity=Severity.WARNING,
            text=f"The profile repeats every {spacing_mm:.3g} mm, more than half the cut-off of {cutoff_mm:g} mm: part "
            "of its height counts as waviness, and Ra and Rz come out too small. Use the next longer cut-off, if the "
            "drawing allows it.",
            evidence={"spacing_mm": spacing_mm, "cutoff_mm": cutoff_mm},
        )
    if by_spacing and spacing_mm < 0.16 * cutoff_mm and cutoff_mm > 0.08:
        return Finding(
            id="cutoff-too-long",
            severity=Severity.INFO,
            text=f"The profile repeats every {spacing_mm:.3g} mm, so that the table asks for a shorter cut-off than "
            f"{cutoff_mm:g} mm. Use it, unless the drawing names this one.",
            evidence={"spacing_mm": spacing_mm, "cutoff_mm": cutoff_mm},
        )
    return None


# --- the feed is known -----------------------------------------------------------------------------------------------


def _without_feed(subject: Subject, feed_mm: float) -> Finding | None:
    seen = _roughness_spectrum(subject)
    length_mm = subject.evaluation.settings.window_points * subject.evaluation.settings.spacing_um / 1000.0
    if feed_mm > min(0.5 * _cutoff_mm(subject), length_mm / 8.0) or feed_mm < 0.008 * _cutoff_mm(subject):
        return None  # the filters or the length leave too little of it to judge
    feed = feed_series(seen, feed_mm)
    if feed.share >= _MISSING_SHARE or feed.above_floor >= _MISSING_ABOVE_FLOOR:
        return None
    other = _strongest(subject)
    longest_mm = min(2.5 * feed_mm, 0.525 * _cutoff_mm(subject))
    if other is not None and other.is_regular and other.spacing_mm < longest_mm:
        return None
    return Finding(
        id="along-the-lay",
        severity=Severity.INVALID,
        text=f"The feed marks of {feed_mm:g} mm are missing ({feed.share:.0%} of the profile): the trace runs along "
        "the lay, or not over the surface that is meant. Turn the gauge or the part so that it traces across the "
        "marks, and measure again; if the feed was changed, correct feed_mm.",
        evidence={"feed_mm": feed_mm, "share_percent": 100.0 * feed.share, "above_floor": feed.above_floor},
    )


def feed_series(seen: Spectrum, feed_mm: float) -> Series:
    """The series of lines near a feed that carries most."""
    first, end = seen.bins((1.0 - _FEED_TOLERANCE) / feed_mm, (1.0 + _FEED_TOLERANCE) / feed_mm)
    return _series(seen, max(range(first, end), key=lambda place: _carried(seen, place)))


def _series(seen: Spectrum, place: int) -> Series:
    above = 0.0
    for middle, reach in _orders(seen, place):
        line = seen.line(middle * seen.per_bin_mm, within=0.5 * reach / middle)
        above = max(above, line.above_floor if line is not None else 0.0)
    return Series(spacing_mm=1.0 / (place * seen.per_bin_mm), share=_carried(seen, place), above_floor=above)


def _carried(seen: Spectrum, place: int) -> float:
    """Share of the variance within a series."""
    squares = seen.squares_um2
    total = float(squares[1:].sum())
    inside = sum(float(squares[middle - reach : middle + reach + 1].sum()) for middle, reach in _orders(seen, place))
    return inside / total if total else 0.0


def _orders(seen: Spectrum, place: int) -> list[tuple[int, int]]:
    """Bin of each line of a series, and how many bins beside it still belong to it."""
    lines = ((order * place, 2 + order // 2) for order in range(1, _OVERTONES + 1))
    return [(middle, reach) for middle, reach in lines if middle + reach < seen.squares_um2.size]


def _strongest(subject: Subject) -> Series | None:
    """The series of the strongest line of the roughness with at least three waves in the evaluation length."""
    seen = _roughness_spectrum(subject)
    length_mm = subject.evaluation.settings.window_points * subject.evaluation.settings.spacing_um / 1000.0
    first, end = seen.bins(3.0 / length_mm, 0.25 * seen.highest_per_mm)
    if end - first < 3:
        return None
    return _series(seen, first + int(seen.squares_um2[first:end].argmax()))


def _roughness_spectrum(subject: Subject) -> Spectrum:
    profiles = subject.evaluation.profiles
    heights = profiles.roughness[profiles.start : profiles.stop]
    limit_um = _LIMIT * 1.4826 * float(np.median(np.abs(heights)))
    return spectrum(np.clip(heights, -limit_um, limit_um), subject.evaluation.settings.spacing_um)


def _rsm_mm(subject: Subject) -> float | None:
    parameters = subject.evaluation.parameters
    return parameters.get("Rsm", parameters.get("RSm"))


def _cutoff_mm(subject: Subject) -> float:
    return subject.evaluation.settings.section_points * subject.evaluation.settings.spacing_um / 1000.0


# --- against earlier values ------------------------------------------------------------------------------------------


def _unlike_before(subject: Subject, history: History) -> Finding | None:
    earlier_ra, earlier_rsm = history.values.get("Ra", ()), history.values.get("Rsm", ())
    ra_um = subject.evaluation.parameters.get("Ra")
    rsm_mm = _rsm_mm(subject)
    if min(len(earlier_ra), len(earlier_rsm)) < _LEAST_HISTORY or ra_um is None:
        return None
    ra_before, ra_factor = _usual(earlier_ra)
    rsm_before, rsm_factor = _usual(earlier_rsm)
    is_spacing_usual = rsm_mm is not None and rsm_mm <= rsm_before * rsm_factor
    if ra_um * (max(ra_factor, _RA_ALONE_FACTOR) if is_spacing_usual else ra_factor) >= ra_before:
        return None
    spacing = "no spacing at all" if rsm_mm is None else f"Rsm {rsm_mm:.3g} mm"
    return Finding(
        id="along-the-lay",
        severity=Severity.WARNING,
        text=f"Ra {ra_um:.3g} µm and {spacing} are far from the last {len(earlier_ra)} parts (Ra {ra_before:.3g} µm, "
        f"Rsm {rsm_before:.3g} mm): the trace may run along the lay. See that it runs across the marks, and measure "
        "again.",
        evidence={
            "ra_um": ra_um,
            "ra_before_um": ra_before,
            "rsm_before_mm": rsm_before,
            **({} if rsm_mm is None else {"rsm_mm": rsm_mm}),
        },
    )


def _usual(values: tuple[float, ...]) -> tuple[float, float]:
    """Median, and the factor from it that counts as far (robust: one odd part among the earlier ones moves little)."""
    logs = np.log(np.maximum(values, 1e-12))
    middle = float(np.median(logs))
    deviation = 1.4826 * float(np.median(np.abs(logs - middle)))
    return math.exp(middle), max(math.exp(_FAR * deviation), _FAR_FACTOR)
