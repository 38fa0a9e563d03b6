"""The words around the parameter of a call-out: process, side, rule, class, filter, lay."""

from __future__ import annotations

from dataclasses import dataclass

from crosslay.errors import CalloutError
from crosslay.inspection.callout_model import Lay, Process, Rule, Side
from crosslay.inspection.cursor import BLANKS, DIGITS, Cursor
from crosslay.texture.settings import FilterKind, Standard, setting_table

#: Further ways to write a lay.
_OTHER_LAYS = {"_|_": Lay.PERPENDICULAR, "\u22a5": Lay.PERPENDICULAR}
#: Symbols of ISO 16610-1 for filters (from memory), beside the names of the settings.
_FILTER_SYMBOLS = {"fplg": "gaussian", "fpls": "spline", "fprg": "robust"}
_CLASSES = tuple(row.name for row in setting_table(Standard.ISO_21920))
_WORD_ENDS = BLANKS + ";"


@dataclass(slots=True)
class Words:
    """What the words of one call-out said so far."""

    rule: Rule | None = None
    setting_class: str | None = None
    filter: str | None = None
    lay: Lay | None = None


def read_process(cursor: Cursor) -> Process | None:
    """Step over a process, if one stands here."""
    for process in Process:
        if _word(cursor, process.value):
            return process
    return None


def read_side(cursor: Cursor) -> Side:
    """Step over ``U`` or ``L``; an upper limit without."""
    for letter, side in (("U", Side.UPPER), ("L", Side.LOWER)):
        if cursor.peek() == letter and cursor.peek(1) and cursor.peek(1) in BLANKS:
            cursor.place += 1
            cursor.blanks()
            return side
    return Side.UPPER


def read_words_before(cursor: Cursor, words: Words) -> None:
    """Step over rules, classes and filters in front of the parameter."""
    while read_rule(cursor, words) or _read_class(cursor, words) or _read_filter(cursor, words):
        pass


def read_words_after(cursor: Cursor, words: Words) -> int:
    """Step over rules, classes and lays behind the limit; where the last of them ends."""
    end = cursor.place
    cursor.blanks()
    while read_rule(cursor, words) or _read_class(cursor, words) or _read_lay(cursor, words):
        end = cursor.place
        while cursor.text[end - 1] in BLANKS:
            end -= 1
    return end


def read_rule(cursor: Cursor, words: Words) -> bool:
    """Step over one rule; whether one stands here."""
    place = cursor.place
    for rule in Rule:
        if cursor.take(rule.value):
            take_rule(words, rule, place)
            cursor.blanks()
            return True
    return False


def take_rule(words: Words, rule: Rule, place: int) -> None:
    """Note a rule that stands at `place`; two that differ are an error."""
    if words.rule is not None and words.rule is not rule:
        raise CalloutError(f"character {place + 1}: expected one rule, found {words.rule.value} and {rule.value}")
    words.rule = rule


def _read_class(cursor: Cursor, words: Words) -> bool:
    place = cursor.place
    if not (cursor.peek() == "S" and cursor.peek(1) == "c" and cursor.peek(2) and cursor.peek(2) in DIGITS):
        return False
    name = next((each for each in _CLASSES if _word(cursor, each)), None)
    if name is None:
        cursor.fail(f"a setting class, {_CLASSES[0]} to {_CLASSES[-1]}, and a blank")
    if words.setting_class not in {None, name}:
        raise CalloutError(f"character {place + 1}: expected one setting class, found {words.setting_class} and {name}")
    words.setting_class = name
    return True


def _read_filter(cursor: Cursor, words: Words) -> bool:
    place = cursor.place
    if not cursor.take('"'):
        return False
    if words.filter is not None:
        cursor.place = place
        cursor.fail("one filter")
    end = cursor.text.find('"', cursor.place)
    if end < 0:
        cursor.place = len(cursor.text)
        cursor.fail('a closing " after the filter')
    written = cursor.text[cursor.place : end]
    name = written.strip().lower().replace(" ", "-").replace("_", "-")
    name = _FILTER_SYMBOLS.get(name, name)
    allowed = [kind.value for kind in FilterKind]
    if name not in allowed:
        raise CalloutError(f'character {place + 2}: expected a filter ({", ".join(allowed)}), found "{written}"')
    words.filter = name
    cursor.place = end + 1
    cursor.blanks()
    return True


def _read_lay(cursor: Cursor, words: Words) -> bool:
    place = cursor.place
    ways = _OTHER_LAYS | {lay.value: lay for lay in Lay}
    lay = next((ways[way] for way in ways if _word(cursor, way)), None)
    if lay is None:
        return False
    if words.lay not in {None, lay}:
        assert words.lay is not None
        raise CalloutError(f"character {place + 1}: expected one lay for the surface, found {words.lay.value} and "
                           f"{lay.value}")
    words.lay = lay
    return True


def _word(cursor: Cursor, word: str) -> bool:
    """Step over `word` and the blanks behind it, if it stands here as a word of its own."""
    start = cursor.place
    if cursor.take(word) and (cursor.at_end or cursor.peek() in _WORD_ENDS):
        cursor.blanks()
        return True
    cursor.place = start
    return False
