"""Values of options, with the range in the error."""

from __future__ import annotations

import argparse
import math

from crosslay.texture.settings import MAX_SECTIONS

#: More processes than any computer has cores for are a slip of the finger.
MAX_JOBS = 256


def positive(text: str) -> float:
    """Read a number above 0, with a point or a comma."""
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        value = math.nan
    if not (math.isfinite(value) and value > 0):
        raise argparse.ArgumentTypeError(f'"{text}" is not a number above 0')
    return value


def not_negative(text: str) -> float:
    """Read a number that is 0 or more, with a point or a comma."""
    return 0.0 if text.strip("0.,") == "" and "0" in text else positive(text)


def jobs(text: str) -> int:
    """Read a number of processes."""
    if not (text.isascii() and text.isdigit() and 1 <= int(text) <= MAX_JOBS):
        raise argparse.ArgumentTypeError(f'"{text}" is not a whole number from 1 to {MAX_JOBS}')
    return int(text)


def cutoff_mm(text: str) -> float:
    """Read λc in mm."""
    value = positive(text)
    if value > 100:
        raise argparse.ArgumentTypeError(f'"{text}" is no cut-off in mm; usual are 0.08, 0.25, 0.8, 2.5 and 8')
    return value


def short_cutoff(text: str) -> float | str:
    """Read λs in µm, or ``none``."""
    return "none" if text == "none" else positive(text)


def sections(text: str) -> int:
    """Read the number of section lengths."""
    if not (text.isascii() and text.isdigit() and 1 <= int(text) <= MAX_SECTIONS):
        raise argparse.ArgumentTypeError(f'"{text}" is not a whole number from 1 to {MAX_SECTIONS}')
    return int(text)
