"""What the lengths and sections written in a call-out mean for the evaluation.

References
----------
ISO 1302:2002, 6.3.3 and 6.3.4 (R: the number counts sampling lengths λc; P: the sampling length is the evaluation
length; W: the number counts lengths λf); ISO 12085:1996, table 1. From memory but for the two sentences that page
*reference-values*, section 12, marks as seen.
"""

from __future__ import annotations

from crosslay.errors import CalloutError
from crosslay.inspection.callout_model import Callout
from crosslay.inspection.symbols import family
from crosslay.texture.motif import DEFAULT_LIMITS, STANDARD_LIMITS, MotifLimits
from crosslay.texture.settings import DEFAULT_SECTIONS, MAX_SECTIONS

#: B = 5 A in every row of the table of ISO 12085.
_OPERATOR_RATIO = 5.0


def with_evaluation_length(
    where: str, callout: Callout, cutoff_mm: float | None, sections: int | None
) -> tuple[float | None, int | None]:
    """λc and number of its lengths, so that the evaluation length is what the call-out says.

    Parameters
    ----------
    where
        Beginning of an error's text.
    callout
        Of a parameter of R, P or W that is no motif parameter.
    cutoff_mm, sections
        What is known of them so far.

    Raises
    ------
    CalloutError
        The evaluation would not be the one that is asked for.
    """
    length_mm = callout.evaluation_length_mm
    match family(callout.parameter), callout.sections:
        case "P", int():
            raise CalloutError(f"{where}: expected {callout.parameter} without a number of sections; for P the section "
                               "is the evaluation length (ISO 1302)")
        case "W", int():
            length_mm = _waviness_length_mm(where, callout, cutoff_mm)
            sections = None
        case _:
            pass
    if length_mm is None:
        return cutoff_mm, sections
    if cutoff_mm is None:
        # Nothing decides λc, so that the evaluation length holds the usual number of sections.
        return length_mm / (sections or DEFAULT_SECTIONS), sections
    count = round(length_mm / cutoff_mm)
    if not 1 <= count <= MAX_SECTIONS or abs(count * cutoff_mm - length_mm) > 1e-6 * length_mm:
        raise CalloutError(f"{where}: expected an evaluation length of 1 to {MAX_SECTIONS} whole cut-offs of "
                           f"{cutoff_mm:g} mm, found {length_mm:g} mm")
    if sections not in {None, count}:
        raise CalloutError(f"{where}: {length_mm:g} mm are {count} cut-offs of {cutoff_mm:g} mm, and {sections} "
                           "sections are asked for; leave one out")
    return cutoff_mm, count


def _waviness_length_mm(where: str, callout: Callout, cutoff_mm: float | None) -> float:
    """Evaluation length of W with one section λf; more of them than one are not evaluated."""
    symbol, sections, limit_mm = callout.parameter, callout.sections, callout.waviness_cutoff_mm
    if sections == 1 and limit_mm is not None and cutoff_mm is not None and callout.evaluation_length_mm is None:
        return limit_mm
    asked = "" if limit_mm is None or sections is None else f", here {sections} × {limit_mm:g} mm"
    raise CalloutError(
        f"{where}: the number behind {symbol} counts lengths λf (ISO 1302{asked}), and W is evaluated over one "
        f"section, the evaluation length, of at most {MAX_SECTIONS} λc; write {symbol} without a number, or {symbol}1 "
        "with a band λc-λf"
    )


def motif_limits(where: str, callout: Callout) -> MotifLimits:
    """Operators, evaluation length and λs of a motif call-out; what it does not say is of the table's row.

    The row is that of the operator, or that of the next longer one where the table does not have it; without an
    operator the one of A = 0.5 mm.

    Raises
    ------
    CalloutError
        The call-out says what the motif method does not have.
    """
    for what, said in (("filter", callout.filter), ("setting class", callout.setting_class)):
        if said is not None:
            raise CalloutError(f"{where}: expected {callout.parameter} without a {what}; motifs are found without λc "
                               "(ISO 12085)")
    a_mm, b_mm = callout.roughness_operator_mm, callout.waviness_operator_mm
    if a_mm is None and b_mm is None:
        row, a_mm, b_mm = DEFAULT_LIMITS, DEFAULT_LIMITS.roughness_mm, DEFAULT_LIMITS.waviness_mm
    else:
        a_mm = a_mm if a_mm is not None else (b_mm or 0.0) / _OPERATOR_RATIO
        row = next((each for each in STANDARD_LIMITS if each.roughness_mm >= a_mm), STANDARD_LIMITS[-1])
        b_mm = b_mm if b_mm is not None else row.waviness_mm if row.roughness_mm == a_mm else _OPERATOR_RATIO * a_mm
    length_mm, short_um = callout.evaluation_length_mm, callout.short_cutoff_um
    limits = MotifLimits(
        roughness_mm=a_mm, waviness_mm=b_mm, evaluation_mm=row.evaluation_mm if length_mm is None else length_mm,
        short_cutoff_um=row.short_cutoff_um if short_um is None else short_um,
    )
    if limits.short_cutoff_um >= 1000.0 * a_mm:
        raise CalloutError(f"{where}: expected λs below the operator A, found {limits.short_cutoff_um:g} µm and "
                           f"{a_mm:g} mm")
    if limits.evaluation_mm < a_mm:
        raise CalloutError(f"{where}: expected an evaluation length above the operator A, found "
                           f"{limits.evaluation_mm:g} mm and {a_mm:g} mm")
    return limits
