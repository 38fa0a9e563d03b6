"""The amplification correction that a reference check leads to: proposed here, accepted by a person.

References
----------
design: texture, section 7: certified / measured; only from type A, or from type C with Ra ≥ 100·Rq0.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from crosslay.inspection.reference_check import Outcome, ReferenceCheck
from crosslay.inspection.specimen import DEPTH, Specimen, SpecimenType

#: Ra of a periodic specimen over the noise, below which no gain is taken from it.
LEAST_RATIO_TO_NOISE = 100.0
#: A total correction beyond this, or below its inverse, is no drift of a gauge (common practice, no source).
LARGEST_FACTOR = 2.0
_GAIN_PARAMETERS = ("Ra", "Pa")


@dataclass(frozen=True, slots=True, kw_only=True)
class Correction:
    """A proposed amplification correction.

    Attributes
    ----------
    factor
        Whole correction to put in force, dimensionless: that of the readings times certified over measured.
    step
        What it changes: certified over measured.
    standard_uncertainty
        Of `factor`, from the readings and the certificate.
    text
        One or two sentences for the person who accepts it.
    """

    factor: float
    step: float
    standard_uncertainty: float
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class NoCorrection:
    """Why no correction is proposed."""

    reason: str


def propose_correction(
    check: ReferenceCheck, specimen: Specimen, *, noise_rq0_um: float | None = None
) -> Correction | NoCorrection:
    """Propose the amplification correction that a check leads to.

    Parameters
    ----------
    check : ReferenceCheck
        Readings and certificate. The correction that was in force for the readings is part of the new one.
    specimen : Specimen
        The specimen of the check.
    noise_rq0_um : float or None
        Noise of the gauge Rq0, µm; needed for type C.

    Returns
    -------
    Correction or NoCorrection
        No correction, with the reason, from types B and D, from an unusable check, within the uncertainties, or beyond
        a factor of two.
    """
    reason = _unfit(specimen, noise_rq0_um) or _undecided(check, specimen)
    if reason:
        return NoCorrection(reason=reason)
    assert check.mean is not None
    assert check.standard_uncertainty is not None
    step = specimen.certified / check.mean
    factor = check.amplification * step
    if not 1.0 / LARGEST_FACTOR <= factor <= LARGEST_FACTOR:
        return NoCorrection(reason=f"the factor would be {factor:.3g}; that is no drift. Look for a wrong gain in the "
                                   "station file, another specimen or a damaged gauge")
    relative = math.hypot(check.standard_uncertainty / check.mean, specimen.standard_uncertainty / specimen.certified)
    return Correction(
        factor=factor, step=step, standard_uncertainty=factor * relative,
        text=f"Heights are to be multiplied by {factor:.5f} instead of {check.amplification:.5f} "
             f"(certified {specimen.certified:g} over measured {check.mean:.5g}). Check again after accepting it.",
    )


def _unfit(specimen: Specimen, noise_rq0_um: float | None) -> str:
    """Why no gain can be taken from this specimen, ``""`` where one can."""
    if specimen.type is SpecimenType.A and specimen.parameter == DEPTH:
        return ""
    if specimen.type is not SpecimenType.C:
        return (f"type {specimen.type.value} only checks; take the gain from a depth (type A) or a periodic specimen "
                "(type C)")
    if specimen.parameter not in _GAIN_PARAMETERS:
        return f"a gain is taken from Ra of a periodic specimen, not from {specimen.parameter}"
    if noise_rq0_um is None:
        return "the noise Rq0 of the gauge is not known; measure it on an optical flat first"
    if specimen.certified < LEAST_RATIO_TO_NOISE * noise_rq0_um:
        return (f"Ra {specimen.certified:g} µm is less than {LEAST_RATIO_TO_NOISE:g} times the noise Rq0 "
                f"{noise_rq0_um:g} µm; use a coarser specimen")
    return ""


def _undecided(check: ReferenceCheck, specimen: Specimen) -> str:
    """Why this check leads to no gain, ``""`` where it does."""
    if check.specimen != specimen.name or check.parameter != specimen.parameter:
        return (f'the check is of "{check.specimen}" ({check.parameter}), not of "{specimen.name}" '
                f"({specimen.parameter})")
    if check.outcome is Outcome.NOT_USABLE or check.en is None or check.mean is None or check.mean <= 0.0:
        return f"the check is not usable: {check.text}"
    if abs(check.en) <= 1.0:
        return (f"the deviation of {check.deviation_percent:+.2f} % lies within the uncertainties of check and "
                f"certificate (En {check.en:+.2f}); a correction would follow chance")
    return ""
