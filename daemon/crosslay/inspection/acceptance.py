"""From values to a decision: the acceptance rules for one and for several values, and the zones of a known uncertainty.

References
----------
ISO 4288:1996, clause 5 and Annex A (T16% and its early decisions; from memory, page *reference-values*, 8.1);
ISO 21920-3:2021, clause 4 (Tmax, T16%, Tmed); ISO 14253-1:2017 (zones, guard factor 1.65; from memory);
JCGM 106:2012, clause 7 (probability of conformance).
"""

from __future__ import annotations

import enum
import math
from dataclasses import dataclass
from functools import cache

from crosslay.errors import SettingsError
from crosslay.inspection.callout import Rule, Side

#: ISO 14253-1:2017: a conformance probability of 95 % at the edge of the acceptance zone, rounded to two decimals.
GUARD_FACTOR = 1.65
#: Stages of T16% (ISO 4288): after so many values, at most so many may exceed.
T16_STAGES = ((1, 0), (3, 0), (6, 1), (12, 2))
#: A first value up to this share of an upper limit is enough.
T16_SHORTCUT = 0.7
MOST_VALUES = 100


class DecisionRule(enum.Enum):
    """How an uncertainty enters the decision."""

    SIMPLE = "simple"
    """Not at all: the value is compared with the limit."""
    ISO_14253_1 = "iso-14253-1"
    """A guard band on either side of the limit; inside, nothing is proven."""


class Zone(enum.Enum):
    """Where a value lies, seen with its uncertainty."""

    CONFORM = "conform"
    NOT_CONFORM = "not conform"
    NOT_PROVEN = "not proven"


class Step(enum.Enum):
    """What a sequence of values has come to."""

    ACCEPT = "accept"
    REJECT = "reject"
    MORE = "more"
    UNDECIDED = "undecided"
    INVALID = "invalid"


@dataclass(frozen=True, slots=True, kw_only=True)
class Uncertainty:
    """Of one value, in the value's unit: standard u_c, expanded U, and the coverage factor k between them."""

    standard: float
    expanded: float
    coverage_factor: float

    @classmethod
    def of_expanded(cls, expanded: float, coverage_factor: float) -> Uncertainty:
        """From U and k, as a certificate or a station file gives them."""
        return cls(standard=expanded / coverage_factor, expanded=expanded, coverage_factor=coverage_factor)


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """Limits of one property; None where it has none on that side."""

    lower: float | None = None
    upper: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Policy:
    """How the values of one call-out are accepted.

    Attributes
    ----------
    min_traces
        Values that Tmax asks for at least.
    max_traces
        Values that T16% may take at most (1, 3, 6 or 12; 1 compares like Tmax), or whose median Tmed takes (odd).
    positions
        Places of the part, each of which is judged by itself; empty: there is one, without a name.
    decision_rule, guard_factor
        Rule in force, and k of the guard band g = k·u_c.
    expanded_uncertainty, coverage_factor
        U of a value, in the call-out's unit, and its k, where they are given rather than computed; U None: not given.
    """

    min_traces: int = 1
    max_traces: int = 1
    positions: tuple[str, ...] = ()
    decision_rule: DecisionRule = DecisionRule.SIMPLE
    guard_factor: float = GUARD_FACTOR
    expanded_uncertainty: float | None = None
    coverage_factor: float = 2.0

    def given_uncertainty(self) -> Uncertainty | None:
        """What was given, None where nothing was."""
        if self.expanded_uncertainty is None:
            return None
        return Uncertainty.of_expanded(self.expanded_uncertainty, self.coverage_factor)


#: One trace, and its value compared with the limit.
DEFAULT_POLICY = Policy()


def require_countable(rule: Rule, policy: Policy) -> None:
    """Refuse numbers of traces that a rule cannot work with.

    Raises
    ------
    SettingsError
        With the numbers that would be right.
    """
    if not 1 <= policy.min_traces <= policy.max_traces <= MOST_VALUES:
        raise SettingsError(f"min_traces {policy.min_traces} and max_traces {policy.max_traces} do not fit: expected "
                            f"1 <= min_traces <= max_traces <= {MOST_VALUES}")
    counts = [count for count, _allowed in T16_STAGES]
    if rule is Rule.T16 and policy.max_traces not in counts:
        raise SettingsError(f"max_traces is {policy.max_traces}; the 16 % rule decides after 1, 3, 6 or 12 values, so "
                            "it must be one of these")
    if rule is Rule.TMED and policy.max_traces % 2 == 0:
        raise SettingsError(f"max_traces is {policy.max_traces}; the median rule needs an odd number of values, whose "
                            "median is one of them")


# --- one value -------------------------------------------------------------------------------------------------------


def zone(value: float, limits: Limits, *, guard: float = 0.0) -> Zone:
    """Zone of a value (ISO 14253-1:2017): conform up to limit − g, not conform from limit + g on, between not proven.

    Without a guard band a value equal to its limit conforms and nothing is left between.
    """
    sides = [_zone_at(value, limit, side, guard) for limit, side in
             ((limits.upper, Side.UPPER), (limits.lower, Side.LOWER)) if limit is not None]
    worst_first = (Zone.NOT_CONFORM, Zone.NOT_PROVEN)
    return next((each for each in worst_first if each in sides), Zone.CONFORM)


def _zone_at(value: float, limit: float, side: Side, guard: float) -> Zone:
    beyond = 1.0 if side is Side.UPPER else -1.0
    if beyond * value <= beyond * (limit - beyond * guard):
        return Zone.CONFORM
    return Zone.NOT_CONFORM if beyond * value >= beyond * (limit + beyond * guard) else Zone.NOT_PROVEN


def probability_of_conformance(value: float, standard_uncertainty: float, limits: Limits) -> float:
    """Probability that the property lies within its limits, for a normal distribution about the value.

    References
    ----------
    JCGM 106:2012, 7.2 to 7.4: p_c = Φ((TU − y)/u) − Φ((TL − y)/u). Without uncertainty it is 1 or 0.
    """
    if standard_uncertainty <= 0.0:
        return 1.0 if zone(value, limits) is Zone.CONFORM else 0.0
    above = 0.0 if limits.upper is None else _tail((limits.upper - value) / standard_uncertainty)
    below = 0.0 if limits.lower is None else _tail((value - limits.lower) / standard_uncertainty)
    # Both tails rather than a difference of two Φ: what is left of 1 keeps its digits.
    return min(1.0, max(0.0, 1.0 - above - below))


def specific_consumer_risk(probability: float) -> float:
    """Probability that a part which is accepted does not conform (JCGM 106:2012, 9.3.2)."""
    return 1.0 - probability


def specific_producer_risk(probability: float) -> float:
    """Probability that a part which is rejected conforms (JCGM 106:2012, 9.3.2)."""
    return probability


def _tail(distance: float) -> float:
    """1 − Φ(distance)."""
    return 0.5 * math.erfc(distance / math.sqrt(2.0))


def guarded_zone(value: float, limits: Limits, uncertainty: Uncertainty, guard_factor: float = GUARD_FACTOR) -> Zone:
    """Zone with the guard band g = k·u_c; between two close limits the probability must be there as well.

    With one limit, or two far apart, limit − g is where the probability of conformance is Φ(k), 95 % for k = 1.65.
    Where the tolerance is only a few u_c wide, both tails count, and a value between the guard bands that does not
    reach that probability is not proven (ISO 14253-1:2017, narrow tolerance). k has two decimals, so half a unit of
    the last is allowed.
    """
    found = zone(value, limits, guard=guard_factor * uncertainty.standard)
    if found is not Zone.CONFORM or limits.lower is None or limits.upper is None:
        return found
    needed = 1.0 - _tail(guard_factor - 0.005)
    reached = probability_of_conformance(value, uncertainty.standard, limits) >= needed
    return Zone.CONFORM if reached else Zone.NOT_PROVEN


# --- several values --------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """Where a sequence stands.

    Attributes
    ----------
    step
        Decision, or that more values are needed.
    taken
        Number of values so far.
    at_least, at_most
        How many may follow until the decision; 0 once it is there.
    place
        Which of the values decides (from 0, in the order in which they came): it keeps the limit exactly where the
        sequence is accepted. None where no value counts.
    """

    step: Step
    taken: int
    at_least: int = 0
    at_most: int = 0
    place: int | None = None


class Sequence:
    """Values of one property at one place, one after the other, under one rule.

    - **T16%** decides at its stages: first value ≤ 70 % of an upper limit, none of 3, at most 1 of 6, at most 2 of 12
      beyond the limit; a rejection as early as it is certain. A decision is final. The 70 % are a share of the limit,
      so they count for upper limits above 0 only.
    - **Tmax** asks for `Policy.min_traces` values of which none lies beyond; every further value counts as well.
    - **Tmed** takes `Policy.max_traces` values; their median is compared. How many it takes is not said by what was at
      hand (page *reference-values*, 8.2), so it is a setting.

    With a guard band a value is beyond the limit, or keeps it, only where that is proven: T16% accepts at a stage where
    no more values than may exceed are not proven to keep it, rejects where more than the last stage allows are proven
    to exceed, and is undecided as soon as neither can come any more (*design: texture* is silent; our decision).

    Parameters
    ----------
    rule, side, limit
        Rule in force, and the limit.
    policy
        How many values, and whether some may be not proven.

    Raises
    ------
    SettingsError
        The numbers of values do not fit the rule.
    """

    def __init__(self, rule: Rule, side: Side, limit: float, policy: Policy) -> None:
        require_countable(rule, policy)
        self._rule, self._side, self._limit = rule, side, limit
        self._size = policy.max_traces if rule is not Rule.TMAX else policy.min_traces
        self._values: list[float] = []
        self._zones: list[Zone] = []
        self._guarded = policy.decision_rule is not DecisionRule.SIMPLE
        self._invalid = False
        self._standing = self._open(0, 0, 0)

    @property
    def standing(self) -> Standing:
        """Where it stands now."""
        return self._standing

    @property
    def values(self) -> tuple[float, ...]:
        """Values so far, those after a decision too."""
        return tuple(self._values)

    def feed(self, value: float | None, *, guard: float = 0.0, zone: Zone | None = None) -> Standing:
        """Take the next value.

        Parameters
        ----------
        value
            Unrounded; None or not finite where it is undefined, which ends the sequence as invalid.
        guard
            Half-width g of the zone about the limit where nothing is proven.
        zone
            Where the value lies, for a caller that knows better than the limit and `guard`.
        """
        if value is None or not math.isfinite(value) or self._invalid:
            self._invalid = True
            self._standing = Standing(step=Step.INVALID, taken=len(self._values))
            return self._standing
        final = self._standing.step is not Step.MORE and self._rule is not Rule.TMAX
        self._values.append(value)
        self._zones.append(zone if zone is not None else _zone_at(value, self._limit, self._side, guard))
        if not final:
            self._standing = self._median() if self._rule is Rule.TMED else self._counted(guard)
        return self._standing

    def _open(self, taken: int, bad: int, unproven: int) -> Standing:
        if self._rule is Rule.TMED:
            left = self._size - taken
            return Standing(step=Step.MORE, taken=taken, at_least=left, at_most=left, place=self._worst(0))
        least, most = _reach(self._stages(), taken, bad, unproven, guarded=self._guarded)
        if taken == 0 and self._shortcut_counts():
            least = 1
        return Standing(step=Step.MORE, taken=taken, at_least=least, at_most=most, place=self._worst(0))

    def _median(self) -> Standing:
        taken = len(self._values)
        if taken < self._size:
            return self._open(taken, 0, 0)
        place = sorted(range(taken), key=lambda each: self._values[each])[taken // 2]
        return Standing(step=_STEPS[self._zones[place]], taken=taken, place=place)

    def _counted(self, guard: float) -> Standing:
        taken = len(self._values)
        bad, unproven = self._zones.count(Zone.NOT_CONFORM), self._zones.count(Zone.NOT_PROVEN)
        if taken == 1 and self._shortcut_counts() and self._values[0] <= T16_SHORTCUT * self._limit - guard:
            return Standing(step=Step.ACCEPT, taken=1, place=0)
        stages = self._stages()
        if self._rule is Rule.TMAX and taken > self._size:
            stages = ((taken, 0),)
        step, allowed = _decision(stages, taken, bad, unproven)
        if step is Step.MORE:
            return self._open(taken, bad, unproven)
        return Standing(step=step, taken=taken, place=self._worst(allowed))

    def _shortcut_counts(self) -> bool:
        return self._rule is Rule.T16 and self._size > 1 and self._side is Side.UPPER and self._limit > 0.0

    def _stages(self) -> tuple[tuple[int, int], ...]:
        if self._rule is Rule.TMAX:
            return ((self._size, 0),)
        return _t16_stages(self._size)

    def _worst(self, rank: int) -> int | None:
        """Place of the value that lies `rank` places behind the worst."""
        if not self._values:
            return None
        order = sorted(range(len(self._values)), key=lambda each: self._values[each], reverse=self._side is Side.UPPER)
        return order[min(rank, len(order) - 1)]


_STEPS = {Zone.CONFORM: Step.ACCEPT, Zone.NOT_CONFORM: Step.REJECT, Zone.NOT_PROVEN: Step.UNDECIDED}


def _t16_stages(size: int) -> tuple[tuple[int, int], ...]:
    """Stages with up to `size` values. The single value counts only where no more may follow."""
    return tuple(stage for stage in T16_STAGES if stage[0] <= size and (stage[0] > 1 or size == 1))


def _decision(stages: tuple[tuple[int, int], ...], taken: int, bad: int, unproven: int) -> tuple[Step, int]:
    """Decision after `taken` values, and how many values beyond the limit it allows."""
    size, last_allowed = stages[-1]
    for count, allowed in stages:
        if taken == count and bad + unproven <= allowed:
            return Step.ACCEPT, allowed
    if bad > last_allowed:
        return Step.REJECT, last_allowed
    may_accept = any(count > taken and bad + unproven <= allowed for count, allowed in stages)
    may_reject = bad + size - taken > last_allowed
    return (Step.MORE if may_accept or may_reject else Step.UNDECIDED), last_allowed


@cache
def _reach(
    stages: tuple[tuple[int, int], ...], taken: int, bad: int, unproven: int, *, guarded: bool
) -> tuple[int, int]:
    """Fewest and most values that may follow until a decision, over everything that they may be."""
    followers = ((0, 0), (1, 0), (0, 1)) if guarded else ((0, 0), (1, 0))
    ways = []
    for more_bad, more_unproven in followers:
        state = (taken + 1, bad + more_bad, unproven + more_unproven)
        open_still = _decision(stages, *state)[0] is Step.MORE
        ways.append(_reach(stages, *state, guarded=guarded) if open_still else (0, 0))
    return 1 + min(least for least, _most in ways), 1 + max(most for _least, most in ways)
