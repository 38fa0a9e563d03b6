"""Lines that time puts into a trace, not the surface: mains hum, and the screw of the traverse drive.

**Mains hum.** A frequency in time is a wavelength in the trace, λ = v/f: 10 µm for 50 Hz at 0.5 mm/s. Only where the
traverse speed is known (fact ``speed_mm_s``) can it be told from the surface. A line within 1 % of where hum must lie
(speeds are never exact) counts where it stands far above the texture's own spectrum. It is *not* called hum

- where it carries most of the profile: then it is the texture;
- where it is a multiple of the surface's own strongest line (an overtone of the feed) and no larger than that series
  lets expect. The amplitudes of such a series fall smoothly, so the neighbours in it say what to expect.

**Drive screw.** The same test at the pitch of the screw (fact ``screw_pitch_mm``) and half of it. Without the pitch
nothing is said: a long wave alone may as well be chatter or a lobed part.

References
----------
page *reference-values*, section 14 (λ = v/f). The limits are our decision; tests/finding_campaign.py measures them.
"""

from __future__ import annotations

import math
from typing import Final

from crosslay.inspection.findings.lines import Line, Spectrum, fact, spectrum
from crosslay.inspection.findings.subject import Subject
from crosslay.texture.trace import Finding, Severity

MAINS_HZ: Final = (50.0, 60.0)
_SPEED_TOLERANCE: Final = 0.01
_LEAST_SHARE: Final = 0.06
"""Smallest amplitude, in Ra: it adds less than a thousandth to Ra."""
_ABOVE_FLOOR: Final = {1: 10.0, 2: 12.0, 3: 13.0}
"""Power over the floor that counts, by multiple of the mains frequency; the rarer the fault, the more is asked."""
_TEXTURE_SHARE: Final = 0.4
"""A line that carries more of the variance than this is the texture."""
_BEYOND_SERIES: Final = 3.0
"""How far an overtone must exceed its neighbours to be something else as well."""
_SCREW_ABOVE_FLOOR: Final = 40.0
_SCREW_LEAST_SHARE: Final = 0.3


def mains_hum(subject: Subject) -> Finding | None:
    """Warn of a line at the mains frequency or twice or three times it; None without the traverse speed."""
    speed_mm_s = fact(subject.trace, "speed_mm_s")
    ra_um = _ra_um(subject)
    if speed_mm_s is None or ra_um is None or subject.trace.positions_mm is not None:
        return None
    seen = spectrum(subject.trace.heights_um(), subject.trace.spacing_um)
    strongest: tuple[Line, float] | None = None
    for mains_hz in MAINS_HZ:
        for multiple, above in _ABOVE_FLOOR.items():
            line = seen.line(multiple * mains_hz / speed_mm_s, within=_SPEED_TOLERANCE)
            if line is None or line.above_floor < above or line.amplitude_um < _LEAST_SHARE * ra_um:
                continue
            if _is_of_the_surface(line, seen, subject):
                continue
            if strongest is None or line.amplitude_um > strongest[0].amplitude_um:
                strongest = line, multiple * mains_hz
    return None if strongest is None else _hum(*strongest, speed_mm_s=speed_mm_s, ra_um=ra_um)


def drive_screw(subject: Subject) -> Finding | None:
    """Warn of a line at the pitch of the drive's screw or half of it; None where the pitch is not known."""
    pitch_mm = fact(subject.trace, "screw_pitch_mm")
    ra_um = _ra_um(subject)
    if pitch_mm is None or ra_um is None:
        return None
    # Where λc leaves half of the wave at least, what it takes away are longer waves that would hide it.
    used, profiles = subject.evaluation.settings, subject.evaluation.profiles
    is_short = 1000.0 * pitch_mm <= used.section_points * used.spacing_um
    seen = spectrum(profiles.roughness if is_short else profiles.primary, used.spacing_um)
    for part in (1.0, 2.0):
        line = seen.line(part / pitch_mm, within=2.0 * _SPEED_TOLERANCE)
        if line is None or line.above_floor < _SCREW_ABOVE_FLOOR or line.amplitude_um < _SCREW_LEAST_SHARE * ra_um:
            continue
        if not _is_of_the_surface(line, seen, subject) and not _has_overtone(line, seen):
            return _screw(line, pitch_mm)
    return None


def _has_overtone(line: Line, seen: Spectrum) -> bool:
    """Whether a line has a line at twice its frequency: cusps, so marks of a feed that happens to be the pitch."""
    twice = seen.line(2.0 * line.per_mm, within=3.0 * _SPEED_TOLERANCE)
    return twice is not None and twice.above_floor > 8.0 and twice.amplitude_um > 0.06 * line.amplitude_um


def _ra_um(subject: Subject) -> float | None:
    """Ra, µm, by sections, so that one bad section does not hide a line; None for a level profile."""
    values = sorted(subject.evaluation.sections["Ra"])
    ra_um = values[len(values) // 2] if values else 0.0
    return ra_um if ra_um > 0.0 else None


def _is_of_the_surface(line: Line, seen: Spectrum, subject: Subject) -> bool:
    """Whether the surface itself explains a line: as its texture, or as an overtone of its own strongest line."""
    profiles = subject.evaluation.profiles
    variance = float(profiles.roughness[profiles.start : profiles.stop].var())
    if 0.5 * line.amplitude_um**2 > _TEXTURE_SHARE * variance:
        return True
    cutoff_mm = subject.evaluation.settings.section_points * subject.evaluation.settings.spacing_um / 1000.0
    first, end = seen.bins(1.0 / cutoff_mm, line.per_mm / 1.5)
    if end - first < 3:
        return False
    fundamental = _between_bins(seen, first + int(seen.squares_um2[first:end].argmax()))
    order = round(line.per_mm / fundamental)
    # The place of the fundamental is known to a tenth of a bin, that of its multiple so many times worse.
    if order < 2 or abs(line.per_mm - order * fundamental) > (0.1 * order + 2.0) * seen.per_bin_mm:
        return False
    neighbours = [other for other in range(order - 2, order + 3) if other >= 2 and other != order]
    expected_um = max(seen.amplitude_um(other * fundamental) for other in neighbours)
    return line.amplitude_um < _BEYOND_SERIES * expected_um


def _between_bins(seen: Spectrum, place: int) -> float:
    """Frequency of a line from the bin of its maximum, by a parabola through three logarithms, 1/mm."""
    if not 1 <= place < seen.squares_um2.size - 1:
        return place * seen.per_bin_mm
    before, here, after = (math.log(max(float(value), 1e-300)) for value in seen.squares_um2[place - 1 : place + 2])
    bend = before - 2.0 * here + after
    return (place + (0.5 * (before - after) / bend if bend < 0.0 else 0.0)) * seen.per_bin_mm


def _hum(line: Line, at_hz: float, *, speed_mm_s: float, ra_um: float) -> Finding:
    share = line.amplitude_um / ra_um
    return Finding(
        id="mains-hum",
        severity=Severity.WARNING,
        text=f"A line of ±{line.amplitude_um:.3g} µm ({share:.2g} Ra) stands at {line.wavelength_um:.4g} µm, where "
        f"{at_hz:g} Hz from the mains lies at {speed_mm_s:g} mm/s. Unplug the gauge's charger or supply while it "
        "measures, and check the earth and the screen of its cable.",
        evidence={
            "amplitude_um": line.amplitude_um,
            "amplitude_per_ra": share,
            "frequency_hz": line.per_mm * speed_mm_s,
            "wavelength_um": line.wavelength_um,
        },
    )


def _screw(line: Line, pitch_mm: float) -> Finding:
    return Finding(
        id="drive-screw",
        severity=Severity.WARNING,
        text=f"A wave of ±{line.amplitude_um:.3g} µm, {line.wavelength_um / 1000.0:.3g} mm long, repeats with the "
        f"{pitch_mm:g} mm pitch of the traverse drive's screw. Clean and grease the screw, and have the drive checked.",
        evidence={"amplitude_um": line.amplitude_um, "wavelength_mm": line.wavelength_um / 1000.0},
    )
