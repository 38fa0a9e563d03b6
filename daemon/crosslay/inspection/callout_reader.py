"""Reads one call-out: band, evaluation length, parameter and limit."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NoReturn

from crosslay.errors import CalloutError
from crosslay.inspection.callout_model import Callout, Lay, Process, Rule
from crosslay.inspection.callout_tokens import (
    Words,
    read_rule,
    read_side,
    read_words_after,
    read_words_before,
    take_rule,
)
from crosslay.inspection.callout_writer import plain
from crosslay.inspection.cursor import BLANKS, DIGITS, Cursor
from crosslay.inspection.symbols import MOTIF_UNITS, SIGNED, UNITS, WITH_ARGUMENTS, family

_MINUSES = "-\u2212\u2013"
_MICRO = "uµμ"
#: Written unit to UCUM unit and factor. A micro-inch is 0.0254 µm exactly.
_WRITTEN_UNITS = {
    "um": ("um", 1.0), "nm": ("um", 1e-3), "mm": ("mm", 1.0), "uin": ("um", 0.0254), "%": ("%", 1.0),
    "/cm": ("/cm", 1.0), "1/cm": ("/cm", 1.0),
}
_LENGTH_FACTOR = {("um", "mm"): 1e-3, ("mm", "um"): 1e3}


@dataclass(frozen=True, slots=True)
class _Band:
    """What stands before the slashes, as decimal numbers of mm, and the evaluation length behind them."""

    place: int
    short: str | None = None
    long: str | None = None
    evaluation_mm: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class _Meaning:
    """What the ends of a band are for a parameter."""

    cutoff_mm: float | None = None
    short_cutoff_um: float | None = None
    waviness_cutoff_mm: float | None = None
    roughness_operator_mm: float | None = None
    waviness_operator_mm: float | None = None


@dataclass(frozen=True, slots=True)
class _Parameter:
    symbol: str
    unit: str
    sections: int | None
    is_max: bool


def read_callout(cursor: Cursor, start: int, lay: Lay | None) -> Callout:
    """Read one call-out up to ``;`` or the end.

    Parameters
    ----------
    cursor
        Behind the process, if there is one.
    start
        Where the call-out's text begins.
    lay
        Of the surface, where an earlier call-out of the same text named it.

    Raises
    ------
    CalloutError
        The text is not a call-out.
    """
    if cursor.at_end or cursor.peek() == ";":
        cursor.fail('a call-out such as "Ra 0.8"')
    words = Words(lay=lay)
    side = read_side(cursor)
    read_words_before(cursor, words)
    band = _band(cursor)
    read_rule(cursor, words)
    place = cursor.place
    parameter = _parameter(cursor)
    if parameter.is_max:
        take_rule(words, Rule.TMAX, place)
    limit, micro_inches = _limit(cursor, parameter.symbol, parameter.unit)
    end = read_words_after(cursor, words)
    if not (cursor.at_end or cursor.peek() == ";"):
        cursor.fail('a rule, a setting class, a lay symbol, ";" or the end')
    meant = _meaning(parameter.symbol, band)
    return Callout(
        text=cursor.text[start:end].strip(BLANKS), side=side, rule=words.rule, filter=words.filter, lay=words.lay,
        setting_class=words.setting_class, parameter=parameter.symbol, sections=parameter.sections, limit=limit,
        unit=parameter.unit, micro_inches=micro_inches, evaluation_length_mm=band.evaluation_mm,
        cutoff_mm=meant.cutoff_mm, short_cutoff_um=meant.short_cutoff_um, waviness_cutoff_mm=meant.waviness_cutoff_mm,
        roughness_operator_mm=meant.roughness_operator_mm, waviness_operator_mm=meant.waviness_operator_mm,
    )


# --- band and evaluation length --------------------------------------------------------------------------------------


def _band(cursor: Cursor) -> _Band:
    """Transmission band ``[short]-[long]/`` in mm, and ``[length]/``."""
    place, first = cursor.place, cursor.peek()
    if first == "/":
        cursor.place += 1
        return _Band(place, evaluation_mm=_evaluation_mm(cursor))
    if not first or first not in DIGITS + ".," + _MINUSES:
        return _Band(place)
    short = None if first in _MINUSES else cursor.decimal("a cut-off in mm")
    cursor.blanks()
    if not cursor.take_any(_MINUSES):
        cursor.fail('"-": a cut-off alone is written "-0.8/" (long) or "0.0025-/" (short)')
    cursor.blanks()
    if short is None and cursor.peek() == "/":
        cursor.fail("a cut-off in mm")
    long = None if cursor.peek() == "/" else cursor.decimal('a cut-off in mm or "/"')
    cursor.blanks()
    if not cursor.take("/"):
        cursor.fail('"/" after the transmission band')
    cursor.blanks()
    if cursor.peek() and cursor.peek() in DIGITS + ".,/":
        return _Band(place, short, long, _evaluation_mm(cursor))
    return _Band(place, short, long)


def _evaluation_mm(cursor: Cursor) -> float | None:
    """``length/`` or ``/``: the evaluation length, mm."""
    cursor.blanks()
    place = cursor.place
    length_mm = None if cursor.peek() == "/" else cursor.number('an evaluation length in mm or "/"')
    cursor.blanks()
    if not cursor.take("/"):
        cursor.fail('"/" after the evaluation length')
    cursor.blanks()
    if length_mm == 0.0:
        raise CalloutError(f"character {place + 1}: expected an evaluation length above 0 mm")
    return length_mm


def _meaning(symbol: str, band: _Band) -> _Meaning:
    short_mm, long_mm = (None if each is None else float(each) for each in (band.short, band.long))
    # The decimal point is shifted in the text, so that no binary rounding gets in.
    short_um = None if band.short is None else float(f"{band.short}e3")
    at = f"character {band.place + 1}: expected"
    if 0.0 in {short_mm, long_mm} or math.inf in {short_um, long_mm}:
        raise CalloutError(f"{at} cut-offs above 0 mm that a number can hold")
    if short_mm is not None and long_mm is not None and short_mm >= long_mm:
        raise CalloutError(f"{at} a short cut-off below the long one, found {short_mm:g} and {long_mm:g} mm")
    match family(symbol), symbol in MOTIF_UNITS:
        case "W", True:
            return _Meaning(roughness_operator_mm=short_mm, waviness_operator_mm=long_mm)
        case _, True:
            return _Meaning(short_cutoff_um=short_um, roughness_operator_mm=long_mm)
        case "W", False:
            return _Meaning(cutoff_mm=short_mm, waviness_cutoff_mm=long_mm)
        case "P", False if long_mm is not None:
            raise CalloutError(f"{at} a band without long cut-off for {symbol}, such as \"0.0025-/\", found "
                               f"{long_mm:g} mm")
        case _:
            return _Meaning(cutoff_mm=long_mm, short_cutoff_um=short_um)


# --- parameter -------------------------------------------------------------------------------------------------------


def _parameter(cursor: Cursor) -> _Parameter:
    start = furthest = cursor.place
    found = None
    for symbol in _candidates(cursor.text, start):
        cursor.place = start + len(symbol)
        unit = UNITS.get(symbol, "")
        name = symbol
        if cursor.peek() == "(" and symbol in WITH_ARGUMENTS:
            unit, counts = WITH_ARGUMENTS[symbol]
            name = _with_arguments(cursor, symbol, counts)
        elif not unit:
            continue
        after_name = cursor.place
        # A motif parameter has no sections, so a digit behind it is none of its own.
        digits = "" if symbol in MOTIF_UNITS else cursor.run(DIGITS)
        is_max = _max(cursor)
        if cursor.at_end or cursor.peek() in BLANKS + ";":
            found = _Parameter(name, unit, _sections(cursor, digits, after_name), is_max)
            break
        if digits or cursor.peek() in DIGITS + ".,":
            furthest = max(furthest, after_name)
    if found is None:
        cursor.place = furthest
        if furthest == start:
            _unknown_symbol(cursor)
        cursor.fail("a blank and the limit")
    return found


def _sections(cursor: Cursor, digits: str, place: int) -> int | None:
    if not digits:
        return None
    if len(digits) > 2 or not 1 <= int(digits) <= 10:
        cursor.place = place
        cursor.fail("1 to 10 sections")
    return int(digits)


def _candidates(text: str, start: int) -> list[str]:
    fitting = {symbol for symbol in (*UNITS, *WITH_ARGUMENTS) if text.startswith(symbol, start)}
    return sorted(fitting, key=len, reverse=True)


def _max(cursor: Cursor) -> bool:
    start = cursor.place
    cursor.blanks()
    if cursor.take("max"):
        return True
    cursor.place = start
    return False


def _with_arguments(cursor: Cursor, symbol: str, counts: frozenset[int]) -> str:
    cursor.take("(")
    numbers: list[str] = []
    while True:
        cursor.blanks()
        sign = -1.0 if cursor.take_any(_MINUSES) else 1.0
        numbers.append(plain(sign * _argument(cursor)))
        cursor.blanks()
        if not cursor.take_any(",;"):
            break
    if not cursor.take(")"):
        cursor.fail('")"')
    if len(numbers) not in counts:
        allowed = " or ".join(str(count) for count in sorted(counts))
        cursor.place -= 1
        cursor.fail(f"{allowed} number(s) in the brackets of {symbol}")
    return f"{symbol}({','.join(numbers)})"


def _argument(cursor: Cursor) -> float:
    """A number in brackets, with a decimal point: there the comma separates."""
    start = cursor.place
    whole = cursor.run(DIGITS)
    fraction = cursor.run(DIGITS) if cursor.take(".") else ""
    number = float(f"{whole or 0}.{fraction or 0}")
    if not (whole or fraction) or number == math.inf:
        cursor.place = start if whole or fraction else cursor.place
        cursor.fail("a number with a decimal point")
    return number


def _unknown_symbol(cursor: Cursor) -> NoReturn:
    word = cursor.word_here()
    bare = "".join(character for character in word if character.isalpha())
    if bare in WITH_ARGUMENTS:
        example = {"Rmr": "Rmr(1)", "Rmc": "Rmc(20)", "Rdc": "Rdc(20,80)", "Pc": "Pc(0.5)"}[bare]
        cursor.fail(f'numbers in brackets after {bare}, such as "{example}"')
    if word.upper() in [process.value for process in Process]:
        cursor.fail(f'"{word.upper()}" in front of the call-out, or a parameter such as Ra, Rz or Rsm')
    near = [symbol for symbol in (*UNITS, *WITH_ARGUMENTS) if symbol.lower() == bare.lower()]
    if near and bare not in near:
        cursor.fail(f'a parameter; "{near[0]}" would be right')
    cursor.fail("a parameter such as Ra, Rz or Rsm")


# --- limit -----------------------------------------------------------------------------------------------------------


def _limit(cursor: Cursor, symbol: str, unit: str) -> tuple[float, float | None]:
    """The limit in the parameter's unit, and as it was written where that is in µin."""
    cursor.blanks()
    place = cursor.place
    negative = symbol in SIGNED and bool(cursor.take_any(_MINUSES))
    limit = cursor.number(f'a limit such as "0.8" after {symbol}')
    limit = -limit if negative else limit
    after, micro_inches = cursor.place, None
    cursor.blanks()
    if not (written := _written_unit(cursor)):
        cursor.place = after
    else:
        micro_inches = limit if written == "uin" else None
        limit = _in_unit(cursor, limit, symbol, unit)
    at = f"character {place + 1}: expected"
    if not math.isfinite(limit):
        raise CalloutError(f"{at} a smaller limit, found more than any number holds")
    if limit <= 0 and symbol not in SIGNED:
        raise CalloutError(f"{at} a limit above 0, found {limit:g}")
    if unit == "%" and symbol != "Rdr" and limit > 100:
        raise CalloutError(f"{at} a limit of at most 100 %, found {limit:g}")
    return limit, micro_inches


def _written_unit(cursor: Cursor) -> str:
    """The unit that stands here, as a key of `_WRITTEN_UNITS`, without stepping over it; "" if none."""
    word = cursor.word_here()
    plain_word = "u" + word[1:] if word[:1] and word[0] in _MICRO else word
    return plain_word if plain_word in _WRITTEN_UNITS else ""


def _in_unit(cursor: Cursor, limit: float, symbol: str, unit: str) -> float:
    given, factor = _WRITTEN_UNITS[_written_unit(cursor)]
    if given != unit:
        length = _LENGTH_FACTOR.get((given, unit))
        if length is None:
            wanted = "no unit" if unit == "1" else f"the unit {unit}"
            cursor.fail(f"{wanted} for {symbol}")
        factor *= length
    cursor.place += len(cursor.word_here())
    return limit * factor if factor != 1.0 else limit
