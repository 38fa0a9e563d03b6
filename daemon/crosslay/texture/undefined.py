"""The answer of a parameter that a trace does not define."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Undefined:
    """A value that the standard does not define for this trace.

    Attributes
    ----------
    reason : str
        Why, in words for the reader of the result (for example
        ``"no element crosses the limits"``).
    """

    reason: str
