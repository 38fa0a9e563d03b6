"""What every trace file format shares: caps, error texts, checks of heights and facts."""

from __future__ import annotations

import math
from collections.abc import Mapping
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
MAX_FACTS: Final = 256
MAX_FACT_CHARACTERS: Final = 4096

#: Facts that are quantities; where a file names them, they must be numbers above 0.
NUMERIC_FACTS: Final = ("spacing_um", "speed_mm_s", "tip_radius_um")


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
    """Refuse facts that no reader would give back equal.

    Raises
    ------
    TraceError
        Naming the first of them.
    """
    if len(facts) > MAX_FACTS:
        raise TraceError(f"a {kind} file holds at most {MAX_FACTS} facts; this trace has {len(facts)}")
    for key, value in facts.items():
        if not key or "\0" in key + value or len(key) + len(value) > MAX_FACT_CHARACTERS:
            raise TraceError(f"the fact {quote(key)}: {quote(value)} cannot be written to a {kind} file: it needs a "
                             f"name, no NUL character and at most {MAX_FACT_CHARACTERS} characters")
        if key == "spacing_um":
            raise TraceError(f"the fact {quote(key)} cannot be written to a {kind} file: the spacing is the trace's")
        if key in NUMERIC_FACTS and positive_fact(facts, key) is None:
            raise TraceError(f"the fact {key} is {quote(value)}; it must be a number above 0")


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
