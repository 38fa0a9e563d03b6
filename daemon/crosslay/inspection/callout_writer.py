"""From a call-out back to its canonical text."""

from __future__ import annotations

from decimal import Decimal

from crosslay.inspection.callout_model import Callout, Rule, Side
from crosslay.inspection.symbols import MOTIF_UNITS, family


def written(callout: Callout) -> str:
    """Write a call-out in one fixed way: decimal point, the parameter's own unit or µin, ``max`` for Tmax, lay last.

    Reading the text gives the call-out again, but for its `text`.

    Parameters
    ----------
    callout
        As `parse_callouts` gives it.
    """
    motif = callout.parameter in MOTIF_UNITS
    # "Rmax" is a parameter by itself, so of R the rule stands in front.
    in_front = callout.rule if motif or callout.rule is not Rule.TMAX else None
    symbol = callout.parameter + ("" if callout.sections is None else str(callout.sections))
    if callout.rule is not None and in_front is None:
        symbol += "max"
    words = (
        "" if callout.process is None else callout.process.value,
        "L" if callout.side is Side.LOWER else "",
        "" if in_front is None else in_front.value,
        callout.setting_class or "",
        "" if callout.filter is None else f'"{callout.filter}"',
        _band(callout) + symbol,
        plain(callout.limit) if callout.micro_inches is None else f"{plain(callout.micro_inches)} uin",
        "" if callout.lay is None else callout.lay.value,
    )
    return " ".join(word for word in words if word)


def plain(number: float) -> str:
    """The shortest decimal text without exponent that reads as the same number."""
    text = format(Decimal(repr(number)), "f")
    text = text.rstrip("0").rstrip(".") if "." in text else text
    return "0" if text == "-0" else text


def _band(callout: Callout) -> str:
    """Band and evaluation length with their slashes, or nothing."""
    short_um = callout.short_cutoff_um
    short = None if short_um is None else _shifted_mm(short_um)
    pair: tuple[str | None, str | None]
    if callout.parameter in MOTIF_UNITS:
        operators = _mm(callout.roughness_operator_mm), _mm(callout.waviness_operator_mm)
        pair = operators if family(callout.parameter) == "W" else (short, operators[0])
    elif family(callout.parameter) == "W":
        pair = _mm(callout.cutoff_mm), _mm(callout.waviness_cutoff_mm)
    else:
        pair = short, _mm(callout.cutoff_mm)
    band = "" if pair == (None, None) else f"{pair[0] or ''}-{pair[1] or ''}/"
    length = _mm(callout.evaluation_length_mm)
    if length is not None:
        return f"{band or '/'}{length}/"
    # An empty length keeps a motif's band from being read as that of a filter by a person.
    return f"{band}/" if band and callout.parameter in MOTIF_UNITS else band


def _shifted_mm(micrometres: float) -> str:
    """Micrometres as a decimal text of mm, the point shifted and nothing rounded."""
    text = format(Decimal(repr(micrometres)).scaleb(-3), "f")
    return text.rstrip("0").rstrip(".") if "." in text else text


def _mm(length_mm: float | None) -> str | None:
    return None if length_mm is None else plain(length_mm)
