"""What every trace file format shares: caps, error texts, checks of heights and facts."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from crosslay.errors import TraceError, TraceFileError
from crosslay.texture.trace import MAX_HEIGHT_UM, Trace

#: Files above this are refused unread: 4 million points as text take no more.
MAX_FILE_BYTES: Final = 64 * 1024 * 1024
#: Most points of one trace; 400 times the usual 9,601, and float64 arrays of them still fit a small computer.
MAX_POINTS: Final = 4_000_000
#: A trace needs two points to have a spacing.
MIN_POINTS: Final = 2
#: A kilometre; beyond it the unit is wrong, or the file.
MAX_POSITION_MM: Final = 1e6
#: Steps and scale factors beyond it, in whatever unit, are no measurement and would overflow.
MAX_STEP: Final = 1e30
MAX_FACTS: Final = 256
MAX_FACT_CHARACTERS: Final = 4096

#: Facts that are quantities; where a file names them, they must be numbers above 0.
NUMERIC_FACTS: Final = ("spacing_um", "speed_mm_s", "tip_radius_um")
#: Facts that crosslay itself uses; formats with a free text for remarks may carry them in lines ``key: value``.
KNOWN_FACTS: Final = ("part", "job", "product", "characteristic", "skid", "speed_mm_s", "tip_radius_um")


def fail(name: str, line: int, text: str) -> TraceFileError:
    """Make the error of one line, ``name:line: text``; to be raised by the caller."""
    return TraceFileError(f"{name}:{line}: {text}")


def quote(text: str, limit: int = 40) -> str:
    """Quote a piece of a file for an error text: clipped, control characters made visible."""
    shown = text if len(text) <= limit else text[: limit - 1] + "…"
    return '"' + "".join(c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in shown) + '"'


def check_size(data: bytes, name: str, line: int = 1) -> None:
    """Refuse an empty file and one beyond the cap.

    Raises
    ------
    TraceFileError
        With the size found and the size allowed.
    """
    if not data:
        raise fail(name, line, "the file is empty; a trace has at least two heights")
    if len(data) > MAX_FILE_BYTES:
        raise fail(name, line, f"the file has {len(data) / 2**20:.1f} MiB; at most {MAX_FILE_BYTES // 2**20} MiB "
                               f"and {MAX_POINTS:,} points are read")


def first_bad_height(heights_um: NDArray[np.float64]) -> int | None:
    """Index of the first height that is not finite or beyond ±10⁶ µm; None where all are good."""
    good = np.abs(heights_um) <= MAX_HEIGHT_UM  # False for NaN as well
    return None if bool(good.all()) else int(np.argmin(good))


def height_complaint(value_um: float) -> str:
    """Say what is wrong with a height that `first_bad_height` found."""
    if not math.isfinite(value_um):
        return f"the height is {value_um}; heights must be finite numbers in µm"
    return f"the height is {value_um:g} µm; beyond ±{MAX_HEIGHT_UM:.0f} µm it is no surface texture (are the units µm?)"


def positive_fact(facts: Mapping[str, str], key: str) -> float | None:
    """Value of a numeric fact; None where it is absent or not a number above 0."""
    try:
        value = float(facts[key])
    except (KeyError, ValueError):
        return None
    return value if math.isfinite(value) and value > 0 else None


def check_facts(facts: Mapping[str, str], kind: str) -> None:
    """Refuse facts that would not read back equal from a line ``key: value``.

    Raises
    ------
    TraceError
        Naming the first of them.
    """
    if len(facts) > MAX_FACTS:
        raise TraceError(f"a {kind} file holds at most {MAX_FACTS} facts; this trace has {len(facts)}")
    for key, value in facts.items():
        named = f"the fact {quote(key)}: {quote(value)} cannot be written to a {kind} file"
        broken = {"\n", "\r", "\0"} & set(key + value)
        if not key or ":" in key or key != key.strip() or value != value.strip() or broken:
            raise TraceError(f"{named}: a key needs a name without a colon, and neither key nor value may have outer "
                             "blanks, line breaks or NUL characters")
        if len(key) + len(value) + len("# : ") > MAX_FACT_CHARACTERS:
            raise TraceError(f"{named}: it has more than {MAX_FACT_CHARACTERS} characters")
        if key == "spacing_um":
            raise TraceError(f"{named}: the spacing is the trace's own")
        if key in NUMERIC_FACTS and positive_fact(facts, key) is None:
            raise TraceError(f"the fact {key} is {quote(value)}; it must be a number above 0")


def known_facts(remarks: str) -> dict[str, str]:
    """Facts among the lines ``key: value`` of a free text; only those that crosslay knows, the first of each."""
    facts: dict[str, str] = {}
    for line in remarks.split("\n"):
        key, colon, value = (part.strip() for part in line.partition(":"))
        if colon and value and key in KNOWN_FACTS and len(line) <= MAX_FACT_CHARACTERS:
            facts.setdefault(key, value)
    return facts


def listed_facts(lines: Iterable[str]) -> dict[str, str]:
    """Facts of lines ``key: value`` that a writer of crosslay made (`check_facts`)."""
    parts = (line.partition(":") for line in lines)
    return {key.strip(): value.strip() for key, _colon, value in parts}


def shift_point(number: str, places: int) -> str:
    """Move the decimal point of a printed number: ``("0.25", -6)`` gives ``"0.25e-6"``, exactly.

    Raises
    ------
    ValueError
        Where the text is not a plain decimal number.
    """
    mantissa, _, exponent = number.strip().lower().partition("e")
    if "_" in number or not number.isascii() or not mantissa.strip("+-").replace(".", "", 1).isdigit():
        raise ValueError(f"{quote(number)} is not a number")
    return f"{mantissa}e{int(exponent or 0) + places}"


def shifted(number: str, places: int) -> float:
    """Value of a printed number with its decimal point moved, rounded once.

    A value that was printed in full in one unit and is read in another so comes back bit-equal, which a
    multiplication would not give. Raises `ValueError`, also where the value is too large for a float.
    """
    value = float(shift_point(number, places))
    if not math.isfinite(value):
        raise ValueError(f"{quote(number)} is too large")
    return value


def all_shifted(numbers: Sequence[str], places: int) -> NDArray[np.float64] | None:
    """Convert many numbers as `shifted` does, shape (N,); None where any of them must be looked at by itself."""
    text = "".join(numbers)
    if not text.isascii() or text.encode("ascii").translate(None, b"0123456789+-.eE"):
        return None
    suffixes: dict[str, str] = {}
    values = np.empty(len(numbers))
    try:
        for index, number in enumerate(numbers):
            mantissa, _, exponent = number.partition("e")
            suffix = suffixes.get(exponent)
            if suffix is None:
                suffix = suffixes[exponent] = f"e{int(exponent or 0) + places}"
            values[index] = float(mantissa + suffix)
    except ValueError:
        return None
    return values if np.isfinite(values).all() else None


def most_decimals(numbers: Sequence[str], context: str = "e") -> int:
    """Most decimals that any of the numbers is printed with: 4 for ``0.0005`` and for ``5e-4``, 0 for ``12``.

    `context` is a text that holds them all; without exponents and blanks in it, a shorter way is taken.
    """
    if not any(sign in context for sign in "eE \t"):
        return max([len(number) - point - 1 for number in numbers if (point := number.find(".")) >= 0], default=0)
    most = 0
    for number in numbers:
        mantissa, _, exponent = number.strip().lower().partition("e")
        most = max(most, len(mantissa.partition(".")[2]) - int(exponent or 0))
    return most


def resolution_mm(decimals: int) -> float:
    """One unit of the last printed decimal of positions in mm."""
    return float(f"1e{-decimals}")


def position_texts(positions_mm: NDArray[np.float64], position_resolution_mm: float) -> list[str]:
    """Print positions with the decimals of their resolution where that is exact, so that it is read back too."""
    values = positions_mm.tolist()
    decimals = round(-math.log10(position_resolution_mm)) if position_resolution_mm > 0 else -1
    if 0 <= decimals <= 17 and resolution_mm(decimals) == position_resolution_mm:
        texts = [f"{value:.{decimals}f}" for value in values]
        if all(float(text) == value for text, value in zip(texts, values, strict=True)):
            return texts
    return [repr(value) for value in values]


def bad_position(positions_mm: NDArray[np.float64]) -> tuple[int, str] | None:
    """Index and complaint of the first position that is no place on a part or not beyond the one before it."""
    if not positions_mm.size:
        return None
    good = np.abs(positions_mm) <= MAX_POSITION_MM  # False for NaN as well
    if not good.all():
        bad = int(np.argmin(good))
        return bad, f"the position is {positions_mm[bad]:g} mm; it must lie within ±{MAX_POSITION_MM:.0f} mm"
    rises = np.diff(positions_mm) > 0
    if not rises.all():
        bad = int(np.argmin(rises)) + 1
        return bad, (f"the position is {positions_mm[bad]} mm after {positions_mm[bad - 1]} mm; "
                     "positions must increase from point to point")
    return None


def make_trace(name: str, line: int, **fields: Any) -> Trace:
    """Build the trace; what it does not accept becomes an error at `line`."""
    try:
        return Trace(**fields)
    except TraceError as error:
        raise fail(name, line, str(error)) from error


def exact_heights(trace: Trace, kind: str) -> NDArray[np.float64]:
    """Heights of a trace that a file can hold and read back, shape (N,), µm.

    Raises
    ------
    TraceError
        Fewer than two heights, or heights that no reader would take.
    """
    heights_um = trace.heights_um()
    if trace.points < MIN_POINTS:
        raise TraceError(f"a {kind} file needs at least two heights; this trace has {trace.points}")
    if trace.points > MAX_POINTS:
        raise TraceError(f"a {kind} file holds at most {MAX_POINTS:,} points; this trace has {trace.points:,}")
    bad = first_bad_height(heights_um)
    if bad is not None:
        complaint = height_complaint(float(heights_um[bad]))
        raise TraceError(f"height {bad + 1} cannot be written to a {kind} file: {complaint}")
    return heights_um


def mean_spacing_um(positions_mm: NDArray[Any]) -> float:
    """Mean spacing ``(x_last − x_first)/(N − 1)``, µm (design: texture, section 1)."""
    return float(positions_mm[-1] - positions_mm[0]) / (positions_mm.size - 1) * 1000.0
