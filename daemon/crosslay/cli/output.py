"""What verbs print: plain text, aligned tables and JSON lines on standard output."""

from __future__ import annotations

import json
import math
import os
import sys
import textwrap
from collections.abc import Iterable, Sequence
from typing import Any

#: Characters in a line of text for people.
LINE_WIDTH = 110
#: How a unit of the wire (UCUM) is written for people.
SHOWN_UNITS = {"um": "µm", "mm": "mm", "%": "%", "/cm": "1/cm", "um.%": "µm·%", "1": "",
               "u[in_i]": "µin", "u[in_i].%": "µin·%"}


def emit(text: str) -> None:
    """Print a text and a line end; nothing where standard output is closed."""
    if sys.stdout is not None:
        sys.stdout.write(text + "\n")


def emit_json(document: Any) -> None:
    """Print one JSON object on one line."""
    emit(json_line(document))


def json_line(document: Any) -> str:
    """One JSON object as one line.

    Only ASCII, so that it survives any locale. JSON has no number that is not finite: the caller sees to that.
    """
    return json.dumps(document, allow_nan=False, ensure_ascii=True)


def say(text: str) -> None:
    """Print a sentence on standard error."""
    if sys.stderr is not None:
        sys.stderr.write(text + "\n")
        sys.stderr.flush()


def finite(value: float | None) -> float | None:
    """Give back the value, or None where JSON could not hold it."""
    return value if value is not None and math.isfinite(value) else None


def shown_path(path: str | os.PathLike[str]) -> str:
    """A path as text, whatever bytes its name is made of."""
    return os.fsencode(path).decode("utf-8", "replace")


def number(value: float, digits: int = 4) -> str:
    """A number for people, with `digits` significant digits and without exponent in everyday sizes."""
    if value == 0:
        return "0"
    text = f"{value:.{digits}g}"
    if "e" not in text:
        return text
    return f"{value:.0f}" if 1 <= abs(value) < 1e9 else text


def quantity(value: float | None, unit: str, digits: int = 4) -> str:
    """A number with its unit for people; a dash where there is none."""
    if value is None:
        return "–"
    return f"{number(value, digits)} {SHOWN_UNITS.get(unit, unit)}".rstrip()


def beside(value: float, limit: float) -> str:
    """A value with as many digits as it takes to see that it is not equal to its limit."""
    for digits in range(4, 17):
        text = number(value, digits)
        if value == limit or float(text) != limit:
            return text
    return repr(value)


def table(rows: Iterable[Sequence[str]], *, indent: str = "  ", gap: str = "  ") -> list[str]:
    """Lines with columns aligned at the left."""
    lines = [list(row) for row in rows]
    widths = [max((len(row[place]) for row in lines if place < len(row)), default=0)
              for place in range(max(map(len, lines), default=0))]
    return [indent + gap.join(cell.ljust(width) for cell, width in zip(row, widths, strict=False)).rstrip()
            for row in lines]


def wrapped(first: str, text: str, *, indent: str) -> list[str]:
    """Lines of `first` and `text`, the later ones indented."""
    return textwrap.wrap(first + text, LINE_WIDTH, subsequent_indent=indent, break_long_words=False,
                         break_on_hyphens=False)
