"""Acceptance rules: against a restatement of the rule by brute force, published numbers, and properties."""

from __future__ import annotations

import math
import statistics
from functools import cache
from itertools import product

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import special

from crosslay.errors import SettingsError
from crosslay.inspection.acceptance import (
    T16_STAGES,
    DecisionRule,
    Limits,
    Policy,
    Sequence,
    Standing,
    Step,
    Uncertainty,
    Zone,
    guarded_zone,
    probability_of_conformance,
    specific_consumer_risk,
    specific_producer_risk,
    zone,
)
from crosslay.inspection.callout import Rule, Side

#: Share of a normal distribution beyond μ + σ (page *reference-values*, 8.1: 15.8655 %).
BEYOND = 0.158655253931457


def t16(side: Side = Side.UPPER, limit: float = 1.0, most: int = 12, rule: DecisionRule = DecisionRule.SIMPLE):
    return Sequence(Rule.T16, side, limit, Policy(max_traces=most, decision_rule=rule))


def fed(sequence: Sequence, values) -> Standing:
    standing = sequence.standing
    for value in values:
        standing = sequence.feed(value)
        if standing.step is not Step.MORE:
            break
    return standing


# --- one value -------------------------------------------------------------------------------------------------------


def test_the_worked_example_of_jcgm_106():
    """JCGM 106:2012, 7.4: y = 13.6, u = 1.8, limits 12.5 and 16.3; p_c = 0.66263 (page *reference-values*, 8.3)."""
    probability = probability_of_conformance(13.6, 1.8, Limits(lower=12.5, upper=16.3))
    assert probability == pytest.approx(0.66263, abs=5e-6)
    assert specific_consumer_risk(probability) == pytest.approx(0.33737, abs=5e-6)
    assert specific_producer_risk(probability) == probability


@given(st.floats(-5, 5), st.floats(0.01, 3), st.floats(-4, 0), st.floats(0, 4))
def test_probability_against_the_normal_distribution_of_a_library(value, u, lower, upper):
    """SciPy's Φ (ndtr); p_c = Φ((TU − y)/u) − Φ((TL − y)/u), JCGM 106:2012, 7.4."""
    both = special.ndtr((upper - value) / u) - special.ndtr((lower - value) / u)
    assert probability_of_conformance(value, u, Limits(lower=lower, upper=upper)) == pytest.approx(both, abs=1e-12)
    only = special.ndtr((upper - value) / u)
    assert probability_of_conformance(value, u, Limits(upper=upper)) == pytest.approx(only, abs=1e-12)


def test_probability_by_simulation():
    random = np.random.default_rng(106)
    drawn = 0.79 + 0.02 * random.standard_normal(400_000)
    share = float(np.mean(drawn <= 0.8))
    assert probability_of_conformance(0.79, 0.02, Limits(upper=0.8)) == pytest.approx(share, abs=0.003)


def test_without_uncertainty_the_probability_is_certainty():
    assert probability_of_conformance(1.0, 0.0, Limits(upper=1.0)) == 1.0
    assert probability_of_conformance(math.nextafter(1.0, 2.0), 0.0, Limits(upper=1.0)) == 0.0


@pytest.mark.parametrize(
    ("value", "expected"),
    [(0.767, Zone.CONFORM), (0.768, Zone.NOT_PROVEN), (0.8, Zone.NOT_PROVEN), (0.832, Zone.NOT_PROVEN),
     (0.8331, Zone.NOT_CONFORM), (0.033, Zone.CONFORM)],
)  # fmt: skip
def test_zones_at_an_upper_limit(value, expected):
    """ISO 14253-1:2017, g = k·u_c with k = 1.65 (from memory): u = 0.02, limit 0.8, so g = 0.033."""
    uncertainty = Uncertainty.of_expanded(0.04, 2.0)
    assert guarded_zone(value, Limits(upper=0.8), uncertainty) is expected
    assert guarded_zone(-value, Limits(lower=-0.8), uncertainty) is expected


def test_at_the_edge_of_the_acceptance_zone_the_probability_is_95_percent():
    """ISO 14253-1:2017 (from memory); z₀.₉₅ = 1.644854 (page *reference-values*, 8.3), rounded to 1.65."""
    assert probability_of_conformance(1.0 - 1.644854 * 0.1, 0.1, Limits(upper=1.0)) == pytest.approx(0.95, abs=1e-7)
    assert probability_of_conformance(1.0 - 1.65 * 0.1, 0.1, Limits(upper=1.0)) > 0.95


def test_a_tolerance_of_few_uncertainties_needs_the_probability_too():
    """Tolerance 3.5 u: between the guard bands of 1.65 u, and yet P = 2Φ(1.75) − 1 = 0.9199 (normal table) < 0.95."""
    narrow, wide = Limits(lower=-1.75, upper=1.75), Limits(lower=-4.0, upper=4.0)
    one = Uncertainty.of_expanded(2.0, 2.0)
    assert probability_of_conformance(0.0, 1.0, narrow) == pytest.approx(0.9199, abs=5e-5)
    assert zone(0.0, narrow, guard=1.65) is Zone.CONFORM
    assert guarded_zone(0.0, narrow, one) is Zone.NOT_PROVEN
    assert guarded_zone(2.35, wide, one) is Zone.CONFORM
    assert guarded_zone(2.36, wide, one) is Zone.NOT_PROVEN


@given(st.floats(-10, 10), st.floats(-5, 0), st.floats(0, 5), st.floats(0, 2))
def test_the_three_zones_cover_everything_and_widen_with_the_uncertainty(value, lower, upper, guard):
    limits = Limits(lower=lower, upper=upper)
    simple = zone(value, limits)
    assert simple is (Zone.CONFORM if lower <= value <= upper else Zone.NOT_CONFORM)
    guarded = zone(value, limits, guard=guard)
    assert guarded in {simple, Zone.NOT_PROVEN} or guard == 0.0 or upper - lower < 2 * guard
    assert zone(-value, Limits(lower=-upper, upper=-lower), guard=guard) is guarded


# --- T16% against a restatement --------------------------------------------------------------------------------------


@cache
def restated(exceeds: tuple[bool, ...], most: int) -> bool:
    """Whether a whole series is accepted, from the text of ISO 4288:1996, Annex A (page *reference-values*, 8.1)."""
    if most == 1:
        return not exceeds[0]
    return (not any(exceeds[:3])
            or (most >= 6 and sum(exceeds[:6]) <= 1)
            or (most >= 12 and sum(exceeds[:12]) <= 2))  # fmt: skip


@cache
def outcomes(prefix: tuple[bool, ...], most: int) -> frozenset[bool]:
    """What a series that begins so may still come to."""
    if len(prefix) == most:
        return frozenset({restated(prefix, most)})
    return outcomes((*prefix, False), most) | outcomes((*prefix, True), most)


@cache
def reach(prefix: tuple[bool, ...], most: int) -> tuple[int, int]:
    """Fewest and most values until only one outcome is left at a place where the rule may say so."""
    if decided(prefix, most) is not None:
        return 0, 0
    ways = [reach((*prefix, each), most) for each in (False, True)]
    return 1 + min(least for least, _ in ways), 1 + max(furthest for _, furthest in ways)


def decided(prefix: tuple[bool, ...], most: int) -> bool | None:
    possible = outcomes(prefix, most)
    if possible == {False}:
        return False  # a rejection as soon as it is certain
    return True if possible == {True} else None


@pytest.mark.parametrize("most", [1, 3, 6, 12])
def test_every_series_of_twelve_is_decided_as_the_rule_says_and_as_early(most):
    for series in product((False, True), repeat=most):
        sequence = t16(Side.LOWER, 1.0, most)
        for taken, exceeds in enumerate(series, 1):
            standing = sequence.feed(0.5 if exceeds else 1.5)
            prefix = series[:taken]
            expected = decided(prefix, most)
            assert (standing.step is Step.MORE) == (expected is None), prefix
            assert (standing.at_least, standing.at_most) == reach(prefix, most), prefix
            if expected is not None:
                assert standing.step is (Step.ACCEPT if expected else Step.REJECT)
                break


@pytest.mark.parametrize(
    ("most", "published"), [(3, 0.5955), (6, 0.7560), (12, 0.7057)]
)
def test_stages_against_their_published_probabilities(most, published):
    """P(0 of 3), P(≤ 1 of 6), P(≤ 2 of 12) where 15.866 % exceed (page *reference-values*, 8.1, cut to four digits)."""
    allowed = dict(T16_STAGES)[most]
    closed = sum(math.comb(most, k) * BEYOND**k * (1 - BEYOND) ** (most - k) for k in range(allowed + 1))
    assert closed == pytest.approx(published, abs=1e-4)
    if most == 3:  # with three values there is one stage, so the whole sequence has that probability
        random = np.random.default_rng(4288)
        values = random.standard_normal((40_000, 3))
        accepted = sum(fed(t16(Side.LOWER, -1.0, 3), row.tolist()).step is Step.ACCEPT for row in values)
        assert accepted / 40_000 == pytest.approx(published, abs=0.01)


def test_the_whole_procedure_accepts_as_often_as_all_its_series_weigh():
    """Exact probability over all 4096 series, against normal values fed one by one; 15.866 % exceed."""
    exact = sum(BEYOND ** sum(each) * (1 - BEYOND) ** (12 - sum(each))
                for each in product((False, True), repeat=12) if restated(each, 12))
    random = np.random.default_rng(16)
    values = random.standard_normal((20_000, 12))
    accepted = sum(fed(t16(Side.LOWER, -1.0), row.tolist()).step is Step.ACCEPT for row in values)
    assert accepted / 20_000 == pytest.approx(exact, abs=0.012)


def test_a_first_value_of_seventy_percent_is_enough_for_an_upper_limit_only():
    assert t16(limit=0.8).standing.at_least == 1
    assert fed(t16(limit=0.8), [0.7 * 0.8]).step is Step.ACCEPT
    more = fed(t16(limit=0.8), [math.nextafter(0.7 * 0.8, 1.0)])
    assert (more.step, more.at_least, more.at_most) == (Step.MORE, 2, 11)
    assert fed(t16(Side.LOWER, 0.8), [8.0]).step is Step.MORE
    assert t16(Side.LOWER, 0.8).standing.at_least == 3
    # 70 % of a limit below 0 lies beyond it: no shortcut there.
    assert fed(t16(limit=-1.0), [-0.8]).step is Step.MORE
    assert fed(t16(limit=-1.0), [-9.0]).step is Step.MORE


def test_a_rejection_comes_with_the_third_exceedance_and_an_acceptance_is_final():
    sequence = t16()
    assert [sequence.feed(value).step for value in (1.1, 0.9, 1.1)] == [Step.MORE] * 3
    rejected = sequence.feed(1.2)
    assert (rejected.step, rejected.at_least, rejected.at_most) == (Step.REJECT, 0, 0)
    assert sequence.values[rejected.place] == 1.1, "the third worst, since two may exceed"
    accepted = t16()
    assert fed(accepted, [0.9, 0.95, 1.0]).step is Step.ACCEPT, "equality conforms"
    assert accepted.feed(5.0).step is Step.ACCEPT
    assert accepted.values == (0.9, 0.95, 1.0, 5.0)


def test_one_value_alone_is_compared_as_by_tmax():
    for value, step in ((1.0, Step.ACCEPT), (math.nextafter(1.0, 2.0), Step.REJECT), (0.1, Step.ACCEPT)):
        assert fed(t16(most=1), [value]).step is step
        assert fed(Sequence(Rule.TMAX, Side.UPPER, 1.0, Policy()), [value]).step is step


values_of_twelve = st.lists(st.floats(0.01, 3.0), min_size=12, max_size=12)


@given(values_of_twelve, st.sampled_from([1, 3, 6, 12]), st.sampled_from(list(Side)))
def test_the_deciding_value_keeps_the_limit_exactly_where_it_is_accepted(values, most, side):
    sequence = t16(side, 1.0, most)
    standing = fed(sequence, values)
    assert standing.step in {Step.ACCEPT, Step.REJECT}
    assert standing.taken <= most
    keeps = sequence.values[standing.place] <= 1.0 if side is Side.UPPER else sequence.values[standing.place] >= 1.0
    assert keeps == (standing.step is Step.ACCEPT)


@given(values_of_twelve, st.integers(0, 11), st.floats(0.0, 2.0))
def test_a_worse_value_never_turns_a_rejection_into_an_acceptance(values, place, worse):
    rejected = fed(t16(), values).step is Step.REJECT
    worsened = [value + worse if at == place else value for at, value in enumerate(values)]
    assert not (rejected and fed(t16(), worsened).step is Step.ACCEPT)


@given(st.lists(st.floats(-3, 3), min_size=12, max_size=12), st.sampled_from([3, 6, 12]))
def test_lower_limits_are_the_mirror_image_but_for_the_shortcut(values, most):
    upper = fed(t16(Side.UPPER, -0.5, most), values)  # below 0 there is no shortcut
    lower = fed(t16(Side.LOWER, 0.5, most), [-value for value in values])
    assert upper == lower


@pytest.mark.parametrize("value", [None, math.nan, math.inf, -math.inf])
@pytest.mark.parametrize("rule", list(Rule))
def test_an_undefined_value_makes_it_invalid_for_good(value, rule):
    sequence = Sequence(rule, Side.UPPER, 1.0, Policy(max_traces=3))
    sequence.feed(0.9)
    assert sequence.feed(value).step is Step.INVALID
    assert sequence.feed(0.1).step is Step.INVALID


# --- with a guard band -----------------------------------------------------------------------------------------------

ZONES = (Zone.CONFORM, Zone.NOT_CONFORM, Zone.NOT_PROVEN)
VALUE_IN = {Zone.CONFORM: 0.85, Zone.NOT_PROVEN: 1.0, Zone.NOT_CONFORM: 1.15}


@cache
def guarded_outcomes(prefix: tuple[Zone, ...], most: int) -> frozenset[Step]:
    """Accepted where the rule accepts though every value not proven exceeds; rejected by proven exceedances alone."""
    if len(prefix) < most:
        return frozenset().union(*(guarded_outcomes((*prefix, each), most) for each in ZONES))
    if restated(tuple(each is not Zone.CONFORM for each in prefix), most):
        return frozenset({Step.ACCEPT})
    too_many = prefix.count(Zone.NOT_CONFORM) > {1: 0, 3: 0, 6: 1}[most]
    return frozenset({Step.REJECT if too_many else Step.UNDECIDED})


@pytest.mark.parametrize("most", [1, 3, 6])
def test_with_a_guard_band_every_series_is_decided_only_as_far_as_it_is_proven(most):
    for series in product(ZONES, repeat=most):
        sequence = t16(limit=1.0, most=most, rule=DecisionRule.ISO_14253_1)
        for taken, each in enumerate(series, 1):
            standing = sequence.feed(VALUE_IN[each], guard=0.1)
            possible = guarded_outcomes(series[:taken], most)
            if standing.step is Step.MORE:
                assert len(possible) > 1, series[:taken]
                assert 1 <= standing.at_least <= standing.at_most == most - taken
                continue
            assert possible == {standing.step}, series[:taken]
            break


def test_the_shortcut_keeps_the_guard_band_too():
    assert t16(rule=DecisionRule.ISO_14253_1).feed(0.6, guard=0.1).step is Step.ACCEPT
    assert t16(rule=DecisionRule.ISO_14253_1).feed(0.61, guard=0.1).step is Step.MORE


# --- Tmax and Tmed ---------------------------------------------------------------------------------------------------


def test_tmax_counts_every_value_even_beyond_those_it_asks_for():
    sequence = Sequence(Rule.TMAX, Side.UPPER, 1.0, Policy(min_traces=2, max_traces=3))
    first = sequence.feed(1.0)
    assert (first.step, first.at_least, first.at_most) == (Step.MORE, 1, 1)
    assert sequence.feed(0.9).step is Step.ACCEPT
    last = sequence.feed(1.01)
    assert (last.step, sequence.values[last.place]) == (Step.REJECT, 1.01)
    assert sequence.feed(0.2).step is Step.REJECT
    lower = Sequence(Rule.TMAX, Side.LOWER, 1.0, Policy())
    assert lower.feed(0.99).step is Step.REJECT


@given(st.lists(st.floats(-5, 5), min_size=1, max_size=9).filter(lambda each: len(each) % 2 == 1))
def test_tmed_compares_the_median(values):
    """The median of the standard library, whatever the order."""
    sequence = Sequence(Rule.TMED, Side.UPPER, 0.5, Policy(max_traces=len(values)))
    for number, value in enumerate(values, 1):
        standing = sequence.feed(value)
        assert standing.at_least == standing.at_most == len(values) - number
    assert sequence.values[standing.place] == statistics.median(values)
    assert (standing.step is Step.ACCEPT) == (statistics.median(values) <= 0.5)


@pytest.mark.parametrize(
    ("rule", "policy", "words"),
    [
        (Rule.T16, Policy(max_traces=5), "1, 3, 6 or 12"),
        (Rule.TMED, Policy(max_traces=4), "odd"),
        (Rule.TMAX, Policy(min_traces=3, max_traces=2), "min_traces <= max_traces"),
        (Rule.TMAX, Policy(min_traces=0), "1 <="),
    ],
)
def test_numbers_that_do_not_fit_are_refused(rule, policy, words):
    with pytest.raises(SettingsError, match=words):
        Sequence(rule, Side.UPPER, 1.0, policy)
