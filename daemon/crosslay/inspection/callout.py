"""Drawing call-outs, e.g. ``Ra 0.8``, ``L Ra 0.2``, ``U "Gaussian" 0.0025-0.8/Rz5max 3.2``.

The textual form of ISO 1302:2002, with the rule names of ISO 21920-1:2021::

    [U|L] [rule] ["filter"] [[λs]-[λc]/] symbol[sections][max] limit [unit] [rule]

Several call-outs stand in one text with ``;`` between. The decimal sign is a point or a comma. Cut-offs are in mm, as
on a drawing. The order in which ISO 21920-1 puts the rule's name was not at hand, so it may stand before or after (page
*reference-values*, section 12, from memory).
"""

from __future__ import annotations

import enum
from dataclasses import dataclass
from typing import NoReturn

from crosslay.errors import CalloutError
from crosslay.inspection.cursor import BLANKS, DIGITS, Cursor
from crosslay.inspection.symbols import SIGNED, UNITS, WITH_ARGUMENTS, family
from crosslay.texture.settings import FilterKind


class Side(enum.Enum):
    """Which limit a call-out sets."""

    UPPER = "upper"
    LOWER = "lower"


class Rule(enum.Enum):
    """Tolerance acceptance rule, by its name on the wire."""

    TMAX = "Tmax"
    T16 = "T16%"
    TMED = "Tmed"


@dataclass(frozen=True, slots=True, kw_only=True)
class Callout:
    """One requirement of a drawing.

    Attributes
    ----------
    text
        As written, trimmed.
    side, parameter, limit
        Upper or lower limit of a parameter; `limit` in the parameter's own unit (µm for heights, mm for Rsm …).
    unit
        UCUM unit of `limit`.
    rule
        None: the edition's default (Tmax for iso-21920, T16% for iso-4287).
    cutoff_mm, short_cutoff_um, waviness_cutoff_mm, sections, filter
        Given in the call-out itself, else None.
    """

    text: str
    parameter: str
    limit: float
    unit: str = "um"
    side: Side = Side.UPPER
    rule: Rule | None = None
    cutoff_mm: float | None = None
    short_cutoff_um: float | None = None
    waviness_cutoff_mm: float | None = None
    sections: int | None = None
    filter: str | None = None


def parse_callouts(text: str) -> tuple[Callout, ...]:
    """Read one or several call-outs, separated by ``;``.

    Parameters
    ----------
    text
        For example ``Ra 0.8; L Ra 0.2``.

    Raises
    ------
    CalloutError
        The text is not a call-out; says at which character (counted from 1) and what was expected.

    References
    ----------
    ISO 1302:2002, clause 6 and Annex C (the textual form); from memory, with the examples of page *reference-values*.
    """
    cursor = Cursor(text)
    callouts = [_callout(cursor)]
    while cursor.take(";"):
        callouts.append(_callout(cursor))
    if not cursor.at_end:
        cursor.fail('";" or the end')
    return tuple(callouts)


_MINUSES = "-\u2212\u2013"
_MICRO = "uµμ"
#: Written unit to UCUM unit and factor. A micro-inch is 0.0254 µm exactly.
_WRITTEN_UNITS = {
    "um": ("um", 1.0), "nm": ("um", 1e-3), "mm": ("mm", 1.0), "uin": ("um", 0.0254), "%": ("%", 1.0),
    "/cm": ("/cm", 1.0), "1/cm": ("/cm", 1.0),
}
_LENGTH_FACTOR = {("um", "mm"): 1e-3, ("mm", "um"): 1e3}


def _callout(cursor: Cursor) -> Callout:
    cursor.blanks()
    start = cursor.place
    if cursor.at_end or cursor.peek() == ";":
        cursor.fail('a call-out such as "Ra 0.8"')
    side = _side(cursor)
    rule = _rule(cursor)
    filter_name = _filter(cursor)
    band_place = cursor.place
    short_mm, long_mm = _band(cursor)
    rule = rule or _rule(cursor)
    parameter, unit, sections, is_max = _parameter(cursor)
    if is_max:
        rule = _one_rule(cursor, rule, Rule.TMAX)
    limit = _limit(cursor, parameter, unit)
    end = cursor.place
    cursor.blanks()
    later = _rule(cursor)
    if later is not None:
        rule = _one_rule(cursor, rule, later)
        cursor.blanks()
        end = cursor.place
    if not (cursor.at_end or cursor.peek() == ";"):
        cursor.fail('";" or the end')
    band = _band_meaning(parameter, short_mm, long_mm, band_place)
    return Callout(text=cursor.text[start:end].strip(), parameter=parameter, limit=limit, unit=unit, side=side,
                   rule=rule, sections=sections, filter=filter_name, cutoff_mm=band[0], short_cutoff_um=band[1],
                   waviness_cutoff_mm=band[2])


def _side(cursor: Cursor) -> Side:
    for letter, side in (("U", Side.UPPER), ("L", Side.LOWER)):
        if cursor.peek() == letter and cursor.peek(1) and cursor.peek(1) in BLANKS:
            cursor.place += 1
            cursor.blanks()
            return side
    return Side.UPPER


def _rule(cursor: Cursor) -> Rule | None:
    for rule in Rule:
        if cursor.take(rule.value):
            cursor.blanks()
            return rule
    return None


def _one_rule(cursor: Cursor, first: Rule | None, second: Rule) -> Rule:
    if first is not None and first is not second:
        raise CalloutError(f"character {cursor.place + 1}: expected one rule, found {first.value} and {second.value}")
    return second


def _filter(cursor: Cursor) -> str | None:
    place = cursor.place
    if not cursor.take('"'):
        return None
    end = cursor.text.find('"', cursor.place)
    if end < 0:
        cursor.place = len(cursor.text)
        cursor.fail('a closing " after the filter')
    written = cursor.text[cursor.place : end]
    name = written.strip().lower().replace(" ", "-").replace("_", "-")
    allowed = [kind.value for kind in FilterKind]
    if name not in allowed:
        raise CalloutError(f'character {place + 2}: expected a filter ({", ".join(allowed)}), found "{written}"')
    cursor.place = end + 1
    cursor.blanks()
    return name


def _band(cursor: Cursor) -> tuple[float | None, float | None]:
    """Transmission band ``[short]-[long]/`` in mm."""
    first = cursor.peek()
    if not first or first not in DIGITS + ".," + _MINUSES:
        return None, None
    short_mm = None if first in _MINUSES else cursor.number("a cut-off in mm")
    cursor.blanks()
    if not cursor.take_any(_MINUSES):
        cursor.fail('"-": a cut-off alone is written "-0.8/" (long) or "0.0025-/" (short)')
    cursor.blanks()
    if short_mm is None and cursor.peek() == "/":
        cursor.fail("a cut-off in mm")
    long_mm = None if cursor.peek() == "/" else cursor.number('a cut-off in mm or "/"')
    cursor.blanks()
    if not cursor.take("/"):
        cursor.fail('"/" after the transmission band')
    cursor.blanks()
    return short_mm, long_mm


def _band_meaning(
    parameter: str, short_mm: float | None, long_mm: float | None, place: int
) -> tuple[float | None, float | None, float | None]:
    """λc in mm, λs in µm, λf in mm: a band is λs–λc for R, λc–λf for W, and λs alone for P."""
    if 0.0 in {short_mm, long_mm}:
        raise CalloutError(f"character {place + 1}: expected cut-offs above 0 mm")
    if short_mm is not None and long_mm is not None and short_mm >= long_mm:
        raise CalloutError(f"character {place + 1}: expected a short cut-off below the long one, "
                           f"found {short_mm:g} and {long_mm:g} mm")
    short_um = None if short_mm is None else round(1000.0 * short_mm, 9)
    match family(parameter):
        case "W":
            return short_mm, None, long_mm
        case "P" if long_mm is not None:
            raise CalloutError(f"character {place + 1}: expected a band without long cut-off for {parameter}, such as "
                               f'"0.0025-/", found {long_mm:g} mm')
        case _:
            return long_mm, short_um, None


def _parameter(cursor: Cursor) -> tuple[str, str, int | None, bool]:
    """Symbol, unit, sections and whether ``max`` follows."""
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
        digits = cursor.run(DIGITS)
        is_max = _max(cursor)
        if cursor.at_end or cursor.peek() in BLANKS + ";":
            found = name, unit, _sections(cursor, digits, after_name), is_max
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
        sign = "-" if cursor.take_any(_MINUSES) else ""
        numbers.append(sign + _argument(cursor))
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


def _argument(cursor: Cursor) -> str:
    """A number in brackets, with a decimal point: there the comma separates."""
    whole = cursor.run(DIGITS)
    fraction = cursor.run(DIGITS) if cursor.take(".") else ""
    if not (whole or fraction):
        cursor.fail("a number with a decimal point")
    return f"{float(f'{whole or 0}.{fraction or 0}'):g}"


def _unknown_symbol(cursor: Cursor) -> NoReturn:
    word = cursor.word_here()
    bare = "".join(character for character in word if character.isalpha())
    near = [symbol for symbol in (*UNITS, *WITH_ARGUMENTS) if symbol.lower() == bare.lower()]
    if bare in WITH_ARGUMENTS:
        example = {"Rmr": "Rmr(1)", "Rmc": "Rmc(20)", "Rdc": "Rdc(20,80)", "Pc": "Pc(0.5)"}[bare]
        cursor.fail(f'numbers in brackets after {bare}, such as "{example}"')
    if near and bare not in near:
        cursor.fail(f'a parameter; "{near[0]}" would be right')
    cursor.fail("a parameter such as Ra, Rz or Rsm")


def _limit(cursor: Cursor, parameter: str, unit: str) -> float:
    cursor.blanks()
    place = cursor.place
    negative = parameter in SIGNED and bool(cursor.take_any(_MINUSES))
    limit = cursor.number(f'a limit such as "0.8" after {parameter}')
    limit = -limit if negative else limit
    after = cursor.place
    cursor.blanks()
    if not _written_unit(cursor):
        cursor.place = after
    else:
        limit = _in_unit(cursor, limit, parameter, unit)
    if limit <= 0 and parameter not in SIGNED:
        raise CalloutError(f"character {place + 1}: expected a limit above 0, found {limit:g}")
    if unit == "%" and parameter != "Rdr" and limit > 100:
        raise CalloutError(f"character {place + 1}: expected a limit of at most 100 %, found {limit:g}")
    return limit


def _written_unit(cursor: Cursor) -> str:
    """The unit that stands here, as a key of `_WRITTEN_UNITS`, without stepping over it; "" if none."""
    word = cursor.word_here()
    plain = "u" + word[1:] if word[:1] and word[0] in _MICRO else word
    return plain if plain in _WRITTEN_UNITS else ""


def _in_unit(cursor: Cursor, limit: float, parameter: str, unit: str) -> float:
    written = _written_unit(cursor)
    given, factor = _WRITTEN_UNITS[written]
    if given != unit:
        length = _LENGTH_FACTOR.get((given, unit))
        if length is None:
            wanted = "no unit" if unit == "1" else f"the unit {unit}"
            cursor.fail(f"{wanted} for {parameter}")
        factor *= length
    cursor.place += len(cursor.word_here())
    return limit * factor if factor != 1.0 else limit
