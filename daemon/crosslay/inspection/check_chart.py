"""Reference checks over time: runs and trends, before a limit is passed.

Two tests on the deviations, oldest first:

* **run**: seven or more in a row on one side of the baseline. For independent deviations that are as likely above as
  below, seven given ones do so with the chance 2·(1/2)⁷ = 1/64.
* **trend**: seven or more in a row, each above the one before, or each below. Seven given independent ones do so with
  the chance 2/7! = 1/2520.

So a gauge without any fault raises about one run in 128 checks (a run of seven begins at a given check with the chance
1/128, since the one before must lie on the other side). A deviation on the baseline and two equal ones are on no side:
they end a run and a trend.

References
----------
ISO 7870-2:2013, tests for a Shewhart chart: seven points in a row on one side of the centre line; seven in a row
steadily rising or falling (from memory). The chances follow from symmetry and from counting orders.
"""

from __future__ import annotations

import enum
import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

from crosslay.errors import SettingsError

#: Points that make a run or a trend.
LEAST_LENGTH = 7


class SignalKind(enum.Enum):
    """What a signal is."""

    RUN = "run"
    TREND = "trend"


class Direction(enum.Enum):
    """Which way."""

    UP = "up"
    """Above the baseline, or rising."""
    DOWN = "down"


class Standing(enum.Enum):
    """Whether a signal still holds at the newest deviation."""

    CURRENT = "current"
    PAST = "past"


@dataclass(frozen=True, slots=True, kw_only=True)
class Signal:
    """One run or trend.

    Attributes
    ----------
    first, last
        Index of its first and last deviation in the history.
    values
        The deviations themselves.
    text
        One sentence.
    """

    kind: SignalKind
    direction: Direction
    standing: Standing
    first: int
    last: int
    values: tuple[float, ...]
    text: str

    @property
    def length(self) -> int:
        """Number of deviations."""
        return self.last - self.first + 1


def check_chart(deviations_percent: Sequence[float], *, centre_percent: float = 0.0) -> tuple[Signal, ...]:
    """Find runs and trends in the history of deviations.

    Parameters
    ----------
    deviations_percent : sequence of float
        Deviations from the certified value, %, oldest first, of checks that were usable. After an adjustment a new
        history begins.
    centre_percent : float
        Baseline of runs, %; 0 is the certified value.

    Returns
    -------
    tuple of Signal
        In the order of their last deviation.

    Raises
    ------
    SettingsError
        A deviation or the baseline is not a finite number.
    """
    values = [float(value) for value in deviations_percent]
    if not all(math.isfinite(value) for value in (*values, centre_percent)):
        raise SettingsError("a deviation in the history of checks is not a number")
    sides = [(value > centre_percent) - (value < centre_percent) for value in values]
    turns = [(after > before) - (after < before) for before, after in itertools.pairwise(values)]
    signals = [_signal(SignalKind.RUN, sign, first, last, values) for sign, first, last in _runs(sides, LEAST_LENGTH)]
    signals += [
        _signal(SignalKind.TREND, sign, first, last + 1, values)
        for sign, first, last in _runs(turns, LEAST_LENGTH - 1)
    ]
    return tuple(sorted(signals, key=lambda signal: (signal.last, signal.first)))


def _runs(signs: list[int], least: int) -> list[tuple[int, int, int]]:
    """Longest stretches of one sign other than 0, each sign, first and last index."""
    found, first = [], 0
    for here in range(1, len(signs) + 1):
        if here == len(signs) or signs[here] != signs[first]:
            if signs[first] != 0 and here - first >= least:
                found.append((signs[first], first, here - 1))
            first = here
    return found


def _signal(kind: SignalKind, sign: int, first: int, last: int, values: list[float]) -> Signal:
    length = last - first + 1
    if kind is SignalKind.RUN:
        what = f"{length} checks in a row lie {'above' if sign > 0 else 'below'} the baseline"
        cause = "the gauge reads steadily off; look at its adjustment"
    else:
        what = f"{length} checks in a row {'rise' if sign > 0 else 'fall'}"
        cause = "something wears or drifts; look at the tip and the drive"
    return Signal(
        kind=kind, direction=Direction.UP if sign > 0 else Direction.DOWN,
        standing=Standing.CURRENT if last == len(values) - 1 else Standing.PAST, first=first, last=last,
        values=tuple(values[first : last + 1]),
        text=f"{what}, from {values[first]:+.2f} % to {values[last]:+.2f} %: {cause}.",
    )
